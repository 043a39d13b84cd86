"""The words of a read-out's printout: lists, modules, heads, and a reader's own descriptions.

What a word or a whole line says, apart from the codes that are gathered from it.
"""

import re
from difflib import get_close_matches

from roadworn.trade.scanned import Status, one_name

STATUS_WORDS: dict[str, Status] = {
    **dict.fromkeys(("stored", "confirmed", "current", "active", "conf", "curr"), "stored"),
    **dict.fromkeys(("pending", "pend", "pndg"), "pending"),
    **dict.fromkeys(("permanent", "perm"), "permanent"),
    # SAE J1939-73 calls the list of DM2 "previously active".
    **dict.fromkeys(("previous", "history", "historic", "hist", "inactive"), "previous"),
}
LAMP_WORDS = frozenset({"lamp", "mil", "light"})
#: Modules that readers name without a colon; any other name needs one.
MODULE_WORDS = frozenset(
    {"engine", "ecm", "ecu", "pcm", "tcm", "tcu", "transmission", "gearbox", "abs", "ebcm", "srs"}
    | {"airbag", "bcm", "body", "hvac", "ipc", "cluster", "gateway", "tpms", "immobilizer"}
)
FILLERS = frozenset(
    {"and", "the", "a", "is", "are", "was", "code", "codes", "dtc", "dtcs", "fault", "faults"}
    | {"trouble", "commanded", "status", "monitor", "monitors", "bytes", "readiness", "module"}
    | {"list", "read", "found", ":", "-", "–", "=", "|", "none", "byte"}
)
#: How a line that names a module alone ends: "Steering module", "Body control unit".
NAMES_MODULE = re.compile(
    r"[a-z][\w ./()-]{0,39}?\s+(?:control\s+)?(?:module|unit)(?:\s+(?:codes?|dtcs?))?\W*",
    re.IGNORECASE,
)
#: What a printout's head tells of the vehicle and of the reader: no fault, kept beside the codes.
_HEAD = re.compile(
    r"\s*(?:vehicle|car|make|model|year|vin|engine type|date|time|odometer|mileage|protocol|voltage"
    r"|reader|scanner|software|firmware|version|report|session)(?:\s+(?:no|number|id))?\.?"
    r"\s*[:=]\s*\S.*",
    re.IGNORECASE,
)
#: What a printout's title is made of; how many codes there are is counted below it.
_TITLE = frozenset(
    {"scan", "report", "diagnostic", "diagnostics", "result", "results", "summary", "readout"}
    | {"read-out", "printout", "full", "complete", "quick", "system", "systems", "vehicle", "page"}
    | {"pre-scan", "post-scan", "pre", "post", "before", "after", "of", "for", "total", "obd"}
)
#: Readiness said in words; only the four bytes have a place of their own.
_READY_WORDS = re.compile(
    r"\b(?:in)?complete\b|\b(?:not\s+)?ready\b|\bnot\s+(?:supported|available)\b",
    re.IGNORECASE,
)
#: "P0420: words of a reader", "P0420 - words" or "P0420 words": not ours to understand.
_DESCRIBED = re.compile(
    r"\s*([PCBU]\w{3,5}(?:-[0-9A-F]{2})?|spn[0-9]+fmi[0-9]+(?:x[0-9]+)?)"
    r"(?:\s*(:|\s-|\s–|\t)|\s)\s*(.*)",
    re.IGNORECASE,
)
READINESS_BYTES = re.compile(
    r"(?<![0-9A-Za-z])(?:41[ ]?01[ ]?)?([0-9A-Fa-f]{2}(?:[ ][0-9A-Fa-f]{2}){3}|[0-9A-Fa-f]{8})"
    r"(?![0-9A-Za-z]|[ ][0-9A-Fa-f]{2}(?![0-9A-Za-z]))"
)
CODE_LIKE = re.compile(r"(?=.*\d)[PCBU][0-9A-Z-]{2,8}|PO\w{2,4}|[0-3][0-9A-F]{3}", re.IGNORECASE)
_COUNTED = re.compile(r"[1-9]\d{0,2}")
_MOST = 200
_NEAR = 0.75
#: Fewer words than this without a mark between are no description: "P0300 hello" may be a slip.
_LEAST = 2
_LIST_WORDS = sorted({*STATUS_WORDS, "readiness"})


def split_description(line: str) -> tuple[str, str | None]:
    """Return a line without the reader's description of its code, and the description.

    A line whose code is followed by another code has none.
    """
    found = _DESCRIBED.match(line)
    if found is None or not (CODE_LIKE.fullmatch(found[1]) or found[1].startswith("spn")):
        return line, None
    words = found[3].split()
    if any(CODE_LIKE.fullmatch(word.strip("()[].,;:")) for word in words):
        return line, None
    plain = [word.strip("()[].,;:-–").casefold() for word in words]
    if found[2] is None and not _is_description(plain):
        return line, None
    status = ""
    if plain and plain[-1] in STATUS_WORDS:
        status, words = plain[-1], words[:-1]
    elif plain and plain[0] in STATUS_WORDS:
        status, words = plain[0], words[1:]
    told = re.sub(r"^[\s:–-]+|[\s:,;–(\[-]+$", "", " ".join(words))[:_MOST]
    return f"{found[1]} {status}", told or None


def _is_description(words: list[str]) -> bool:
    unknown = [
        word
        for word in words
        if word
        and word not in STATUS_WORDS
        and word not in FILLERS
        and word not in LAMP_WORDS
        and not re.fullmatch(r"on|off|(0x)?[0-9a-f]{2,}|[0-9]+", word)
    ]
    slips = [word for word in unknown if get_close_matches(word, _LIST_WORDS, 1, _NEAR)]
    tells_lamp = bool(LAMP_WORDS & {*words}) and bool({"on", "off"} & {*words})
    return len(unknown) >= _LEAST and not slips and not tells_lamp


def heading_says(heading: str) -> tuple[Status | None, str]:
    """Return the list and the module that a heading names: "ABS pending codes" names both."""
    words = heading.split()
    lists = {STATUS_WORDS[word.casefold()] for word in words if word.casefold() in STATUS_WORDS}
    rest = [word for word in words if word.casefold() not in STATUS_WORDS]
    while rest and rest[-1].casefold() in FILLERS - {"module"}:
        rest.pop()
    owner = "" if all(word.casefold() in FILLERS for word in rest) else one_name(" ".join(rest))
    return (
        (lists.pop(), owner) if len(lists) == 1 else (None, one_name(heading) if lists else owner)
    )


def _is_title(words: list[str]) -> bool:
    named = any(word in _TITLE for word in words)
    counts = all(
        word in _TITLE or word in FILLERS - {"none"} or _COUNTED.fullmatch(word) for word in words
    )
    return named and counts


def tells_no_code(line: str) -> bool:
    """Whether a line is the head of a printout, or says in words which monitors are ready."""
    plain = re.split(r"[\s,;:]+", line.strip())
    if any(CODE_LIKE.fullmatch(word.strip("()[].")) for word in plain) and not _HEAD.match(line):
        return False
    return bool(
        _is_title([word.strip("()[].").casefold() for word in plain if word])
        or _HEAD.match(line)
        or (_READY_WORDS.search(line) and not READINESS_BYTES.search(line))
    )
