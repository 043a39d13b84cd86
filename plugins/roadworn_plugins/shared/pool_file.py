"""A file of what the lives of several shops add up to, without a vehicle or a customer in it.

With a Weibull shape given, all that lives say of a rate is how many failed and their exposure,
and all that they say of a shape is the sum of the logarithms of the failed ages besides: both are
sums, so those of shops lie beside each other in one file, and nothing of a single life is in it.
A file is written by one shop and read by another, so it is data that is checked, never trusted.
"""

import hashlib
import math
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from roadworn.checks.shape import said_of
from roadworn.columns.view import LedgerView
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.trade.weight import weigh

#: Weibull shapes at which exposures are summed; between them they go smoothly.
SHAPES = (0.5, 0.7, 0.9, 1.2, 1.5, 1.9, 2.4, 3.0, 3.8, 4.8, 6.0, 7.5)
#: A cell of fewer places, or of fewer vehicles, is held back: common practice, no source. As many
#: places as sums cannot be told from these; a bound on lives would let through what failed often.
LEAST_PLACES, LEAST_VEHICLES = len(SHAPES), 5
#: Gross weight to 10,000 lb (4,536 kg) and above (49 CFR 570.1); what says nothing is light.
TradeClass = Literal["light", "heavy"]

_Figure = Annotated[float, Field(ge=0.0, lt=1e30, allow_inf_nan=False)]
_Number = Annotated[int, Field(ge=0, lt=10**12)]
_Hex = Annotated[str, Field(pattern="^[0-9a-f]{16,64}$")]
_Day = Annotated[str, Field(pattern="^[0-9]{4}-[0-9]{2}-[0-9]{2}$")]


class _Part(BaseModel):
    """A part of a pool: nothing unknown in it, and nothing of another type."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Cell(_Part):
    """What the lives of one component on one trade class of vehicles add up to in one shop.

    Attributes:
        component: its id in the catalogue.
        trade_class: of the vehicles.
        clock: of the ages: distance in 1,000 km, or age in years.
        vehicles, places, lives: that it rests on; a part of unknown age counts as one life.
        failures: by wear; an early failure counts for the share by which it may be wear.
        early: early failures, likewise.
        exposure: sum of leaving^shape - entry^shape at each of the shapes.
        log_age: sum of the logarithm of the age over the failures by wear.
    """

    component: Annotated[str, Field(pattern="^[a-z0-9_]+[.][a-z0-9_]+$", max_length=80)]
    trade_class: TradeClass
    clock: Literal["distance", "age"]
    vehicles: _Number
    places: _Number
    lives: _Number
    failures: _Figure
    early: _Figure
    exposure: Annotated[tuple[_Figure, ...], Field(min_length=len(SHAPES), max_length=len(SHAPES))]
    log_age: Annotated[float, Field(gt=-1e12, lt=1e12, allow_inf_nan=False)]

    @model_validator(mode="after")
    def _can_be(self) -> Self:
        if self.failures + self.early > 1.01 * self.lives + 0.5:
            raise ValueError(f"{self.component}: more failures than lives")
        if self.failures > 0.0 and min(self.exposure) == 0.0:
            raise ValueError(f"{self.component}: failures without exposure")
        return self


class HeldBack(_Part):
    """What one shop did not hand out, as too few lives or vehicles stood behind it."""

    cells: _Number
    lives: _Number


class Shop(_Part):
    """What one ledger adds.

    Attributes:
        ledger: digest of its first event: the same ledger later is the same shop.
        root, size: the state it was made from.
        day: the day it speaks of.
        roadworn: version of the program.
        least_places, least_vehicles: smaller cells were held back.
        held_back: how much that was.
        cells: of the components.
    """

    ledger: _Hex
    root: _Hex
    size: _Number
    day: _Day
    roadworn: Annotated[str, Field(max_length=40)]
    least_places: _Number
    least_vehicles: _Number
    held_back: HeldBack
    cells: tuple[Cell, ...]


class Units(_Part):
    """Units of the ages by each clock."""

    distance: Literal["1000 km"] = "1000 km"
    age: Literal["years"] = "years"


class PoolFile(_Part):
    """The file: of one shop as `pool export` writes it, of several as `pool merge` does.

    The trade classes are told in words for whoever reads the file without this program.
    """

    form: Literal["roadworn-pool"] = Field(alias="schema")
    version: Literal[1] = 1
    units: Units = Units()
    trade_classes: dict[TradeClass, str] = Field(
        default={
            "light": "gross weight up to 10,000 lb (4,536 kg), or not said",
            "heavy": "gross weight above 10,000 lb (4,536 kg)",
        }
    )
    shapes: tuple[float, ...] = SHAPES
    shops: tuple[Shop, ...]

    @model_validator(mode="after")
    def _as_here(self) -> Self:
        if self.shapes != SHAPES:
            raise ValueError(f"the shapes must be {', '.join(map(str, SHAPES))}")
        return self

    def text(self) -> str:
        """Return it as it is written."""
        return self.model_dump_json(by_alias=True, indent=1) + "\n"


def pool_of(shops: tuple[Shop, ...]) -> PoolFile:
    """Return the pool of some shops."""
    return PoolFile(schema="roadworn-pool", shops=shops)


def read_pool(path: str | Path) -> PoolFile:
    """Read a pool.

    Raises:
        UsageError: it is none, or says what cannot be; in one sentence.
        EnvironmentFailure: it cannot be read.
    """
    try:
        content = Path(path).expanduser().read_bytes()
    except FileNotFoundError:
        raise UsageError(f"There is no pool {path}", "check its name and the folder") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no path"
        raise EnvironmentFailure(
            f"The pool {path} cannot be read ({reason})", "check the name and the permissions"
        ) from None
    try:
        return PoolFile.model_validate_json(content)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise UsageError(
            f"{path} is no pool that can be used ({where + ': ' if where else ''}{said_of(first)})",
            "make it with `roadworn pool export` and `roadworn pool merge`",
        ) from None


def ledger_of(view: LedgerView) -> str:
    """Return what names a ledger for ever: a digest of its first event, which tells nothing.

    Raises:
        UsageError: it has no event.
    """
    rows = view.sql("SELECT event_id FROM events ORDER BY seq LIMIT 1").rows
    if not rows:
        raise UsageError("The ledger has no event yet", "record something first")
    return hashlib.sha256(f"roadworn pool {rows[0][0]}".encode()).hexdigest()[:32]


def heavy_vehicles(view: LedgerView) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Return which vehicles are heavy, in the order in which the lives number them."""
    rows = view.sql(
        "SELECT weight_class, vehicle_class, duty FROM vehicles ORDER BY vehicle_id"
    ).rows
    names = ("weight_class", "vehicle_class", "duty")
    found = [weigh(dict(zip(names, row, strict=True))).taken == "heavy" for row in rows]
    return np.array(found, dtype=bool)


def short(value: float) -> float:
    """Return a figure to four digits: enough for a belief, too few to take a sum apart."""
    return float(f"{value:.4g}") if math.isfinite(value) else 0.0
