"""The jobs of a table met once each: how its cells part, what is understood, what is asked."""

from collections import Counter
from functools import partial
from itertools import islice

from roadworn.intake.csv_map import CsvMap
from roadworn.intake.job_words import JobReader, Meant, deed_of, read_meant, with_deed
from roadworn.intake.look_draft import (
    Draft,
    Question,
    Seen,
    ask_currency,
    ask_unit,
    counted,
    quoted,
)
from roadworn.intake.map_sections import Jobs, fold
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
    reader = JobReader(_map(draft))
    rows: Counter[str] = Counter()
    first: dict[str, str] = {}
    for cell, number in cells.items():
        for piece in reader.read(cell):
            rows[fold(piece.word.text)] += number
            first.setdefault(fold(piece.word.text), piece.text)
    draft.distinct["jobs"] = len(rows)
    _figures_within(draft, reader, cells)
    deedless: Counter[str] = Counter()
    for key, number in rows.most_common():
        word = reader.words[key]
        if word.ask:
            _ask(draft, word.text, word.ask, word.near, number)
        elif word.loose:
            _ask(draft, word.text, "is it this?", (_spelled(word.meant),), number)
        elif any(not one.kind for one in word.meant):
            deedless[word.text] += number
    if deedless:
        _ask_deed(draft, deedless)
    draft.ignore = [one for one in draft.ignore if _used(one, cells)]


def _map(draft: Draft) -> CsvMap:
    return CsvMap(
        "",
        "",
        {},
        units={"odometer": draft.units.get("odometer", "mi")},
        jobs=Jobs(between=tuple(draft.between), ignore=tuple(draft.ignore)),
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
            better += all(p.word.meant for p in pieces) and len(pieces) > meant
        if parts and read >= parts * _PARTED and better >= len(sample) * _PARTED / 2:
            found.append(sign)
    return found


def _spelled(meant: tuple[Meant, ...]) -> str:
    return "; ".join(one.spelled() for one in meant)


def _ask(draft: Draft, word: str, ask: str, near: tuple[str, ...], rows: int) -> None:
    text = f"What is the job {word!r}? {ask}"
    choices = tuple((_as_alias(name, word), name) for name in near)
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
    facts = {name for cell in cells for piece in reader.read(cell) for name in piece.facts}
    asked = {question.section for question in draft.questions}
    if "odometer" in facts and not draft.units.get("odometer") and "[units]" not in asked:
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
