"""Fit one location-scale family to all groups: status, optimum, covariance, limits.

The order matters: which groups have no optimum is decided first, from the data alone where
that is possible, so that the iterations see only groups they can finish.
"""

from collections.abc import Sequence
from typing import Literal, NamedTuple, Self, TypeVar

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints, LifeDataError, normal_reach
from roadworn_plugins.lifedata.confidence import RatioLimits
from roadworn_plugins.lifedata.likelihood import GroupedLikelihood
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import (
    SMALLEST_EXTREME,
    LognormalFit,
    ParametricFit,
    Status,
    Terms,
    WeibullFit,
)

# Twice the gain that one more step promises; 1e-16 is 1e-8 of a standard error.
_ARRIVED = 1e-16
# So close the log likelihood itself is too coarse a judge of a step.
_NEAR = 1e-7
_MOST_STEPS = 200
# In units of the spread of log age: beyond these the optimum has run away.
_LEAST_PHI, _MOST_PHI, _MOST_DELTA = 1e-5, 1e6, 1e8


class Optimum(NamedTuple):
    """Where the likelihood of each group is largest, in scaled units; nan where not found.

    Attributes:
        delta: mu / sigma.
        phi: 1 / sigma.
    """

    delta: Floats
    phi: Floats

    @classmethod
    def unknown(cls, n: int) -> Self:
        """Leave the optima of n groups to be found."""
        return cls(np.full(n, np.nan), np.full(n, np.nan))

    @property
    def found(self) -> Bools:
        """Where a maximum inside the parameter space was reached and checked."""
        return ~np.isnan(self.phi)

    def put(self, groups: Ints, delta: Floats, phi: Floats) -> None:
        """Take over the optima of some groups."""
        self.delta[groups], self.phi[groups] = delta, phi


def maximise(likelihood: GroupedLikelihood, delta: Floats, phi: Floats) -> Optimum:
    """Climb from the given start to the maximum of each group.

    Args:
        likelihood: groups with at least one failure.
        delta: start, shape (n_groups,).
        phi: start, above 0.
    """
    result, at = Optimum.unknown(likelihood.n_groups), np.arange(likelihood.n_groups)
    part, terms = likelihood, likelihood.evaluate(delta, phi)
    shrink = np.ones(at.size)
    for _ in range(_MOST_STEPS):
        step_d, step_p, decrement = newton_step(terms)
        arrived = decrement < _ARRIVED
        result.put(at[arrived], delta[arrived], phi[arrived])
        lost = (phi < _LEAST_PHI) | (phi > _MOST_PHI) | (np.abs(delta) > _MOST_DELTA)
        going = ~(arrived | lost)
        if not going.all():
            keep = np.flatnonzero(going)
            if not keep.size:
                break
            part, at, shrink = part.take(keep), at[keep], shrink[keep]
            delta, phi, terms = delta[keep], phi[keep], terms.take(keep)
            step_d, step_p, decrement = step_d[keep], step_p[keep], decrement[keep]
        # No step may carry phi further than fourfold: beyond that the parabola tells nothing.
        reach = shrink * np.minimum(1.0, 0.75 * phi / np.maximum(np.abs(step_p), 1e-300))
        new_delta, new_phi = delta + reach * step_d, phi + reach * step_p
        new = part.evaluate(new_delta, new_phi)
        better = new.value >= terms.value + 1e-4 * reach * decrement
        accept = better | ((decrement < _NEAR) & (shrink > 0.1))
        shrink = np.where(accept, 1.0, 0.25 * shrink)
        delta, phi = np.where(accept, new_delta, delta), np.where(accept, new_phi, phi)
        terms = Terms(*(np.where(accept, a, b) for a, b in zip(new, terms, strict=True)))
    return result


def newton_step(terms: Terms) -> tuple[Floats, Floats, Floats]:
    """Return the step by delta and phi, uphill everywhere, and the Newton decrement squared.

    Where the curvature is not that of a maximum it is lifted until it is.
    """
    a, b, c = -terms.dd, -terms.dp, -terms.pp
    middle, radius = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    size = np.abs(middle) + radius + 1e-100
    least = middle - radius
    # The smallest eigenvalue loses its digits when the two differ widely; the determinant less.
    level = (a > 0) & (a * c - b * b > 1e-14 * a * np.abs(c))
    lift = np.where(level, 0.0, np.maximum(-least, 0.0) + 1e-3 * size)
    a, c = a + lift, c + lift
    determinant = a * c - b * b
    step_d = (c * terms.d - b * terms.p) / determinant
    step_p = (a * terms.p - b * terms.d) / determinant
    return step_d, step_p, step_d * terms.d + step_p * terms.p


_MOST_PROFILE_STEPS = 100
# Relative change of k at which the last, quadratically convergent, step has been taken.
_STILL = 1e-9
# sigma = (sqrt(6) / pi) times the standard deviation of log t in a complete sample.
_START = np.pi / np.sqrt(6.0)


def has_interior_optimum(likelihood: GroupedLikelihood) -> Bools:
    """Tell which groups have a shape above 0 that maximises the likelihood.

    When every part entered late, ``A(k)`` vanishes at 0 as fast as k, the pull of ``d log k``
    is gone, and the slope at k = 0 decides: if it does not rise, hazards falling faster than
    1/t fit best and there is no Weibull optimum.
    """
    block = likelihood.survival
    entered = block.segments.sum(np.where(block.weight < 0, -block.weight, 0.0))
    left = block.segments.sum(np.where(block.weight > 0, block.weight, 0.0))
    all_late: Bools = entered == left
    first = block.segments.sum(block.weight * block.below)
    second = block.segments.sum(block.weight * block.below * block.below)
    pull = np.divide(second, 2.0 * first, out=np.zeros_like(first), where=first > 0)
    slope = likelihood.y1 - likelihood.d * (block.top + pull)
    rising: Bools = slope > 1e-9 * likelihood.d
    return rising | ~all_late


def profile_optimum(likelihood: GroupedLikelihood) -> Optimum:
    """Return the Weibull optimum of groups without intervals, in scaled units.

    Args:
        likelihood: groups with failures, not all of them at the largest age, and with
            ``has_interior_optimum``.
    """
    n = likelihood.n_groups
    best = np.full(n, np.nan)
    at, part, k = np.arange(n), likelihood, np.full(n, _START)
    low, high = np.zeros(n), np.full(n, np.inf)
    for _ in range(_MOST_PROFILE_STEPS):
        t0, t1, t2 = part.hazard_moments(k)
        mean = t1 / t0
        slope = part.d / k + part.y1 - part.d * (part.survival.top + mean)
        bend = -part.d / k**2 - part.d * (t2 / t0 - mean * mean)
        low, high = np.where(slope > 0, k, low), np.where(slope < 0, k, high)
        new = _inside(k - slope / bend, k, low, high)
        still = np.abs(new - k) <= _STILL * k
        if still.any():
            best[at[still]] = new[still]
            keep = np.flatnonzero(~still)
            if not keep.size:
                break
            part, at = part.take(keep), at[keep]
            new, low, high = new[keep], low[keep], high[keep]
        k = new
    k = np.where(np.isnan(best), 1.0, best)
    t0, _, _ = likelihood.hazard_moments(k)
    delta = k * likelihood.survival.top + np.log(t0 / likelihood.d)
    return Optimum(np.where(np.isnan(best), np.nan, delta), best)


def _inside(new: Floats, k: Floats, low: Floats, high: Floats) -> Floats:
    """Keep a Newton step inside its bracket, and growth at most fourfold while it is open."""
    new = np.minimum(new, 4.0 * k)
    middle = np.where(np.isinf(high), 2.0 * k, 0.5 * (low + np.minimum(high, 1e300)))
    return np.where((new > low) & (new < high), new, middle)


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
