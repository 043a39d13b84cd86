"""The look-over in a terminal: one question an item, kept on disk until it is written down.

Hands are dirty and the telephone rings: each answer is kept beside the ledger at once, and a
look-over that was broken off goes on where it stopped.
"""

import json
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import typer

from roadworn.bench.walk import HELP, Walk
from roadworn.errors import UsageError
from roadworn.trade.lookover import load_sheet, sheet_names
from roadworn_cli.context import State, state_of
from roadworn_cli.output import say


def walk(ctx: typer.Context, vehicle: str, sheet: str) -> dict[str, Any]:
    """Ask through a sheet and return the payload; `forget` it once it is written down.

    Raises:
        UsageError: the input ended before the walk did.
    """
    state = state_of(ctx)
    with state.open_ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
    draft = draft_path(state, vehicle_id)
    asked = _begin(draft, sheet)
    say(f"{asked.sheet.title} of {vehicle_id}. {asked.sheet.note}")
    others = [name for name in sheet_names() if name != asked.sheet.name]
    say(f"{HELP} Other sheets: --sheet {' or '.join(others)}.")
    while asked.item is not None:
        typer.echo(f"{asked.question()}: ", nl=False, err=True)
        line = sys.stdin.readline()
        if not line:
            raise UsageError(
                f"The look-over stopped at {asked.question()!r} and is kept: run the same command "
                "again to go on."
            )
        try:
            word = asked.answer(line)
        except UsageError as error:
            word = error.message
        if word:
            say(word)
        _keep(draft, asked)
    return asked.payload()


def forget(ctx: typer.Context, vehicle: str) -> None:
    """Drop the kept answers of a look-over that was written down."""
    state = state_of(ctx)
    with state.open_ledger() as ledger:
        draft_path(state, ledger.require_vehicle(vehicle)).unlink(missing_ok=True)


def draft_path(state: State, vehicle_id: str) -> Path:
    """Return where the answers of an unfinished look-over are kept."""
    return state.ledger.with_name(f"{state.ledger.name}.lookover-{vehicle_id}.json")


def _begin(draft: Path, sheet: str) -> Walk:
    """Return a walk that goes on where a kept one stopped, or a new one."""
    try:
        kept = json.loads(draft.read_text(encoding="utf-8"))
        if not sheet or sheet == kept["sheet"]:
            going_on = Walk(load_sheet(kept["sheet"]), kept["entries"])
            say(f"Going on with the look-over that was broken off ({draft.name}).")
            return going_on
    except FileNotFoundError:
        pass
    except (OSError, ValueError, KeyError, TypeError):
        say(f"{draft.name} cannot be read and is left out; the look-over begins anew.")
    return Walk(load_sheet(sheet or "light_vehicle"))


def _keep(draft: Path, asked: Walk) -> None:
    # A folder that takes no new file must not stop a look-over.
    with suppress(OSError):
        beside = draft.with_name(f"{draft.name}.new")
        kept = {"sheet": asked.sheet.name, "entries": asked.entries}
        beside.write_text(json.dumps(kept), encoding="utf-8")
        beside.replace(draft)
