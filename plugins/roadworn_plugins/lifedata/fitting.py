"""Fit one location-scale family to all groups: status, optimum, covariance, limits.

The order matters: which groups have no optimum is decided first, from the data alone where
that is possible, so that the iterations see only groups they can finish.
"""

from collections.abc import Sequence
from typing import Literal, TypeVar

import numpy as np
from scipy.special import ndtri

from roadworn_plugins.lifedata.errors import LifeDataError, check_level
from roadworn_plugins.lifedata.families import SMALLEST_EXTREME
from roadworn_plugins.lifedata.likelihood import GroupedLikelihood, Terms
from roadworn_plugins.lifedata.limits import RatioLimits
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.optimum import Optimum, maximise, newton_step
from roadworn_plugins.lifedata.parametric import ParametricFit, Status
from roadworn_plugins.lifedata.segments import Bools, Floats, Ints
from roadworn_plugins.lifedata.weibull_profile import has_interior_optimum, profile_optimum

# Twice the log likelihood that one more step may promise: 1e-4 of a standard error.
_LEFT_TO_GAIN = 1e-8
IntervalKind = Literal["lr", "wald"]
Fit = TypeVar("Fit", bound=ParametricFit)


def fit(
    lives: Lives,
    kind: type[Fit],
    *,
    level: float,
    interval: IntervalKind,
    quantiles: Sequence[float],
) -> Fit:
    """Fit the family of ``kind`` to every group of ``lives``.

    Raises:
        LifeDataError: for a level, an interval or a quantile out of range.
    """
    check_level(level)
    if interval not in ("lr", "wald"):
        raise LifeDataError(f"There is no interval named {interval!r}: use 'lr' or 'wald'.")
    if any(not 0.0 < p < 1.0 for p in quantiles):
        raise LifeDataError("A quantile is out of range: give shares such as 0.1 and 0.5.")
    lives = lives.by_group()
    failures = lives.per_group(~lives.running)
    status = _status_of(lives, failures)
    candidates = np.flatnonzero(status <= Status.ONE_FAILURE)
    likelihood = GroupedLikelihood.of(lives, kind.family).take(candidates)
    optimum = _optimum_of(likelihood, lives, failures, candidates, status)
    good = np.flatnonzero(status[candidates] <= Status.ONE_FAILURE)
    return _result(
        lives, kind, failures, status, candidates[good], likelihood.take(good),
        optimum.delta[good], optimum.phi[good], level, interval, quantiles,
    )  # fmt: skip


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
    likelihood: GroupedLikelihood,
    lives: Lives,
    failures: Floats,
    candidates: Ints,
    status: Ints,
) -> Optimum:
    """Find the optimum of the candidate groups and lower their status where there is none."""
    n = likelihood.n_groups
    delta, phi, found = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool)
    profiled = np.zeros(n, dtype=bool)
    if likelihood.family is SMALLEST_EXTREME:
        profiled = likelihood.interval.segments.lengths == 0
        possible = has_interior_optimum(likelihood)
        status[candidates[profiled & ~possible]] = Status.NO_OPTIMUM
        one = np.flatnonzero(profiled & possible)
        best = profile_optimum(likelihood.take(one))
        delta[one], phi[one], found[one] = best
        status[candidates[one[~best.found]]] = Status.NOT_CONVERGED
    rest = np.flatnonzero(~profiled)
    if rest.size:
        part = likelihood.take(rest)
        best = maximise(part, *_start(part, lives, failures, candidates[rest]))
        delta[rest], phi[rest], found[rest] = best
        status[candidates[rest[~best.found]]] = Status.NO_OPTIMUM
    return Optimum(delta, phi, found)


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


def _result(
    lives: Lives,
    kind: type[Fit],
    failures: Floats,
    status: Ints,
    groups: Ints,
    likelihood: GroupedLikelihood,
    delta: Floats,
    phi: Floats,
    level: float,
    interval: IntervalKind,
    quantiles: Sequence[float],
) -> Fit:
    """Put the estimates of the fitted groups into columns over all groups."""
    n, z = lives.n_groups, float(ndtri(0.5 + level / 2.0))
    terms = likelihood.evaluate(delta, phi)
    cov, regular = _covariance(terms, delta, phi, likelihood.spread)
    status[groups[~regular]] = Status.NO_OPTIMUM
    # An iteration that stopped early looks like one that arrived, but for its gradient.
    arrived = newton_step(terms)[2] < _LEFT_TO_GAIN
    status[groups[regular & ~arrived]] = Status.NOT_CONVERGED
    keep = np.flatnonzero(regular & arrived)
    if keep.size < groups.size:
        groups, likelihood, cov = groups[keep], likelihood.take(keep), cov[keep]
        delta, phi, terms = delta[keep], phi[keep], Terms(*(t[keep] for t in terms))
    sigma = likelihood.spread / phi
    mu = likelihood.centre + sigma * delta

    def column(values: Floats) -> Floats:
        full = np.full((n, *values.shape[1:]), np.nan)
        full[groups] = values
        return full

    ratio = None
    if interval == "lr":
        error = np.sqrt(cov[:, 1, 1])
        ratio = RatioLimits.of(likelihood, delta, phi, terms, error, z * z)

    def given(limits: Floats, estimate: Floats, variance: Floats) -> Floats:
        """Put Wald limits where a limit was not found, and say so in the status."""
        wald = estimate[:, None] + z * np.sqrt(variance)[:, None] * np.array([-1.0, 1.0])
        lost = np.isnan(limits)
        if ratio is not None:
            status[groups[lost.any(axis=1)]] = Status.WALD_LIMIT
        return np.where(lost, wald, limits)

    unknown = np.full((groups.size, 2), np.nan)

    def age_limits(w: float) -> tuple[Floats, Floats]:
        """Return the log age ``mu + w sigma`` and its limits."""
        log_age, lean = mu + w * sigma, w * sigma
        variance = cov[:, 0, 0] + 2.0 * lean * cov[:, 0, 1] + lean**2 * cov[:, 1, 1]
        found = unknown
        if ratio is not None:
            scaled = ratio.quantile(w, np.sqrt(variance) / likelihood.spread)
            found = likelihood.centre[:, None] + likelihood.spread[:, None] * scaled
        return log_age, given(found, log_age, variance)

    of_spread = unknown
    if ratio is not None:
        of_spread = ratio.spread() - np.log(likelihood.spread)[:, None]
    log_phi_ci = given(of_spread, -np.log(sigma), cov[:, 1, 1])
    _, mu_ci = age_limits(0.0)
    ages, age_ci = {}, {}
    for p in quantiles:
        log_age, limits = age_limits(kind.family.quantile(p))
        ages[p], age_ci[p] = column(np.exp(log_age)), column(_exp(limits))
    loglik = terms.value + likelihood.density_shift()
    return kind(
        lives.per_group(np.ones(lives.group.size, dtype=bool)),
        failures,
        lives.per_group(lives.running),
        lives.per_group(lives.interval),
        column(mu),
        column(sigma),
        column(mu_ci),
        column(_exp(-log_phi_ci[:, ::-1])),
        column(loglik),
        column(4.0 - 2.0 * loglik),
        column(cov),
        ages,
        age_ci,
        status,
        level,
        interval,
    )


def _exp(log_value: Floats) -> Floats:
    """Exponential that turns a log beyond the range of a float into an open end."""
    return np.exp(np.where(log_value > 700.0, np.inf, log_value))
