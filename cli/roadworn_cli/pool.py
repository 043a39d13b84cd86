"""`roadworn pool export|merge|show`: what the lives of several shops say together.

Nothing of a vehicle, a customer, a place or a text leaves a shop: only how many parts of a
component failed, and sums of the ages at which they were watched.
"""

import importlib.metadata
from pathlib import Path
from typing import Any, Literal, cast

import typer

from roadworn.model.amounts import choose
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli.context import state_of
from roadworn_cli.lazy import Verb, lazy_app
from roadworn_cli.output import check_format, counted, emit, format_option, note, say

VERBS = (
    Verb("export", "roadworn_cli.pool:export", "What this ledger's lives add up to, as JSON."),
    Verb("merge", "roadworn_cli.pool:merge", "Put the pools of several shops together."),
    Verb("show", "roadworn_cli.pool:show", "What a pool says of each component."),
)
verb = lazy_app(VERBS, "Share lives with other shops, without a vehicle or a customer in it.")

# The command knows the statistics only by entry point, as it knows the analyses.
_GROUP = "roadworn.pools"
_OUTPUT: str = typer.Option(
    "", "--output", "-o", metavar="FILE", help="Write a new file; without it to stdout."
)


def export(
    ctx: typer.Context,
    output: str = _OUTPUT,
    places: int = typer.Option(
        12, "--least-places", metavar="NUMBER", help="Hold back a component at fewer places."
    ),
    vehicles: int = typer.Option(
        5, "--least-vehicles", metavar="NUMBER", help="Hold back a component on fewer vehicles."
    ),
) -> None:
    """Write failures, exposure and sums of the life models: JSON to read before it is sent.

    No vehicle, customer, place, supplier, part number or note is in it, nor a component of the
    shop's own; small numbers are held back.
    """
    _free(output)
    with state_of(ctx).open_view() as view:
        text, numbers = _statistics("export")(view, places, vehicles)
    _put(output, text)
    say(
        f"{counted(numbers['lives'], 'part')} handed out in "
        f"{counted(numbers['cells'], 'cell')}; {counted(numbers['held_back_lives'], 'part')} "
        f"held back in {counted(numbers['held_back_cells'], 'cell')} of too few."
    )


def merge(
    files: list[Path] = typer.Argument(metavar="FILE...", help="Pools, of one shop or of several."),
    output: str = _OUTPUT,
) -> None:
    """Put pools together; of a ledger that is there twice the later state counts."""
    _free(output)
    text, numbers = _statistics("merge")(files)
    _put(output, text)
    if numbers["twice"]:
        note(f"{numbers['twice']} of them came twice: the later state of each ledger counts")
    say(f"A pool of {counted(numbers['shops'], 'shop')}.")


def show(
    ctx: typer.Context,
    file: Path = typer.Argument(metavar="FILE", help="A pool."),
    compare: bool = typer.Option(
        False, "--compare", help="Hold this ledger against the other shops of it."
    ),
    unit: str = typer.Option("mi", "--unit", metavar="mi|km", help="Unit of distances."),
    fmt: str = format_option(),
) -> None:
    """List what a pool says: by when half are gone, and by what factor shops differ."""
    check_format(fmt)
    wanted = cast("Literal['mi', 'km']", choose(unit, ("mi", "km"), "The unit"))
    tell = _statistics("show")
    if compare:
        with state_of(ctx).open_view() as view:
            columns, rows, about = tell(file, wanted, view)
    else:
        columns, rows, about = tell(file, wanted)
    emit(columns, rows, fmt=fmt)
    first, last = about["days"]
    others = "other shops" if compare else "shops"
    say(
        f"{about['shops']} {others}, {about['lives']} lives, up to {first} to {last}; "
        f"{about['held_back_lives']} lives were held back."
    )


def _statistics(name: str) -> Any:  # noqa: ANN401  # a function of the statistics
    entry = next(iter(importlib.metadata.entry_points(group=_GROUP, name=name)), None)
    if entry is None:
        raise EnvironmentFailure(f"What `pool {name}` calls is missing: reinstall Roadworn.")
    return entry.load()


def _free(output: str) -> None:
    """Refuse a file that is there, before the work is done for it."""
    if output and Path(output).exists():
        raise UsageError(f"{output} is there already: name another file; nothing was written.")


def _put(output: str, text: str) -> None:
    if not output:
        typer.echo(text, nl=False)
        return
    with Path(output).open("x", encoding="utf-8") as file:
        file.write(text)
