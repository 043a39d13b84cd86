"""What other shops say of the lives of a component, as a belief held before a shop's own are seen.

Shops differ: in duty, in care, in what they buy. So the pool gives no rate but the spread of the
rates of shops (`lifedata.shrinkage.fit_prior`) and of their shapes, and counts for as many
failures as that spread leaves it worth; a shop's own failures soon weigh more. Where a shop's own
lives speak against it, it is left with what it would hold without the pool: both beliefs are
weighed by the chance that the shop is one of the others (a robust mixture, Schmidli et al.,
Biometrics 70 (2014) 1023-1032, from memory), and that chance by what its other components say.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from roadworn.analysis.life_law import Lives, Pooled, Prior
from roadworn.columns.view import LedgerView
from roadworn.model.errors import UsageError
from roadworn_plugins.lifedata import Floats, Ints
from roadworn_plugins.lifedata.counts import poisson_ratio
from roadworn_plugins.lifedata.shrinkage import GammaPrior, fit_prior
from roadworn_plugins.lifedata.special import gammaln
from roadworn_plugins.shared.grouped import Clock
from roadworn_plugins.shared.pool_file import (
    SHAPES,
    Cell,
    Shop,
    TradeClass,
    heavy_vehicles,
    ledger_of,
    read_pool,
)

#: Fewer shops cannot say how far shops differ: of three that look alike most do not.
LEAST_SHOPS = 5
# The belief about a shape is no narrower than this, as a spread of the logarithm, for lives of
# vehicles and classes that differ look flatter together than each of them, and no wider than
# without the pool: common practice, no source.
_LEAST_SPREAD, _WIDEST_SPREAD = 0.2, 0.5
# Variance of the logarithm of the shape among shops, at the least.
_SHAPES_DIFFER = 0.01
# A shop of fewer failures says nothing of how far shapes differ.
_FAILURES_FOR_SHAPE = 5.0
# Chance, before any failure is seen, that a component fails in a shop as it does in the others, and
# for how many components that counts beside what the shop's others say: common practice, no source.
_LIKE_OTHERS, _LIKE_COUNTS = 0.7, 2.0
# Spread of the logarithm of a shop's level over all components: common practice, no source.
_LEVELS_DIFFER = 0.12
# What is worth fewer failures than this says hardly more than the trade does.
_LEAST_WORTH = 3.0
_POINTS = 141
_DEGREE = 5


@dataclass(frozen=True, eq=False)
class Common:
    """What shops have in common of one component: shape, rate and how far both differ.

    Attributes:
        shops, failures: that it rests on.
        shape, spread: Weibull shape of a shop not seen yet, and the spread of its logarithm.
        rate: Gamma belief about the rate of such a shop at that shape.
        turn: logarithm of the age around which the hazard is known whatever the shape.
    """

    shops: int
    failures: int
    shape: float
    spread: float
    rate: GammaPrior
    turn: float

    @property
    def half(self) -> float:
        """Age by which half are gone, averaged over the rates."""
        gone = float(np.expm1(np.log(2.0) / self.rate.a))
        return float((gone * self.rate.b) ** (1.0 / self.shape))

    @classmethod
    def of(cls, cells: Sequence[Cell], habit: Prior) -> Self | None:
        """Learn it from the cells of several shops; None where they are too few.

        Args:
            cells: of one component, trade class and clock, one of each shop.
            habit: what the trade holds of the shape.
        """
        cells = [cell for cell in cells if min(cell.exposure) > 0.0]
        if len(cells) < LEAST_SHOPS:
            return None
        d = np.array([cell.failures for cell in cells])
        log_age = np.array([cell.log_age for cell in cells])
        known = np.log(SHAPES)
        x = np.linspace(known[0], known[-1], _POINTS)
        exposure = np.exp(_smooth(np.log([cell.exposure for cell in cells]), known, x))
        # Each shop has a rate of its own, at its likeliest for each shape.
        own = d[:, None] * (x - np.log(exposure)) + np.exp(x) * log_age[:, None]
        held = -0.5 * ((x - np.log(habit.shape)) / habit.shape_spread) ** 2
        centre, variance = _moments(x, own.sum(axis=0) + held)
        spread = np.sqrt(variance + _shapes_differ(x, own[d >= _FAILURES_FOR_SHAPE]))
        at = int(np.argmin(np.abs(x - centre)))
        rate = fit_prior(np.rint(d), exposure[:, at])
        turn = np.gradient(np.log(exposure.sum(axis=0)), np.exp(x))[at]
        return cls(
            shops=len(cells),
            failures=round(float(d.sum())),
            shape=float(np.exp(x[at])),
            spread=float(np.clip(spread, _LEAST_SPREAD, _WIDEST_SPREAD)),
            rate=rate,
            turn=float(turn),
        )


def _smooth(values: Floats, known: Floats, x: Floats) -> Floats:
    """Return log exposures between the shapes they are summed at, one row a shop."""
    middle = float(known.mean())
    fitted = np.polynomial.polynomial.polyfit(known - middle, values.T, _DEGREE)
    return np.asarray(np.polynomial.polynomial.polyval(x - middle, fitted))


def _moments(x: Floats, height: Floats) -> tuple[float, float]:
    """Return mean and variance of a density by its logarithm on an even grid."""
    chance = np.exp(height - height.max())
    chance /= chance.sum()
    mean = float(chance @ x)
    return mean, float(chance @ (x - mean) ** 2)


def _shapes_differ(x: Floats, own: Floats) -> float:
    """Return the variance of the log shape among shops (DerSimonian and Laird, 1986)."""
    if own.shape[0] < 2:
        return _SHAPES_DIFFER
    found = np.array([_moments(x, one) for one in own])
    mean, weight = found[:, 0], 1.0 / np.maximum(found[:, 1], 1e-4)
    total = weight.sum()
    q = float(weight @ (mean - weight @ mean / total) ** 2)
    among = (q - (mean.size - 1)) / (total - float(weight @ weight) / total)
    return max(float(among), _SHAPES_DIFFER)


class ByOthers(NamedTuple):
    """What a shop's other components say of one.

    Attributes:
        level: by what factor parts fail more often here than elsewhere.
        like: chance that the component fails here as it does elsewhere.
    """

    level: float = 1.0
    like: float = _LIKE_OTHERS


class PoolOfOthers:
    """The shops of a pool but the one that asks, and what they say of each component.

    Attributes:
        path: as it was named.
        shops: the others.
        mark: changes with what it says.
    """

    def __init__(
        self, path: str, shops: Sequence[Shop], heavy: NDArray[np.bool_], mark: str
    ) -> None:
        self.path, self.shops, self.mark = path, tuple(shops), mark
        self._heavy = heavy
        self._common: dict[tuple[str, str, str], Common | None] = {}

    @classmethod
    def of(cls, view: LedgerView, path: str) -> Self:
        """Read a pool for a ledger, whose own part of it is left out.

        Raises:
            UsageError: it cannot be used, or has no other shop.
        """
        file, own = read_pool(path), ledger_of(view)
        others = [shop for shop in file.shops if shop.ledger != own]
        if len(others) < LEAST_SHOPS:
            raise UsageError(
                f"The pool {path} has {len(others)} other shops than this one: at least "
                f"{LEAST_SHOPS} tell how far shops differ",
                "merge more of them with `roadworn pool merge`",
            )
        mark = hashlib.sha256(f"{own} {file.text()}".encode()).hexdigest()[:32]
        return cls(path, others, heavy_vehicles(view), mark)

    @property
    def newest(self) -> str:
        """The latest day that a shop of it speaks of."""
        return max(shop.day for shop in self.shops)

    def common(
        self, component: str, trade_class: TradeClass, clock: Clock, habit: Prior
    ) -> Common | None:
        """Return what the other shops have in common of a component; None where too few have it."""
        key = (component, trade_class, clock)
        if key not in self._common:
            cells = [
                cell
                for shop in self.shops
                for cell in shop.cells
                if (cell.component, cell.trade_class, cell.clock) == key
            ]
            self._common[key] = Common.of(cells, habit)
        return self._common[key]

    def prior(
        self,
        component: str,
        clock: Clock,
        own: Lives,
        vehicle: Ints,
        habit: Prior,
        worn: Floats | None = None,
        by_others: ByOthers | None = None,
    ) -> tuple[Prior, Pooled | None]:
        """Return what is held of a component with the pool, and what it says; else as it is.

        Args:
            component: its id.
            clock: of the ages.
            own: lives of this shop.
            vehicle: number of the vehicle of each.
            habit: what the trade holds of it.
            worn: how likely each ended by wear, once that is known.
            by_others: what this shop's other components say.
        """
        among = self._heavy[vehicle] if vehicle.size else self._heavy
        heavy = bool(among.size and among.mean() > 0.5)
        trade_class: TradeClass = "heavy" if heavy else "light"
        common = self.common(component, trade_class, clock, habit)
        if common is None or common.rate.a < _LEAST_WORTH:
            return habit, None
        level, like = by_others or ByOthers()
        k, a, b = common.shape, common.rate.a, common.rate.b / level
        middle = float(np.exp(common.turn))
        usual = replace(
            habit,
            shape=k,
            shape_spread=common.spread,
            middle=middle,
            weight=a,
            level=b / a / middle**k,
        )
        by_wear = own.weight * (own.failed & ~own.early) if worn is None else worn
        seen = _Seen.of(own, by_wear)
        prior, like = _robust(usual, habit, seen, like)
        failed = round(seen.failures)
        exposure = float((own.effect * own.weight) @ (own.leaving**k - own.entry**k))
        pooled = Pooled(
            shops=common.shops,
            failures=common.failures,
            trade_class=trade_class,
            shape=k,
            half=common.half,
            spread=float(a**-0.5),
            weight=prior.weight,
            level=level,
            like=like,
            failed=failed,
            expected=exposure * a / common.rate.b,
        )
        if exposure > 0.0:
            found = poisson_ratio([failed], [pooled.expected])
            ratio, low, high = (float(x[0]) for x in (found.value, found.lower, found.upper))
            pooled = replace(pooled, ratio=ratio, low=low, high=high)
        return prior, pooled

    @staticmethod
    def by_others(found: Mapping[str, Pooled | None]) -> dict[str, ByOthers]:
        """Return what a shop's other components say of each.

        A shop whose vehicles are driven hard shows it in all that wears, and one unlike the others
        in what is known well is likely so in what is not. For the level each component tells by
        its failures against those expected, as well as they and the spread among shops allow.
        """
        seen = {name: one for name, one in found.items() if one is not None}
        tells = {}
        for name, one in seen.items():
            if one.expected > 0.0:
                weight = 1.0 / (1.0 / (one.failed + 0.5) + one.spread**2)
                tells[name] = (weight, np.log((one.failed + 0.5) / (one.expected + 0.5)))
        total = sum(weight for weight, _off in tells.values())
        moved = sum(weight * off for weight, off in tells.values())
        alike = sum(one.like for one in seen.values())
        said = {}
        for name, own in found.items():
            weight, off = tells.get(name, (0.0, 0.0))
            level = np.exp((moved - weight * off) / (total - weight + 1.0 / _LEVELS_DIFFER**2))
            here = alike - (own.like if own else 0.0), len(seen) - (own is not None)
            like = (_LIKE_OTHERS * _LIKE_COUNTS + here[0]) / (_LIKE_COUNTS + here[1])
            said[name] = ByOthers(float(level), float(like))
        return said


@dataclass(frozen=True, eq=False)
class _Seen:
    """What a shop's own lives of a component add up to.

    Attributes:
        failures: by wear.
        log_age: sum of the logarithm of their ages.
        x: logarithms of the shapes that are looked at.
        exposure: at each of them.
    """

    failures: float
    log_age: float
    x: Floats
    exposure: Floats

    @classmethod
    def of(cls, own: Lives, worn: Floats) -> Self:
        """Add up lives of which so many ended by wear."""
        x = np.log(SHAPES)
        gone = own.effect * own.weight
        exposure = [float(gone @ (own.leaving**k - own.entry**k)) for k in SHAPES]
        grid = np.linspace(x[0], x[-1], _POINTS)
        smooth = np.zeros(_POINTS)
        if min(exposure) > 0.0:
            smooth = np.exp(_smooth(np.log([exposure]), x, grid)[0])
        log_age = float(worn @ np.log(np.maximum(own.leaving, 1e-9)))
        return cls(float(worn.sum()), log_age, grid, smooth)

    def likely(self, belief: Prior) -> float:
        """Return the logarithm of how likely they are under a belief, but for what is common."""
        k = np.exp(self.x)
        a, b = belief.rate(k)
        held = -0.5 * ((self.x - np.log(belief.shape)) / belief.shape_spread) ** 2
        held -= _log_sum(held)
        rate = gammaln(a + self.failures) - gammaln(a)
        rate = rate + a * np.log(b) - (a + self.failures) * np.log(b + self.exposure)
        return _log_sum(held + rate + self.failures * self.x + (k - 1.0) * self.log_age)


def _log_sum(height: Floats) -> float:
    top = float(height.max())
    return top + float(np.log(np.exp(height - top).sum()))


def _robust(usual: Prior, habit: Prior, seen: _Seen, like: float) -> tuple[Prior, float]:
    """Return what is held beforehand, and the chance that the shop is one among the others.

    Each of both beliefs is raised to the power of its chance (a power prior; Ibrahim and Chen,
    Statistical Science 15 (2000) 46-60, from memory), so that a shop unlike the others is left
    with what it would hold without them.
    """
    alone = habit
    if habit.middle is None:
        # Nothing is known of such a life: the usual one, worth a failure at most.
        alone = replace(usual, weight=min(usual.weight, 1.0), shape_spread=habit.shape_spread)
    odds = np.log(like / (1.0 - like)) + seen.likely(usual) - seen.likely(alone)
    like = float(1.0 / (1.0 + np.exp(-np.clip(odds, -50.0, 50.0))))
    share = np.array([like, 1.0 - like])
    both = (usual, alone)
    sharp = share / np.array([one.shape_spread for one in both]) ** 2
    log_shape = float(sharp @ np.log([one.shape for one in both]) / sharp.sum())
    k = np.exp([log_shape])
    held = share * [one.rate(k)[0] for one in both]
    exposure = share * [float(one.rate(k)[1][0]) for one in both]
    # Of two ages that say each its own hazard the one between says the same near this shape.
    middle = float(np.exp(exposure @ np.log([one.middle or 1.0 for one in both]) / exposure.sum()))
    weight = float(held.sum())
    return replace(
        habit,
        shape=float(k[0]),
        shape_spread=float(sharp.sum() ** -0.5),
        middle=middle,
        weight=weight,
        level=float(exposure.sum() / weight / middle ** k[0]),
    ), like
