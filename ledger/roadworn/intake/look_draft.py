"""A map that is being made for a table: what is settled, what is asked, what was seen."""

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import NamedTuple

from roadworn.intake.map_sections import Layout
from roadworn.model.amounts import check_currency


class Question(NamedTuple):
    """What only the user knows, asked once.

    Attributes:
        about: what it is about, for the order and the file: ``days``, ``jobs``.
        text: the question.
        choices: (answer, how it is told).
        likely: the answer that something speaks for, or an empty text.
        rows: for how many rows it decides.
        put: puts an answer where it belongs.
        free: any text answers it, ``kind component place`` or a name.
        line: the line of the map or the aliases in which the answer stands, with ``{}`` for it.
        lines: answer -> its line, where each has one of its own.
        blocks: without an answer rows would be read wrongly: nothing is taken before.
        section: heading of that line, ``[units]``; of the aliases when it begins with ``aliases ``.
    """

    about: str
    text: str
    choices: tuple[tuple[str, str], ...]
    likely: str
    rows: int
    put: Callable[[str], None]
    free: bool = False
    line: str = ""
    section: str = ""
    lines: Mapping[str, str] = MappingProxyType({})
    blocks: bool = False


class Alias(NamedTuple):
    """A word of the source with what it stands for.

    Attributes:
        means: as an alias says it.
        rows: in how many rows it stands.
    """

    means: str
    rows: int


@dataclass
class Seen:
    """What one pass over a table counts.

    Attributes:
        words: heading -> distinct text -> rows.
        rows: how many rows.
        totals: pattern of lines that are no rows -> how many.
        alone: text of rows with one cell, in the first columns -> how many.
        typed: heading -> how many of its cells are days of a spreadsheet.
        ragged: how many rows are wider than the headings.
    """

    words: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    rows: int = 0
    totals: Counter[str] = field(default_factory=Counter)
    alone: Counter[str] = field(default_factory=Counter)
    typed: Counter[str] = field(default_factory=Counter)
    ragged: int = 0


@dataclass
class Draft:
    """A map for one table.

    Attributes:
        path: the table's file.
        layout: how it lies.
        rows: how many rows it has.
        names: its headings.
        kind: of every row, or an empty text.
        columns: heading -> our field.
        unused: heading -> why it is not used.
        constants: our field -> text.
        units: our field -> unit.
        thousands: distances are in thousands of their unit.
        currency: of amounts.
        between: what stands between jobs of a cell.
        job_kind: kind of a job that names only its part.
        ignore: words that are no job.
        job_words: phrase within a job -> ``leave out`` or ``no job``.
        share: (heading of the work order, headings of amounts, whether they are repeated).
        reversed: (headings that say the same, headings of amounts) of work that is taken back.
        join: (file, sheet, heading here, heading there, keys of its layout and what is added up).
        patterns: our field -> shape of their words -> ours.
        events: (kind, columns, constants) of further events that a row gives.
        cases: (heading, its words, forms of days).
        aliases: section -> word -> what it stands for.
        notes: what was found, a sentence each.
        questions: what is open.
        distinct: our field -> how many distinct words it has.
        first_day: earliest day that could be read.
        vehicles: id -> rows.
        unknown: vehicles that the ledger does not have.
        understood: rows that a map with the settled things would take, 0 when not tried.
    """

    path: Path
    layout: Layout
    rows: int = 0
    names: tuple[str, ...] = ()
    kind: str = ""
    columns: dict[str, str] = field(default_factory=dict)
    unused: dict[str, str] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    thousands: bool = False
    currency: str = ""
    between: list[str] = field(default_factory=list)
    job_kind: str = ""
    ignore: list[str] = field(default_factory=list)
    job_words: dict[str, str] = field(default_factory=dict)
    share: tuple[str, list[str], bool] | None = None
    reversed: tuple[list[str], list[str]] | None = None
    join: tuple[str, str, str, str, dict[str, object]] | None = None
    patterns: dict[str, dict[str, str]] = field(default_factory=dict)
    events: list[tuple[str, dict[str, str], dict[str, str]]] = field(default_factory=list)
    cases: list[tuple[str, list[str], list[str]]] = field(default_factory=list)
    aliases: dict[str, dict[str, Alias]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    distinct: dict[str, int] = field(default_factory=dict)
    first_day: str = ""
    vehicles: dict[str, int] = field(default_factory=dict)
    unknown: list[str] = field(default_factory=list)

    def say(self, section: str, word: str, means: str, rows: int) -> None:
        """Put a word of the source into the aliases."""
        self.aliases.setdefault(section, {})[word] = Alias(means, rows)

    def with_layout(self, **keys: object) -> None:
        """Change keys of [file]."""
        self.layout = self.layout.model_copy(update=keys)

    def header(self, target: str) -> str:
        """Return the heading that feeds a field, or an empty text."""
        return next((name for name, to in self.columns.items() if to == target), "")

    def answer(self, question: Question, given: str) -> None:
        """Take an answer; the question is open no more."""
        question.put(given)
        self.questions.remove(question)


def counted(number: int, what: str) -> str:
    """Return a number with its noun."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def quoted(text: str) -> str:
    """Return a text as a key of TOML, in the line of a question: braces doubled."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return '"' + plain.replace("{", "{{").replace("}", "}}") + '"'


def ask_unit(draft: Draft, what: str, likely: str, rows: int) -> None:
    """Ask in which unit distances are."""

    def put(given: str) -> None:
        draft.units["odometer"] = f"1000 {given}" if draft.thousands else given

    text = f"In which unit is {what}?"
    choices = (("mi", "miles"), ("km", "kilometres"))
    line = "odometer = {}"
    draft.questions.append(
        Question("figures", text, choices, likely, rows, put, False, line, "[units]")
    )


def ask_energy_unit(draft: Draft) -> None:
    """Ask in which unit fuel or electricity is."""

    def put(given: str) -> None:
        draft.constants["amount_unit"] = given

    text = f"In which unit is {draft.header('amount')!r}?"
    choices = (("l", "litres"), ("gal", "gallons of the US"), ("kWh", ""), ("kg", ""))
    line = "amount_unit = {}"
    draft.questions.append(
        Question("figures", text, choices, "", draft.rows, put, False, line, "[constants]")
    )


def ask_reason(draft: Draft, rows: int) -> None:
    """Ask why parts were replaced where no word says so: lives are counted by their failures."""

    def put(given: str) -> None:
        draft.constants["reason"] = given

    told = counted(rows, "replaced part")
    text = f"{told} say no reason: had such parts failed?"
    choices = (
        ("failed", "yes, where nothing else is said: they count as failures"),
        ("worn_out", "worn out: they count as failures too"),
        ("unknown", "nobody knows: no answer counts them as failures"),
    )
    draft.questions.append(
        Question("reason", text, choices, "", rows, put, False, "reason = {}", "[constants]")
    )


def ask_currency(draft: Draft, likely: str, rows: int) -> None:
    """Ask in which currency amounts are."""

    def put(given: str) -> None:
        draft.currency = check_currency(given)

    text = "In which currency are the amounts? Its three letters, as USD."
    line = "default = {}"
    draft.questions.append(
        Question("figures", text, (), likely, rows, put, True, line, "[currency]")
    )
