"""A read-out as typed: codes, each with its list, the lamp, and the readiness bytes."""

from collections.abc import Iterable
from typing import Any

from roadworn.errors import UsageError
from roadworn.trade.codes import split_code
from roadworn.trade.readiness import decode_readiness

#: The three lists a control module keeps.
STATUSES = ("stored", "pending", "permanent")


def read_scan(
    texts: Iterable[str],
    *,
    module: str = "engine",
    failed: str = "",
    no_codes: bool = False,
    lamp: str = "",
    readiness: str = "",
) -> dict[str, Any]:
    """Read a scan of one control module.

    Args:
        texts: codes, each with its list when it is not the stored one: ``P0171 pending``.
        module: which control module answered.
        failed: why it could not be read; a failed read is not the same as no codes.
        no_codes: say that it answered and had none.
        lamp: ``on`` or ``off``.
        readiness: the four bytes in hexadecimal digits.

    Returns:
        A `Scan` payload as a dictionary.

    Raises:
        UsageError: a code cannot be read, or the answers contradict each other.
    """
    codes = read_codes(texts)
    if codes and (failed or no_codes):
        raise UsageError(
            "Codes were given together with --no-codes or --failed: leave out what is not so."
        )
    if failed and no_codes:
        raise UsageError("A read that failed says nothing about codes: leave out --no-codes.")
    if not codes and not failed and not no_codes:
        raise UsageError(
            "No codes were given: write them as P0420 'P0171 pending', or say --no-codes when "
            "the module answered with none, or --failed 'no answer' when it could not be read."
        )
    answer: dict[str, Any] = {"name": module, "outcome": "failed" if failed else "read"}
    if codes:
        answer["codes"] = codes
    scan: dict[str, Any] = {"modules": [answer]}
    if failed:
        scan["note"] = failed
    if lamp:
        if lamp.casefold() not in {"on", "off"}:
            raise UsageError(f"--lamp is on or off, not {lamp!r}.")
        scan["lamp"] = lamp.casefold()
    if readiness:
        scan["readiness"] = decode_readiness(readiness).encode().hex().upper()
    return scan


def read_codes(texts: Iterable[str]) -> list[dict[str, str]]:
    """Read trouble codes, ``P0420``, ``P0171 pending`` or with failure type ``C0040-64``.

    Raises:
        UsageError: a word is neither a code nor the name of a list.
    """
    codes: list[dict[str, str]] = []
    for word in " ".join(texts).replace(",", " ").split():
        status = word.casefold()
        if status in STATUSES:
            if not codes:
                raise UsageError(f"{word!r} stands before any code: write it as P0171 {word}.")
            codes[-1]["status"] = status
            continue
        code, failure_type = split_code(word)
        codes.append({"code": code} | ({"failure_type": failure_type} if failure_type else {}))
    return codes
