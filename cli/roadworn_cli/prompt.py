"""The prompt of `sql`: queries one after the other, on one state of the ledger.

Lines are edited, completed and remembered by readline where Python has it.
"""

import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.model.errors import RoadwornError
from roadworn_cli.context import State
from roadworn_cli.output import emit, say

if TYPE_CHECKING:
    from roadworn.columns.spec import Outside
    from roadworn.columns.view import TableInfo

#: Where the lines of earlier prompts are kept; empty keeps none.
_HISTORY = "ROADWORN_SQL_HISTORY"
_LINES = 1_000
_WORDS = (
    *("SELECT", "FROM", "WHERE", "GROUP BY", "ORDER BY", "LIMIT", "JOIN", "USING", "HAVING"),
    *("COUNT", "MEDIAN", "QUANTILE_CONT", "PIVOT", "SUMMARIZE", "DESCRIBE", "WITH", "QUALIFY"),
)
_LEAVE = frozenset({".quit", ".exit", "quit", "exit", "\\q"})
_HELP = """A query ends with ; and may have many lines. Tab completes tables and columns.
.tables lists the tables, .quit or Ctrl-D leaves, Ctrl-C drops the line or stops the query."""


def prompt(
    state: State,
    outside: "Outside",
    tables: "Mapping[str, TableInfo]",
    seconds: float,
    memory: float,
    ask: Callable[[str], str] = input,
) -> None:
    """Ask for queries and answer them until somebody leaves.

    Args:
        state: the ledger.
        outside: files beside its tables.
        tables: its tables by name, for completion.
        seconds: the most that a query may take.
        memory: the most memory that it may take, in MB.
        ask: returns a line for a prompt.
    """
    from roadworn_cli.results import pinned_in_words

    names = [*tables, *outside.files]
    columns = {column[0] for info in tables.values() for column in info.columns}
    forget = _remember(sorted({*names, *columns, *_WORDS}))
    try:
        with state.open_view(outside=outside) as view:
            say(pinned_in_words(view.origin()) + ". .help helps.")
            while (text := _next(ask)) is not None:
                if text == ".tables":
                    emit(("table",), [(name,) for name in sorted(names)], fmt="table")
                elif text.startswith("."):
                    say(_HELP)
                else:
                    try:
                        found = view.analyst(text, seconds, memory)
                    except KeyboardInterrupt:
                        say("The query was stopped; nothing was changed.")
                    except RoadwornError as error:
                        say(error.message)
                    else:
                        emit(found.columns, found.rows, fmt="table")
    finally:
        forget()


def _next(ask: Callable[[str], str]) -> str | None:
    """Return the next query or command, None when somebody leaves."""
    lines: list[str] = []
    while True:
        try:
            line = ask("   ...> " if lines else "roadworn> ")
        except KeyboardInterrupt:
            say("")
            lines = []
            continue
        except EOFError:
            return None
        if not lines and line.strip().rstrip(";").lower() in _LEAVE:
            return None
        if not lines and line.strip().startswith("."):
            return line.strip()
        if line.strip() or lines:
            lines.append(line)
        if line.rstrip().endswith(";"):
            return "\n".join(lines)


def completed(words: list[str], begun: str, state: int) -> str | None:
    """Return the `state`-th word that begins as was typed, as readline asks for it."""
    near = [word for word in words if word.lower().startswith(begun.lower())]
    return near[state] if state < len(near) else None


def _remember(words: list[str]) -> Callable[[], None]:
    """Turn on completion and history; return what keeps the history for the next time."""
    try:
        import readline
    except ImportError:
        return lambda: None
    kept = os.environ.get(_HISTORY, str(Path.home() / ".roadworn_sql_history"))
    readline.set_completer(lambda begun, at: completed(words, begun, at))
    readline.set_completer_delims(" \t\n,;()=<>+-*/.\"'")
    readline.parse_and_bind("tab: complete")
    readline.set_history_length(_LINES)
    if kept:
        with suppress(OSError):
            readline.read_history_file(kept)

    def forget() -> None:
        readline.set_completer(None)
        if kept:
            with suppress(OSError):
                readline.write_history_file(kept)
                Path(kept).chmod(0o600)  # a query may hold a name

    return forget
