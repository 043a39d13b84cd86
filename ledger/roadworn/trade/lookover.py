"""Look-over sheets: what to look at on a kind of vehicle, in walking order, as data.

Sheets and limit tables are TOML files in the package, with the citation beside each figure,
so that a mechanic can check them line by line and no limit hides in code. A shop's own sheet
is the same kind of file, named by its path.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from roadworn.catalogue import PositionError, catalogue, normalise_position
from roadworn.catalogue.positions import axle_of
from roadworn.trade.data_file import DataFile, Key, own_text
from roadworn.units import dimension_of

Mark = Literal["R", "S", "M", "CP", "C"]
Direction = Literal["min", "max"]
_TABLES = "tables"
_FRONT = frozenset({"front", "1"})
#: What stands as the citation where a shop's own sheet gives none.
SOURCE = "common practice, no source"
OWN = "set by the shop, no source"

_HEAD = {"title": Key("text", must=True), "vehicle": Key("any text"), "note": Key("any text")}
_ITEM = {
    "name": Key("text", must=True),
    "component": Key("component", must=True),
    "area": Key("any text"),
    "measurement": Key("text"),
    "unit": Key("unit"),
    "limit": Key("figure"),
    "direction": Key("text"),
    "recommend": Key("figure"),
    "normal": Key("figures"),
    "table": Key("text"),
    "axle": Key("text"),
    "places": Key("texts"),
    "citation": Key("text"),
    "mark": Key("text"),
    "sure": Key("text"),
    "note": Key("any text"),
}
_WORDS = {
    "direction": ("min", "max"),
    "axle": ("front", "other"),
    "mark": ("R", "S", "M", "CP", "C"),
    "sure": ("sure", "fair", "check"),
}


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
        axle: ``front`` or ``other`` when it holds for those axles only, else empty.
        places: where it is looked at, for a sheet that is filled in; empty when they vary.
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
    axle: str = ""
    places: tuple[str, ...] = ()
    note: str = ""

    def covers(self, position: str | None) -> bool:
        """Whether a place belongs to this item; a finding without a place may be any."""
        if not self.axle or not position:
            return True
        return (axle_of(position) in _FRONT) == (self.axle == "front")


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
        component: where the size itself is written down.
        lasts: it holds for the ``vehicle``, for the ``place``, or for that ``look`` only.
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
    component: str
    lasts: Literal["vehicle", "place", "look"]
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


def sheet_text(name: str) -> str:
    """Return the file of a packaged sheet as it stands, to copy from.

    Raises:
        UnknownName: there is no such sheet; carries the names there are.
    """
    packaged = _packaged(name)
    return _text(packaged) if packaged else own_text(name, "look-over sheet", sheet_names())


def load_sheet(name: str) -> Sheet:
    """Return a packaged sheet, for instance ``light_vehicle`` or ``light``, or a shop's own.

    Args:
        name: of a packaged sheet, its beginning, or the path of a TOML file.

    Raises:
        UnknownName: there is no such sheet; carries the names there are.
        UsageError: the file does not say what a sheet must.
    """
    packaged = _packaged(name)
    if packaged:
        return _packaged_sheet(packaged)
    text = own_text(name, "look-over sheet", sheet_names())
    return _sheet(Path(name).stem, DataFile.parse("look-over sheet", name, text))


@cache
def limit_tables() -> Mapping[str, LimitTable]:
    """Return the limit tables by name."""
    return {
        name: LimitTable(
            name=name,
            rows=tuple((size, Decimal(limit)) for size, limit in row.pop("rows")),
            **row,
        )
        for name, row in DataFile.parse("table of limits", _TABLES, _text(_TABLES)).data.items()
    }


def _packaged(name: str) -> str:
    """Return the packaged sheet that a name or its beginning means, or an empty text."""
    key = name.replace("-", "_").casefold()
    begun = [known for known in sheet_names() if known.startswith(key)] if key else []
    return begun[0] if len(begun) == 1 else ""


@cache
def _packaged_sheet(name: str) -> Sheet:
    return _sheet(name, DataFile.parse("look-over sheet", name, _text(name)))


def _text(name: str) -> str:
    path = files("roadworn.trade").joinpath("sheets", f"{name}.toml")
    return path.read_text(encoding="utf-8")


def _sheet(name: str, file: DataFile) -> Sheet:
    file.sections(("sheet", "item"))
    head = file.table(_HEAD, "sheet")
    items = tuple(_item(file, where, row) for where, row in file.rows("item", _ITEM))
    names = [item.name.casefold() for item in items]
    for item in items:
        if names.count(item.name.casefold()) > 1:
            file.refuse(item.name, "two items have this name: each needs its own")
    return Sheet(name, head["title"], head.get("vehicle", ""), head.get("note", ""), items)


def _item(file: DataFile, where: str, row: dict[str, Any]) -> SheetItem:
    for key, words in _WORDS.items():
        file.word(row, key, words, where)
    file.word(row, "table", limit_tables(), where)
    row.setdefault("area", "")
    # A shop's own figure needs no rule behind it, but then it says so.
    row.setdefault("citation", OWN if "limit" in row else SOURCE)
    row.setdefault("mark", "CP" if row["citation"] in (OWN, SOURCE) else "M")
    row.setdefault("sure", "fair")
    figures = [key for key in ("limit", "recommend", "normal", "table") if key in row]
    if ("measurement" in row) != ("unit" in row):
        missing = "unit" if "measurement" in row else "measurement"
        file.refuse(where, f"the key {missing!r} is missing: measurement and unit go together")
    if figures and "measurement" not in row:
        file.refuse(where, f"it has {figures[0]!r} and says not what is measured: add measurement")
    if {"limit", "recommend", "table"} & set(figures) and "direction" not in row:
        file.refuse(
            where, "the key 'direction' is missing: min for not less than, max for not more"
        )
    if "table" in row and dimension_of(limit_tables()[row["table"]].unit) != dimension_of(
        row["unit"]
    ):
        file.refuse(where, f"the table {row['table']} is in {limit_tables()[row['table']].unit}")
    if len(row.get("normal", (0, 0))) != 2:
        file.refuse(where, "normal takes two figures, from and to")
    scheme = catalogue().get(row["component"]).positions
    for place in row.get("places", ()):
        try:
            normalise_position(place, scheme)
        except PositionError as error:
            file.refuse(where, f"places: {str(error).rstrip('.')}")
    return SheetItem(**row)
