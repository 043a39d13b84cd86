"""Fit one location-scale family to all groups: status, optimum, covariance, limits.

The order matters: which groups have no optimum is decided first, from the data alone where
that is possible, so that the iterations see only groups they can finish.
"""

from collections.abc import Sequence
from typing import Literal, TypeVar

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints, LifeDataError, normal_reach
from roadworn_plugins.lifedata.confidence import RatioLimits
from roadworn_plugins.lifedata.families import SMALLEST_EXTREME, Terms
from roadworn_plugins.lifedata.likelihood import GroupedLikelihood
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.optimum import (
    Optimum,
    has_interior_optimum,
    maximise,
    newton_step,
    profile_optimum,
)
from roadworn_plugins.lifedata.parametric import LognormalFit, ParametricFit, Status, WeibullFit

# Twice the log likelihood that one more step may promise: 1e-4 of a standard error.
_LEFT_TO_GAIN = 1e-8
IntervalKind = Literal["lr", "wald"]
Fit = TypeVar("Fit", bound=ParametricFit)


def fit_weibull(
    lives: Lives,
    *,
    level: float = 0.95,
    interval: IntervalKind = "lr",
    quantiles: Sequence[float] = (0.1, 0.5),
) -> WeibullFit:
    """Fit a Weibull distribution to each group.

    Args:
        lives: exact, running and interval rows, with or without late entry.
        level: confidence level of the limits.
        interval: ``lr`` for likelihood-ratio limits, ``wald`` for Wald limits on the log scale.
        quantiles: shares failed whose ages are wanted, for instance 0.1 for B10.

    Raises:
        LifeDataError: for a level, an interval or a quantile out of range.
    """
    return _fit(lives, WeibullFit, level, interval, quantiles)


def fit_lognormal(
    lives: Lives,
    *,
    level: float = 0.95,
    interval: IntervalKind = "lr",
    quantiles: Sequence[float] = (0.1, 0.5),
) -> LognormalFit:
    """Fit a lognormal distribution to each group; arguments as for ``fit_weibull``.

    Raises:
        LifeDataError: for a level, an interval or a quantile out of range.
    """
    return _fit(lives, LognormalFit, level, interval, quantiles)


def _fit(
    lives: Lives, kind: type[Fit], level: float, interval: str, quantiles: Sequence[float]
) -> Fit:
    """Fit the family of ``kind`` to every group of ``lives``."""
    z = normal_reach(level)
    if interval not in ("lr", "wald"):
        raise LifeDataError(f"There is no interval named {interval!r}: use 'lr' or 'wald'.")
    if any(not 0.0 < p < 1.0 for p in quantiles):
        raise LifeDataError("A quantile is out of range: give shares such as 0.1 and 0.5.")
    lives = lives.by_group()
    failures = lives.per_group(~lives.running)
    status = _status_of(lives, failures)
    groups = np.flatnonzero(status <= Status.ONE_FAILURE)
    likelihood = GroupedLikelihood.of(lives, kind.family).take(groups)
    optimum = _optimum_of(likelihood, lives, failures, groups, status)
    keep = np.flatnonzero(optimum.found)
    groups, likelihood = groups[keep], likelihood.take(keep)
    delta, phi = optimum.delta[keep], optimum.phi[keep]
    terms = likelihood.evaluate(delta, phi)
    cov, regular = _covariance(terms, delta, phi, likelihood.spread)
    status[groups[~regular]] = Status.NO_OPTIMUM
    # An iteration that stopped early looks like one that arrived, but for its gradient.
    arrived = newton_step(terms)[2] < _LEFT_TO_GAIN
    status[groups[regular & ~arrived]] = Status.NOT_CONVERGED
    keep = np.flatnonzero(regular & arrived)
    if keep.size < groups.size:
        groups, likelihood, cov = groups[keep], likelihood.take(keep), cov[keep]
        delta, phi, terms = delta[keep], phi[keep], terms.take(keep)
    centre, spread = likelihood.centre, likelihood.spread
    sigma = spread / phi
    mu = centre + sigma * delta

    def column(values: Floats) -> Floats:
        """Spread figures of the fitted groups over all groups."""
        full = np.full((lives.n_groups, *values.shape[1:]), np.nan)
        full[groups] = values
        return full

    ratio = None
    if interval == "lr":
        ratio = RatioLimits.of(likelihood, delta, phi, terms, np.sqrt(cov[:, 1, 1]), z * z)

    def limits(estimate: Floats, variance: Floats, found: Floats | None) -> Floats:
        """Return the limits found, or Wald's; where one was not found the status says so."""
        wald: Floats = estimate[:, None] + z * np.sqrt(variance)[:, None] * np.array([-1.0, 1.0])
        if found is None:
            return wald
        lost: Bools = np.isnan(found)
        status[groups[lost.any(axis=1)]] = Status.WALD_LIMIT
        return np.asarray(np.where(lost, wald, found))

    def log_age(w: float) -> tuple[Floats, Floats]:
        """Return the log age ``mu + w sigma`` and its limits."""
        lean = w * sigma
        variance = cov[:, 0, 0] + 2.0 * lean * cov[:, 0, 1] + lean**2 * cov[:, 1, 1]
        found = None
        if ratio is not None:
            scaled = ratio.quantile(w, np.sqrt(variance) / spread)
            found = centre[:, None] + spread[:, None] * scaled
        return mu + lean, limits(mu + lean, variance, found)

    of_spread = None if ratio is None else ratio.spread() - np.log(spread)[:, None]
    log_phi_ci = limits(-np.log(sigma), cov[:, 1, 1], of_spread)
    _, mu_ci = log_age(0.0)
    ages = {p: log_age(kind.family.quantile(p)) for p in quantiles}
    loglik = terms.value + likelihood.density_shift()
    return kind(
        n=lives.per_group(np.ones(lives.group.size, dtype=bool)),
        failures=failures,
        running=lives.per_group(lives.running),
        interval_censored=lives.per_group(lives.interval),
        mu=column(mu),
        sigma=column(sigma),
        mu_ci=column(mu_ci),
        sigma_ci=column(_exp(-log_phi_ci[:, ::-1])),
        loglik=column(loglik),
        aic=column(4.0 - 2.0 * loglik),
        cov=column(cov),
        quantiles={p: column(np.exp(age)) for p, (age, _) in ages.items()},
        quantile_ci={p: column(_exp(ends)) for p, (_, ends) in ages.items()},
        status=status,
        level=level,
        interval=interval,
    )


def _exp(log_value: Floats) -> Floats:
    """Exponential that turns a log beyond the range of a float into an open end."""
    return np.exp(np.where(log_value > 700.0, np.inf, log_value))


def _status_of(lives: Lives, failures: Floats) -> Ints:
    """Decide from the data alone which groups cannot have an optimum."""
    n = lives.n_groups
    highest_lower, lowest_upper = np.full(n, -np.inf), np.full(n, np.inf)
    # A part never seen to work beyond its entry may fail there at once, whatever sigma is.
    seen = lives.lower > lives.entry
    np.maximum.at(highest_lower, lives.group[seen], lives.lower[seen])
    np.minimum.at(lowest_upper, lives.group, lives.upper)
    status = np.where(failures == 1.0, Status.ONE_FAILURE, Status.OK)
    # One age at or above every sound look and at or below every failure: sigma shrinks to 0.
    status = np.where(highest_lower <= lowest_upper, Status.ONE_AGE, status)
    unbounded = lives.per_group(seen) == 0.0
    status = np.where(unbounded, Status.NO_OPTIMUM, status)
    return np.where(failures == 0.0, Status.NO_FAILURES, status).astype(np.int64)


def _optimum_of(
    likelihood: GroupedLikelihood, lives: Lives, failures: Floats, groups: Ints, status: Ints
) -> Optimum:
    """Find the optimum of the candidate groups and lower their status where there is none."""
    result = Optimum.unknown(likelihood.n_groups)
    profiled = np.zeros(likelihood.n_groups, dtype=bool)
    if likelihood.family is SMALLEST_EXTREME:
        profiled = likelihood.interval.segments.lengths == 0
        possible = has_interior_optimum(likelihood)
        one = np.flatnonzero(profiled & possible)
        result.put(one, *profile_optimum(likelihood.take(one)))
        status[groups[profiled & ~possible]] = Status.NO_OPTIMUM
        status[groups[profiled & possible & ~result.found]] = Status.NOT_CONVERGED
    rest = np.flatnonzero(~profiled)
    if rest.size:
        part = likelihood.take(rest)
        result.put(rest, *maximise(part, *_start(part, lives, failures, groups[rest])))
        status[groups[~profiled & ~result.found]] = Status.NO_OPTIMUM
    return result


def _start(
    part: GroupedLikelihood, lives: Lives, failures: Floats, groups: Ints
) -> tuple[Floats, Floats]:
    """Return delta and phi to start from: the mean life of a constant rate, a usual spread."""
    use = lives.count * (lives.exit - lives.entry)
    exposure = np.bincount(lives.group, use, lives.n_groups)[groups]
    mu = (np.log(exposure / failures[groups]) - part.centre) / part.spread
    # A flatter start where the mean life lies far above the ages seen keeps z in range.
    phi = 1.2 / np.maximum(1.0, np.abs(mu) / 3.0)
    return phi * mu, phi


def _covariance(terms: Terms, delta: Floats, phi: Floats, spread: Floats) -> tuple[Floats, Bools]:
    """Return the covariance of (mu, log sigma), and where the information is regular."""
    i_mm = -(phi**2) * terms.dd
    i_ms = phi * (delta * terms.dd + phi * terms.dp)
    i_ss = -(delta**2 * terms.dd + 2.0 * delta * phi * terms.dp + phi**2 * terms.pp)
    determinant = i_mm * i_ss - i_ms**2
    # A correlation of 1 to ten digits is a ridge, not an optimum.
    regular = (i_mm > 0.0) & (determinant > 1e-10 * i_mm * i_ss)
    safe = np.where(regular, determinant, 1.0)
    cov = np.empty((phi.size, 2, 2))
    cov[:, 0, 0] = spread**2 * i_ss / safe
    cov[:, 0, 1] = cov[:, 1, 0] = -spread * i_ms / safe
    cov[:, 1, 1] = i_mm / safe
    return cov, regular
