"""`retract` and `correct`: an event taken back, or written anew."""

from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.amounts import read_odometer
from roadworn.model.errors import UsageError
from roadworn.say.telling import brief, describe
from roadworn_cli.context import check_day, default_currency, default_unit, state_of, today
from roadworn_cli.output import escape
from roadworn_cli.record import (
    ByOption,
    CurrencyOption,
    Envelope,
    OnOption,
    acknowledge,
    new_event,
    refuse_amended,
    short,
    tell_changed,
    writing,
)

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.model.events import StoredEvent


def retract(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="EVENT", help="Its id, the beginning or end of it, or last.")
    ],
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="Why it should not count.")
    ] = "no reason given",
    on: OnOption = "",
    by: ByOption = "",
) -> None:
    """Take an event back: it stays in the ledger, and no longer counts."""
    if not reason.strip():
        raise UsageError("--reason is empty: say why the event should not count.")
    day = check_day(on, "--on") or today().isoformat()
    with writing(ctx) as ledger:
        found = named_event(ledger, event)
        if found.kind == "retraction":
            raise UsageError(
                f"Event {short(found.event_id)} is a retraction: write the event it took back "
                "anew instead."
            )
        refuse_amended(ledger.facts, found)
        payload = {"event": found.event_id, "reason": reason}
        stored = ledger.append(
            new_event(
                {
                    "vehicle_id": found.vehicle_id,
                    "kind": "retraction",
                    "occurred_at": day,
                    "payload": payload,
                    "recorded_by": by,
                }
            )
        )
    told = escape(describe(found.kind, brief(found.data())))
    typer.echo(f"{short(stored.event_id)}  {found.vehicle_id}  {day}  took back: {told}")


def named_event(ledger: "Ledger", text: str) -> "StoredEvent":
    """Return the event that a text names; ``last`` is the one written last that still counts."""
    if text.strip().casefold() == "last":
        from roadworn.intake.undoing import last_entry

        return last_entry(ledger)
    return ledger.event(text)


_DATE_FIELDS = frozenset({"on", "occurred_at", "occurred-at", "date"})


def correct(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="EVENT", help="Its id, the beginning or end of it, or last.")
    ],
    changes: Annotated[
        list[str],
        typer.Argument(
            metavar="FIELD=VALUE...",
            help="As position=LF odometer='61,250 mi' on=2026-05-04 price=84.50 "
            "warranty='12 months/12,000 mi' findings.0.condition=failed.",
        ),
    ],
    currency: CurrencyOption = "",
    by: ByOption = "",
) -> None:
    """Write an event anew with some fields changed; the old one stays and is marked replaced."""
    from roadworn.reading.fields import change_fields

    with state_of(ctx).open_ledger(writable=True, plugin_kinds=True) as ledger:
        old = named_event(ledger, event)
        if old.kind == "retraction":
            raise UsageError(
                f"Event {short(old.event_id)} is a retraction, which cannot be corrected: write "
                "the event it took back anew."
            )
        refuse_amended(ledger.facts, old)
        kind = ledger.kinds.get(old.kind)
        envelope, inner, typed = _envelope(old, changes)
        payload = kind.upcast(old.version, old.data())
        inner = [_with_whole_id(ledger, change) for change in inner]
        code = currency or default_currency()
        payload = change_fields(kind.model, payload, inner, code, default_unit())
        payload["replaces"] = old.event_id
        stored = ledger.append(
            new_event({**envelope, "kind": old.kind, "payload": payload, "recorded_by": by})
        )
        acknowledge(stored, f" (replaces {short(old.event_id)})")
        tell_changed(ledger.facts, stored, _changed(old, stored), typed)


def _with_whole_id(ledger: "Ledger", change: str) -> str:
    """Return a change with the whole id of the job that it names, where it names one."""
    field, _, text = change.partition("=")
    if field.strip().replace("-", "_") != "comeback_of" or not text.strip():
        return change
    return f"comeback_of={ledger.event(text.strip()).event_id}"


def _changed(old: "StoredEvent", stored: "StoredEvent") -> set[str]:
    """Return the columns that hold something else now; a VIN and a model year go together."""
    before, now = old.data(), stored.data()
    fields = {name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}
    if fields & {"vin", "model_year"}:
        fields |= {"vin", "model_year"}
    changed = {f"payload.{name}" for name in fields} | (fields & {"old_reading"})
    if (old.odometer, old.odometer_unit) != (stored.odometer, stored.odometer_unit):
        changed.add("odometer")
    return changed if old.occurred_at == stored.occurred_at else {*changed, "occurred_at"}


def _envelope(old: "StoredEvent", changes: list[str]) -> tuple[dict[str, Any], list[str], Envelope]:
    """Return the envelope with its own changes made, those left for the payload, what was typed."""
    envelope: dict[str, Any] = {
        "vehicle_id": old.vehicle_id,
        "occurred_at": old.occurred_at,
        "odometer": old.odometer,
        "odometer_unit": old.odometer_unit,
    }
    inner: list[str] = []
    typed = Envelope()
    for change in changes:
        field, equals, text = change.partition("=")
        if equals and field.strip() in _DATE_FIELDS:
            if not text:
                raise UsageError("An event needs its day: write on=2026-05-04.")
            envelope["occurred_at"] = check_day(text, field.strip())
        elif equals and field.strip() == "odometer":
            value, unit = read_odometer(text, old.odometer_unit or "") if text else (None, None)
            envelope |= {"odometer": value, "odometer_unit": unit}
            typed = Envelope(odometer=text)
        elif equals and field.strip() in {"vehicle", "vehicle_id"}:
            raise UsageError(
                "The vehicle of an event cannot be corrected: retract the event, and record it "
                "for the right vehicle."
            )
        else:
            inner.append(change)
    return envelope, inner, typed
