"""One code of a read-out: taken as typed, or refused with a hint, and put into its list.

The status byte (ISO 14229-1) says more than any word: whether the code is confirmed or only
pending, whether it fails now, and whether its test ran at all.
"""

from typing import Literal, NamedTuple

from roadworn.errors import UsageError
from roadworn.problems import Problem
from roadworn.trade.codes import code_problem, split_code
from roadworn.trade.j1939 import FAILURE_MODES, MAX_SPN, HeavyFault, decode_j1939, decode_message
from roadworn.trade.scan_words import Status
from roadworn.trade.scanned import ScannedCode
from roadworn.trade.status_byte import decode_status

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
