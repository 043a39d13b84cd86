"""Checking a ledger from the outside: was anything altered, removed, or slipped in?

`verify` trusts nothing it reads. It recomputes every leaf from the stored columns, rebuilds
the tree commit by commit against the checkpoints, compares with the checkpoint beside the
ledger, looks for gaps, compares every table, index and trigger with a new ledger's, and lets
SQLite check its own pages. What it finds are problems that name the event; only a file that is
no ledger at all is an error.

`back_up` makes a copy that is whole, named by its checkpoint, and verified before it is trusted.
"""

import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.model.messages import Problem
from roadworn.store import schema
from roadworn.store.merkle import Beside, CompactRange, beside, chain_of, read_beside
from roadworn.store.schema import connect, known_shape, plain_failures
from roadworn.store.stored_rows import Missing, StoredRows, Unreadable
from roadworn.store.whole import place_of, require_file
from roadworn.store.writer import Row

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

_BACKUP = "go on from a backup that verifies, and keep this file as evidence"
_OLDER = f"{_BACKUP}; if you put back a backup yourself, say so with `roadworn head --accept`"
_WHO = f"find out who wrote to the file; {_BACKUP}"


@dataclass(frozen=True, slots=True)
class VerifyReport:
    """What `verify` found.

    Attributes:
        size: number of events.
        root: root over them in hexadecimal, as it is computed from the stored leaves.
        problems: findings; empty when the ledger is whole.
        notes: what could not be checked.
    """

    size: int
    root: str
    problems: tuple[Problem, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outside:
    """A size and root of the ledger that were kept apart from it.

    Attributes:
        told: what they stand in, for a message: "the head in FILE".
        size: number of events then.
        root: root over them, in hexadecimal.
        copied: the ledger is a copy made elsewhere, so that it may lack the newest events.
    """

    told: str
    size: int
    root: str
    copied: bool = False


def verify(
    path: str | Path,
    *,
    progress: Callable[[int, int], None] | None = None,
    outside: Sequence[Outside] = (),
) -> VerifyReport:
    """Check every event, checkpoint and guard of a ledger.

    Args:
        path: the ledger.
        progress: called with (events done, events in all) now and then.
        outside: what the ledger was at earlier moments, from elsewhere, read before the call;
            without any, a history sealed anew as a whole goes unseen.

    Raises:
        EnvironmentFailure: the file cannot be read.
        NotALedger: it is something else.
        LedgerDamaged: it is so damaged that SQLite cannot even open it.
    """
    path = place_of(path)
    require_file(path)
    with plain_failures(path):
        connection = connect(path, writable=False)
    with closing(connection):
        check = _Check(path, connection, outside=outside)
        # In this order: whoever writes commits first and then says so beside the ledger, so
        # what was read there before the snapshot is never ahead of it.
        check.read_beside()
        with plain_failures(path):
            connection.begin_reading()
            check.shape = known_shape(path, connection)
        check.guards()
        check.schema()
        check.events(progress)
        check.beside()
        check.from_outside()
        check.pages()
        return check.report()


@dataclass
class _Check:
    """One run over one ledger."""

    path: Path
    connection: "Engine"
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    size: int = 0
    edge: CompactRange | None = field(default_factory=CompactRange)
    #: The tree as it would be with recomputed leaves, since the last row where the two differ.
    other: CompactRange | None = None
    #: Sizes of which somebody else knows the root, and the root that is found there.
    roots: dict[int, str] = field(default_factory=dict)
    outside: Sequence[Outside] = ()
    #: What stood beside the ledger when the run began, and whether that could be read.
    kept: Beside | None = None
    kept_readable: bool = True
    shape: int = schema.SHAPE
    lost_guards: frozenset[str] = frozenset()

    def read_beside(self) -> None:
        """Read the checkpoint beside the ledger, once."""
        try:
            self.kept = read_beside(self.path)
        except (ValueError, OSError):
            self.kept_readable = False

    def guards(self) -> None:
        """Look for missing or changed triggers."""
        try:
            missing = self.connection.missing_guards()
        except sqlite3.DatabaseError as error:
            self._page_problem(error)
            return
        self.lost_guards = frozenset(missing)
        for name in missing:
            message = f"The guard {name} was removed or changed."
            self._problem("guard-missing", message, _WHO)

    def schema(self) -> None:
        """Compare every table, index and trigger with those of a new ledger."""
        if self.shape < schema.SHAPE:
            self._not_older()
            self.notes.append(
                "The ledger has the shape of an older Roadworn, so its tables were not compared "
                "with a new one's: `roadworn verify --upgrade` brings it up to date."
            )
            return
        try:
            found = self.connection.found_schema()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            self._page_problem(error)
            return
        wanted = self.connection.wanted_schema()
        for kind, name in sorted(wanted.keys() | found.keys()):
            if name in self.lost_guards and kind in ("trigger", "routine"):
                continue  # told as a guard
            told = f"{kind} {_readable(name)}"
            if (kind, name) not in found:
                self._problem("schema-missing", f"The {told} was taken out.", _WHO)
            elif (kind, name) not in wanted:
                message = f"The {told} is none of the ledger's: something else put it in."
                self._problem("schema-extra", message, _WHO)
            elif found[kind, name] != wanted[kind, name]:
                self._problem("schema-changed", f"The {told} is not as it was made.", _WHO)

    def _not_older(self) -> None:
        """Tell of rows that no ledger of an older shape has, and that are not read in one.

        An empty table may be of an upgrade that was stopped midway.
        """
        try:
            there = {name for _, name in self.connection.found_schema()}
            for table in schema.SINCE_FIRST:
                if table not in there:
                    continue
                if self.connection.execute(f"SELECT 1 FROM {table} LIMIT 1").fetchone():
                    message = (
                        "The number of the ledger's shape was set back: as an older one it would "
                        f"have no {table}, and it has some."
                    )
                    self._problem("schema-changed", message, _WHO)
                    return
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            self._page_problem(error)

    def events(self, progress: Callable[[int, int], None] | None) -> None:
        """Check each event, and the tree at each commit."""
        marks = {size: (root, peaks) for size, root, peaks in self._checkpoints()}
        since, wanted = 0, {head.size for head in self.outside}
        if self.kept is not None:
            wanted.add(self.kept.size)
        rows = StoredRows(self.connection, last=max(marks, default=0))
        for seq, row in rows:
            self._row(seq, row)
            covered = range(seq, row.last + 1) if isinstance(row, Missing) else (seq,)
            for size in covered:
                if size in marks:
                    self._commit(since, size, *marks[size])
                    since = size
                if size in wanted and self.edge is not None:
                    self.roots[size] = self.edge.root().hex()
            if progress is not None and seq % 10_000 == 0:
                progress(seq, rows.last)
        if self.size > since:
            message = f"Events {since + 1} to {self.size} were written without a checkpoint."
            self._problem("no-checkpoint", message, _BACKUP, row=since + 1)

    def beside(self) -> None:
        """Compare with the checkpoint that is kept beside the ledger."""
        file = beside(self.path).name
        kept = self.kept
        if not self.kept_readable:
            self._problem("checkpoint-unreadable", f"{file} cannot be read.", f"look at {file}")
            return
        if kept is None:
            if self.size:
                self.notes.append(
                    f"There is no {file} beside the ledger, so a cut-off tail would not be seen."
                )
            return
        if kept.size > self.size:
            message = (
                f"Events {self.size + 1} to {kept.size} are missing: {file} was written when the "
                f"ledger had {kept.size} events, now it has {self.size}."
            )
            hint = f"if you put back an older copy yourself, remove {file}; otherwise {_BACKUP}"
            self._problem("cut-off", message, hint, row=self.size + 1)
        elif kept.size and self.roots.get(kept.size, kept.root) != kept.root:
            message = f"The first {kept.size} events are not those that {file} was written for."
            self._problem("other-history", message, _BACKUP, row=kept.size)
        elif (
            kept.chain
            and not self.told("checkpoint-altered")
            and (self._chain(kept.size) != kept.chain)
        ):
            message = (
                f"The checkpoints up to event {kept.size} are not those that {file} was written "
                "for: one was taken out, put in or changed."
            )
            self._problem("checkpoints-changed", message, _BACKUP, row=kept.size)

    def from_outside(self) -> None:
        """Compare with what was kept apart from the ledger."""
        for head in self.outside:
            if head.size > self.size:
                first = self.size + 1
                which = (
                    f"Event {first} is"
                    if first == head.size
                    else (f"Events {first} to {head.size} are")
                )
                message = (
                    f"{which} missing: {head.told} was made when the ledger had {head.size} "
                    f"events, now it has {self.size}."
                )
                if head.copied:
                    self.notes.append(f"It is a copy from before. {message}")
                else:
                    self._problem("older-copy", message, _OLDER, row=first)
            elif head.size and self.roots.get(head.size, head.root) != head.root:
                message = f"The first {head.size} events are not those that {head.told} is of."
                self._problem("resealed", message, _BACKUP, row=head.size)

    def _chain(self, upto: int) -> str:
        try:
            return chain_of(self.connection, upto)
        except (sqlite3.DatabaseError, UnicodeDecodeError, TypeError):
            return "unreadable"

    def pages(self) -> None:
        """Let the engine check its own structures, indexes included."""
        try:
            found = self.connection.damages()
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            self._page_problem(error)
            return
        for line in found:
            self._problem("file-damaged", line, _BACKUP)

    def report(self) -> VerifyReport:
        """Return what was found, in the order of events."""
        root = self.edge.root().hex() if self.edge is not None else "unknown"
        problems = sorted(self.problems, key=lambda problem: problem.row)
        return VerifyReport(self.size, root, tuple(problems), tuple(self.notes))

    def _row(self, seq: int, row: Row | Unreadable | Missing) -> None:
        """Check one event."""
        if isinstance(row, Missing):
            which = f"Event {seq} is" if row.last == seq else f"Events {seq} to {row.last} are"
            self._problem("missing", f"{which} missing.", _BACKUP, row=seq)
            self.edge = self.other = None
            return
        self.size = seq
        if isinstance(row, Unreadable):
            message = f"Event {seq} ({_readable(row.event_id)}) cannot be read."
            self._problem("unreadable", message, _BACKUP, row=seq)
            self.edge = self.other = None
            return
        leaf = _leaf_of(row)
        if leaf != row.leaf:
            message = f"Event {seq} ({_readable(row.event_id)}) is not as it was recorded."
            self._problem("altered", message, _BACKUP, row=seq)
            if self.edge is not None and self.other is None:
                self.other = CompactRange(self.edge.size, self.edge.peaks)
        if self.other is not None:
            self.other.append(leaf or b"")
        if self.edge is not None:
            self.edge.append(_as_bytes(row.leaf))

    def _commit(self, since: int, size: int, root: str, peaks: bytes) -> None:
        """Compare the tree with a checkpoint, and go on from the checkpoint's own edge."""
        try:
            stored = CompactRange.parse(size, peaks)
        except ValueError:
            stored = None
        if stored is None or stored.root().hex() != root:
            message = f"The checkpoint of {size} events is not as it was written."
            self._problem("checkpoint-altered", message, _BACKUP, row=size)
            stored = self.edge
        # Either the columns of an altered row or its leaf may be what was recorded.
        roots = {edge.root().hex() for edge in (self.edge, self.other) if edge is not None}
        if roots and stored is not None and stored.root().hex() not in roots:
            first = since + 1
            which = f"Event {size}" if size == first else f"One of the events {first} to {size}"
            message = f"{which} is not the one that was recorded."
            self._problem("replaced", message, _BACKUP, row=first)
        self.edge, self.other = stored, None

    def _checkpoints(self) -> list[tuple[int, str, bytes]]:
        try:
            return [
                (size, str(root), bytes(peaks))
                for size, root, peaks in self.connection.execute(
                    "SELECT size, root, peaks FROM checkpoints ORDER BY size"
                )
            ]
        except (sqlite3.DatabaseError, UnicodeDecodeError, TypeError) as error:
            self._page_problem(error)
            return []

    def told(self, code: str) -> bool:
        """Return whether a problem of that code was found already."""
        return any(problem.code == code for problem in self.problems)

    def _page_problem(self, error: Exception) -> None:
        self._problem("file-damaged", f"Part of the file cannot be read: {error}.", _BACKUP)

    def _problem(self, code: str, message: str, hint: str, row: int = 0) -> None:
        self.problems.append(Problem(code, message, hint, self.path.name, row))


def _leaf_of(row: Row) -> bytes | None:
    """Return the leaf that the row's columns give, or None when they are no texts at all."""
    try:
        return row.sealed().leaf
    except (TypeError, ValueError):
        return None


def _as_bytes(leaf: object) -> bytes:
    """Return a stored leaf, or nothing when a flipped byte made it another type."""
    return leaf if isinstance(leaf, bytes) else b""


def _readable(event_id: object) -> str:
    """Return an id for a message, or a word when its bytes are no id any more."""
    text = str(event_id)
    return text if text.isascii() and text.isprintable() and text else "id not readable"
