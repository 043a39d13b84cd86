"""Effects of vehicles, places, years and seasons, against R and the likelihoods written out.

R's output lies in reference/r/ with the script that made it.
"""

import csv
import itertools
from pathlib import Path

import numpy as np
import pytest
from lifedata.exact_effects import SHARES, SPREADS, before, exact_effects
from scipy import integrate, optimize, stats

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.effects import (
    PLACE_STEPS,
    Season,
    effect_log_likelihood,
    gamma_effects,
    nested_effects,
    place_effects,
    season,
)

R = Path(__file__).parents[1] / "reference" / "r"


def rows(name):
    with (R / f"{name}.csv").open(encoding="utf-8") as file:
        found = list(csv.DictReader(file))
    return {key: np.array([float(row[key]) for row in found]) for key in found[0]}


def by_r(data, name):
    with (R / "values.csv").open(encoding="utf-8") as file:
        found = csv.DictReader(file)
        return np.array(
            [float(row["value"]) for row in found if (row["set"], row["name"]) == (data, name)]
        )


def likeliest_shape(failures, expected):
    """The shape of the highest likelihood, by SciPy's bounded search."""
    return np.exp(
        optimize.minimize_scalar(
            lambda log_a: -float(effect_log_likelihood(np.exp(log_a), failures, expected)),
            bounds=(-4.0, 12.0),
            method="bounded",
            options={"xatol": 1e-10},
        ).x
    )


def kidney_counts():
    data = rows("kidney")
    return np.bincount(data["id"].astype(int), data["status"])[1:]


@pytest.mark.parametrize("theta", ["0.3876", "0.2500", "1.0000"])
def test_the_effects_of_patients_are_those_of_r_coxph(theta):
    # (a + d) / (a + E) at the variance of the fit, E by Breslow's hazard that R ended with.
    expected, effect = by_r("kidney", f"expected {theta}"), by_r("kidney", f"effect {theta}")
    variance = by_r("kidney", "variance")[0] if theta == "0.3876" else float(theta)
    ours = (1 / variance + kidney_counts()) / (1 / variance + expected)
    assert ours == pytest.approx(effect, rel=1e-5)


def test_the_spread_of_patients_is_that_of_r_coxph():
    # At the joint maximum the likelihood is level in the variance with the hazards held.
    a = likeliest_shape(kidney_counts(), by_r("kidney", "expected 0.3876"))
    assert 1 / a == pytest.approx(by_r("kidney", "variance")[0], rel=1e-3)


def test_the_shape_is_the_theta_of_r_glm_nb():
    data = rows("quine")
    a = likeliest_shape(data["days"], data["mean"])
    assert a == pytest.approx(by_r("quine", "theta")[0], rel=1e-6)
    d, mean = data["days"], data["mean"]
    known = np.sum(d * np.log(mean) - [np.sum(np.log(np.arange(1, n + 1))) for n in d])
    got = effect_log_likelihood(a, d, mean) + known
    assert got == pytest.approx(by_r("quine", "loglik")[0], rel=1e-9)


@pytest.mark.parametrize("a", [0.3, 4.0, 1e4])
def test_the_likelihood_is_the_negative_binomial_of_scipy(a):
    d, e = np.array([0, 3, 1, 12]), np.array([0.4, 1.2, 5.0, 6.0])
    free = np.sum(d * np.log(e)) - np.sum([np.sum(np.log(np.arange(1, n + 1))) for n in d])
    peer = np.sum(stats.nbinom.logpmf(d, a, a / (a + e)))
    assert effect_log_likelihood(a, d, e) + free == pytest.approx(peer, rel=1e-9)


def test_the_spread_is_that_of_the_gamma_weibull_likelihood_maximised_by_scipy():
    rng = np.random.default_rng(5)
    car = np.repeat(np.arange(60), 12)
    z = rng.gamma(3.0, 1 / 3.0, 60)[car]
    entry = np.where(rng.random(car.size) < 0.4, rng.uniform(0, 40, car.size), 0.0)
    life = (entry**1.7 + 2000 * rng.exponential(size=car.size) / z) ** (1 / 1.7)
    stop = entry + rng.uniform(10, 120, car.size)
    t, died = np.minimum(life, stop), life <= stop
    d = np.bincount(car, died)

    def hazards(x):
        return np.bincount(car, np.exp(x[0]) * (t ** np.exp(x[1]) - entry ** np.exp(x[1])))

    def height(x):
        """Closed form: the Gamma effect integrated out of the product of Weibull densities."""
        a, e, k = np.exp(x[2]), hazards(x), np.exp(x[1])
        of_lives = np.sum(died * (x[0] + x[1] + (k - 1) * np.log(t)))
        from scipy.special import gammaln

        return of_lives + np.sum(
            gammaln(a + d) - gammaln(a) + a * np.log(a) - (a + d) * np.log(a + e)
        )

    best = optimize.minimize(
        lambda x: -height(x), [-7.0, 0.5, 1.0], method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 4000},
    )  # fmt: skip
    assert likeliest_shape(d, hazards(best.x)) == pytest.approx(np.exp(best.x[2]), rel=1e-4)


def test_vehicles_alike_have_effects_near_one():
    rng = np.random.default_rng(1)
    e = rng.uniform(0.5, 6.0, 300)
    assert likeliest_shape(np.round(e), e) > 1e4
    found = gamma_effects(rng.poisson(e), e)
    assert np.sqrt(found.among) < 0.15
    assert np.abs(found.mean - 1).max() < 0.15


def test_limits_hold_the_effects_of_vehicles():
    held, squares, bare, spreads = [], [], [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        z, e = rng.gamma(4.0, 0.25, 150), rng.uniform(0.2, 6.0, 150)
        d = rng.poisson(z * e)
        found = gamma_effects(d, e)
        low, high = found.limits(0.8)
        held.append(np.mean((low < z) & (z < high)))
        squares.append(np.mean((found.mean - z) ** 2))
        bare.append(np.mean((d / e - z) ** 2))
        spreads.append(np.sqrt(found.among))
    assert np.mean(held) == pytest.approx(0.8, abs=0.04)
    assert np.mean(spreads) == pytest.approx(0.5, abs=0.07)
    assert np.mean(squares) < 0.5 * np.mean(bare)


def test_a_share_of_a_failure_lies_between_none_and_one():
    e = np.full(3, 0.8)
    none, half, whole = gamma_effects([0.0, 0.5, 1.0], e).mean
    assert half == pytest.approx((none + whole) / 2.0, rel=1e-3)


def test_the_variance_of_an_effect_is_that_of_draws():
    # Bayes by plain draws: spreads of the prior, effects of each, weighed by Poisson counts.
    rng = np.random.default_rng(4)
    d, e = np.array([5.0, 0.0]), np.array([1.5, 2.0])
    spread = rng.exponential(1 / np.log(20), 400_000)
    z = rng.gamma(spread[:, None] ** -2.0, spread[:, None] ** 2.0, (spread.size, 2))
    weight = np.prod(stats.poisson.pmf(d, z * e), axis=1)
    mean = weight @ z / weight.sum()
    variance = weight @ z**2 / weight.sum() / mean**2 - 1.0
    found = gamma_effects(d, e)
    assert found.mean == pytest.approx(mean, rel=0.02)
    assert found.variance == pytest.approx(variance, rel=0.05)
    assert found.among == pytest.approx(weight @ spread**2 / weight.sum(), rel=0.05)


def test_one_place_is_bayes_over_its_possible_factors():
    # One vehicle, one place: the same sum by quadrature over z, spread and share on their grids.
    d, e = 5, 0.03
    total = np.zeros(3)
    for spread, share in itertools.product(SPREADS, SHARES):
        a = spread**-2
        z = np.linspace(1e-4, 1.0, 4001) ** 2 * stats.gamma.ppf(1 - 1e-13, a, scale=1 / a)
        prior = stats.gamma.pdf(z, a, scale=1 / a)
        for w, chance in [(1.0, 1 - share), *((w, share / 8) for w in PLACE_STEPS)]:
            like = stats.poisson.pmf(d, z * w * e)
            held = np.exp(before(spread)) * chance * integrate.trapezoid(prior * like, z)
            total += [held, held * w, held * (w > 1)]
    got = exact_effects([0], [d], [e])
    assert got.place[0] == pytest.approx(total[1] / total[0], rel=0.02)
    assert got.special[0] == pytest.approx(total[2] / total[0], rel=0.02)


def by_turns(car, d, e):
    """Vehicles' and places' effects, each life a place of its own."""
    car = np.asarray(car)
    return nested_effects(
        car, np.arange(car.size), np.asarray(d, float), np.asarray(e, float), vehicles=100
    )


def fleet_with_a_bad_place_and_a_bad_vehicle():
    rng = np.random.default_rng(3)
    car = np.repeat(np.arange(100), 12)
    e = rng.uniform(0.02, 0.5, car.size)
    factor = np.ones(car.size)
    factor[car == 7] = 4.0
    factor[30] = 32.0
    e[30], e[7 * 12 : 8 * 12] = 0.2, 0.4
    d = rng.poisson(e * factor).astype(float)
    d[30] = 6
    return car, d, e, factor


def test_a_bad_place_is_told_from_a_bad_vehicle():
    car, d, e, factor = fleet_with_a_bad_place_and_a_bad_vehicle()
    vehicles, places = by_turns(car, d, e)
    assert np.argmax(vehicles.mean) == 7
    assert vehicles.mean[7] > 2.0
    assert places.mean[car == 7].max() < 1.6
    assert np.argmax(places.mean) == 30
    assert places.mean[30] > 16.0
    assert vehicles.mean[car[30]] < 1.6
    others = (factor == 1.0) & (car != car[30])
    both = vehicles.mean[car] * places.mean
    assert np.mean(both[others] * e[others]) == pytest.approx(np.mean(d[others]), rel=0.1)


def test_turns_of_vehicles_and_places_come_near_the_exact_sum():
    car, d, e, _factor = fleet_with_a_bad_place_and_a_bad_vehicle()
    vehicles, places = by_turns(car, d, e)
    exact = exact_effects(car, d, e)
    assert vehicles.mean == pytest.approx(exact.vehicle, rel=0.03)
    assert np.sqrt(vehicles.among) == pytest.approx(exact.spread, rel=0.03)
    assert places.mean[30] == pytest.approx(exact.place[30], rel=0.15)
    assert np.mean(np.abs(vehicles.mean[car] * places.mean / exact.both - 1.0)) < 0.01


def test_the_order_of_the_places_does_not_matter():
    car, d, e = np.array([2, 0, 2, 0]), np.array([4, 0, 0, 1]), np.array([0.3, 0.8, 0.5, 0.9])
    (on, at), (turned_on, turned_at) = by_turns(car, d, e), by_turns(car[::-1], d[::-1], e[::-1])
    assert at.mean == pytest.approx(turned_at.mean[::-1])
    assert on.mean == pytest.approx(turned_on.mean)
    assert on.mean[1] == pytest.approx(1.0, abs=1e-6)  # no place watched


def test_a_life_without_a_place_counts_for_its_vehicle_only():
    car, place = np.array([0, 0, 1]), np.array([0, -1, 1])
    d, e = np.array([0.0, 4.0, 0.0]), np.array([0.5, 0.5, 1.0])
    vehicles, places = nested_effects(car, place, d, e, vehicles=2)
    assert vehicles.mean[0] > 1.3 > 1.0 > vehicles.mean[1]
    assert places.mean.size == 2
    assert places.mean.max() < 1.05


def test_a_place_without_time_under_watch_does_not_stop_the_others():
    places = by_turns([0, 1], [1.0, 0.0], [0.0, 2.0])[1]
    assert np.isfinite(places.mean).all()


def test_few_places_have_a_cause_of_their_own():
    e = np.full(400, 0.3)
    d = np.zeros(400)
    d[:5] = 6.0
    found = place_effects(d, e)
    assert found.mean[:5].min() > 8.0
    assert found.mean[5:].max() < 1.02
    # The same places among few others, which gave no ground to look for causes.
    assert place_effects(d[4:30], e[4:30]).mean[0] > 4.0


@pytest.mark.parametrize("years", [3, 6, 12])
def test_limits_of_the_next_year_hold_it(years):
    held = []
    for seed in range(60):
        rng = np.random.default_rng([years, seed])
        spread = rng.exponential(0.5 / np.log(20))
        effect = rng.gamma(spread**-2, spread**2, years + 1)
        level = np.exp(rng.normal(0, 0.1))
        d = rng.poisson(200 * level * effect[:years])
        if d.sum() == 0:
            continue
        found = gamma_effects(d, np.full(years, 200.0), usual=0.5, own_level=True)
        size = 1 / found.among
        low, high = found.level * stats.gamma.ppf([0.1, 0.9], size, scale=1 / size)
        held.append(low < level * effect[years] < high)
    assert np.mean(held) == pytest.approx(0.8, abs=0.12)


def test_the_season_is_the_poisson_regression_of_r():
    data = rows("accidental_deaths")
    got = season(data["count"], data["days"], usual=None)
    cut, cosine, sine = by_r("accidental_deaths", "coefficients")
    assert got.cosine == pytest.approx(cosine, rel=1e-9)
    assert got.sine == pytest.approx(sine, rel=1e-9)
    covariance = by_r("accidental_deaths", "covariance").reshape(3, 3)
    assert got.covariance == pytest.approx(covariance, rel=1e-6)
    level = integrate.quad(
        lambda x: np.exp(cut + cosine * np.cos(2 * np.pi * x) + sine * np.sin(2 * np.pi * x)), 0, 1
    )[0]
    assert got.rate == pytest.approx(level, rel=1e-9)
    assert 0.5 < got.peak < 0.6  # July


def test_the_prior_draws_a_season_to_none():
    count, days = np.array([3, 1, 0, 0, 0, 1, 0, 0, 1, 0, 1, 2]), np.full(12, 900.0)
    free, held = season(count, days, usual=None), season(count, days)
    assert held.amplitude < free.amplitude

    def depth(b):
        angle = 2 * np.pi * (np.arange(12) + 0.5) / 12
        mean = days * np.exp(b[0] + b[1] * np.cos(angle) + b[2] * np.sin(angle))
        return -np.sum(stats.poisson.logpmf(count, mean)) - np.sum(stats.norm.logpdf(b[1:], 0, 0.5))

    peer = optimize.minimize(depth, [-7.0, 0.0, 0.0], method="BFGS").x
    assert [held.cosine, held.sine] == pytest.approx(peer[1:], abs=1e-4)


@pytest.mark.parametrize("span", [1 / 365, 0.25, 1.0, 1.7])
def test_the_multiplier_of_a_stretch_is_the_integral(span):
    wave = Season(0.9, -0.4, 1.0, np.eye(3))

    def height(t):
        return np.exp(0.9 * np.cos(2 * np.pi * t) - 0.4 * np.sin(2 * np.pi * t))

    year = integrate.quad(height, 0, 1)[0]
    part = integrate.quad(height, 0.3, 0.3 + span, epsabs=1e-13)[0] / span
    assert wave.multiplier(0.3, span) == pytest.approx(part / year, rel=1e-9)
    assert wave.multiplier(4.3, span) == pytest.approx(part / year, rel=1e-9)


def test_what_cannot_be_learnt_says_the_remedy():
    with pytest.raises(LifeDataError, match="none was expected"):
        gamma_effects([1, 0], [0.0, 1.0])
    with pytest.raises(LifeDataError, match="at least one unit"):
        gamma_effects([], [])
    with pytest.raises(LifeDataError, match="gather more"):
        season([0] * 12, [1.0] * 12)
    with pytest.raises(LifeDataError, match="span above 0"):
        Season(0.1, 0.1, 1.0, np.eye(3)).multiplier(0.0, 0.0)


def test_a_vehicle_without_a_record_has_the_effect_of_its_use() -> None:
    """Towing doubles the hazard: the use's Gamma posterior, (a + d) / (a + E) at a spread that
    the counts leave open, nears 2 with 200 failures for 100 expected; alike uses stay at 1."""
    rng = np.random.default_rng(6)
    vehicles, use = 41, np.concatenate([np.arange(40) % 2, [1]])
    vehicle, expected = np.repeat(np.arange(40), 10), np.full(400, 0.5)
    for hard, low, high in ((2.0, 1.25, 2.2), (1.0, 0.9, 1.1)):
        level = np.where(use == 1, hard, 1.0) / ((1.0 + hard) / 2.0)
        failures = rng.poisson(expected * level[vehicle]).astype(float)
        found, _places = nested_effects(
            vehicle, np.arange(400), failures, expected, vehicles=vehicles, use=use.astype(np.int64)
        )
        assert low < found.mean[40] / found.mean[use == 0].mean() < high
