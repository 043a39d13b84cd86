"""The tables that `next-repairs` shows: what is due, what is likely, and what it adds up to."""

from collections import defaultdict
from collections.abc import Iterable, Iterator

import numpy as np

from roadworn.analysis import Cell, Column, Holds, Mark, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name, place_of
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.places import covers
from roadworn.model.units import exact
from roadworn_plugins.ahead.due_now import DueItem
from roadworn_plugins.ahead.open_facts import Fact, OpenFacts
from roadworn_plugins.projection.count_law import stock
from roadworn_plugins.projection.renewal import over_usage
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.costs_ahead import Band
from roadworn_plugins.shared.grouped import Floats, Ints, Unit, shown_distance
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import Projection, taken
from roadworn_plugins.wear.chances import MeasuredParts

# Effects of a vehicle or a place from which on they are said, and the least usual number told.
_HARD, _EASY, _LEAST_USUAL = 1.3, 0.7, 0.1
#: Components whose jobs share labour when they lie at the same place.
_TOGETHER: tuple[frozenset[str], ...] = (
    frozenset({"brake.pad", "brake.rotor", "brake.caliper", "brake.hose"}),
    frozenset({"brake.shoe", "brake.drum", "brake.wheel_cylinder"}),
    frozenset({"engine.drive_belt", "engine.belt_tensioner", "electrical.alternator"}),
    frozenset({"engine.timing_belt", "cooling.water_pump"}),
    frozenset({"cooling.thermostat", "cooling.hose", "cooling.coolant"}),
    frozenset({"drivetrain.clutch", "engine.crank_seal"}),
    frozenset({"ignition.spark_plug", "ignition.coil"}),
    frozenset({"suspension.strut", "suspension.stabilizer_link", "suspension.ball_joint"}),
    frozenset({"steering.tie_rod_outer", "steering.tie_rod_inner", "wheel.alignment"}),
)


def shares_labour(one: tuple[str, str], other: tuple[str, str]) -> bool:
    """Return whether two jobs, each (component, position), share labour."""
    if one == other or not any(one[0] in s and other[0] in s for s in _TOGETHER):
        return False
    return _near(one[1], other[1])


def _near(one: str, other: str) -> bool:
    """Whether two places are the same, the same corner, or unstated."""
    corners = one.partition("-")[0], other.partition("-")[0]
    return corners[0] == corners[1] or covers(one, other) or covers(other, one)


_EVENTS_NAMED = 12
_STOCK_ROWS = 25
_say = Says(
    "next-repairs",
    {
        "labour": "labour about {cost:,.0f} {currency}; part not priced",
        "likely": "Likely to fail within {span}",
        "no-price": "no price on record",
        "own-wear": "its own measured wear: {figure:.3g} {unit} on {day}",
        "own-found": "found wearing on {day}",
        "own-habit": "such parts are replaced here at about {figure:.2g} {unit}",
        "age-unknown": "age unknown",
        "failed-here": "failed here {failures} {failures:time|times} where {usual:.1f} would be "
        "usual",
        "failed-here-few": "failed here {failures} {failures:time|times} where under 0.1 would be "
        "usual",
        "hard": "this vehicle's parts fail {times:.1f} times as often",
        "easy": "this vehicle's parts fail {times:.0%} as often",
        "calendar": "{years:.1f} years old, by calendar",
        "stock": "Parts to hold for {span} so that they suffice {service:.0%} of the time",
    },
)


def due_table(due: list[DueItem], fleet: bool, most: int) -> Table:
    """Return what is due already, safety first."""
    # Of a fleet the list is cut: what is most pressing must not be what falls off.
    shown = sorted(due, key=lambda item: item.rank)[: most * 3] if fleet else due
    rows = tuple(
        (
            item.vehicle,
            item.state,
            item.name,
            item.seen,
            item.since,
            # Labour without the part is no price: it stands in words beside the empty cell.
            None if item.price is None or not item.price.number else round(item.price.middle, 2),
            "" if item.price is None else item.price.currency,
            _price_words(item),
            item.component,
            item.position,
        )
        for item in shown
    )
    return Table(
        name="due_now",
        title="Due now",
        columns=(
            Column("vehicle", "vehicle", detail=not fleet, tells=Tells.VEHICLE),
            Column("state", "state", tells=Tells.STATE, brief=4),
            Column("what", "what", tells=Tells.NAME, brief=1),
            Column("seen", "what was seen", tells=Tells.SEEN, brief=5),
            Column("since", "since", "date", tells=Tells.SINCE, brief=6),
            Column("cost", "cost today", "money", tells=Tells.VALUE, brief=7),
            Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
            Column("price_from", "price from", detail=not any(_labour_only(i) for i in shown)),
            Column("component", "component", detail=True, tells=Tells.COMPONENT, brief=2),
            Column("position", "where", detail=True, tells=Tells.PLACE, brief=3),
        ),
        rows=rows,
        holds=Holds.DUE,
        marks=tuple(item.state.marks for item in shown),
        evidence=tuple(tuple(filter(None, item.events)) for item in shown),
    )


def _labour_only(item: DueItem) -> bool:
    return item.price is not None and not item.price.number


def _price_words(item: DueItem) -> str:
    if item.price is None:
        return ""
    if _labour_only(item):
        return _say("labour", cost=item.price.middle, currency=item.price.currency)
    return item.price.basis


def listed(
    parts: PartsAhead, chance: Floats, ahead: Ints, least_chance: float, most: int
) -> list[int]:
    """Return the parts to list, by chance times cost; safety first among equals.

    What is done by the axle is one job with one name, whichever of its sides is on record: the
    likeliest of them stands for it.

    Args:
        parts: what is fitted.
        chance: of each to fail.
        ahead: the parts that have not failed yet.
        least_chance: smaller ones are not listed.
        most: so many at the most.
    """
    once: dict[tuple[str, str, str], int] = {}
    for i in ahead.tolist():
        if chance[i] >= least_chance:
            key = parts.vehicle[i], parts.component[i], _place(parts, i)
            once[key] = max(once.get(key, i), i, key=lambda j: float(chance[j]))

    def weight(i: int) -> float:
        price = parts.price[i]
        return float(chance[i]) * (price.middle if price is not None else 1.0)

    # A tenth of a cent is rounding, and rows that are alike stand in the order of their names.
    likely = sorted(
        once.values(),
        key=lambda i: (
            -round(weight(i), 3),
            *(parts.component[i], parts.position[i], parts.vehicle[i]),
        ),
    )
    return likely[:most]


def _place(parts: PartsAhead, i: int) -> str:
    return place_of(parts.component[i], parts.position[i])


def next_table(
    view: LedgerView,
    measured: MeasuredParts,
    found: Projection,
    order: list[int],
    unit: Unit,
    span: str,
    time: Floats,
) -> Table:
    """Return the parts that are likely to fail, dearest first.

    Args:
        view: the ledger as of a day.
        measured: what is fitted, and the wear lines of what was measured.
        found: the projection of what is fitted.
        order: parts to show.
        unit: of distances.
        span: the time ahead in words.
        time: months ahead of each part.
    """
    parts = measured.parts
    known = parts.facts.telling(time) if isinstance(parts.facts, OpenFacts) else {}
    telling = {i: _telling(measured, i, known.get(i, ())) for i in order}
    fleet = len(set(parts.vehicle)) > 1
    events = lives_of.failure_events(view, ("component", "class"), most=_EVENTS_NAMED)
    rows = tuple(_row(measured, found, i, order, unit, telling[i]) for i in order)
    failures = _failures(view, None if fleet or not parts.vehicle else parts.vehicle[0])
    return Table(
        name="next_repairs",
        title=_say("likely", span=span),
        columns=(
            Column("vehicle", "vehicle", detail=not fleet, tells=Tells.VEHICLE),
            Column("what", "what", tells=Tells.NAME, brief=1),
            Column("age", "on it", "distance", unit),
            Column("chance", "chance", "chance", tells=Tells.VALUE, brief=2),
            Column("chance_low", "low", "chance", tells=Tells.LOW),
            Column("chance_high", "high", "chance", tells=Tells.HIGH),
            Column("cost", "cost if so", "money", brief=3),
            Column("cost_low", "cost low", "money", detail=True, tells=Tells.LOW),
            Column("cost_high", "cost high", "money", detail=True, tells=Tells.HIGH),
            Column("expected_cost", "chance x cost", "money"),
            Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
            Column("safety", "safety", brief=4),
            Column("basis", "rests on"),
            Column("together", "shares labour with", "sentence"),
            Column("component", "component", detail=True, tells=Tells.COMPONENT),
            Column("position", "where", detail=True, tells=Tells.PLACE),
            Column("price_from", "price from", detail=True),
        ),
        rows=rows,
        holds=Holds.AHEAD,
        marks=tuple(
            frozenset({Mark.CRITICAL}) if _critical(parts.component[i]) else frozenset()
            for i in order
        ),
        evidence=tuple(
            (
                *(measured.lines[i].evidence if i in measured.lines else ()),
                *(event for fact in telling[i] for event in fact.events),
                *filter(None, (parts.started_by[i],)),
                *(
                    failures.get((parts.vehicle[i], parts.component[i], parts.position[i]), ())
                    if _fails_here(parts, i)
                    else ()
                ),
                *events.get((parts.component[i], parts.vehicle_class[i]), ()),
            )
            for i in order
        ),
    )


def _row(
    measured: MeasuredParts,
    found: Projection,
    i: int,
    order: list[int],
    unit: Unit,
    facts: list[Fact],
) -> tuple[Cell, ...]:
    parts = measured.parts
    component, place, price = parts.component[i], _place(parts, i), parts.price[i]
    money: tuple[Cell, ...] = (None, None, None, None, "")
    if price is not None:
        expected = float(found.number[i]) * price.middle
        amounts = (price.middle, price.low, price.high, expected)
        money = (*(round(amount, 2) for amount in amounts), price.currency)
    with_it = Joined(
        part_name(parts.component[j], _place(parts, j))
        for j in order
        if parts.vehicle[j] == parts.vehicle[i]
        and shares_labour((component, place), (parts.component[j], _place(parts, j)))
    )
    return (
        parts.vehicle[i],
        part_name(component, place),
        _age(parts, i, unit),
        *(float(one[i]) for one in (found.chance, found.low, found.high)),
        *money,
        "safety" if _critical(component) else "",
        _basis(measured, i, facts),
        with_it,
        component,
        place,
        _say("no-price") if price is None else price.basis,
    )


def _critical(component: str) -> bool:
    known = catalogue().find(component)
    return known is not None and known.safety_critical


def _age(parts: PartsAhead, i: int, unit: Unit) -> float | None:
    """Return the distance on the part, None when its age is unknown or counted in years."""
    if not parts.known[i] or parts.clock[i] == "age":
        return None
    return float(np.round(shown_distance(float(parts.age[i, 0]), unit), -2))


def _basis(measured: MeasuredParts, i: int, facts: list[Fact]) -> str:
    """Say in one line what the chance rests on."""
    parts = measured.parts
    if i in measured.lines:
        return Joined(_of_wear(measured, i, facts), "; ")
    words = [
        *(fact.told for fact in facts),
        *([_repeats(parts, i)] if _fails_here(parts, i) else ()),
        *([] if parts.known[i] else [_say("age-unknown")]),
        *([_say("calendar", years=parts.age[i, 0])] if _by_calendar(parts, i) else ()),
        parts.models[parts.component[i]].model.basis(parts.vehicle_class[i]),
    ]
    times = float(parts.vehicle_effect[i])
    if times >= _HARD or times <= _EASY:
        words.append(_say("hard" if times >= _HARD else "easy", times=times))
    return Joined(words, "; ")


def _of_wear(measured: MeasuredParts, i: int, facts: list[Fact]) -> Iterator[Sentence]:
    """Yield what the chance of a measured part rests on, in the unit of its last figure."""
    wear = measured.lines[i]
    yield _say("own-wear", figure=wear.current, unit=wear.unit, day=wear.current_on)
    for fact in facts:
        yield _say("own-found", day=fact.day)
    habit = measured.habits.get(wear.component)
    if habit is not None:
        figure = float(np.median(habit)) / float(exact(1, wear.unit, "mm"))
        yield _say("own-habit", figure=figure, unit=wear.unit)


def _telling(measured: MeasuredParts, i: int, facts: Iterable[Fact]) -> list[Fact]:
    """Return the facts of today to name of a part.

    A part that was measured is judged by its figures, so only what was found on it is named;
    what lies upstream is named where the place fails again.
    """
    if i in measured.lines:
        return [fact for fact in facts if fact.kind == "wearing"][:1]
    again = _fails_here(measured.parts, i)
    return [fact for fact in facts if fact.kind != "upstream" or again]


def _by_calendar(parts: PartsAhead, i: int) -> bool:
    return bool(parts.known[i]) and parts.clock[i] == "age"


def _fails_here(parts: PartsAhead, i: int) -> bool:
    """Return whether the place keeps failing, so that this is the first thing to say of it."""
    own = float(parts.effect[i] / parts.vehicle_effect[i])
    return own >= _HARD and round(float(parts.failed_here[i])) > 1


def _repeats(parts: PartsAhead, i: int) -> Sentence:
    failures, usual = round(float(parts.failed_here[i])), float(parts.usual_here[i])
    word = "failed-here" if usual >= _LEAST_USUAL else "failed-here-few"
    return _say(word, failures=failures, usual=usual)


def _failures(view: LedgerView, vehicle: str | None) -> dict[tuple[str, str, str], list[str]]:
    """Return (vehicle, component, place) -> the events at which it failed, latest first."""
    found = defaultdict[tuple[str, str, str], list[str]](list)
    for name, component, place, event in view.of_vehicle(
        """SELECT vehicle_id, component, coalesce(position, ''), ended_by FROM part_lives
           WHERE ONLY(vehicle_id) AND failed AND ended_by IS NOT NULL
           ORDER BY ended_on DESC, ended_by""",
        vehicle,
    ).rows:
        found[name, component, place].append(event)
    return found


def totals_table(bands: dict[int, Band], currency: str) -> Table:
    """Return expected cost with its band for each horizon."""
    return Table(
        name="totals",
        title="What failures are expected to cost; it stays within the range 8 times in 10",
        columns=(
            Column("months", "months", "integer", tells=Tells.TIME),
            Column("expected", "expected", "money", currency, tells=Tells.VALUE),
            Column("low", "low", "money", currency, tells=Tells.LOW),
            Column("high", "high", "money", currency, tells=Tells.HIGH),
        ),
        holds=Holds.TOTALS,
        rows=tuple((m, band.expected, band.low, band.high) for m, band in bands.items()),
    )


def stock_table(
    parts: PartsAhead, found: Projection, ahead: Ints, service: float, span: str
) -> Table:
    """Return the parts to hold for the time asked about."""
    averaged = over_usage(list(found.counts), found.weight)
    names = np.array([parts.component[i] for i in ahead])
    needed = []
    for component in sorted(set(names.tolist())):
        one = stock(taken(averaged, ahead[names == component]))
        if one.expected >= 0.5:
            hold = one.to_hold(service)
            needed.append((part_name(component), one.expected, hold, component))
    needed.sort(key=lambda row: -row[1])
    rows = tuple(needed[:_STOCK_ROWS])
    return Table(
        name="stock",
        title=_say("stock", span=span, service=service),
        columns=(
            Column("what", "what"),
            Column("expected", "expected", "number"),
            Column("hold", "hold", "integer"),
            Column("component", "component", detail=True, tells=Tells.COMPONENT),
        ),
        rows=rows,
    )
