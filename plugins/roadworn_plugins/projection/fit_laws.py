"""Fits the laws of many components at once.

Whatever is new on one vehicle touches nearly every component, so all are fitted again, by turns
with the effects of vehicles and places. The arithmetic of one is a few hundred numbers: done one
by one it is calls on short arrays, done for all it takes a sixth of the time.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from roadworn.analysis.life_law import SHAPES, Early, LifeLaw, Lives, Prior, Wear
from roadworn.model import in_use
from roadworn_plugins.lifedata import Bools, Floats, Ints, summed
from roadworn_plugins.lifedata import lives as lifedata
from roadworn_plugins.lifedata.fit_limited import likeliest_laws
from roadworn_plugins.lifedata.limited_failure import Cause, EarlyPrior, Normal
from roadworn_plugins.lifedata.special import expit, gammaln, xlogy

# The nodes reach so many standard deviations to either side.
_REACH = 2.4
_COARSE = np.exp(np.linspace(np.log(0.55), np.log(7.0), 9))
# Spread between classes that is tried: Gamma shapes of the rates around their mean.
_SPREADS = np.exp(np.linspace(np.log(0.7), np.log(700.0), 11))
_TINY = 1e-300
#: Log rate beyond which none is looked for: where neither a life nor a usual one is known, no rate
#: is too fast, and the search would run out of the numbers that there are.
_FASTEST = 300.0
_STEPS = 5


def fit_law(lives: Lives, prior: Prior) -> LifeLaw:
    """Fit both laws of one component; see `fit_laws`."""
    return fit_laws([lives], [prior])[0]


def fit_laws(lives: Sequence[Lives], priors: Sequence[Prior]) -> list[LifeLaw]:
    """Fit both laws: the likeliest early law and causes, then wear with all that is unsure of it.

    Share and mean of the early law are those most likely under their priors, together with shape
    and rates (`lifedata.limited_failure`; Mittman, Lewis-Beck and Meeker, Technometrics (2019),
    fit the same law with priors alike). Then the rates are integrated out, so that the shape is
    weighed by its marginal likelihood, each shape with causes of its own.

    Args:
        lives: of each component.
        priors: of each.
    """
    if not lives:
        return []
    all_ = _All(lives, priors)
    share = expit(np.array([prior.early_share for prior in priors]))
    early = _Early(
        share, np.exp(np.array([prior.early_mean for prior in priors])), np.zeros(share.size)
    )
    worn = all_.open * all_.weight
    if all_.failed.any():
        worn = _likeliest(all_, early, worn)
    wear = _wear(all_, worn)
    if all_.open.any():
        worn = _with_causes(all_, worn, wear, early)
    laws = []
    for i, one in enumerate(lives):
        of = slice(int(all_.edges[i]), int(all_.edges[i + 1]))
        own = Early(float(early.share[i]), float(early.mean[i]), float(early.failures[i]))
        laws.append(LifeLaw(wear.of(i, one.classes), own, worn[of]))
    return laws


def laws_in_use(lives: Sequence[Lives], priors: Sequence[Prior]) -> list[LifeLaw]:
    """Return the laws that the life model in use finds; ours where no host is in use."""
    model = in_use().life_model()
    return fit_laws(lives, priors) if model is None else model[1](lives, priors)


class _All:
    """The lives of all components, one after the other, with what is held of each component."""

    def __init__(self, lives: Sequence[Lives], priors: Sequence[Prior]) -> None:
        self.priors = priors
        self.size = len(lives)
        sizes = np.array([one.group.size for one in lives])
        self.edges = np.concatenate([[0], np.cumsum(sizes)])
        self.component = np.repeat(np.arange(self.size), sizes)
        self.group, self.entry, self.leaving, self.failed, self.early, self.effect, self.weight = (
            np.concatenate([getattr(one, name) for one in lives])
            for name in ("group", "entry", "leaving", "failed", "early", "effect", "weight")
        )
        self.classes = np.array([one.classes for one in lives])
        self.wide = int(self.classes.max())
        #: Number of each life's class among those of all components, each filled up to the most.
        self.code = self.component * self.wide + self.group
        self.open = self.failed & ~self.early
        self.log_leaving = np.log(np.maximum(self.leaving, 1e-9))
        self.late = np.flatnonzero(self.entry > 1e-12)
        self.log_entry = np.log(np.maximum(self.entry[self.late], 1e-12))
        self.late_code = self.code[self.late]
        self.middle = np.array([np.nan if p.middle is None else p.middle for p in priors])
        self.held = np.array([prior.rate(np.ones(1))[0] for prior in priors])
        self.level = np.array([prior.level for prior in priors])
        self.log_shape = np.log(np.array([prior.shape for prior in priors]))
        self.shape_spread = np.array([prior.shape_spread for prior in priors])

    def exposures(self, shapes: Floats) -> Floats:
        """Return the exposure of each class at each shape, shape (components, shapes, classes).

        Args:
            shapes: of each component, shape (components, shapes).
        """
        k = shapes.T[:, self.component]
        gone = np.exp(k * self.log_leaving)
        gone[:, self.late] -= np.exp(k[:, self.late] * self.log_entry)
        gone *= self.effect * self.weight
        return self.by_class(self.code, gone)

    def by_class(self, code: Ints, values: Floats) -> Floats:
        """Add up rows of values by class, shape (components, rows, classes)."""
        rows, cells = values.shape[0], self.size * self.wide
        at = (np.arange(rows)[:, None] * cells + code).ravel()
        sums = summed(at, values.ravel(), rows * cells).reshape(rows, self.size, self.wide)
        return np.asarray(sums.transpose(1, 0, 2))

    def by_component(self, component: Ints, values: Floats) -> Floats:
        """Add up rows of values by component, shape (components, rows)."""
        rows = values.shape[0]
        at = (np.arange(rows)[:, None] * self.size + component).ravel()
        return summed(at, values.ravel(), rows * self.size).reshape(rows, self.size).T

    def rate(self, shapes: Floats) -> tuple[Floats, Floats]:
        """Return `Prior.rate` of every component, shapes (components,) and as the shapes."""
        known = np.isfinite(self.middle)[:, None]
        middle = np.where(known, self.middle[:, None], 1.0)
        held = (self.held * self.level)[:, None]
        return self.held, np.where(known, held * middle**shapes, 0.0)

    def off(self, shapes: Floats) -> Floats:
        """Return the log density of the priors at shapes, less their norms."""
        off = (np.log(shapes) - self.log_shape[:, None]) / self.shape_spread[:, None]
        return np.asarray(-0.5 * off**2)


@dataclass(eq=False)
class _Early:
    """The early laws of all components: share, mean, and failures that they rest on."""

    share: Floats
    mean: Floats
    failures: Floats


@dataclass(eq=False)
class _Wears:
    """The beliefs about wear of all components, as in `Wear` with the components first."""

    shapes: Floats
    weight: Floats
    a: Floats
    b: Floats
    wider_a: Floats
    wider_b: Floats

    def of(self, i: int, classes: int) -> Wear:
        """Return that of one component."""
        a, b = self.a[i, :, :classes].copy(), self.b[i, :, :classes].copy()
        wider = self.wider_a[i].copy(), self.wider_b[i].copy()
        return Wear(self.shapes[i].copy(), self.weight[i].copy(), a, b, *wider)

    def take_over(self, rows: Bools, found: "_Wears") -> None:
        """Take what was found for some of the components."""
        for name in ("shapes", "weight", "a", "b", "wider_a", "wider_b"):
            getattr(self, name)[rows] = getattr(found, name)[rows]


def _likeliest(all_: _All, early: _Early, worn: Floats) -> Floats:
    """Find the early laws of the highest posterior; return how likely each failure was wear.

    Where nothing failed the early law stays as it is held.
    """
    some = np.bincount(all_.component, all_.failed, all_.size) > 0
    rows = some[all_.component]
    which = np.flatnonzero(some)
    kind = np.repeat(np.arange(which.size), all_.classes[which])
    first = np.zeros(all_.size, dtype=np.int64)
    first[which] = np.cumsum(all_.classes[which]) - all_.classes[which]
    failed, leaving = all_.failed[rows], np.maximum(all_.leaving[rows], 1e-9)
    lives = lifedata.Lives(
        first[all_.component[rows]] + all_.group[rows],
        all_.entry[rows],
        leaving,
        np.where(failed, leaving, np.inf),
        all_.weight[rows],
        kind.size,
    )
    beliefs = [
        EarlyPrior(
            Normal(prior.early_share, prior.early_spread),
            Normal(prior.early_mean, prior.early_mean_spread),
            Normal(float(np.log(prior.shape)), prior.shape_spread),
            # What other shops say of a rate is said of all classes, and not of each by itself.
            min(float(all_.held[i]), 1.0),
            prior.life,
        )
        for i, prior in ((i, all_.priors[i]) for i in which.tolist())
    ]
    cause = np.where(all_.early[rows], Cause.EARLY, Cause.UNKNOWN)
    laws, came_early = likeliest_laws(lives, beliefs, kind, cause, all_.effect[rows])
    early.share[which] = [law.share for law in laws]
    early.mean[which] = [law.mean for law in laws]
    weighed = came_early * all_.weight[rows]
    early.failures[:] = np.bincount(all_.component[rows], weighed, all_.size)
    worn = worn.copy()
    worn[rows] = np.where(failed, 1.0 - came_early, 0.0) * all_.weight[rows]
    return worn


def _with_causes(all_: _All, worn: Floats, wear: _Wears, early: _Early) -> Floats:
    """Find the beliefs about wear that know how little the causes are known.

    Each shape explains the failures by causes of its own: a flat one leaves fewer to the early
    law. Its height is the bound that expectation-maximisation climbs, the likelihood of causes
    and ages together plus the entropy of the causes.
    """
    component, code = all_.component[all_.open], all_.code[all_.open]
    some = np.bincount(component, minlength=all_.size) > 0
    effect, weight, at = (x[all_.open] for x in (all_.effect, all_.weight, all_.leaving))
    mean = early.mean[component]
    left = early.share[component] * np.exp(-at / mean)
    by_early = left / mean / (1.0 - early.share[component] + left)
    log_at = all_.log_leaving[all_.open]
    log = np.log(wear.shapes)
    centre = np.sum(wear.weight * log, axis=1)
    spread = np.sqrt(np.sum(wear.weight * (log - centre[:, None]) ** 2, axis=1))
    spread = np.maximum(spread, 0.01)
    for last in (False, True):
        shapes = _around(centre, spread)
        exposure = all_.exposures(shapes)
        k = shapes.T[:, component]
        power = k * np.exp((k - 1.0) * log_at) * effect
        mine, near = np.broadcast_to(worn[all_.open] / weight, power.shape), None
        for _ in range(4):
            d = all_.by_class(code, mine * weight)
            height, found, near = _rates(all_, d, exposure, shapes, near)
            before = mine
            rate = (found.a / found.b).transpose(1, 0, 2).reshape(SHAPES, -1)
            by_wear = rate[:, code] * power
            mine = by_wear / np.maximum(by_wear + by_early, _TINY)
        own = before * (np.log(k) + (k - 1.0) * log_at)
        other = (1.0 - before) * np.log(np.maximum(by_early, _TINY))
        unsure = -xlogy(before, before) - xlogy(1.0 - before, 1.0 - before)
        height = height + all_.by_component(component, (own + other + unsure) * weight)
        height = height + all_.off(shapes)
        if not last:
            centre, spread = _peak(np.log(shapes), height, all_.shape_spread)
    found.weight = np.exp(height - _log_total(height)[:, None])
    wear.take_over(some, found)
    out = worn.copy()
    out[all_.open] = np.sum(found.weight.T[:, component] * mine, axis=0) * weight
    return out


def _around(centre: Floats, spread: Floats) -> Floats:
    """Return the shapes that stand for a belief about each, shape (components, shapes)."""
    z = np.linspace(-_REACH, _REACH, SHAPES)
    log = centre[:, None] + spread[:, None] * z
    return np.asarray(np.exp(np.clip(log, np.log(0.3), np.log(11.0))))


def _wear(all_: _All, worn: Floats) -> _Wears:
    """Return the beliefs about wear at given causes, on grids around the likeliest shapes."""
    d = summed(all_.code, worn, all_.size * all_.wide).reshape(all_.size, 1, all_.wide)
    total = summed(all_.component, worn, all_.size)[:, None]
    logs = summed(all_.component, worn * all_.log_leaving, all_.size)[:, None]

    def at(shapes: Floats) -> tuple[Floats, _Wears]:
        exposure = all_.exposures(shapes)
        height, wear, _mean = _rates(
            all_, np.broadcast_to(d, exposure.shape), exposure, shapes, None
        )
        own = total * np.log(shapes) + (shapes - 1.0) * logs
        return height + own + all_.off(shapes), wear

    coarse = np.broadcast_to(_COARSE, (all_.size, _COARSE.size))
    height, _wear_at = at(coarse)
    centre, spread = _peak(np.log(coarse), height, all_.shape_spread)
    moving = np.ones(all_.size, dtype=bool)
    for step in range(_STEPS):
        new_height, new = at(_around(centre, spread))
        if not step:
            height, wear = new_height, new
        height[moving] = new_height[moving]
        wear.take_over(moving, new)
        new_centre, new_spread = _peak(np.log(new.shapes), new_height, all_.shape_spread)
        grown = new_spread / spread
        settled = (np.abs(new_centre - centre) < 0.6 * spread) & (grown > 0.6) & (grown < 1.6)
        moving &= ~settled
        if not moving.any():
            break
        centre = np.where(moving, new_centre, centre)
        spread = np.where(moving, new_spread, spread)
    wear.weight = np.exp(height - _log_total(height)[:, None])
    return wear


def _peak(x: Floats, height: Floats, widest: Floats) -> tuple[Floats, Floats]:
    """Return means and standard deviations of densities given by their logarithms on even grids.

    Args:
        x: grids, shape (components, points).
        height: the logarithms, of the same shape.
        widest: largest standard deviation of each.
    """
    rows, last = np.arange(x.shape[0]), x.shape[1] - 1
    top = np.argmax(height, axis=1)
    at = np.clip(top, 1, last - 1)
    low, middle, high = (height[rows, at + i] for i in (-1, 0, 1))
    # A parabola through the three highest points: right where the grid is coarse.
    step = x[:, 1] - x[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = (low - 2.0 * middle + high) / step**2
        slope = (high - low) / (2.0 * step)
        bent = (top == at) & (bend < 0.0)
        curved = np.where(bent, bend, -1.0)
        peak = x[rows, top] - np.where(bent, slope / curved, 0.0)
    sharp = np.clip((-curved) ** -0.5, 0.004, widest)
    chance = np.exp(height - _log_total(height)[:, None])
    mean = np.sum(chance * x, axis=1)
    spread = np.sqrt(np.sum(chance * (x - mean[:, None]) ** 2, axis=1))
    wide = np.clip(spread, 0.05, widest)
    return np.where(bent, peak, mean), np.where(bent, sharp, wide)


def _log_total(height: Floats) -> Floats:
    """Return the logarithm of the sum of exponentials over the last axis; all finite."""
    top = height.max(axis=-1, keepdims=True)
    return np.asarray(top[..., 0] + np.log(np.exp(height - top).sum(axis=-1)))


def _rates(
    all_: _All, d: Floats, exposure: Floats, shapes: Floats, start: Floats | None
) -> tuple[Floats, _Wears, Floats]:
    """Return the marginal log likelihood of each shape and the belief about each class's rate.

    The rates of the classes are Gamma around a mean that the trade range holds a little; their
    spread is averaged over a grid with a uniform prior on the share by which a typical class is
    pulled to the mean (the idea of Christiansen and Morris, JASA 92 (1997) 618-632, from memory),
    the mean is integrated by Laplace's approximation.

    Args:
        all_: the components.
        d: failures of each class, shape (components, shapes, classes).
        exposure: of the same shape.
        shapes: Weibull shapes, shape (components, shapes).
        start: log mean rates near those to be found, from a round before.

    Returns:
        Heights, beliefs and, for the next round, the log mean rates.
    """
    a0, b0 = all_.rate(shapes)
    height, wide_a, wide_b, near = _of_classes(all_, d, exposure, a0, b0, start)
    single = np.flatnonzero(all_.classes == 1)
    if single.size:
        # One class has nothing to borrow from but the trade range.
        own, b = a0[single, None], b0[single]
        wide_a[single] = own + d[single, :, 0]
        wide_b[single] = np.maximum(b + exposure[single, :, 0], _TINY)
        trade = own * np.log(np.where(b > 0.0, b, 1.0)) - gammaln(own)
        a = wide_a[single]
        height[single] = trade + gammaln(a) - a * np.log(wide_b[single])
    a, b = wide_a[..., None] + d, wide_b[..., None] + exposure
    a[single], b[single] = wide_a[single][..., None], wide_b[single][..., None]
    return height, _Wears(shapes, np.ones(shapes.shape), a, b, wide_a, wide_b), near


def _of_classes(
    all_: _All, d: Floats, exposure: Floats, a0: Floats, b0: Floats, start: Floats | None
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return heights, the belief about a class never seen, and the log mean rates.

    Those of components of one class are of no use.
    """
    e = exposure[:, :, None, :]  # (components, shapes, spreads, classes)
    alpha = _SPREADS[:, None]
    held, held_b = a0[:, None, None], b0[:, :, None]
    if start is None:
        pooled = (d.sum(axis=2) + a0[:, None]) / np.maximum(exposure.sum(axis=2) + b0, _TINY)
        start = np.repeat(np.log(pooled)[:, :, None], _SPREADS.size, axis=2)
    log_mean = np.minimum(start, _FASTEST)
    failed = d[:, :, None, :]
    weight, total = alpha + failed, d.sum(axis=2)[:, :, None]
    moving, bend = np.ones(all_.size, dtype=bool), np.zeros(log_mean.shape)
    for _ in range(25):
        m = np.exp(log_mean)
        part = m[..., None] * e
        share = part / (alpha + part)
        pulled = weight * share
        score = held - held_b * m + total - pulled.sum(axis=3)
        new = held_b * m + (pulled - pulled * share).sum(axis=3)
        bend = np.where(moving[:, None, None], new, bend)
        step = np.minimum(np.maximum(score / np.maximum(bend, 1e-12), -2.0), 2.0)
        log_mean = np.minimum(log_mean + np.where(moving[:, None, None], step, 0.0), _FASTEST)
        moving &= ~(np.abs(step).max(axis=(1, 2)) < 1e-9)
        if not moving.any():
            break
    m = np.exp(log_mean)
    beta = alpha / m[..., None]
    terms = gammaln(weight) - gammaln(alpha) + alpha * np.log(beta)
    terms = np.sum(terms - weight * np.log(beta + e), axis=3)
    trade = held * (np.log(np.where(held_b > 0.0, held_b, 1.0)) + log_mean) - held_b * m
    height = terms + trade - 0.5 * np.log(np.maximum(bend, 1e-12))
    # A uniform prior on the pull alpha / (alpha + w) of a class with typical exposure.
    w = np.maximum(d.sum(axis=2), 1.0)[:, :, None] / np.maximum(all_.classes, 1)[:, None, None]
    pull = _SPREADS / (_SPREADS + w)
    height = height + np.log(pull * (1.0 - pull))
    of_shape = _log_total(height)
    chance = np.exp(height - of_shape[..., None])
    alpha_in_use = 1.0 / np.sum(chance / _SPREADS, axis=2)
    m_in_use = np.exp(np.sum(chance * log_mean, axis=2))
    information = np.sum(chance * bend, axis=2)
    wide_a = 1.0 / (1.0 / alpha_in_use + 1.0 / np.maximum(information, 1e-9))
    return of_shape, wide_a, wide_a / m_in_use, log_mean
