"""A word on stderr when work was not agreed to, or a job is back, for every verb that writes it."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from roadworn.checks.identity import beyond_digits, far_days, unlikely_day
from roadworn.checks.private import PRIVATE, looks_private
from roadworn.checks.readings import (
    LOWER,
    ROLLED,
    TOO_FAR,
    days_between,
    in_other_unit,
    reading_doubt,
    rolled_over,
)
from roadworn.checks.recent import LastReading, last_agreed, last_event, last_events, last_jobs
from roadworn.model.events import utc_now
from roadworn.say.telling import item_words
from roadworn_cli.context import state_of
from roadworn_cli.output import note

if TYPE_CHECKING:
    from roadworn.model.events import StoredEvent


#: No odometer shows three decimals, so a dot before three digits may mark thousands.
_DOT = re.compile(r"\s*(\d{1,3})\.(\d{3})\s*([a-z]*)\s*", re.IGNORECASE | re.ASCII)
_TEXTS = ("note", "complaint", "cause", "correction", "label")


def reading_remarks(
    stored: "StoredEvent",
    readings: Sequence[LastReading],
    typed: str,
    mend: str,
    digits: Callable[[], int | None] = lambda: None,
) -> Iterator[str]:
    """Yield what is odd about an odometer figure.

    Args:
        stored: the event with the figure.
        readings: those of the vehicle before it, in any order.
        typed: the figure as it was typed.
        mend: the short id of the event, to name in remedies.
        digits: looks up how many digits the odometer has; asked only where it matters.
    """
    exchange = stored.data() if stored.kind == "odometer_exchange" else {}
    value = exchange.get("old_reading", stored.odometer)
    unit = exchange.get("unit", stored.odometer_unit)
    if value is None or unit is None:
        return
    field = "old_reading" if exchange else "odometer"
    told = f"{value:,.10g} {unit}"
    remedy = f"A slip: roadworn correct {mend} {field}=…"
    dotted = _DOT.fullmatch(typed)
    if dotted is not None:
        yield (
            f"{typed.strip()!r} was read as {told}. Did the dot mark thousands? Then: roadworn "
            f"correct {mend} {field}='{dotted[1]},{dotted[2]} {unit}'"
        )
    usual = usual_unit(readings)
    if usual and unit != usual and not re.search(r"[a-z]", typed, re.IGNORECASE):
        yield (
            f"{typed.strip()} was taken as {unit}, while this vehicle is mostly read in {usual}. "
            f"A slip: roadworn correct {mend} {field}='{typed.strip()} {usual}'"
        )
    last = latest(readings)
    # An exchanged instrument does not roll over at its exchange: its old figure was read.
    doubt = reading_doubt(
        value, unit, stored.occurred_at, last, (lambda: None) if exchange else digits
    )
    if doubt is None:
        return
    if last is None or doubt.code == TOO_FAR:
        yield f"{doubt.message} It is kept and flagged. {remedy}"
        return
    if doubt.code == ROLLED:
        yield doubt.message
        return
    if exchange and doubt.code == LOWER:
        before = f"{last.value:,.10g} {last.unit} on {last.occurred_at[:10]}"
        yield f"The old figure, {told}, is lower than the last reading, {before}. {remedy}"
        return
    other = in_other_unit(value, unit, last, days_between(last.occurred_at, stored.occurred_at))
    fits = f" It would fit as {other}." if other else ""
    swapped = " An exchanged instrument: roadworn record exchange." if doubt.code == LOWER else ""
    yield f"{doubt.message} It is kept and flagged. {remedy}{fits}{swapped}"
    top = next((n for n in (5, 6) if rolled_over(last, value, unit, n)), None)
    if doubt.code == LOWER and top and not digits():
        yield (
            f"If it rolled over at {10**top:,}: roadworn record profile {stored.vehicle_id} "
            f"--odometer-digits {top}"
        )


def latest(readings: Iterable[LastReading]) -> LastReading | None:
    """Return the latest of readings that stand newest first, or None."""
    return max(readings, key=lambda reading: reading.occurred_at, default=None)


def usual_unit(readings: Sequence[LastReading]) -> str:
    """Return the unit that most readings are in, or an empty text when none leads."""
    miles = sum(reading.unit == "mi" for reading in readings)
    if 2 * miles == len(readings):
        return ""
    return "mi" if 2 * miles > len(readings) else "km"


def day_remarks(day: str, profile: dict[str, Any], mend: str) -> Iterator[str]:
    """Yield what is odd about the day of an event of a vehicle with this profile."""
    doubt = unlikely_day(day, profile, utc_now()[:10])
    if doubt is not None:
        meant = f" {doubt.hint.capitalize()}" if doubt.hint.endswith("?") else ""
        yield f"--on: {doubt.message} It is kept.{meant} A slip: roadworn correct {mend} on=…"


def profile_of(path: Path, vehicle_id: str) -> dict[str, Any]:
    """Return the profile as the ledger has it, the latest word for each field."""
    found: dict[str, Any] = {}
    enrolled = last_event(path, vehicle_id, "enrolment")
    for event in (enrolled, *reversed(last_events(path, vehicle_id, "profile_change"))):
        if event is not None:
            found |= {k: v for k, v in event.data().items() if v is not None}
    return found


def figure_remarks(stored: "StoredEvent", profile: dict[str, Any], mend: str) -> Iterator[str]:
    """Yield a word about a figure that the vehicle's odometer has not the digits for."""
    if stored.odometer is None or stored.odometer_unit is None:
        return
    digits = profile.get("odometer_digits")
    doubt = beyond_digits(stored.odometer, stored.odometer_unit, digits)
    if doubt is not None:
        yield f"{doubt.message} It is kept. {doubt.hint}: roadworn correct {mend} odometer=…"


def payload_remarks(stored: "StoredEvent") -> Iterator[str]:
    """Yield a word about each day in a payload that is far ahead or long ago."""
    for doubt in far_days(stored.data(), utc_now()):
        field = doubt.column.removeprefix("payload.")
        yield f"{field}: {doubt.message} It is kept; {doubt.hint}"


def repeat_remarks(stored: "StoredEvent", path: Path, mend: str) -> Iterator[str]:
    """Yield a word when the same maintenance stands twice on one day."""
    if stored.kind != "maintenance":
        return
    place = _place(stored)
    for other in last_events(path, stored.vehicle_id, "maintenance"):
        if other.event_id != stored.event_id and _place(other) == place:
            yield (
                f"{item_words(stored.data())} {stored.data().get('action', 'replaced')} stands on "
                f"{place[0]} already, as event {other.event_id[-8:]}. Both are kept. The same "
                f"work: roadworn retract {mend} --reason twice"
            )
            return


def private_remarks(stored: "StoredEvent") -> Iterator[str]:
    """Yield a word when a text seems to hold somebody's name, number or e-mail address."""
    payload = stored.data()
    texts = [payload.get(field) for field in _TEXTS]
    texts += [finding.get("note") for finding in payload.get("findings", ())]
    if any(text and looks_private(text) for text in texts):
        yield f"{PRIVATE}."


def _place(event: "StoredEvent") -> tuple[str, str, str, str]:
    payload = event.data()
    return (
        event.occurred_at[:10],
        payload["component"],
        payload.get("position") or "",
        payload.get("action", "replaced"),
    )


_SAYS = ("weight_class", "vehicle_class", "duty")


def weight_remarks(stored: "StoredEvent", path: Path) -> Iterator[str]:
    """Yield a word when what a profile says of the weight is not understood or contradicted.

    Args:
        stored: the event just written.
        path: of the ledger.
    """
    if stored.kind not in {"enrolment", "profile_change"}:
        return
    said = stored.data()
    if any(said.get(field) for field in _SAYS):
        from roadworn.trade.weight import weigh

        doubt = weigh(profile_of(path, stored.vehicle_id)).doubt
        if doubt:
            yield (
                f"{doubt} Kept as typed. To change it: roadworn record profile "
                f"{stored.vehicle_id} --weight-class ..."
            )


def tell_consent(ctx: typer.Context, stored: "StoredEvent") -> None:
    """Say when the customer put work off, never answered for it, or approved less than it is."""
    from roadworn.checks.consent import WORK, consent_words

    if stored.kind not in WORK:
        return
    told = consent_words(stored, last_agreed(state_of(ctx).ledger, stored.vehicle_id))
    if told:
        note(told)


def tell_comeback(ctx: typer.Context, stored: "StoredEvent") -> None:
    """Say when a part or a complaint is back within its warranty or the usual window."""
    from roadworn.checks.comebacks import comeback_words

    told = comeback_words(stored, last_jobs(state_of(ctx).ledger, stored.vehicle_id))
    if told:
        note(told)
