"""Look-over sheets: what to look at on a kind of vehicle, in walking order, as data.

Sheets and limit tables are TOML files in the package, with the citation beside each figure,
so that a mechanic can check them line by line and no limit hides in code.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from roadworn.errors import UnknownName

Mark = Literal["R", "S", "M", "CP", "C"]
Direction = Literal["min", "max"]
_TABLES = "tables"


@dataclass(frozen=True, slots=True)
class SheetItem:
    """One item of a sheet.

    Attributes:
        name: as a mechanic says it.
        component: catalogue id.
        area: where one stands while looking.
        citation: the rule, or "common practice, no source".
        mark: R read in the rule, S read at a second party, M from memory, CP common practice.
        sure: sure, fair or check.
        measurement: what is measured, or None for items that are looked at only.
        unit: unit of `limit`, `recommend` and `normal`.
        limit: figure exactly at which the item still passes.
        direction: ``min`` when the figure must not be less than the limit, ``max`` not more.
        recommend: at this figure or worse the item is wearing (common practice, no source).
        normal: within these two figures the item is sound, outside wearing.
        table: name of a limit table that asks for a size.
        note: a remark or a caution, or an empty text.
    """

    name: str
    component: str
    area: str
    citation: str
    mark: Mark
    sure: str
    measurement: str | None = None
    unit: str | None = None
    limit: Decimal | None = None
    direction: Direction | None = None
    recommend: Decimal | None = None
    normal: tuple[Decimal, Decimal] | None = None
    table: str | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """A look-over sheet: `items` in walking order as the file has them."""

    name: str
    title: str
    vehicle: str
    note: str
    items: tuple[SheetItem, ...]


@dataclass(frozen=True, slots=True)
class LimitTable:
    """Limits by a size.

    Attributes:
        name: key in ``tables.toml``.
        title: what is limited.
        key: what the size is of, for instance ``rim diameter``.
        key_unit: unit of the size, or an empty text for a type name.
        unit: unit of the limits.
        direction: see `SheetItem`.
        step: ``smaller`` or ``larger`` printed size serves in between, or ``exact``.
        citation: the rule.
        mark: see `SheetItem`.
        sure: see `SheetItem`.
        rows: (size, limit) in ascending order of size.
    """

    name: str
    title: str
    key: str
    key_unit: str
    unit: str
    direction: Direction
    step: Literal["smaller", "larger", "exact"]
    citation: str
    mark: Mark
    sure: str
    rows: tuple[tuple[str, Decimal], ...]

    def limit_for(self, size: str) -> tuple[str, Decimal] | None:
        """Return the printed size that serves and its limit, or None when none does.

        Below the smallest printed size the first row serves and above the largest the last,
        since the rules print them as "or less" and "or more".
        """
        if self.step == "exact":
            wanted = size.strip().upper()
            return next((row for row in self.rows if row[0] == wanted), None)
        number = Decimal(size)
        if self.step == "smaller":
            fitting = [row for row in self.rows if Decimal(row[0]) <= number]
            return fitting[-1] if fitting else self.rows[0]
        fitting = [row for row in self.rows if Decimal(row[0]) >= number]
        return fitting[0] if fitting else self.rows[-1]


def sheet_names() -> tuple[str, ...]:
    """Return the names of the packaged sheets, sorted."""
    folder = files("roadworn.trade").joinpath("sheets")
    stems = (entry.name.removesuffix(".toml") for entry in folder.iterdir())
    return tuple(sorted(s for s in stems if "." not in s and s != _TABLES))


@cache
def load_sheet(name: str) -> Sheet:
    """Return a packaged sheet, for instance ``light_vehicle``.

    Raises:
        UnknownName: there is no such sheet; carries the names there are.
    """
    if name not in sheet_names():
        names = sheet_names()
        raise UnknownName(f"There is no look-over sheet {name!r}: use {' or '.join(names)}.", names)
    data = _read(name)
    head = data["sheet"]
    items = tuple(_item(row) for row in data["item"])
    return Sheet(name, head["title"], head["vehicle"], head["note"], items)


@cache
def limit_tables() -> Mapping[str, LimitTable]:
    """Return the limit tables by name."""
    return {
        name: LimitTable(
            name=name,
            rows=tuple((size, Decimal(limit)) for size, limit in row.pop("rows")),
            **row,
        )
        for name, row in _read(_TABLES).items()
    }


def _read(name: str) -> dict[str, Any]:
    path = files("roadworn.trade").joinpath("sheets", f"{name}.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


def _item(row: dict[str, Any]) -> SheetItem:
    # Figures stand as text in the files: a binary float would move a limit by a hair.
    for key in ("limit", "recommend"):
        if key in row:
            row[key] = Decimal(row[key])
    if "normal" in row:
        low, high = row["normal"]
        row["normal"] = (Decimal(low), Decimal(high))
    return SheetItem(**row)
