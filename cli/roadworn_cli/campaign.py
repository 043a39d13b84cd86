"""`roadworn campaign`: which vehicles a recall or a service campaign concerns, and who is open."""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.catalogue import part_name
from roadworn.model.errors import RoadwornError, UnknownName, UsageError
from roadworn.trade.campaigns import Campaign, campaigns_in, example_campaign, load_campaign
from roadworn_cli.context import campaigns_folder, leave, state_of
from roadworn_cli.output import check_format, counted, emit, escape, format_option, note, say

if TYPE_CHECKING:
    from roadworn.analysis.campaigns import Concerned
    from roadworn.columns.view import LedgerView

_STATES = ("open", "unclear", "done", "left")
_COLUMNS = (
    "vehicle_id", "label", "state", "component", "places", "missing", "on", "last_seen_on",
    "event_ids",
)  # fmt: skip


def _example(wanted: bool) -> None:
    """Print the example and leave, before anything is asked of the other words."""
    if wanted:
        typer.echo(example_campaign(), nl=False)
        raise typer.Exit


def campaign(
    ctx: typer.Context,
    name: Annotated[
        str,
        typer.Argument(
            metavar="[CAMPAIGN]", help="The name of a file there, or the path of one; else all."
        ),
    ] = "",
    example: Annotated[
        bool,
        typer.Option("--example", callback=_example, is_eager=True, help="Print a file to copy."),
    ] = False,
    contacts: Annotated[
        bool, typer.Option("--contacts", help="Name the owners, with their telephone numbers.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Those done and those that left too.")
    ] = False,
    fmt: str = format_option(),
) -> None:
    """Say whom a recall or service campaign concerns: open, unclear, done, left.

    Campaigns are files in a folder beside the ledger, roadworn.campaigns beside roadworn.db, or in
    the one that ROADWORN_CAMPAIGNS names. Exit code 1 while somebody is open or unclear.

    \b
    roadworn campaign --example > roadworn.campaigns/brake-hoses.toml
    roadworn campaign brake-hoses --contacts
    """  # noqa: D301  # typer wants the backspace itself before lines it is not to wrap
    del example
    check_format(fmt)
    state = state_of(ctx)
    folder = campaigns_folder(state.ledger)
    if not name:
        names = campaigns_in(folder).names() if folder.is_dir() else ()
        if contacts or every:
            raise UsageError("--contacts and --all are of one campaign: name it.")
        with state.open_view() as view:
            codes = _list(view, folder, names, fmt)
        if not names:
            note(
                f"there is no campaign in {folder}: roadworn campaign --example > "
                f"{folder / 'NAME.toml'} begins one."
            )
        leave(1 if codes else 0)
    one = _load(folder, name)
    from roadworn.analysis.campaigns import concerned_by

    with state.open_view() as view:
        found = concerned_by(view, one)
    owners: dict[str, str] = {}
    if contacts:
        from roadworn_cli.today import contacts_of

        references = {who.vehicle["owner_reference"] for who in found}
        owners = contacts_of(state, filter(None, references))
    if fmt == "table":
        _show(one, found, owners, every=every)
    else:
        rows = [[*_row(one, who), *_owner(who, owners, contacts)] for who in found]
        emit((*_COLUMNS, *(("owner",) if contacts else ())), rows, fmt=fmt)
    leave(int(any(who.state in ("open", "unclear") for who in found)))


def _load(folder: Path, name: str) -> Campaign:
    """Return a campaign by its name or path.

    Raises:
        UnknownName: there is none.
    """
    known = campaigns_in(folder).names() if folder.is_dir() else ()
    if not known and not name.endswith(".toml"):
        raise UnknownName(
            f"There is no campaign {name!r}: no file stands in {folder}. Begin one with `roadworn "
            f"campaign --example > {folder / 'NAME.toml'}`, or name the path of a file.",
            (),
        )
    return load_campaign(folder, name)


def _list(view: "LedgerView", folder: Path, names: Sequence[str], fmt: str) -> bool:
    """Print every campaign with its counts; return whether somebody is open or one is broken."""
    from roadworn.analysis.campaigns import concerned_by

    rows: list[tuple[object, ...]] = []
    wrong = False
    for name in names:
        try:
            one = load_campaign(folder, name)
        except RoadwornError as error:
            # One file that is broken must not hide who is open in the others.
            say(error.message)
            wrong = True
            continue
        states = [str(who.state) for who in concerned_by(view, one)]
        counts = [sum(one == state for one in states) for state in _STATES]
        wrong = wrong or bool(counts[0] or counts[1])
        rows.append((name, one.title, one.since, *counts))
    emit(("campaign", "title", "since", *_STATES), rows, fmt=fmt)
    return wrong


def _row(one: Campaign, who: "Concerned") -> tuple[object, ...]:
    vehicle = who.vehicle
    return (
        *(vehicle["vehicle_id"], vehicle["label"], who.state, one.component),
        *("; ".join(who.places), "; ".join(who.missing), who.on, vehicle["last_seen_on"]),
        "; ".join(who.events),
    )


def _owner(who: "Concerned", owners: dict[str, str], asked: bool) -> Iterator[str | None]:
    if asked:
        yield owners.get(who.vehicle["owner_reference"] or "")


def _show(
    one: Campaign, found: "Sequence[Concerned]", owners: dict[str, str], *, every: bool
) -> None:
    from roadworn_cli.screen import put, text

    counts = {state: sum(who.state == state for who in found) for state in _STATES}
    head = ", ".join(filter(None, (one.title, one.reference)))
    put(text(escape(head), "title"))
    told = ", ".join(f"{number} {state}" for state, number in counts.items())
    said = f"since {one.since}, {counted(len(found), 'vehicle')}: {told}"
    put([*text(f"{part_name(one.component)}, {said}"), *(text(escape(one.say)) if one.say else [])])
    shown = [who for who in found if every or who.state in ("open", "unclear")]
    if shown:
        rows = [_cells(who, owners) for who in shown]
        emit(
            ("vehicle", "described as", "state", "what", "last seen", "owner")[: len(rows[0])],
            rows,
            fmt="table",
        )
    if len(shown) < len(found):
        note(f"{len(found) - len(shown)} more are done or have left: --all lists them.")
    if not found:
        note("no vehicle of this ledger is concerned.")


def _cells(who: "Concerned", owners: dict[str, str]) -> tuple[Any, ...]:
    row = who.vehicle
    built = " ".join(str(row[key]) for key in ("model_year", "make", "model") if row[key])
    what = {
        "open": f"to do: {', '.join(who.places)}" if who.places else "to do",
        "unclear": f"not on record: {', '.join(who.missing)}",
        "done": f"done on {who.on}",
        "left": f"left on {who.on}, not done",
    }[who.state]
    named = ", ".join(filter(None, (row["label"], built)))
    cells = (row["vehicle_id"], named, who.state, what, row["last_seen_on"])
    return (*cells, owners.get(row["owner_reference"] or "")) if owners else cells


def told_in_outlook(view: "LedgerView", folder: Path, vehicle: str) -> Iterator[str]:
    """Yield a line about each campaign that a vehicle is open or unclear in.

    A file that cannot be read is said by `roadworn campaign`, not at the vehicle.
    """
    from roadworn.analysis.campaigns import concerned_by

    for name in campaigns_in(folder).names():
        try:
            one = load_campaign(folder, name)
        except RoadwornError:
            continue
        for who in concerned_by(view, one, vehicle):
            places = f" {', '.join(who.places)}" if who.places else ""
            if who.state == "open":
                yield f"{one.title}: {part_name(one.component)}{places} to do ({name})"
            elif who.state == "unclear":
                yield f"{one.title}: perhaps, not on record: {', '.join(who.missing)} ({name})"
