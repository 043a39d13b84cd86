"""How often a sign is followed by the failure it announces, and within which time.

A mixture cure model: a share s of signs announces a failure, which comes after a Weibull time of
scale tau and shape k, 1 where nothing else is asked for; the others announce nothing, and may go
away by themselves at a rate nu. Beside it failures come as usual, at a rate lambda that the sign
has nothing to do with. What is left of the chance where a sign stands open for long follows of
itself: a share that has not failed by then was mostly none that would. Share and time of a group
of signs borrow from all of their kind, averaged over a grid (an empirical Bayes posterior).

Reference: Berkson and Gage, Journal of the American Statistical Association 47 (1952) 501-515,
for the mixture; Maller and Zhou, Survival Analysis with Long-Term Survivors (Wiley, 1996). From
memory; the likelihood without lambda and nu is checked against lifelines.
"""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints
from roadworn_plugins.lifedata.special import betaincinv, expit, logit, logsumexp

_LOGITS = np.linspace(-6.0, 5.0, 45)
_LOGS = np.linspace(np.log(0.1), np.log(60.0), 27)
_SHARE = expit(_LOGITS)[:, None]
_MONTHS = np.exp(_LOGS)[None, :]
_AT_ONCE = 2000
#: Signs whose months are within so much of each other, by ratio, count as alike.
_ALIKE = 0.05


@dataclass(frozen=True, slots=True)
class CurePrior:
    """What is thought of a kind of sign before its cases.

    Attributes:
        share: of them that announce a failure.
        spread: of the logit of that share.
        months: mean time to that failure.
        months_spread: of its logarithm.
        shapes: of that time that are tried: 1 where a sign may come at any time before the
            failure, more where it comes a certain time before it.
    """

    share: float
    spread: float
    months: float
    months_spread: float
    shapes: tuple[float, ...] = (1.0,)

    def logarithm(self) -> Floats:
        """Return its logarithm on the grid, shape (shares, times)."""
        by_share = -0.5 * ((_LOGITS - logit(self.share)) / self.spread) ** 2
        by_time = -0.5 * ((_LOGS - np.log(self.months)) / self.months_spread) ** 2
        return np.asarray(by_share[:, None] + by_time[None, :])


@dataclass(frozen=True, eq=False)
class Signs:
    """Signs that were seen, one entry a sign.

    Attributes:
        months: how long each stood open.
        failed: whether it ended with a failure.
        gone: whether it went away by itself; one that did neither is still open, or was seen to
            before it failed.
        usual: failures a month that come whether there is a sign or not.
        group: which group of its kind it belongs to.
    """

    months: Floats
    failed: Bools
    gone: Bools
    usual: Floats
    group: Ints

    @property
    def leaving(self) -> float:
        """Rate a month at which signs that announce nothing go away by themselves."""
        open_ = float(self.months[~self.failed].sum())
        return float(self.gone.sum()) / open_ if open_ > 0.0 else 0.0

    def take(self, rows: Ints | slice) -> "Signs":
        """Return these signs only."""
        return Signs(
            self.months[rows],
            self.failed[rows],
            self.gone[rows],
            self.usual[rows],
            self.group[rows],
        )

    def alike(self) -> tuple["Signs", Floats]:
        """Return one sign for all of a group that are alike, and how many each stands for."""
        step = np.rint(np.log(np.maximum(self.months, 1e-3)) / (2.0 * _ALIKE)).astype(np.int64)
        key = (self.group * 4 + self.failed * 2 + self.gone) * 1000 + step + 500
        _keys, first, back, many = np.unique(
            key, return_index=True, return_inverse=True, return_counts=True
        )
        mean = np.bincount(back, self.months) / many
        one = self.take(first)
        return Signs(mean, one.failed, one.gone, one.usual, one.group), many.astype(np.float64)


def log_likelihood(
    signs: Signs,
    share: Floats,
    months: Floats,
    leaving: float | None = None,
    shape: float = 1.0,
) -> Floats:
    """Return the logarithm of each sign's likelihood, shape (signs, shares, times).

    Args:
        signs: what was seen.
        share: shares to try, shape (shares, 1).
        months: scales of the time to try, shape (1, times).
        leaving: rate at which those that announce nothing go away; their own unless given.
        shape: of the time, 1 for an exponential one.
    """
    nu = signs.leaving if leaving is None else leaving
    found = np.empty((signs.months.size, share.shape[0], months.shape[1]))
    found[signs.gone] = np.log((1.0 - share) * max(nu, 1e-12))
    t = signs.months[:, None, None]
    found[signs.gone] -= nu * t[signs.gone]
    for failed in (False, True):
        rows = np.flatnonzero((signs.failed == failed) & ~signs.gone)
        gone = (t[rows] / months) ** shape
        soon = np.exp(-gone)
        stays = (1.0 - share) * np.exp(-nu * t[rows])
        usual = signs.usual[rows, None, None]
        if failed:
            # What announces a failure may fail as usual too, so both come to its density.
            rate = shape * gone / np.maximum(t[rows], 1e-9)
            found[rows] = np.log(share * (usual + rate) * soon + usual * stays + 1e-300)
        else:
            found[rows] = np.log(share * soon + stays)
    return found - (signs.usual * signs.months)[:, None, None]


@dataclass(frozen=True, eq=False)
class Cure:
    """Shares and times that the signs of one kind allow, by group.

    Attributes:
        weight: posterior weights, shape (groups, shares, times); the last group is any other.
        leaving: rate at which signs that announce nothing go away.
        shape: of the time to the failure.
    """

    weight: Floats
    leaving: float
    shape: float

    @classmethod
    def fit(cls, signs: Signs, groups: int, prior: CurePrior, near: tuple[float, float]) -> "Cure":
        """Weigh the grid by the signs.

        Args:
            signs: of one kind.
            groups: how many groups there are.
            prior: of the kind.
            near: how near to the kind a group is thought to be: spread of the logit of its
                share, and of the logarithm of its time.
        """
        nu = signs.leaving
        alike, many = signs.alike()
        best, found = -np.inf, None
        for shape in prior.shapes if alike.failed.any() else prior.shapes[:1]:
            own = np.zeros((groups + 1, _LOGITS.size * _LOGS.size))
            for start in range(0, alike.months.size, _AT_ONCE):
                some = alike.take(slice(start, start + _AT_ONCE))
                each = log_likelihood(some, _SHARE, _MONTHS, nu, shape).reshape(some.group.size, -1)
                member = np.arange(groups + 1)[:, None] == some.group[None, :]
                own += (member * many[start : start + _AT_ONCE]) @ each
            by_group = own.reshape(groups + 1, _LOGITS.size, _LOGS.size)
            kind = _weights((by_group.sum(axis=0) + prior.logarithm())[None])[0]
            share = float(expit(np.sum(kind * _LOGITS[:, None])))
            months = float(np.exp(np.sum(kind * _LOGS[None, :])))
            near_it = by_group + CurePrior(share, near[0], months, near[1]).logarithm()
            evidence = float(logsumexp(near_it, axis=(1, 2)).sum())
            if evidence > best:
                best, found = evidence, cls(_weights(near_it), nu, shape)
        if found is None:
            raise AssertionError("a shape is always tried")
        return found

    def within(
        self, group: Ints, open_months: Floats, ahead: Floats, *, level: float = 0.8
    ) -> tuple[Floats, Floats, Floats]:
        """Return the chance that the failure each sign announces comes within a time, and limits.

        Args:
            group: of each sign.
            open_months: how long each stands open already, nothing done.
            ahead: months ahead of each.
            level: of the limits, by a Beta of the same mean and variance.
        """
        if not group.size:
            return np.zeros(0), np.zeros(0), np.zeros(0)
        weight = self.weight[group]
        t = open_months[:, None, None]
        gone = (t / _MONTHS) ** self.shape
        soon = _SHARE * np.exp(-gone)
        stays = (1.0 - _SHARE) * np.exp(-self.leaving * t)
        then = ((t + ahead[:, None, None]) / _MONTHS) ** self.shape
        chance = soon / (soon + stays) * -np.expm1(gone - then)
        mean = np.sum(weight * chance, axis=(1, 2))
        variance = np.sum(weight * (chance - mean[:, None, None]) ** 2, axis=(1, 2))
        mean = np.clip(mean, 1e-9, 1.0 - 1e-9)
        size = np.maximum(mean * (1.0 - mean) / np.maximum(variance, 1e-12) - 1.0, 1e-3)
        tail = (1.0 - level) / 2.0
        low, high = (betaincinv(mean * size, (1.0 - mean) * size, q) for q in (tail, 1.0 - tail))
        return mean, np.minimum(low, mean), np.maximum(high, mean)


def _weights(logarithm: Floats) -> Floats:
    return np.asarray(np.exp(logarithm - logsumexp(logarithm, axis=(1, 2), keepdims=True)))
