"""A read-out as typed or pasted, with what the person says about it beside the codes."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from roadworn.model.errors import ProblemsFound, UsageError
from roadworn.model.messages import Problem
from roadworn.model.units import parse_distance
from roadworn.trade.scan_bytes import decode_readiness
from roadworn.trade.scan_text import parse_scan_text
from roadworn.trade.scanned import (
    DEFAULT_MODULE,
    MOST_WARM_UPS,
    ScanText,
    one_name,
    scan_remarks,
)


def read_scan(
    texts: Iterable[str],
    *,
    module: str = DEFAULT_MODULE,
    failed: str = "",
    no_codes: bool = False,
    lamp: str = "",
    readiness: str = "",
    since_clear: str = "",
    warm_ups: int | None = None,
    unit: str = "",
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
        since_clear: distance since codes were cleared, ``120 km``.
        warm_ups: warm-ups since codes were cleared, 0 to 255.
        unit: ``km`` or ``mi``, of a distance that has none; an empty text when nobody said.

    Returns:
        A `Scan` payload as a dictionary, and what was read, with its remarks.

    Raises:
        ProblemsFound: a word in the text is not understood; nothing is corrected in silence.
        UsageError: the answers contradict each other, or there is none.
    """
    lines = "\n".join(texts).splitlines()
    read = parse_scan_text("\n".join(line for line in lines if not line.startswith("#")))
    named = one_name(module) != DEFAULT_MODULE
    problems = tuple(one for one in read.problems if not named or one.code != "scan-module")
    if problems:
        raise ProblemsFound(problems[0].joined(), problems)
    scan = read.payload()
    scan["modules"] = _answers(read, module, failed, no_codes)
    told = [*read.beside, *([failed] if failed else [])]
    if told:
        scan["note"] = "; ".join(told)
    if lamp:
        if lamp.casefold() not in {"on", "off"}:
            raise UsageError(f"--lamp is on or off, not {lamp!r}.")
        scan["lamp"] = lamp.casefold()
    if readiness:
        scan["readiness"] = decode_readiness(readiness).encode().hex().upper()
    scan |= _cleared(since_clear, warm_ups, unit)
    kept = tuple(remark for remark in read.remarks if remark.code == "status-byte")
    return scan, replace(read, remarks=(*kept, *_held_against_list(scan)))


def _answers(read: ScanText, module: str, failed: str, no_codes: bool) -> list[dict[str, Any]]:
    """Return the modules' answers, `module` in the place of the default one."""
    if read.codes and (failed or no_codes):
        raise UsageError(
            "Codes were given together with --no-codes or --failed: leave out what is not so."
        )
    if failed and no_codes:
        raise UsageError("A read that failed says nothing about codes: leave out --no-codes.")
    module = one_name(module)
    if failed or no_codes:
        return [{"name": module, "outcome": "failed" if failed else "read", "codes": []}]
    answers: list[dict[str, Any]] = read.payload()["modules"]
    if not answers and read.readiness:
        raise UsageError(
            "Four bytes alone are taken as readiness, and no codes were given: write DM1 or J1939 "
            "before a heavy vehicle's bytes, or say --no-codes."
        )
    if not answers:
        raise UsageError(
            "No codes were given: write them as P0420 'P0171 pending', or say --no-codes when "
            "the module answered with none, or --failed 'no answer' when it could not be read."
        )
    for answer in answers:
        if answer["name"] == DEFAULT_MODULE:
            answer["name"] = module
    return answers


def _cleared(since_clear: str, warm_ups: int | None, default_unit: str) -> dict[str, Any]:
    """Return how far ago codes were cleared, as typed beside the codes."""
    told: dict[str, Any] = {}
    if since_clear:
        distance, unit = parse_distance(since_clear, default_unit or None)
        told |= {"distance_since_clear": float(distance), "distance_unit": unit}
    if warm_ups is not None:
        if not 0 <= warm_ups <= MOST_WARM_UPS:
            raise UsageError(f"Warm-ups since clear are 0 to {MOST_WARM_UPS}, not {warm_ups}.")
        told["warm_ups_since_clear"] = warm_ups
    return told


def _held_against_list(scan: dict[str, Any]) -> tuple[Problem, ...]:
    """Return where readiness bytes, codes and lamp do not agree, however they came."""
    modules = scan["modules"]
    stored = sum(code["status"] == "stored" for m in modules for code in m.get("codes", ()))
    if "readiness" not in scan and not any(m["outcome"] == "read" for m in modules):
        return ()
    return scan_remarks(stored, scan.get("lamp"), scan.get("readiness"))
