"""From a measured figure to a condition: sound, wearing, failed, or not checked.

Exactly at a limit passes, as every cited rule says "not less than" or "shall not exceed";
figures are compared as exact fractions so that 4/32 in and 3.175 mm are the same. Common
practice alone never fails an item, it only says that it is wearing. Whether a failed item can
hurt somebody is a flag of its own. What this says is no official inspection.
"""

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Literal

from roadworn.catalogue import catalogue
from roadworn.errors import UsageError
from roadworn.trade.lookover import Direction, SheetItem, limit_tables
from roadworn.units import Number, exact

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
