"""A read-out as typed or pasted, with what the person says about it beside the codes."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from roadworn.errors import ProblemsFound, UsageError
from roadworn.problems import Problem
from roadworn.trade.readiness import decode_readiness
from roadworn.trade.scan_text import (
    DEFAULT_MODULE,
    ScanText,
    parse_scan_text,
    readiness_remarks,
)


def read_scan(
    texts: Iterable[str],
    *,
    module: str = DEFAULT_MODULE,
    failed: str = "",
    no_codes: bool = False,
    lamp: str = "",
    readiness: str = "",
) -> tuple[dict[str, Any], ScanText]:
    """Read a scan.

    Args:
        texts: codes with their lists (``P0171 pending``), or lines pasted from a reader; a
            line that begins with # is a remark.
        module: the control module of codes under no heading of their own.
        failed: why it could not be read; a failed read is not the same as no codes.
        no_codes: say that it answered and had none.
        lamp: ``on`` or ``off``.
        readiness: the four bytes in hexadecimal digits.

    Returns:
        A `Scan` payload as a dictionary, and what was read, with its remarks.

    Raises:
        ProblemsFound: a word in the text is not understood; nothing is corrected in silence.
        UsageError: the answers contradict each other, or there is none.
    """
    lines = "\n".join(texts).splitlines()
    read = parse_scan_text("\n".join(line for line in lines if not line.startswith("#")))
    if read.problems:
        first = read.problems[0]
        raise ProblemsFound(f"{first.message[:-1]}: {first.hint}.", read.problems)
    if read.codes and (failed or no_codes):
        raise UsageError(
            "Codes were given together with --no-codes or --failed: leave out what is not so."
        )
    if failed and no_codes:
        raise UsageError("A read that failed says nothing about codes: leave out --no-codes.")
    scan = read.payload()
    if failed or no_codes:
        outcome = "failed" if failed else "read"
        scan["modules"] = [{"name": module, "outcome": outcome, "codes": []}]
    if not scan["modules"]:
        raise UsageError(
            "No codes were given: write them as P0420 'P0171 pending', or say --no-codes when "
            "the module answered with none, or --failed 'no answer' when it could not be read."
        )
    for answer in scan["modules"]:
        if answer["name"] == DEFAULT_MODULE:
            answer["name"] = module
    if failed:
        scan["note"] = failed
    if lamp:
        if lamp.casefold() not in {"on", "off"}:
            raise UsageError(f"--lamp is on or off, not {lamp!r}.")
        scan["lamp"] = lamp.casefold()
    if readiness:
        scan["readiness"] = decode_readiness(readiness).encode().hex().upper()
    return scan, replace(read, remarks=_held_against_list(scan))


def _held_against_list(scan: dict[str, Any]) -> tuple[Problem, ...]:
    """Return where the readiness bytes do not agree with codes and lamp, however they came."""
    if "readiness" not in scan:
        return ()
    modules = scan["modules"]
    stored = sum(code["status"] == "stored" for m in modules for code in m.get("codes", ()))
    return readiness_remarks(stored, scan.get("lamp"), scan["readiness"])
