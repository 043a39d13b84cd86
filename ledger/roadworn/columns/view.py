"""The public door to the read model: a view of a ledger as of a day, to be asked in SQL.

Everything here is derived from the ledger and can be thrown away. A view is a snapshot: it
speaks of the ledger as it was when the view was opened.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import takewhile
from pathlib import Path
from typing import Any, Literal, Self, TypeVar, cast

import duckdb
import numpy as np
from numpy.typing import NDArray

from roadworn.checks.facts import named_vehicle
from roadworn.checks.odd import MOST_KM_PER_DAY
from roadworn.columns.build import build, load_payloads
from roadworn.columns.session import Options, Session, dictionary_of
from roadworn.columns.spec import Progress, Rows, TableInfo, TableSpec
from roadworn.columns.tables import CORE_TABLES
from roadworn.model.catalogue import Catalogue, catalogue
from roadworn.model.errors import QueryError, UsageError
from roadworn.model.kinds import KindRegistry
from roadworn.store.merkle import EMPTY, Checkpoint
from roadworn.trade.warranty import WINDOW_DAYS, WINDOW_KM

KnownBy = Literal["recorded", "occurred"]
_Made = TypeVar("_Made")

#: A vehicle without an event for longer than this is no longer taken to be running.
UNSEEN_DAYS = 400
#: DuckDB shares a scan out among threads by groups of so many rows.
_ROW_GROUP = 122_880
#: Statements that only read; DESCRIBE and SUMMARIZE are SELECTs to the parser.
_READING = frozenset({"SELECT", "EXPLAIN"})


def open_view(
    ledger_path: str | Path,
    *,
    as_of: str | date | None = None,
    known_by: KnownBy = "recorded",
    kinds: KindRegistry | None = None,
    tables: Sequence[TableSpec] = (),
    progress: Progress | None = None,
    cache: bool = True,
    unseen_days: int = UNSEEN_DAYS,
    most_km_per_day: float = MOST_KM_PER_DAY,
    comeback_days: int = WINDOW_DAYS,
    comeback_km: float = WINDOW_KM,
) -> "LedgerView":
    """Open the read model of a ledger.

    Args:
        ledger_path: the ledger file.
        as_of: look at it as of the end of this day (UTC), or None for all of it.
        known_by: what `as_of` goes by: ``recorded`` takes what had happened and was written
            down by then; ``occurred`` takes what had happened by then, whenever it was written
            down, and retractions count by their own date.
        kinds: the event kinds, with those of plugins.
        tables: plugins' tables.
        progress: called with (events done, events in all) while folding.
        cache: keep folded tables beside the ledger.
        unseen_days: a vehicle not seen for longer is no longer taken to be running.
        most_km_per_day: a reading that needs more than this from its neighbours is doubted.
        comeback_days: what fails again at its place within so many days is a comeback,
        comeback_km: if it is within this distance too, where that is known.

    Raises:
        UsageError: `as_of` is no date.
        NotALedger, LedgerDamaged, EnvironmentFailure: the file cannot be read.
    """
    source = _Source(
        Path(ledger_path),
        kinds or KindRegistry(),
        (*CORE_TABLES, *tables),
        cache,
        unseen_days,
        most_km_per_day,
        comeback_days,
        comeback_km,
    )
    return LedgerView(source, _day(as_of), known_by, progress=progress)


def dictionary(tables: Sequence[TableSpec] = ()) -> list[TableInfo]:
    """Return what tables and views there are, and what each of their columns means."""
    return dictionary_of((*CORE_TABLES, *tables))


@dataclass(frozen=True, slots=True)
class _Source:
    """What a view is made from, whatever its day; see `open_view`."""

    path: Path
    kinds: KindRegistry
    tables: tuple[TableSpec, ...]
    cache: bool
    unseen_days: int
    most_km_per_day: float
    comeback_days: int
    comeback_km: float


class LedgerView:
    """A read-only view of a ledger as of a day.

    Attributes:
        path: the ledger file.
        as_of: the day it speaks of, or None for the whole ledger.
        known_by: what `as_of` goes by.
        today: `as_of`, or the real date when the view was opened.
        checkpoint: size and root of the ledger it was made from.
    """

    def __init__(
        self,
        source: _Source,
        as_of: date | None,
        known_by: KnownBy,
        *,
        progress: Progress | None = None,
        within: str = "TRUE",
    ) -> None:
        self.path = source.path
        self.as_of = as_of
        self.known_by: KnownBy = known_by
        self.today = as_of or datetime.now(UTC).date()
        self._source = source
        self._known = f"{_condition(as_of, known_by)} AND {within}"
        self.checkpoint: Checkpoint = EMPTY
        self._kept: dict[tuple[object, ...], object] = {}
        self._session = self._open(progress)

    @property
    def catalogue(self) -> Catalogue:
        """The component catalogue."""
        return catalogue()

    def require_vehicle(self, text: str) -> str:
        """Return the id of the vehicle that `text` names.

        Raises:
            UnknownName: no vehicle known by then answers to it; carries the nearest names.
        """
        known = [str(row[0]) for row in self.sql("SELECT vehicle_id FROM vehicles").rows]
        return named_vehicle(text, known)

    def usual_unit(self, vehicle: str = "") -> Literal["mi", "km"]:
        """Return the unit in which most readings are, of one vehicle or of all; miles for none."""
        rows = self.sql(
            """SELECT unit FROM readings WHERE ? IN ('', vehicle_id)
               GROUP BY unit ORDER BY count(*) DESC, unit LIMIT 1""",
            (vehicle,),
        ).rows
        return "km" if rows and rows[0][0] == "km" else "mi"

    def kept(self, key: tuple[object, ...], make: Callable[[], _Made]) -> _Made:
        """Return what was made for `key` on this view, made now if nobody asked before.

        For what several analyses need of the whole fleet: lives, prices, paces, causes learnt.
        A view is a snapshot, so what was made from it stays right while it is open. Whoever is
        handed it must not change it.

        Args:
            key: name of what is made and all that it depends on besides the view.
            make: makes it, asked at most once for a key.
        """
        if key not in self._kept:
            self._kept[key] = make()
        return cast("_Made", self._kept[key])

    def sql(self, query: str, parameters: Sequence[Any] = ()) -> Rows:
        """Run one query and return its rows.

        Raises:
            UsageError: the query cannot be run.
        """
        cursor = self._run(query, parameters)
        columns = tuple(column[0] for column in cursor.description or ())
        return Rows(columns, cursor.fetchall())

    def arrays(self, query: str, parameters: Sequence[Any] = ()) -> dict[str, NDArray[Any]]:
        """Run one query and return its columns as arrays.

        NULL is NaN in a column of numbers, None in a column of texts, NaT in one of dates;
        decimals become floats.

        Raises:
            UsageError: the query cannot be run.
        """
        found = self._run(query, parameters).fetchnumpy()
        return {name: _plain_array(column) for name, column in found.items()}

    def analyst(self, query: str) -> Rows:
        """Run a query of a person: one SELECT, on tables in memory, without a way out.

        Raises:
            UsageError: it is no single SELECT, or it cannot be run.
        """
        try:
            statements = self._session.con.extract_statements(query)
        except duckdb.Error as error:
            raise UsageError(_one_sentence(error)) from error
        if len(statements) != 1 or statements[0].type.name not in _READING:
            raise UsageError(
                "Only one SELECT can be asked at a time: the tables are read only, "
                "and `roadworn tables` lists them."
            )
        self._session.prepare(query)
        con = self._session.con
        # EXPLAIN ANALYZE runs what it explains, so the transaction is read only as well.
        con.execute("BEGIN TRANSACTION READ ONLY")
        try:
            return self.sql(query)
        finally:
            con.execute("ROLLBACK")

    def set_back(self, day: str | date, *, known_by: KnownBy | None = None) -> "LedgerView":
        """Open another view of the same ledger as of an earlier day.

        It never knows of an event that this view does not know of, whatever it goes by.

        Args:
            day: the day it speaks of.
            known_by: what that goes by; as this view when None.

        Raises:
            UsageError: the day is no date, or lies after the one this view speaks of.
        """
        earlier = _day(day)
        if earlier is None or earlier > self.today:
            raise UsageError(
                f"A view as of {self.today} cannot be set back to {day}: name an earlier day."
            )
        within = f"{self._known} AND seq <= {self.checkpoint.size}"
        return LedgerView(self._source, earlier, known_by or self.known_by, within=within)

    def close(self) -> None:
        """Close the view; the ledger is untouched."""
        self._session.con.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _open(self, progress: Progress | None) -> Session:
        con = duckdb.connect(
            ":memory:", config={"python_enable_replacements": "false", "temp_directory": ""}
        )
        con.execute("SET TimeZone = 'UTC'")
        source = self._source
        self.checkpoint = build(
            con,
            source.path,
            source.tables,
            source.kinds,
            use_cache=source.cache,
            progress=progress,
        )
        if self.checkpoint.size <= _ROW_GROUP:
            # A scan of so few rows cannot be shared out; more threads only wait for each other.
            con.execute("SET threads = 1")
        # From here on nothing outside memory can be reached through this connection.
        con.execute("SET enable_external_access = false")
        con.execute("SET lock_configuration = true")
        return Session(
            con,
            source.tables,
            Options(
                self._known,
                self.today,
                source.unseen_days,
                source.most_km_per_day,
                source.comeback_days,
                source.comeback_km,
            ),
            lambda: load_payloads(con, source.path, self.checkpoint.size, source.kinds),
        )

    def _run(self, query: str, parameters: Sequence[Any]) -> "duckdb.DuckDBPyConnection":
        try:
            self._session.prepare(query)
            return self._session.con.execute(query, list(parameters))
        except duckdb.Error as error:
            raise QueryError(_one_sentence(error)) from error


def _day(as_of: str | date | None) -> date | None:
    if as_of is None or isinstance(as_of, date):
        return as_of
    try:
        return date.fromisoformat(as_of)
    except ValueError:
        raise UsageError(f"{as_of!r} is not a day: write it as 2026-05-04.") from None


def _condition(as_of: date | None, known_by: KnownBy) -> str:
    """Return which events are known, as SQL over raw.events."""
    if as_of is None:
        return "TRUE"
    end = f"TIMESTAMP '{(as_of + timedelta(days=1)).isoformat()} 00:00:00'"
    happened = f"occurred_at < {end}"
    return happened if known_by == "occurred" else f"{happened} AND recorded_at < {end}"


def _plain_array(column: Any) -> NDArray[Any]:  # noqa: ANN401
    """Return a column without a mask: NULL becomes NaN, None or NaT."""
    if not isinstance(column, np.ma.MaskedArray):
        return np.asarray(column)
    values: NDArray[Any] = np.array(column.data)
    missing = np.ma.getmaskarray(column)
    if not missing.any():
        return values
    if values.dtype.kind == "M":
        values[missing] = np.datetime64("NaT")
    elif values.dtype.kind in "biuf":
        values = values.astype(np.float64)
        values[missing] = np.nan
    else:
        values = values.astype(object)
        values[missing] = None
    return values


def _one_sentence(error: duckdb.Error) -> str:
    paragraph = takewhile(str.strip, str(error).splitlines())
    first = " ".join(word for line in paragraph for word in line.split())
    return f"The query cannot be run: {first.rstrip('.')}."


__all__ = [
    "MOST_KM_PER_DAY",
    "UNSEEN_DAYS",
    "LedgerView",
    "Rows",
    "TableInfo",
    "TableSpec",
    "dictionary",
    "open_view",
]
