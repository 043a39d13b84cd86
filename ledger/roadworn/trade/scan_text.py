"""A read-out as typed or pasted: codes, their lists, modules, lamp and readiness bytes.

Readers print in many forms, so words are taken for what they say and anything that is not
understood becomes a problem with its line. A code with a wrong character is a problem with a
hint, never corrected. "No codes" and "no answer" are different facts and stay so.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Literal

from roadworn.model.messages import Problem
from roadworn.trade import scanned as words_of
from roadworn.trade.codes import code_of_bytes
from roadworn.trade.scan_codes import (
    Figures,
    TakenCode,
    is_raw,
    judge_by_byte,
    raw_codes,
    take_code,
    take_figures,
    take_heavy,
    take_heavy_bytes,
)
from roadworn.trade.scanned import (
    CODE_LIKE,
    DEFAULT_MODULE,
    DESCRIBED,
    FILLERS,
    LAMP_WORDS,
    STATUS_WORDS,
    ScannedCode,
    ScanText,
    Status,
    one_name,
    own_remarks,
    readiness_remarks,
)

_MOST = 200
_NEAR = 0.75
#: Fewer words than this without a mark between are no description: "P0300 hello" may be a slip.
_LEAST = 2
_LIST_WORDS = sorted({*STATUS_WORDS, "readiness"})


def split_description(line: str) -> tuple[str, str | None]:
    """Return a line without the reader's description of its code, and the description.

    A line whose code is followed by another code has none.
    """
    found = DESCRIBED.match(line)
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


__all__ = ["DEFAULT_MODULE", "ScanText", "ScannedCode", "parse_scan_text", "readiness_remarks"]

_MAX_LINES = 2000
_MAX_TEXT = 200_000


@dataclass
class _Reading:
    """What has been gathered so far; `status` and `module` come from headings."""

    codes: list[ScannedCode] = field(default_factory=list)
    lamps: set[Literal["on", "off"]] = field(default_factory=set)
    readiness: list[str] = field(default_factory=list)
    bare: list[int] = field(default_factory=list)  # lines of bytes with no word to say what
    problems: list[Problem] = field(default_factory=list)
    remarks: list[Problem] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    before: list[str] = field(default_factory=list)  # only what was active before was read
    figures: Figures = field(default_factory=Figures)
    status: Status = "stored"
    module: str = DEFAULT_MODULE

    def take(self, taken: TakenCode) -> int | None:
        """Keep a code, its problem or its remark; return its place among the codes."""
        if taken.problem is not None:
            self.problems.append(taken.problem)
        if taken.code is None:
            return None
        self.codes.append(taken.code)
        return len(self.codes) - 1


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
    codes = _judged(reading)
    with_codes = {code.module for code in codes}
    answered = {code.module for code in codes if code.status != "previous"} | {*reading.empty}
    lamp = next(iter(reading.lamps)) if len(reading.lamps) == 1 else None
    readiness = reading.readiness[0] if reading.readiness else None
    return ScanText(
        codes=codes,
        lamp=lamp,
        readiness=readiness,
        problems=(
            *reading.problems,
            *reading.figures.problems,
            *_contradictions(reading, with_codes),
        ),
        empty=tuple(dict.fromkeys(m for m in reading.empty if m not in with_codes)),
        failed=tuple(dict.fromkeys(m for m in reading.failed if m not in with_codes)),
        remarks=(*reading.remarks, *own_remarks(codes, lamp, readiness)),
        since_clear=reading.figures.since_clear,
        warm_ups=reading.figures.warm_ups,
        before=tuple(
            dict.fromkeys(
                m for m in (*(code.module for code in codes), *reading.before) if m not in answered
            )
        ),
    )


def _read_line(reading: _Reading, line: str, number: int) -> None:
    # An adapter's "BUS INIT: ...ERROR" has a colon but is no heading.
    line = re.sub(r"bus init\s*:", "bus init ", line, flags=re.IGNORECASE)
    line = re.sub(r"\bpreviously active\b", "previous", line, flags=re.IGNORECASE)
    line = re.sub(r"^\s*module\s*:\s*([\w .-]{1,40}?)\s*$", r"\1:", line, flags=re.IGNORECASE)
    line = _read_heavy_bytes(reading, line, number)
    line = words_of.HEAVY.sub(
        lambda m: f" spn{m[1]}fmi{m[2]}{f'x{m[3]}' if m[3] else ''} ", line
    ).strip()
    line, description = split_description(line)
    line = take_figures(line, reading.figures, number)
    line, module, status = _read_headings(reading, line)
    if description is None:
        line, description = split_description(line)
    if words_of.FAILED.search(line):
        reading.failed.append(module)
        return
    if is_raw(line):
        _read_raw(reading, line, module, number)
        return
    if words_of.NO_CODES.search(line) or line.strip().casefold() == "none":
        reading.empty.append(module)
        line = words_of.NO_CODES.sub(" ", line)
    found = list(words_of.BYTES.finditer(line))
    reading.readiness += [m[1].replace(" ", "").upper() for m in found]
    if found and not re.search(r"readiness|monitor|status|41 ?01", line, re.IGNORECASE):
        reading.bare.append(number)
    line = words_of.BYTES.sub(" ", line)
    before = len(reading.codes)
    _read_words(reading, re.split(r"[\s,;]+", line.strip()), status, module, number)
    if description is not None:
        reading.codes[before:] = [
            code._replace(words=description) for code in reading.codes[before:]
        ]


def _read_raw(reading: _Reading, line: str, module: str, number: int) -> None:
    taken = raw_codes(line, module, number)
    if isinstance(taken, Problem):
        reading.problems.append(taken)
    elif taken:
        reading.codes += taken
    else:
        reading.empty.append(module)


def _read_heavy_bytes(reading: _Reading, line: str, number: int) -> str:
    """Take ``DM1 04 FF B8 04 03 0A`` and ``J1939 B8 04 03 0A`` off a line."""
    while found := words_of.HEAVY_BYTES.search(line):
        status: Status = "previous" if found[1].casefold() == "dm2" else "stored"
        taken, lamp = take_heavy_bytes(found[1], found[2], status, reading.module, number)
        for one in taken:
            reading.take(one)
        if not taken:
            (reading.before if status == "previous" else reading.empty).append(reading.module)
        if lamp is not None:
            reading.lamps.add(lamp)
        line = f"{line[: found.start()]} {line[found.end() :]}"
    return line


def _read_headings(reading: _Reading, line: str) -> tuple[str, str, Status]:
    """Take headings off a line; one that stands alone also holds for the lines below it."""
    module, status = reading.module, reading.status
    while heading := words_of.HEADING.match(line):
        word, line = heading[1].casefold(), line[heading.end() :]
        named = _status_of(word)
        if any(part in words_of.LAMP_WORDS for part in word.split()):
            return f"{word} {line}", module, status
        if named is not None:
            status = named
        elif not all(part in words_of.FILLERS for part in word.split()):
            module = one_name(heading[1])
        elif words_of.BYTES.search(line):
            return f"{word} {line}", module, status
        if not line.strip():
            reading.module = module
            reading.status = status if named is not None else "stored"
    first, _, rest = line.strip().partition(" ")
    if first.casefold() in words_of.MODULE_WORDS:
        module, line = one_name(first), rest
    return line, module, status


def _read_words(
    reading: _Reading, words: Sequence[str], status: Status, module: str, number: int
) -> None:
    last: int | None = None  # place in reading.codes of the code a status word would name
    latest: int | None = None  # the same for a status byte, which may follow the word
    leading = False  # "pending P0171 stored P0420": status words stand before their codes
    waiting = ""  # a lamp word or a leading status word that needs another word after it
    for raw in words:
        plain = raw.strip("()[].:")
        word = plain.casefold()
        if word in words_of.STATUS_WORDS:
            if last is None or leading:
                leading, status, waiting = True, words_of.STATUS_WORDS[word], word
            else:
                reading.codes[last] = reading.codes[last]._replace(
                    status=words_of.STATUS_WORDS[word]
                )
                last = None
        elif word in words_of.LAMP_WORDS:
            waiting = "lamp"
        elif waiting == "lamp" and word in {"on", "off"}:
            reading.lamps.add("on" if word == "on" else "off")
            waiting = ""
        elif (heavy := words_of.HEAVY_WORD.fullmatch(word)) is not None:
            count = int(heavy[3]) if heavy[3] else None
            last = latest = reading.take(
                take_heavy(int(heavy[1]), int(heavy[2]), count, status, module, number)
            )
            waiting = ""
        elif words_of.CODE_LIKE.fullmatch(word):
            last = latest = reading.take(take_code(plain, status, module, number))
            waiting = ""
        elif hexed := re.fullmatch("0x((?:[0-9a-f]{2}){2,3})", word):
            code = code_of_bytes(bytes.fromhex(hexed[1]))
            last = latest = reading.take(take_code(code, status, module, number))
            waiting = ""
        elif latest is not None and (byte := words_of.STATUS_BYTE.fullmatch(plain)) is not None:
            reading.codes[latest] = reading.codes[latest]._replace(status_byte=byte[1].upper())
            latest = None
        elif word and word not in words_of.FILLERS:
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


def _status_of(heading: str) -> Status | None:
    words = [word for word in heading.split() if word not in words_of.FILLERS]
    return words_of.STATUS_WORDS.get(words[0]) if len(words) == 1 else None


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
    if reading.bare and any(code.code.startswith("SPN") for code in reading.codes):
        found.append(
            Problem(
                "scan-readiness",
                "Four bytes beside a heavy vehicle's faults may be readiness or another fault.",
                "write readiness, DM1, DM2 or J1939 before them",
                row=reading.bare[0],
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
