"""Limits of a small sample, conditional on what it tells of its own spread."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

import numpy as np

from roadworn_plugins.lifedata import (
    Floats,
    Ints,
    LifeDataError,
    Segments,
    group_order,
    tail,
)
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.special import gammaincc, ndtri

_NODES = 64


_GRID = np.linspace(-9.0, 7.0, 65)


# Log density below its top at which the tails are cut: 6e-6 of the height.
_DEPTH = 12.0


_STEPS = 60


# How much the share that late entry hides counts, measured by simulation.
_LATE_POWER = 2.0


_MOST_LOG = 700.0


@dataclass(frozen=True, eq=False)
class _Rows:
    """Lives of the chosen groups, log ages counted from the largest of each group.

    Attributes:
        centre: log of the largest age of each group.
        spread: standard deviation of log age in each group.
        failures: failures d of each group.
        log_sum: sum of the scaled log ages of the failures, at most 0.
        y: scaled log ages, exits first, then entries.
        weight: count of an exit, minus the count of a late entry.
        segments: rows of each group.
    """

    centre: Floats
    spread: Floats
    failures: Floats
    log_sum: Floats
    y: Floats
    weight: Floats
    segments: Segments

    @classmethod
    def of(cls, lives: Lives, groups: Ints) -> Self:
        """Collect the rows, refusing groups without a proper density."""
        n = lives.n_groups
        number = np.full(n, -1, dtype=np.int64)
        number[groups] = np.arange(groups.size)
        part = np.flatnonzero(number[lives.group] >= 0)
        group, count = number[lives.group[part]], lives.count[part]
        if lives.interval[part].any():
            raise LifeDataError(
                "Conditional limits need exact failure ages: ask for interval='lr'."
            )
        leaving, failed = np.log(lives.exit[part]), np.where(lives.exact[part], count, 0.0)
        size = groups.size
        top = np.full(size, -np.inf)
        np.maximum.at(top, group, leaving)
        gap = leaving - top[group]
        total = np.bincount(group, count, size)
        mean = np.bincount(group, count * gap, size) / total
        spread = np.sqrt(np.bincount(group, count * (gap - mean[group]) ** 2, size) / total)
        failures = np.bincount(group, failed, size).astype(np.float64)
        late = np.flatnonzero(lives.entry[part] > 0.0)
        if (failures < 2).any() or (np.bincount(group, failed * gap, size) > -1e-9).any():
            raise LifeDataError(
                "Conditional limits need two failures or more, not all at the largest age."
            )
        members = np.concatenate((group, group[late]))
        ages = np.concatenate((gap, np.log(lives.entry[part][late]) - top[group[late]]))
        order = group_order(members)
        return cls(
            top,
            spread,
            failures,
            np.bincount(group, failed * gap, size) / spread,
            ages[order] / spread[members[order]],
            np.concatenate((count, -count[late]))[order],
            Segments.of_sorted(members[order], size),
        )

    def log_exposure(self, phi: Floats, *, entries: bool = True) -> Floats:
        """Return log A at a scaled shape, with or without the share before the entries."""
        weight = self.weight if entries else np.maximum(self.weight, 0.0)
        powers = weight * np.exp(self.y * self.segments.spread(phi))
        return np.asarray(np.log(np.maximum(self.segments.sum(powers), 1e-300)))

    def density(self, u: Floats) -> Floats:
        """Return the log density of log phi, up to a constant."""
        phi = np.exp(u)
        log_a = self.log_exposure(phi)
        late = _LATE_POWER * (log_a - self.log_exposure(phi, entries=False))
        d = self.failures
        return np.asarray((d - 1.0) * u + phi * self.log_sum - d * log_a + late)


@dataclass(frozen=True, eq=False)
class Conditional:
    """Distribution of shape and rate given the sample, for groups with two failures or more.

    Ages are scaled inside each group, ``y = (log t - centre) / spread``; nodes run over the
    scaled shape ``phi = k spread``.

    Attributes:
        groups: group number of each row of the arrays below.
        centre, spread: scale of log age, shape (n,).
        failures: failures d, shape (n,).
        phi: scaled shapes, shape (n, nodes).
        weight: probability of each node; rows add up to 1.
        log_exposure: log A at each node.
    """

    groups: Ints
    centre: Floats
    spread: Floats
    failures: Floats
    phi: Floats
    weight: Floats
    log_exposure: Floats

    @classmethod
    def of(cls, lives: Lives, groups: Ints | None = None) -> Self:
        """Integrate the shape out, group by group.

        Args:
            lives: exact failures and running parts, with or without late entry.
            groups: which groups; all by default.

        Raises:
            LifeDataError: a group has an interval, fewer than two failures, or all of its
                failures at its largest age.
        """
        which = np.arange(lives.n_groups) if groups is None else groups
        rows = _Rows.of(lives, which)
        low, high = _support(rows.density, which.size)
        # The density vanishes at both ends, where evenly spaced nodes serve best.
        at = (np.arange(_NODES) + 0.5) * (2.0 / _NODES) - 1.0
        nodes = 0.5 * (high + low)[:, None] + 0.5 * (high - low)[:, None] * at
        columns = [nodes[:, j] for j in range(_NODES)]
        log_w = np.stack([rows.density(u) for u in columns], axis=1)
        log_a = np.stack([rows.log_exposure(np.exp(u)) for u in columns], axis=1)
        weight = np.exp(log_w - log_w.max(axis=1, keepdims=True))
        phi = np.exp(nodes)
        return cls(
            which,
            rows.centre,
            rows.spread,
            rows.failures,
            phi,
            weight / weight.sum(axis=1, keepdims=True),
            log_a,
        )

    def quantile_limits(self, p: float, level: float = 0.95) -> Floats:
        """Return limits of the age by which the share ``p`` has failed, shape (n, 2)."""
        log_w = np.log(-np.log1p(-p))

        def below(x: Floats) -> Floats:
            """Chance that the scaled log age of the quantile lies below x."""
            log_x = self.log_exposure + log_w - self.phi * x[:, None]
            chance = gammaincc(
                self.failures[:, None], np.exp(np.clip(log_x, -_MOST_LOG, _MOST_LOG))
            )
            return np.asarray(np.sum(self.weight * chance, axis=1))

        ends = self._solve(below, level)
        return np.asarray(np.exp(self.centre[:, None] + self.spread[:, None] * ends))

    def shape_limits(self, level: float = 0.95) -> Floats:
        """Return limits of the Weibull shape, shape (n, 2)."""
        reached = np.cumsum(self.weight, axis=1) - 0.5 * self.weight
        side = tail(level)
        log_phi = np.log(self.phi)
        ends = [
            [np.interp(q, reached[g], log_phi[g]) for q in (side, 1.0 - side)]
            for g in range(self.failures.size)
        ]
        return np.exp(np.array(ends).reshape(-1, 2)) / self.spread[:, None]

    def _solve(self, below: Callable[[Floats], Floats], level: float) -> Floats:
        """Find where a rising chance reaches the two sides of the level.

        The normal score of the chance is nearly linear, so false position (with the halving
        of the Illinois variant) arrives in a few steps.
        """
        side = tail(level)
        ends = []
        for q in (side, 1.0 - side):
            wanted = float(ndtri(q))

            def score(x: Floats, wanted: float = wanted) -> Floats:
                return np.asarray(ndtri(np.clip(below(x), 1e-300, 1.0 - 1e-16)) - wanted)

            low, high = np.full(self.failures.size, -1.0), np.full(self.failures.size, 1.0)
            at_low, at_high = score(low), score(high)
            for _ in range(_STEPS):
                too_high, too_low = at_low > 0, at_high < 0
                if not (too_high.any() or too_low.any()):
                    break
                low = np.where(too_high, 2.0 * low, low)
                high = np.where(too_low, 2.0 * high, high)
                at_low, at_high = score(low), score(high)
            ends.append(_false_position(score, low, high, at_low, at_high))
        return np.stack(ends, axis=1)


def _false_position(
    score: Callable[[Floats], Floats], low: Floats, high: Floats, at_low: Floats, at_high: Floats
) -> Floats:
    """Return the root of a rising function between two ends, for each group."""
    x, last = 0.5 * (low + high), np.zeros(low.size)
    for _ in range(_STEPS):
        x = (low * at_high - high * at_low) / np.maximum(at_high - at_low, 1e-300)
        here = score(x)
        if np.all((np.abs(here) < 1e-9) | (high - low < 1e-12 * (1.0 + np.abs(x)))):
            break
        left = here < 0
        # An end that stays twice running is believed only half.
        at_high = np.where(left & (last < 0), 0.5 * at_high, np.where(left, at_high, here))
        at_low = np.where(~left & (last > 0), 0.5 * at_low, np.where(left, here, at_low))
        low, high = np.where(left, x, low), np.where(left, high, x)
        last = np.where(left, -1.0, 1.0)
    return np.asarray(x)


def _support(density: Callable[[Floats], Floats], n: int) -> tuple[Floats, Floats]:
    """Return where the log density of log phi lies within `_DEPTH` of its top, for each group."""
    values = np.stack([density(np.full(n, u)) for u in _GRID], axis=1)
    inside = values > values.max(axis=1, keepdims=True) - _DEPTH
    first = np.argmax(inside, axis=1)
    last = _GRID.size - 1 - np.argmax(inside[:, ::-1], axis=1)
    return _GRID[np.maximum(first - 1, 0)], _GRID[np.minimum(last + 1, _GRID.size - 1)]
