"""What all `record` verbs share: their options, and writing one event with a word back.

An event is acknowledged on stdout only after it is durable. What is noteworthy about it goes
to stderr at once, while the person still stands at the vehicle.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.checks.recent import LastReading, amendment_of, last_events, last_readings
from roadworn.model.amounts import read_money, read_odometer
from roadworn.model.errors import LedgerRefused, ProblemsFound, UsageError
from roadworn.say.telling import brief, describe, item_words
from roadworn_cli.context import check_day, default_currency, default_unit, state_of, today
from roadworn_cli.output import escape, note, say
from roadworn_cli.record.remarks import (
    day_remarks,
    figure_remarks,
    latest,
    payload_remarks,
    private_remarks,
    profile_of,
    reading_remarks,
    repeat_remarks,
    weight_remarks,
)

if TYPE_CHECKING:
    from pathlib import Path

    from roadworn.model.events import NewEvent, StoredEvent

Vehicle = Annotated[str, typer.Argument(metavar="VEHICLE", help="Name of an enrolled vehicle.")]
OdometerOption = Annotated[
    str, typer.Option("--odometer", "-o", metavar="FIGURE", help="As read, '61,250 mi'.")
]
UnitOption = Annotated[
    str,
    typer.Option(
        metavar="km|mi",
        help="Unit of a figure that has none; else ROADWORN_UNIT, else the vehicle's last one.",
    ),
]
OnOption = Annotated[str, typer.Option(metavar="DATE", help="The day it happened; today.")]
ByOption = Annotated[str, typer.Option(metavar="NAME", help="Initials of who writes it down.")]
NoteOption = Annotated[str, typer.Option(metavar="TEXT", help="Anything worth keeping.")]
CurrencyOption = Annotated[
    str, typer.Option(metavar="CODE", help="Currency of the amounts, USD; else ROADWORN_CURRENCY.")
]


@dataclass(frozen=True, slots=True)
class Envelope:
    """The options that say when, by whom and at what reading.

    Attributes:
        odometer: as typed, or an empty text.
        unit: unit of a figure without one, or an empty text.
        on: ISO day, or an empty text for today.
        by: who writes it down.
    """

    odometer: str = ""
    unit: str = ""
    on: str = ""
    by: str = ""


def write(
    ctx: typer.Context,
    vehicle: str,
    kind: str,
    payload: Mapping[str, Any],
    envelope: Envelope,
    *,
    allow_repeat: bool = False,
    typed: str = "",
) -> "StoredEvent":
    """Append one event, say what was written, and return it.

    Args:
        ctx: the running command.
        vehicle: as typed.
        kind: stored name of the kind.
        payload: its fields; None and empty texts are left out.
        envelope: when, by whom, at what reading.
        allow_repeat: take a replacement that looks like one already entered.
        typed: a figure outside the envelope, as typed, to look at instead of its own.
    """
    state = state_of(ctx)
    day = check_day(envelope.on, "--on") or today().isoformat()
    with state.open_ledger(writable=True, plugin_kinds="." in kind) as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        reads = envelope.odometer or kind == "odometer_exchange"
        readings = last_readings(ledger.path, vehicle_id) if reads else []
        event = build(vehicle_id, kind, given(payload), envelope, day, latest(readings))
        stored = ledger.append(event, allow_repeat=allow_repeat)
    acknowledge(stored)
    remark(stored, state.ledger, readings, replace(envelope, odometer=typed or envelope.odometer))
    for text in cautions(stored):
        say(text)
    return stored


def build(
    vehicle_id: str,
    kind: str,
    payload: dict[str, Any],
    envelope: Envelope,
    day: str,
    last: LastReading | None,
) -> "NewEvent":
    """Return the event that the options say, ready to append.

    Raises:
        UsageError: the odometer figure has no unit.
        ProblemsFound: a field of the envelope does not fit.
    """
    odometer, unit = figure(envelope, last)
    return new_event(
        {
            "vehicle_id": vehicle_id,
            "kind": kind,
            "occurred_at": day,
            "payload": payload,
            "odometer": odometer,
            "odometer_unit": unit,
            "recorded_by": envelope.by,
        }
    )


def acknowledge(stored: "StoredEvent", besides: str = "") -> None:
    """Print the line of an event that is durable now: its id, and what was written."""
    at = "" if stored.odometer is None else f" at {stored.odometer:,.10g} {stored.odometer_unit}"
    told = escape(describe(stored.kind, brief(stored.data())))
    start = f"{short(stored.event_id)}  {stored.vehicle_id}  {stored.occurred_at}{at}"
    typer.echo(f"{start}  {told}{besides}")


def short(event_id: str) -> str:
    """Return the end of an event id, which is enough to name it; ids of one day begin alike."""
    return event_id[-8:]


def refuse_amended(path: "Path", event: "StoredEvent") -> None:
    """Refuse to amend an event a second time: two replacements of one event would both count.

    Raises:
        LedgerRefused: it was replaced or taken back; names the event to go on from.
    """
    last = amendment_of(path, event)
    if last is None:
        return
    named = f"Event {short(event.event_id)}"
    if last.kind == "retraction":
        raise LedgerRefused(
            f"{named} is taken back by event {short(last.event_id)} already: if it should count "
            "after all, write it anew with `roadworn record`."
        )
    raise LedgerRefused(
        f"{named} is already replaced by event {short(last.event_id)}: correct or retract that one."
    )


def new_event(fields: Mapping[str, Any]) -> "NewEvent":
    """Return an event to append.

    Raises:
        ProblemsFound: a field of the envelope does not fit, told in plain words.
    """
    from pydantic import ValidationError

    from roadworn.checks.shape import problems_of
    from roadworn.model.events import NewEvent

    try:
        return NewEvent.model_validate(fields)
    except ValidationError as error:
        problems = tuple(problems_of(error, NewEvent, "An event"))
        raise ProblemsFound(f"Not taken: {problems[0]}", problems) from None


def figure(envelope: Envelope, last: LastReading | None) -> tuple[float | None, str | None]:
    """Return the odometer figure and its unit, or two None when none was typed.

    Raises:
        UsageError: the figure has no unit and nothing says which.
    """
    if not envelope.odometer:
        return None, None
    unit = envelope.unit or default_unit() or (last.unit if last else "")
    return read_odometer(envelope.odometer, unit)


def given(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields that were given, without None, empty texts and empty lists."""
    return {name: value for name, value in fields.items() if value not in (None, "", [], ())}


def money(text: str, currency: str) -> dict[str, str] | None:
    """Return a typed amount as a payload value, or None when none was typed."""
    return read_money(text, currency or default_currency()) if text else None


def whole(text: str, what: str) -> int:
    """Return a whole number as typed.

    Raises:
        UsageError: it is none.
    """
    digits = text.replace(",", "").strip()
    if not (digits.isascii() and digits.isdigit()):
        raise UsageError(f"{what} is a whole number, not {text!r}.")
    return int(digits)


def remark(
    stored: "StoredEvent", path: "Path", readings: Sequence[LastReading], envelope: Envelope
) -> None:
    """Say what is odd about an event that was just written; it is kept either way."""
    mend = short(stored.event_id)

    def digits() -> int | None:
        found: int | None = profile_of(path, stored.vehicle_id).get("odometer_digits")
        return found

    for text in reading_remarks(stored, readings, envelope.odometer, mend, digits):
        note(text)
    if envelope.on or stored.odometer is not None:
        profile = profile_of(path, stored.vehicle_id)
        for text in (
            *(day_remarks(stored.occurred_at[:10], profile, mend) if envelope.on else ()),
            *figure_remarks(stored, profile, mend),
        ):
            note(text)
    for text in (
        *weight_remarks(stored, path),
        *payload_remarks(stored),
        *repeat_remarks(stored, path, mend),
        *private_remarks(stored),
    ):
        note(text)


def tell_changes(ctx: typer.Context, stored: "StoredEvent") -> None:
    """Say which codes are gone, still there or back since the scans before this one."""
    from roadworn.checks.comebacks import changes_since

    path = state_of(ctx).ledger
    for text in changes_since(stored, last_events(path, stored.vehicle_id, "scan")):
        note(text)


def cautions(stored: "StoredEvent") -> Iterable[str]:
    """Yield a line for each failed safety item, and the cautions that go with them."""
    if stored.kind != "inspection":
        return
    failed = [finding for finding in stored.data().get("findings", ()) if finding.get("safety")]
    for finding in failed:
        yield f"SAFETY: {item_words(finding)} failed. Do not drive it until it is repaired."
    if failed:
        from roadworn.trade.cautions import cautions_for

        for text in cautions_for(finding["component"] for finding in failed):
            yield f"caution: {text}"
        yield ("Local law, the maker's service information and a qualified technician come first.")
