"""The look-over in a terminal: one question an item, kept on disk until it is written down.

Hands are dirty and the telephone rings: each answer is kept beside the ledger at once, and a
look-over that was broken off goes on where it stopped.
"""

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from roadworn.model.errors import UsageError
from roadworn.reading.walk import HELP, Walk
from roadworn.trade.judging import KnownSizes
from roadworn.trade.limits import SHEETS, Sheet
from roadworn_cli.context import State, shop_words, state_of
from roadworn_cli.output import say
from roadworn_cli.record.keys import Answers

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words

#: Keys that answer without Enter, by what is asked; w and f are left out where words may follow
#: them, and a and q, since a slip of the finger must not call everything else sound.
AT_ONCE = {"item": "snb?", "word": "swfnb?", "size": "?"}


def walk(ctx: typer.Context, vehicle_id: str, sheet: Sheet, sizes: KnownSizes) -> Walk:
    """Ask through a sheet and return the walk; `forget` it once it is written down.

    Args:
        ctx: the running command.
        vehicle_id: an enrolled vehicle.
        sheet: what to look at.
        sizes: those on record of the vehicle.

    Raises:
        UsageError: the input ended before the walk did.
    """
    draft = draft_path(state_of(ctx), vehicle_id)
    asked = _begin(draft, sheet, sizes, shop_words(state_of(ctx).ledger))
    say(f"{asked.sheet.title} of {vehicle_id}. {asked.sheet.note}".strip())
    try:
        _ask_through(asked, draft)
    except KeyboardInterrupt:
        say("")
        say("The look-over is kept: run the same command again to go on.")
        raise
    return asked


def _ask_through(asked: Walk, draft: Path) -> None:
    """Ask until the walk is over, each answer kept at once."""
    others = [name for name in SHEETS.names() if name != asked.sheet.name]
    with Answers() as answers:
        at_once = " In this terminal s and n take no Enter." if answers.single else ""
        say(f"{HELP}{at_once} Other sheets: --sheet {' or '.join(others)}.")
        while asked.item is not None:
            typer.echo(f"{asked.question()}: ", nl=False, err=True)
            line = answers.read(AT_ONCE[asked.asks], "sn" if asked.asks == "item" else "")
            if line is None:
                raise UsageError(
                    f"The look-over stopped at {asked.question()!r} and is kept: run the same "
                    "command again to go on."
                )
            if answers.goes_on:
                asked.answer("b")
                say(f"Taken for: {asked.question()}")
            try:
                word = asked.answer(line)
            except UsageError as error:
                word = error.message
            if word:
                say(word)
            _keep(draft, asked)


def forget(ctx: typer.Context, vehicle_id: str) -> None:
    """Drop the kept answers of a look-over that was written down."""
    draft_path(state_of(ctx), vehicle_id).unlink(missing_ok=True)


def draft_path(state: State, vehicle_id: str) -> Path:
    """Return where the answers of an unfinished look-over are kept."""
    return state.ledger.with_name(f"{state.ledger.name}.lookover-{vehicle_id}.json")


def _begin(draft: Path, sheet: Sheet, sizes: KnownSizes, words: "Callable[[], Words]") -> Walk:
    """Return a walk that goes on where a kept one stopped, or a new one.

    Answers are kept by the item's name, so that a sheet which was changed meanwhile asks what
    is new and puts no answer to another item.
    """
    try:
        kept = json.loads(draft.read_text(encoding="utf-8"))
        names, entries = kept["names"], kept["entries"]
        asked = [item.name for item in sheet.items[: len(names)]]
        if kept["sheet"] == sheet.name and names == asked and len(names) == len(entries):
            going_on = Walk(sheet, entries, sizes, words)
            say(f"Going on with the look-over that was broken off ({draft.name}).")
            return going_on
        say(
            f"{draft.name} keeps {len(entries)} answers to the sheet {kept['sheet']} as it was; "
            "they are left out and the look-over begins anew."
        )
    except FileNotFoundError:
        pass
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        say(f"{draft.name} cannot be read and is left out; the look-over begins anew.")
    return Walk(sheet, sizes=sizes, words=words)


def _keep(draft: Path, asked: Walk) -> None:
    # A folder that takes no new file must not stop a look-over.
    with suppress(OSError):
        beside = draft.with_name(f"{draft.name}.new")
        kept = {
            "sheet": asked.sheet.name,
            "names": [item.name for item in asked.sheet.items[: len(asked.entries)]],
            "entries": asked.entries,
        }
        beside.write_text(json.dumps(kept), encoding="utf-8")
        beside.replace(draft)
