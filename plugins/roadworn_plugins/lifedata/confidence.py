"""Likelihood-ratio limits of all parameters of a fit, checked against one another.

The set of parameters whose likelihood is high enough has one extent for each figure. Where
every part entered late and few failed, that set is bent like a hook: the profile of a quantile
has two branches, and the branch that starts at the optimum may end while the other goes on.
The far ends of the spread lie on the other branch, so each quantile is asked for there too.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from roadworn_plugins.lifedata import Bools, Floats, Ints
from roadworn_plugins.lifedata.contour import Limit, QuantileTarget, SpreadTarget, contour_limit
from roadworn_plugins.lifedata.families import Terms
from roadworn_plugins.lifedata.likelihood import GroupedLikelihood

# A point beyond a limit by less than this, in spreads of log age, is rounding.
_BEYOND = 1e-6


@dataclass(frozen=True, eq=False)
class RatioLimits:
    """Limits of fitted groups in scaled units.

    Attributes:
        likelihood: the groups, all with an interior optimum.
        delta: optimum, shape (n_groups,).
        phi: optimum.
        terms: what the likelihood evaluates to there.
        chi2: quantile of the chi-square distribution with one degree of freedom.
        spread_ends: lower and upper limit of log phi.
    """

    likelihood: GroupedLikelihood
    delta: Floats
    phi: Floats
    terms: Terms
    chi2: float
    spread_ends: tuple[Limit, Limit]

    @classmethod
    def of(
        cls,
        likelihood: GroupedLikelihood,
        delta: Floats,
        phi: Floats,
        terms: Terms,
        standard_error: Floats,
        chi2: float,
    ) -> Self:
        """Find the limits of log phi, whose Wald standard error is given."""
        target = SpreadTarget.at(terms)
        low, high = (
            contour_limit(
                likelihood, delta, phi, terms, target, standard_error, side=side, chi2=chi2
            )
            for side in (-1, 1)
        )
        return cls(likelihood, delta, phi, terms, chi2, (low, high))

    def spread(self) -> Floats:
        """Return the limits of log phi, shape (n_groups, 2)."""
        return np.stack([end.x for end in self.spread_ends], axis=1)

    def quantile(self, w: float, standard_error: Floats) -> Floats:
        """Return the limits of the scaled log age ``mu + w sigma``, shape (n_groups, 2)."""
        target = QuantileTarget(w)
        sides = []
        for side in (-1, 1):
            limit = contour_limit(
                self.likelihood,
                self.delta,
                self.phi,
                self.terms,
                target,
                standard_error,
                side=side,
                chi2=self.chi2,
            ).x
            for end in self.spread_ends:
                self._extend(limit, target, standard_error, end, side)
            sides.append(limit)
        return np.stack(sides, axis=1)

    def _extend(
        self,
        limit: Floats,
        target: QuantileTarget,
        standard_error: Floats,
        end: Limit,
        side: int,
    ) -> None:
        """Carry limits further where the quantile at an end of the spread lies beyond them."""
        x, v = target.start(end.delta, end.phi)
        best, _ = target.start(self.delta, self.phi)
        known = np.where(np.isnan(limit), best, limit)
        beyond: Bools = (x - known) * side > _BEYOND * (1.0 + np.abs(x))
        beyond &= np.isfinite(known)
        never_left = beyond & np.isinf(end.x)
        limit[never_left] = side * np.inf
        rest: Ints = np.flatnonzero(beyond & ~never_left)
        if not rest.size:
            return
        limit[rest] = contour_limit(
            self.likelihood.take(rest),
            self.delta[rest],
            self.phi[rest],
            self.terms.take(rest),
            target,
            standard_error[rest],
            side=side,
            chi2=self.chi2,
            start=(x[rest], v[rest]),
        ).x
