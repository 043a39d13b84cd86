"""The public door to the read model: a view of a ledger as of a day, to be asked in SQL.

Everything here is derived from the ledger and can be thrown away. A view is a snapshot: it
speaks of the ledger as it was when the view was opened.
"""

import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from threading import Thread, current_thread
from typing import TYPE_CHECKING, Any, Literal, Self

from roadworn.columns.build import folder_of, head_of
from roadworn.columns.keeping import ONLY, Keeping, Question, digest_of_arrays, digest_of_rows
from roadworn.columns.kept import Kept
from roadworn.columns.source import Brought, Source, core_kinds
from roadworn.columns.spec import (
    NOTHING_OUTSIDE,
    Outside,
    Progress,
    Rows,
    TableInfo,
    TableSpec,
    ViewSpec,
    known_until,
)
from roadworn.model.catalogue import Catalogue, catalogue
from roadworn.model.errors import QueryError, UsageError
from roadworn.model.messages import Problem
from roadworn.model.units import MOST_KM_PER_DAY
from roadworn.store.merkle import EMPTY, Checkpoint
from roadworn.store.whole import place_of
from roadworn.trade.warranty import WINDOW_DAYS, WINDOW_KM

# DuckDB and NumPy are imported by who first asks something that is not kept.
if TYPE_CHECKING:
    import duckdb
    from numpy.typing import NDArray

    from roadworn.columns.session import Reader, Session
    from roadworn.columns.spec import Parameters
    from roadworn.model.kinds import KindRegistry

KnownBy = Literal["recorded", "occurred", "intake"]

#: A vehicle without an event for longer than this is no longer taken to be running.
UNSEEN_DAYS = 400


def open_view(
    ledger_path: str | Path,
    *,
    as_of: str | date | None = None,
    known_by: KnownBy = "recorded",
    at: str | int | None = None,
    today: date | None = None,
    kinds: "KindRegistry | Callable[[], KindRegistry] | None" = None,
    tables: Brought | Callable[[], Brought] = (),
    tell: Callable[[Problem], object] | None = None,
    keep: str = "",
    progress: Progress | None = None,
    cache: bool = True,
    unseen_days: int = UNSEEN_DAYS,
    most_km_per_day: float = MOST_KM_PER_DAY,
    comeback_days: int = WINDOW_DAYS,
    comeback_km: float = WINDOW_KM,
    outside: Outside = NOTHING_OUTSIDE,
) -> "LedgerView":
    """Open the read model of a ledger.

    Args:
        ledger_path: the ledger file.
        as_of: look at it as of the end of this day (UTC), or None for all of it.
        known_by: what `as_of` goes by: ``recorded`` takes what had happened and was written
            down by then, as each event says; ``occurred`` takes what had happened by then,
            whenever it was written down, and retractions count by their own date; ``intake``
            takes what the ledger had taken in by then, by its own clock.
        at: look at the ledger as it stood at this number of events, or at this root (its first
            8 digits or more); None for all of it.
        today: the day it speaks of when there is no `as_of`. Without either it is the day on
            which the ledger came to `at`, else the real one.
        kinds: the event kinds, with those of plugins; or what returns them when they are needed.
        tables: plugins' tables and views; or what returns them.
        tell: is told what of plugins is left out, once that is known.
        keep: keep answers beside the columns. A text that changes with everything they depend on
            besides the ledger and these arguments; an empty one keeps none.
        progress: called with (events done, events in all) while folding.
        cache: keep folded tables beside the ledger.
        unseen_days: a vehicle not seen for longer is no longer taken to be running.
        most_km_per_day: a reading that needs more than this from its neighbours is doubted.
        comeback_days: what fails again at its place within so many days is a comeback,
        comeback_km: if it is within this distance too, where that is known.
        outside: files of one's own beside the tables, and where answers may be written.

    Raises:
        UsageError: `as_of` is no date, or the ledger was never at `at`.
        NotALedger, LedgerDamaged, EnvironmentFailure: the file cannot be read.
    """
    source = Source(
        place_of(ledger_path),
        kinds if callable(kinds) else lambda: kinds or core_kinds(),
        tables if callable(tables) else lambda: tables,
        tell,
        keep,
        cache,
        unseen_days,
        most_km_per_day,
        comeback_days,
        comeback_km,
        outside,
    )
    if at is not None:
        from roadworn.store.pinned import state_named

        checkpoint, day = state_named(source.path, str(at))
        source, today = replace(source, at=checkpoint), today or day
    return LedgerView(source, _day(as_of), known_by, today=today, progress=progress)


def dictionary(tables: Brought = ()) -> list[TableInfo]:
    """Return what tables and views there are, and what each of their columns means."""
    from roadworn.columns.session import dictionary_of
    from roadworn.columns.tables import CORE_TABLES

    return dictionary_of((*CORE_TABLES, *tables))


class LedgerView(Keeping):
    """A read-only view of a ledger as of a day.

    Attributes:
        path: the ledger file.
        as_of: the day it speaks of, or None for the whole ledger.
        known_by: what `as_of` goes by.
        today: `as_of`, or the day it was opened with, or the real date then.
        checkpoint: size and root of the ledger it was made from.
    """

    def __init__(
        self,
        source: Source,
        as_of: date | None,
        known_by: KnownBy,
        *,
        today: date | None = None,
        progress: Progress | None = None,
        within: str = "TRUE",
    ) -> None:
        self.path = source.path
        self.as_of = as_of
        self.known_by: KnownBy = known_by
        super().__init__(as_of or today or datetime.now(UTC).date(), source.keep)
        self._source = source
        taken_in = 0
        if known_by == "intake" and as_of is not None:
            from roadworn.store.pinned import taken_in_by

            taken_in = taken_in_by(source.path, as_of)
        self._known = f"{known_until(as_of, known_by, taken_in)} AND {within}"
        self.checkpoint: Checkpoint = EMPTY
        self._progress = progress
        self._given_up: set[Thread] = set()
        self._opened: Session | None = None
        self._left_out: dict[str, Problem] = {}
        if source.keep:
            self.checkpoint = source.at or head_of(source.path)
            self._keep_answers(self._kept_answers(), self.checkpoint.size)
        else:
            self._opened = self._open()

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
        if text in known:
            return text
        from roadworn.checks.facts import named_vehicle

        merged = self.sql("SELECT vehicle_id FROM merges WHERE lower(record) = lower(?)", (text,))
        if merged.rows:
            return str(merged.rows[0][0])
        return named_vehicle(text, known)

    def usual_unit(self, vehicle: str = "") -> Literal["mi", "km"]:
        """Return the unit in which most readings are, of one vehicle or of all; miles for none."""
        of: dict[str, int] = defaultdict(int)
        for _vehicle, unit, times in self.of_vehicle(
            """SELECT vehicle_id, unit, count(*) FROM readings WHERE ONLY(vehicle_id)
               GROUP BY vehicle_id, unit ORDER BY vehicle_id, unit""",
            vehicle or None,
        ).rows:
            of[unit] += times
        return "km" if of["km"] > of["mi"] else "mi"

    def origin(self) -> dict[str, Any]:
        """Return what any figure of this view rests on besides the program and its settings.

        From it the view can be opened again: `at` the root, with the other three. ``claimed``
        says that some events count as written down by `as_of` only because they say so.
        """
        claimed = False
        if self.as_of is not None and self.known_by == "recorded":
            from roadworn.store.pinned import claims

            claimed = claims(self.path, self.checkpoint.size, self.as_of)
        return {
            "ledger": self.checkpoint.as_json(),
            "as_of": self.as_of and self.as_of.isoformat(),
            "known_by": self.known_by,
            "today": self.today.isoformat(),
            "claimed": claimed,
        }

    def sql(self, query: str, parameters: Sequence[Any] = ()) -> Rows:
        """Run one query and return its rows.

        Raises:
            UsageError: the query cannot be run.
        """
        return self._answer(query, parameters, lambda: self._ask(query, parameters))

    def of_vehicle(self, query: str, vehicle: str | None, parameters: Sequence[Any] = ()) -> Rows:
        """Run a query of vehicles for one of them, None for all, and return its rows.

        Its first column is the vehicle, what it shows of one hangs on no other, and
        `ONLY(v.vehicle_id)` stands where it is narrowed. Of few events all vehicles are asked about
        at once, which takes as long: the next one then finds its rows.

        Raises:
            UsageError: the query cannot be run.
        """
        if vehicle is None:
            return self.sql(ONLY.sub("TRUE", query), parameters)
        return self._narrowed(query, vehicle, parameters)

    def arrays(self, query: str, parameters: Sequence[Any] = ()) -> "dict[str, NDArray[Any]]":
        """Run one query and return its columns as arrays.

        NULL is NaN in a column of numbers, None in a column of texts, NaT in one of dates;
        decimals become floats.

        Raises:
            UsageError: the query cannot be run.
        """
        key = self._note("arrays", query, parameters)
        found = self._arrays(query, parameters)
        self._came_back(key, lambda: digest_of_arrays(found))
        return found

    def _arrays(self, query: str, parameters: Sequence[Any]) -> "dict[str, NDArray[Any]]":
        from roadworn.columns.session import plain_array

        found = self._run(query, parameters).fetchnumpy()
        return {name: plain_array(column) for name, column in found.items()}

    def _fetched(self, query: str, parameters: Sequence[Any]) -> Rows:
        """Return the rows of a query, asked now."""
        cursor = self._run(query, parameters)
        columns = tuple(column[0] for column in cursor.description or ())
        return Rows(columns, cursor.fetchall())

    def digest_of(self, question: Question) -> str:
        """Return a digest of what comes back when this is asked."""
        kind, query, parameters = question
        if kind == "arrays":
            return digest_of_arrays(self._arrays(query, parameters))
        return self._kept_mark(query, parameters) or digest_of_rows(self._ask(query, parameters))

    def analyst(
        self, query: str, seconds: float = 0, megabytes: float = 0, parameters: "Parameters" = ()
    ) -> Rows:
        """Run a query of a person: one SELECT, on tables in memory, without a way out.

        Args:
            query: the SELECT.
            parameters: values by place, for each ``?``, or by name, for each ``$name``.
            seconds: the most it may take; no bound when 0.
            megabytes: the most that the process may grow by; no bound when 0.

        Raises:
            UsageError: it is no single SELECT, it cannot be run, or it goes over a bound.
            KeyboardInterrupt: it was stopped by hand.
        """
        from roadworn.columns.bounds import rows_within

        with self.asking_for(query) as reader:
            return rows_within(reader, query, parameters, seconds, megabytes)

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
        # It is opened in the midst of something greater, which is kept as a whole.
        source = replace(self._source, keep="")
        return LedgerView(source, earlier, known_by or self.known_by, within=within)

    def give_up(self, thread: Thread) -> None:
        """Answer a thread no more that nobody waits for; what it asks just now is broken off.

        Two may not ask one connection at a time, so whoever asks next is given a new one.
        """
        self._given_up.add(thread)
        if self._opened is not None:
            left, self._opened = self._opened, None
            left.reader.con.interrupt()
            left.con.interrupt()

    def close(self) -> None:
        """Close the view; the ledger is untouched."""
        if self._opened is not None:
            self._opened.con.close()
        self._tidy()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def _session(self) -> "Session":
        if current_thread() in self._given_up:
            raise QueryError("This took too long and was given up; nobody waits for an answer.")
        if self._opened is None:
            self._opened = self._open()
        return self._opened

    def _kept_answers(self) -> Kept:
        source = self._source
        state = [
            self.checkpoint.as_json(),
            self.today.isoformat(),
            self._known,
            source.unseen_days,
            source.most_km_per_day,
            source.comeback_days,
            source.comeback_km,
            source.keep,
        ]
        return Kept.beside(source.path, folder_of(source.path), state)

    def _open(self) -> "Session":
        from roadworn.columns.fold import LeftOut

        source, left_out = self._source, LeftOut()
        at = source.at or (self.checkpoint if source.keep else None)
        session, self.checkpoint = source.opened(
            self._known, self.today, at, self._progress, left_out, self._leave_out
        )
        self._left_out |= left_out.tables
        for problem in left_out.problems():
            self._tell(problem)
        return session

    def _tell(self, problem: Problem) -> None:
        if self._source.tell is not None:
            self._source.tell(problem)

    def _leave_out(self, name: str, problem: Problem) -> None:
        """Note that a view of a plugin cannot be made."""
        self._left_out[name] = problem
        self._tell(problem)

    def _fault(self, query: str, error: Exception) -> QueryError:
        """Return why a query cannot be run; of what is left out, why that is."""
        words = set(re.findall(r"\w+", query.lower()))
        missing = next((p for name, p in self._left_out.items() if name.lower() in words), None)
        if missing is not None:
            return QueryError(f"The query cannot be run: {missing.message}.")
        from roadworn.columns.bounds import why_not

        return QueryError(why_not(query, error, lambda: self._session.columns_in(words)))

    def _run(self, query: str, parameters: Sequence[Any]) -> "duckdb.DuckDBPyConnection":
        with self.asking_for(query) as reader:
            return reader.run(query, parameters)

    @contextmanager
    def asking_for(self, query: str) -> "Iterator[Reader]":
        """Give what cannot write, with everything there that a query names.

        Raises:
            QueryError: the query is no single SELECT, or cannot be run.
        """
        import duckdb

        session = self._session
        try:
            session.reader.take(query)
            session.prepare(query)
            yield session.reader
        except duckdb.Error as error:
            raise self._fault(query, error) from error


def _day(as_of: str | date | None) -> date | None:
    if as_of is None or isinstance(as_of, date):
        return as_of
    try:
        return date.fromisoformat(as_of)
    except ValueError:
        raise UsageError(f"{as_of!r} is not a day: write it as 2026-05-04.") from None


__all__ = [
    "MOST_KM_PER_DAY",
    "UNSEEN_DAYS",
    "LedgerView",
    "Rows",
    "TableInfo",
    "TableSpec",
    "ViewSpec",
    "dictionary",
    "open_view",
]
