"""What an analysis is and what it answers with.

An `Analysis` is a descriptor: a name, the question it answers, a pydantic model of its
settings, and a function from a read-only view and those settings to a `Result`. Nothing
flows back: an analysis never writes, and a report never computes.

A `Result` carries its evidence: each row of a table may name the events behind it, and each
estimate says how many failed, how many still run, and what was left out and why.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView


Cell = str | int | float | Decimal | date | bool | None
#: A sentence is shown below its row instead of in a column of its own; a component is an id of
#: the catalogue, shown to people by its name.
ColumnKind = Literal[
    "text", "component", "integer", "number", "distance", "money", "chance", "date", "sentence"
]


_NAME = re.compile(r"[a-z][a-z0-9-]{0,60}")


class Settings(BaseModel):
    """Base of an analysis' settings; every field needs a default and a description."""

    model_config = ConfigDict(frozen=True, extra="forbid")


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a result table.

    Attributes:
        name: key in JSON and CSV.
        title: heading.
        kind: how a value is written.
        unit: shown in the heading: ``mi``, ``USD``.
        detail: left out of a table on the screen unless it is asked for.
    """

    name: str
    title: str
    kind: ColumnKind = "text"
    unit: str = ""
    detail: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows to read, each with the ids of the events behind it.

    `evidence` is empty or as long as `rows`.
    """

    name: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    evidence: tuple[tuple[str, ...], ...] = ()

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
        if self.evidence and len(self.evidence) != len(self.rows):
            raise ValueError(f"Table {self.name!r} needs one evidence entry for each row, or none.")

    def records(self) -> list[dict[str, Cell]]:
        """Return the rows as dictionaries by column name."""
        names = [column.name for column in self.columns]
        return [dict(zip(names, row, strict=True)) for row in self.rows]


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

    `headline` is one plain sentence; `caveats` are reservations in words.
    """

    headline: str
    tables: tuple[Table, ...] = ()
    estimates: tuple[Estimate, ...] = ()
    charts: tuple[Chart, ...] = ()
    caveats: tuple[str, ...] = ()

    def table(self, name: str) -> Table:
        """Return the table called `name`; KeyError when there is none."""
        for table in self.tables:
            if table.name == name:
                return table
        raise KeyError(name)

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
        run: function from view and settings to a Result.
        settings: model of the settings, each with a default.
        about: docstring with the sections Method, Assumptions, Reading, Reference.
        files: data files that its settings name.
    """

    name: str
    title: str
    question: str
    run: Callable[["LedgerView", Any], Result]
    settings: type[Settings] = Settings
    about: str = ""
    files: tuple[PackagedFile, ...] = ()

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise ValueError(
                f"An analysis cannot be called {self.name!r}: use small letters, digits and "
                "hyphens, as in 'myshop-idle'."
            )


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
