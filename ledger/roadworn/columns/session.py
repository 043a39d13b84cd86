"""A DuckDB connection with the folded tables, on which views come to be when first asked for.

Making all views and their comments takes longer than most queries, and computing all derived
tables longer still; so a query names what it needs and only that is made, in order.
"""

import itertools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from roadworn.columns import views_distance, views_vehicles
from roadworn.columns.kept_views import NAMES as STORED
from roadworn.columns.kept_views import KeptViews
from roadworn.columns.spec import Options, Parameters, TableInfo, TableSpec, ViewSpec, comments_of
from roadworn.columns.views_distance import DISTANCE_VIEWS
from roadworn.columns.views_lives import LIFE_VIEWS
from roadworn.columns.views_open_work import OPEN_VIEWS, STATE_VIEWS
from roadworn.columns.views_vehicles import EVENT_VIEWS, VEHICLE_VIEWS, known, seen, typed
from roadworn.model.errors import QueryError
from roadworn.model.events import Amendment, taken_back
from roadworn.model.messages import Problem, broken

if TYPE_CHECKING:
    import duckdb

#: Folded tables that are only steps to a public view of another name.
_STEPS = ("profiles", "reading_details", "decisions", "corrections")
_WORD = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_PAYLOAD = "payload"
_COUNT = re.compile(r"count\s*\(\s*\*\s*\)", re.IGNORECASE)
#: Public views of the counter's day and of a fleet's depots, which no outlook asks: made known by
#: who asks one of them.
AT_THE_COUNTER = frozenset(
    {
        *("approved_lines", "open_tests"),
        *("work_done", "waiting_lines", "approved_work", "in_shop", "untried_work"),
        *("depot_spans", "standstills", "fleet_work"),
    }
)
#: Statements that only read: DESCRIBE and SUMMARIZE are SELECTs to the parser, PIVOT is several.
_READING = frozenset({"SELECT", "EXPLAIN", "MULTI"})
#: Words in a query that ask about the tables themselves, so that all must be there.
_CATALOGUE_WORDS = frozenset(
    {"information_schema", "show", "describe", "summarize", "pragma", "sqlite_master", "pg_catalog"}
)


def all_views(tables: Sequence[TableSpec], condition: str) -> dict[str, ViewSpec]:
    """Return every view by its full name.

    Args:
        tables: the folded tables, the core's and the plugins'.
        condition: which events are known, as SQL over raw.events.
    """
    return {**_usual_views(tables, condition), **_counter_views()}


def _usual_views(
    tables: Sequence[TableSpec], condition: str, *, moved: bool = False
) -> dict[str, ViewSpec]:
    views = [seen(condition), known(condition), *EVENT_VIEWS, *DISTANCE_VIEWS, *VEHICLE_VIEWS]
    views += [typed(spec, moved=moved) for spec in tables if spec.name not in _STEPS]
    views += [*STATE_VIEWS, *LIFE_VIEWS, *OPEN_VIEWS]
    return {view.name: view for view in views}


def _counter_views() -> dict[str, ViewSpec]:
    from roadworn.columns.views_fleet import FLEET_VIEWS
    from roadworn.columns.views_today import TODAY_VIEWS

    return {view.name: view for view in (*TODAY_VIEWS, *FLEET_VIEWS)}


def dictionary_of(brought: Sequence[TableSpec | ViewSpec]) -> list[TableInfo]:
    """Return the public tables and views, tables first, each by name."""
    tables = [spec for spec in brought if isinstance(spec, TableSpec)]
    views = [spec for spec in brought if isinstance(spec, ViewSpec)]
    folded = {f"main.{spec.name}" for spec in tables} | {"main.events"}
    infos = [
        TableInfo(
            view.name.removeprefix("main."),
            "table" if view.name in folded else "view",
            view.comment,
            view.columns,
        )
        for view in (*all_views(tables, "TRUE").values(), *views)
        if view.name.startswith("main.")
    ]
    return sorted(infos, key=lambda info: (info.kind, info.name))


def _wants_payloads(query: str, words: set[str]) -> bool:
    """Return whether a query may show payloads, which are fetched only then."""
    if _PAYLOAD in words:
        return True
    starred = "*" in _COUNT.sub("", query) or "select" not in words
    return starred and not words.isdisjoint({"events", "effective_events"})


def plain_array(column: Any) -> NDArray[Any]:  # noqa: ANN401
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


class Reader:
    """A connection to the tables of a session that cannot write, and takes one SELECT at a time.

    A root beside a figure is worth something only if no query, a plugin's neither, changes what
    the next one reads. So queries have a connection of their own, in a read-only transaction.

    Args:
        con: the connection that makes the tables; locked against the world outside already.
    """

    def __init__(self, con: "duckdb.DuckDBPyConnection") -> None:
        self.con = con.cursor()
        self._taken: dict[str, duckdb.Statement] = {}
        self.con.execute("BEGIN TRANSACTION READ ONLY")

    def again(self) -> None:
        """See what was made since, or begin anew after an error."""
        import duckdb

        with suppress(duckdb.Error):
            self.con.execute("ROLLBACK")
        self.con.execute("BEGIN TRANSACTION READ ONLY")

    def run(self, query: str, parameters: Parameters = ()) -> "duckdb.DuckDBPyConnection":
        """Run a query; the rows wait to be fetched.

        Raises:
            QueryError: it is no single SELECT.
            duckdb.Error: it cannot be run.
        """
        statement = self.take(query)
        # What was parsed to be judged is not parsed again, which takes as long as asking little.
        single = statement.type.name != "MULTI"
        return self.copy(statement if single else query, parameters)

    def copy(
        self, statement: "str | duckdb.Statement", parameters: Parameters = ()
    ) -> "duckdb.DuckDBPyConnection":
        """Run a query that was taken, or a statement of our own around one.

        Raises:
            duckdb.Error: it cannot be run.
        """
        import duckdb

        given = dict(parameters) if isinstance(parameters, Mapping) else list(parameters)
        try:
            return self.con.execute(statement, given)
        except (duckdb.Error, RuntimeError):
            self.again()
            raise

    def take(self, query: str) -> "duckdb.Statement":
        """Return a query as it was parsed, and refuse whatever is no single SELECT.

        Raises:
            QueryError: it is something else.
            duckdb.Error: it is no SQL.
        """
        if query in self._taken:
            return self._taken[query]
        statements = self.con.extract_statements(query)
        if len(statements) != 1 or statements[0].type.name not in _READING:
            raise QueryError(
                "Only one SELECT can be asked at a time: the tables are read only, "
                "and `roadworn tables` lists them."
            )
        self._taken[query] = statements[0]
        return statements[0]


class Session:
    """Views over folded tables that stand in schema `raw` of a connection.

    Attributes:
        con: makes the tables and views.
        reader: asks them.
    """

    def __init__(
        self,
        con: "duckdb.DuckDBPyConnection",
        tables: Sequence[TableSpec],
        options: Options,
        load_payloads: Callable[[], None],
        more_views: Sequence[ViewSpec] = (),
        leave_out: Callable[[str, Problem], object] = lambda _name, _problem: None,
        stored: KeptViews | None = None,
    ) -> None:
        """Know the views that may be made.

        Args:
            con: connection with the folded tables.
            tables: what is in them.
            options: what the views depend on besides.
            load_payloads: fills raw.payloads.
            more_views: those of plugins.
            leave_out: is told a view of a plugin that cannot be made.
            stored: the views of a large ledger that are kept as files.
        """
        self.con = con
        self._stored = stored
        self._load_payloads: Callable[[], None] | None = load_payloads
        self.tables = tuple(tables)
        self.options = options
        self._views: dict[str, ViewSpec] = {}
        self._public: dict[str, str] = {}
        # Fleets whose wheels stay where they are pay nothing for those that do not.
        moved = con.execute("SELECT 1 FROM raw.wheel_changes LIMIT 1").fetchall()
        self._moved = bool(moved)
        self._know(_usual_views(self.tables, options.condition, moved=self._moved))
        self._know({view.name: view for view in more_views})
        self._leave_out = leave_out
        self._made: set[str] = set()
        # A comment on every column takes as long as the views; only the catalogue shows them.
        self._uncommented: list[str] = []
        self._by_hand: dict[str, Callable[[], None]] = {
            "base.amended": self._make_amended,
            "base.merged": self._make_merged,
            "base.wheel_places": self._make_wheels,
            "base.wheel_ends": self._make_wheels,
            "base.odometer_verdicts": self._make_verdicts,
            "base.absent": self._make_absent,
        }
        con.execute("CREATE SCHEMA base")
        con.execute(
            "CREATE TABLE base.settings AS SELECT CAST(? AS DATE) AS today, "
            "CAST(? AS INTEGER) AS unseen_days, CAST(? AS INTEGER) AS comeback_days, "
            "CAST(? AS DOUBLE) AS comeback_km",
            (
                options.today.isoformat(),
                options.unseen_days,
                options.comeback_days,
                options.comeback_km,
            ),
        )
        self._made.add("base.settings")
        self.reader = Reader(con)

    def _know(self, views: dict[str, ViewSpec]) -> None:
        """Take over views that may be made."""
        self._views |= views
        main = (name for name in views if name.startswith("main."))
        self._public |= {name.removeprefix("main."): name for name in main}

    def prepare(self, query: str) -> None:
        """Make every view that the words of a query may mean, for the reader to see."""
        before = len(self._made), self._load_payloads is None, len(self._uncommented)
        words = {word.lower() for word in _WORD.findall(query)}
        catalogue = bool(words & _CATALOGUE_WORDS) or any(w.startswith("duckdb_") for w in words)
        if (catalogue or words & AT_THE_COUNTER) and not self._public.keys() >= AT_THE_COUNTER:
            self._know(_counter_views())
        asked = sorted(words & self._public.keys())
        self.make(self._public[word] for word in (sorted(self._public) if catalogue else asked))
        if catalogue:
            self._comment()
        if self._load_payloads is not None and _wants_payloads(query, words):
            self._load_payloads()
            self._load_payloads = None
        if before != (len(self._made), self._load_payloads is None, len(self._uncommented)):
            self.reader.again()

    def columns_in(self, words: set[str]) -> list[str]:
        """Return the columns of the public tables, files of one's own too, that words name."""
        self.reader.again()
        rows = self.reader.con.execute(
            "SELECT DISTINCT column_name FROM duckdb_columns() WHERE schema_name = 'main' "
            "AND list_contains(?, lower(table_name)) ORDER BY ALL",
            [sorted(words)],
        ).fetchall()
        return [name for (name,) in rows]

    def make(self, names: Iterable[str]) -> None:
        """Make views by full name, what they need first."""
        for name in names:
            if name in self._made:
                continue
            by_hand = self._by_hand.get(name)
            if by_hand is not None:
                by_hand()
            elif self._views[name].owner:
                self._make_brought(self._views[name])
            else:
                self._make(self._views[name])
            self._made.add(name)

    def _make_brought(self, view: ViewSpec) -> None:
        """Make a view of a plugin, or leave it out."""
        import duckdb

        # Its own name in its SELECT is no other view.
        self._made.add(view.name)
        try:
            statements = self.con.extract_statements(view.sql)
            single = len(statements) == 1 and statements[0].type.name == "SELECT"
            reason = "" if single else "its sql is no single SELECT"
            if single:
                self.prepare(view.sql)
                self._make(view)
        except (duckdb.Error, KeyError) as error:
            reason = (str(error).splitlines() or [""])[0].rstrip(".")
        if reason:
            name = view.name.removeprefix("main.")
            what = f"brings a view {name!r} that cannot be made"
            self._leave_out(name, broken(view.owner, what, f"{reason}; it is left out"))

    def _make(self, view: ViewSpec) -> None:
        stored = self._stored if view.name in STORED else None
        if stored is not None and stored.load(self.con, view, view.name):
            self._uncommented.append(comments_of("TABLE", view.name, view.comment, view.columns))
            return
        self.make(view.needs)
        # Payloads come in later than the views that show them.
        held = (
            view.kept
            or stored
            or (self.options.few and _PAYLOAD not in {n for n, _, _ in view.columns})
        )
        word = "TABLE" if held else "VIEW"
        schema, _, name = view.name.partition(".")
        full = f'{schema}."{name}"'
        selected = ", ".join(f'CAST("{n}" AS {t}) AS "{n}"' for n, t, _ in view.columns)
        self.con.execute(f"CREATE {word} {full} AS SELECT {selected} FROM ({view.sql}) AS q")
        self._uncommented.append(comments_of(word, full, view.comment, view.columns))
        if stored is not None:
            stored.save(self.con, view, full)

    def _comment(self) -> None:
        """Put the meaning of every table and column that was made into the database."""
        for statements in self._uncommented:
            self.con.execute(statements)
        self._uncommented.clear()

    def _make_amended(self) -> None:
        """Fill base.amended: events that do not count, and what took them back."""
        self.make(("base.seen",))
        rows = self.con.execute(
            "SELECT k.seq, k.event_id, t.event, TRUE FROM raw.retractions AS t "
            "JOIN base.seen AS k ON k.seq = t.seq UNION ALL "
            "SELECT k.seq, k.event_id, t.replaces, FALSE FROM raw.corrections AS t "
            "JOIN base.seen AS k ON k.seq = t.seq WHERE t.replaces IS NOT NULL"
        ).fetchall()
        back = taken_back(Amendment(*row) for row in rows)
        self.con.execute("CREATE TABLE base.amended (event_id VARCHAR, retracted_by VARCHAR)")
        with self.con.appender("base.amended") as appender:
            appender.append_rows(sorted(back.items()))

    def _make_merged(self) -> None:
        """Fill base.merged: records that are those of other vehicles, and of which."""
        self.make(("base.amended",))
        rows = self.con.execute(
            "SELECT k.record, t.said_into FROM raw.merges AS t JOIN base.seen AS k "
            "ON k.seq = t.seq LEFT JOIN base.amended AS a ON a.event_id = k.event_id "
            "WHERE a.event_id IS NULL ORDER BY k.seq"
        ).fetchall()
        self.con.execute("CREATE TABLE base.merged (record VARCHAR, vehicle_id VARCHAR)")
        if rows:
            from roadworn.checks.merged import resolved

            with self.con.appender("base.merged") as appender:
                appender.append_rows(sorted(resolved(dict(rows)).items()))

    def _make_wheels(self) -> None:
        """Fill base.wheel_places and base.wheel_ends: where tires sit now, and since when."""
        self._made |= {"base.wheel_places", "base.wheel_ends"}
        for statement in views_vehicles.WHEEL_TABLES:
            self.con.execute(statement)
        if self._moved:
            from roadworn.columns import views_wheels

            self.make(("base.known", "base.distances"))
            views_wheels.fill(self.con, self.tables)

    def _make_absent(self) -> None:
        """Fill base.absent: components that a vehicle does not have, by profile and record."""
        self.make(views_vehicles.SHOWN_BY)
        self.con.execute(views_vehicles.ABSENT)
        data = self.con.execute(views_vehicles.PROFILES_AND_SHOWN).fetchall()
        if not data:
            return
        from roadworn.trade.features import SAYS, absent_parts

        with self.con.appender("base.absent") as appender:
            for vehicle, shown, *profile in data:
                seen = {tuple(one) for one in shown or ()}
                lacking = absent_parts(dict(zip(SAYS, profile, strict=True)), seen)
                appender.append_rows([(vehicle, *one) for one in lacking])

    def _make_verdicts(self) -> None:
        """Fill base.odometer_verdicts for the vehicles whose readings contradict each other."""
        self.make(("base.odometer_points",))
        columns = ", ".join(f"{name} {kind}" for name, kind, _ in views_distance.VERDICTS)
        self.con.execute(f"CREATE TABLE base.odometer_verdicts ({columns})")
        most = self.options.most_km_per_day
        data = self.con.execute(
            "SELECT vehicle_id, seq, day, km, shift, coalesce(limit_km, 'nan') AS limit_km "
            f"FROM base.odometer_points WHERE vehicle_id IN ({views_distance.DOUBTFUL}) "
            "ORDER BY vehicle_id, occurred_at, seq",
            (most, most),
        ).fetchnumpy()
        vehicle = np.asarray(data["vehicle_id"], dtype=object)
        if not len(vehicle):
            return
        # Most ledgers have none that contradict each other.
        from roadworn.columns.settling import settle

        edges = np.flatnonzero(np.concatenate(([True], vehicle[1:] != vehicle[:-1], [True])))
        with self.con.appender("base.odometer_verdicts") as appender:
            for start, stop in itertools.pairwise(edges):
                part = slice(start, stop)
                verdicts = settle(
                    data["day"][part].astype(np.int64),
                    data["km"][part],
                    data["shift"][part],
                    data["limit_km"][part],
                    most,
                )
                appender.append_rows(
                    zip(
                        data["seq"][part].tolist(),
                        verdicts.rolled_km.tolist(),
                        verdicts.rolls.tolist(),
                        verdicts.flag,
                        verdicts.used.tolist(),
                        strict=True,
                    )
                )
