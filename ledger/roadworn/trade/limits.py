"""From a measured figure to a condition: sound, wearing, failed, or not checked.

Exactly at a limit passes, as every cited rule says "not less than" or "shall not exceed";
figures are compared as exact fractions so that 4/32 in and 3.175 mm are the same. Common
practice alone never fails an item, it only says that it is wearing. Whether a failed item can
hurt somebody is a flag of its own. What this says is no official inspection.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.places import PositionError, axle_of, normalise_position
from roadworn.model.units import Number, dimension_of, exact
from roadworn.trade.data_file import DataFile, Key, own_text

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


Condition = Literal["sound", "wearing", "failed", "not_checked"]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a measurement means.

    Attributes:
        condition: one of the four conditions.
        safety: the item failed and its component is safety critical.
        reason: one plain sentence.
        limit: the limit compared with, in `unit`, or None.
        unit: unit of `limit`.
        citation: where the limit is from.
        mark: how well founded it is, see `SheetItem`.
    """

    condition: Condition
    safety: bool
    reason: str
    limit: Decimal | None
    unit: str | None
    citation: str
    mark: str


def judge(
    item: SheetItem,
    value: Number | None,
    unit: str | None = None,
    *,
    size: str | None = None,
    marked: Number | None = None,
) -> Judgement:
    """Judge one measured figure.

    Args:
        item: from a sheet.
        value: the figure, or None when nobody measured.
        unit: its unit; None for the item's own.
        size: what the item's limit table asks for, for instance the rim's diameter in inches.
        marked: limit marked on the part, in the item's unit; replaces the sheet's.

    Raises:
        UnitError: the unit measures something else.
        UsageError: the item is looked at only, or the size is none.
    """
    if item.measurement is None or item.unit is None:
        raise UsageError(
            f"{item.name!r} is looked at, not measured: give its condition as sound, wearing, "
            "failed or not checked."
        )
    if value is None:
        return _judgement(item, "not_checked", "nothing was measured", None)
    limit, citation, mark = item.limit, item.citation, str(item.mark)
    if marked is not None:
        limit, citation, mark = Decimal(str(marked)), "marked on the part", "R"
    elif item.table is not None:
        table = limit_tables()[item.table]
        if size is None:
            return _judgement(item, "not_checked", f"the limit depends on the {table.key}", None)
        found = _from_table(item.table, size)
        if found is None:
            return _judgement(item, "not_checked", f"no limit is printed for {size}", None)
        limit, citation, mark = found, table.citation, table.mark
    measured = exact(value, unit or item.unit, item.unit)
    shown = f"{value:g} {unit or item.unit}"
    if limit is not None and item.direction and _worse(measured, limit, item.direction):
        word = "less" if item.direction == "min" else "more"
        reason = f"{shown} is {word} than the limit of {limit} {item.unit}"
        return _judgement(item, "failed", reason, limit, citation, mark)
    if item.normal is not None and not (
        Fraction(item.normal[0]) <= measured <= Fraction(item.normal[1])
    ):
        reason = (
            f"{shown} is outside {item.normal[0]} to {item.normal[1]} {item.unit} (common practice)"
        )
        return _judgement(item, "wearing", reason, limit, citation, mark)
    if (
        item.recommend is not None
        and item.direction
        and not _better(measured, item.recommend, item.direction)
    ):
        reason = f"{shown} has reached {item.recommend} {item.unit} (common practice)"
        return _judgement(item, "wearing", reason, limit, citation, mark)
    if limit is None and item.normal is None and item.recommend is None:
        return _judgement(item, "not_checked", "compare it with the limit marked on the part", None)
    return _judgement(
        item, "sound", f"{shown} is within what the sheet asks", limit, citation, mark
    )


def table_limit(table: str, size: str) -> Decimal | None:
    """Return the limit a table prints for a size, in the table's unit, or None.

    Raises:
        UsageError: there is no such table, or the size is no number where one is needed.
    """
    if table not in limit_tables():
        raise UsageError(f"There is no limit table {table!r}: use {' or '.join(limit_tables())}.")
    return _from_table(table, size)


def _from_table(name: str, size: str) -> Decimal | None:
    table = limit_tables()[name]
    try:
        found = table.limit_for(size)
    except InvalidOperation:
        raise UsageError(
            f"{size!r} is no {table.key}: give a number in {table.key_unit}."
        ) from None
    return found[1] if found else None


def _worse(measured: Fraction, limit: Decimal, direction: Direction) -> bool:
    return measured < Fraction(limit) if direction == "min" else measured > Fraction(limit)


def _better(measured: Fraction, limit: Decimal, direction: Direction) -> bool:
    return measured > Fraction(limit) if direction == "min" else measured < Fraction(limit)


def _judgement(
    item: SheetItem,
    condition: Condition,
    reason: str,
    limit: Decimal | None,
    citation: str | None = None,
    mark: str | None = None,
) -> Judgement:
    hurts = condition == "failed" and catalogue().get(item.component).safety_critical
    return Judgement(
        condition, hurts, reason, limit, item.unit, citation or item.citation, mark or item.mark
    )
