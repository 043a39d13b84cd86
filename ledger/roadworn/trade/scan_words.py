"""The words and shapes of a read-out: lists, lamps, modules, adapter answers, bytes.

Kept apart from the reading itself, since this is what a shop's reader may print differently.
The words are common practice, no source; adapter answers are those of ISO 15765 and older lines.
"""

import re
from typing import Literal

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
