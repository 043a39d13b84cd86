"""Runs the code of others: nothing it prints reaches the data, and nothing waits for it for ever.

Standard output is data, so what foreign code prints goes to standard error: what Python prints,
and what a library or a child process writes to the descriptor itself. A limit of time is kept by
a thread that is given up; threads are the same on every system, and a signal would reach the main
thread alone, which a page that serves several does not have. A loop inside a compiled library
cannot be left that way: that takes a process of its own (`roadworn.analysis.apart`).
"""

import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from contextvars import copy_context
from functools import partial
from typing import IO, TYPE_CHECKING, Any, Final, TypeVar

from roadworn.columns.keeping import ONLY_READING
from roadworn.model.errors import LedgerRefused, PluginFailure, QueryError, RoadwornError

if TYPE_CHECKING:
    from pathlib import Path

Given = TypeVar("Given")

#: Seconds after which a plugin that is imported, or a hook of it, is given up.
IMPORT_LIMIT: Final = 20.0
HOOK_LIMIT: Final = 5.0


class TookTooLong(Exception):
    """Foreign code did not come back in time; it may still be running.

    Attributes:
        thread: in which.
    """

    def __init__(self, message: str, thread: threading.Thread) -> None:
        super().__init__(message)
        self.thread = thread


class _Kept:
    """How many are keeping standard output, and what it was before the first of them."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.depth = 0
        self.stream: IO[str] | None = None
        self.descriptor: int | None = None


_kept = _Kept()
#: Threads that were given up; what they still print is no data either.
_given_up: set[int | None] = set()


class _Sorting:
    """Standard output for all but the threads that were given up."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write to standard output, or to standard error for a thread that was given up."""
        stray = threading.get_ident() in _given_up
        return (sys.stderr if stray else self._stream).write(text)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401
        return getattr(self._stream, name)


@contextmanager
def stdout_kept() -> Iterator[None]:
    """Send to standard error whatever is printed meanwhile; several threads may ask at once."""
    with _kept.lock:
        _kept.depth += 1
        if _kept.depth == 1:
            with suppress(OSError, ValueError):
                sys.stdout.flush()
            _kept.stream, sys.stdout = sys.stdout, sys.stderr
            _kept.descriptor = _swapped()
    try:
        yield
    finally:
        with _kept.lock:
            _kept.depth -= 1
            if _kept.depth == 0:
                if _kept.descriptor is not None:
                    os.dup2(_kept.descriptor, 1)
                    os.close(_kept.descriptor)
                if _kept.stream is not None:
                    sys.stdout = _kept.stream
                _kept.stream = _kept.descriptor = None


def _swapped() -> int | None:
    """Point descriptor 1 at standard error; return a copy of what it was, None when closed."""
    try:
        before = os.dup(1)
        os.dup2(2, 1)
    except OSError:
        return None
    return before


def guarded(work: Callable[[], Given], seconds: float) -> Given:
    """Run foreign code with standard output kept and the ledger closed to it, for so long.

    Raises:
        TookTooLong: it was given up.
        BaseException: whatever it raised.
    """
    outcome: dict[str, Any] = {}

    def target() -> None:
        try:
            # In a context of its own, which ends with the thread.
            ONLY_READING.set(True)
            outcome["result"] = work()
        # Carried over to the thread that waits.
        except BaseException as error:  # noqa: BLE001
            outcome["error"] = error

    # A daemon thread: what never comes back must not keep the program alive.
    run = partial(copy_context().run, target)
    thread = threading.Thread(target=run, name="plugin", daemon=True)
    with stdout_kept():
        thread.start()
        thread.join(seconds)
    if thread.is_alive():
        _given_up.add(thread.ident)
        if not isinstance(sys.stdout, _Sorting):
            sys.stdout = _Sorting(sys.stdout)
        raise TookTooLong(f"it took longer than {seconds:g} s", thread)
    if "error" in outcome:
        raise outcome["error"]
    found: Given = outcome["result"]
    return found


class Size:
    """How many events a ledger has, asked before foreign code runs and behind it.

    What Roadworn's own calls write is refused meanwhile; what goes past them, a library of the
    database or a process of the plugin's own, is seen here.
    """

    def __init__(self, path: "Path | None") -> None:
        # Exported columns are a folder, and nothing is written there.
        self._path = None if path is None or path.is_dir() else path
        self._before = self._asked()

    def more(self) -> int:
        """Return how many were written since."""
        return self._asked() - self._before

    def _asked(self) -> int:
        if self._path is None:
            return 0
        from roadworn.columns.build import open_ledger

        with closing(open_ledger(self._path)) as ledger:
            ((size,),) = ledger.execute("SELECT coalesce(max(seq), 0) FROM events").fetchall()
            return int(size)


def run_within(
    work: Callable[[], object],
    limit: float,
    give_up: Callable[[threading.Thread], None],
    name: str,
    plugin: str,
) -> object:
    """Run an analysis and give up on it after `limit` seconds.

    Raises:
        PluginFailure: it raised or took too long; the plugin is named.
    """
    called = f"The analysis {name!r} of plugin {plugin!r}"
    try:
        return guarded(work, limit)
    except TookTooLong as late:
        give_up(late.thread)
        raise PluginFailure(
            f"{called} took longer than {limit:g} s and was given up: narrow it with a setting, or "
            "raise --time-limit."
        ) from None
    # Whatever an analysis raises is its own fault, but for what is said to the user on purpose.
    except BaseException as error:
        meant = isinstance(error, RoadwornError) and type(error) is not LedgerRefused
        if meant and not isinstance(error, QueryError):
            raise
        raise PluginFailure(
            f"{called} failed with {type(error).__name__}: {error}; tell its author "
            "(ROADWORN_DEBUG=1 shows where)."
        ) from error
