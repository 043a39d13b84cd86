"""Failed or worn out: the share of parts gone by each reason, where both occur.

A pad that wore out can no longer fail. Counting it as merely censored would overstate what
failing alone takes, so the two are shared out together (`lifedata.cumulative_incidence`).
"""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.grouped import Floats, GroupedLives
from roadworn_plugins.lifedata.cumulative_incidence import (
    STILL_RUNNING,
    CumulativeIncidence,
    cumulative_incidence,
)

FAILED, WORN = 0, 1


@dataclass(frozen=True, slots=True)
class Shares:
    """Share gone by each reason up to an age, with limits.

    Attributes:
        age: the age spoken of, in thousand km or years.
        failed, worn: share gone by failing and by wear.
        failed_ci, worn_ci: their limits.
    """

    age: float
    failed: float
    worn: float
    failed_ci: tuple[float, float]
    worn_ci: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Reasons:
    """Cumulative incidence of all groups; `both` says where both reasons occur."""

    curves: CumulativeIncidence
    both: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    @classmethod
    def of(cls, lives: GroupedLives, level: float) -> "Reasons":
        """Share the parts gone out between the reasons; an interval counts at its middle."""
        worn = np.zeros(lives.failed.size, dtype=bool) if lives.worn is None else lives.worn
        reason = np.where(lives.failed, np.where(worn, WORN, FAILED), STILL_RUNNING)
        n = len(lives.labels)
        curves = cumulative_incidence(
            lives.exit_age,
            reason,
            entry=lives.entry,
            group=lives.group,
            n_groups=n,
            n_reasons=2,
            level=level,
        )
        counts = [
            np.bincount(lives.group[lives.failed & (worn == kind)], minlength=n)
            for kind in (False, True)
        ]
        return cls(curves, np.asarray((counts[0] > 0) & (counts[1] > 0)))

    def at(self, g: int, age: float) -> Shares | None:
        """Return the shares of group `g` up to an age, None when only one reason occurs."""
        if not self.both[g] or not np.isfinite(age):
            return None
        rows = self.curves.group_slice(g)
        step = int(np.searchsorted(self.curves.age[rows], age, side="right")) - 1
        if step < 0:
            return None
        i = rows.start + step
        share = self.curves.incidence[i]

        def limits(kind: int) -> tuple[float, float]:
            low, high = float(self.curves.lower[i, kind]), float(self.curves.upper[i, kind])
            return (low, high) if np.isfinite(low) else (0.0, 0.0)

        return Shares(
            float(age), float(share[FAILED]), float(share[WORN]), limits(FAILED), limits(WORN)
        )

    def steps(self, g: int) -> tuple[Floats, Floats]:
        """Return ages and shares gone by each reason of group `g`, for a chart."""
        rows = self.curves.group_slice(g)
        return self.curves.age[rows], self.curves.incidence[rows]
