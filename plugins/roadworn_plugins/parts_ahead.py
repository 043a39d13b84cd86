"""Every part that is fitted today: how old it is, what is believed of it, what it would cost.

Parts of known age come from the part lives. For a part whose age nobody knows the record still
says two things: how long it has been seen running here, and how far the vehicle has gone in
all. Its age is at least the one and at most the other; between them a part replaced whenever
it failed has age a with density proportional to S(a) (the equilibrium of a renewal process,
Cox 1962, section 5.2), and with chance S(total) it is the one the vehicle was built with. A few
ages of equal weight stand for that.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.special import gamma

from roadworn.view import LedgerView
from roadworn_plugins.clocks import Clocked, ComponentLives
from roadworn_plugins.grouped import KM_PER_MILE, Clock, Floats, Ints, Unit
from roadworn_plugins.prices import Price, Prices
from roadworn_plugins.projection.belief import LifeBelief
from roadworn_plugins.usage_pace import DAYS_PER_MONTH, Paces, load_paces

#: Ages that stand for a part of unknown age.
AGES = 6
_GRID = 160
_MONTHS_PER_YEAR = 12.0
_SHAPES = (0.5, 12.0)


@dataclass(frozen=True, eq=False)
class PartsAhead:
    """Fitted parts, one entry a part, and the beliefs they share.

    Attributes:
        vehicle, vehicle_class, component, position, started_by: texts; `started_by` is the
            event that fitted the part, empty when unknown.
        known: whether the age is known.
        clock: of each part, distance or calendar age.
        age: in thousand km or years, shape (parts, AGES): the same age in every column when it
            is known.
        car: index into `paces` of each part's vehicle.
        group: index into `belief` of each part.
        belief: shape and rate of each component on each class.
        models: of each component.
        price: of each part, None where nothing is known.
    """

    vehicle: list[str]
    vehicle_class: list[str]
    component: list[str]
    position: list[str]
    started_by: list[str]
    known: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    clock: list[Clock]
    age: Floats
    car: Ints
    group: Ints
    belief: LifeBelief
    models: dict[str, Clocked]
    price: list[Price | None]
    paces: Paces
    prices: Prices
    without_model: tuple[str, ...] = field(default=())

    @property
    def size(self) -> int:
        """Number of parts."""
        return len(self.vehicle)

    def ahead(self, months: float, distance: float | None, unit: Unit) -> tuple[Floats, Floats]:
        """Return what lies ahead of each part on its own clock, and the weights.

        Args:
            months: time ahead.
            distance: distance ahead instead, in `unit`; the calendar goes on by its time.
            unit: of `distance`.

        Returns:
            Shape (nodes, parts) in thousand km or years, and (nodes,).
        """
        km = None if distance is None else distance * (KM_PER_MILE if unit == "mi" else 1.0)
        far = self.paces.ahead(months, km)
        by_age = np.array([clock == "age" for clock in self.clock], dtype=bool)
        stretch = far.distance[:, self.car] / 1000.0
        if km is not None and self.size:
            months_of = far.distance[:, self.car] / np.maximum(self.paces.per_month[self.car], 1.0)
        else:
            months_of = np.full(stretch.shape, months)
        return np.where(by_age, months_of / _MONTHS_PER_YEAR, stretch), far.weight


def load_parts(
    view: LedgerView,
    vehicle: str | None = None,
    *,
    yearly_rise: float | None = None,
    lives: ComponentLives | None = None,
) -> PartsAhead:
    """Read the fitted parts of one vehicle, or of all that are still here.

    Args:
        view: the ledger as of a day.
        vehicle: only this one; beliefs and prices come from the whole ledger all the same.
        yearly_rise: see `Prices.load`.
        lives: models fitted before, to save fitting them again.
    """
    lives = lives or ComponentLives(view)
    paces = load_paces(view)
    prices = Prices.load(view, yearly_rise)
    rows = [row for row in _fitted(view, vehicle) if row[0] in paces.index]
    kept, models, without = [], {}, set()
    for row in rows:
        found = lives.get(row[2])
        if found is None:
            without.add(row[2])
        else:
            models[row[2]] = found
            kept.append(row)
    groups: dict[tuple[str, str], int] = {}
    group = np.array([groups.setdefault((r[2], r[1]), len(groups)) for r in kept], dtype=np.int64)
    clock: list[Clock] = [models[row[2]].clock for row in kept]
    car = np.array([paces.index[row[0]] for row in kept], dtype=np.int64)
    known = np.array([row[5] for row in kept], dtype=bool)
    belief = _beliefs(models, list(groups))
    return PartsAhead(
        vehicle=[row[0] for row in kept],
        vehicle_class=[row[1] for row in kept],
        component=[row[2] for row in kept],
        position=[row[3] for row in kept],
        started_by=[row[4] for row in kept],
        known=known,
        clock=clock,
        age=_ages(kept, clock, known, group, belief, paces, car),
        car=car,
        group=group,
        belief=belief,
        models=models,
        price=[prices.or_labour(row[2], row[1]) for row in kept],
        paces=paces,
        prices=prices,
        without_model=tuple(sorted(without)),
    )


def _fitted(view: LedgerView, vehicle: str | None) -> list[tuple]:  # type: ignore[type-arg]
    """Return rows: vehicle, class, component, position, started by, known, km, days, total km."""
    condition = " AND v.vehicle_id = ?" if vehicle else ""
    return view.sql(
        f"""SELECT v.vehicle_id, v.vehicle_class, p.component, coalesce(p.position, ''),
                   coalesce(p.started_by, ''), p.known, p.km, p.days, coalesce(v.last_km, 0)
            FROM (SELECT vehicle_id, component, position, started_by, TRUE AS known,
                         lower_km AS km, lower_days AS days FROM part_lives WHERE running
                  UNION ALL
                  SELECT vehicle_id, component, position, event_id, FALSE, observed_km, NULL
                  FROM unknown_parts) AS p
            JOIN vehicles AS v USING (vehicle_id)
            WHERE v.retired_on IS NULL AND v.last_seen_on IS NOT NULL{condition}
            ORDER BY v.vehicle_id, p.component, p.position, p.started_by""",
        (vehicle,) if vehicle else (),
    ).rows


def _beliefs(models: dict[str, Clocked], groups: list[tuple[str, str]]) -> LifeBelief:
    """Return the belief of each (component, class)."""
    shape, a, b = [], [], []
    for component, vehicle_class in groups:
        model = models[component].model
        posterior = model.for_class(vehicle_class)
        shape.append(min(max(model.shape, _SHAPES[0]), _SHAPES[1]))
        a.append(float(posterior.a[0]))
        b.append(float(posterior.b[0]))
    return LifeBelief.gamma(np.array(shape), np.array(a), np.array(b))


def _ages(
    rows: list[tuple],  # type: ignore[type-arg]
    clock: list[Clock],
    known: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    group: Ints,
    belief: LifeBelief,
    paces: Paces,
    car: Ints,
) -> Floats:
    """Return ages today, shape (parts, AGES), carried on from the last reading."""
    if not rows:
        return np.zeros((0, AGES))
    by_age = np.array([one == "age" for one in clock], dtype=bool)
    since = paces.days_since[car]
    km = np.array([row[6] if row[6] is not None else 0.0 for row in rows], dtype=np.float64)
    days = np.array([row[7] if row[7] is not None else np.nan for row in rows], dtype=np.float64)
    total = np.maximum(np.array([row[8] for row in rows], dtype=np.float64), km)
    pace = np.maximum(paces.per_month[car], 1.0)
    gone = pace * since / DAYS_PER_MONTH
    days = np.where(np.isnan(days), km / pace * DAYS_PER_MONTH, days)
    age = np.where(by_age, (days + since) / 365.25, (km + gone) / 1000.0)
    most = np.where(
        by_age, (total / pace * DAYS_PER_MONTH + since) / 365.25, (total + gone) / 1000.0
    )
    ages = np.repeat(age[:, None], AGES, axis=1)
    open_ = np.flatnonzero(~known)
    if open_.size:
        shape, rate = belief.shape[group[open_]], (belief.a / belief.b)[group[open_]]
        ages[open_] = unknown_ages(age[open_], most[open_], shape, rate)
    return ages


def unknown_ages(least: Floats, most: Floats, shape: Floats, rate: Floats) -> Floats:
    """Return AGES equally likely ages of parts seen running for `least` on vehicles of `most`.

    Args:
        least: how long each was seen running, shape (parts,).
        most: how long the vehicle has run in all, at least `least`.
        shape: Weibull shape of each part.
        rate: cumulative hazard at age 1 of each part.

    Returns:
        Shape (parts, AGES), rising.
    """
    grid = least[:, None] + (most - least)[:, None] * np.linspace(0.0, 1.0, _GRID)
    survival = np.exp(-rate[:, None] * grid ** shape[:, None])
    step = ((most - least) / (_GRID - 1))[:, None]
    # The mean life turns density into the renewal rate of a process that has run for long.
    mean = (rate ** (-1.0 / shape) * gamma(1.0 + 1.0 / shape))[:, None]
    mass = np.concatenate(
        [(survival[:, 1:] + survival[:, :-1]) / 2.0 * step / mean, survival[:, -1:]], axis=1
    )
    total = np.sum(mass, axis=1, keepdims=True)
    # Where nothing could have survived so long, take it as seen: the youngest age possible.
    reached = np.cumsum(mass, axis=1) / np.where(total > 0.0, total, 1.0)
    wanted = (np.arange(AGES) + 0.5) / AGES
    cell = np.sum(reached[:, :, None] < wanted[None, None, :] - 1e-12, axis=1)
    return np.take_along_axis(grid, np.minimum(cell, _GRID - 1), axis=1)
