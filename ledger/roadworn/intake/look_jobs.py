"""The jobs of a table met once each: how its cells part, what is understood, what is asked."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from itertools import islice
from types import MappingProxyType

from roadworn.intake.csv_map import CsvMap
from roadworn.intake.job_words import JobReader, Meant, Word, deed_of, drawn, read_meant, with_deed
from roadworn.intake.look_draft import (
    Draft,
    Question,
    Seen,
    ask_currency,
    ask_reason,
    ask_unit,
    counted,
    quoted,
)
from roadworn.intake.map_sections import Jobs, PhraseSays, fold
from roadworn.model.catalogue import catalogue

#: What may stand between two jobs of a cell, the plainer first.
_BETWEEN = (
    "\n",
    ";",
    " | ",
    "|",
    " // ",
    " / ",
    " + ",
    ", ",
    " - ",
    " & ",
    " and ",
    " y ",
    " und ",
)
_SAMPLE = 400
#: What stands between jobs where this share of the parts are jobs by themselves.
_PARTED = 0.6
#: So many distinct cells are read, the frequent ones first; an import reads all of them.
_MOST_READ = 4_000
#: So many words for jobs are asked in the files; a dry run tells of more.
_MOST_ASKED = 1_000
#: So many phrases are asked, each behind so many distinct jobs; so many of them are tried.
_MOST_PHRASES, _FEW, _TRIED = 40, 4, 12
#: A service by a name of the shop's own, as "PM A" (common practice, no source).
_PLANNED = re.compile(r"\b(?:pms?|service|serv|svc|maint|wartung|inspektion|servicio)\b")
#: Words of a shop's book that are no work on a part (common practice, no source).
NO_JOBS = (
    "road test", "roadtest", "test drive", "shop supplies*", "shop materials", "misc*",
    "environmental*", "hazmat*", "waste disposal*", "disposal fee*", "freight*", "core charge*",
    "tax*", "vat*", "sundries*", "travel*", "call out*", "callout*", "mileage charge*",
    "see notes", "as above", "ditto", "wash*", "washed", "valet*", "fuel surcharge*", "no charge",
)  # fmt: skip


def ask_jobs(draft: Draft, seen: Seen) -> None:
    """Say how cells of jobs part, which words are understood, and ask the others once each."""
    header = draft.header("jobs")
    cells = {t: n for t, n in seen.words[header].items() if fold(t) not in draft.layout.blank}
    draft.ignore = list(NO_JOBS)
    draft.between = _between(draft, cells)
    most = sorted(cells, key=lambda cell: -cells[cell])[:_MOST_READ]
    if len(most) < len(cells):
        left = len(cells) - len(most)
        draft.notes.append(f"{counted(left, 'rarer cell')} of jobs is told by a dry run")
    cells = {cell: cells[cell] for cell in most}
    assumed = _ask_phrases(draft, cells)
    reader = JobReader(_map(draft, assumed))
    rows: Counter[str] = Counter()
    for cell, number in cells.items():
        for piece in reader.read(cell):
            rows[fold(piece.word.text)] += number
    draft.distinct["jobs"] = len(rows)
    _figures_within(draft, reader, cells)
    deedless: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    words: dict[str, Word] = {}
    for key, number in rows.items():
        word = reader.words[key]
        if word.ask or word.loose:
            # Whatever was done to it, the part is asked once.
            rest = fold(deed_of(word.text)[1])
            asked[rest] += number
            words.setdefault(rest, word)
        elif any(not one.kind for one in word.meant):
            deedless[word.text] += number
    for rest, number in asked.most_common(_MOST_ASKED):
        word = words[rest]
        near = word.near if word.ask else tuple(one.component for one in word.meant)
        if not near and _PLANNED.search(rest):
            near = (catalogue().name_of("other.general_service"),)
        _ask(draft, rest, word._replace(ask=word.ask or "is it this?", near=near), number)
    if len(asked) > _MOST_ASKED:
        left = len(asked) - _MOST_ASKED
        draft.notes.append(f"{counted(left, 'more word')} for jobs is told by a dry run")
    if deedless:
        _ask_deed(draft, deedless)
    unsaid = sum(
        number
        for key, number in rows.items()
        if any(
            one.kind in {"", "replacement"} and not one.reason for one in reader.words[key].meant
        )
    )
    if unsaid and not draft.header("reason"):
        ask_reason(draft, unsaid)
    draft.ignore = [one for one in draft.ignore if _used(one, cells)]


def _ask_phrases(draft: Draft, cells: dict[str, int]) -> dict[str, PhraseSays]:
    """Ask of phrases that stand behind or before many jobs whether they say anything of them.

    Returns:
        Those asked, as if each were left out: what is open besides does not hang on them.
    """
    reader = JobReader(_map(draft))
    ends: dict[str, list[str]] = {}
    rows: Counter[str] = Counter()
    for cell, number in islice(cells.items(), _SAMPLE * 5):
        for piece in reader.read(cell):
            if not piece.word.ask:
                continue
            tokens = fold(deed_of(piece.word.text)[1]).split()
            for end in _ends(tokens):
                ends.setdefault(end, []).append(piece.word.text)
                rows[end] += number
    assumed: dict[str, PhraseSays] = {}
    for end, number in sorted(rows.items(), key=lambda item: -item[1] * len(item[0].split())):
        having = ends[end]
        if len(assumed) >= _MOST_PHRASES or len(set(having)) < _FEW or _overlaps(end, assumed):
            continue
        trying = JobReader(_map(draft, {end: "leave out"}))
        sample = list(dict.fromkeys(having))[:_TRIED]
        read = sum(any(p.word.meant for p in trying.read(text)) for text in sample)
        if read >= len(sample) * _PARTED:
            assumed[end] = "leave out"
            _ask_phrase(draft, end, number)
    return assumed


def _ends(tokens: list[str]) -> Iterator[str]:
    """Yield what a phrase begins and ends with, numbers as ``*``."""
    plain = ["*" if any(map(str.isdigit, token)) else token.strip(",") for token in tokens]
    for length in range(1, min(7, len(tokens))):
        for part in (plain[-length:], plain[:length]):
            if set(part) != {"*"} and any(map(str.isalpha, "".join(part))):
                yield " ".join(part).strip(" -")


def _overlaps(end: str, assumed: Iterable[str]) -> bool:
    words = set(end.split()) - {"*"}
    return any(words & (set(one.split()) - {"*"}) for one in assumed)


def _ask_phrase(draft: Draft, phrase: str, rows: int) -> None:
    def put(given: str) -> None:
        draft.job_words[phrase] = given

    choices = (("leave out", "it says nothing of which job it is"), ("no job", "no work was done"))
    draft.questions.append(
        Question("phrases", f"What does {phrase!r} say beside a job?", choices, "leave out", rows,
                 put, False, f"{quoted(phrase)} = {{}}", "[jobs.words]")
    )  # fmt: skip


def _map(draft: Draft, words: Mapping[str, PhraseSays] = MappingProxyType({})) -> CsvMap:
    return CsvMap(
        "",
        "",
        {},
        units={"odometer": draft.units.get("odometer", "mi")},
        jobs=Jobs(between=tuple(draft.between), ignore=tuple(draft.ignore), words=dict(words)),
    )


def _used(pattern: str, cells: dict[str, int]) -> bool:
    word = pattern.rstrip("*")
    return any(word in fold(cell) for cell in cells)


def _between(draft: Draft, cells: dict[str, int]) -> list[str]:
    """Return what stands between jobs: where cells part into jobs that are read by themselves."""
    found: list[str] = []
    for sign in _BETWEEN:
        having = [cell for cell in cells if sign in cell.strip()]
        if not having:
            continue
        if sign in {"\n", ";"}:
            found.append(sign)
            continue
        draft.between = [*found, sign]
        parting, whole = JobReader(_map(draft)), JobReader(CsvMap("", "", {}))
        parts = read = better = 0
        sample = list(islice(having, _SAMPLE))
        for cell in sample:
            pieces = parting.read(cell)
            parts += len(pieces)
            read += sum(bool(piece.word.meant) for piece in pieces)
            as_one = whole.read(cell)
            meant = len(as_one[0].word.meant) if as_one else 0
            # As many jobs as the whole would give are told better apart: a condition or a place
            # of one is not taken for that of the other.
            better += all(p.word.meant for p in pieces) and len(pieces) >= max(2, meant)
        if parts and read >= parts * _PARTED and better >= len(sample) * _PARTED / 2:
            found.append(sign)
    return found


def _ask(draft: Draft, word: str, met: Word, rows: int) -> None:
    text = f"What is the job {met.text!r}? {met.ask}"
    choices = tuple((_as_alias(name, word), name) for name in met.near)
    put = partial(_put, draft, word, rows)
    line = f"{quoted(fold(word))} = {{}}"
    draft.questions.append(
        Question("jobs", text, (*choices, ("none", "no work on a part")) if choices else (),
                 choices[0][0] if choices else "", rows, put, True, line,
                 "aliases [values.jobs]")
    )  # fmt: skip


def _put(draft: Draft, word: str, rows: int, given: str) -> None:
    """Take what a job is; raises UsageError where it is none."""
    for one in given.split(";"):
        if fold(one) not in {"none", "-"}:
            read_meant(one.strip())
    draft.say("values.jobs", fold(word), given, rows)


def _as_alias(name: str, word: str) -> str:
    """Return a near name as an alias: the id of the part, with the deed of the word."""
    found = catalogue().resolve(name).component
    if found is None:
        return name
    return with_deed(Meant("", found.id), deed_of(word)[0]).spelled()


def _figures_within(draft: Draft, reader: JobReader, cells: dict[str, int]) -> None:
    """Ask for the unit and the currency of figures among the words, where no column told them."""
    pieces = [piece for cell in cells for piece in reader.read(cell)]
    facts = {name for piece in pieces for name in piece.facts}
    bare = any("odometer" in one.facts and "odometer" not in drawn(one.text)[1] for one in pieces)
    asked = {question.section for question in draft.questions}
    if bare and not draft.units.get("odometer") and "[units]" not in asked:
        ask_unit(draft, "the distance among the words", "", 0)
    if "other_cost" in facts and not draft.currency and "[currency]" not in asked:
        ask_currency(draft, "", 0)


def _ask_deed(draft: Draft, deedless: Counter[str]) -> None:
    """Ask once for all jobs that name their part alone."""
    some = ", ".join(repr(word) for word, _rows in deedless.most_common(4))

    def put(given: str) -> None:
        draft.job_kind = given

    told = counted(len(deedless), "word")
    text = f"{told} for jobs, a part and not what was done to it, as {some}: was it replaced?"
    choices = (("replacement", "a new part"), ("repair", "repaired, no new part"))
    draft.questions.append(
        Question("jobs", text, choices, "replacement", sum(deedless.values()), put, False,
                 "kind = {}", "[jobs]")
    )  # fmt: skip
