"""A read-out as typed or pasted: codes, their lists, modules, lamp and readiness bytes.

Readers print in many forms, so words are taken for what they say and anything that is not
understood becomes a problem with its line. A code with a wrong character is a problem with a
hint, never corrected. "No codes" and "no answer" are different facts and stay so.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

from roadworn.model.messages import Problem
from roadworn.trade.codes import code_of_bytes
from roadworn.trade.scan_raw import is_raw, raw_codes
from roadworn.trade.scan_words import (
    CODE_LIKE,
    FILLERS,
    LAMP_WORDS,
    MODULE_WORDS,
    NAMES_MODULE,
    READINESS_BYTES,
    STATUS_WORDS,
    heading_says,
    split_description,
    tells_no_code,
)
from roadworn.trade.scanned import (
    DEFAULT_MODULE,
    MOST_WARM_UPS,
    ScannedCode,
    ScanText,
    Status,
    judge_by_byte,
    one_name,
    scan_remarks,
    take_code,
    take_heavy,
    take_heavy_bytes,
)

_NO_CODES = re.compile(r"\b(?:no|0|zero)\s+(?:\w+\s+)?(?:codes?|dtcs?|faults?)\b", re.IGNORECASE)
#: How many there are, as a printout's title says it: what is counted stands below.
_HOW_MANY = re.compile(
    r"\b[1-9]\d{0,2}\s+(?:(\w+)\s+)?(?:trouble\s+|fault\s+)?(?:codes?|dtcs?|faults?)\b"
    r"(?:\s+(?:found|set|present|detected|in\s+memory))?[:.]?"
    r"|\b(?:codes?|dtcs?|faults?)\s*(?:found|count|total)?\s*[:=]\s*[1-9]\d{0,2}\s*$",
    re.IGNORECASE,
)
#: Adapter answers that are no list of codes: a failed read.
_FAILED = re.compile(
    r"\b(?:no data|unable to connect|stopped|can error|bus init[: .]*error|bus error|"
    r"no answer|no response|no comm(?:s|unication|\.)?|failed read|read failed|"
    r"(?:(?:did |does |is )?not|didn't|doesn't) (?:respond|answer|communicate)|"
    r"not (?:responding|answering|communicating)|"
    r"(?:cannot|can't|unable to|failed to) (?:communicate|respond|answer|be read)|"
    r"could not be read|"
    r"lost communication|communication (?:error|failure|failed|lost)|timed? ?out|unreachable)"
    r"(?!\w)|^\s*\?\s*$",
    re.IGNORECASE,
)
#: What an adapter says before its refusal, which is the name of no module.
_NO_NAMES = frozenset({"", "search", "searching", "error", "read", "reader", "adapter", "vehicle"})
#: The name of a module behind what is said of it: "no communication with ABS".
_WITH = re.compile(r"\s*(?:with|from|of|by)\s+(?:the\s+)?(?P<name>[\w ./]{1,40}?)\s*[.)]?\s*")
_HEAVY = re.compile(
    r"\bspn\s*[:=]?\s*([0-9]{1,9})\s*[/,;-]?\s*fmi\s*[:=]?\s*([0-9]{1,4})"
    r"(?:\s*[/,;-]?\s*(?:oc|count|x)\s*[:=]?\s*([0-9]{1,3}))?\b",
    re.IGNORECASE,
)
_HEAVY_WORD = re.compile(r"spn([0-9]+)fmi([0-9]+)(?:x([0-9]+))?")
#: Bytes of a heavy vehicle's message, told apart from readiness bytes by the word before them.
_HEAVY_BYTES = re.compile(
    r"\b(dm1|dm2|j1939)\b\s*[:=]?\s*([0-9A-Fa-f]{2}(?:[ ]?[0-9A-Fa-f]{2}){3,})(?![0-9A-Za-z])",
    re.IGNORECASE,
)
_HEADING = re.compile(r"\s*([A-Za-z0-9][A-Za-z0-9 _./()-]{0,39}?)\s*:(?!\S*:)")
_STATUS_BYTE = re.compile(r"(?:0x)?([0-9A-F]{2})", re.IGNORECASE)
_CLEARED = r"(?:since\s+(?:the\s+)?(?:codes?\s+)?(?:were\s+)?clear(?:ed|ing)?)"
_FIGURE = r"([0-9][0-9,]*)"
#: Distance since codes were cleared, with the figure after the words or before them.
_SINCE_CLEAR = (
    re.compile(
        rf"(?:distance\s+)?{_CLEARED}\s*[:=]?\s*{_FIGURE}\s*(km|miles|mi)?\b", re.IGNORECASE
    ),
    re.compile(rf"\b{_FIGURE}\s*(km|miles|mi)?\s+{_CLEARED}\b", re.IGNORECASE),
)
_AND_CLEARED = rf"(?:\s+{_CLEARED}(?!\s*[:=]?\s*[0-9]))?"
_WARM_UPS = (
    re.compile(rf"\b{_FIGURE}\s+warm[- ]?ups?{_AND_CLEARED}", re.IGNORECASE),
    re.compile(
        rf"warm[- ]?ups?(?:\s+{_CLEARED})?\s*[:=]?\s*{_FIGURE}\b(?!\s*(?:km|mi))", re.IGNORECASE
    ),
)
_FARTHEST = 10_000_000


_MAX_LINES = 2000
_MAX_TEXT = 200_000


@dataclass
class _Reading:
    """What has been gathered so far; `status` and `module` come from headings."""

    codes: list[ScannedCode] = field(default_factory=list)
    lamps: set[Literal["on", "off"]] = field(default_factory=set)
    readiness: list[str] = field(default_factory=list)
    bare: list[int] = field(default_factory=list)  # lines of bytes with no word to say what
    homeless: list[str] = field(default_factory=list)  # codes of chassis or body under no module
    problems: list[Problem] = field(default_factory=list)
    remarks: list[Problem] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    before: list[str] = field(default_factory=list)  # only what was active before was read
    beside: list[str] = field(default_factory=list)  # lines that tell of no code
    bare_list: str = ""  # the name of a list that stood alone, until a code stands below it
    since_clear: tuple[float, str] | None = None
    warm_ups: int | None = None
    status: Status = "stored"
    module: str = ""  # as a heading says it; nobody said it where it is empty
    line: int = 0

    def take(self, taken: ScannedCode | Problem | None) -> int | None:
        """Keep a code or the problem with it; return its place among the codes."""
        if isinstance(taken, Problem):
            self.problems.append(taken.at(self.line))
        elif taken is not None:
            self.codes.append(taken)
            return len(self.codes) - 1
        return None

    def refuse(self, what: str, hint: str, column: str = "") -> None:
        """Note what is not understood in the line being read."""
        self.problems.append(Problem.of("scan-text", what, hint, column, self.line))


def parse_scan_text(text: str) -> ScanText:
    """Read a typed or pasted read-out.

    ``P0420 P0171 pending P0300 permanent``: a status word follows its code, a status byte
    too (``P0300 2F``). ``7E8: P0123`` or ``Pending:`` heads the rest of its line, and the lines
    below it up to a blank one when it stands alone. ``lamp on``, ``83 07 E5 41``, ``120 km since
    clear`` and ``4 warm-ups`` may stand anywhere; a heavy vehicle's bytes need their word,
    ``DM1 04 FF B8 04 03 0A``.
    """
    reading = _Reading()
    lines = text[:_MAX_TEXT].splitlines()
    for reading.line, line in enumerate(lines[:_MAX_LINES], start=1):
        if not line.strip():
            reading.status, reading.module = "stored", ""
            continue
        _read_line(reading, line)
    if len(lines) > _MAX_LINES or len(text) > _MAX_TEXT:
        message = f"The text is longer than {_MAX_LINES} lines or {_MAX_TEXT} characters"
        hint = "record one vehicle's read-out at a time"
        reading.problems.append(Problem.of("scan-text", message, hint))
    if reading.bare_list and not reading.codes and not reading.empty:
        reading.refuse(
            f"Nothing follows {reading.bare_list!r} that it could say something about",
            "put it right after its code, or above its codes",
        )
    codes = _judged(reading)
    with_codes = {code.module for code in codes}
    answered = {code.module for code in codes if code.status != "previous"} | {*reading.empty}
    lamp = next(iter(reading.lamps)) if len(reading.lamps) == 1 else None
    readiness = reading.readiness[0] if reading.readiness else None
    stored = sum(code.status == "stored" for code in codes)
    return ScanText(
        codes=codes,
        lamp=lamp,
        readiness=readiness,
        problems=(*reading.problems, *_contradictions(reading, with_codes)),
        empty=tuple(dict.fromkeys(m for m in reading.empty if m not in with_codes)),
        failed=tuple(dict.fromkeys(m for m in reading.failed if m not in with_codes)),
        remarks=(*reading.remarks, *scan_remarks(stored, lamp, readiness)),
        since_clear=reading.since_clear,
        warm_ups=reading.warm_ups,
        beside=tuple(reading.beside),
        before=tuple(
            dict.fromkeys(
                m for m in (*(code.module for code in codes), *reading.before) if m not in answered
            )
        ),
    )


def _read_line(reading: _Reading, line: str) -> None:
    # An adapter's "BUS INIT: ...ERROR" has a colon but is no heading.
    line = re.sub(r"bus init\s*:", "bus init ", line, flags=re.IGNORECASE)
    line = re.sub(r"\bpreviously active\b", "previous", line, flags=re.IGNORECASE)
    line = re.sub(r"^\s*module\s*:\s*([\w .-]{1,40}?)\s*$", r"\1:", line, flags=re.IGNORECASE)
    line = _unanswered(line)
    if tells_no_code(line):
        reading.beside.append(" ".join(line.split()))
        return
    line = _HOW_MANY.sub(_counted, line)
    # "Stored DTCs: 0" counts a list that holds nothing.
    line = re.sub(r"^(\s*\w[\w ]{2,30}[:=])\s*0\s*$", r"\1 none", line)
    line = _read_heavy_bytes(reading, line)
    line = _HEAVY.sub(lambda m: f" spn{m[1]}fmi{m[2]}{f'x{m[3]}' if m[3] else ''} ", line).strip()
    line, description = split_description(line)
    line = _read_figures(reading, line)
    line, named, status = _read_headings(reading, line)
    module = named or DEFAULT_MODULE
    if description is None:
        line, description = split_description(line)
    if _FAILED.search(line):
        reading.failed.append(module)
        return
    if is_raw(line):
        taken = raw_codes(line, module)
        for one in (taken,) if isinstance(taken, Problem) else taken:
            reading.take(one)
        if not taken:
            reading.empty.append(module)
        return
    if _NO_CODES.search(line) or line.strip().casefold() == "none":
        reading.empty.append(module)
        line = _NO_CODES.sub(" ", line)
    found = list(READINESS_BYTES.finditer(line))
    reading.readiness += [m[1].replace(" ", "").upper() for m in found]
    if found and not re.search(r"readiness|monitor|status|41 ?01", line, re.IGNORECASE):
        reading.bare.append(reading.line)
    line = READINESS_BYTES.sub(" ", line)
    before = len(reading.codes)
    _read_words(reading, re.split(r"[\s,;]+", line.strip()), status, module)
    if description is not None:
        reading.codes[before:] = [
            code._replace(words=description) for code in reading.codes[before:]
        ]
    if not named:
        # SAE J2012: C is the chassis, B the body; the engine's module knows of neither.
        reading.homeless += [c.code for c in reading.codes[before:] if c.code[0] in "CB"]


def _unanswered(line: str) -> str:
    """Return a line that says of a named module that it gave no answer as ``NAME: no answer``.

    Printouts put the name before or behind, with any mark between; read as words of the engine's,
    the module would be neither read nor named, which is found by nobody.
    """
    failed = _FAILED.search(line)
    if failed is None or any(CODE_LIKE.fullmatch(w.strip("()[].,;:")) for w in line.split()):
        return line
    before = re.sub(r"^\s*module\b\s*[:=]?", "", line[: failed.start()], flags=re.IGNORECASE)
    behind = _WITH.fullmatch(line[failed.end() :])
    name = before.strip(" \t-–:=,|(")
    if not name and behind is not None:
        name = behind["name"]
    name = re.sub(r"^the\s+|\s+(?:gave|gives|is|was|has|did|does)$", "", name, flags=re.IGNORECASE)
    if name.casefold().strip(" .") in _NO_NAMES or not re.fullmatch(r"[A-Za-z][\w ./()-]*", name):
        return line
    return f"{name}: {failed[0]}"


def _counted(found: re.Match[str]) -> str:
    """Return what a count of codes says besides: the list that is counted heads what follows."""
    word = (found[1] or "").casefold()
    if not word or word in FILLERS:
        return " "
    if word in MODULE_WORDS:
        return f" {word} "
    # Behind a code the word could be the code's own.
    begins = not found.string[: found.start()].strip()
    return f" {word}: " if word in STATUS_WORDS and begins else found[0]


def _read_heavy_bytes(reading: _Reading, line: str) -> str:
    """Take ``DM1 04 FF B8 04 03 0A`` and ``J1939 B8 04 03 0A`` off a line."""
    while found := _HEAVY_BYTES.search(line):
        status: Status = "previous" if found[1].casefold() == "dm2" else "stored"
        module = reading.module or DEFAULT_MODULE
        taken, lamp = take_heavy_bytes(found[1], found[2], status, module)
        for one in taken:
            reading.take(one)
        if not taken:
            (reading.before if status == "previous" else reading.empty).append(module)
        if lamp is not None:
            reading.lamps.add(lamp)
        line = f"{line[: found.start()]} {line[found.end() :]}"
    return line


def _read_figures(reading: _Reading, line: str) -> str:
    """Take warm-ups and the distance since clear off a line and return what is left of it."""
    # Warm-ups first: "4 warm-ups since clear 100 km" says both.
    for pattern in _WARM_UPS:
        if found := pattern.search(line):
            warm_ups = int(found[1].replace(",", ""))
            line = f"{line[: found.start()]} {line[found.end() :]}"
            if warm_ups > MOST_WARM_UPS:
                reading.refuse(
                    f"{warm_ups} warm-ups since clear cannot be",
                    f"a reader counts up to {MOST_WARM_UPS}",
                    "since clear",
                )
            else:
                reading.warm_ups = warm_ups
    for pattern in _SINCE_CLEAR:
        if found := pattern.search(line):
            line = f"{line[: found.start()]} {line[found.end() :]}"
            distance = float(found[1].replace(",", ""))
            if not found[2] or distance > _FARTHEST:
                reading.refuse(
                    f"{found[0].strip()!r} {'is too far' if found[2] else 'has no unit'}",
                    "write it as 120 km since clear, or 75 mi",
                    "since clear",
                )
            else:
                reading.since_clear = (distance, "km" if found[2].casefold() == "km" else "mi")
    return line


def _read_headings(reading: _Reading, line: str) -> tuple[str, str, Status]:
    """Take headings off a line; one that stands alone also holds for the lines below it.

    A module begins its lists anew, as stored. The module is empty where nobody named one.
    """
    module, status = reading.module, reading.status
    while heading := _HEADING.match(line):
        word, line = heading[1].casefold(), line[heading.end() :]
        named, owner = heading_says(heading[1])
        if any(part in LAMP_WORDS for part in word.split()):
            return f"{word} {line}", module, status
        if not named and not owner and READINESS_BYTES.search(line):
            return f"{word} {line}", module, status
        module, status = owner or module, named or ("stored" if owner else status)
        if not line.strip():
            reading.module, reading.status = module, status if named or owner else "stored"
    bare = line.strip()
    others = [word for word in bare.casefold().split() if word not in STATUS_WORDS]
    if NAMES_MODULE.fullmatch(" ".join(others)) or all(
        word in MODULE_WORDS or word in FILLERS - {"none"} for word in others
    ):
        named, owner = heading_says(bare)
        if named or owner:
            reading.module, reading.status = owner or module, named or "stored"
            reading.bare_list = "" if owner else bare
            return "", reading.module, reading.status
    first, _, rest = bare.partition(" ")
    if first.casefold() in MODULE_WORDS:
        module, line = one_name(first), rest
        status = reading.status if module == reading.module else "stored"
    return line, module, status


def _read_words(reading: _Reading, words: Sequence[str], status: Status, module: str) -> None:
    last: int | None = None  # place in reading.codes of the code a status word would name
    latest: int | None = None  # the same for a status byte, which may follow the word
    leading = False  # "pending P0171 stored P0420": status words stand before their codes
    waiting = ""  # a lamp word or a leading status word that needs another word after it
    for raw in words:
        plain = raw.strip("()[].:")
        word = plain.casefold()
        if word in STATUS_WORDS:
            if last is None or leading:
                leading, status, waiting = True, STATUS_WORDS[word], word
            else:
                reading.codes[last] = reading.codes[last]._replace(status=STATUS_WORDS[word])
                last = None
        elif word in LAMP_WORDS:
            waiting = "lamp"
        elif waiting == "lamp" and word in {"on", "off"}:
            reading.lamps.add("on" if word == "on" else "off")
            waiting = ""
        elif (heavy := _HEAVY_WORD.fullmatch(word)) is not None:
            count = int(heavy[3]) if heavy[3] else None
            last = latest = reading.take(
                take_heavy(int(heavy[1]), int(heavy[2]), count, status, module)
            )
            waiting = ""
        elif CODE_LIKE.fullmatch(word):
            last = latest = reading.take(take_code(plain, status, module))
            waiting = ""
        elif hexed := re.fullmatch("0x((?:[0-9a-f]{2}){2,3})", word):
            code = code_of_bytes(bytes.fromhex(hexed[1]))
            last = latest = reading.take(take_code(code, status, module))
            waiting = ""
        elif latest is not None and (byte := _STATUS_BYTE.fullmatch(plain)) is not None:
            reading.codes[latest] = reading.codes[latest]._replace(status_byte=byte[1].upper())
            latest = None
        elif word and word not in FILLERS:
            reading.refuse(
                f"{raw[:40]!r} is not understood in a read-out",
                "put it into the note, or after a code and a colon",
            )
    if waiting:
        message = f"Nothing follows {waiting!r} that it could say something about"
        hint = "write lamp on or lamp off" if waiting == "lamp" else "put it right after its code"
        reading.refuse(message, hint)


def _judged(reading: _Reading) -> tuple[ScannedCode, ...]:
    """Return the codes, each in the list its status byte says; those it acquits become remarks."""
    kept = []
    for code in dict.fromkeys(reading.codes):
        told = judge_by_byte(code)
        if isinstance(told, ScannedCode):
            kept.append(told)
        else:
            reading.remarks.append(told)
            reading.empty.append(code.module)
    return tuple(kept)


def _contradictions(reading: _Reading, with_codes: set[str]) -> Iterator[Problem]:
    if len(reading.lamps) == 2:
        yield Problem.of("scan-lamp", "The lamp is said to be on and off", "say which")
    if len(set(reading.readiness)) > 1:
        message = "Readiness bytes are given more than once and differ"
        hint = "give those of the module that commands the lamp"
        yield Problem.of("scan-readiness", message, hint)
    if reading.bare and any(code.code.startswith("SPN") for code in reading.codes):
        message = "Four bytes beside a heavy vehicle's faults may be readiness or another fault"
        hint = "write readiness, DM1, DM2 or J1939 before them"
        yield Problem.of("scan-readiness", message, hint, row=reading.bare[0])
    if reading.homeless:
        code = reading.homeless[0]
        message = f"{', '.join(reading.homeless)}: no module is named that such a code belongs to"
        yield Problem.of("scan-module", message, f"put its module before it, as in 'ABS: {code}'")
    both = with_codes & set(reading.failed)
    if both:
        message = f"{', '.join(sorted(both))} gave codes and is said not to have answered"
        yield Problem.of("scan-outcome", message, "say which")
