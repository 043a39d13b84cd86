"""How figures are shown: the unit of a distance, the clock of an age, a figure that may lack."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Column
from roadworn_plugins.shared.grouped import Clock, Unit, shown_distance

#: Settings that many analyses have.
OnlyVehicle = Annotated[str | None, Field(description="only this vehicle")]
OnlyComponent = Annotated[str | None, Field(description="only this component")]
ShownUnit = Annotated[Unit | None, Field(description="mi or km")]
Level = Annotated[float, Field(gt=0.5, lt=1, description="level of the limits")]
MostRows = Annotated[int, Field(ge=1, description="rows at the most")]
ByClock = Annotated[Clock, Field(description="miles or years")]


@dataclass(frozen=True, slots=True)
class Shown:
    """How ages are shown: the unit of a distance, or years.

    Attributes:
        unit: of distances.
        clock: distance or calendar age.
    """

    unit: Unit
    clock: Clock

    @property
    def word(self) -> str:
        """Return the unit of age as written in a heading."""
        return self.unit if self.clock == "distance" else "years"

    def exact(self, value: float) -> float:
        """Return an age in thousand km or years in the unit shown, for a curve."""
        return float(value if self.clock == "age" else shown_distance(float(value), self.unit))

    def age(self, value: float) -> float | None:
        """Return it rounded for a table, or None where it is not reached."""
        if not np.isfinite(value):
            return None
        return round(self.exact(value), 2 if self.clock == "age" else -2)

    def stored(self, shown: float) -> float:
        """Return an age as the lives hold it: thousand km or years."""
        return shown / self.exact(1.0)


def in_unit(columns: Iterable[Column], unit: str) -> tuple[Column, ...]:
    """Return columns with a unit in the headings of their distances."""
    return tuple(replace(c, unit=unit) if c.kind == "distance" else c for c in columns)


def whole_distance(km: float | None, unit: Unit) -> int | None:
    """Return kilometres in the unit shown, rounded to whole ones."""
    return None if km is None else round(float(shown_distance(km / 1000.0, unit)))


def rounded(value: float | None, digits: int = 2) -> float | None:
    """Return a figure for a table, None where it is unknown or not finite."""
    return None if value is None or not np.isfinite(value) else round(float(value), digits)
