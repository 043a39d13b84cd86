"""How each service stands today, by one rule for all: what nobody here records is not overdue."""

from collections.abc import Collection, Iterable, Sequence
from datetime import timedelta

from roadworn.columns.view import LedgerView
from roadworn.trade.warranty import Interval, Point, due_after, expected_on, is_past, timing
from roadworn_plugins.maintenance.schedule import (
    Done,
    DueService,
    Schedule,
    Service,
    Serviced,
    State,
    history_of,
    load_schedule,
    serviced,
    services_done,
)

#: A service that nobody wrote down must have fallen due so often, and so often on one vehicle,
#: before it is told as never recorded here. Common practice, no source.
_FELL_DUE_BEFORE, _FELL_DUE_ON_ONE = 3, 2


def due_services(
    view: LedgerView,
    vehicle: str | None = None,
    *,
    schedule: str = "",
    window: float = 0.1,
    ahead_months: float = 12.0,
) -> list[DueService]:
    """Return how every service of the schedule stands on vehicles that are still here.

    Args:
        view: the ledger as of a day.
        vehicle: only this one.
        schedule: packaged name, or path of a shop's own; see `load_schedule`.
        window: share of an interval that still is in time.
        ahead_months: what falls due within it is `soon`.
    """
    chosen = load_schedule(schedule)
    return standing_of(
        serviced(view, chosen, vehicle),
        services_done(view, chosen),
        window,
        ahead_months,
        never_here(view, chosen),
    )


def never_here(view: LedgerView, schedule: Schedule) -> frozenset[tuple[str, str]]:
    """Return component and action of the services that nobody here ever writes down, found once.

    Args:
        view: the ledger as of a day.
        schedule: whose services.
    """

    def find() -> frozenset[tuple[str, str]]:
        return _never_recorded(serviced(view, schedule, None), services_done(view, schedule))

    return view.kept((never_here, schedule), find)


def _never_recorded(vehicles: Iterable[Serviced], done: Done) -> frozenset[tuple[str, str]]:
    """Return component and action of the services that nobody here ever writes down.

    Such a service is done elsewhere, or nobody keeps a record of it; that is not overdue. There
    must be no record of it on any vehicle, though it would have fallen due several times, and
    twice on one vehicle at least: a first service that was forgotten is still called overdue.

    Args:
        vehicles: all of the ledger.
        done: from `services_done`.
    """
    recorded = {(component, action) for _vehicle, component, action in done}
    fell_due: dict[tuple[str, str], list[int]] = {}
    for one in vehicles:
        for service in one.services if one.start is not None else ():
            key = service.component, service.action
            if key not in recorded and one.start is not None:
                fell_due.setdefault(key, []).append(_times(service.interval, one.start, one.now))
    return frozenset(
        key
        for key, times in fell_due.items()
        if sum(times) >= _FELL_DUE_BEFORE and max(times) >= _FELL_DUE_ON_ONE
    )


def _times(interval: Interval, start: Point, now: Point) -> int:
    """Return how often a service fell due between two moments, by whichever clock."""
    by_km = by_time = by_hours = 0.0
    if interval.km and start.km is not None and now.km is not None:
        by_km = (now.km - start.km) / interval.km
    if interval.months:
        by_time = (now.on - start.on).days / (interval.months * 365.25 / 12)
    if interval.hours and start.hours is not None and now.hours is not None:
        by_hours = (now.hours - start.hours) / interval.hours
    return int(max(by_km, by_time, by_hours))


def standing_of(
    vehicles: Iterable[Serviced],
    done: Done,
    window: float,
    ahead_months: float,
    never: Collection[tuple[str, str]] = (),
) -> list[DueService]:
    """Return how each service of each vehicle that is here stands.

    Args:
        vehicles: from `serviced`.
        done: from `services_done`.
        window: share of an interval that still is in time.
        ahead_months: what falls due within it is `soon`.
        never: component and action of what is never recorded here, which has no state.
    """
    return [
        DueService(vehicle.name, service)
        if (service.component, service.action) in never
        else _standing(vehicle, service, history_of(vehicle, service, done), window, ahead_months)
        for vehicle in vehicles
        if vehicle.here
        for service in vehicle.services
    ]


def _standing(
    vehicle: Serviced,
    service: Service,
    history: Sequence[Point],
    window: float,
    ahead_months: float,
) -> DueService:
    if not history:
        return DueService(vehicle.name, service)
    now = vehicle.now
    due = due_after(history[-1], service.interval, window)
    expected = expected_on(due, now, vehicle.km_per_day, vehicle.hours_per_day)
    left = None if due.km is None or now.km is None else due.km - now.km
    hours = None if due.hours is None or now.hours is None else due.hours - now.hours
    until = now.on + timedelta(days=round(ahead_months * 365.25 / 12))
    state: State = "soon" if expected is not None and expected <= until else "later"
    if timing(due, now) == "late":
        state = "overdue"
    elif is_past(due, now):
        state = "due"
    return DueService(vehicle.name, service, state, history[-1], due, expected, left, hours)
