"""The projection against closed forms, plain simulation, and itself asked in another way."""

from dataclasses import replace

import numpy as np
import pytest

from roadworn.analysis.life_law import Early, LifeLaw, Wear
from roadworn_plugins.projection.belief import AGES, LifeBelief
from roadworn_plugins.shared.costs_ahead import Band, money
from roadworn_plugins.shared.grouped import Paces
from roadworn_plugins.shared.life_model import Clocked, ComponentModel
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.prices import Price, Prices
from roadworn_plugins.shared.projected import project, project_months

KM_A_MONTH = 1500.0
COMPONENTS = ("electrical.starter", "wheel.tire")


def paces(cars: int = 1, sd_month: float = 0.0, sd_pace: float = 0.0) -> Paces:
    def many(x: float) -> np.ndarray:
        return np.full(cars, x)

    return Paces(
        {f"car-{i}": i for i in range(cars)}, many(KM_A_MONTH), many(sd_month), many(sd_pace),
        many(0.0), many(0.0), np.zeros(cars, dtype=bool),
    )  # fmt: skip


def believed(belief: LifeBelief, group: int, clock: str) -> Clocked:
    """The model of a component whose shape is known and whose rate is believed like this."""
    here = slice(group, group + 1)
    certain = np.isinf(belief.a[here])
    a = np.where(certain, 1e9, belief.a[here])
    b = np.where(certain, 1e9 * belief.b[here], belief.b[here])
    wear = Wear(belief.shape[here], np.ones(1), a[:, None], b[:, None], a, b)
    law = LifeLaw(wear, Early(1e-15, 1.0), np.zeros(0))
    return Clocked(ComponentModel(law, by_trade=False, classes=("car",)), clock)


def parts(
    ages, belief: LifeBelief, *, group=None, clock="distance", price=None, car=None, pace=None
) -> PartsAhead:
    """Parts of these ages; a row of AGES for a part of unknown age."""
    n = len(ages)
    known = np.array([np.ndim(a) == 0 for a in ages])
    rows = np.array([np.full(AGES, a) if np.ndim(a) == 0 else a for a in ages], dtype=float)
    car = np.zeros(n, dtype=np.int64) if car is None else np.asarray(car)
    group = np.zeros(n, dtype=np.int64) if group is None else np.asarray(group)
    return PartsAhead(
        vehicle=[f"car-{c}" for c in car],
        vehicle_class=["car"] * n,
        component=[COMPONENTS[g] for g in group],
        position=[""] * n,
        started_by=[""] * n,
        known=known,
        clock=[clock] * n,
        age=rows,
        car=car,
        group=group,
        belief=belief,
        models={COMPONENTS[g]: believed(belief, g, clock) for g in range(belief.shape.size)},
        price=[price] * n,
        paces=pace or paces(int(car.max(initial=0)) + 1),
        prices=Prices("USD", {}, {}, 0),
    )


@pytest.mark.parametrize("clock", ["distance", "age"])
@pytest.mark.parametrize("months", [3.0, 12.0, 36.0])
def test_exponential_lives_have_no_memory(clock: str, months: float) -> None:
    """Chance 1 - exp(-h / theta), number h / theta, whatever the age, known or not (a Poisson
    process: any text, for instance Cox, Renewal Theory, 1962, section 2.2)."""
    theta = 60.0 if clock == "distance" else 4.0
    ahead = months * KM_A_MONTH / 1000.0 if clock == "distance" else months / 12.0
    one = parts(
        [0.0, 12.0, 300.0, np.linspace(1.0, 90.0, AGES)],
        LifeBelief.known([1.0], [theta]),
        clock=clock,
    )
    found = project(one, months)
    assert found.chance == pytest.approx(-np.expm1(-ahead / theta), rel=1e-9)
    assert found.number == pytest.approx(ahead / theta, rel=2e-4)


def test_a_rate_that_is_not_known_gives_the_predictive_chance() -> None:
    """1 - (b / (b + (x + h)^k - x^k))^a, Hamada et al., Bayesian Reliability (2008); from
    memory, and derived in the docstring of LifeBelief.chance."""
    k, a, b, x, months = 2.0, 4.0, 30_000.0, 40.0, 12.0
    h = months * KM_A_MONTH / 1000.0
    found = project(parts([x], LifeBelief.gamma([k], [a], [b])), months)
    assert found.chance[0] == pytest.approx(1 - (b / (b + (x + h) ** k - x**k)) ** a, rel=1e-5)
    assert found.low[0] < found.chance[0] < found.high[0]


def test_many_horizons_at_once_are_the_same_as_one_by_one() -> None:
    rng = np.random.default_rng(4)
    ages = [float(a) for a in rng.uniform(0, 150, 40)]
    ages += [np.sort(rng.uniform(0, 150, AGES)) for _ in range(8)]
    belief = LifeBelief.gamma([0.8, 2.6], [3.0, 9.0], [60.0, 40_000.0])
    some = parts(
        ages, belief, group=np.arange(48) % 2, car=np.arange(48) % 6, pace=paces(6, 300.0, 80.0)
    )
    together = project_months(some, (3.0, 12.0, 36.0))
    for months, found in together.items():
        alone = project(some, months)
        assert found.chance == pytest.approx(alone.chance, abs=1e-9)
        # Numbers come from tables whose mesh follows what is asked for.
        assert found.number == pytest.approx(alone.number, abs=4e-4)


def test_a_part_watched_for_half_the_way_is_projected_for_half_of_it() -> None:
    one = parts([30.0, 30.0], LifeBelief.known([2.5], [90.0]))
    found = project(one, 12.0, share=np.array([1.0, 0.5]))
    assert found.chance[1] == pytest.approx(project(one, 6.0).chance[0])


def test_take_keeps_what_is_said_of_the_parts() -> None:
    some = parts([5.0, 50.0, 90.0], LifeBelief.known([2.5], [90.0]))
    rows = np.array([2, 0])
    assert project(some.take(rows), 12.0).chance == pytest.approx(project(some, 12.0).chance[rows])


def simulate_costs(
    rng: np.random.Generator, some: PartsAhead, months: float, sigma: float, draws: int
) -> np.ndarray:
    """Totals of simulated futures: rate and distance drawn, parts replaced as they fail."""
    total = np.zeros(draws)
    shape = some.belief.shape
    rate = rng.gamma(some.belief.a[:, None], 1.0 / some.belief.b[:, None], (shape.size, draws))
    pace = some.paces
    variance = (months * pace.sd_pace[0]) ** 2 + months * pace.sd_month[0] ** 2
    spread = np.sqrt(np.log1p(variance / (months * KM_A_MONTH) ** 2))
    cars = np.exp(rng.normal(-(spread**2) / 2, spread, (pace.per_month.size, draws)))
    for i in range(some.size):
        k, r = shape[some.group[i]], rate[some.group[i]]
        ahead = cars[some.car[i]] * months * KM_A_MONTH / 1000.0
        x = some.age[i, rng.integers(AGES, size=draws)]
        left = (x**k + rng.standard_exponential(draws) / r) ** (1 / k) - x
        alive = left < ahead
        while alive.any():
            price = some.price[i].middle * np.exp(rng.normal(0.0, sigma, draws))
            total += np.where(alive, price, 0.0)
            left = left + (rng.standard_exponential(draws) / r) ** (1 / k)
            alive &= left < ahead
    return total


@pytest.mark.parametrize("cars", [1, 12])
def test_the_band_of_the_money_is_that_of_simulated_futures(cars: int) -> None:
    """One vehicle by the grid, a fleet by cumulants, against 40,000 plain futures."""
    rng = np.random.default_rng(11)
    sigma, n = 0.4, 14 * cars
    ages = [float(a) for a in rng.uniform(0, 110, n - 2)]
    ages += [np.linspace(10, 100, AGES), np.linspace(60, 70, AGES)]
    z = 1.2815515655446004
    price = Price(300 * np.exp(-z * sigma), 300, 300 * np.exp(z * sigma), "USD", 30, "")
    some = parts(
        ages, LifeBelief.gamma([1.3, 2.8], [20.0, 60.0], [20.0 * 300, 60.0 * 5e5]),
        group=np.arange(n) % 2, car=np.arange(n) % cars, price=price,
        pace=paces(cars, 300.0, 60.0),
    )  # fmt: skip
    band = money(some, project(some, 12.0), np.arange(n))
    truth = simulate_costs(rng, some, 12.0, sigma, 40_000)
    assert band.expected == pytest.approx(truth.mean(), rel=0.015)
    low, high = np.quantile(truth, [0.1, 0.9])
    assert band.low == pytest.approx(low, abs=0.02 * truth.mean())
    assert band.high == pytest.approx(high, rel=0.02)


def test_a_mean_that_was_paid_outweighs_the_range() -> None:
    price = Price(100.0, 120.0, 400.0, "USD", 3, "", mean=210.0)
    one = parts([10.0], LifeBelief.known([1.0], [18.0]), price=price)
    band = money(one, project(one, 12.0), np.arange(1))
    assert band.expected == pytest.approx(210.0, rel=2e-3)


def test_an_unknown_shape_widens_what_is_said_of_a_fleet() -> None:
    """Two shapes as likely: the total is a mixture of those that each shape alone gives.

    Its variance is the mean of theirs and the square of half their distance; what is not known
    of a shape that all vehicles share does not average out over them.
    """
    shapes, size = np.array([1.6, 3.0]), 1000
    rate = 60.0**-shapes
    price = Price(100.0, 100.0, 100.0, "USD", 9, "")
    each = parts([20.0] * size, LifeBelief.known([2.2], [60.0]), car=range(size), price=price)

    def total(weight: list[float]) -> Band:
        sure = np.full((2, 1), 1e9)
        wear = Wear(shapes, np.array(weight), sure, sure / rate[:, None], sure[:, 0], 1e9 / rate)
        law = LifeLaw(wear, Early(1e-15, 1.0), np.zeros(0))
        model = Clocked(ComponentModel(law, by_trade=False, classes=("car",)), "distance")
        one = replace(each, models={COMPONENTS[0]: model})
        return money(one, project(one, 12.0), np.arange(size))

    def sd(band: Band) -> float:
        return (band.high - band.low) / 2.0 / 1.2815515655446004

    low, high, both = total([1.0, 0.0]), total([0.0, 1.0]), total([0.5, 0.5])
    apart = abs(low.expected - high.expected) / 2.0
    assert both.expected == pytest.approx((low.expected + high.expected) / 2.0, rel=0.02)
    within = np.sqrt((sd(low) ** 2 + sd(high) ** 2) / 2.0)
    assert apart > 2.0 * within
    assert sd(both) == pytest.approx(np.hypot(within, apart), rel=0.15)
