"""What a read-out was read as: codes with all that stood beside them, and the doubts.

The values alone, apart from the reading of text, so that an adapter or a plugin can build the
same thing without any text.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from roadworn.model.messages import Problem
from roadworn.trade.scan_bytes import decode_readiness

Status = Literal["stored", "pending", "permanent", "previous"]
DEFAULT_MODULE = "engine"

STATUS_WORDS: dict[str, Status] = {
    **dict.fromkeys(("stored", "confirmed", "current", "active"), "stored"),
    "pending": "pending",
    "permanent": "permanent",
    # SAE J1939-73 calls the list of DM2 "previously active".
    **dict.fromkeys(("previous", "history", "inactive"), "previous"),
}
LAMP_WORDS = frozenset({"lamp", "mil", "light"})
#: Modules that readers name without a colon; any other name needs one.
MODULE_WORDS = frozenset(
    {"engine", "ecm", "ecu", "pcm", "tcm", "tcu", "transmission", "gearbox", "abs", "ebcm", "srs"}
    | {"airbag", "bcm", "body", "hvac", "ipc", "cluster", "gateway", "tpms", "immobilizer"}
)
#: One module under its several names, else its codes would never be cleared by the other.
_ONE_MODULE = {
    **dict.fromkeys(("engine", "ecm", "ecu", "pcm", "engine control module"), "engine"),
    **dict.fromkeys(
        ("tcm", "tcu", "gearbox", "transmission", "transmission control module"), "transmission"
    ),
    **dict.fromkeys(("abs", "ebcm"), "ABS"),
    **dict.fromkeys(("srs", "airbag", "airbags"), "SRS"),
}
FILLERS = frozenset(
    {"and", "the", "a", "is", "are", "was", "code", "codes", "dtc", "dtcs", "fault", "faults"}
    | {"trouble", "commanded", "status", "monitor", "monitors", "bytes", "readiness", "module"}
    | {"list", "read", "found", ":", "-", "–", "=", "|", "none", "byte"}
)
NO_CODES = re.compile(r"\b(?:no|0|zero)\s+(?:\w+\s+)?(?:codes?|dtcs?|faults?)\b", re.IGNORECASE)
#: Adapter answers that are no list of codes: a failed read.
FAILED = re.compile(
    r"\b(?:no data|unable to connect|stopped|can error|bus init[: .]*error|bus error|"
    r"no answer|no response|no communication|failed read|read failed)\b|^\s*\?\s*$",
    re.IGNORECASE,
)
HEAVY = re.compile(
    r"\bspn\s*[:=]?\s*([0-9]{1,9})\s*[/,;-]?\s*fmi\s*[:=]?\s*([0-9]{1,4})"
    r"(?:\s*[/,;-]?\s*(?:oc|count|x)\s*[:=]?\s*([0-9]{1,3}))?\b",
    re.IGNORECASE,
)
HEAVY_WORD = re.compile(r"spn([0-9]+)fmi([0-9]+)(?:x([0-9]+))?")
#: Bytes of a heavy vehicle's message, told apart from readiness bytes by the word before them.
HEAVY_BYTES = re.compile(
    r"\b(dm1|dm2|j1939)\b\s*[:=]?\s*([0-9A-Fa-f]{2}(?:[ ]?[0-9A-Fa-f]{2}){3,})(?![0-9A-Za-z])",
    re.IGNORECASE,
)
#: "P0420: words of a reader", "P0420 - words" or "P0420 words": not ours to understand.
DESCRIBED = re.compile(
    r"\s*([PCBU]\w{3,5}(?:-[0-9A-F]{2})?|spn[0-9]+fmi[0-9]+(?:x[0-9]+)?)"
    r"(?:\s*(:|\s-|\s–|\t)|\s)\s*(.*)",
    re.IGNORECASE,
)
BYTES = re.compile(
    r"(?<![0-9A-Za-z])(?:41[ ]?01[ ]?)?([0-9A-Fa-f]{2}(?:[ ][0-9A-Fa-f]{2}){3}|[0-9A-Fa-f]{8})"
    r"(?![0-9A-Za-z]|[ ][0-9A-Fa-f]{2}(?![0-9A-Za-z]))"
)
HEADING = re.compile(r"\s*([A-Za-z0-9][A-Za-z0-9 _./()-]{0,39}?)\s*:(?!\S*:)")
CODE_LIKE = re.compile(r"(?=.*\d)[PCBU][0-9A-Z-]{2,8}|PO\w{2,4}|[0-3][0-9A-F]{3}", re.IGNORECASE)
STATUS_BYTE = re.compile(r"(?:0x)?([0-9A-F]{2})", re.IGNORECASE)
_CLEARED = r"(?:since\s+(?:the\s+)?(?:codes?\s+)?(?:were\s+)?clear(?:ed|ing)?)"
_FIGURE = r"([0-9][0-9,]*)"
#: Distance since codes were cleared, with the figure after the words or before them.
SINCE_CLEAR = (
    re.compile(
        rf"(?:distance\s+)?{_CLEARED}\s*[:=]?\s*{_FIGURE}\s*(km|miles|mi)?\b", re.IGNORECASE
    ),
    re.compile(rf"\b{_FIGURE}\s*(km|miles|mi)?\s+{_CLEARED}\b", re.IGNORECASE),
)
_AND_CLEARED = rf"(?:\s+{_CLEARED}(?!\s*[:=]?\s*[0-9]))?"
WARM_UPS = (
    re.compile(rf"\b{_FIGURE}\s+warm[- ]?ups?{_AND_CLEARED}", re.IGNORECASE),
    re.compile(
        rf"warm[- ]?ups?(?:\s+{_CLEARED})?\s*[:=]?\s*{_FIGURE}\b(?!\s*(?:km|mi))", re.IGNORECASE
    ),
)


def one_name(module: str) -> str:
    """Return the name a module is kept by: ``ECM`` and ``PCM`` are the engine's."""
    return _ONE_MODULE.get(module.strip().casefold(), module.strip())


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


def readiness_remarks(stored: int, lamp: str | None, readiness: str) -> tuple[Problem, ...]:
    """Return where the readiness bytes do not agree with the list of codes or the lamp.

    Args:
        stored: stored codes in the list.
        lamp: ``on`` or ``off`` as seen, or None when nobody said.
        readiness: the four bytes in hexadecimal digits.

    Raises:
        UsageError: they are no four bytes.
    """
    decoded = decode_readiness(readiness)
    remarks = []
    if stored != decoded.codes:
        remarks.append(
            Problem(
                "scan-count",
                f"The readiness bytes count {decoded.codes} codes, the list holds {stored}.",
                "another module may hold the rest",
            )
        )
    if lamp is not None and (lamp == "on") != decoded.lamp:
        remarks.append(
            Problem(
                "scan-lamp",
                "The lamp typed and the lamp bit of the readiness bytes differ.",
                "a lamp commanded on but dark is a finding by itself",
            )
        )
    return tuple(remarks)


def own_remarks(
    codes: Sequence[ScannedCode], lamp: Literal["on", "off"] | None, readiness: str | None
) -> tuple[Problem, ...]:
    """Return `readiness_remarks` of a list of codes, or none without readiness bytes."""
    stored = sum(code.status == "stored" for code in codes)
    if readiness is None:
        return lamp_remarks(stored, lamp)
    return readiness_remarks(stored, lamp, readiness)


def lamp_remarks(stored: int, lamp: str | None) -> tuple[Problem, ...]:
    """Return the doubt about a lamp that is on without any stored code."""
    if lamp != "on" or stored:
        return ()
    return (
        Problem(
            "scan-lamp",
            "The lamp is on, but no stored code was given.",
            "another module may hold it, or it may be no malfunction lamp",
        ),
    )
