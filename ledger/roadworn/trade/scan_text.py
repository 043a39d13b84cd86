"""A read-out as typed or pasted: codes, their lists, modules, lamp and readiness bytes.

Readers print in many forms, so words are taken for what they say and anything that is not
understood becomes a problem with its line. A code with a wrong character is a problem with a
hint, never corrected. "No codes" and "no answer" are different facts and stay so.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from roadworn.problems import Problem
from roadworn.trade.codes import code_problem, split_code
from roadworn.trade.j1939 import FAILURE_MODES, MAX_SPN
from roadworn.trade.readiness import decode_readiness

Status = Literal["stored", "pending", "permanent"]
DEFAULT_MODULE = "engine"
_MAX_LINES = 2000
_MAX_TEXT = 200_000

_STATUS_WORDS: dict[str, Status] = {
    **dict.fromkeys(("stored", "confirmed", "current", "active"), "stored"),
    "pending": "pending",
    "permanent": "permanent",
}
_LAMP_WORDS = frozenset({"lamp", "mil", "light"})
_FILLERS = frozenset(
    {"and", "the", "a", "is", "are", "was", "code", "codes", "dtc", "dtcs", "fault", "faults"}
    | {"trouble", "commanded", "status", "monitor", "monitors", "bytes", "readiness", "module"}
    | {"list", "read", "found", ":", "-", "–", "=", "|", "none"}
)
_NO_CODES = re.compile(r"\b(?:no|0|zero)\s+(?:\w+\s+)?(?:codes?|dtcs?|faults?)\b", re.IGNORECASE)
# Adapter answers that are no list of codes (ISO 15765 and older lines): a failed read.
_FAILED = re.compile(
    r"\b(?:no data|unable to connect|stopped|can error|bus init[: .]*error|bus error|"
    r"no answer|no response|no communication|failed read|read failed)\b|^\s*\?\s*$",
    re.IGNORECASE,
)
_HEAVY = re.compile(r"\bspn\s*([0-9]{1,9})\s*[/,;-]?\s*fmi\s*([0-9]{1,4})\b", re.IGNORECASE)
_HEAVY_WORD = re.compile(r"spn([0-9]+)fmi([0-9]+)")
# "P0420: words of a reader" or "P0420 - words": the words are not ours to understand.
_DESCRIBED = re.compile(
    r"\s*([PCBU]\w{3,5}(?:-[0-9A-F]{2})?)\s*(?::|\s-|\s–|\t)(.*)", re.IGNORECASE
)
_BYTES = re.compile(
    r"(?<![0-9A-Za-z])(?:41[ ]?01[ ]?)?([0-9A-Fa-f]{2}(?:[ ][0-9A-Fa-f]{2}){3}|[0-9A-Fa-f]{8})"
    r"(?![0-9A-Za-z]|[ ][0-9A-Fa-f]{2}(?![0-9A-Za-z]))"
)
_HEADING = re.compile(r"\s*([A-Za-z0-9][A-Za-z0-9 _./()-]{0,39}?)\s*:(?!\S*:)")
_CODE_LIKE = re.compile(r"(?=.*\d)[PCBU][0-9A-Z-]{2,8}|PO\w{2,4}|[0-3][0-9A-F]{3}", re.IGNORECASE)


class ScannedCode(NamedTuple):
    """A code with the list it stood in and the module that gave it."""

    code: str
    status: Status
    module: str


@dataclass(frozen=True, slots=True)
class ScanText:
    """What a text was read as.

    Attributes:
        codes: in the order given, each once; a code may carry a failure type, ``P0123-11``.
        lamp: on, off, or None when the text does not say.
        readiness: the four bytes as eight hexadecimal digits, or None.
        problems: what was not understood; nothing should be recorded before they are settled.
        empty: modules that answered and had no codes.
        failed: modules that gave no answer, which is not the same.
        remarks: what was understood but does not agree with itself.
    """

    codes: tuple[ScannedCode, ...]
    lamp: Literal["on", "off"] | None
    readiness: str | None
    problems: tuple[Problem, ...]
    empty: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    remarks: tuple[Problem, ...] = ()

    def payload(self) -> dict[str, Any]:
        """Return the payload of a `scan` event, without the raw text."""
        modules: dict[str, dict[str, Any]] = {}
        for code, status, module in self.codes:
            entry = modules.setdefault(module, {"name": module, "outcome": "read", "codes": []})
            # Heavy vehicles' "SPN 1208 FMI 3" has no failure type byte.
            number, _, failure = code.partition("-")
            read = {"code": number, "status": status}
            entry["codes"].append({**read, "failure_type": failure} if failure else read)
        for module in self.empty:
            modules.setdefault(module, {"name": module, "outcome": "read", "codes": []})
        for module in self.failed:
            modules.setdefault(module, {"name": module, "outcome": "failed", "codes": []})
        answer: dict[str, Any] = {"modules": list(modules.values())}
        if self.lamp is not None:
            answer["lamp"] = self.lamp
        if self.readiness is not None:
            answer["readiness"] = self.readiness
        return answer


@dataclass
class _Reading:
    """What has been gathered so far; the two defaults come from headings."""

    codes: list[ScannedCode] = field(default_factory=list)
    lamps: set[Literal["on", "off"]] = field(default_factory=set)
    readiness: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    status: Status = "stored"
    module: str = DEFAULT_MODULE


def parse_scan_text(text: str) -> ScanText:
    """Read a typed or pasted read-out.

    ``P0420 P0171 pending P0300 permanent``: a status word follows its code. ``7E8: P0123`` or
    ``Pending:`` heads the rest of its line, and the lines below it up to a blank one when it
    stands alone. ``lamp on`` and ``83 07 E5 41`` may stand anywhere.
    """
    reading = _Reading()
    lines = text[:_MAX_TEXT].splitlines()
    for number, line in enumerate(lines[:_MAX_LINES], start=1):
        if not line.strip():
            reading.status, reading.module = "stored", DEFAULT_MODULE
            continue
        _read_line(reading, line, number)
    if len(lines) > _MAX_LINES or len(text) > _MAX_TEXT:
        reading.problems.append(
            Problem(
                "scan-text",
                f"The text is longer than {_MAX_LINES} lines or {_MAX_TEXT} characters.",
                "record one vehicle's read-out at a time",
            )
        )
    codes = tuple(dict.fromkeys(reading.codes))
    with_codes = {code.module for code in codes}
    return ScanText(
        codes=codes,
        lamp=_one_lamp(reading),
        readiness=reading.readiness[0] if reading.readiness else None,
        problems=(*reading.problems, *_contradictions(reading, with_codes)),
        empty=tuple(dict.fromkeys(m for m in reading.empty if m not in with_codes)),
        failed=tuple(dict.fromkeys(m for m in reading.failed if m not in with_codes)),
        remarks=_remarks(codes, reading),
    )


def _read_line(reading: _Reading, line: str, number: int) -> None:
    described = _DESCRIBED.match(line)
    if described and _CODE_LIKE.fullmatch(described[1]) and not _holds_code(described[2]):
        words = described[2].split()
        last = words[-1].strip("()[].").casefold() if words else ""
        line = f"{described[1]} {last if last in _STATUS_WORDS else ''}"
    # An adapter's "BUS INIT: ...ERROR" has a colon but is no heading.
    line = re.sub(r"bus init\s*:", "bus init ", line, flags=re.IGNORECASE)
    line, module, status = _read_headings(reading, line)
    if _FAILED.search(line):
        reading.failed.append(module)
        return
    if _NO_CODES.search(line) or line.strip().casefold() == "none":
        reading.empty.append(module)
        line = _NO_CODES.sub(" ", line)
    reading.readiness += [m[1].replace(" ", "").upper() for m in _BYTES.finditer(line)]
    line = _HEAVY.sub(r" spn\1fmi\2 ", _BYTES.sub(" ", line))
    _read_words(reading, re.split(r"[\s,;]+", line.strip()), status, module, number)


def _holds_code(text: str) -> bool:
    return any(_CODE_LIKE.fullmatch(word) for word in re.split(r"[\s,;]+", text))


def _read_headings(reading: _Reading, line: str) -> tuple[str, str, Status]:
    """Take headings off a line; one that stands alone also holds for the lines below it."""
    module, status = reading.module, reading.status
    while heading := _HEADING.match(line):
        word, line = heading[1].casefold(), line[heading.end() :]
        named = _status_of(word)
        if any(part in _LAMP_WORDS for part in word.split()):
            return f"{word} {line}", module, status
        if named is not None:
            status = named
        elif not all(part in _FILLERS for part in word.split()):
            module = heading[1].strip()
        if not line.strip():
            reading.module = module
            reading.status = status if named is not None else "stored"
    return line, module, status


def _read_words(
    reading: _Reading, words: Sequence[str], status: Status, module: str, number: int
) -> None:
    last: int | None = None  # place in reading.codes of the code a status word would name
    leading = False  # "pending P0171 stored P0420": status words stand before their codes
    waiting = ""  # a lamp word or a leading status word that needs another word after it
    for raw in words:
        word = raw.strip("()[].:").casefold()
        if word in _STATUS_WORDS:
            if last is None or leading:
                leading, status, waiting = True, _STATUS_WORDS[word], word
            else:
                reading.codes[last] = reading.codes[last]._replace(status=_STATUS_WORDS[word])
                last = None
        elif word in _LAMP_WORDS:
            waiting = "lamp"
        elif waiting == "lamp" and word in {"on", "off"}:
            reading.lamps.add("on" if word == "on" else "off")
            waiting = ""
        elif _CODE_LIKE.fullmatch(word) or _HEAVY_WORD.fullmatch(word):
            last = _take_code(reading, raw.strip("()[].:"), status, module, number)
            waiting = ""
        elif word and word not in _FILLERS:
            reading.problems.append(
                Problem(
                    "scan-text",
                    f"{raw[:40]!r} is not understood in a read-out.",
                    "put it into the note, or after a code and a colon",
                    row=number,
                )
            )
    if waiting:
        message = f"Nothing follows {waiting!r} that it could say something about."
        hint = "write lamp on or lamp off" if waiting == "lamp" else "put it right after its code"
        reading.problems.append(Problem("scan-text", message, hint, row=number))


def _take_code(
    reading: _Reading, word: str, status: Status, module: str, number: int
) -> int | None:
    heavy = _HEAVY_WORD.fullmatch(word)
    if heavy:
        return _take_heavy(reading, int(heavy[1]), int(heavy[2]), status, module, number)
    problem = code_problem(word)
    if problem is not None:
        reading.problems.append(
            Problem(problem.code, problem.message, problem.hint, row=number, column="code")
        )
        return None
    code, failure_type = split_code(word)
    if code == "P0000":  # two zero bytes are padding
        return None
    reading.codes.append(
        ScannedCode(f"{code}-{failure_type}" if failure_type else code, status, module)
    )
    return len(reading.codes) - 1


def _take_heavy(
    reading: _Reading, spn: int, fmi: int, status: Status, module: str, number: int
) -> int | None:
    if spn > MAX_SPN or fmi >= len(FAILURE_MODES):
        reading.problems.append(
            Problem(
                "trouble-code",
                f"SPN {spn} with FMI {fmi} does not exist.",
                f"an SPN is at most {MAX_SPN} and an FMI at most {len(FAILURE_MODES) - 1}",
                row=number,
                column="code",
            )
        )
        return None
    reading.codes.append(ScannedCode(f"SPN {spn} FMI {fmi}", status, module))
    return len(reading.codes) - 1


def _status_of(heading: str) -> Status | None:
    words = [word for word in heading.split() if word not in _FILLERS]
    return _STATUS_WORDS.get(words[0]) if len(words) == 1 else None


def _contradictions(reading: _Reading, with_codes: set[str]) -> list[Problem]:
    found = []
    if len(reading.lamps) == 2:
        found.append(Problem("scan-lamp", "The lamp is said to be on and off.", "say which"))
    if len(set(reading.readiness)) > 1:
        found.append(
            Problem(
                "scan-readiness",
                "Readiness bytes are given more than once and differ.",
                "give those of the module that commands the lamp",
            )
        )
    both = with_codes & set(reading.failed)
    if both:
        found.append(
            Problem(
                "scan-outcome",
                f"{', '.join(sorted(both))} gave codes and is said not to have answered.",
                "say which",
            )
        )
    return found


def _one_lamp(reading: _Reading) -> Literal["on", "off"] | None:
    return next(iter(reading.lamps)) if len(reading.lamps) == 1 else None


def _remarks(codes: Sequence[ScannedCode], reading: _Reading) -> tuple[Problem, ...]:
    if not reading.readiness:
        return ()
    stored = sum(code.status == "stored" for code in codes)
    return readiness_remarks(stored, _one_lamp(reading), reading.readiness[0])


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
