"""What a read-out was read as: codes with all that stood beside them, and the doubts.

The values apart from the reading of text, so that an adapter or a plugin can build the same thing
without any text; and codes from bytes. SAE J1979 services 03, 07 and 0A answer with 43, 47 and 4A:
on CAN a count byte follows; on older lines each message holds three codes, filled up with zeros.
ISO 14229-1 service 19 02 answers with 59 02, a mask, and four bytes a code: three of the code and
its status byte. Bytes that fit neither form are not guessed at.
"""

import re
from dataclasses import dataclass, replace
from typing import Any, Literal, NamedTuple

from roadworn.model.errors import UsageError
from roadworn.model.messages import Problem
from roadworn.trade.codes import code_problem, split_code
from roadworn.trade.scan_bytes import (
    FAILURE_MODES,
    MAX_SPN,
    HeavyFault,
    decode_j1939,
    decode_message,
    decode_readiness,
    decode_status,
)

Status = Literal["stored", "pending", "permanent", "previous"]
DEFAULT_MODULE = "engine"
#: One byte holds the warm-ups; the counter stays at its end (SAE J1979).
MOST_WARM_UPS = 255
_MOST_COUNTED = 126
#: One module under its several names, else its codes would never be cleared by the other.
_ONE_MODULE = {
    **dict.fromkeys(("engine", "ecm", "ecu", "pcm", "engine control module"), "engine"),
    **dict.fromkeys(
        ("tcm", "tcu", "gearbox", "transmission", "transmission control module"), "transmission"
    ),
    **dict.fromkeys(("abs", "ebcm"), "ABS"),
    **dict.fromkeys(("srs", "airbag", "airbags"), "SRS"),
}

_MODULE_WORD = re.compile(r"\s+(?:control\s+)?(?:module|unit)(?:\s+(?:codes?|dtcs?))?$")


def one_name(module: str) -> str:
    """Return the name a module is kept by: ``ECM`` and ``PCM`` are the engine's."""
    name = module.strip()
    plain = _MODULE_WORD.sub("", name.casefold())
    return _ONE_MODULE.get(name.casefold()) or _ONE_MODULE.get(plain, name)


class ScannedCode(NamedTuple):
    """A code with the list it stood in and the module that gave it.

    Attributes:
        code: ``P0420``, with failure type ``P0123-11``, or ``SPN 1208 FMI 3``.
        status: the list it stood in.
        module: who gave it.
        status_byte: two hexadecimal digits (ISO 14229-1), or None.
        occurrences: count of a heavy vehicle's fault, 0 to 126, or None.
        words: how the reader describes it, or None.
    """

    code: str
    status: Status
    module: str
    status_byte: str | None = None
    occurrences: int | None = None
    words: str | None = None

    def payload(self) -> dict[str, Any]:
        """Return the entry of a `scan` payload."""
        # Heavy vehicles' "SPN 1208 FMI 3" has no failure type byte.
        number, _, failure = self.code.partition("-")
        told = {
            "code": number,
            "status": self.status,
            "failure_type": failure or None,
            "status_byte": self.status_byte,
            "count": self.occurrences,
            "words": self.words,
        }
        return {key: value for key, value in told.items() if value is not None}


@dataclass(frozen=True, slots=True)
class ScanText:
    """What a text was read as.

    Attributes:
        codes: in the order given, each once.
        lamp: on, off, or None when the text does not say.
        readiness: the four bytes as eight hexadecimal digits, or None.
        problems: what was not understood; nothing should be recorded before they are settled.
        empty: modules that answered and had no codes.
        failed: modules that gave no answer, which is not the same.
        before: modules of which only the list of what was active before was read: it says
            nothing of what is active now.
        remarks: what was understood but does not agree with itself.
        since_clear: distance since codes were cleared and its unit, or None.
        warm_ups: warm-ups since then, or None.
        beside: lines that tell of no code: the head of a printout, readiness in words.
    """

    codes: tuple[ScannedCode, ...]
    lamp: Literal["on", "off"] | None
    readiness: str | None
    problems: tuple[Problem, ...]
    empty: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    remarks: tuple[Problem, ...] = ()
    since_clear: tuple[float, str] | None = None
    warm_ups: int | None = None
    before: tuple[str, ...] = ()
    beside: tuple[str, ...] = ()

    def payload(self) -> dict[str, Any]:
        """Return the payload of a `scan` event, without the raw text."""
        modules: dict[str, dict[str, Any]] = {}
        for code in self.codes:
            fresh = {"name": code.module, "outcome": "read", "codes": []}
            modules.setdefault(code.module, fresh)["codes"].append(code.payload())
        for module in self.before:
            fresh = {"name": module, "outcome": "read", "codes": []}
            modules.setdefault(module, fresh)["lists"] = ["previous"]
        for module in self.empty:
            modules.setdefault(module, {"name": module, "outcome": "read", "codes": []})
        for module in self.failed:
            modules.setdefault(module, {"name": module, "outcome": "failed", "codes": []})
        distance, unit = self.since_clear or (None, None)
        told = {
            "lamp": self.lamp,
            "readiness": self.readiness,
            "distance_since_clear": distance,
            "distance_unit": unit,
            "warm_ups_since_clear": self.warm_ups,
        }
        return {
            "modules": list(modules.values()),
            **{key: value for key, value in told.items() if value is not None},
        }


def scan_remarks(stored: int, lamp: str | None, readiness: str | None) -> tuple[Problem, ...]:
    """Return where readiness bytes, the list of codes and the lamp do not agree.

    Args:
        stored: stored codes in the list.
        lamp: ``on`` or ``off`` as seen, or None when nobody said.
        readiness: the four bytes in hexadecimal digits, or None.

    Raises:
        UsageError: they are no four bytes.
    """
    if readiness is None:
        if lamp != "on" or stored:
            return ()
        message = "The lamp is on, but no stored code was given."
        hint = "another module may hold it, or it may be no malfunction lamp"
        return (Problem("scan-lamp", message, hint),)
    decoded = decode_readiness(readiness)
    remarks = []
    if stored != decoded.codes:
        message = f"The readiness bytes count {decoded.codes} codes, the list holds {stored}."
        remarks.append(Problem("scan-count", message, "another module may hold the rest"))
    if lamp is not None and (lamp == "on") != decoded.lamp:
        message = "The lamp typed and the lamp bit of the readiness bytes differ."
        hint = "a lamp commanded on but dark is a finding by itself"
        remarks.append(Problem("scan-lamp", message, hint))
    return tuple(remarks)


def take_code(word: str, status: Status, module: str) -> ScannedCode | Problem | None:
    """Take a word that looks like a code; two zero bytes are padding and give nothing."""
    problem = code_problem(word)
    if problem is not None:
        return replace(problem, column="code")
    code, failure_type = split_code(word)
    if code == "P0000":
        return None
    return ScannedCode(f"{code}-{failure_type}" if failure_type else code, status, module)


def take_heavy(
    spn: int, fmi: int, count: int | None, status: Status, module: str
) -> ScannedCode | Problem:
    """Take a heavy vehicle's parameter number, failure mode and count (SAE J1939-73)."""
    if spn > MAX_SPN or fmi >= len(FAILURE_MODES):
        message = f"SPN {spn} with FMI {fmi} does not exist"
        hint = f"an SPN is at most {MAX_SPN} and an FMI at most {len(FAILURE_MODES) - 1}"
    elif count is not None and count > _MOST_COUNTED:
        message = f"SPN {spn} cannot have occurred {count} times"
        hint = f"the counter ends at {_MOST_COUNTED}; leave it out when it is not known"
    else:
        return ScannedCode(f"SPN {spn} FMI {fmi}", status, module, None, count)
    return Problem.of("trouble-code", message, hint, "code")


def take_heavy_bytes(
    word: str, text: str, status: Status, module: str
) -> tuple[list[ScannedCode | Problem], Literal["on", "off"] | None]:
    """Take the bytes of a message (``DM1``, ``DM2``: lamps first) or of one fault (``J1939``).

    Returns:
        The codes, none when the message says that there is no fault, and the malfunction lamp
        where the message tells it.
    """
    lamp = None
    try:
        if word.casefold() == "j1939":
            fault = decode_j1939(text)
            faults: tuple[HeavyFault, ...] = () if fault.is_no_fault else (fault,)
        else:
            message = decode_message(text)
            faults, lamp = message.faults, message.lamps["malfunction"]
    except UsageError as error:
        return [error.as_problem("trouble-code", "code")], None
    taken = [take_heavy(fault.spn, fault.fmi, fault.count, status, module) for fault in faults]
    if status != "stored":
        return taken, None
    return taken, "on" if lamp == "on" else "off" if lamp == "off" else None


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
