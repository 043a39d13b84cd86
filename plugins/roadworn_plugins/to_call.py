"""Whom to call about what: work declined or deferred, services and inspections that fall due."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated

from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Column,
    Holds,
    Mark,
    Marks,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Joined, Says
from roadworn_plugins.inspection.tables import officials_of
from roadworn_plugins.maintenance import never_here
from roadworn_plugins.maintenance.schedule import (
    DueService,
    load_schedule,
    serviced,
    services_done,
    standing_of,
)
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.offers import load_offers, told_offer
from roadworn_plugins.shared.prices import Price, Prices
from roadworn_plugins.shared.settings import (
    MostRows,
    OnlyVehicle,
    ShownUnit,
    all_said,
    whole_distance,
)

#: Share of an interval within which a service still is in time; as `maintenance-due` has it.
_WINDOW = 0.1

ABOUT = """\
Question: Which owners should be called, about what, and in which order?

Method: Work that was offered and declined, deferred or not answered, and not done since; services
of the schedule that are due or fall due within the time asked for; official inspections that run
out within it. One list by vehicle: those first on which something can hurt somebody, then those
with the most money.

Assumptions: Services fall due at the vehicle's own pace. A price is that of today, of this
vehicle's own estimate where it has one.

Reading: "since" is the first offer, or the last time the service was done. A vehicle without a
record of a service is not called about it. Names and numbers of owners are in no event and so in
no answer; `roadworn today --call --contacts` adds them.

Reference: common practice, no source.
"""
_say = Says(
    "call-list",
    {
        "headline": (
            "{n} vehicle to call about{safety}{money}.",
            "{n} vehicles to call about{safety}{money}.",
        ),
        "nobody": "Nobody to call: no work of before today waits for an answer, nothing falls "
        "due within {months:g} {months:month|months}.",
        "put-off": (
            "{n} answer or offer of today is left out until tomorrow.",
            "{n} answers or offers of today are left out until tomorrow.",
        ),
        "safety": ", {n} with something that can hurt somebody",
        "money": ", {amount:,.0f} {currency} in all",
        "title": "To call, as of {day}",
        "declined": "declined",
        "deferred": "deferred",
        "no-answer": "no answer",
        "overdue": "overdue",
        "due": "due",
        "soon": "due soon",
        "inspection": "inspection",
        "by-day": "by {day}",
        "by-distance": "at {distance:,} {unit}",
        "by-hours": "at {hours:,.0f} h",
        "expected": "about {day}",
        "last-done": "last done on {day}",
        "ran-out": "the {inspection} inspection ran out on {day}",
        "runs-out": "the {inspection} inspection runs out on {day}",
        "not-shown": ("{n} more vehicle is not shown.", "{n} more vehicles are not shown."),
    },
)
_COLUMNS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("component", "about", "component", tells=Tells.COMPONENT),
    Column("position", "where", tells=Tells.PLACE),
    Column("why", "why", tells=Tells.STATE),
    Column("say", "what to say", "sentence", tells=Tells.SEEN),
    Column("since", "since", "date", tells=Tells.SINCE),
    Column("due", "due", "date", tells=Tells.TIME),
    Column("price", "price", "money", tells=Tells.VALUE),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
)


class CallListSettings(Settings):
    """How far ahead, and by which schedule."""

    vehicle: OnlyVehicle = None
    months: Annotated[float, Field(ge=0, le=24, description="how far ahead")] = 1.0
    schedule: Annotated[
        str,
        Field(description="schedule or path of one; else ROADWORN_SCHEDULE, else common practice"),
    ] = ""
    unit: ShownUnit = None
    most: MostRows = 200


@dataclass(frozen=True, slots=True)
class _Matter:
    """One thing to call about; `hurts` is 2 where it can hurt somebody now, 1 once it fails."""

    vehicle: str
    component: str
    position: str
    why: str
    say: str
    since: date | None
    due: date | None
    price: Price | None
    hurts: int
    events: tuple[str, ...]

    @property
    def money(self) -> float:
        """What it comes to, 0 where no price is known."""
        return 0.0 if self.price is None else self.price.middle


def run(view: LedgerView, settings: CallListSettings) -> Result:
    """Gather what to call about, and put the vehicles in order."""
    prices = Prices.load(view)
    kinds = dict(
        view.sql("SELECT vehicle_id, vehicle_class FROM vehicles WHERE retired_on IS NULL").rows
    )
    found: dict[str, list[_Matter]] = {}
    for matter in _matters(view, settings, prices, kinds):
        if matter.vehicle in kinds and settings.vehicle in (None, matter.vehicle):
            found.setdefault(matter.vehicle, []).append(matter)
    for matters in found.values():
        matters.sort(key=lambda m: (-m.hurts, -m.money, m.due or date.max, m.component, m.position))
    order = sorted(
        found.values(), key=lambda of: (-of[0].hurts, -sum(m.money for m in of), of[0].vehicle)
    )
    shown = order[: settings.most]
    rows = [matter for matters in shown for matter in matters]
    money = sum(matter.money for matters in order for matter in matters)
    hurting = sum(matters[0].hurts == 2 for matters in order)
    headline = _say("nobody", months=settings.months)
    if order:
        headline = _say(
            "headline",
            n=len(order),
            safety=_say.some(hurting, "safety"),
            money=_say.when(money, "money", amount=money, currency=prices.currency),
        )
    return Result(
        headline=headline,
        tables=(
            Table(
                "call_list",
                _say("title", day=view.today),
                _COLUMNS,
                tuple(map(_row, rows)),
                tuple(matter.events for matter in rows),
                Holds.TO_CALL,
                tuple(_MARKS[matter.hurts] for matter in rows),
            ),
        ),
        caveats=all_said(
            _say.some(_put_off(view, settings), "put-off"),
            _say.some(len(order) - len(shown), "not-shown"),
            *prices.caveats(matter.component for matter in rows),
        ),
    )


_MARKS = (Marks(), Marks({Mark.CRITICAL}), Marks({Mark.SAFETY}))


def _row(matter: _Matter) -> tuple[Cell, ...]:
    price = matter.price
    return (
        *(matter.vehicle, matter.component, matter.position, matter.why, matter.say),
        *(matter.since, matter.due),
        None if price is None else round(price.middle, 2),
        None if price is None else price.currency,
    )


def _matters(
    view: LedgerView, settings: CallListSettings, prices: Prices, kinds: dict[str, str]
) -> Iterator[_Matter]:
    """Yield everything to call about, in no order."""
    until = view.today + timedelta(days=round(settings.months * 365.25 / 12))
    for offer in load_offers(view, settings.vehicle):
        answer = offer.answers[-1]
        # What was approved is waited for already; what was offered or answered today is fresh.
        if answer == "approved" or offer.last >= view.today:
            continue
        critical = _critical(offer.component)
        yield _Matter(
            *(offer.vehicle, offer.component, offer.place),
            _say("no-answer" if answer == "none" else answer),
            told_offer(offer, view.today),
            offer.first,
            None,
            prices.of(offer.component, kinds.get(offer.vehicle), offer.vehicle, offer.place),
            2 if critical and offer.failed_on else int(critical),
            offer.events,
        )
    unit = settings.unit or view.usual_unit(settings.vehicle or "")
    for service in _services(view, settings):
        price = prices.of(
            service.service.component,
            kinds.get(service.vehicle),
            service.vehicle,
            work=service.service.action,
        )
        yield _Matter(
            *(service.vehicle, service.service.component, ""),
            _say(service.state),
            _told_service(service, unit),
            None if service.last is None else service.last.on,
            service.expected,
            price if price is not None and price.number else None,
            0,
            () if service.last is None else (service.last.event,),
        )
    for vehicle, officials in officials_of(view).items():
        for last in officials:
            if last.due is None or last.due > until:
                continue
            word = "ran-out" if last.due < view.today else "runs-out"
            told = _say(word, inspection=last.inspection, day=last.due)
            yield _Matter(
                *(vehicle, "", "", _say("inspection"), told),
                *(last.on, last.due, None, 0, (last.event,)),
            )


def _put_off(view: LedgerView, settings: CallListSettings) -> int:
    """Return how many jobs were offered, declined or deferred today: they are fresh."""
    offers = load_offers(view, settings.vehicle)
    return sum(one.answers[-1] != "approved" and one.last >= view.today for one in offers)


def _critical(component: str) -> bool:
    part = catalogue().find(component)
    return part is not None and part.safety_critical


def _services(view: LedgerView, settings: CallListSettings) -> Iterator[DueService]:
    """Yield the services that are due, or fall due in the time asked for."""
    schedule = load_schedule(settings.schedule)
    everyone, done = serviced(view, schedule, None), services_done(view, schedule)
    never = never_here(view, schedule)
    for one in standing_of(everyone, done, _WINDOW, settings.months, never):
        if one.state in ("overdue", "due", "soon"):
            yield one


def _told_service(one: DueService, unit: Unit) -> Joined:
    due, last = one.due, one.last
    told: list[str] = []
    if due is not None:
        far = whole_distance(due.km, unit)
        terms = (
            _say.when(due.on, "by-day", day=due.on),
            _say.when(far is not None, "by-distance", distance=far or 0, unit=unit),
            _say.when(due.hours is not None, "by-hours", hours=due.hours or 0),
        )
        told.append(Joined(terms, " / "))
        if one.state == "soon" and one.expected is not None and one.expected != due.on:
            told.append(_say("expected", day=one.expected))
    if last is not None:
        told.append(_say("last-done", day=last.on))
    return Joined(told, "; ")


CALL_LIST = Analysis(
    name="call-list",
    title="To call",
    question="Which owners should be called, about what, and in which order?",
    run=run,
    settings=CallListSettings,
    about=ABOUT,
    answers=Answers.TO_CALL,
)
