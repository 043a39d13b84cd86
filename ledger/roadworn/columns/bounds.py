"""Bounds on the time and the memory of a query that a person wrote."""

import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.columns.spec import Rows
from roadworn.model.errors import UsageError

if TYPE_CHECKING:
    import duckdb

_PIECE_ROWS = 10_000
_LOOK_SECONDS = 0.05
_MEGABYTE = 1 << 20
#: Resident pages of this process come second; Linux only, elsewhere only time is bounded.
_PAGES = Path("/proc/self/statm")


def rows_within(
    con: "duckdb.DuckDBPyConnection", query: str, seconds: float, megabytes: float
) -> Rows:
    """Return the rows of a query that may change nothing.

    Args:
        con: the connection, on no other query.
        query: one statement.
        seconds: the most it may take; no bound when 0.
        megabytes: the most that the process may grow by; no bound when 0.

    Raises:
        UsageError: it was stopped at a bound.
        KeyboardInterrupt: it was stopped by hand.
        duckdb.Error: it cannot be run.
    """
    import duckdb

    # EXPLAIN ANALYZE runs what it explains, so the transaction is read only as well.
    con.execute("BEGIN TRANSACTION READ ONLY")
    try:
        with _bounded(con, seconds, megabytes):
            cursor = con.execute(query)
            columns = tuple(column[0] for column in cursor.description or ())
            rows: list[tuple[Any, ...]] = []
            # In pieces, since the one who watches has no turn while a piece is made into rows.
            while piece := cursor.fetchmany(_PIECE_ROWS):
                rows += piece
            return Rows(columns, rows)
    except RuntimeError as error:
        # So DuckDB says that Ctrl-C was pressed.
        if isinstance(error, duckdb.Error) or "interrupted" not in str(error):
            raise
        raise KeyboardInterrupt from error
    finally:
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")


@contextmanager
def _bounded(con: "duckdb.DuckDBPyConnection", seconds: float, megabytes: float) -> Iterator[None]:
    """Interrupt what a connection runs when it takes too long or too much.

    Args:
        con: the connection; what runs on it meanwhile raises ``duckdb.InterruptException``.
        seconds: the most it may take; no bound when 0.
        megabytes: the most that the whole process may grow by; no bound when 0, or when the
            system does not tell.

    Raises:
        UsageError: it was interrupted for that.
    """
    done, passed = threading.Event(), threading.Event()
    reasons: list[str] = []
    before = _resident()
    until = time.monotonic() + seconds

    def watch() -> None:
        while not done.wait(_LOOK_SECONDS):
            if seconds and time.monotonic() > until:
                reasons.append(f"took longer than {seconds:g} seconds (--seconds)")
            elif megabytes and _resident() - before > megabytes * _MEGABYTE:
                reasons.append(f"took more memory than {megabytes:g} MB (--memory)")
            if reasons:
                passed.set()
                con.interrupt()

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    except Exception:
        if not passed.is_set():
            raise
    finally:
        done.set()
        watcher.join()
    if reasons:
        raise UsageError(
            f"The query {reasons[0]} and was stopped: narrow it with WHERE or LIMIT, or allow more."
        )


def _resident() -> int:
    """Return how many bytes of memory this process holds, 0 when the system does not tell."""
    try:
        return int(_PAGES.read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, AttributeError):
        return 0
