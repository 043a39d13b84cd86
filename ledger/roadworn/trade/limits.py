"""What a look-over or an inspection asks for: items with their limits, and limits by a size.

The items of look-over sheets and of rule sets are of one type. Both are TOML, each figure with
its citation, so that a shop can write its own and no limit hides in code. What a figure means
against them is said by `roadworn.trade.judging`.
"""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any, Literal

from roadworn.model.catalogue import catalogue
from roadworn.model.places import PositionError, axle_of, normalise_position
from roadworn.model.units import dimension_of
from roadworn.trade import DataFile, Key, Library

Direction = Literal["min", "max"]
#: Which of the two limits hold: up to 10,000 lb gross weight, or above it.
Weight = Literal["light", "heavy"]
_FRONT = frozenset({"front", "1"})
#: What stands as the citation where a shop's own sheet gives none.
SOURCE = "common practice, no source"
OWN = "set by the shop, no source"


@dataclass(frozen=True, slots=True)
class Item:
    """One item of a look-over sheet or of a rule set.

    Attributes:
        name: as a mechanic says it.
        components: catalogue ids; a sheet's item has one.
        citation: the rule, or "common practice, no source".
        mark: R read in the rule, S read at a second party, M from memory, CP common practice.
        sure: sure, fair or check.
        measurement: what is measured, or empty for items that are looked at only.
        unit: unit of `limit`, `recommend` and `normal`.
        limit: figure exactly at which the item still passes.
        direction: ``min`` when the figure must not be less than the limit, ``max`` not more.
        recommend: at this figure or worse the item is wearing (common practice, no source).
        normal: within these two figures the item is sound, outside wearing.
        table: name of a limit table that asks for a size.
        axle: ``front`` or ``other`` when it holds for those axles only, else empty.
        area: of a sheet: where one stands while looking.
        places: of a sheet: where it is looked at, to be filled in; empty when they vary.
        note: a remark or a caution, or an empty text.
        key: of a rule set: short name, used in settings.
        weight: ``light`` (10,000 lb or less), ``heavy``, or empty for both.
        complete: of a rule set: places that must all have been looked at before it passes.
        only_with: asked only of vehicles on which one of these is on record; empty for all.
        only_recorded: asked only where one of its own components is on record.
    """

    name: str
    components: tuple[str, ...]
    citation: str
    mark: str
    sure: str
    measurement: str = ""
    unit: str = ""
    limit: Decimal | None = None
    direction: Direction | Literal[""] = ""
    recommend: Decimal | None = None
    normal: tuple[Decimal, Decimal] | None = None
    table: str = ""
    axle: str = ""
    area: str = ""
    places: tuple[str, ...] = ()
    note: str = ""
    key: str = ""
    weight: str = ""
    complete: tuple[str, ...] = ()
    only_with: tuple[str, ...] = ()
    only_recorded: bool = False

    @property
    def component(self) -> str:
        """The component of a sheet's item, which has one."""
        return self.components[0]

    @property
    def sized(self) -> "LimitTable | None":
        """The table of its limits, when they hang on a size."""
        return limit_tables()[self.table] if self.table else None

    def covers(self, position: str | None) -> bool:
        """Whether a place belongs to this item; a finding without a place may be any."""
        if not self.axle or not position:
            return True
        return (axle_of(position) in _FRONT) == (self.axle == "front")

    def holds_for(self, weight: Weight, recorded: Collection[str] = ()) -> bool:
        """Whether it is asked of a vehicle.

        Args:
            weight: of the vehicle.
            recorded: components on record of it.
        """
        if self.only_with and not set(self.only_with) & set(recorded):
            return False
        if self.only_recorded and not set(self.components) & set(recorded):
            return False
        return self.weight in ("", weight)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A look-over sheet: `items` in walking order as the file has them."""

    name: str
    title: str
    vehicle: str
    note: str
    items: tuple[Item, ...]


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
        direction: see `Item`.
        step: ``smaller`` or ``larger`` printed size serves in between, or ``exact``.
        citation: the rule.
        mark: see `Item`.
        sure: see `Item`.
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
    mark: str
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

    def limits(self, size: str | None) -> tuple[Decimal, ...]:
        """Return the limit of a size, all that there are where none is known, or none."""
        if size is None:
            return tuple(limit for _size, limit in self.rows)
        row = self.limit_for(size)
        return () if row is None else (row[1],)


#: Keys that an item of a sheet and one of a rule set have alike.
ITEM_KEYS: Mapping[str, Key] = {
    "name": Key("text", must=True),
    "measurement": Key("text"),
    "unit": Key("unit"),
    "limit": Key("figure"),
    "direction": Key("text", words=("min", "max")),
    "table": Key("text"),
    "mark": Key("text", words=("R", "S", "M", "CP", "C")),
    "sure": Key("text", words=("sure", "fair", "check")),
}
_HEAD = {"title": Key("text", must=True), "vehicle": Key("any text"), "note": Key("any text")}
_ITEM = {
    **ITEM_KEYS,
    "component": Key("component", must=True),
    "area": Key("any text"),
    "recommend": Key("figure"),
    "normal": Key("figures"),
    "axle": Key("text", words=("front", "other")),
    "places": Key("texts"),
    "citation": Key("text"),
    "note": Key("any text"),
}


@cache
def limit_tables() -> Mapping[str, LimitTable]:
    """Return the limit tables by name."""
    text = Path(__file__).with_name("tables.toml").read_text(encoding="utf-8")
    return {
        name: LimitTable(
            name=name,
            rows=tuple((size, Decimal(limit)) for size, limit in row.pop("rows")),
            **row,
        )
        for name, row in DataFile.parse("table of limits", "tables", text).data.items()
    }


def _sheet(file: DataFile) -> Sheet:
    file.sections(("sheet", "item"))
    head = file.table(_HEAD, "sheet")
    items = tuple(_item(file, where, row) for where, row in file.rows("item", _ITEM))
    names = [item.name.casefold() for item in items]
    for item in items:
        if names.count(item.name.casefold()) > 1:
            file.refuse(item.name, "two items have this name: each needs its own")
    # The path of somebody's machine never enters the ledger.
    name = Path(file.name).stem
    return Sheet(name, head["title"], head.get("vehicle", ""), head.get("note", ""), items)


def _item(file: DataFile, where: str, row: dict[str, Any]) -> Item:
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
    check_table(file, where, row)
    if len(row.get("normal", (0, 0))) != 2:
        file.refuse(where, "normal takes two figures, from and to")
    component = row.pop("component")
    scheme = catalogue().get(component).positions
    for place in row.get("places", ()):
        try:
            normalise_position(place, scheme)
        except PositionError as error:
            file.refuse(where, f"places: {error.what}: {error.remedy}")
    return Item(components=(component,), **row)


def check_table(file: DataFile, where: str, row: Mapping[str, Any]) -> None:
    """Refuse an item that names no limit table, or one whose limits measure something else."""
    file.word(row, "table", limit_tables(), where)
    if "table" in row:
        table = limit_tables()[row["table"]]
        if dimension_of(table.unit) != dimension_of(row["unit"]):
            file.refuse(where, f"the table {table.name} is in {table.unit}")


SHEETS = Library(
    "look-over sheet", Path(__file__).with_name("sheets"), _sheet, variable="ROADWORN_SHEET"
)
#: A packaged sheet by its name or the beginning of it, or a shop's own by its path.
load_sheet = SHEETS.load


_VOLTS = re.compile(r"\d\s*v(?:olts?)?\b", re.IGNORECASE)
#: How a voltage was taken -> the name of that measurement; common practice, no source.
_WAYS = (
    (re.compile(r"\b(?:at\s+rest|rest(?:ing|ed)?)\b[,;:]?", re.IGNORECASE), "voltage at rest"),
    (
        re.compile(r"\b(?:under\s+load|loaded|(?:while\s+)?cranking)\b[,;:]?", re.IGNORECASE),
        "voltage under load",
    ),
)


def take_way(text: str) -> tuple[str, str]:
    """Take off a finding's text how its voltage was taken, wherever that stands.

    Returns:
        The text without those words, and the name of the measurement, empty where nothing says it.
    """
    if _VOLTS.search(text):
        for words, name in _WAYS:
            if words.search(text):
                return " ".join(words.sub(" ", text, count=1).split()), name
    return text, ""


def name_way(finding: dict[str, Any], name: str) -> None:
    """Name the voltages of a finding by how they were taken."""
    for one in finding.get("measurements", ()) if name else ():
        if one["unit"] == "V":
            one["name"] = name
