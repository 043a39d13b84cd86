"""What an analysis is and what it answers with.

An `Analysis` is a descriptor: a name, the question it answers, a pydantic model of its
settings, and a function from a read-only view and those settings to a `Result`. Nothing
flows back: an analysis never writes, and a report never computes.

A `Result` carries its evidence: each row of a table may name the events behind it, and each
estimate says how many failed, how many still run, and what was left out and why.
"""

import importlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from itertools import repeat
from typing import Literal, get_args

from pydantic import BaseModel, ConfigDict

from roadworn.model.errors import UnknownName

Cell = str | int | float | Decimal | date | bool | None
#: A sentence is shown below its row instead of in a column of its own; a component is an id of
#: the catalogue, shown to people by its name.
ColumnKind = Literal[
    "text", "component", "integer", "number", "distance", "money", "chance", "date", "sentence"
]


_NAME = re.compile(r"[a-z][a-z0-9-]{0,60}")


class Answers(StrEnum):
    """What an analysis answers; by it, and not by a name, the outlook and the reports ask.

    Each value is the name of the bundled analysis.
    """

    KEEPS_FAILING = "repeat-failures"
    LIFESPANS = "part-lifespans"
    CUMULATIVE = "cumulative-repairs"
    GOES_NEXT = "next-repairs"
    KEEP_OR_SELL = "keep-or-sell"
    COST_BY_DISTANCE = "cost-per-distance"
    PASSES = "inspection-outlook"
    WEARS = "measured-wear"
    SERVICE_DUE = "maintenance-due"
    TO_CALL = "call-list"
    SUPPLIERS = "supplier-comparison"
    WARRANTY = "warranty-recovery"
    ODOMETER = "odometer-audit"
    CODES = "code-outcomes"
    CAUSES = "likely-causes"
    CLASSES = "class-record"
    CAME_TRUE = "projection-backtest"
    COMES_BACK = "comebacks"
    CLASS_COST = "class-cost"
    STOCK = "stock"
    PROGRAMME = "programme-effect"
    IN_SERVICE = "availability"
    BY_SEASON = "seasons"


class Holds(StrEnum):
    """What the rows of a table are, whatever the table is called."""

    DUE = "due"  #: what is due on a vehicle already
    AHEAD = "ahead"  #: fitted parts with the chance that they fail
    TOTALS = "totals"  #: cost over ever longer times
    QUARTERS = "quarters"  #: cost by quarter or month, past and to come
    FORETOLD = "foretold"  #: sums said on past days, and what came
    UPKEEP = "upkeep"  #: vehicles by what they cost above their class
    CLAIMS = "claims"  #: parts that failed within their warranty
    RUN_OUT = "run out"  #: official inspections by the day they run out
    WEAR = "wear"  #: measured parts on the way to their limit
    REPEATS = "repeats"  #: what fails more often than elsewhere
    INSPECTED = "inspected"  #: items of an inspection with what would become of them
    SERVICES = "services"  #: services by their schedule
    TO_CALL = "to call"  #: what to call an owner about, by vehicle
    WAYS = "ways"  #: ways of going on with a vehicle
    PLAN = "plan"  #: work on a vehicle, each row marked as must, should or can wait
    SUMS = "sums"  #: what the work of each such stage comes to
    CHAIN = "chain"  #: what points where, as one sentence a row
    CAUSES = "causes"  #: causes of what is open, the likeliest first
    TURNS = "turns"  #: what would change the advice
    BY_DISTANCE = "by distance"  #: cost by distance of vehicles or groups
    SUPPLIERS = "suppliers"  #: suppliers compared
    OF_ALL = "of all"  #: rows about every vehicle, whichever one was asked for


class Tells(StrEnum):
    """What the cells of a column are, whatever the column is called."""

    VEHICLE = "vehicle"
    COMPONENT = "component"  #: id of the catalogue
    PLACE = "place"
    NAME = "name"  #: names its row
    STATE = "state"
    SEEN = "seen"  #: what was seen, in words
    SINCE = "since"
    WHY = "why"  #: what speaks for a row
    AGAINST = "against"  #: what speaks against it
    TIME = "time"  #: where on the axis of time a row stands: months ahead, or a day
    VALUE = "value"  #: the figure that the row is about
    LOW = "low"  #: lower limit of the column left of it
    HIGH = "high"  #: upper limit of the same
    CURRENCY = "currency"


class Mark(StrEnum):
    """What a row means to whoever shows it, whatever its words are."""

    SAFETY = "safety"  #: somebody can get hurt
    OPEN = "open"  #: forbids saying that nothing failed is on record
    CRITICAL = "critical"  #: somebody can get hurt once it fails
    FAILED = "failed"
    COMPLAINT = "complaint"  #: nobody has answered it
    PASSES = "passes"
    NOT_KNOWN = "not known"
    SENT_BACK = "sent back"  #: by an inspection: it cannot be judged yet
    LATER = "later"  #: not due yet
    MUST = "must"  #: before it is driven on
    SHOULD = "should"  #: soon: it fails, brings something else down or stops the vehicle
    CAN_WAIT = "can wait"
    PAST = "past"  #: on record, and not projected


Marks = frozenset[Mark]


class Settings(BaseModel):
    """Base of an analysis' settings; every field needs a default and a description."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a result table.

    Attributes:
        name: key in JSON and CSV.
        title: heading.
        kind: how a value is written.
        unit: shown in the heading: ``mi``, ``USD``.
        detail: left out of a table on the screen unless it is asked for.
        tells: what its cells are.
        brief: its place among the columns of a short report, 0 where it is left out of one. A
            table without any is shown whole.
    """

    name: str
    title: str
    kind: ColumnKind = "text"
    unit: str = ""
    detail: bool = False
    tells: Tells | None = None
    brief: int = 0


@dataclass(frozen=True, slots=True)
class Table:
    """Rows to read, each with the ids of the events behind it.

    `evidence` and `marks` are empty or as long as `rows`.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    evidence: tuple[tuple[str, ...], ...] = ()
    holds: Holds | None = None
    marks: tuple[Marks, ...] = ()

    def __post_init__(self) -> None:
        for column in self.columns:
            if column.kind not in get_args(ColumnKind):
                raise ValueError(
                    f"Column {column.name!r} of table {self.name!r} is of kind {column.kind!r}, "
                    f"which is none of {', '.join(get_args(ColumnKind))}."
                )
        width = len(self.columns)
        for number, row in enumerate(self.rows, start=1):
            if len(row) != width:
                raise ValueError(
                    f"Row {number} of table {self.name!r} has {len(row)} cells for {width} columns."
                )
        for what, given in (("evidence entry", self.evidence), ("set of marks", self.marks)):
            if given and len(given) != len(self.rows):
                raise ValueError(f"Table {self.name!r} needs one {what} for each row, or none.")

    def records(self) -> list[dict[str, Cell]]:
        """Return the rows as dictionaries by column name."""
        names = [column.name for column in self.columns]
        return [dict(zip(names, row, strict=True)) for row in self.rows]

    def place(self, tells: Tells | None) -> int | None:
        """Return where the first column stands that tells this, None when there is none."""
        return next((i for i, one in enumerate(self.columns) if one.tells is tells), None)

    def named(self, name: str) -> list[Cell] | None:
        """Return the cells of the column of this name, None when there is none."""
        at = next((i for i, one in enumerate(self.columns) if one.name == name), None)
        return None if at is None else [row[at] for row in self.rows]

    def cells(self, tells: Tells | None) -> list[Cell]:
        """Return the cells of the first column that tells this, all None when there is none."""
        at = self.place(tells)
        return [None if at is None else row[at] for row in self.rows]

    def marked(self) -> list[tuple[tuple[Cell, ...], Marks]]:
        """Return the rows with their marks."""
        return list(zip(self.rows, self.marks or repeat(Marks()), strict=False))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its interval and what it rests on.

    `value` is None where the honest answer is "too few to tell"; then `words` says so.
    """

    name: str
    value: float | None
    unit: str
    low: float | None = None
    high: float | None = None
    level: float = 0.95
    method: str = ""
    failures: int = 0
    running: int = 0
    left_out: int = 0
    why_left_out: str = ""
    words: str = ""
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Series:
    """One line, step or set of bars in a chart; `low` and `high` make a band.

    Along x lie numbers, days, or names of bars. `of` names the series that this one belongs to
    and is drawn with, as a fitted curve belongs to what was seen.
    """

    name: str
    x: tuple[float | str | date, ...]
    y: tuple[float, ...]
    shape: Literal["line", "step", "points", "bars"] = "line"
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()
    of: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """A picture as data. `title` says the finding; `alternative` says it in words."""

    name: str
    title: str
    x_title: str
    y_title: str
    series: tuple[Series, ...]
    alternative: str = ""


@dataclass(frozen=True, slots=True)
class Result:
    """What an analysis found.

    `headline` is one plain sentence; `caveats` are reservations in words; `cautions` say where
    somebody can get hurt, and stand before the figures.
    """

    headline: str
    tables: tuple[Table, ...] = ()
    estimates: tuple[Estimate, ...] = ()
    charts: tuple[Chart, ...] = ()
    caveats: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def table(self, name: str) -> Table:
        """Return the table called `name`; KeyError when there is none."""
        for table in self.tables:
            if table.name == name:
                return table
        raise KeyError(name)

    def holding(self, holds: Holds) -> Table | None:
        """Return the first table that holds this, None when there is none."""
        return next((table for table in self.tables if table.holds is holds), None)

    def evidence(self) -> tuple[str, ...]:
        """Return every event id that this result rests on, sorted, each once."""
        ids = {event for table in self.tables for row in table.evidence for event in row}
        ids.update(event for estimate in self.estimates for event in estimate.evidence)
        return tuple(sorted(ids))


@dataclass(frozen=True, slots=True)
class PackagedFile:
    """A data file that ships with an analysis and that a setting names.

    A user prints it with `roadworn sheets`, changes the copy, and gives the setting its path.

    Attributes:
        setting: name of the setting.
        name: what the setting calls it.
        what: what it is, ``rule set``.
        title: whose it is, in words.
        read: returns the file as it stands.
    """

    setting: str
    name: str
    what: str
    title: str
    read: Callable[[], str]


@dataclass(frozen=True, slots=True)
class Analysis:
    """An analysis as a plugin hands it over.

    Attributes:
        name: command word, for instance ``part-lifespans``; a plugin's may have a prefix.
        title: a short heading.
        question: the question it answers, ending in a question mark.
        run: function from view and settings to a Result; with a third parameter it is handed a
            `Job` as well.
        settings: model of the settings, each with a default.
        about: docstring with the sections Method, Assumptions, Reading, Reference.
        files: data files that its settings name.
        answers: what the outlook and the reports may ask it for.
        kept: its answers may be kept until ledger, day, settings, plugins or a file that a
            setting names change. False for one that looks at anything else: a clock, a network.
    """

    name: str
    title: str
    question: str
    run: Callable[..., Result]
    settings: type[Settings] = Settings
    about: str = ""
    files: tuple[PackagedFile, ...] = ()
    answers: Answers | None = None
    kept: bool = True

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise ValueError(
                f"An analysis cannot be called {self.name!r}: use small letters, digits and "
                "hyphens, as in 'myshop-idle'."
            )


@dataclass(frozen=True, slots=True)
class Deferred:
    """An analysis that a plugin hands over without importing it until it is asked for.

    Attributes:
        name: that of the analysis.
        module: where it stands.
        attribute: its name there.
    """

    name: str
    module: str
    attribute: str

    def load(self) -> Analysis:
        """Import the analysis.

        Raises:
            ValueError: what stands there is no analysis of this name.
        """
        found = getattr(importlib.import_module(self.module), self.attribute)
        if not isinstance(found, Analysis) or found.name != self.name:
            raise ValueError(f"{self.module}.{self.attribute} is no analysis {self.name!r}")
        return found


@dataclass(frozen=True, slots=True)
class Ran:
    """A result with where it came from: which analysis, of which plugin, with what settings."""

    analysis: Analysis
    plugin: str
    settings: Settings
    result: Result
    seconds: float = 0.0
    ledger_size: int = 0
    ledger_root: str = ""


#: Everything that a result may consist of besides plain values and sentences.
RESULT_TYPES = (
    Result,
    Table,
    Column,
    Estimate,
    Chart,
    Series,
    Answers,
    Holds,
    Tells,
    Mark,
)


def component_named(text: str) -> str:
    """Return the id of the component that a setting names in words of the trade.

    Raises:
        UnknownName: the catalogue knows none of that name; carries the nearest ids.
    """
    from roadworn.model.catalogue import catalogue

    found = catalogue().resolve(text, allow_other=True)
    if found.component is None:
        near = [component.id for component in found.suggestions[:3]]
        hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn components`."
        raise UnknownName(f"No component is known by {text!r}; {hint}", near)
    return found.component.id
