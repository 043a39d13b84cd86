"""A ledger on a PostgreSQL server: several people and machines write at once.

`ServerEngine` speaks as a connection of SQLite does, in the few words of `Engine`, so that nothing
above knows which of the two it asks. Who may read, write or administer is decided by the account's
roles (`roadworn.store.server_schema`), and an event carries the name of the account.
"""

import re
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from roadworn.model.errors import (
    EnvironmentFailure,
    LedgerBusy,
    LedgerDamaged,
    LedgerRefused,
    Outdated,
)
from roadworn.model.events import StoredEvent
from roadworn.store import server_schema
from roadworn.store.copying import copy_rows
from roadworn.store.engine import ServerTrouble
from roadworn.store.server_schema import ALL, SCHEMA, VEHICLE
from roadworn.store.whole import url_of

if TYPE_CHECKING:
    import psycopg

    from roadworn.store.engine import Engine, Given

_SECONDS_TO_CONNECT = 10
#: How long to wait for others who write.
_BUSY_SECONDS = 20
EVENT_COLUMNS = tuple(StoredEvent.__dataclass_fields__)


#: Classes of codes: connection, authorisation, no such database, shutting down.
_UNREACHABLE = ("08", "28", "3D", "57")


class Refusal(ServerTrouble):
    """An error of the server, by its code (PostgreSQL manual, appendix A)."""

    def __init__(self, error: Exception) -> None:
        diag = getattr(error, "diag", None)
        told = getattr(diag, "message_primary", None) or str(error).strip().splitlines()[0]
        super().__init__(told)
        self.told = told
        self.code = getattr(error, "sqlstate", None) or ""

    def plain(self, path: Path) -> Exception:
        """Return it as Roadworn's own error about the ledger that `path` leads to."""
        where = url_of(path) or str(path)
        if self.code in ("55P03", "40P01"):
            return LedgerBusy(
                f"Others have been writing to {where} for more than {_BUSY_SECONDS} seconds: "
                "wait for them to finish, then try again; nothing was changed."
            )
        if self.code == "42501":
            return LedgerRefused(
                f"Your account may not do that on {where} ({self.told}): ask who administers the "
                "server for the role of a writer or an administrator."
            )
        if self.code == "RW001":
            return LedgerRefused(f"{where} refused it ({self.told}).")
        if self.code in ("42P01", "42703", "42883"):
            return LedgerDamaged(
                f"{where} does not have the tables of a ledger ({self.told}): "
                "take a backup from before they were changed."
            )
        if self.code.startswith(("22", "23")) or "NUL" in self.told:
            return LedgerRefused(
                f"{where} cannot hold what was to be written ({self.told}): nothing was changed."
            )
        if self.code == "42P06":
            return LedgerRefused(
                f"{where} has something else under the name {SCHEMA}: choose another database."
            )
        if self.code == "53100":
            return EnvironmentFailure(
                f"The disk of {where} is full: make room and try again; nothing was changed."
            )
        if self.code and not self.code.startswith(_UNREACHABLE):
            return EnvironmentFailure(
                f"The server of {where} could not do it ({self.told}): see its log; nothing was "
                "changed."
            )
        return EnvironmentFailure(
            f"{where} cannot be reached ({self.told}): see whether the server runs, and whether "
            "the account and its password in ~/.pgpass are right."
        )


#: Positional and named parameters as SQLite has them; no text of ours holds either sign.
_PARAMETER = re.compile(r"\?|(?<!:):([a-z]\w*)")


#: Of a group with one max(), SQLite takes the other columns from the row that has it.
_NEWEST = re.compile(r"SELECT (\w+), (.*), max\((\w+)\) (FROM .*) GROUP BY \1")


@cache
def _worded(sql: str) -> str:
    """Return a statement as psycopg reads it, and what only SQLite understands in other words."""
    told = _NEWEST.sub(r"SELECT DISTINCT ON (\1) \1, \2, \3 \4 ORDER BY \1, \3 DESC", sql)
    told = told.replace("%", "%%").replace(" IS ?", " IS NOT DISTINCT FROM ?")
    return _PARAMETER.sub(lambda found: f"%({found[1]})s" if found[1] else "%s", told)


_COLUMNS = ", ".join(EVENT_COLUMNS)
_KEY = EVENT_COLUMNS.index("intake_key") - 1
_QUEUED = ", ".join(EVENT_COLUMNS[1:])
_MARKS = ", ".join("?" * (len(EVENT_COLUMNS) - 1))
#: One message: put it in, take whatever waits, and let the next writer of the vehicle go on. Only
#: the last commit waits for the disk, and the log in front of it goes there with it.
_QUEUE = (
    "BEGIN; SET LOCAL synchronous_commit = off; "
    f"INSERT INTO inbox ({_QUEUED}) SELECT {_MARKS}{{}}; COMMIT; "
    "BEGIN; SELECT seal(?); COMMIT; SELECT pg_advisory_unlock_all()"
)
_TURN = f"SELECT pg_advisory_lock_shared({ALL}), pg_advisory_lock({VEHICLE}, hashtext(?)); "
_LEFT = "EXISTS (SELECT 1 FROM inbox WHERE vehicle_id = ?)"
#: Then what a program left behind that ended between the two is looked for.
_LOCK = f"{_TURN}SELECT {_LEFT}"
#: A question whose answer is whether there is something.
_IS_THERE = re.compile(r"SELECT 1 FROM .* LIMIT 1", re.DOTALL)


class _Learnt:
    """An answer that is taken for what it was the last time."""

    def __init__(self, rows: list[tuple[int]]) -> None:
        self._rows = rows

    def fetchall(self) -> list[tuple[int]]:
        return self._rows


class ServerEngine:
    """One connection to a ledger on a server; see `roadworn.store.engine.Engine`."""

    writes_text = False
    # Every machine that writes keeps one.
    beside_seconds = 10.0
    insert_sql = f"INSERT INTO events ({_COLUMNS}) VALUES ({', '.join('?' * len(EVENT_COLUMNS))})"

    def __init__(self, connection: "psycopg.Connection[Any]") -> None:
        self._connection = connection
        self._holds = False
        self._known: str | None = None
        #: The vehicle that an event is about to be written of, or nothing.
        self._vehicle = ""
        #: What the last such event asked: question, with its values -> whether there was something.
        self._learnt: dict[tuple[str, tuple[Any, ...]], bool] = {}
        #: Which of that the present one rests on, or None where it asks.
        self._supposed: dict[tuple[str, tuple[Any, ...]], bool] | None = None

    @classmethod
    def open(cls, url: str) -> Self:
        """Connect.

        Raises:
            EnvironmentFailure: psycopg is not installed.
            Refusal: wrap the call in `plain_failures`.
        """
        try:
            import psycopg
        except ImportError:
            raise EnvironmentFailure(
                'A ledger on a server needs one more library: `pip install "roadworn[postgres]"`.'
            ) from None
        try:
            connection = psycopg.connect(
                url,
                autocommit=True,
                # Values go within the statement, so that several can go in one message.
                cursor_factory=psycopg.ClientCursor,
                connect_timeout=_SECONDS_TO_CONNECT,
                application_name="roadworn",
                options=f"-c search_path={SCHEMA},pg_catalog,pg_temp -c TimeZone=UTC "
                f"-c lock_timeout={_BUSY_SECONDS * 1000} -c client_min_messages=warning",
            )
        except psycopg.Error as error:
            raise Refusal(error) from error
        return cls(connection)

    @property
    def in_transaction(self) -> bool:
        """Whether one was begun."""
        return self._connection.info.transaction_status != 0

    @property
    def account(self) -> str:
        """The name of the account; empty for an administrator, who copies what others wrote."""
        if self._known is None:
            (name, may) = self.execute("SELECT session_user, of_administrator()").fetchone()
            self._known = "" if may else str(name)
        return self._known

    def execute(self, sql: str, parameters: "Given" = ()) -> Any:  # noqa: ANN401  # a cursor
        """Run a statement with SQLite's signs for parameters; returns the last of its answers."""
        import psycopg

        key = (sql, tuple(parameters))
        if self._supposed is not None:
            if key not in self._learnt:
                raise Outdated
            self._supposed[key] = self._learnt[key]
            return _Learnt([(1,)] * self._learnt[key])
        cursor = self._sent(sql, parameters)
        try:
            while cursor.nextset():
                pass
        except psycopg.Error as error:
            raise Refusal(error) from error
        if self._vehicle and _IS_THERE.fullmatch(sql):
            self._learnt[key] = cursor.rowcount > 0
        return cursor

    def _sent(self, sql: str, parameters: "Given") -> "psycopg.Cursor[Any]":
        import psycopg

        told = _worded(sql) if parameters else sql
        try:
            return self._connection.execute(told, parameters or None)
        except psycopg.Error as error:
            raise Refusal(error) from error

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]]) -> Any:  # noqa: ANN401
        """Run a statement with each of many rows; an INSERT of plain rows goes by COPY."""
        import psycopg

        plain = re.fullmatch(r"INSERT INTO (\w+) \(([\w, ]+)\) VALUES \([?, ]+\)", sql)
        cursor = self._connection.cursor()
        try:
            if plain is None:
                cursor.executemany(_worded(sql), parameters)
                return cursor
            with cursor.copy(f"COPY {plain[1]} ({plain[2]}) FROM STDIN") as copy:
                for row in parameters:
                    copy.write_row(row)
        except psycopg.Error as error:
            raise Refusal(error) from error
        return cursor

    def close(self) -> None:
        """End the connection; may be repeated."""
        self._connection.close()

    def shape(self) -> int | None:
        """Return the ledger's shape number, or None when there is no ledger."""
        there = self.execute("SELECT to_regclass(?) IS NOT NULL", (f"{SCHEMA}.shape",)).fetchone()
        if not there[0]:
            return None
        return int(self.execute("SELECT max(number) FROM shape").fetchone()[0])

    def upgrade(self) -> None:
        """Make the tables of a new ledger, with guards, roles and rights."""
        self.make()

    def make(self, source: "Engine | None" = None) -> None:
        """Make a ledger where there is none, with all that another one holds.

        Args:
            source: the other one, or None for an empty ledger.

        Raises:
            EnvironmentFailure: the database is not in UTF-8.
        """
        (encoding,) = self.execute("SHOW server_encoding").fetchone()
        if encoding != "UTF8":
            raise EnvironmentFailure(
                f"The database is in {encoding} and could not hold every text: make it anew with "
                "`createdb --encoding UTF8 --template template0`."
            )
        database = self._database()
        self.execute("BEGIN")
        try:
            for statement in server_schema.tables(database):
                self.execute(statement)
            if source is not None:
                copy_rows(source, self)
            for statement in server_schema.guards(database):
                self.execute(statement)
            self.execute("COMMIT")
        except BaseException:
            self.end_writing(kept=False)
            raise

    def missing_guards(self) -> list[str]:
        """Return the names of triggers and routines that are not as they should be, sorted."""
        found = self.found_schema()
        return sorted(
            name
            for (kind, name), made in server_schema.wanted().items()
            if kind in ("trigger", "routine") and found.get((kind, name)) != made
        )

    def extra_triggers(self) -> list[str]:
        """Return the names of triggers and rules that no Roadworn made, sorted."""
        wanted = server_schema.wanted()
        return sorted(
            name
            for kind, name in self.found_schema()
            if kind in ("trigger", "rule") and (kind, name) not in wanted
        )

    def found_schema(self) -> dict[tuple[str, str], str]:
        """Return (type, name) -> definition of everything there is, rights of accounts included."""
        own = f"{self._database()}_"
        return {
            (kind, name.replace('"', "").removeprefix(own)): made
            for kind, name, made in self.execute(server_schema.FOUND)
        }

    def wanted_schema(self) -> dict[tuple[str, str], str]:
        """Return what `found_schema` gives for a new ledger."""
        return server_schema.wanted()

    def damages(self) -> list[str]:
        """Return nothing: the server's own files are the server's to check (`pg_amcheck`)."""
        return []

    def may_read(self, table: str) -> bool:
        """Return whether the account may read a table."""
        return bool(self.execute("SELECT has_table_privilege(?, 'SELECT')", (table,)).fetchone()[0])

    def begin_reading(self) -> None:
        """Begin a transaction that sees one commit, whatever is written meanwhile."""
        self.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")

    def begin_writing(self, vehicle: str = "") -> bool:
        """Wait for whoever writes of the vehicle, or for everybody; they queue in order."""
        try:
            if vehicle and self._learnt and self._known is not None:
                self._vehicle, self._supposed = vehicle, {}
            elif vehicle:
                self._vehicle = vehicle
                self.ask_again()
            else:
                self.execute(f"BEGIN; SELECT pg_advisory_xact_lock({ALL})")
                self.execute("SELECT seal('')")
        except BaseException:
            self.end_writing(kept=False)
            raise
        return False

    def queues(self, vehicle: str) -> bool:
        """Return whether an event of that vehicle goes through `queue`."""
        return bool(vehicle)

    def queue(self, columns: Sequence[Any]) -> int | None:
        """Hand over one event without its number, and return the number that it was given."""
        holds: list[str] = []
        values: list[Any] = []
        if self._supposed is not None:
            self._holds = True
            holds.append(f"NOT {_LEFT}")
            values.append(self._vehicle)
            for (sql, asked), there in self._supposed.items():
                holds.append(f"{'' if there else 'NOT '}EXISTS ({sql})")
                values += asked
        where = f" WHERE {' AND '.join(holds)}" if holds else ""
        turn, whose = (_TURN, (self._vehicle,)) if holds else ("", ())
        cursor = self._sent(turn + _QUEUE.format(where), (*whose, *columns, *values, columns[0]))
        if holds:
            cursor.nextset()
        while cursor.description is None:  # of what has no rows
            cursor.nextset()
        (seq,) = cursor.fetchone() or (None,)
        self._holds = False
        if self._supposed is not None:
            self._learnt = self._supposed
        return None if seq is None else int(seq)

    @property
    def supposes(self) -> bool:
        """Whether what was asked since `begin_writing` was taken for what it was before."""
        return self._supposed is not None

    def ask_again(self) -> None:
        """Wait for whoever writes of the vehicle, and ask from now on."""
        self._supposed, self._learnt, self._holds = None, {}, True
        if self.execute(_LOCK, (self._vehicle, self._vehicle)).fetchone()[0]:
            self.execute("SELECT seal('')")

    def end_writing(self, *, kept: bool) -> None:
        """Commit or roll back, and let go of what only this connection may write."""
        self._vehicle, self._supposed = "", None
        if self._connection.closed:
            return
        if self.in_transaction:
            self.execute("COMMIT" if kept else "ROLLBACK")
        if self._holds:
            self.execute("SELECT pg_advisory_unlock_all()")
            self._holds = False

    def let_others(self) -> None:
        """Do nothing: whoever waits is in the server's queue."""

    def others_wait(self) -> bool:
        """Return True: who waits is in the server's queue, which not every account may see."""
        return True

    def insert_rows(self, after: int, rows: Sequence[tuple[Any, ...]]) -> int:
        """Insert events; return how many stood in front of the first that is there already."""
        keys = [row[_KEY] for row in rows if row[_KEY] is not None]
        there = self._there("event_id", [row[0] for row in rows])
        taken = self._there("intake_key", keys)
        count = 0
        for row in rows:
            if row[0] in there or row[_KEY] in taken:
                break
            there.add(row[0])
            if row[_KEY] is not None:
                taken.add(row[_KEY])
            count += 1
        numbered = ((seq, *row) for seq, row in enumerate(rows[:count], after + 1))
        if count:
            self.executemany(self.insert_sql, numbered)
        return count

    def empty_log(self, seconds: float) -> bool:  # noqa: ARG002  # the server's log is its own
        """Do nothing: what a sealed contact was is unreadable without its key."""
        return True

    def _there(self, column: str, values: list[str]) -> set[str]:
        found = self.execute(f"SELECT {column} FROM events WHERE {column} = ANY(?)", (values,))
        return {value for (value,) in found}

    def _database(self) -> str:
        return str(self._connection.info.dbname)
