"""The law of a component's lives: wear beside early failure, and what differs between vehicles.

Real histories are not one Weibull. Some parts fail soon after they were fitted (a bad part, a bad
fit), the rest wear out; some vehicles are hard on all their parts; a place may have a cause of its
own. One curve through all of that promises too little where it counts. So the survival of a part
of age t is

    S(t) = (1 - p F1(t)) exp(-z rate t^k)

the generalised limited failure population of Chan and Meeker (IEEE Trans. Reliability 48 (1999))
with an exponential F1, the rate of each class a Gamma belief, the shape k averaged over a grid
that carries its uncertainty, and z the effect of vehicle and place.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import expit, gammaln, xlogy

from roadworn_plugins.lifedata import Bools, Floats, Ints, summed
from roadworn_plugins.lifedata import lives as lifedata
from roadworn_plugins.lifedata.limited_failure import (
    Cause,
    EarlyPrior,
    Normal,
    early_probability,
    fit_limited_failure,
)

#: Nodes that stand for the belief about the shape.
SHAPES = 7
# The nodes reach so many standard deviations to either side.
_REACH = 2.4
_COARSE = np.exp(np.linspace(np.log(0.55), np.log(7.0), 9))
# Spread between classes that is tried: Gamma shapes of the rates around their mean.
_SPREADS = np.exp(np.linspace(np.log(0.7), np.log(700.0), 11))
_TINY = 1e-300
# Failures that what is held of the early law beforehand counts for.
_EARLY_HELD = 1.0


@dataclass(frozen=True, eq=False)
class Lives:
    """Lives of one component, one entry a life, ages in one unit.

    Attributes:
        group: class of each, 0 to `classes` - 1.
        entry, leaving: age at which it came under watch, and at failure or the last look.
        failed: whether it failed.
        early: whether the record says that it came back: an early failure by its cause.
        effect: multiplier of its wear hazard (vehicle and place).
        classes: number of classes.
        weight: of each, 1 but for the ages that one life of unknown age may have had.
    """

    group: Ints
    entry: Floats
    leaving: Floats
    failed: Bools
    early: Bools
    effect: Floats
    classes: int
    weight: Floats = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        """Let each life count once where nothing else is said."""
        if self.weight.size != self.group.size:
            object.__setattr__(self, "weight", np.ones(self.group.size))

    def take(self, rows: Bools) -> "Lives":
        """Return these lives only."""
        names = ("group", "entry", "leaving", "failed", "early", "effect", "weight")
        return replace(self, **{name: getattr(self, name)[rows] for name in names})


@dataclass(frozen=True)
class Prior:
    """What is held of a component before any of its lives is seen.

    Attributes:
        shape, shape_spread: of the wear law, and the standard deviation of its logarithm.
        middle: median life by the trade, None where no range is known.
        weight: failures that the trade range counts for.
        early_share, early_spread: logit of the share that fails early, and its spread.
        early_mean, early_mean_spread: logarithm of the mean early life, and its spread.
    """

    shape: float
    shape_spread: float
    middle: float | None
    weight: float = 1.0
    early_share: float = -3.0
    early_spread: float = 1.5
    early_mean: float = 0.7
    early_mean_spread: float = 0.7

    def rate(self, shapes: Floats) -> tuple[float, Floats]:
        """Return failures and exposure, one for each shape, that the trade range counts for.

        A Gamma(1, b) rate has its median at log(2) / b, so with b = middle^k the median life is
        the middle of the range.
        """
        if self.middle is None:
            return 0.5, np.zeros(shapes.size)
        return self.weight, self.weight * self.middle**shapes


@dataclass(frozen=True, eq=False)
class Wear:
    """The belief about wear, one entry a shape unless said otherwise.

    Attributes:
        shapes: Weibull shapes.
        weight: of each shape, adding up to 1.
        a: Gamma shape of the rate of each class, shape (shapes, classes).
        b: exposure of the same, shape (shapes, classes).
        wider_a, wider_b: of a class that was never seen, shape (shapes,).
    """

    shapes: Floats
    weight: Floats
    a: Floats
    b: Floats
    wider_a: Floats
    wider_b: Floats

    @property
    def shape(self) -> float:
        """The shape in use where one has to stand for all: the mean of the logarithm."""
        return float(np.exp(float(self.weight @ np.log(self.shapes))))

    @property
    def spread(self) -> float:
        """Standard deviation of the logarithm of the shape."""
        log = np.log(self.shapes)
        return float(np.sqrt(float(self.weight @ (log - self.weight @ log) ** 2)))

    def of(self, group: int | None) -> tuple[Floats, Floats]:
        """Return Gamma shapes and exposures of a class, None for one never seen."""
        if group is None:
            return self.wider_a, self.wider_b
        return self.a[:, group], self.b[:, group]

    def hazard(self, group: Ints, age: Floats) -> Floats:
        """Return the mean hazard of wear at these ages, averaged over shapes."""
        rate = (self.a / self.b)[:, group]
        k = self.shapes[:, None]
        with np.errstate(divide="ignore"):
            return np.asarray(self.weight @ (rate * k * np.maximum(age, 1e-9) ** (k - 1.0)))

    def cumulative(self, group: Ints, entry: Floats, leaving: Floats) -> Floats:
        """Return the mean cumulative hazard between two ages, averaged over shapes."""
        rate = (self.a / self.b)[:, group]
        k = self.shapes[:, None]
        return np.asarray(self.weight @ (rate * (leaving**k - entry**k)))


@dataclass(frozen=True)
class Early:
    """The law of early failures: a share of fitted parts, an exponential life.

    Attributes:
        share: of fitted parts that would fail early.
        mean: mean life of those, in the unit of the ages.
        failures: early failures that it rests on.
    """

    share: float
    mean: float
    failures: float = 0.0

    def hazard(self, age: Floats) -> Floats:
        """Return the hazard of early failure at these ages."""
        left = self.share * np.exp(-age / self.mean)
        return np.asarray(left / self.mean / (1.0 - self.share + left))

    def chance(self, age: Floats, ahead: Floats) -> Floats:
        """Return the chance that a part of this age fails early within what lies ahead."""
        return early_chance(self.share, self.mean, age, ahead)

    def after(self, ahead: Floats) -> Floats:
        """Return the chance that a part fitted at some moment of what lies ahead fails early.

        Averaged over moments evenly spread.
        """
        return early_after(self.share, self.mean, ahead)


def early_unsure(failures: Floats, mean: Floats, age: Floats) -> Floats:
    """Return the relative variance of the early hazard that lies ahead of parts of these ages.

    So many early failures tell share and mean each about as well as a rate; a part that has
    outlived the mean hangs on how well the mean is known.
    """
    return np.minimum((1.0 + (age / mean) ** 2) / (failures + _EARLY_HELD), 4.0)


def early_chance(share: Floats | float, mean: Floats | float, age: Floats, ahead: Floats) -> Floats:
    """Return `Early.chance` of parts that may each have a law of their own."""
    now, then = np.exp(-age / mean), np.exp(-(age + ahead) / mean)
    return np.asarray(share * (now - then) / (1.0 - share + share * now))


def early_after(share: Floats | float, mean: Floats | float, ahead: Floats) -> Floats:
    """Return `Early.after` of parts that may each have a law of their own."""
    reach = np.maximum(ahead, 1e-9) / mean
    return np.asarray(share * (1.0 + np.expm1(-reach) / reach))


@dataclass(frozen=True, eq=False)
class LifeLaw:
    """What is believed of a component's lives.

    Attributes:
        wear: the wear law.
        early: the early law.
        worn: of each life, the chance that it ended by wear, times its weight; 0 where it did
            not fail.
    """

    wear: Wear
    early: Early
    worn: Floats


def fit_law(lives: Lives, prior: Prior) -> LifeLaw:
    """Fit both laws: the likeliest early law and causes, then wear with all that is unsure of it.

    Share and mean of the early law are those most likely under their priors, together with shape
    and rates (`lifedata.limited_failure`; Mittman, Lewis-Beck and Meeker, Technometrics (2019),
    fit the same law with priors alike). Then the rates are integrated out, so that the shape is
    weighed by its marginal likelihood, each shape with causes of its own.

    Args:
        lives: of one component.
        prior: of the component.
    """
    open_ = lives.failed & ~lives.early
    worn = open_ * lives.weight
    early = Early(float(expit(prior.early_share)), float(np.exp(prior.early_mean)))
    leaving = np.maximum(lives.leaving, 1e-9)
    if lives.failed.any():
        early, worn = _likeliest(lives, leaving, prior)
    log_entry = np.log(np.maximum(lives.entry, 1e-12))
    wear = _wear(lives, worn, np.log(leaving), log_entry, prior)
    if open_.any():
        wear, worn = _with_causes(lives, worn, wear, early, prior)
    return LifeLaw(wear, early, worn)


def _likeliest(lives: Lives, leaving: Floats, prior: Prior) -> tuple[Early, Floats]:
    """Return the early law of the highest posterior, and how likely each failure was wear."""
    upper = np.where(lives.failed, leaving, np.inf)
    columns = lifedata.Lives(lives.group, lives.entry, leaving, upper, lives.weight, lives.classes)
    cause = np.where(lives.early, Cause.EARLY, Cause.UNKNOWN)
    weight, _exposure = prior.rate(np.ones(1))
    belief = EarlyPrior(
        Normal(prior.early_share, prior.early_spread),
        Normal(prior.early_mean, prior.early_mean_spread),
        Normal(float(np.log(prior.shape)), prior.shape_spread),
        weight,
        prior.middle,
    )
    law = fit_limited_failure(columns, belief, cause, lives.effect).law
    came_early = early_probability(law, columns, cause, lives.effect)
    found = Early(law.share, law.mean, float(came_early @ lives.weight))
    return found, np.where(lives.failed, 1.0 - came_early, 0.0) * lives.weight


def _with_causes(
    lives: Lives, worn: Floats, wear: Wear, early: Early, prior: Prior
) -> tuple[Wear, Floats]:
    """Return the belief about wear that knows how little the causes are known.

    Each shape explains the failures by causes of its own: a flat one leaves fewer to the early
    law. Its height is the bound that expectation-maximisation climbs, the likelihood of causes
    and ages together plus the entropy of the causes.
    """
    open_ = lives.failed & ~lives.early
    at, group, effect = lives.leaving[open_], lives.group[open_], lives.effect[open_]
    by_early, weight = early.hazard(at), lives.weight[open_]
    log_at, log_entry = np.log(np.maximum(at, 1e-9)), np.log(np.maximum(lives.entry, 1e-12))
    log_leaving = np.log(np.maximum(lives.leaving, 1e-9))
    centre, spread = float(np.log(wear.shape)), max(wear.spread, 0.01)
    for last in (False, True):
        z = np.linspace(-_REACH, _REACH, SHAPES)
        shapes = np.exp(np.clip(centre + spread * z, np.log(0.3), np.log(11.0)))
        exposure = _exposures(lives, shapes, log_leaving, log_entry)
        power = shapes[:, None] * np.exp((shapes[:, None] - 1.0) * log_at) * effect
        mine, near = np.broadcast_to(worn[open_] / weight, power.shape), None
        for _ in range(4):
            d = _by_class(group, mine * weight, lives.classes)
            height, wear, near = _rates(d, exposure, shapes, prior, near)
            before = mine
            by_wear = (wear.a / wear.b)[:, group] * power
            mine = by_wear / np.maximum(by_wear + by_early, _TINY)
        own = before * (np.log(shapes)[:, None] + (shapes[:, None] - 1.0) * log_at)
        other = (1.0 - before) * np.log(np.maximum(by_early, _TINY))
        unsure = -xlogy(before, before) - xlogy(1.0 - before, 1.0 - before)
        held = (np.log(shapes) - np.log(prior.shape)) / prior.shape_spread
        height = height + (own + other + unsure) @ weight - 0.5 * held**2
        if not last:
            centre, spread = _peak(np.log(shapes), height, prior.shape_spread)
    likely = np.exp(height - _log_total(height))
    out = worn.copy()
    out[open_] = (likely @ mine) * weight
    return replace(wear, weight=likely), out


def _exposures(lives: Lives, shapes: Floats, log_leaving: Floats, log_entry: Floats) -> Floats:
    """Return the exposure of each class at each shape, shape (shapes, classes)."""
    late = np.flatnonzero(lives.entry > 1e-12)
    k = shapes[:, None]
    gone = np.exp(k * log_leaving)
    gone[:, late] -= np.exp(k * log_entry[late])
    gone *= lives.effect * lives.weight
    return _by_class(lives.group, gone, lives.classes)


def _by_class(group: Ints, values: Floats, classes: int) -> Floats:
    """Add up rows of values by class, shape (rows, classes)."""
    if classes == 1:
        return np.asarray(values.sum(axis=1, keepdims=True))
    code = (np.arange(values.shape[0])[:, None] * classes + group).ravel()
    return summed(code, values.ravel(), values.shape[0] * classes).reshape(-1, classes)


def _wear(
    lives: Lives,
    worn: Floats,
    log_age: Floats,
    log_entry: Floats,
    prior: Prior,
) -> Wear:
    """Return the belief about wear at given causes, on a grid around the likeliest shape."""

    def at(shapes: Floats) -> tuple[Floats, Wear]:
        exposure = _exposures(lives, shapes, log_age, log_entry)
        d = np.broadcast_to(summed(lives.group, worn, lives.classes), exposure.shape)
        height, wear, _mean = _rates(d, exposure, shapes, prior)
        log_shape = np.log(shapes)
        own = worn.sum() * log_shape + (shapes - 1.0) * float(worn @ log_age)
        held = (log_shape - np.log(prior.shape)) / prior.shape_spread
        return height + own - 0.5 * held**2, wear

    height, _wear_at = at(_COARSE)
    centre, spread = _peak(np.log(_COARSE), height, prior.shape_spread)
    for step in range(5):
        z = np.linspace(-_REACH, _REACH, SHAPES)
        shapes = np.exp(np.clip(centre + spread * z, np.log(0.3), np.log(11.0)))
        height, wear = at(shapes)
        new_centre, new_spread = _peak(np.log(shapes), height, prior.shape_spread)
        settled = abs(new_centre - centre) < 0.6 * spread and 0.6 < new_spread / spread < 1.6
        if settled or step == 4:
            break
        centre, spread = new_centre, new_spread
    weight = np.exp(height - _log_total(height))
    return replace(wear, weight=weight)


def _peak(x: Floats, height: Floats, widest: float) -> tuple[float, float]:
    """Return mean and standard deviation of a density given by its logarithm on an even grid."""
    top = int(np.argmax(height))
    if 0 < top < x.size - 1:
        # A parabola through the three highest points: right where the grid is coarse.
        step = x[1] - x[0]
        bend = (height[top - 1] - 2.0 * height[top] + height[top + 1]) / step**2
        slope = (height[top + 1] - height[top - 1]) / (2.0 * step)
        if bend < 0.0:
            centre = float(x[top] - slope / bend)
            return centre, float(np.clip((-bend) ** -0.5, 0.004, widest))
    chance = np.exp(height - _log_total(height))
    mean = float(chance @ x)
    spread = float(np.sqrt(chance @ (x - mean) ** 2))
    return mean, float(np.clip(spread, 0.05, widest))


def _log_total(height: Floats) -> Floats:
    """Return the logarithm of the sum of exponentials over the last axis; all finite."""
    top = height.max(axis=-1, keepdims=True)
    return np.asarray(top[..., 0] + np.log(np.exp(height - top).sum(axis=-1)))


def _rates(
    d: Floats, exposure: Floats, shapes: Floats, prior: Prior, start: Floats | None = None
) -> tuple[Floats, Wear, Floats | None]:
    """Return the marginal log likelihood of each shape and the belief about each class's rate.

    The rates of the classes are Gamma around a mean that the trade range holds a little; their
    spread is averaged over a grid with a uniform prior on the share by which a typical class is
    pulled to the mean (the idea of Christiansen and Morris, JASA 92 (1997) 618-632, from memory),
    the mean is integrated by Laplace's approximation.

    Args:
        d: failures of each class, shape (shapes, classes).
        exposure: shape (shapes, classes).
        shapes: Weibull shapes.
        prior: of the component.
        start: log mean rates near those to be found, from a round before.

    Returns:
        Heights, belief and, for the next round, the log mean rates.
    """
    a0, b0 = prior.rate(shapes)
    classes = d.shape[1]
    if classes == 1:
        a, b = a0 + d[:, 0], b0 + exposure[:, 0]
        b = np.maximum(b, _TINY)
        trade = a0 * np.log(np.where(b0 > 0.0, b0, 1.0)) - gammaln(a0)
        height = trade + gammaln(a) - a * np.log(b)
        return height, Wear(shapes, np.ones(shapes.size), a[:, None], b[:, None], a, b), None
    e = exposure[:, None, :]  # (shapes, spreads, classes)
    alpha = _SPREADS[None, :, None]
    held, held_b = a0, b0[:, None]
    if start is None:
        pooled = (d.sum(axis=1) + a0) / np.maximum(exposure.sum(axis=1) + b0, _TINY)
        start = np.repeat(np.log(pooled)[:, None], _SPREADS.size, axis=1)
    log_mean = start
    failed = d[:, None, :]
    weight, total = alpha + failed, d.sum(axis=1)[:, None]
    for _ in range(25):
        m = np.exp(log_mean)
        part = m[..., None] * e
        share = part / (alpha + part)
        pulled = weight * share
        score = held - held_b * m + total - pulled.sum(axis=2)
        bend = held_b * m + (pulled - pulled * share).sum(axis=2)
        step = np.minimum(np.maximum(score / np.maximum(bend, 1e-12), -2.0), 2.0)
        log_mean = log_mean + step
        if np.abs(step).max() < 1e-9:
            break
    m = np.exp(log_mean)
    beta = alpha / m[..., None]
    terms = gammaln(weight) - gammaln(alpha) + alpha * np.log(beta)
    terms = np.sum(terms - weight * np.log(beta + e), axis=2)
    trade = held * (np.log(np.where(held_b > 0.0, held_b, 1.0)) + log_mean) - held_b * m
    height = terms + trade - 0.5 * np.log(np.maximum(bend, 1e-12))
    # A uniform prior on the pull alpha / (alpha + w) of a class with typical exposure.
    w = np.maximum(d.sum(axis=1), 1.0)[:, None] / classes
    pull = _SPREADS / (_SPREADS + w)
    height = height + np.log(pull * (1.0 - pull))
    of_shape = _log_total(height)
    chance = np.exp(height - of_shape[:, None])
    alpha_in_use = 1.0 / np.sum(chance / _SPREADS, axis=1)
    m_in_use = np.exp(np.sum(chance * log_mean, axis=1))
    information = np.sum(chance * bend, axis=1)
    wide_a = 1.0 / (1.0 / alpha_in_use + 1.0 / np.maximum(information, 1e-9))
    wide_b = wide_a / m_in_use
    a, b = wide_a[:, None] + d, wide_b[:, None] + exposure
    return of_shape, Wear(shapes, np.ones(shapes.size), a, b, wide_a, wide_b), log_mean
