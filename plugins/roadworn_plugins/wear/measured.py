"""Wear of one part by its own measurements.

A projection for one part from that part itself: better than a life table where it exists. The
line starts anew when the part was replaced, and when a figure rises by more than a reading
error, since then a part was fitted (or tires changed places) that nobody wrote down.

Where several limits hold, or the size that one hangs on is on no record, a part runs towards the
strictest: a distance to a limit may be too short, but never too long.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from itertools import pairwise

import numpy as np

from roadworn.checks.measured import RISE_MM
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import place_of
from roadworn.model.units import canonical_unit, exact
from roadworn.trade.limits import Item, Weight
from roadworn.trade.weight import weigh
from roadworn_plugins.shared.rule_sets import (
    Looks,
    RuleSet,
    asked_components,
    load_looks,
    load_rules,
)
from roadworn_plugins.wear.line import WearLine, line_from_new, line_through, new_figures

#: Reading error of tread and lining gauges in mm (common practice, no source: about half a 32nd
#: of an inch); a rise of RISE_MM is more than it explains.
READING_MM = 0.4
#: What the scatter of all other lines counts for beside a part's own, in degrees of freedom.
BORROWED_FREEDOM = 4.0
#: Fewer degrees of freedom in the whole ledger do not replace the reading error.
_LEAST_POOLED = 8


@dataclass(frozen=True, slots=True)
class Wear:
    """One fitted part that was measured at two distances, or at one after a known fitting.

    Attributes:
        vehicle, vehicle_class, component, position: where it is; pads and shoes by the axle.
        item: what is measured, in words.
        unit: unit of `limit`, `current`, `expected` and the rates: that of the last measurement.
        limit: figure at which it still passes.
        citation, mark: where the limit is from and how well founded it is.
        current, current_on: the last measurement.
        expected: the line at the vehicle's latest reading.
        number: measurements used; from one the line begins at what a new part measures.
        left_out: earlier ones left out because a figure rose without a part on record.
        per_1000_km, per_1000_km_low, per_1000_km_high: wear, positive when it gets less.
        low_km, middle_km, high_km: distance from the latest reading to the limit, never
            negative; infinite where the measurements do not settle it.
        level: of all intervals.
        line: in mm over km, for other questions.
        at_km: true distance of the vehicle at its latest reading.
        points: the measurements used, true distance in km and figure in mm, oldest first.
        evidence: ids of the look-overs used.
    """

    vehicle: str
    vehicle_class: str
    component: str
    position: str
    item: str
    unit: str
    limit: float
    citation: str
    mark: str
    current: float
    current_on: date
    expected: float
    number: int
    left_out: int
    per_1000_km: float
    per_1000_km_low: float
    per_1000_km_high: float
    low_km: float
    middle_km: float
    high_km: float
    level: float
    line: WearLine
    at_km: float
    points: tuple[tuple[float, float], ...]
    evidence: tuple[str, ...]

    def chance_within(self, km: float) -> float:
        """Return the chance that it would measure at or below the limit `km` from here."""
        return float(self.line.chance_not_above(self.limit_mm, self.at_km + km))

    @property
    def limit_mm(self) -> float:
        """The limit in mm."""
        return float(exact(self.limit, self.unit, "mm"))


@dataclass(frozen=True, slots=True)
class _Point:
    km: float
    mm: float
    event: str
    on: date
    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class _Part:
    """The measurements of one fitted part, oldest first."""

    vehicle: str
    component: str
    place: str
    points: tuple[_Point, ...]
    left_out: int
    fitted_km: float | None = None
    fitting: str = ""

    @property
    def since_fitted(self) -> float | None:
        """Distance from its fitting to its first figure, None where that is not known."""
        gone = None if self.fitted_km is None else self.points[0].km - self.fitted_km
        return gone if gone is not None and gone > 0.0 and not self.left_out else None


def is_wear(item: Item) -> bool:
    """Whether a rule is about something that gets thinner."""
    limited = item.limit is not None or bool(item.table)
    return limited and item.direction == "min" and item.unit in ("32nds", "in", "mm")


@dataclass(frozen=True, slots=True)
class WearLimits:
    """The rules about wear, and what is on record of the vehicles that decides between them."""

    items: tuple[Item, ...]
    looks: Mapping[str, Looks]

    @classmethod
    def load(cls, view: LedgerView, items: Sequence[Item]) -> "WearLimits":
        """Read what decides; nothing is read when no rule hangs on anything."""
        hangs = any(item.only_with or item.only_recorded or item.table for item in items)
        return cls(tuple(items), load_looks(view, asked_components(items)) if hangs else {})

    def item_for(self, vehicle: str, weight: Weight, component: str, place: str) -> Item | None:
        """Return the rule for a part with its limit, or None when there is none."""
        own = self.looks.get(vehicle, Looks())
        fitting = [
            self._limited(item, own, place)
            for item in self.items
            if component in item.components
            and item.holds_for(weight, own.recorded)
            and item.covers(place or None)
        ]
        return max(fitting, key=_millimetres, default=None)

    def _limited(self, item: Item, own: Looks, place: str) -> Item:
        table = item.sized
        if table is None:
            return item
        limits = table.limits(own.sizes.size_for(table, place)) or table.limits(None)
        return replace(item, limit=max(limits), unit=table.unit)


def _millimetres(item: Item) -> Fraction:
    if item.limit is None:
        raise AssertionError(item.key)
    return exact(item.limit, item.unit, "mm")


def measured_wear(
    view: LedgerView,
    vehicle: str | None = None,
    *,
    rules: str | RuleSet = "",
    level: float = 0.8,
) -> list[Wear]:
    """Return the wear of every fitted part that was measured often enough.

    Args:
        view: the ledger as of a day.
        vehicle: only this one; the scatter is borrowed from all of them all the same.
        rules: whose limits, see `load_rules`.
        level: of the intervals.
    """
    if isinstance(rules, RuleSet):
        return _measured_wear(view, vehicle, rules, level)
    key = (Wear, vehicle, rules, level)
    return list(view.kept(key, lambda: _measured_wear(view, vehicle, load_rules(rules), level)))


def _measured_wear(
    view: LedgerView, vehicle: str | None, chosen: RuleSet, level: float
) -> list[Wear]:
    items = [item for item in chosen.items if is_wear(item)]
    every = list(_parts(view, items))
    new = new_figures(
        (part.component, part.since_fitted, part.points[0].mm)
        for part in every
        if part.since_fitted is not None
    )
    parts = [part for part in every if _lined(part, new)]
    spread = _pooled_spread(parts)
    limits = WearLimits.load(view, items)
    profiles = {
        row[0]: row[1:]
        for row in view.sql(
            """SELECT vehicle_id, vehicle_class, weight_class, duty, last_km FROM vehicles
               WHERE retired_on IS NULL"""
        ).rows
    }
    found = []
    for part in parts:
        if vehicle not in (None, part.vehicle) or part.vehicle not in profiles:
            continue
        vehicle_class, weight_class, duty, last_km = profiles[part.vehicle]
        said = {"vehicle_class": vehicle_class, "weight_class": weight_class, "duty": duty}
        weight = weigh(said).taken
        item = limits.item_for(part.vehicle, weight, part.component, part.place)
        if item is not None:
            line = _line(part, spread, new)
            found.append(_wear(part, item, vehicle_class, float(last_km or 0), line, level))
    return sorted(found, key=lambda w: (w.vehicle, w.component, w.position))


def unprojected(view: LedgerView, items: Sequence[Item]) -> list["_Part"]:
    """Return the parts measured at one distance only since they were fitted or a figure rose."""
    return [part for part in _parts(view, items) if len({p.km for p in part.points}) < 2]


def _lined(part: _Part, new: Mapping[str, tuple[float, float]]) -> bool:
    """Whether a line can be drawn: through two distances, or from new to one far enough away."""
    if len({p.km for p in part.points}) > 1:
        return True
    known = new.get(part.component)
    return (
        known is not None
        and part.since_fitted is not None
        and part.points[0].mm < known[0] - known[1]
    )


def _parts(view: LedgerView, items: Sequence[Item]) -> Iterable[_Part]:
    components = sorted({c for item in items for c in item.components})
    marks = ", ".join("?" * len(components))
    fitted: dict[tuple[str, str, str], _Fitting] = {}
    for vehicle, component, position, on, seq, km, event in view.sql(
        f"""SELECT vehicle_id, component, position, occurred_on, seq, true_km, event_id
            FROM replacements WHERE component IN ({marks}) ORDER BY occurred_on, seq""",
        components,
    ).rows:
        fitted[vehicle, component, place_of(component, position)] = (on, seq, km, event)
    points: dict[tuple[str, str, str], list[_Point]] = {}
    for vehicle, component, position, on, seq, km, event, mm, value, unit in view.sql(
        f"""SELECT vehicle_id, component, position, occurred_on, seq, true_km, event_id, value_mm,
                   value, unit
            FROM measurements
            WHERE component IN ({marks}) AND value_mm IS NOT NULL AND true_km IS NOT NULL
            ORDER BY true_km, occurred_on, seq""",
        components,
    ).rows:
        place = place_of(component, position)
        if (on, seq) > _fitting(fitted, vehicle, component, place)[:2]:
            series = points.setdefault((vehicle, component, place), [])
            series.append(_Point(km, mm, event, on, value, unit))
    for (vehicle, component, place), series in points.items():
        worst = _worst_of_each(series)
        rises = [i for i, (a, b) in enumerate(pairwise(worst), start=1) if b.mm > a.mm + RISE_MM]
        start = rises[-1] if rises else 0
        _on, _seq, fitted_km, fitting = _fitting(fitted, vehicle, component, place)
        yield _Part(vehicle, component, place, tuple(worst[start:]), start, fitted_km, fitting)


_Fitting = tuple[date, int, float | None, str]
_NEVER: _Fitting = (date.min, 0, None, "")


def _fitting(
    fitted: Mapping[tuple[str, str, str], _Fitting], vehicle: str, component: str, place: str
) -> _Fitting:
    """Return the last time a part was fitted at a place, or anywhere without a place."""
    here = (fitted.get((vehicle, component, where), _NEVER) for where in (place, ""))
    return max(here, key=lambda one: one[:2])


def _worst_of_each(series: Iterable[_Point]) -> list[_Point]:
    """Return the least figure of each look-over, since the thinnest place decides."""
    least: dict[str, _Point] = {}
    for point in series:
        seen = least.get(point.event)
        if seen is None or point.mm < seen.mm:
            least[point.event] = point
    return sorted(least.values(), key=lambda p: (p.km, p.on))


def _pooled_spread(parts: Iterable[_Part]) -> dict[str, float]:
    """Return component -> scatter about such lines in mm, where the ledger has enough."""
    squares: dict[str, float] = {}
    freedom: dict[str, float] = {}
    for part in parts:
        if len(part.points) > 2:
            line = line_through(*_xy(part), borrowed_freedom=0.0)
            squares[part.component] = squares.get(part.component, 0.0) + line.residual
            freedom[part.component] = freedom.get(part.component, 0) + line.n - 2
    return {
        name: float(np.sqrt(squares[name] / freedom[name]))
        for name in squares
        if freedom[name] >= _LEAST_POOLED
    }


def _xy(part: _Part) -> tuple[list[float], list[float]]:
    return [p.km for p in part.points], [p.mm for p in part.points]


def _line(
    part: _Part, spread: Mapping[str, float], new: Mapping[str, tuple[float, float]]
) -> WearLine:
    # Rounded figures may lie on a line by chance; a gauge is never better than its reading.
    gauge = max(spread.get(part.component, READING_MM), READING_MM / 2)
    if len({p.km for p in part.points}) > 1 or part.fitted_km is None:
        return line_through(*_xy(part), borrowed_spread=gauge, borrowed_freedom=BORROWED_FREEDOM)
    one, (mm, differing) = part.points[0], new[part.component]
    fitted = float(part.fitted_km)
    return line_from_new((fitted, one.km), (mm, one.mm), (differing, gauge), BORROWED_FREEDOM)


def _wear(
    part: _Part,
    item: Item,
    vehicle_class: str,
    at_km: float,
    line: WearLine,
    level: float,
) -> Wear:
    if item.limit is None:
        raise AssertionError(item.key)
    last = part.points[-1]
    limit_mm = float(exact(item.limit, item.unit, "mm"))
    scale = float(exact(1, last.unit, "mm"))
    low, middle, high = (max(0.0, x - at_km) for x in line.falls_to(limit_mm, level))
    from_new = len({p.km for p in part.points}) < 2
    steep, flat = line.slope_limits(level)
    return Wear(
        vehicle=part.vehicle,
        vehicle_class=vehicle_class,
        component=part.component,
        position=part.place,
        item=item.name,
        unit=canonical_unit(last.unit),
        limit=float(exact(item.limit, item.unit, last.unit)),
        citation=item.citation,
        mark=item.mark,
        current=last.value,
        current_on=last.on,
        expected=line.at(at_km) / scale,
        number=len(part.points),
        left_out=part.left_out,
        per_1000_km=-line.slope * 1000.0 / scale,
        per_1000_km_low=-flat * 1000.0 / scale,
        per_1000_km_high=-steep * 1000.0 / scale,
        low_km=low,
        middle_km=middle,
        high_km=high,
        level=level,
        line=line,
        at_km=at_km,
        points=tuple((p.km, p.mm) for p in part.points),
        evidence=tuple(
            dict.fromkeys(
                [*(p.event for p in part.points), *filter(None, [part.fitting] * from_new)]
            )
        ),
    )
