"""Signs and the failures they announce, against lifelines and by hand."""

import numpy as np
import pytest
from lifelines import ExponentialFitter, MixtureCureFitter

from roadworn_plugins.lifedata.cure import Cure, CurePrior, Signs, log_likelihood

WIDE = CurePrior(0.5, 3.0, 6.0, 2.0)


def drawn(share: float, months: float, number: int, seed: int) -> Signs:
    """Signs of which a share fails after an exponential time, watched for 5 to 40 months."""
    rng = np.random.default_rng(seed)
    fails = np.where(rng.random(number) < share, rng.exponential(months, number), np.inf)
    until = rng.uniform(5.0, 40.0, number)
    none = np.zeros(number)
    return Signs(
        np.minimum(fails, until), fails < until, none > 0.0, none, np.zeros(number, dtype=np.int64)
    )


def test_the_likelihood_is_that_of_lifelines() -> None:
    """lifelines 0.30, MixtureCureFitter with an exponential base: same optimum, same height."""
    signs = drawn(0.6, 6.0, 400, 1)
    fit = MixtureCureFitter(base_fitter=ExponentialFitter()).fit(signs.months, signs.failed)
    share, months = 1.0 - fit.params_["cured_fraction_"], fit.params_["lambda_"]

    def height(s: float, t: float) -> float:
        return float(log_likelihood(signs, np.array([[s]]), np.array([[t]])).sum())

    best = height(share, months)
    assert best == pytest.approx(fit.log_likelihood_, abs=1e-6)
    for s, t in ((1.02, 1.0), (0.98, 1.0), (1.0, 1.03), (1.0, 0.97)):
        assert height(share * s, months * t) < best


def test_the_posterior_holds_the_truth() -> None:
    """Share and time of many signs: the chance within a year is s (1 - exp(-12 / tau))."""
    cure = Cure.fit(drawn(0.6, 6.0, 2000, 2), 1, WIDE, (0.7, 0.4))
    chance, low, high = cure.within(np.zeros(1, int), np.zeros(1), np.full(1, 12.0))
    true = 0.6 * -np.expm1(-12.0 / 6.0)
    assert chance[0] == pytest.approx(true, abs=0.03)
    assert low[0] < true < high[0]


def test_what_stood_long_announces_less() -> None:
    """By hand: of those still open at a, s e^(-a/tau) / (s e^(-a/tau) + 1 - s) will fail."""
    cure = Cure.fit(drawn(0.6, 6.0, 4000, 3), 1, WIDE, (0.7, 0.4))
    months = np.array([0.0, 6.0, 12.0])
    chance, *_ = cure.within(np.zeros(3, int), months, np.full(3, 12.0))
    left = 0.6 * np.exp(-months / 6.0)
    assert chance == pytest.approx(left / (left + 0.4) * -np.expm1(-2.0), abs=0.04)


def test_a_group_without_cases_is_as_its_kind_and_less_sure() -> None:
    cure = Cure.fit(drawn(0.6, 6.0, 1000, 4), 1, WIDE, (0.7, 0.4))
    chance, low, high = cure.within(np.array([0, 1]), np.zeros(2), np.full(2, 12.0))
    assert chance[1] == pytest.approx(chance[0], abs=0.05)
    assert high[1] - low[1] > 3.0 * (high[0] - low[0])


def test_signs_that_are_alike_count_as_many() -> None:
    signs = drawn(0.5, 4.0, 500, 5)
    alike, many = signs.alike()
    assert many.sum() == 500
    share, months = np.array([[0.5]]), np.array([[4.0]])
    whole = log_likelihood(signs, share, months).sum()
    assert (log_likelihood(alike, share, months)[:, 0, 0] @ many) == pytest.approx(whole, rel=2e-3)
