"""`create`, `enrol` and `contact`: a ledger, its vehicles, and the names beside them."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli.context import state_of
from roadworn_cli.output import check_format, counted, emit, emit_json, format_option, say


def create(
    ctx: typer.Context,
    name: Annotated[
        str, typer.Option(metavar="TEXT", help="Name of the ledger in its signed heads.")
    ] = "",
    without_key: Annotated[
        bool, typer.Option("--without-key", help="Make no key to sign heads with.")
    ] = False,
) -> None:
    """Begin a new, empty ledger; an existing file is never touched.

    A key that signs its heads is made as well, and kept in your own settings, not beside it.
    """
    from roadworn.intake import Ledger
    from roadworn.store.keeping import make_key
    from roadworn.store.whole import shown

    path = state_of(ctx).ledger
    with Ledger.create(path):
        typer.echo(shown(path))
    if not without_key:
        try:
            make_key(path, name)
        except EnvironmentFailure as error:
            say(f"The ledger is there, without a key: {error.message}")
    say("Next: roadworn enrol VEHICLE --make … --model … --year … --odometer '128,400 mi'")


_FIELDS = ("reference", "name", "phone", "address", "note")


def contact(
    ctx: typer.Context,
    reference: Annotated[
        str, typer.Argument(metavar="[REF]", help="The reference that enrolments carry.")
    ] = "",
    name: Annotated[str | None, typer.Option(metavar="TEXT", help="Name to keep.")] = None,
    phone: Annotated[str | None, typer.Option(metavar="TEXT", help="Number to keep.")] = None,
    address: Annotated[str | None, typer.Option(metavar="TEXT", help="Address to keep.")] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="Anything else.")] = None,
    erase: Annotated[
        bool, typer.Option("--erase", help="Delete it for good; the history stays whole.")
    ] = False,
    everything: Annotated[
        bool, typer.Option("--everything", help="Print all that is kept of them, for who asks.")
    ] = False,
    seal: Annotated[
        bool, typer.Option("--seal", help="Encrypt what an older ledger keeps in plain text.")
    ] = False,
    plates: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Keep the number plates of a table: vehicle and plate."),
    ] = None,
    fmt: str = format_option(),
) -> None:
    """Show, keep or erase who an owner reference stands for; without REF, list them all.

    Names and numbers never enter an event, so that they can be erased without touching the
    history. Where the ledger has a key they are encrypted with a key each, and erasing destroys
    that: no backup can be read for it any more.
    """
    check_format(fmt)
    if everything or seal:
        _everything(ctx, reference) if everything else _seal(ctx)
        return
    if plates is not None:
        _keep_plates(ctx, plates)
        return
    changes = {"name": name, "phone": phone, "address": address, "note": note}
    changed = any(value is not None for value in changes.values())
    if (changed or erase) and not reference:
        raise UsageError("Name the reference first: roadworn contact OWNER-12 --name …")
    if changed and erase:
        raise UsageError("--erase deletes everything: leave out what should be kept.")
    with state_of(ctx).open_ledger(writable=changed or erase) as ledger:
        if erase:
            # A number plate leads to its owner, and goes with what was kept of him.
            from roadworn.intake.finding import profiles

            own = [v for v, p in profiles(ledger).items() if p.get("owner_reference") == reference]
            gone = ledger.plates.erase(own)
            known = ledger.contacts.erase(reference)
            also = f", with {counted(gone, 'number plate')}" if gone else ""
            say(f"{reference} is erased{also}." if known else f"{reference} was not there{also}.")
            return
        if changed:
            ledger.contacts.set(reference, **changes)
        wanted = [reference] if reference else ledger.contacts.references()
        found = [asdict(ledger.contacts.get(one)) for one in wanted]
    if any(row.pop("sealed") for row in found):
        say("They are sealed with keys that are not here: ROADWORN_KEYS names their folder.")
    if fmt == "json":
        emit_json(found)
    else:
        emit(_FIELDS, [[row[field] for field in _FIELDS] for row in found], fmt=fmt)


def _everything(ctx: typer.Context, reference: str) -> None:
    """Print a person's contact, plates and vehicles with all their events, as JSON."""
    if not reference:
        raise UsageError("Name whose: roadworn contact OWNER-12 --everything")
    from roadworn.intake.finding import ever_of

    with state_of(ctx).open_ledger() as ledger:
        kept = asdict(ledger.contacts.get(reference))
        vehicles, events = ever_of(ledger, reference)
        plates = {one: plate for one, plate in ledger.plates.all().items() if one in vehicles}
    kept.pop("sealed")
    emit_json({"contact": kept, "plates": plates, "vehicles": vehicles, "events": events})
    say("A vehicle's events of before and after it was theirs are among them: read before giving.")


def _keep_plates(ctx: typer.Context, path: Path) -> None:
    """Keep the number plates of a table, all or none, and say of how many vehicles."""
    from roadworn.intake.plate_list import keep_plates

    with state_of(ctx).open_ledger(writable=True) as ledger:
        kept = keep_plates(ledger, path)
    say(f"{counted(len(kept), 'number plate')} kept, apart from events.")


def _seal(ctx: typer.Context) -> None:
    """Encrypt contacts and number plates that stand in plain text."""
    with state_of(ctx).open_ledger(writable=True) as ledger:
        sealed, plates = ledger.contacts.seal(), ledger.plates.seal()
    say(
        f"{counted(sealed, 'contact')} and {counted(plates, 'number plate')} encrypted. "
        "Backups from before hold them as they were."
        if sealed or plates
        else "Nothing was encrypted: all is, or the ledger has no key (`roadworn head --make-key`)."
    )
