"""Raw replies pasted as they came: ``43 02 01 23 04 20``, ``59 02 FF 01 23 11 2F``.

SAE J1979 services 03, 07 and 0A answer with 43, 47 and 4A. On CAN a count byte follows; on
older lines each message holds three codes, filled up with zeros. ISO 14229-1 service 19 02
answers with 59 02, a mask, and four bytes a code: three of the code and its status byte.
Bytes that fit neither form are not guessed at.
"""

import re
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from roadworn.model.errors import UsageError
from roadworn.model.messages import Problem
from roadworn.trade.codes import code_of_bytes, code_problem, split_code
from roadworn.trade.j1939 import FAILURE_MODES, MAX_SPN, HeavyFault, decode_j1939, decode_message
from roadworn.trade.scan_bytes import decode_status
from roadworn.trade.scanned import SINCE_CLEAR, WARM_UPS, ScannedCode, Status

#: One byte holds the warm-ups; the counter stays at its end (SAE J1979).
MOST_WARM_UPS = 255
_FARTHEST = 10_000_000


@dataclass
class Figures:
    """What was read so far.

    Attributes:
        since_clear: distance as given and its unit, ``km`` or ``mi``.
        warm_ups: 0 to 255.
        problems: figures that cannot be.
    """

    since_clear: tuple[float, str] | None = None
    warm_ups: int | None = None
    problems: list[Problem] = field(default_factory=list)


def take_figures(line: str, figures: Figures, number: int) -> str:
    """Take the figures off a line and return what is left of it; `number` is the line's."""
    # Warm-ups first: "4 warm-ups since clear 100 km" says both.
    for pattern in WARM_UPS:
        if found := pattern.search(line):
            warm_ups = int(found[1].replace(",", ""))
            line = f"{line[: found.start()]} {line[found.end() :]}"
            if warm_ups > MOST_WARM_UPS:
                figures.problems.append(
                    _problem(
                        f"{warm_ups} warm-ups since clear cannot be.",
                        f"a reader counts up to {MOST_WARM_UPS}",
                        number,
                    )
                )
            else:
                figures.warm_ups = warm_ups
    for pattern in SINCE_CLEAR:
        if found := pattern.search(line):
            line = f"{line[: found.start()]} {line[found.end() :]}"
            distance = float(found[1].replace(",", ""))
            if not found[2] or distance > _FARTHEST:
                figures.problems.append(
                    _problem(
                        f"{found[0].strip()!r} has no unit."
                        if not found[2]
                        else f"{found[0].strip()!r} is too far.",
                        "write it as 120 km since clear, or 75 mi",
                        number,
                    )
                )
            else:
                figures.since_clear = (distance, "km" if found[2].casefold() == "km" else "mi")
    return line


def _problem(message: str, hint: str, row: int) -> Problem:
    return Problem("scan-text", message, hint, row=row, column="since clear")


_MOST_COUNTED = 126


class TakenCode(NamedTuple):
    """A code, or why it was not taken; neither for padding."""

    code: ScannedCode | None = None
    problem: Problem | None = None


def take_code(word: str, status: Status, module: str, row: int) -> TakenCode:
    """Take a word that looks like a code; two zero bytes are padding and give nothing."""
    problem = code_problem(word)
    if problem is not None:
        return TakenCode(
            problem=Problem(problem.code, problem.message, problem.hint, row=row, column="code")
        )
    code, failure_type = split_code(word)
    if code == "P0000":
        return TakenCode()
    return TakenCode(
        ScannedCode(f"{code}-{failure_type}" if failure_type else code, status, module)
    )


def take_heavy(
    spn: int, fmi: int, count: int | None, status: Status, module: str, row: int
) -> TakenCode:
    """Take a heavy vehicle's parameter number, failure mode and count (SAE J1939-73)."""
    if spn > MAX_SPN or fmi >= len(FAILURE_MODES):
        message = f"SPN {spn} with FMI {fmi} does not exist."
        hint = f"an SPN is at most {MAX_SPN} and an FMI at most {len(FAILURE_MODES) - 1}"
    elif count is not None and count > _MOST_COUNTED:
        message = f"SPN {spn} cannot have occurred {count} times."
        hint = f"the counter ends at {_MOST_COUNTED}; leave it out when it is not known"
    else:
        return TakenCode(ScannedCode(f"SPN {spn} FMI {fmi}", status, module, None, count))
    return TakenCode(problem=Problem("trouble-code", message, hint, row=row, column="code"))


def take_heavy_bytes(
    word: str, text: str, status: Status, module: str, row: int
) -> tuple[list[TakenCode], Literal["on", "off"] | None]:
    """Take the bytes of a message (``DM1``, ``DM2``: lamps first) or of one fault (``J1939``).

    Returns:
        The codes, none when the message says that there is no fault, and the malfunction lamp
        where the message tells it.
    """
    try:
        if word.casefold() == "j1939":
            fault = decode_j1939(text)
            faults: tuple[HeavyFault, ...] = () if fault.is_no_fault else (fault,)
            lamp = None
        else:
            message = decode_message(text)
            faults = message.faults
            told = message.lamps["malfunction"]
            lamp = told if told in {"on", "off"} and status == "stored" else None
    except UsageError as error:
        sentence, _, hint = str(error).partition(": ")
        problem = Problem("trouble-code", f"{sentence}.", hint.rstrip("."), row=row, column="code")
        return [TakenCode(problem=problem)], None
    taken = [take_heavy(f.spn, f.fmi, f.count, status, module, row) for f in faults]
    return taken, ("on" if lamp == "on" else "off" if lamp == "off" else None)


def judge_by_byte(code: ScannedCode) -> ScannedCode | Problem:
    """Put a code with a status byte into its list: confirmed is stored, else pending.

    A code that is neither is none: some readers list every test they know. It comes back as
    a remark.
    """
    if code.status_byte is None:
        return code
    byte = decode_status(code.status_byte)
    if byte.bit("confirmedDTC"):
        return code if code.status == "permanent" else code._replace(status="stored")
    if byte.bit("pendingDTC") or byte.bit("testFailed"):
        return code._replace(status="pending")
    return Problem(
        "status-byte",
        f"{code.code} with status {code.status_byte} is neither confirmed nor pending.",
        "it is not taken as a code",
        column="code",
    )


_LISTS: dict[int, Status] = {0x43: "stored", 0x47: "pending", 0x4A: "permanent"}
_REPLY = re.compile(r"\s*(?:4[37A]|59\s?02)(?:\s?[0-9A-F]{2})+\s*>?\s*", re.IGNORECASE)
_OLDER = 6  # three codes of two bytes
_PADDING = bytes(2)


def is_raw(line: str) -> bool:
    """Whether a line is such a reply and nothing else."""
    return _REPLY.fullmatch(line) is not None


def raw_codes(line: str, module: str, row: int) -> list[ScannedCode] | Problem:
    """Return the codes of a raw reply, or why it was not taken.

    Args:
        line: one for which `is_raw` holds.
        module: who gave it.
        row: its line.
    """
    data = bytes.fromhex(re.sub(r"[\s>]", "", line))
    if data[0] == 0x59:
        return _with_status(data[3:], module, row) if len(data) > 2 else _refused(row)
    body = data[1:]
    counted = len(body) == 1 + 2 * body[0]
    older = len(body) == _OLDER
    if counted == older:
        return _refused(row)
    listed = body[1:] if counted else body
    pairs = [listed[i : i + 2] for i in range(0, len(listed), 2)]
    status = _LISTS[data[0]]
    return [ScannedCode(code_of_bytes(p), status, module) for p in pairs if p != _PADDING]


def _with_status(data: bytes, module: str, row: int) -> list[ScannedCode] | Problem:
    if len(data) % 4:
        return _refused(row)
    return [
        ScannedCode(code_of_bytes(data[i : i + 3]), "stored", module, f"{data[i + 3]:02X}")
        for i in range(0, len(data), 4)
    ]


def _refused(row: int) -> Problem:
    return Problem(
        "scan-text",
        "These bytes are no whole list of codes.",
        "paste the reply with all its lines joined, or type the codes",
        row=row,
        column="code",
    )
