"""When each unit was repaired, and while it was observed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from roadworn_plugins.lifedata import (
    Bools,
    Floats,
    Ints,
    LifeDataError,
    finite,
    same_length,
)


@dataclass(frozen=True, eq=False)
class RepairHistory:
    """Repair ages and the stretches of observation they fell into.

    Attributes:
        age: Age at each repair.
        stretch: Number of the stretch of each repair.
        start: Age at which each stretch starts; observation holds for start < age <= stop.
        stop: Age at which it stops.
        at_failure: True where a stretch was stopped by its last repair, False where by time.
    """

    age: Floats
    stretch: Ints
    start: Floats
    stop: Floats
    at_failure: Bools

    @classmethod
    def of(
        cls,
        ages: ArrayLike,
        total_times: ArrayLike,
        stopped: str | ArrayLike = "time",
        unit: ArrayLike | None = None,
        starts: ArrayLike | None = None,
    ) -> "RepairHistory":
        """Check and collect the history.

        Args:
            ages: Age at each repair, all units together.
            total_times: Age at which the observation of each stretch stops; one number or many.
            stopped: ``"time"`` or ``"failure"``, for all stretches or for each.
            unit: Number of the stretch of each repair; needed with more than one.
            starts: Age at which each stretch starts; 0 by default.

        Raises:
            LifeDataError: Invalid input, or a repair outside its stretch.
        """
        age = np.atleast_1d(finite("repair ages", ages))
        stop = np.atleast_1d(finite("total times", total_times))
        start = np.zeros(stop.shape) if starts is None else finite("starts", starts, least=0.0)
        start = np.atleast_1d(start)
        words = np.broadcast_to(np.asarray(stopped), stop.shape)
        if not np.all(np.isin(words, ("time", "failure"))):
            raise LifeDataError("The stopping rule must be time or failure; correct it.")
        if unit is None and stop.size > 1:
            raise LifeDataError("With several units, say which unit each repair belongs to.")
        code = np.zeros(age.shape, dtype=np.int64) if unit is None else np.asarray(unit)
        same_length(age=age, unit=code)
        same_length(start=start, stop=stop)
        if np.any(stop <= start):
            raise LifeDataError("A unit's observation ends no later than it starts; correct it.")
        if code.size and (code.min() < 0 or code.max() >= stop.size):
            raise LifeDataError(f"Unit numbers must run from 0 to {stop.size - 1}; recode them.")
        code = code.astype(np.int64)
        outside = (age <= start[code]) | (age > stop[code])
        if np.any(outside):
            raise LifeDataError(
                f"The repair at {age[outside][0]:g} lies outside the observation of its unit "
                "(start < age <= stop); correct the age or the stretch."
            )
        at_failure = np.asarray(words == "failure")
        newest = np.full(stop.shape, -np.inf)
        np.maximum.at(newest, code, age)
        if np.any(at_failure & (newest != stop)):
            raise LifeDataError("A failure-stopped unit must end at its last repair; correct it.")
        return cls(age, code, start, stop, at_failure)

    @property
    def from_new_to_one_age(self) -> bool:
        """True if all stretches start at 0 and stop at the same age: exact results exist."""
        return bool(np.all(self.start == 0.0) and np.all(self.stop == self.stop[0]))

    @property
    def stopped(self) -> str:
        """``"failure"`` if every stretch was stopped by a failure, else ``"time"``."""
        return "failure" if np.all(self.at_failure) else "time"

    def free(self) -> tuple[Floats, Ints]:
        """Return the repairs that did not themselves stop the observation, and their stretch."""
        stopping = self.at_failure[self.stretch] & (self.age == self.stop[self.stretch])
        # Of several repairs at the stopping age only one stopped the observation.
        order = np.lexsort((self.age, self.stretch))
        last = np.ones(order.size, dtype=bool)
        last[:-1] = np.diff(self.stretch[order]) != 0
        keep = np.ones(order.size, dtype=bool)
        keep[order[last]] = ~stopping[order[last]]
        return self.age[keep], self.stretch[keep]
