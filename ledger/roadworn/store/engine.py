"""What a ledger stands in: one file of SQLite, or a PostgreSQL server behind the same few calls.

Everything above speaks plain SQL through `execute`; what the two do differently are the methods
of `Engine`. `roadworn.store.schema.FileEngine` is the file, `roadworn.store.server.ServerEngine`
the server. Errors of both are SQLite's, and `plain_failures` turns them into sentences.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol


class Engine(Protocol):
    """What a ledger is asked and told through; positional parameters stand as ``?``.

    Attributes:
        in_transaction: whether one was begun.
        account: under which events are written, whatever they say themselves; empty for theirs.
        insert_sql: inserts one event, its number first, and changes nothing when it is refused.
        writes_text: whether it can join many events into one text for `roadworn.columns.fold`.
        beside_seconds: how old the checkpoint beside it may get while a program keeps writing.
    """

    @property
    def insert_sql(self) -> str:
        """The statement that inserts one event."""

    @property
    def beside_seconds(self) -> float:
        """How old the checkpoint beside it may get."""

    @property
    def writes_text(self) -> bool:
        """Whether it joins events into a text."""

    @property
    def in_transaction(self) -> bool:
        """Whether one was begun."""

    @property
    def account(self) -> str:
        """Under which name events are written."""

    def execute(self, sql: str, parameters: "Given" = ..., /) -> "Answer":
        """Run a statement; return its answer."""

    def executemany(self, sql: str, parameters: Iterable[Sequence[Any]], /) -> "Answer":
        """Run a statement with each of many rows."""

    def close(self) -> None:
        """Let go of it; may be repeated."""

    def shape(self) -> int | None:
        """Return the ledger's shape number, or None when this is no ledger."""

    def upgrade(self) -> None:
        """Bring what is new or older to the present shape; payloads are never touched."""

    def missing_guards(self) -> list[str]:
        """Return the names of guards that are not there as they should be, sorted."""

    def extra_triggers(self) -> list[str]:
        """Return the names of triggers that no Roadworn made, sorted; any may swallow an event."""

    def found_schema(self) -> dict[tuple[str, str], str]:
        """Return (type, name) -> definition of everything there is."""

    def wanted_schema(self) -> dict[tuple[str, str], str]:
        """Return what `found_schema` gives for a new ledger of the present shape."""

    def damages(self) -> list[str]:
        """Let the engine check its own structures; return what it finds."""

    def may_read(self, table: str) -> bool:
        """Return whether whoever asks may read a table."""

    def begin_reading(self) -> None:
        """Begin a transaction that sees one commit, whatever is written meanwhile."""

    def begin_writing(self, vehicle: str = "") -> bool:
        """Begin a write transaction; return whether somebody else was writing.

        Args:
            vehicle: the only one that an event is written of, where others may go on meanwhile.
        """

    def queues(self, vehicle: str) -> bool:
        """Return whether an event of that vehicle goes through `queue`."""

    def queue(self, columns: Sequence[Any]) -> int | None:
        """Hand over one event without its number, and return the number that it was given.

        None means that another writer's event with its id or key was faster, or that something
        was not as it was supposed.
        """

    @property
    def supposes(self) -> bool:
        """Whether what was asked since `begin_writing` was taken for what it was before.

        `queue` then asks on the way, and takes the event only where all of it still holds.
        """

    def ask_again(self) -> None:
        """Suppose nothing from here to `end_writing`."""

    def end_writing(self, *, kept: bool) -> None:
        """Commit, or roll back."""

    def let_others(self) -> None:
        """Let whoever waits write first."""

    def others_wait(self) -> bool:
        """Return whether somebody waits to write, or nobody can tell."""

    def insert_rows(self, after: int, rows: Sequence[tuple[Any, ...]]) -> int:
        """Insert events, the first with the number `after` + 1; return how many.

        They are all of them, or those in front of the first whose id or key is there already.
        """

    def empty_log(self, seconds: float) -> bool:
        """Take what was erased out of the log, too; False when a reader stands in the way.

        Args:
            seconds: how long to wait for readers.
        """


Given = Sequence[Any] | Mapping[str, Any]


class Answer(Protocol):
    """Rows that an `Engine` gives."""

    @property
    def rowcount(self) -> int:
        """How many rows were changed."""

    def fetchone(self) -> Any:  # noqa: ANN401  # as in every database of Python
        """Return the next row, or None."""

    def fetchmany(self, size: int, /) -> list[Any]:
        """Return the next rows."""

    def fetchall(self) -> list[Any]:
        """Return the rest of the rows."""

    def __iter__(self) -> Iterator[Any]: ...


class ServerTrouble(sqlite3.DatabaseError):
    """What a server refused or failed at."""

    def plain(self, path: Path) -> Exception:
        """Return it as Roadworn's own error about the ledger that `path` leads to."""
        raise NotImplementedError
