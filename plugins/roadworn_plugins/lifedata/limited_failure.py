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

from roadworn_plugins.lifedata import Floats, LifeDataError, finite
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.special import expit


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
    terms = Terms.of(lives, cause, multiplier)
    early, wear = _log_hazards(law, lives, terms)
    hazard = np.select(
        [terms.cause == Cause.EARLY, terms.cause == Cause.WEAR], [early, wear], either(early, wear)
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
    terms = Terms.of(lives, cause, multiplier)
    early, wear = _log_hazards(law, lives, terms)
    chance = np.where(early == -np.inf, 0.0, expit(early - np.where(wear == np.inf, 700.0, wear)))
    chance = np.select([terms.cause == Cause.EARLY, terms.cause == Cause.WEAR], [1.0, 0.0], chance)
    return np.asarray(np.where(lives.exact, chance, 0.0))


@dataclass(frozen=True, eq=False)
class Terms:
    """Columns beside the lives."""

    cause: NDArray[np.int64]
    multiplier: Floats

    @classmethod
    def of(cls, lives: Lives, cause: ArrayLike, multiplier: ArrayLike) -> "Terms":
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


def _log_hazards(law: LimitedFailure, lives: Lives, terms: Terms) -> tuple[Floats, Floats]:
    """Return the log hazards of the two laws where a life ends."""
    with np.errstate(divide="ignore"):
        early = np.log(law.weak(lives.exit)) - np.log(law.mean)
        wear = np.log(terms.multiplier * law.rate[lives.group] * law.shape)
    return early, wear + (law.shape - 1.0) * np.log(lives.exit)


def either(early: Floats, wear: Floats) -> Floats:
    """Return the log of the sum of two log hazards."""
    return np.asarray(np.logaddexp(early, wear))
