"""Every limit of every sheet and rule set that ships, exactly at it and a hair beyond.

The expected figures are typed from the rules (tests/reference/trade, citation in each row);
a limit that ships and is not there fails, and so does one that is there and does not ship.
"""

import csv
from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from roadworn.model.units import exact
from roadworn.trade.judging import KnownSizes, judge
from roadworn.trade.limits import SHEETS, Item, limit_tables, load_sheet
from roadworn_plugins.inspection.outcomes import judge_item
from roadworn_plugins.shared.rule_sets import RULE_SETS, Seen, load_rules

REFERENCE = Path(__file__).parents[1] / "reference/trade"
HAIR = Decimal("0.0001")
DAY = date(2026, 6, 1)


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((REFERENCE / name).read_text().splitlines()))


def figure(text: str) -> Decimal:
    """2 1/4 in decimals; halves to 32nds end after five places."""
    total = sum((Fraction(part) for part in text.split()), Fraction(0))
    return Decimal(total.numerator) / Decimal(total.denominator)


def sized(row: dict[str, str]) -> Iterator[tuple[str | None, Decimal]]:
    """Yield the size and the limit of a row, for each printed size of a table."""
    if not row["table"]:
        yield None, figure(row["limit"])
        return
    for other in TABLES:
        if other["table"] == row["table"]:
            yield other["size"], figure(other["limit"])


TABLES = rows("table_limits.csv")
LIMITS = rows("sheet_limits.csv")
RULES = rows("rule_limits.csv")


def test_every_limit_that_ships_is_typed_here_and_no_other() -> None:
    ships = {
        (name, item.name)
        for name in SHEETS.names()
        for item in load_sheet(name).items
        if item.limit is not None or item.table
    }
    assert {(row["sheet"], row["item"]) for row in LIMITS} == ships
    rules = {
        (weight, item.name)
        for name in RULE_SETS.names()
        for item in load_rules(name).items
        if item.limit is not None or item.table
        for weight in ("light", "heavy")
        if item.weight in ("", weight)
    }
    assert {(row["weight"], row["item"]) for row in RULES} == rules
    sizes = {(table.name, size) for table in limit_tables().values() for size, _ in table.rows}
    # Printed as "18.01 or more"; the file writes it as a size nobody has.
    sizes = {(t, "22.5" if (t, s) == ("linkage_play", "99") else s.casefold()) for t, s in sizes}
    assert {(row["table"], row["size"].casefold()) for row in TABLES} == sizes
    practice = {
        (name, item.name)
        for name in SHEETS.names()
        for item in load_sheet(name).items
        if item.recommend is not None or item.normal is not None
    }
    assert {(row["sheet"], row["item"]) for row in rows("practice.csv")} == practice


@pytest.mark.parametrize("row", LIMITS, ids=lambda row: f"{row['sheet']}-{row['item']}")
def test_a_sheet_passes_at_its_limit_and_fails_a_hair_beyond(row: dict[str, str]) -> None:
    item = next(i for i in load_sheet(row["sheet"]).items if i.name == row["item"])
    assert item.mark == row["mark"]
    assert row["citation"] in item.citation
    assert item.direction == row["direction"]
    beyond = -HAIR if row["direction"] == "min" else HAIR
    checked = 0
    for size, limit in sized(row):
        assert judge(item, limit, row["unit"], size=size).condition in {"sound", "wearing"}
        assert judge(item, limit + beyond, row["unit"], size=size).condition == "failed"
        checked += 1
        if row["unit"] != "in":
            continue
        # 1 in = 25.4 mm exactly, 1/32 in = 0.79375 mm exactly.
        for value, unit in ((limit * Decimal("25.4"), "mm"), (limit * 32, "32nds")):
            assert judge(item, value, unit, size=size).condition in {"sound", "wearing"}
            assert judge(item, value + beyond, unit, size=size).condition == "failed"
    assert checked


@pytest.mark.parametrize("row", rows("practice.csv"), ids=lambda r: f"{r['item']}-{r['wearing']}")
def test_common_practice_says_wearing_and_never_failed(row: dict[str, str]) -> None:
    item = next(i for i in load_sheet(row["sheet"]).items if i.name == row["item"])
    size = row["size"] or None
    assert judge(item, Decimal(row["sound"]), row["unit"], size=size).condition == "sound"
    assert judge(item, Decimal(row["wearing"]), row["unit"], size=size).condition == "wearing"


def outcome(item: Item, place: str, value: Decimal, unit: str, size: str | None) -> str:
    places = tuple(dict.fromkeys((place, *item.complete, *_other(place))))
    known = KnownSizes()
    if size is not None:
        key = limit_tables()[item.table].key
        known = KnownSizes({key: size}, {(key, other): size for other in places})
    (component, *_) = item.components
    # Exactly as a look-over keeps it: a float, believed as the decimals it is printed with.
    values = ((float(value), unit),)
    seen = [Seen(component, other, "looked", "sound", DAY, "event", 1, values) for other in places]
    return judge_item(item, seen, DAY, 365, known).outcome


def _other(place: str) -> list[str]:
    """The same place on the other side, which an inspection asks for as well."""
    return [place.replace("L", "R", 1)] if "L" in place else []


@pytest.mark.parametrize("row", RULES, ids=lambda row: f"{row['weight']}-{row['item']}")
def test_a_rule_passes_at_its_limit_and_fails_a_hair_beyond(row: dict[str, str]) -> None:
    (name,) = RULE_SETS.names()
    (item,) = [
        i
        for i in load_rules(name).items
        if i.name == row["item"] and i.weight in ("", row["weight"])
    ]
    assert item.mark == row["mark"]
    assert row["citation"] in item.citation
    beyond = -HAIR if row["direction"] == "min" else HAIR
    for size, limit in sized(row):
        for unit in ("in", "mm", "32nds") if row["unit"] == "in" else (row["unit"],):
            at = exact(limit, row["unit"], unit)
            value = Decimal(at.numerator) / Decimal(at.denominator)
            assert outcome(item, row["place"], value, unit, size) == "pass"
            assert outcome(item, row["place"], value + beyond, unit, size) == "fail"
