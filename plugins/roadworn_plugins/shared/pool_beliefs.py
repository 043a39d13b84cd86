"""What other shops say of the lives of a component, as a belief held before a shop's own are seen.

Shops differ: in duty, in care, in what they buy. So the pool gives no rate but the spread of the
rates of shops (`lifedata.shrinkage.fit_prior`) and of their shapes, and counts for as many
failures as that spread leaves it worth; a shop's own failures soon weigh more. Where they speak
against all that is usual among the others, it counts for less still: a mixture with a belief that
is worth one failure (the robust prior of Schmidli et al., Biometrics 70 (2014) 1023-1032, from
memory).
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

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

#: Two shops cannot say how far shops differ.
LEAST_SHOPS = 3
# Shapes of shops differ by this much at least, as a spread of the logarithm, and the belief about
# one is no wider than without the pool: common practice, no source.
_LEAST_SPREAD, _WIDEST_SPREAD = 0.1, 0.5
# A shop of fewer failures says nothing of how far shapes differ.
_FAILURES_FOR_SHAPE = 5.0
# Chance, before its failures are seen, that a shop is one among the others.
_LIKE_OTHERS = 0.9
# Spread of the logarithm of a shop's level over all components: common practice, no source.
_LEVELS_DIFFER = 0.12
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
        return _LEAST_SPREAD**2
    found = np.array([_moments(x, one) for one in own])
    mean, weight = found[:, 0], 1.0 / np.maximum(found[:, 1], 1e-4)
    total = weight.sum()
    q = float(weight @ (mean - weight @ mean / total) ** 2)
    among = (q - (mean.size - 1)) / (total - float(weight @ weight) / total)
    return max(float(among), _LEAST_SPREAD**2)


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
        level: float = 1.0,
    ) -> tuple[Prior, Pooled | None]:
        """Return what is held of a component with the pool, and what it says; else as it is.

        Args:
            component: its id.
            clock: of the ages.
            own: lives of this shop.
            vehicle: number of the vehicle of each.
            habit: what the trade holds of it.
            worn: how likely each ended by wear, once that is known.
            level: of this shop by its other components (`levels`).
        """
        among = self._heavy[vehicle] if vehicle.size else self._heavy
        heavy = bool(among.size and among.mean() > 0.5)
        trade_class: TradeClass = "heavy" if heavy else "light"
        common = self.common(component, trade_class, clock, habit)
        if common is None:
            return habit, None
        k, a, b = common.shape, common.rate.a, common.rate.b / level
        by_wear = own.weight * (own.failed & ~own.early) if worn is None else worn
        failed = round(float(by_wear.sum()))
        exposure = float((own.effect * own.weight) @ (own.leaving**k - own.entry**k))
        weight = _worth(a, b, failed, exposure)
        pooled = Pooled(
            shops=common.shops,
            failures=common.failures,
            trade_class=trade_class,
            shape=k,
            half=common.half,
            spread=float(a**-0.5),
            weight=weight,
            level=level,
            failed=failed,
            expected=exposure * a / common.rate.b,
        )
        if exposure > 0.0:
            found = poisson_ratio([failed], [pooled.expected])
            ratio, low, high = (float(x[0]) for x in (found.value, found.lower, found.upper))
            pooled = replace(pooled, ratio=ratio, low=low, high=high)
        middle = float(np.exp(common.turn))
        prior = replace(
            habit,
            shape=k,
            shape_spread=common.spread,
            middle=middle,
            weight=weight,
            level=b / a / middle**k,
        )
        return prior, pooled

    @staticmethod
    def levels(found: Mapping[str, Pooled | None]) -> dict[str, float]:
        """Return by what factor a shop's parts fail more often than elsewhere, for each component.

        A shop whose vehicles are driven hard shows it in all that wears. Each component tells by
        its failures against those expected, as well as they and the spread among shops allow;
        what one tells is left out of its own factor.
        """
        seen = {name: one for name, one in found.items() if one is not None and one.expected > 0.0}
        tells = {}
        for name, one in seen.items():
            weight = 1.0 / (1.0 / (one.failed + 0.5) + one.spread**2)
            tells[name] = (weight, np.log((one.failed + 0.5) / (one.expected + 0.5)))
        total = sum(weight for weight, _off in tells.values())
        moved = sum(weight * off for weight, off in tells.values())
        levels = {}
        for name in found:
            weight, off = tells.get(name, (0.0, 0.0))
            levels[name] = float(
                np.exp((moved - weight * off) / (total - weight + 1.0 / _LEVELS_DIFFER**2))
            )
        return levels


def _worth(a: float, b: float, failed: int, exposure: float) -> float:
    """Return how many failures the pool counts for beside a shop's own.

    The chance that this shop is one among the others, by how likely its failures are under their
    belief and under one of the same mean that is worth a failure at most, weighs the two.
    """
    vague = min(a, 1.0)
    usual, other = (
        gammaln(one + failed) - gammaln(one) + one * np.log(share) + failed * np.log1p(-share)
        for one in (a, vague)
        for share in (one * b / a / (one * b / a + exposure),)
    )
    odds = _LIKE_OTHERS / (1.0 - _LIKE_OTHERS) * np.exp(np.clip(usual - other, -50.0, 50.0))
    like = float(odds / (1.0 + odds))
    return like * a + (1.0 - like) * vague
