"""From a ledger file to folded tables: the cache, then the newest events straight from SQLite."""

import sqlite3
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.checkpoints import EMPTY, Checkpoint
from roadworn.columns import bulk
from roadworn.columns.cache import Cache
from roadworn.columns.fold import create_tables, fold_file, fold_rows
from roadworn.columns.spec import TableSpec
from roadworn.columns.transport import fetch
from roadworn.connection import connect, plain_failures
from roadworn.errors import EnvironmentFailure
from roadworn.registry import KindRegistry

if TYPE_CHECKING:
    import duckdb

Progress = Callable[[int, int], None]
#: From so many events on, writing text files for DuckDB is faster than going row by row.
BULK_ROWS = 10_000


def build(
    con: "duckdb.DuckDBPyConnection",
    path: Path,
    tables: Sequence[TableSpec],
    kinds: KindRegistry,
    *,
    use_cache: bool,
    progress: Progress | None,
) -> Checkpoint:
    """Fill the folded tables of a fresh connection; return the checkpoint they stand at.

    Raises:
        EnvironmentFailure: there is no such file, or it cannot be read.
        NotALedger, LedgerDamaged, LedgerRefused: it is no ledger, damaged, or too new.
        PluginFailure: a plugin's table cannot be folded.
    """
    create_tables(con, tables)
    with plain_failures(path):
        ledger = open_ledger(path)
        try:
            # One transaction, so that the checkpoint and the events are of one moment.
            ledger.execute("BEGIN")
            checkpoint = _latest(ledger)
            cache = Cache(path, tables, kinds) if use_cache else None
            done = cache.load(con, lambda c: _has(ledger, c)) if cache is not None else 0
            fold_tail(con, path, ledger, (done, checkpoint.size), tables, kinds, progress)
        finally:
            ledger.close()
    if cache is not None and cache.worth_saving(checkpoint):
        cache.save(con, checkpoint)
    return checkpoint


def fold_tail(
    con: "duckdb.DuckDBPyConnection",
    path: Path,
    ledger: sqlite3.Connection,
    span: tuple[int, int],
    tables: Sequence[TableSpec],
    kinds: KindRegistry,
    progress: Progress | None,
) -> None:
    """Fold the events with span[0] < seq <= span[1] into the tables."""
    done, size = span
    if size - done < BULK_ROWS:
        fold_rows(con, fetch(ledger, done, size, kinds), tables)
        return
    with bulk.chunks(lambda: open_ledger(path), done, size, kinds) as chunks:
        for chunk in chunks:
            if chunk.path is None:
                fold_rows(con, fetch(ledger, chunk.after, chunk.upto, kinds), tables)
            else:
                fold_file(con, chunk.path, tables)
            if progress is not None:
                progress(chunk.upto, size)


def load_payloads(
    con: "duckdb.DuckDBPyConnection", path: Path, size: int, kinds: KindRegistry
) -> None:
    """Fill raw.payloads from the ledger, for the rare query that asks for them."""
    with plain_failures(path):
        ledger = open_ledger(path)
        try:
            with con.appender("raw.payloads") as appender:
                for rows in fetch(ledger, 0, size, kinds):
                    appender.append_rows([(row[0], row[-1]) for row in rows])
        finally:
            ledger.close()


def open_ledger(path: Path) -> sqlite3.Connection:
    """Open the file read-only.

    Raises:
        EnvironmentFailure: there is no such file.
    """
    if not path.exists():
        raise EnvironmentFailure(
            f"There is no ledger at {path}: make one with `roadworn create`, "
            "or name another with --ledger."
        )
    return connect(path, writable=False)


def _latest(ledger: sqlite3.Connection) -> Checkpoint:
    query = "SELECT size, root FROM checkpoints ORDER BY size DESC LIMIT 1"
    row = ledger.execute(query).fetchone()
    return Checkpoint(*row) if row else EMPTY


def _has(ledger: sqlite3.Connection, checkpoint: Checkpoint) -> bool:
    query = "SELECT 1 FROM checkpoints WHERE size = ? AND root = ?"
    return ledger.execute(query, (checkpoint.size, checkpoint.root)).fetchone() is not None
