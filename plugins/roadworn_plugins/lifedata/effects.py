"""What a vehicle, a place on it, a year or a season does to a hazard, learnt from counts.

Each has observed failures and those that its lives led one to expect (the sum of the cumulative
hazards of what was watched, late entry taken off). A Gamma effect of mean 1 and shape a turns
those into a posterior with a + observed and a + expected: the shared frailty of Therneau and
Grambsch, Modeling Survival Data (2000) and Duchateau and Janssen, The Frailty Model (2008) (both
from memory). The spread 1 / sqrt(a) is averaged over a grid, so that few vehicles neither say
"no difference at all" nor "anything goes".
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammainc, gammaincinv, gammaln, ive

from roadworn_plugins.lifedata import (
    Floats,
    LifeDataError,
    bisected,
    finite,
    same_length,
    summed,
    tail,
    whole_counts,
)

# Spreads (standard deviations) of an effect that are weighed against each other.
_SPREADS = np.exp(np.linspace(np.log(0.02), np.log(3.0), 48))
#: Effects a place may have beside 1: a hazard from twice to 256 times that of the others.
PLACE_STEPS = 2.0 ** np.arange(1, 9)
_SHARES = np.exp(np.linspace(np.log(1e-4), np.log(0.2), 16))
_OFFS = np.linspace(-4.0, 4.0, 17)  # of a level, in its standard errors


def _pairs(failures: ArrayLike, expected: ArrayLike) -> tuple[Floats, Floats]:
    """Check observed and expected failures, one pair a unit."""
    d, e = whole_counts("failures", failures), finite("expected failures", expected, least=0.0)
    if same_length(failures=d, expected=e) == 0:
        raise LifeDataError("There is nothing to learn an effect from; give at least one unit.")
    if np.any((e == 0.0) & (d > 0.0)):
        raise LifeDataError("A unit has failures where none was expected; check its ages.")
    return d, e


def effect_log_likelihood(a: ArrayLike, failures: ArrayLike, expected: ArrayLike) -> Floats:
    """Return the log of the chance of the failures, the Gamma effect integrated out.

    Up to what does not hang on the spread it is the negative binomial likelihood of the counts,
    and the marginal likelihood of the lives themselves.

    Args:
        a: Shapes of the effect, any shape.
        failures: Of each unit.
        expected: Of each unit; sums of cumulative hazards.
    """
    d, e = _pairs(failures, expected)
    return _marginal(a, d, e)


def _marginal(a: ArrayLike, d: Floats, e: Floats) -> Floats:
    """As :func:`effect_log_likelihood`; the expectations may differ with the shape."""
    shape = np.asarray(a, dtype=np.float64)[..., None]
    terms = gammaln(shape + d) - gammaln(shape) - d * np.log(shape)
    return np.asarray(np.sum(terms - (shape + d) * np.log1p(e / shape), axis=-1))


def effect_shape(failures: ArrayLike, expected: ArrayLike) -> float:
    """Return the maximum likelihood shape a of the effect; inf where the units do not differ."""
    d, e = _pairs(failures, expected)
    log_a = np.linspace(-6.0, 14.0, 41)
    for _ in range(9):
        heights = effect_log_likelihood(np.exp(log_a), d, e)
        at = int(np.argmax(heights))
        best = float(log_a[at])
        low, high = log_a[max(at - 1, 0)], log_a[min(at + 1, log_a.size - 1)]
        log_a = np.linspace(low, high, 21)
    # At the end of the line the counts vary no more than chance has it.
    return float("inf") if best > 13.9 else float(np.exp(best))


@dataclass(frozen=True, eq=False)
class Effects:
    """Multipliers of the hazard of units.

    Attributes:
        mean: Posterior mean of each unit.
        lower, upper: Limits of each unit.
        spread: Posterior mean of the standard deviation of the effect between units.
        level: Factor on all expectations; 1 where they were taken as right.
        new: Lower and upper limit of the multiplier of a unit not yet seen, level included.
    """

    mean: Floats
    lower: Floats
    upper: Floats
    spread: float
    level: float
    new: tuple[float, float]


def gamma_effects(
    failures: ArrayLike,
    expected: ArrayLike,
    *,
    usual: float = 1.0,
    own_level: bool = False,
    limits: float = 0.8,
) -> Effects:
    """Learn the multipliers of vehicles, or of calendar years, from their counts.

    Units come under watch without regard to their failures, so that late entry only takes its
    part off the expected failures. A year that has few units before it is told by its spread:
    ``new`` are the limits of the factor of the next one.

    Args:
        failures: Of each unit.
        expected: Of each unit, by the lives without the effect.
        usual: Spread that is exceeded with a chance of one in twenty before the counts are seen
            (an exponential prior); 1 for vehicles, 0.5 for years.
        own_level: Whether the expectations as a whole may be off, with few units (years).
        limits: Two-sided level of the limits.

    Raises:
        LifeDataError: Invalid input.
    """
    d, e = _pairs(failures, expected)
    side = tail(limits)
    shape = np.broadcast_to(_SPREADS**-2.0, (_OFFS.size, _SPREADS.size))
    factor = np.ones(shape.shape)
    heights = np.broadcast_to(_before(_SPREADS, usual), shape.shape)
    if own_level:
        # Factors around the one that the totals suggest, as wide as a spread lets it be.
        total = d.sum() + 0.5
        width = np.sqrt(1.0 / total + _SPREADS**2 / d.size)
        factor = total / (e.sum() + 1e-300) * np.exp(_OFFS[:, None] * width)
        heights = heights + np.log(width) + d.sum() * np.log(factor)
    heights = heights + _marginal(shape, d, e * factor[..., None])
    weight = np.exp(heights - heights.max())
    weight /= weight.sum()
    held = weight > 1e-5 * weight.max()
    flat, shape, factor = weight[held] / weight[held].sum(), shape[held], factor[held]
    rate = shape[:, None] / factor[:, None] + e
    each = (shape[:, None] + d) / rate
    mean = flat @ each
    # The mixture of Gammas of one unit is near a Gamma of its mean and variance.
    size = mean**2 / (flat @ (each * (each + 1.0 / rate)) - mean**2)
    low, high = (gammaincinv(size, chance) * mean / size for chance in (side, 1.0 - side))
    new = [_mixture_quantile(flat, shape, shape / factor, chance) for chance in (side, 1.0 - side)]
    return Effects(
        mean=np.asarray(mean),
        lower=np.asarray(low),
        upper=np.asarray(high),
        spread=float(weight.sum(axis=0) @ _SPREADS),
        level=float(flat @ factor),
        new=(new[0], new[1]),
    )


def _mixture_quantile(weight: Floats, shape: Floats, rate: Floats, chance: float) -> float:
    """Return a quantile of a mixture of Gammas."""
    ends = gammaincinv(shape, chance) / rate
    low, high = float(ends.min()), float(ends.max())
    return bisected(lambda x: chance - float(weight @ gammainc(shape, rate * x)), low, high)


@dataclass(frozen=True, eq=False)
class NestedEffects:
    """Multipliers of vehicles, and of places on them.

    Attributes:
        vehicle: Posterior mean of each vehicle's effect.
        place: Posterior mean of each place's own effect, beside its vehicle's.
        both: Posterior mean of their product, of each place.
        special: Chance of each place to have an effect of its own.
        share: Posterior mean of the share of such places.
        spread: Posterior mean of the standard deviation of the vehicles' effects.
    """

    vehicle: Floats
    place: Floats
    both: Floats
    special: Floats
    share: float
    spread: float


def nested_effects(
    vehicle: ArrayLike, failures: ArrayLike, expected: ArrayLike, *, usual: float = 1.0
) -> NestedEffects:
    """Learn the effect of each vehicle and of each place within it, from the places' counts.

    A place is a component at one position of one vehicle. Most have no effect of their own; a
    small share, which is learnt (before the counts any share from 0.01 % to 20 % is as likely in
    its logarithm), has a factor of 2, 4, ... 256, each as likely. Given the vehicle's effect its
    places are independent, so the sum over all combinations is a product on a grid of effects.

    Args:
        vehicle: Dense number from 0 of the vehicle of each place.
        failures: Of each place.
        expected: Of each place.
        usual: As for :func:`gamma_effects`.

    Raises:
        LifeDataError: Invalid input.
    """
    d, e = _pairs(failures, expected)
    code = np.asarray(vehicle, dtype=np.int64)
    same_length(vehicle=code, failures=d)
    n = int(code.max()) + 1
    log_z = np.linspace(-5.0, 5.0, 81)
    z = np.exp(log_z)
    # Places with as many failures and nearly the same expectation (within 1.5 %) are one cell.
    bins = np.round(np.log(np.maximum(e, 1e-9)) / 0.03)
    cells, cell = np.unique(np.stack([d, bins]), axis=1, return_inverse=True)
    cell = cell.reshape(-1)
    count = summed(code * cells.shape[1] + cell, np.ones(d.size), n * cells.shape[1])
    count = count.reshape(n, -1)
    plain = summed(code, d, n)[:, None] * log_z - summed(code, e, n)[:, None] * z
    # Likelihood of an effect of the place over that of none, by the vehicle's effect.
    rise, moment = np.zeros((cells.shape[1], z.size)), np.zeros((cells.shape[1], z.size))
    gain, wait = cells[0][:, None], np.exp(0.03 * cells[1])[:, None] * z
    for w in PLACE_STEPS:
        ratio = np.exp(np.minimum(gain * np.log(w) - (w - 1.0) * wait, 600.0))
        rise += ratio / PLACE_STEPS.size
        moment += w * ratio / PLACE_STEPS.size
    spreads = _SPREADS[::2]
    prior = spreads[:, None] ** -2.0 * (log_z - z)
    prior = np.exp(prior - prior.max(axis=1, keepdims=True))
    prior /= prior.sum(axis=1, keepdims=True)
    likely, weight = [], np.empty((_SHARES.size, spreads.size))
    for i, share in enumerate(_SHARES):
        by_z = plain + count @ np.log1p(share * (rise - 1.0))
        top = by_z.max(axis=1, keepdims=True)
        likely.append(np.exp(by_z - top))
        weight[i] = np.log(likely[i] @ prior.T).sum(axis=0) + top.sum() + _before(spreads, usual)
    weight = np.exp(weight - weight.max())
    weight[weight < 1e-5] = 0.0
    weight /= weight.sum()
    on_vehicle, (own, both, special) = np.zeros(n), np.zeros((3, d.size))
    for i in np.flatnonzero(weight.sum(axis=1)).tolist():
        # Posterior of each vehicle's effect on the grid, times the weight of this share.
        chance = likely[i] * ((weight[i] / (likely[i] @ prior.T)) @ prior)
        on_vehicle += chance @ z
        odds = _SHARES[i] * rise
        sum_of_both = 1.0 - _SHARES[i] + odds
        effect = (1.0 - _SHARES[i] + _SHARES[i] * moment) / sum_of_both
        own += (chance @ effect.T)[code, cell]
        both += ((chance * z) @ effect.T)[code, cell]
        special += (chance @ (odds / sum_of_both).T)[code, cell]
    return NestedEffects(
        vehicle=on_vehicle,
        place=own,
        both=both,
        special=special,
        share=float(weight.sum(axis=1) @ _SHARES),
        spread=float(weight.sum(axis=0) @ spreads),
    )


def _before(spread: Floats, usual: float) -> Floats:
    """Return the log prior density of the logarithm of a spread, on a grid even in it."""
    return np.asarray(np.log(spread) - np.log(20.0) / usual * spread)


@dataclass(frozen=True, eq=False)
class Season:
    """A hazard that goes up and down once a year: exp(cosine cos + sine sin), mean 1 over a year.

    Attributes:
        cosine, sine: Coefficients of the log hazard by the angle of the year, 0 on 1 January.
        rate: Failures a unit of exposure, mean of a year.
        covariance: Of log level (where both coefficients are 0), cosine and sine.
    """

    cosine: float
    sine: float
    rate: float
    covariance: Floats

    @property
    def amplitude(self) -> float:
        """Return the log of the hazard at its highest over that of a middle day."""
        return float(np.hypot(self.cosine, self.sine))

    @property
    def peak(self) -> float:
        """Return when the hazard is highest, as a share of the year from 1 January."""
        return float(np.arctan2(self.sine, self.cosine) / (2.0 * np.pi) % 1.0)

    def multiplier(self, start: ArrayLike, span: ArrayLike) -> Floats:
        """Return the mean multiplier over a stretch of the calendar.

        Args:
            start: When it begins, in years from any 1 January.
            span: How long it is, in years, above 0.
        """
        begin = 2.0 * np.pi * (finite("starts", start) - self.peak)
        width = 2.0 * np.pi * finite("spans", span, least=0.0)
        if np.any(width == 0.0):
            raise LifeDataError("A span of no length has no mean; give a span above 0.")
        size = self.amplitude
        # exp(A cos x) = I0(A) + 2 sum of In(A) cos(n x); the terms vanish fast for A below 3.
        total = np.asarray(width)
        for n in range(1, 25):
            term = (np.sin(n * (begin + width)) - np.sin(n * begin)) / n
            total = total + 2.0 * ive(n, size) / ive(0, size) * term
        return np.asarray(total / width)


def season(
    failures: ArrayLike, exposure: ArrayLike, *, usual: float | None = 0.5, periods: int = 12
) -> Season:
    """Learn the season from failures and exposure by month of the year.

    Poisson regression on cosine and sine at the middle of each month. Both coefficients have a
    normal prior of mean 0, so that few failures show no season.

    Args:
        failures: By month from January, shape (periods,), or of several years one after the other.
        exposure: Part-days (or other use) watched in each.
        usual: Spread of the prior of a coefficient; None for none.
        periods: Months of a year.

    Raises:
        LifeDataError: Invalid input, no failure, or failures without exposure.
    """
    d, e = _pairs(failures, exposure)
    if d.sum() == 0.0:
        raise LifeDataError("Without a failure there is no season to see; gather more lives.")
    angle = 2.0 * np.pi * (np.arange(d.size) % periods + 0.5) / periods
    x = np.stack([np.ones(d.size), np.cos(angle), np.sin(angle)], axis=1)
    pull = np.array([0.0, 1.0, 1.0]) * (0.0 if usual is None else usual**-2.0)
    b = np.array([np.log(d.sum() / e.sum()), 0.0, 0.0])
    for _ in range(60):
        mean = e * np.exp(x @ b)
        bend = x.T @ (mean[:, None] * x) + np.diag(pull)
        step = np.linalg.lstsq(bend, x.T @ (d - mean) - pull * b, rcond=None)[0]
        step /= max(1.0, float(np.abs(step).max()))
        b = b + step
        if float(np.abs(step).max()) < 1e-13:
            break
    size = float(np.hypot(b[1], b[2]))
    rate = float(np.exp(b[0] + size) * ive(0, size))
    return Season(float(b[1]), float(b[2]), rate, np.linalg.pinv(bend))
