"""Fits early failures beside wear, of one kind of parts or of many at once.

A fleet has dozens of components with a few hundred lives each, fitted again whenever anything is
new. One by one that is tens of thousands of calls on short arrays; all together each step of
Newton's method is a few dozen calls for the whole fleet.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from roadworn_plugins.lifedata import Floats, LifeDataError, climb_all, summed
from roadworn_plugins.lifedata.limited_failure import (
    Cause,
    EarlyPrior,
    LimitedFailure,
    Terms,
    either,
)
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.special import expit, gammaln

_LONGEST_STEP = 1.5  # in any of the logarithms
_EARLY = 3  # logit of the share, log of the early mean, log of the shape; then the rates


@dataclass(frozen=True, eq=False)
class LimitedFailureFit:
    """Maximum a posteriori estimate.

    Attributes:
        law: The estimate.
        log_posterior: Log-likelihood plus log density of the priors of the transformed parameters.
        covariance: Of logit share, log mean, log shape and the log rates, from the curvature.
    """

    law: LimitedFailure
    log_posterior: float
    covariance: Floats


def fit_limited_failure(
    lives: Lives,
    prior: EarlyPrior | None = None,
    cause: ArrayLike = 0,
    multiplier: ArrayLike = 1.0,
) -> LimitedFailureFit:
    """Fit both laws by Newton's method on the log posterior.

    Args:
        lives: Failed and running ones, with or without late entry; groups share the early law
            and the shape of wear.
        prior: Belief before; by default a share of about 5 % and a mean of 2 (thousand km).
        cause: Of each life, a :class:`Cause`.
        multiplier: Of the hazard of wear of each life.

    Raises:
        LifeDataError: No failure, a group without a failure where rates have no prior, interval
            lives, or no maximum (no prior of the shape and failures at one age only).
    """
    belief = EarlyPrior() if prior is None else prior
    groups = np.zeros(lives.n_groups, dtype=np.int64)
    problem = _Problems(lives, Terms.of(lives, cause, multiplier), (belief,), groups)
    x, value, bend = problem.solved()
    law = problem.laws(x)[0]
    turn = np.eye(x.shape[1])
    turn[_EARLY:, 2] = -law.shape * np.log(problem.unit[0])
    covariance = turn @ np.linalg.pinv(-bend[0]) @ turn.T
    return LimitedFailureFit(law, float(value[0]) + problem.constant(), covariance)


def likeliest_laws(
    lives: Lives,
    priors: Sequence[EarlyPrior],
    kind: NDArray[np.int64],
    cause: ArrayLike = 0,
    multiplier: ArrayLike = 1.0,
) -> tuple[list[LimitedFailure], Floats]:
    """Fit many kinds of parts at once, each with laws and groups of its own.

    Args:
        lives: Of all kinds, as for :func:`fit_limited_failure`.
        priors: Belief about each kind.
        kind: Of each group, 0 to ``len(priors)`` - 1, rising.
        cause: As there.
        multiplier: As there.

    Returns:
        The laws, one a kind, and the chance that each failure was an early one.

    Raises:
        LifeDataError: As there, of any kind.
    """
    problem = _Problems(lives, Terms.of(lives, cause, multiplier), priors, kind)
    x, _value, _bend = problem.solved()
    return problem.laws(x), problem.came_early(x)


def _lost(x: Floats, gain: Floats) -> NDArray[np.bool_]:
    """Return of which problems the climb found no maximum."""
    return np.asarray((gain >= 1e-8) | ~np.all(np.abs(x) < 500.0, axis=1))


class _Problems:
    """Log posteriors and their derivatives by logit share, log mean, log shape and log rates.

    One problem a kind of parts, all of them worked out at once; a kind with fewer groups than
    the most is filled up with rates that nothing depends on. Ages are divided by a middle one of
    their kind, so that shape and rates are nearly uncorrelated.
    """

    def __init__(
        self, lives: Lives, terms: Terms, priors: Sequence[EarlyPrior], kind: NDArray[np.int64]
    ) -> None:
        died = lives.exact
        weight = np.where(died, lives.count, 0.0)
        self.failures = summed(lives.group, weight, lives.n_groups)
        self.kind, self.size = kind, len(priors)
        by_kind = self._of_kinds(self.failures)
        if not np.all(by_kind > 0.0):
            raise LifeDataError("Without a failure nothing can be fitted; use a trade range.")
        self.rate_a = np.array([prior.weight for prior in priors])[kind]
        if np.any((self.rate_a == 0.0) & (self.failures == 0.0)):
            raise LifeDataError(
                f"Group {int(np.argmin(self.failures))} has no failure; give a prior of the rates."
            )
        self.prior = np.array([(*p.logit_share, *p.log_mean, *p.log_shape) for p in priors]).T
        self.groups = np.bincount(kind, minlength=self.size)
        slot = np.arange(kind.size) - (np.cumsum(self.groups) - self.groups)[kind]
        #: Where the rate of each group stands among the parameters of its kind.
        self.rate = kind, _EARLY + slot
        of = kind[lives.group]
        self.unit = np.exp(self._of_lives(of, weight * np.log(lives.exit)) / by_kind)
        # Every life counts once where it ends and, entered late, once with a minus at its entry.
        late = np.flatnonzero(lives.entry > 0.0)
        rows = np.concatenate([np.arange(lives.exit.size), late])
        order = np.argsort(of[rows], kind="stable")
        self.rows, self.of = rows[order], of[rows[order]]
        self.edges = np.searchsorted(self.of, np.arange(self.size))
        ends = order < lives.exit.size
        self.age = np.concatenate([lives.exit, lives.entry[late]])[order] / self.unit[self.of]
        self.log_age = np.log(self.age)
        self.group = lives.group[self.rows]
        self.sign = np.where(ends, 1.0, -1.0) * lives.count[self.rows]
        self.scale = self.sign * terms.multiplier[self.rows]
        self.lives = self._each(self.sign[None])[0]
        self.failed = np.flatnonzero(ends & died[self.rows])
        self.failed_edges = np.searchsorted(self.of[self.failed], np.arange(self.size))
        self.count = lives.count[self.rows[self.failed]]
        self.cause = terms.cause[self.rows[self.failed]]
        self.log_multiplier = np.log(terms.multiplier[self.rows[self.failed]])
        none = np.array([prior.middle is None for prior in priors])
        self.rate_b = np.where(none[kind], 0.0, self.rate_a)
        # Rates are held in units of a middle age; the belief about them in those of its own.
        self.log_unit = np.log(self.unit)
        middle = np.array(
            [
                unit if p.middle is None else p.middle
                for p, unit in zip(priors, self.unit, strict=True)
            ]
        )
        self.log_turn = np.where(none, 0.0, self.log_unit - np.log(middle))

    def _of_kinds(self, values: Floats) -> Floats:
        """Add up a value of each group by kind."""
        return summed(self.kind, values, self.size)

    def _of_lives(self, of: NDArray[np.int64], values: Floats) -> Floats:
        return summed(of, values, self.size)

    def _each(self, values: Floats) -> Floats:
        """Add up rows of values of the ages by kind, shape (rows, kinds)."""
        return np.asarray(np.add.reduceat(values, self.edges, axis=1))

    def start(self) -> Floats:
        """Start at the middle of the priors, the rates where they fit the failures."""
        x = np.zeros((self.size, _EARLY + int(self.groups.max())))
        x[:, 0] = self.prior[0]
        x[:, 1] = self.prior[2] - self.log_unit
        x[:, 2] = np.where(np.isfinite(self.prior[5]), self.prior[4], 0.4)
        shape = np.exp(x[:, 2])
        power = self.scale * np.exp(shape[self.of] * self.log_age)
        exposure = summed(self.group, power, self.kind.size)
        exposure += self.rate_b * np.exp(-shape * self.log_turn)[self.kind]
        x[self.rate] = np.log(self.failures + self.rate_a) - np.log(exposure)
        return x

    def solved(self) -> tuple[Floats, Floats, Floats]:
        """Return parameters, log posteriors and second derivatives at the maxima.

        Raises:
            LifeDataError: One of them has no maximum.
        """
        x, value, bend, gain = climb_all(self.at, self.start(), longest=_LONGEST_STEP)
        lost = _lost(x, gain)
        if lost.any():
            # Where a group without a failure is younger than all that failed, its rate rises with
            # the shape without end. There the failures held beforehand get their exposure too:
            # that of as many parts at the middle age.
            self.rate_b = np.where(lost[self.kind], self.rate_a, self.rate_b)
            x, value, bend, gain = climb_all(self.at, self.start(), longest=_LONGEST_STEP)
        if _lost(x, gain).any():
            raise LifeDataError(
                "The likelihood of early failures and wear has no maximum in these lives; give a "
                "prior of the shape, or take the lives of a wider group."
            )
        return x, value, bend

    def laws(self, x: Floats) -> list[LimitedFailure]:
        """Return the laws in the unit of the ages as given."""
        share, mean, shape = expit(x[:, 0]), np.exp(x[:, 1]) * self.unit, np.exp(x[:, 2])
        rate = np.exp(x[:, _EARLY:] - (shape * self.log_unit)[:, None])
        return [
            LimitedFailure(float(share[i]), float(mean[i]), float(shape[i]), rate[i, :groups])
            for i, groups in enumerate(self.groups.tolist())
        ]

    def came_early(self, x: Floats) -> Floats:
        """Return the chance that each life ended by the early law, 0 where it did not end."""
        tau = self.age * np.exp(-x[self.of, 1])
        _early, _wear, _grown, chance = self._causes(x, tau[self.failed])
        found = np.zeros(int(self.rows.max()) + 1)
        found[self.rows[self.failed]] = chance
        return found

    def constant(self) -> float:
        """Return what scaled ages and norms of priors add to the log posterior of one kind."""
        held = -float(np.sum(self.failures) * self.log_unit[0])
        for spread in self.prior[1::2, 0].tolist():
            if np.isfinite(spread):
                held -= float(np.log(spread) + 0.5 * np.log(2.0 * np.pi))
        a, b = float(self.rate_a[0]), float(self.rate_b[0])
        if a > 0.0 and b > 0.0:
            held += self.kind.size * float(a * np.log(b) - gammaln(a))
        return held

    def at(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Return log posteriors, shape (kinds,), their gradients and second derivatives."""
        slope, bend = np.zeros(x.shape), np.zeros((*x.shape, x.shape[1]))
        u, groups = x[:, 0], self.kind.size
        with np.errstate(over="ignore"):
            tau = self.age * np.exp(-x[:, 1])[self.of]
            grown = np.exp(x[:, 2])[self.of] * self.log_age
            hazard = self.scale * np.exp(x[self.rate][self.group] + grown)
        logit = u[self.of] - tau
        weak, share = expit(logit), expit(u)
        # Survival of both laws.
        signed = self.sign * weak
        both, leaning = signed * (1.0 - weak), hazard * grown
        tilted = both * tau
        sums = self._each(
            np.stack(
                [
                    self.sign * np.logaddexp(0.0, logit) - hazard,
                    signed,
                    signed * tau,
                    both,
                    tilted,
                    (tilted - signed) * tau,
                    leaning,
                    leaning * grown,
                ]
            )
        )
        value = sums[0] - self.lives * np.logaddexp(0.0, u)
        slope[:, 0] = sums[1] - self.lives * share
        slope[:, 1] = sums[2]
        bend[:, 0, 0] = sums[3] - self.lives * share * (1.0 - share)
        bend[:, 0, 1], bend[:, 1, 1] = sums[4], sums[5]
        slope[:, 2] = -sums[6]
        bend[:, 2, 2] = -sums[7] - sums[6]
        rates = -summed(self.group, hazard, groups)
        slope[self.rate] = rates
        cross = -summed(self.group, leaning, groups)
        value += self._failures(x, weak[self.failed], tau[self.failed], slope, bend, rates, cross)
        value += self._priors(x, slope, bend, rates, cross)
        bend[(self.kind, 2, self.rate[1])] = cross
        index = np.arange(_EARLY, x.shape[1])
        bend[:, index, index] = -1.0
        bend[(self.kind, self.rate[1], self.rate[1])] = rates
        bend += np.transpose(np.triu(bend, 1), (0, 2, 1))
        return value, slope, bend

    def _causes(self, x: Floats, tau: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return the log hazards of the failures by both laws, and the chance of the early one."""
        of, log_age = self.of[self.failed], self.log_age[self.failed]
        s, logit = x[of, 2], x[of, 0] - tau
        grown = np.exp(s) * log_age
        early = logit - np.logaddexp(0.0, logit) - x[of, 1]
        rate = x[self.rate][self.group[self.failed]]
        wear = self.log_multiplier + rate + s + grown - log_age
        chance = expit(early - wear)
        known = [self.cause == Cause.EARLY, self.cause == Cause.WEAR]
        return early, wear, grown, np.select(known, [1.0, 0.0], chance)

    def _failures(
        self,
        x: Floats,
        weak: Floats,
        tau: Floats,
        slope: Floats,
        bend: Floats,
        rates: Floats,
        cross: Floats,
    ) -> Floats:
        """Add the log hazards of the failures; h = h1 + h2 where the cause is not known."""
        group, count = self.group[self.failed], self.count
        early, wear, grown, r = self._causes(x, tau)
        spread = r * (1.0 - r) * count
        first, second = r * count, (1.0 - r) * count
        # Gradients of the two log hazards: (a_u, a_v) and (b_s, 1 for the rate of the group).
        a_u, b_s = 1.0 - weak, 1.0 + grown
        a_v = a_u * tau - 1.0
        both = weak * a_u
        known = [self.cause == Cause.EARLY, self.cause == Cause.WEAR]
        hazard = np.select(known, [early, wear], either(early, wear))
        by_u, by_s = spread * a_u, spread * b_s
        sums = np.add.reduceat(
            np.stack(
                [
                    count * hazard,
                    first * a_u,
                    first * a_v,
                    second * b_s,
                    by_u * a_u - first * both,
                    by_u * a_v - first * both * tau,
                    spread * a_v * a_v - first * (both * tau * tau + a_u * tau),
                    second * grown + by_s * b_s,
                    by_u * b_s,
                    by_s * a_v,
                ]
            ),
            self.failed_edges,
            axis=1,
        )
        groups = self.kind.size
        slope[:, :_EARLY] += sums[1:4].T
        slope[self.rate] += summed(group, second, groups)
        for row, (i, j) in enumerate(((0, 0), (0, 1), (1, 1), (2, 2)), start=4):
            bend[:, i, j] += sums[row]
        bend[:, 0, 2] -= sums[8]
        bend[:, 1, 2] -= sums[9]
        bend[(self.kind, 0, self.rate[1])] -= summed(group, by_u, groups)
        bend[(self.kind, 1, self.rate[1])] -= summed(group, spread * a_v, groups)
        rates += summed(group, spread, groups)
        cross += summed(group, by_s, groups)
        return np.asarray(sums[0])

    def _priors(
        self, x: Floats, slope: Floats, bend: Floats, rates: Floats, cross: Floats
    ) -> Floats:
        """Add the log densities of the priors, less their norms."""
        value = np.zeros(self.size)
        shifts: tuple[Floats | float, ...] = (0.0, self.log_unit, 0.0)
        for i, shift in enumerate(shifts):
            mean, spread = self.prior[2 * i], self.prior[2 * i + 1]
            off = (x[:, i] + shift - mean) / spread
            value -= 0.5 * off**2
            slope[:, i] -= off / spread
            bend[:, i, i] -= spread**-2.0
        tilt = np.exp(x[:, 2]) * self.log_turn
        log_rate = x[self.rate] - tilt[self.kind]
        held = self.rate_b * np.exp(log_rate)
        pull = self.rate_a - held
        value += self._of_kinds(self.rate_a * log_rate - held)
        slope[self.rate] += pull
        pulled = tilt * self._of_kinds(pull)
        slope[:, 2] -= pulled
        rates -= held
        cross += tilt[self.kind] * held
        bend[:, 2, 2] -= pulled + tilt * tilt * self._of_kinds(held)
        return value
