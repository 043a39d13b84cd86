"""When each measured part reaches its limit, by its own measurements, and the lines drawn.

One chart a component, one panel a place: the measurements, the limit, the fitted line with the
band in which a further measurement would lie, and the stretch in which it meets the limit.
"""

from collections.abc import Collection, Sequence
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Chart,
    Column,
    Holds,
    Result,
    Series,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name, place_of
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.units import exact
from roadworn_plugins.shared.grouped import Floats, Unit, shown_distance
from roadworn_plugins.shared.rule_sets import load_rules
from roadworn_plugins.shared.settings import all_said
from roadworn_plugins.wear.chances import replaced_at
from roadworn_plugins.wear.measured import Wear, is_wear, measured_wear, unprojected

#: What measured wear says, its table and its pictures.
say = Says(
    "measured-wear",
    {
        "at-its-limit": "at its limit by its own line",
        "no-wear": "no wear that its measurements could tell",
        "left": "about {middle:,.0f} {unit} left to the limit ({low:,.0f} to {high:,.0f})",
        "left-no-sure-end": (
            "about {middle:,.0f} {unit} left to the limit ({low:,.0f} or more, no end that is sure)"
        ),
        "distance": "distance ({unit})",
        "item-unit": "{item} ({unit})",
        "rose": "a figure higher than before: a new part not recorded, or another wheel?",
        "no-reading": "measured without an odometer reading: give --odometer with the look-over",
        "these": "{parts} ({reason})",
        "these-and-more": "{parts} and {more} more ({reason})",
        "left-out": "Measured, but left out: {parts}.",
        "limit": (
            "A limit says what still passes; the maker's figure and a qualified technician come "
            "first."
        ),
        "line": "Uneven wear, damage and age are not in a line through thickness or depth.",
        "none": "No fitted part was measured at two distances, or once after a known fitting, so "
        "no wear is known.",
        "none-of-vehicle": (
            "No fitted part of {vehicle} was measured at two distances, or once after a known "
            "fitting, so no wear is known."
        ),
        "write-down": "Write down tread depth and lining thickness at each look-over.",
        "nearest": "Nearest to its limit: {part}, {left}.",
        "nearest-in-months": (
            "Nearest to its limit: {part}, {left}, about {months:,.0f} {months:month|months} at "
            "its usual distance."
        ),
        "two": "{two} of {lines} {lines:line|lines} {two:rests|rest} on two measurements.",
        "one": "{one} of {lines} {lines:line|lines} {one:rests|rest} on one measurement and what "
        "a new part measures: the shop's own first figures, else common practice, no "
        "source.",
        "risen": (
            "At {risen} of {lines} {lines:place|places} a figure rose without a part on record; "
            "what was measured before is left out."
        ),
        "not-shown": "{parts} {parts:part|parts} farther from {parts:its|their} limit "
        "{parts:is|are} not shown; raise most.",
    },
)
_MOST_PLACES = 6
_POINTS = 25
#: A line is drawn so many times as far beyond the latest reading as it was measured for: what
#: lies farther off is told in words, and would press the measurements into a corner.
_BEYOND = 2.0


def charts(found: Sequence[Wear], unit: Unit) -> tuple[Chart, ...]:
    """Return a chart for each component of one vehicle, the nearest to its limit first.

    Args:
        found: wear of one vehicle's parts, the nearest to its limit first.
        unit: of distances.
    """
    by_component: dict[str, list[Wear]] = {}
    for wear in found:
        by_component.setdefault(wear.component, []).append(wear)
    return tuple(_chart(parts, unit) for parts in by_component.values())


def said_to_limit(wear: Wear, unit: Unit) -> Sentence:
    """Say how far it is to the limit, with its range."""
    if wear.expected <= wear.limit:
        return say("at-its-limit")
    if not np.isfinite(wear.middle_km):
        return say("no-wear")
    low, middle, high = (
        round(float(shown_distance(km / 1000.0, unit)), -2) if np.isfinite(km) else None
        for km in (wear.low_km, wear.middle_km, wear.high_km)
    )
    word = "left" if high is not None else "left-no-sure-end"
    return say(word, middle=middle, unit=unit, low=low, high=high)


def place_name(wear: Wear) -> str:
    """Return where it sits, or what it is where it has only one place."""
    return wear.position or part_name(wear.component)


def _chart(parts: list[Wear], unit: Unit) -> Chart:
    nearest = parts[0]
    # All panels of a chart share their axes, so they share a unit.
    length = nearest.unit
    series: list[Series] = []
    for wear in sorted(parts[:_MOST_PLACES], key=lambda one: one.position):
        series += _place(wear, unit, length)
    return Chart(
        name=f"wear-{nearest.component}",
        title=_of(part_name(nearest.component, nearest.position), nearest, unit),
        x_title=say("distance", unit=unit),
        y_title=say("item-unit", item=nearest.item, unit=length),
        series=tuple(series),
        alternative=Joined((_of(place_name(one), one, unit) for one in parts), by="; "),
    )


def _of(name: str, wear: Wear, unit: Unit) -> Joined:
    return Joined((name, said_to_limit(wear, unit)), by=": ")


def _place(wear: Wear, unit: Unit, length: str) -> list[Series]:
    """Return measurements, line with its band, limit and crossing of one place."""
    name = place_name(wear)
    scale = float(exact(1, length, "mm"))
    limit = wear.limit_mm / scale
    first = wear.points[0][0]
    crossing = [wear.at_km + km for km in (wear.low_km, wear.middle_km, wear.high_km)]
    farthest = wear.at_km + _BEYOND * max(wear.at_km - first, 1.0)
    met = [km for km in crossing if km <= farthest]
    end = max([wear.at_km, *met]) if len(met) == len(crossing) else farthest
    along = np.linspace(first, end, _POINTS)
    bands = [wear.line.limits(float(km), wear.level) for km in along]
    found = [
        Series(
            name,
            tuple(_shown(km, unit) for km, _mm in wear.points),
            tuple(mm / scale for _km, mm in wear.points),
            "points",
        ),
        Series(
            "fitted",
            tuple(_shown(float(km), unit) for km in along),
            tuple(max(wear.line.at(float(km)), 0.0) / scale for km in along),
            # Nothing can be thinner than gone.
            low=tuple(max(low, 0.0) / scale for low, _high in bands),
            high=tuple(max(high, 0.0) / scale for _low, high in bands),
            of=name,
        ),
        Series("limit", (_shown(first, unit), _shown(end, unit)), (limit, limit), of=name),
    ]
    if len(met) > 1:
        at = tuple(_shown(km, unit) for km in met)
        found.append(Series("meets the limit", at, (limit,) * len(at), of=name))
    return found


def _shown(km: float, unit: Unit) -> float:
    return float(shown_distance(km / 1000.0, unit))


_MOST = 2


def left_out(
    view: LedgerView, vehicle: str | None, found: Collection[Wear], rules: str = ""
) -> str:
    """Return in one sentence which measured parts are left out and why, or an empty text.

    Args:
        view: the ledger as of a day.
        vehicle: only this one.
        found: what was projected.
        rules: whose limits, as the projection had them.
    """
    told = {(w.vehicle, w.component, w.position) for w in found}
    items = [item for item in load_rules(rules).items if is_wear(item)]
    risen = {(p.vehicle, p.component, p.place) for p in unprojected(view, items) if p.left_out}
    components = sorted({c for item in items for c in item.components})
    marks = ", ".join("?" * len(components))
    reasons: dict[tuple[str, str, str], Sentence] = {}
    for name, component, position, read in view.sql(
        f"""SELECT m.vehicle_id, m.component, m.position, bool_or(e.odometer IS NOT NULL)
            FROM measurements AS m JOIN effective_events AS e USING (event_id)
            JOIN vehicles AS v ON v.vehicle_id = m.vehicle_id AND v.retired_on IS NULL
            WHERE m.component IN ({marks}) AND m.value_mm IS NOT NULL
            GROUP BY m.vehicle_id, m.component, m.position
            ORDER BY m.vehicle_id, m.component, m.position""",
        components,
    ).rows:
        key = (name, component, place_of(component, position))
        if key in told or vehicle not in (None, name):
            continue
        if key in risen or not read:
            # What was measured once only waits for its next look-over, and needs no word.
            reasons[key] = say("rose" if key in risen else "no-reading")
    parts = []
    for reason in dict.fromkeys(reasons.values()):
        keys = [key for key, why in reasons.items() if why == reason]
        names: list[str] = [part_name(component, place) for _vehicle, component, place in keys]
        if vehicle is None:
            names = [
                Sentence("part-of-vehicle", "{part} of {vehicle}", part=name, vehicle=key[0])
                for name, key in zip(names, keys, strict=True)
            ]
        more = len(keys) - _MOST
        word = "these-and-more" if more > 0 else "these"
        parts.append(say(word, parts=Joined(names[:_MOST]), more=more, reason=reason))
    return say.when(parts, "left-out", parts=Joined(parts, by="; "))


ABOUT = """\
Question: When does each measured part reach its limit, by its own measurements?

Method: A straight line through what was measured of the fitted part, over true distance. Its
scatter is its own and that of all such lines in the ledger together (the moderated variance of
Smyth). The distance to the limit is where the line meets it, and its range where the limits of
one further measurement do (inverse prediction). Measured once after a known fitting, the line
begins at what a new part measures: the shop's own first figures, else common practice.

Assumptions: Wear goes on in proportion to distance. A figure that rises by more than a gauge
errs means that another part was fitted; the line starts anew there.

Reading: about 8000 mi left to the limit (5000 to 14000): 8 in 10 such parts would measure at the
limit within that range. Such parts are mostly replaced before; at which figure here, stands
beside it.

Reference: Draper and Smith, Applied Regression Analysis, 3rd ed. (1998), sections 3.1 and 3.2;
Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3.
"""


class WearOutlookSettings(Settings):
    """Which vehicle, and by whose limits."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    rules: Annotated[
        str,
        Field(description="rule set or path of one; else ROADWORN_RULES, else the federal rules"),
    ] = ""
    level: Annotated[float, Field(gt=0.5, lt=1, description="level of the ranges")] = 0.8
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 40


def run(view: LedgerView, settings: WearOutlookSettings) -> Result:
    """Project every part that was measured often enough."""
    unit = settings.unit or view.usual_unit()
    found = measured_wear(view, settings.vehicle, rules=settings.rules, level=settings.level)
    missing = left_out(view, settings.vehicle, found, settings.rules)
    if not found:
        none = "none-of-vehicle" if settings.vehicle else "none"
        return Result(
            headline=say(none, vehicle=settings.vehicle),
            caveats=all_said(missing, say("write-down")),
        )
    found.sort(key=lambda one: (one.middle_km, one.vehicle, one.component, one.position))
    habits = replaced_at(view)
    pace = _pace(view)
    shown = found[: settings.most]
    return Result(
        headline=_headline(found, settings.vehicle, unit, pace),
        tables=(_table(shown, habits, pace, unit, fleet=settings.vehicle is None),),
        charts=charts(shown, unit) if settings.vehicle else (),
        caveats=all_said(missing, *_caveats(found, len(found) - len(shown))),
    )


def _pace(view: LedgerView) -> dict[str, float]:
    """Return vehicle -> kilometres in a month, by its readings."""
    rows = view.sql("SELECT vehicle_id, km_per_month FROM usage_rates WHERE km_per_month > 0").rows
    return {vehicle: float(km) for vehicle, km in rows}


def _months(wear: Wear, pace: dict[str, float]) -> float | None:
    """Return in how many months it meets the limit at its vehicle's usual distance, or None."""
    if not np.isfinite(wear.middle_km) or wear.vehicle not in pace:
        return None
    return round(wear.middle_km / pace[wear.vehicle], 1)


def _headline(found: list[Wear], vehicle: str | None, unit: Unit, pace: dict[str, float]) -> str:
    first = found[0]
    name: str = part_name(first.component, first.position)
    if not vehicle:
        name = Sentence("part-of-vehicle", "{part} of {vehicle}", part=name, vehicle=first.vehicle)
    months = _months(first, pace)
    word = "nearest-in-months" if months else "nearest"
    return say(word, part=name, left=said_to_limit(first, unit), months=round(months or 0.0))


def _table(
    found: list[Wear],
    habits: dict[str, Floats],
    pace: dict[str, float],
    unit: Unit,
    *,
    fleet: bool,
) -> Table:
    return Table(
        name="measured_wear",
        holds=Holds.WEAR,
        title="Measured parts, the nearest to its limit first",
        columns=(
            Column("vehicle", "vehicle", detail=not fleet, tells=Tells.VEHICLE),
            Column("component", "component", "component", tells=Tells.COMPONENT),
            Column("position", "where", tells=Tells.PLACE),
            Column("measured", "measured", "number"),
            Column("measured_on", "measured on", "date", detail=True),
            Column("limit", "limit", "number"),
            Column("length_unit", "unit"),
            Column("wear", f"wear in 1,000 {unit}", "number", detail=True),
            Column("wear_low", "low", "number", detail=True, tells=Tells.LOW),
            Column("wear_high", "high", "number", detail=True, tells=Tells.HIGH),
            Column("left", "to the limit", "distance", unit, tells=Tells.VALUE),
            Column("left_low", "low", "distance", unit, tells=Tells.LOW),
            Column("left_high", "high", "distance", unit, tells=Tells.HIGH),
            Column("months", "in months", "number"),
            Column("replaced_at", "replaced here at", "number", detail=fleet),
            Column("measurements", "measurements", "integer", detail=True),
            Column("citation", "limit by", detail=True),
            Column("mark", "mark", detail=True),
        ),
        rows=tuple(_row(one, habits.get(one.component), pace, unit) for one in found),
        evidence=tuple(one.evidence for one in found),
    )


def _row(wear: Wear, habit: Floats | None, pace: dict[str, float], unit: Unit) -> tuple[Cell, ...]:
    scale = float(exact(1, wear.unit, "mm"))
    per = 1000.0 / float(shown_distance(1.0, unit))  # 1,000 of the unit shown in 1,000 km

    def rate(value: float) -> float:
        return round(value * per, 3)

    def left(km: float) -> float | None:
        if not np.isfinite(km):
            return None
        return float(np.round(shown_distance(km / 1000.0, unit), -2))

    return (
        wear.vehicle,
        wear.component,
        wear.position,
        wear.current,
        wear.current_on,
        wear.limit,
        wear.unit,
        rate(wear.per_1000_km),
        rate(wear.per_1000_km_low),
        rate(wear.per_1000_km_high),
        left(wear.middle_km),
        left(wear.low_km),
        left(wear.high_km),
        _months(wear, pace),
        None if habit is None else round(float(np.median(habit)) / scale, 1),
        wear.number,
        wear.citation,
        wear.mark,
    )


def _caveats(found: list[Wear], hidden: int) -> tuple[str, ...]:
    two = sum(one.number == 2 for one in found)
    single = sum(one.number == 1 for one in found)
    risen = sum(one.left_out > 0 for one in found)
    return (
        say("limit"),
        say("line"),
        say.when(two, "two", two=two, lines=len(found)),
        say.when(single, "one", one=single, lines=len(found)),
        say.when(risen, "risen", risen=risen, lines=len(found)),
        say.when(hidden > 0, "not-shown", parts=hidden),
    )


MEASURED_WEAR = Analysis(
    name="measured-wear",
    title="Measured wear",
    question="When does each measured part reach its limit, by its own measurements?",
    run=run,
    settings=WearOutlookSettings,
    about=ABOUT,
    answers=Answers.WEARS,
)
