"""Why parts were replaced, as causes that compete."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn_plugins.lifedata.cumulative_incidence import CumulativeIncidence, cumulative_incidence
from roadworn_plugins.shared.grouped import Floats, GroupedLives

FAILED, WORN = 0, 1


@dataclass(frozen=True, eq=False)
class Reasons:
    """Cumulative incidence of all groups; `both` says where both reasons occur."""

    curves: CumulativeIncidence
    both: NDArray[np.bool_]

    @classmethod
    def of(cls, lives: GroupedLives, level: float) -> "Reasons":
        """Share the parts gone out between the reasons; an interval counts at its middle."""
        worn = np.zeros(lives.failed.size, dtype=bool) if lives.worn is None else lives.worn
        reason = np.where(worn, WORN, FAILED)
        curves = cumulative_incidence(lives.exact_lives(), reason, n_reasons=2, level=level)
        failed, gone_worn = (
            np.bincount(lives.group[lives.failed & (reason == kind)], minlength=len(lives.labels))
            for kind in (FAILED, WORN)
        )
        return cls(curves, np.asarray((failed > 0) & (gone_worn > 0)))

    def at(self, g: int, age: float) -> dict[str, float] | None:
        """Return the shares of group `g` gone by each reason up to an age, with their limits.

        None when only one reason occurs.
        """
        if not self.both[g] or not np.isfinite(age):
            return None
        rows = self.curves.group_slice(g)
        step = int(np.searchsorted(self.curves.age[rows], age, side="right")) - 1
        if step < 0:
            return None
        i, shares = rows.start + step, {}
        for kind, name in ((FAILED, "failed"), (WORN, "worn")):
            low, high = float(self.curves.lower[i, kind]), float(self.curves.upper[i, kind])
            shares[name] = float(self.curves.incidence[i, kind])
            shares[f"{name}_low"], shares[f"{name}_high"] = (
                (low, high) if np.isfinite(low) else (0.0, 0.0)
            )
        return shares

    def steps(self, g: int) -> tuple[Floats, Floats]:
        """Return ages and shares gone by each reason of group `g`, for a chart."""
        rows = self.curves.group_slice(g)
        return self.curves.age[rows], self.curves.incidence[rows]
