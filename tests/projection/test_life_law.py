"""The law of lives: closed forms, SciPy on the written-out likelihood, and what a shop expects."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, special

from roadworn.analysis.life_law import LifeLaw, Lives, Prior
from roadworn_plugins.lifedata.fit_limited import fit_limited_failure
from roadworn_plugins.lifedata.lives import Lives as Ages
from roadworn_plugins.projection.fit_laws import fit_law, fit_laws


def made(
    rng: np.random.Generator, size: int, *, early: float = 0.0, classes: int = 1, shape: float = 2.0
) -> Lives:
    """Lives of scale 100 with a share of early failures of mean 3, watched for up to 200."""
    wear = 100.0 * rng.weibull(shape, size)
    soon = np.where(rng.random(size) < early, rng.exponential(3.0, size), np.inf)
    end, entry = rng.uniform(10.0, 200.0, size), np.where(rng.random(size) < 0.3, 20.0, 0.0)
    age = np.minimum(wear, soon)
    kept = np.minimum(age, end) > entry
    return Lives(
        group=rng.integers(0, classes, size)[kept],
        entry=entry[kept],
        leaving=np.minimum(age, end)[kept],
        failed=(age < end)[kept],
        early=np.zeros(int(kept.sum()), dtype=bool),
        effect=np.ones(int(kept.sum())),
        classes=classes,
    )


def chance_ahead(lives: Lives, prior: Prior, age: float = 60.0, ahead: float = 20.0) -> float:
    """Chance that a part of this age fails by wear within what lies ahead."""
    wear = fit_law(lives, prior).wear
    a, b = wear.of(0)
    gone = (age + ahead) ** wear.shapes - age**wear.shapes
    return float(wear.weight @ (1.0 - (1.0 + gone / b) ** -a))


@pytest.mark.parametrize("failures", [0, 1, 4, 25])
def test_the_belief_of_one_class_is_the_integral_over_shape_and_rate(failures: int) -> None:
    """SciPy's quadrature of the posterior written out: a lognormal shape, a Gamma(1, middle^k)
    rate by the trade range, exact and running lives; the predictive chance of a part of 60."""
    rng = np.random.default_rng(8)
    ages = np.sort(rng.uniform(30.0, 120.0, failures))
    running = rng.uniform(20.0, 110.0, 12)
    leaving = np.concatenate([ages, running])
    failed = np.arange(leaving.size) < failures
    none = np.zeros(leaving.size, dtype=bool)
    lives = Lives(
        np.zeros(leaving.size, dtype=np.int64), np.zeros(leaving.size), leaving, failed, none,
        np.ones(leaving.size), 1,
    )  # fmt: skip
    prior = Prior(2.5, 0.5, 100.0, early_share=-40.0, early_spread=0.01)

    def posterior(log_k: float) -> tuple[float, float]:
        k = np.exp(log_k)
        a, b = 1.0 + failures, 100.0**k + np.sum(leaving**k)
        height = special.gammaln(a) - a * np.log(b) + k * np.log(100.0)
        height += failures * log_k + (k - 1.0) * np.sum(np.log(ages))
        height -= 0.5 * ((log_k - np.log(2.5)) / 0.5) ** 2
        gone = 80.0**k - 60.0**k
        return height + 30.0, 1.0 - (1.0 + gone / b) ** -a

    ends = (np.log(0.2), np.log(12.0))
    total = integrate.quad(lambda x: np.exp(posterior(x)[0]), *ends)[0]
    mean = integrate.quad(lambda x: np.exp(posterior(x)[0]) * posterior(x)[1], *ends)[0] / total
    assert chance_ahead(lives, prior) == pytest.approx(mean, rel=0.02)


@pytest.mark.parametrize("early", [0.0, 0.05, 0.15])
def test_both_laws_are_those_of_the_likelihood_maximised_at_once(early: float) -> None:
    """Against `lifedata.limited_failure`, which SciPy's optimiser checks: shape, share, mean."""
    lives = made(np.random.default_rng(5), 4000, early=early)
    law = fit_law(lives, Prior(2.5, 0.5, None))
    ages = Ages.from_ages(lives.leaving, lives.failed, entry=lives.entry)
    best = fit_limited_failure(ages).law
    assert law.wear.shape == pytest.approx(best.shape, rel=0.03)
    assert law.early.share == pytest.approx(best.share, rel=0.05, abs=2e-3)
    if early:
        assert law.early.mean == pytest.approx(best.mean, rel=0.08)


def test_early_failures_leave_the_shape_of_wear_alone() -> None:
    """One Weibull through 15 % early failures falls from 2 to about 1.2; both laws do not."""
    found = [
        fit_law(made(np.random.default_rng(s), 3000, early=0.15), Prior(2.5, 0.5, 100.0)).wear.shape
        for s in range(4)
    ]
    assert np.mean(found) == pytest.approx(2.0, abs=0.1)


def test_each_failure_makes_the_others_less_safe() -> None:
    """Alternators of 60 thousand km: with none failed, one, two … of eight. The first failure
    once made the others look safer (8.6, 5.9, 10.8 %)."""
    running = np.full(8, 60.0)
    chances = []
    for failures in range(4):
        leaving = np.concatenate([np.full(failures, 70.0), running[failures:]])
        failed = np.arange(8) < failures
        lives = Lives(
            np.zeros(8, dtype=np.int64), np.zeros(8), leaving, failed, np.zeros(8, dtype=bool),
            np.ones(8), 1,
        )  # fmt: skip
        chances.append(chance_ahead(lives, Prior(1.1, 0.5, 200.0)))
    assert np.all(np.diff(chances) > 0.0)


@pytest.mark.parametrize("wrong", [1.0 / 1.8, 1.8])
def test_a_wrong_trade_range_costs_little(wrong: float) -> None:
    """Ten failures on record: a range off by 1.8 moves what is expected by at most 15 %."""
    moved = []
    for seed in range(6):
        lives = made(np.random.default_rng(seed), 40)
        first = np.flatnonzero(np.cumsum(lives.failed) == 10)[0]
        some = lives.take(np.arange(lives.failed.size) <= first)
        right, off = (chance_ahead(some, Prior(2.0, 0.5, 83.0 * by)) for by in (1.0, wrong))
        moved.append(off / right - 1.0)
    assert abs(float(np.mean(moved))) < 0.15


def test_what_came_back_is_no_wear() -> None:
    """Comebacks named as such feed the early law, whatever their age."""
    lives = made(np.random.default_rng(2), 200)
    back = 12
    more = Lives(
        np.concatenate([lives.group, np.zeros(back, dtype=np.int64)]),
        np.concatenate([lives.entry, np.zeros(back)]),
        np.concatenate([lives.leaving, np.full(back, 8.0)]),
        np.concatenate([lives.failed, np.ones(back, dtype=bool)]),
        np.concatenate([lives.early, np.ones(back, dtype=bool)]),
        np.concatenate([lives.effect, np.ones(back)]),
        1,
    )
    prior = Prior(2.5, 0.5, 100.0)
    without, with_them = fit_law(lives, prior), fit_law(more, prior)
    assert with_them.wear.shape == pytest.approx(without.wear.shape, rel=0.15)
    assert np.all(with_them.worn[-back:] == 0.0)
    assert with_them.early.share > 4.0 * without.early.share


def figures(law: LifeLaw) -> list[np.ndarray]:
    wear, early = law.wear, law.early
    own = [wear.shapes, wear.weight, wear.a, wear.b, wear.wider_a, wear.wider_b, law.worn]
    return [*own, np.array([early.share, early.mean, early.failures])]


def test_components_fitted_together_come_to_what_each_comes_to_alone() -> None:
    """Of one class and of many, with hardly a failure and with many, without any life at all."""
    rng = np.random.default_rng(11)
    lives = [
        made(rng, 400, early=0.1, classes=4),
        made(rng, 30, classes=1),
        made(rng, 900, early=0.3, classes=2, shape=1.1),
        made(rng, 0, classes=1),
        made(rng, 60, classes=5, shape=4.0),
    ]
    lives.append(replace(lives[1], failed=np.zeros(lives[1].group.size, dtype=bool)))
    lives.append(replace(lives[4], early=lives[4].failed))
    priors = [
        Prior(2.0 + 0.1 * i, 0.5, None if i == 2 else 90.0 + i, early_share=-3.0 + 0.1 * i)
        for i in range(len(lives))
    ]
    together = fit_laws(lives, priors)
    for law, one, prior in zip(together, lives, priors, strict=True):
        for ours, own in zip(figures(law), figures(fit_law(one, prior)), strict=True):
            np.testing.assert_allclose(ours, own, rtol=1e-9, atol=1e-12)
    assert fit_laws([], []) == []
