"""`redo RESULT.json`: a result that was kept is made again from the ledger, and compared.

A result says what it rests on: the root of the ledger, the day, what went by, the settings, the
program. So anybody who has the ledger can make it again, and sees whether it was this ledger, this
program or somebody's hand that gave another figure.
"""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import orjson
import typer

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli.context import State, check_day, leave, state_of
from roadworn_cli.output import check_format, counted, emit, format_option, json_text, note, say

#: What may differ without a figure being another one.
_NOT_COMPARED = frozenset({"seconds", "roadworn", "claimed"})
#: So many differences are listed; the rest is counted.
_LISTED = 40


def redo(
    ctx: typer.Context,
    file: Path = typer.Argument(
        metavar="RESULT.json",
        help="What `analyse … --format json` or `sql … --format result` gave.",
    ),
    fmt: str = format_option(),
) -> None:
    """Make a result again from the same state of the ledger, and say what differs.

    The root, the day and the settings are those of the result; what was kept of it is not used.
    Exit code 0 when every figure is the same, 1 when one differs.
    """
    check_format(fmt)
    state = state_of(ctx)
    if state.as_of or state.at:
        raise UsageError(
            "A result is made again on its own day and root: leave out --as-of and --at, or ask "
            "its question anew."
        )
    before = _read(file)
    after = _again(state, before, file)
    if before.get("roadworn") != after["roadworn"]:
        note(f"it was made by Roadworn {before.get('roadworn')}, this is {after['roadworn']}")
    found = list(differences(before, after))
    if fmt != "table" or found:
        emit(("where", "before", "now"), found[: None if fmt != "table" else _LISTED], fmt=fmt)
    if not found:
        size, root = after["ledger"]["size"], after["ledger"]["root"]
        say(f"Made again at {counted(size, 'event')}, root {root[:16]}: every figure is the same.")
        return
    say(f"{counted(len(found), 'difference')}.")
    leave(1)


def _read(file: Path) -> dict[str, Any]:
    try:
        document = orjson.loads(file.read_bytes())
    except OSError as error:
        raise EnvironmentFailure.unreadable(file, error) from None
    except orjson.JSONDecodeError:
        document = None
    wanted = ("ledger", "today", "known_by")
    asked = isinstance(document, dict) and ("analysis" in document or "query" in document)
    if not asked or any(name not in document for name in wanted):
        raise UsageError(
            f"{file} is no result that says what it rests on: keep one with `analyse NAME "
            "--format json` or `sql QUERY --format result`."
        )
    return dict(document)


def _again(state: State, before: dict[str, Any], file: Path) -> dict[str, Any]:
    """Return the document that the same question gives now."""
    from roadworn_cli.results import as_json, pinned

    try:
        then = replace(
            State.of_options(
                str(state.ledger),
                check_day(str(before["as_of"] or ""), "as_of"),
                str(before["known_by"]),
                state.without,
                str(before["ledger"]["root"]),
            ),
            today=date.fromisoformat(str(before["today"])),
        )
    except (KeyError, TypeError, ValueError):
        raise UsageError(
            f"{file} does not say its root and its day as a result does: keep it anew."
        ) from None
    host = then.plugins()
    with then.open_view(host, kept=False) as view:
        if "query" in before:
            from roadworn_cli.sql import document_of

            return document_of(view, str(before["query"]), before.get("parameters") or {})
        given = {key: value for key, value in before["settings"].items() if value is not None}
        ran = host.run(str(before["analysis"]), view, given)
        document = {**pinned(view.origin()), **as_json(ran)}
    return dict(orjson.loads(json_text(document)))


def differences(before: object, after: object, where: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Yield place, value before and value now of each figure or text that differs."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in {**before, **after}:
            if where or key not in _NOT_COMPARED:
                below = f"{where}.{key}".lstrip(".")
                yield from differences(before.get(key), after.get(key), below)
    elif isinstance(before, list) and isinstance(after, list):
        for at in range(max(len(before), len(after))):
            old, new = (side[at] if at < len(side) else None for side in (before, after))
            yield from differences(old, new, f"{where}[{at}]")
    elif before != after:
        yield where, before, after
