"""Early failures beside wear: the limited failure population, fitted over groups.

A share p of the parts is weak (a comeback, a bad part, a slip of the hand) and fails by an
exponential law F1; every part wears by a Weibull law F2. One Weibull for both takes the wear for
flatter than it is. F(t) = 1 - (1 - p F1(t)) (1 - F2(t)): Chan and Meeker, IEEE Transactions on
Reliability 48 (1999) (from memory); over many groups with late entry Mittman, Lewis-Beck and
Meeker, Technometrics 61 (2019). Few failures cannot tell the two apart, so the early law has a
prior, and failures whose cause is known say so.

A part that has lived to age t is still a weak one with the chance expit(logit p - t / mean), so
the hazard of the early law is that chance over the mean. All derivatives below follow from it.
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, gammaln

from roadworn_plugins.lifedata import Floats, LifeDataError, climb, finite, summed
from roadworn_plugins.lifedata.lives import Lives

_LONGEST_STEP = 1.5  # in any of the logarithms
_EARLY = 3  # logit of the share, log of the early mean, log of the shape; then the rates


class Cause(IntEnum):
    """What is known of why a part failed."""

    UNKNOWN = 0
    EARLY = 1
    WEAR = 2


class Normal(NamedTuple):
    """Normal prior of a transformed parameter; an infinite spread says nothing."""

    mean: float
    spread: float


_SHARE = Normal(-3.0, 1.5)
_MEAN = Normal(float(np.log(2.0)), 0.7)
_FLAT = Normal(0.0, np.inf)


@dataclass(frozen=True)
class EarlyPrior:
    """What is believed before the lives are looked at.

    Attributes:
        logit_share: Of the share of weak parts.
        log_mean: Of the mean life of a weak part, in the unit of the ages (thousand km).
        log_shape: Of the shape of wear.
        weight: Failures that the belief about the rate of wear counts for, in each group; with 0
            every group needs a failure.
        middle: Median life by that belief: the rate is Gamma with shape ``weight`` and exposure
            ``weight * middle ** shape``. None for no exposure: so many failures more, at the
            middle age of those there are.
    """

    logit_share: Normal = _SHARE
    log_mean: Normal = _MEAN
    log_shape: Normal = _FLAT
    weight: float = 0.0
    middle: float | None = None


@dataclass(frozen=True, eq=False)
class LimitedFailure:
    """The two laws together.

    Attributes:
        share: Share p of weak parts.
        mean: Mean life of a weak part by the early law.
        shape: Weibull shape of wear, common to all groups.
        rate: Of wear, one a group: the cumulative hazard of wear is rate * age^shape.
    """

    share: float
    mean: float
    shape: float
    rate: Floats

    def weak(self, age: ArrayLike) -> Floats:
        """Return the chance that a part of this age, still running, is a weak one."""
        ages = finite("ages", age, least=0.0)
        with np.errstate(divide="ignore"):
            logit = np.log(self.share) - np.log1p(-self.share)
        return np.asarray(expit(logit - ages / self.mean))

    def early_chance(self, age: ArrayLike, ahead: ArrayLike = np.inf) -> Floats:
        """Return the chance that a running part of this age fails early within a stretch ahead.

        Args:
            age: Of the parts.
            ahead: Stretch; without end by default, which is the remaining early chance.
        """
        gone = -np.expm1(-np.asarray(ahead, dtype=np.float64) / self.mean)
        return np.asarray(self.weak(age) * gone)

    def failure_chance(
        self, age: ArrayLike, ahead: ArrayLike, group: ArrayLike, multiplier: ArrayLike = 1.0
    ) -> Floats:
        """Return the chance that a running part fails, of either cause, within a stretch ahead.

        Args:
            age: Of the parts.
            ahead: Stretch of each.
            group: Number of the group of each.
            multiplier: Of the hazard of wear.
        """
        start = finite("ages", age, least=0.0)
        end = start + finite("stretches", ahead, least=0.0)
        wear = end**self.shape - start**self.shape
        hazard = np.asarray(multiplier) * self.rate[np.asarray(group)] * wear
        return np.asarray(1.0 - (1.0 - self.early_chance(start, ahead)) * np.exp(-hazard))


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


def log_likelihood(
    law: LimitedFailure, lives: Lives, cause: ArrayLike = 0, multiplier: ArrayLike = 1.0
) -> float:
    """Return the log-likelihood of lives with exact failures, given survival to their entry.

    Args:
        law: Parameters; a share of 0 leaves the Weibull law alone.
        lives: Failed and running ones, with or without late entry.
        cause: Of each life, a :class:`Cause`; that of a running one is not looked at.
        multiplier: Of the hazard of wear of each life, for instance its vehicle's effect.

    Raises:
        LifeDataError: Interval lives, or columns that do not belong to the lives.
    """
    terms = _Terms.of(lives, cause, multiplier)
    early, wear = _log_hazards(law, lives, terms)
    hazard = np.select(
        [terms.cause == Cause.EARLY, terms.cause == Cause.WEAR], [early, wear], _either(early, wear)
    )
    grown = lives.exit**law.shape - lives.entry**law.shape
    lived = _log_sound(law, lives.exit) - _log_sound(law, lives.entry)
    lived -= terms.multiplier * law.rate[lives.group] * grown
    return float(np.sum(lives.count * (np.where(lives.exact, hazard, 0.0) + lived)))


def early_probability(
    law: LimitedFailure, lives: Lives, cause: ArrayLike = 0, multiplier: ArrayLike = 1.0
) -> Floats:
    """Return the chance that each failure was an early one; 0 for running parts.

    Args:
        law: Parameters.
        lives: As for :func:`log_likelihood`.
        cause: As there; a known cause is 1 or 0.
        multiplier: As there.
    """
    terms = _Terms.of(lives, cause, multiplier)
    early, wear = _log_hazards(law, lives, terms)
    chance = np.where(early == -np.inf, 0.0, expit(early - np.where(wear == np.inf, 700.0, wear)))
    chance = np.select([terms.cause == Cause.EARLY, terms.cause == Cause.WEAR], [1.0, 0.0], chance)
    return np.asarray(np.where(lives.exact, chance, 0.0))


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
    problem = _Problem(lives, _Terms.of(lives, cause, multiplier), belief)
    x, value, bend, gain = climb(problem.at, problem.start(), longest=_LONGEST_STEP)
    if gain >= 1e-8 or not np.all(np.abs(x) < 500.0):
        raise LifeDataError(
            "The likelihood of early failures and wear has no maximum in these lives; give a "
            "prior of the shape, or take the lives of a wider group."
        )
    law = problem.law(x)
    turn = np.eye(x.size)
    turn[_EARLY:, 2] = -law.shape * np.log(problem.unit)
    covariance = turn @ np.linalg.pinv(-bend) @ turn.T
    return LimitedFailureFit(law, value + problem.constant(), covariance)


@dataclass(frozen=True, eq=False)
class _Terms:
    """Columns beside the lives."""

    cause: NDArray[np.int64]
    multiplier: Floats

    @classmethod
    def of(cls, lives: Lives, cause: ArrayLike, multiplier: ArrayLike) -> "_Terms":
        """Check the columns and lay one value to each life."""
        if lives.interval.any():
            raise LifeDataError(
                "A failure is only known to an interval; give it the middle of the interval."
            )
        known = np.asarray(cause)
        if not np.all(np.isin(known, list(Cause))):
            raise LifeDataError("A cause is 0 (unknown), 1 (early) or 2 (wear); recode the causes.")
        times = finite("multipliers", multiplier, least=0.0)
        size = lives.group.shape
        if not all(column.shape in ((), size) for column in (known, times)):
            raise LifeDataError("Give one cause and one multiplier for each life, or one for all.")
        if np.any(times == 0.0):
            raise LifeDataError("A multiplier is 0; leave out parts that cannot wear.")
        return cls(np.broadcast_to(known, size).astype(np.int64), np.broadcast_to(times, size))


def _log_sound(law: LimitedFailure, age: Floats) -> Floats:
    """Return the log of the chance not to have failed early by an age."""
    return np.asarray(np.log1p(law.share * np.expm1(-age / law.mean)))


def _log_hazards(law: LimitedFailure, lives: Lives, terms: _Terms) -> tuple[Floats, Floats]:
    """Return the log hazards of the two laws where a life ends."""
    with np.errstate(divide="ignore"):
        early = np.log(law.weak(lives.exit)) - np.log(law.mean)
        wear = np.log(terms.multiplier * law.rate[lives.group] * law.shape)
    return early, wear + (law.shape - 1.0) * np.log(lives.exit)


def _either(early: Floats, wear: Floats) -> Floats:
    return np.asarray(np.logaddexp(early, wear))


class _Problem:
    """Log posterior and its derivatives by logit share, log mean, log shape and log rates.

    Ages are divided by a middle one, so that shape and rates are nearly uncorrelated.
    """

    def __init__(self, lives: Lives, terms: _Terms, prior: EarlyPrior) -> None:
        died = lives.exact
        failures = summed(lives.group, np.where(died, lives.count, 0.0), lives.n_groups)
        if failures.sum() == 0.0:
            raise LifeDataError("Without a failure nothing can be fitted; use a trade range.")
        if prior.weight == 0.0 and np.any(failures == 0.0):
            raise LifeDataError(
                f"Group {int(np.argmin(failures))} has no failure; give a prior of the rates."
            )
        self.prior, self.n = prior, lives.n_groups
        weight = np.where(died, lives.count, 0.0)
        self.unit = float(np.exp(np.sum(weight * np.log(lives.exit)) / weight.sum()))
        late = np.flatnonzero(lives.entry > 0.0)
        # Every life counts once where it ends and, entered late, once with a minus at its entry.
        self.age = np.concatenate([lives.exit, lives.entry[late]]) / self.unit
        self.log_age = np.log(self.age)
        self.group = np.concatenate([lives.group, lives.group[late]])
        self.sign = np.concatenate([lives.count, -lives.count[late]])
        self.scale = self.sign * np.concatenate([terms.multiplier, terms.multiplier[late]])
        self.lives = float(lives.count.sum() - lives.count[late].sum())
        self.failed = np.flatnonzero(died)
        self.count = lives.count[self.failed]
        self.cause = terms.cause[self.failed]
        self.log_multiplier = np.log(terms.multiplier[self.failed])
        self.failures = failures
        self.rate_a = prior.weight
        self.rate_b = 0.0 if prior.middle is None else prior.weight
        # Rates are held in units of a middle age; the belief about them in those of its own.
        self.log_unit = float(np.log(self.unit))
        turn = 0.0 if prior.middle is None else self.log_unit - np.log(prior.middle)
        self.log_turn = float(turn)

    def start(self) -> Floats:
        """Start at the middle of the priors, the rates where they fit the failures."""
        log_mean = self.prior.log_mean.mean - np.log(self.unit)
        log_shape = self.prior.log_shape.mean if np.isfinite(self.prior.log_shape.spread) else 0.4
        power = self.scale * np.exp(np.exp(log_shape) * self.log_age)
        exposure = summed(self.group, power, self.n)
        exposure += self.rate_b * np.exp(-np.exp(log_shape) * self.log_turn)
        rates = np.log(self.failures + self.rate_a) - np.log(exposure)
        early = [self.prior.logit_share.mean, log_mean, log_shape]
        return np.concatenate([early, rates])

    def law(self, x: Floats) -> LimitedFailure:
        """Return the law in the unit of the ages as given."""
        shape = float(np.exp(x[2]))
        return LimitedFailure(
            share=float(expit(x[0])),
            mean=float(np.exp(x[1]) * self.unit),
            shape=shape,
            rate=np.exp(x[_EARLY:] - shape * np.log(self.unit)),
        )

    def constant(self) -> float:
        """Return what the scaled ages and the priors' norms add to the log posterior."""
        held = -float(np.sum(self.failures) * np.log(self.unit))
        for belief in (self.prior.logit_share, self.prior.log_mean, self.prior.log_shape):
            if np.isfinite(belief.spread):
                held -= float(np.log(belief.spread) + 0.5 * np.log(2.0 * np.pi))
        if self.rate_a > 0.0 and self.rate_b > 0.0:
            held += self.n * float(self.rate_a * np.log(self.rate_b) - gammaln(self.rate_a))
        return held

    def at(self, x: Floats) -> tuple[float, Floats, Floats]:
        """Return the log posterior, its gradient and its second derivatives."""
        u, v, shape = x[0], x[1], float(np.exp(x[2]))
        slope, bend = np.zeros(x.size), np.zeros((x.size, x.size))
        with np.errstate(over="ignore"):
            tau = self.age * np.exp(-v)
            grown = shape * self.log_age
            hazard = self.scale * np.exp(x[_EARLY:][self.group] + grown)
        weak = expit(u - tau)
        share = float(expit(u))
        # Survival of both laws.
        value = float(self.sign @ np.logaddexp(0.0, u - tau) - self.lives * np.logaddexp(0.0, u))
        value -= float(hazard.sum())
        signed, both = self.sign * weak, self.sign * weak * (1.0 - weak)
        slope[0] = signed.sum() - self.lives * share
        slope[1] = signed @ tau
        bend[0, 0] = both.sum() - self.lives * share * (1.0 - share)
        bend[0, 1] = both @ tau
        bend[1, 1] = (both * tau - signed) @ tau
        leaning = hazard * grown
        slope[2] = -leaning.sum()
        bend[2, 2] = -(leaning @ grown) - leaning.sum()
        wear = summed(self.group, hazard, self.n)
        slope[_EARLY:] = -wear
        rates = -wear
        cross = -summed(self.group, leaning, self.n)
        value += self._failures(x, weak[self.failed], tau[self.failed], slope, bend, rates, cross)
        value += self._priors(x, slope, bend, rates, cross)
        bend[2, _EARLY:] = cross
        index = np.arange(_EARLY, x.size)
        bend[index, index] = rates
        bend += np.triu(bend, 1).T
        return value, slope, bend

    def _failures(
        self,
        x: Floats,
        weak: Floats,
        tau: Floats,
        slope: Floats,
        bend: Floats,
        rates: Floats,
        cross: Floats,
    ) -> float:
        """Add the log hazards of the failures; h = h1 + h2 where the cause is not known."""
        u, v, s = x[0], x[1], x[2]
        group, log_age, count = self.group[self.failed], self.log_age[self.failed], self.count
        grown = np.exp(s) * log_age
        early = u - tau - np.logaddexp(0.0, u - tau) - v
        wear = self.log_multiplier + x[_EARLY:][group] + s + grown - log_age
        r = expit(early - wear)
        r = np.where(self.cause == Cause.EARLY, 1.0, np.where(self.cause == Cause.WEAR, 0.0, r))
        spread = r * (1.0 - r) * count
        first, second = r * count, (1.0 - r) * count
        # Gradients of the two log hazards: (a_u, a_v) and (b_s, 1 for the rate of the group).
        a_u, a_v, b_s = 1.0 - weak, (1.0 - weak) * tau - 1.0, 1.0 + grown
        slope[0] += first @ a_u
        slope[1] += first @ a_v
        slope[2] += second @ b_s
        slope[_EARLY:] += summed(group, second, self.n)
        both = weak * (1.0 - weak)
        bend[0, 0] += -(first @ both) + spread @ (a_u * a_u)
        bend[0, 1] += -(first @ (both * tau)) + spread @ (a_u * a_v)
        bend[1, 1] += -(first @ (both * tau * tau + (1.0 - weak) * tau)) + spread @ (a_v * a_v)
        bend[2, 2] += second @ grown + spread @ (b_s * b_s)
        bend[0, 2] -= spread @ (a_u * b_s)
        bend[1, 2] -= spread @ (a_v * b_s)
        bend[0, _EARLY:] -= summed(group, spread * a_u, self.n)
        bend[1, _EARLY:] -= summed(group, spread * a_v, self.n)
        rates += summed(group, spread, self.n)
        cross += summed(group, spread * b_s, self.n)
        hazard = np.where(
            self.cause == Cause.EARLY,
            early,
            np.where(self.cause == Cause.WEAR, wear, _either(early, wear)),
        )
        return float(count @ hazard)

    def _priors(
        self, x: Floats, slope: Floats, bend: Floats, rates: Floats, cross: Floats
    ) -> float:
        """Add the log densities of the priors, less their norms."""
        value = 0.0
        shifts = (0.0, self.log_unit, 0.0)
        beliefs = (self.prior.logit_share, self.prior.log_mean, self.prior.log_shape)
        for i, (belief, shift) in enumerate(zip(beliefs, shifts, strict=True)):
            off = (x[i] + shift - belief.mean) / belief.spread
            value -= 0.5 * float(off) ** 2
            slope[i] -= off / belief.spread
            bend[i, i] -= belief.spread**-2
        if self.rate_a > 0.0:
            tilt = np.exp(x[2]) * self.log_turn
            log_rate = x[_EARLY:] - tilt
            held = self.rate_b * np.exp(log_rate)
            pull = self.rate_a - held
            value += float(np.sum(self.rate_a * log_rate - held))
            slope[_EARLY:] += pull
            slope[2] -= tilt * pull.sum()
            rates -= held
            cross += tilt * held
            bend[2, 2] -= tilt * pull.sum() + tilt * tilt * held.sum()
        return value
