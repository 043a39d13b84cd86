"""`retract`, `correct` and `move`: an event taken back, or written anew, perhaps elsewhere."""

import shlex
import sys
from collections.abc import Collection
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.checks import found
from roadworn.checks.facts import Draft, Facts
from roadworn.model.amounts import read_odometer
from roadworn.model.errors import LedgerRefused, ProblemsFound, UnknownName, UsageError
from roadworn.say.telling import brief, describe
from roadworn_cli.context import check_day, default_currency, default_unit, state_of, today
from roadworn_cli.output import escape, say
from roadworn_cli.record import (
    ALL,
    ByOption,
    CurrencyOption,
    Envelope,
    OnOption,
    SureOption,
    acknowledge,
    ask_first,
    cautions,
    new_event,
    say_odd,
    short,
    writing,
)

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.model.events import NewEvent, StoredEvent


def retract(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="EVENT", help="Its id, the beginning or end of it, or last.")
    ],
    why: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[REASON]",
            help="Why it should not count; after last, the vehicle first: retract last bus-7 "
            "'typed twice'.",
            show_default=False,
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option(metavar="TEXT", help="The same, as an option.")
    ] = "no reason given",
    on: OnOption = "",
    by: ByOption = "",
    sure: SureOption = False,
) -> None:
    """Take an event back: it stays in the ledger, and no longer counts."""
    day = on or today().isoformat()
    with writing(ctx) as ledger:
        said = list(why or ())
        named = said.pop(0) if said and _is_last(event) and _known(ledger, said[0]) else ""
        if len(said) > 1:
            raise UsageError(f"{said[1]!r} is one word too many: put the reason in quotes.")
        reason = said[0] if said else reason
        if not reason.strip():
            raise UsageError("--reason is empty: say why the event should not count.")
        old = _named_entry(
            ledger, event, named, ("Take that one back?", "retract", *said), sure=sure
        )
        if old.kind == "retraction":
            raise UsageError(
                f"Event {short(old.event_id)} is a retraction: write the event it took back "
                "anew instead; `roadworn undo` takes back what was written before."
            )
        _refuse_amended(ledger.facts, old)
        taking = new_event(
            {
                "vehicle_id": old.vehicle_id,
                "kind": "retraction",
                "occurred_at": day,
                "payload": {"event": old.event_id, "reason": reason},
                "recorded_by": by,
            }
        )
        ask_first(ledger, taking, sure=sure)
        stored = ledger.append(taking)
    told = escape(describe(old.kind, brief(old.data())))
    typer.echo(f"{short(stored.event_id)}  {old.vehicle_id}  {day}  took back: {told}")


def _refuse_amended(facts: Facts, event: "StoredEvent") -> None:
    """Refuse to amend an event a second time: two replacements of one event would both count.

    Raises:
        LedgerRefused: it was replaced or taken back; names the event to go on from.
    """
    last = facts.amendment_of(event)
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
            "warranty='12 months/12,000 mi' findings.0.condition=failed; after last, the vehicle "
            "first: correct last bus-7 position=LF.",
        ),
    ],
    currency: CurrencyOption = "",
    by: ByOption = "",
    sure: SureOption = False,
) -> None:
    """Write an event anew with some fields changed; the old one stays and is marked replaced."""
    from roadworn.reading.fields import change_fields

    with state_of(ctx).open_ledger(writable=True, plugin_kinds=True) as ledger:
        old, changes = _meant(ledger, event, changes, sure=sure)
        if old.kind == "retraction":
            raise UsageError(
                f"Event {short(old.event_id)} is a retraction, which cannot be corrected: write "
                "the event it took back anew."
            )
        _refuse_amended(ledger.facts, old)
        kind = ledger.kinds.get(old.kind)
        envelope, inner, typed = _envelope(old, changes)
        payload = kind.upcast(old.version, old.data())
        inner = [_with_whole_id(ledger, change) for change in inner]
        code = currency or default_currency()
        payload = change_fields(kind.model, payload, inner, code, default_unit())
        payload["replaces"] = old.event_id
        anew = new_event({**envelope, "kind": old.kind, "payload": payload, "recorded_by": by})
        changed = _changed(old, anew, anew.payload)
        figure = typed.odometer
        asked = ask_first(ledger, anew, figure, sure=sure, changed=changed, but=old.event_id)
        stored = ledger.append(anew)
        acknowledge(stored, f" (replaces {short(old.event_id)})")
        changed = _changed(old, stored, stored.data())
        _tell_changed(ledger.facts, stored, changed, typed, asked)


def _meant(
    ledger: "Ledger", event: str, changes: list[str], *, sure: bool
) -> tuple["StoredEvent", list[str]]:
    """Return the entry to write anew, and its changes without the vehicle that was named.

    Raises:
        ProblemsFound: `last` stands alone, and there is nobody to ask or the answer is no.
        UsageError: the vehicle has no entry, or is named beside an entry's id.
    """
    named = changes[0] if "=" not in changes[0] else ""
    if named and not _is_last(event):
        raise UsageError(f"{named!r} is no change: write it as FIELD=VALUE, position=LF.")
    if named:
        changes = changes[1:]
        if not changes:
            raise UsageError("Nothing would be changed: write FIELD=VALUE behind the vehicle.")
    asked = ("Write that one anew?", "correct", *changes)
    return _named_entry(ledger, event, named, asked, sure=sure), changes


def _is_last(event: str) -> bool:
    return event.strip().lower() == "last"


def _known(ledger: "Ledger", vehicle: str) -> bool:
    """Whether a word behind `last` names a vehicle."""
    try:
        ledger.require_vehicle(vehicle)
    except UnknownName:
        return False
    return True


def _named_entry(
    ledger: "Ledger", event: str, vehicle: str, asked: tuple[str, ...], *, sure: bool
) -> "StoredEvent":
    """Return the entry that an id names, or the last one of a vehicle.

    What was refused is nowhere: after it, `last` alone is an older entry, often of another vehicle.
    So the vehicle is named with it, or somebody says that this entry is meant.

    Args:
        ledger: an open ledger.
        event: an entry's id, or `last`.
        vehicle: named beside `last`, or an empty text.
        asked: the question where nothing is named; the verb; what is typed behind the vehicle.
        sure: somebody said that the entry is meant.

    Raises:
        ProblemsFound: `last` stands alone, and there is nobody to ask or the answer is no.
        UsageError: the vehicle has no entry.
    """
    if not _is_last(event):
        return ledger.event(event)
    if vehicle:
        vehicle_id = ledger.require_vehicle(vehicle)
        # Typed twice, it must not take back what was written before as well.
        facts = ledger.facts
        last = (facts.last_entry if asked[1] == "correct" else facts.last_written)(vehicle_id)
        if last is None:
            raise UsageError(f"Nothing is written down of {vehicle_id}.")
        return last
    old = ledger.event(event)
    told = (
        f"last is an entry of {old.vehicle_id}, {old.occurred_at[:10]}, "
        f"{describe(old.kind, brief(old.data()))}."
    )
    if sure or old.kind == "retraction":
        return old
    question, verb, *behind = asked
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        line = shlex.join([verb, "last", old.vehicle_id, *behind])
        raise ProblemsFound(
            f"Not written: {told} If it is the one that you mean, name its vehicle, `roadworn "
            f"{line}`, or add --sure.",
            (),
        )
    say(f"{told[0].upper()}{told[1:]}")
    if not typer.confirm(question, default=False, err=True):
        raise ProblemsFound("Nothing was written.", ())
    return old


def move(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="EVENT", help="Its id, the beginning or end of it, or last.")
    ],
    vehicle: Annotated[
        list[str],
        typer.Argument(
            metavar="VEHICLE",
            help="The vehicle that it should stand at; after last, the one where it stands first: "
            "move last bus-7 bus-8.",
        ),
    ],
    by: ByOption = "",
    sure: SureOption = False,
) -> None:
    """Put an entry to another vehicle: it is taken back, and written anew over there.

    An estimate takes the answers to it along. Figure and day are looked at beside those of the
    other vehicle first, as of any entry.
    """
    with state_of(ctx).open_ledger(writable=True, plugin_kinds=True) as ledger:
        from roadworn.intake.moving import moved

        *source, target = vehicle
        if len(source) > (1 if _is_last(event) else 0):
            raise UsageError("An entry goes to one vehicle: roadworn move EVENT VEHICLE.")
        # Looked for first: a name that is none should not be asked about.
        target = ledger.require_vehicle(target)
        asked = ("Move that one?", "move", target)
        old = _named_entry(ledger, event, "".join(source), asked, sure=sure)
        _refuse_amended(ledger.facts, old)
        events = moved(ledger, old, target, today().isoformat(), by)
        anew = [one for one in events if one.kind != "retraction"]
        for one in anew:
            ask_first(ledger, one, sure=sure)
        ledger.append_many(events)
        for one in anew:
            stored = ledger.event(one.event_id or "")
            acknowledge(stored, f" (was at {old.vehicle_id})")
            for text in cautions(stored):
                say(text)


def _tell_changed(
    facts: Facts,
    stored: "StoredEvent",
    changed: Collection[str],
    envelope: Envelope,
    asked: Collection[str],
) -> None:
    """Say what is odd about the fields of an event that were corrected, and cautions.

    Args:
        facts: what its ledger knows.
        stored: the event written anew.
        changed: columns that hold something else now.
        envelope: what of the envelope was typed.
        asked: codes of what was asked about before.
    """
    odd = found(Draft.of(stored, envelope.odometer), facts, ALL)
    # What is private or not agreed to stays so, whatever was changed.
    always = {"private", "no-consent"}
    told = (p for p in odd if p.code in always or p.column.partition("[")[0] in changed)
    say_odd((problem for problem in told if problem.code not in asked), stored)
    for text in cautions(stored):
        say(text)


def _with_whole_id(ledger: "Ledger", change: str) -> str:
    """Return a change with the whole id of the job that it names, where it names one."""
    field, _, text = change.partition("=")
    if field.strip().replace("-", "_") != "comeback_of" or not text.strip():
        return change
    return f"comeback_of={ledger.event(text.strip()).event_id}"


def _changed(old: "StoredEvent", anew: "StoredEvent | NewEvent", now: dict[str, Any]) -> set[str]:
    """Return the columns that hold something else now; a VIN and a model year go together."""
    before = old.data()
    fields = {name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}
    if fields & {"vin", "model_year"}:
        fields |= {"vin", "model_year"}
    changed = {f"payload.{name}" for name in fields} | (fields & {"old_reading"})
    if (old.odometer, old.odometer_unit) != (anew.odometer, anew.odometer_unit):
        changed.add("odometer")
    return changed if old.occurred_at == anew.occurred_at else {*changed, "occurred_at"}


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
                "The vehicle of an event cannot be corrected: put the event to the right one with "
                f"`roadworn move {short(old.event_id)} {text or 'VEHICLE'}`."
            )
        else:
            inner.append(change)
    return envelope, inner, typed
