"""`components` and `sheets`: the words and limits that Roadworn knows, to look up and copy."""

from difflib import get_close_matches
from typing import Annotated

import typer

from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.toml import is_path
from roadworn_cli import words as looks
from roadworn_cli.context import State, state_of
from roadworn_cli.output import check_format, counted, emit, format_option, note, say

COLUMNS = ("component", "name", "also_called", "position", "safety_critical")


def components(
    word: Annotated[
        str, typer.Argument(metavar="[WORD]", help="Only those with this word in a name.")
    ] = "",
    fmt: str = format_option(),
) -> None:
    """List the components of the catalogue, and the words each is known by."""
    from roadworn.model.catalogue import catalogue

    check_format(fmt)
    sought = word.casefold()
    rows = [
        (
            component.id,
            component.name,
            ", ".join(component.synonyms),
            "" if component.positions == "none" else component.positions,
            component.safety_critical,
        )
        for component in catalogue()
        if sought in " ".join((component.id, component.name, *component.synonyms)).casefold()
    ]
    emit(COLUMNS, rows, fmt=fmt)
    if not rows:
        found = catalogue().resolve(word).suggestions
        near = ", ".join(component.name for component in found) or "nothing"
        note(f"no component has {word!r} in a name; near: {near}.")


_COLUMNS = ("sheet", "what", "title", "used by")


def sheets(
    ctx: typer.Context,
    name: Annotated[
        str,
        typer.Argument(
            metavar="[SHEET]", help="Print this one; a path checks a look-over sheet of your own."
        ),
    ] = "",
    blank: Annotated[
        bool,
        typer.Option("--blank", help="Print a look-over sheet as an empty CSV table to fill in."),
    ] = False,
    vehicle: Annotated[
        str,
        typer.Option(
            "--for",
            metavar="VEHICLE",
            help="With --blank: leave out the parts that this vehicle does not have.",
        ),
    ] = "",
    to_print: Annotated[
        str,
        typer.Option(
            "--print",
            metavar="VEHICLE",
            help="Write a page for the clip board, what is known of the vehicle filled in.",
        ),
    ] = "",
    out: Annotated[
        str,
        typer.Option("--output", "-o", metavar="FILE", help="With --print: the file to write."),
    ] = "",
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="With --print: write over an earlier page.")
    ] = False,
    language: looks.Language = "en",
    dates: looks.Dates = "ymd",
    paper: looks.Paper = "a4",
    fmt: str = format_option(),
) -> None:
    """List look-over sheets, inspection rules, schedules and a shop's words, or print one to copy.

    In a table to fill in, a row may be repeated for another place; one left empty was not checked.

    \b
    roadworn sheets light > ours.toml
    roadworn sheets ours.toml --blank --for bus-7 > bus-7.csv
    roadworn record inspection bus-7 --sheet ours.toml --filled bus-7.csv
    roadworn sheets --print bus-7 -o bus-7.html
    roadworn sheets inspection_us_federal > rules.toml
    roadworn analyse inspection-outlook rules=rules.toml
    """  # noqa: D301  # typer wants the backspace itself before lines it is not to wrap
    check_format(fmt)
    from roadworn.trade.limits import SHEETS, load_sheet

    if to_print:
        if blank or vehicle:
            raise UsageError("--print is a page to write on by hand: leave out --blank and --for.")
        look = looks.look_of(language, dates=dates, paper=paper)
        _print(state_of(ctx), name, to_print, out, look, overwrite=overwrite)
        return
    if out:
        raise UsageError("--output goes with --print VEHICLE; anything else is sent on with >.")
    if blank:
        from roadworn.intake.filled import blank_rows

        if not name:
            raise UsageError(f"--blank needs a sheet: {' or '.join(SHEETS.names())}, or a path.")
        asked = load_sheet(name)
        if vehicle:
            from roadworn_cli.record.look_over import sheet_of_vehicle

            with state_of(ctx).open_ledger() as ledger:
                known = ledger.require_vehicle(vehicle)
                asked = sheet_of_vehicle(ledger.facts, known, asked)
        head, *rows = blank_rows(asked)
        emit(head, rows, fmt="csv")
        return
    if vehicle:
        raise UsageError("--for goes with --blank: add it to print the sheet to fill in.")
    if is_path(name):
        sheet = load_sheet(name)
        measured = sum(bool(item.measurement) for item in sheet.items)
        items = counted(len(sheet.items), "item")
        typer.echo(f"{name}: {sheet.title}, {items}, {measured} measured")
        return
    _list_or_copy(state_of(ctx), name, fmt)


#: What a data file of a plugin is named by.
_NAMED_BY = {
    "look-over sheet": "record inspection --sheet",
    "rule set": "ROADWORN_RULES, or rules=",
    "schedule": "ROADWORN_SCHEDULE, or schedule=",
    "words": "ROADWORN_WORDS",
    "language": "--language",
}


def _list_or_copy(state: State, name: str, fmt: str) -> None:
    """List what can be copied, or print one file of it.

    Raises:
        UnknownName: there is none of that name.
    """
    from roadworn.trade.limits import SHEETS

    brought = [item for _plugin, item in state.plugins().received("roadworn_data_files")]
    there = dict.fromkeys(item.name for item in brought)
    files = [
        (analysis.name, file)
        for _plugin, analysis in state.plugins().analyses().values()
        for file in analysis.files
    ]
    if not name:
        asked = {file.what: f"analyse {by} {file.setting}=" for by, file in files}
        named_by = {**_NAMED_BY, **asked}
        rows = [(file.name, file.what, file.title, named_by[file.what]) for file in brought]
        rows += [
            (file.name, file.what, file.title, f"analyse {by} {file.setting}=")
            for by, file in files
            if file.name not in there
        ]
        emit(_COLUMNS, rows, fmt=fmt)
        return
    own = next((file for file in brought if file.name == name), None)
    if own is not None:
        text = state.plugins().data_files(own.what)[own.name.replace("-", "_")]()
        typer.echo(text, nl=False)
        return
    packaged = next((file for _by, file in files if file.name == name), None)
    if packaged is not None:
        typer.echo(packaged.read(), nl=False)
        return
    try:
        typer.echo(SHEETS.text(name), nl=False)
    except UnknownName:
        names = [*dict.fromkeys([*there, *(file.name for _by, file in files)])]
        near = get_close_matches(name, [*names, *(n.partition("_")[0] for n in names)], n=1)
        meant = f" (did you mean {near[0]}?)" if near else ""
        raise UnknownName(
            f"There is no sheet {name!r}{meant}: use {' or '.join(names)}.",
            names,
            left_out=state.plugins().left_out(),
        ) from None


def _print(
    state: State, name: str, vehicle: str, out: str, look: looks.Look, *, overwrite: bool
) -> None:
    """Write the page for the clip board; without a name on the sheet that the vehicle needs."""
    from roadworn.checks.measured import sizes_on_record
    from roadworn_cli.record.look_over import choose_sheet, sheet_of_vehicle
    from roadworn_cli.report.clip_board import clip_board
    from roadworn_cli.report.page import check_target, put

    check_target(out, state.ledger, overwrite=overwrite)
    with state.open_ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        chosen = choose_sheet(ledger.facts, vehicle_id, name)
        sheet = sheet_of_vehicle(ledger.facts, vehicle_id, chosen.sheet)
        sizes = sizes_on_record(vehicle_id, ledger.facts)
        plate = ledger.plates.of(vehicle_id)
    with state.open_view() as view:
        text = clip_board(view, vehicle_id, sheet, sizes, plate, look)
    put(out, text, say)
