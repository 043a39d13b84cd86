"""Wear of one part by its own measurements, and the figures at which such parts were replaced.

A projection for one part from that part itself: better than a life table where it exists. The
line starts anew when the part was replaced, and when a figure rises by more than a reading
error, since then a part was fitted (or tires changed places) that nobody wrote down.

Where several limits hold, or the size that one hangs on is on no record, a part runs towards the
strictest: a distance to a limit may be too short, but never too long.

The limit of a rule set says what still passes; a shop that finds a lining at twice that figure
replaces it rather than see the customer again in a month. A projection to the legal limit would
come too late, so the figures at which this ledger's own parts were replaced stand beside it.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from itertools import groupby, pairwise

import numpy as np

from roadworn.checks.measured import RISE_MM
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import place_of
from roadworn.model.places import axle_of
from roadworn.model.units import canonical_unit, exact
from roadworn.trade.limits import Item, Weight
from roadworn.trade.weight import weigh
from roadworn_plugins.shared.grouped import Floats, Unit
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.rule_sets import (
    Looks,
    RuleSet,
    asked_components,
    load_looks,
    load_rules,
)
from roadworn_plugins.wear.line import WearLine, line_through

#: Reading error of tread and lining gauges in mm (common practice, no source: about half a 32nd
#: of an inch); a rise of RISE_MM is more than it explains.
READING_MM = 0.4
#: What the scatter of all other lines counts for beside a part's own, in degrees of freedom.
BORROWED_FREEDOM = 4.0
#: Fewer degrees of freedom in the whole ledger do not replace the reading error.
_LEAST_POOLED = 8


@dataclass(frozen=True, slots=True)
class Wear:
    """One fitted part that was measured at two distances at least.

    Attributes:
        vehicle, vehicle_class, component, position: where it is; pads and shoes by the axle.
        item: what is measured, in words.
        unit: unit of `limit`, `current`, `expected` and the rates: that of the last measurement.
        limit: figure at which it still passes.
        citation, mark: where the limit is from and how well founded it is.
        current, current_on: the last measurement.
        expected: the line at the vehicle's latest reading.
        number: measurements used.
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
    parts = [part for part in _parts(view, items) if len({p.km for p in part.points}) > 1]
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
            found.append(_wear(part, item, vehicle_class, float(last_km or 0), spread, level))
    return sorted(found, key=lambda w: (w.vehicle, w.component, w.position))


def unprojected(view: LedgerView, items: Sequence[Item]) -> list["_Part"]:
    """Return the parts measured at one distance only since they were fitted or a figure rose."""
    return [part for part in _parts(view, items) if len({p.km for p in part.points}) < 2]


def _parts(view: LedgerView, items: Sequence[Item]) -> Iterable[_Part]:
    components = sorted({c for item in items for c in item.components})
    marks = ", ".join("?" * len(components))
    fitted: dict[tuple[str, str, str], tuple[date, int]] = {}
    for vehicle, component, position, on, seq in view.sql(
        f"""SELECT vehicle_id, component, position, occurred_on, seq FROM replacements
            WHERE component IN ({marks}) ORDER BY occurred_on, seq""",
        components,
    ).rows:
        fitted[vehicle, component, place_of(component, position)] = (on, seq)
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
        since = max(
            fitted.get((vehicle, component, place), (date.min, 0)),
            fitted.get((vehicle, component, ""), (date.min, 0)),
        )
        if (on, seq) > since:
            series = points.setdefault((vehicle, component, place), [])
            series.append(_Point(km, mm, event, on, value, unit))
    for (vehicle, component, place), series in points.items():
        worst = _worst_of_each(series)
        rises = [i for i, (a, b) in enumerate(pairwise(worst), start=1) if b.mm > a.mm + RISE_MM]
        start = rises[-1] if rises else 0
        yield _Part(vehicle, component, place, tuple(worst[start:]), start)


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
    freedom: dict[str, int] = {}
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


def _wear(
    part: _Part,
    item: Item,
    vehicle_class: str,
    at_km: float,
    spread: dict[str, float],
    level: float,
) -> Wear:
    if item.limit is None:
        raise AssertionError(item.key)
    line = line_through(
        *_xy(part),
        # Rounded figures may lie on a line by chance; a gauge is never better than its reading.
        borrowed_spread=max(spread.get(part.component, READING_MM), READING_MM / 2),
        borrowed_freedom=BORROWED_FREEDOM,
    )
    last = part.points[-1]
    limit_mm = float(exact(item.limit, item.unit, "mm"))
    scale = float(exact(1, last.unit, "mm"))
    low, middle, high = (max(0.0, x - at_km) for x in line.falls_to(limit_mm, level))
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
        number=line.n,
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
        evidence=tuple(dict.fromkeys(p.event for p in part.points)),
    )


#: Fewer replaced parts than this do not tell a habit.
LEAST_REPLACED = 8
_LATEST = 60


def replaced_at(view: LedgerView) -> dict[str, Floats]:
    """Return component -> figures in mm at which its parts were replaced as failed or worn out.

    The figure is that of the line through a part's own measurements, at the distance of its
    replacement; parts measured once, or found bigger than before, tell none.

    Args:
        view: the ledger as of a day.
    """
    rows = view.sql(
        """SELECT vehicle_id, component, coalesce(position, ''), true_km, value_mm, FALSE, seq
           FROM measurements WHERE value_mm IS NOT NULL AND true_km IS NOT NULL
           UNION ALL
           SELECT vehicle_id, component, coalesce(position, ''), true_km,
                  CASE WHEN reason IN ('failed', 'worn_out') AND along_with IS NULL
                       THEN 1.0 ELSE 0.0 END, TRUE, seq
           FROM replacements
           WHERE true_km IS NOT NULL AND component IN (SELECT DISTINCT component FROM measurements)
           ORDER BY 1, 2, 4, 6, 7"""
    ).rows
    placed = sorted(
        ((r[0], r[1], place_of(r[1], r[2]), *r[3:]) for r in rows), key=lambda r: (*r[:3], r[3])
    )
    found: dict[str, list[tuple[float, float]]] = {}
    for (_vehicle, component, _place), series in groupby(placed, key=lambda r: r[:3]):
        points: list[tuple[float, float]] = []
        for *_key, km, figure, replaced, _seq in series:
            if not replaced:
                points.append((float(km), float(figure)))
                continue
            end = _figure(points, float(km)) if figure else None
            if end is not None:
                found.setdefault(component, []).append((float(km), end))
            points = []
    return {
        component: np.array([end for _km, end in ends[-_LATEST:]])
        for component, ends in found.items()
        if len(ends) >= LEAST_REPLACED
    }


def _figure(points: list[tuple[float, float]], km: float) -> float | None:
    """Return the line through the least figure at each distance, carried to `km`."""
    least: dict[float, float] = {}
    for at, figure in points:
        least[at] = min(figure, least.get(at, np.inf))
    x, y = np.array(list(least)), np.array(list(least.values()))
    if x.size < 2 or np.any(np.diff(y) > RISE_MM):
        return None
    slope = float(np.sum((x - x.mean()) * (y - y.mean())) / np.sum((x - x.mean()) ** 2))
    return max(float(y.mean() + min(slope, 0.0) * (km - x.mean())), 0.0)


def chance_replaced(wear: Wear, km: Floats | float, habit: Floats | None) -> Floats:
    """Return the chance that a part is replaced for its wear within each of these distances.

    Args:
        wear: its line.
        km: distances ahead.
        habit: figures in mm at which such parts were replaced here, None when too few were.
    """
    figures = np.array([wear.limit_mm]) if habit is None else np.maximum(habit, wear.limit_mm)
    at = wear.at_km + np.asarray(km, dtype=np.float64)
    return np.asarray(wear.line.chance_not_above(figures, at[..., None]).mean(axis=-1))


@dataclass(frozen=True, eq=False)
class MeasuredParts:
    """The wear lines of those fitted parts that were measured often enough.

    Attributes:
        parts: what is fitted.
        lines: part -> its wear.
        habits: component -> figures in mm at which such parts were replaced here.
    """

    parts: PartsAhead
    lines: dict[int, Wear]
    habits: dict[str, Floats]

    @classmethod
    def load(cls, view: LedgerView, parts: PartsAhead) -> "MeasuredParts":
        """Read the wear of the fitted parts."""
        vehicles = set(parts.vehicle)
        by_component: dict[tuple[str, str], list[Wear]] = {}
        for wear in measured_wear(view, *vehicles) if len(vehicles) == 1 else measured_wear(view):
            by_component.setdefault((wear.vehicle, wear.component), []).append(wear)
        lines = {
            i: wear
            for i, key in enumerate(zip(parts.vehicle, parts.component, strict=True))
            for wear in by_component.get(key, ())
            if parts.clock[i] == "distance"
            and parts.position[i] in (wear.position, axle_of(wear.position))
        }
        return cls(parts, lines, replaced_at(view) if lines else {})

    def chances(
        self, months: float, distance: float | None = None, unit: Unit = "km"
    ) -> dict[int, Floats]:
        """Return part -> chance that its wear has it replaced within each distance ahead."""
        ahead, _weight = self.parts.ahead(months, distance, unit)
        return {
            i: chance_replaced(wear, ahead[:, i] * 1000.0, self.habits.get(wear.component))
            for i, wear in self.lines.items()
        }
