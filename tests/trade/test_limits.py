"""Limits against the cited rules, exactly at the limit, and the sheets against the catalogue."""

import csv
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.units import UnitError, convert, dimension_of
from roadworn.trade.judging import judge
from roadworn.trade.limits import SHEETS, limit_tables, load_sheet

REFERENCE = Path(__file__).parents[1] / "reference/trade"
LOADED = [load_sheet(name) for name in SHEETS.names()]
ITEMS = [(sheet.name, item) for sheet in LOADED for item in sheet.items]


def limit(table, size):
    """The limit that a table prints for a size, or None."""
    row = limit_tables()[table].limit_for(size)
    return row and row[1]


def rows(name):
    return list(csv.DictReader((REFERENCE / name).read_text().splitlines()))


def item(sheet, name):
    return next(i for i in load_sheet(sheet).items if i.name == name)


TREAD = item("light_vehicle", "Tire tread")
FRONT = item("heavy_vehicle", "Tire tread, steer axle")


def test_three_sheets():
    assert SHEETS.names() == ("heavy_vehicle", "light_vehicle", "van_or_light_truck")
    with pytest.raises(UnknownName) as caught:
        load_sheet("boat")
    assert caught.value.near == SHEETS.names()


@pytest.mark.parametrize(("sheet", "row"), ITEMS, ids=lambda x: getattr(x, "name", x))
def test_items_are_well_formed(sheet, row):
    assert row.component in catalogue()
    assert row.mark in {"R", "S", "M", "CP", "C"}
    assert row.sure in {"sure", "fair", "check"}
    assert row.citation
    assert (row.mark == "CP") == row.citation.startswith("common practice")
    assert bool(row.measurement) == bool(row.unit)
    figures = (row.limit, row.recommend, row.normal, row.table)
    if not row.measurement:
        assert not any(figures)
    else:
        assert dimension_of(row.unit)
    if row.limit is not None or row.recommend is not None:
        assert row.direction in {"min", "max"}
    if row.table:
        table = limit_tables()[row.table]
        assert (table.unit, table.direction) == (row.unit, row.direction)
    if row.limit is not None:
        assert row.mark != "CP", "common practice alone never fails an item"


@pytest.mark.parametrize("row", rows("steering_play.csv"), ids=lambda r: r["diameter"])
@pytest.mark.parametrize(
    "table", ["steering_play", "steering_play_commercial_manual", "steering_play_commercial_power"]
)
def test_steering_wheel_play(row, table):
    # 17 and 19 in: nothing is printed, the next smaller (stricter) size serves.
    assert limit(table, row["diameter"]) == Decimal(row[table])


def test_outside_the_printed_diameters_the_nearest_row_serves():
    assert limit("steering_play", "15") == 2  # printed as "16 or less"
    assert limit("steering_play", "24") == Decimal("2.75")


@pytest.mark.parametrize(
    ("rim", "inches"),
    # 49 CFR 570.60 Table 3, read in the rule.
    [
        ("15", "0.25"),
        ("16", "0.25"),
        ("16.01", "0.375"),
        ("18", "0.375"),
        ("18.01", "0.5"),
        ("24.5", "0.5"),
    ],
)
def test_linkage_play(rim, inches):
    assert limit("linkage_play", rim) == Decimal(inches)


@pytest.mark.parametrize(
    ("chamber", "inches"),
    # 49 CFR 393.47(e), clamp type: from memory, fair: check.
    [("16", "1.75"), ("30", "2"), ("20L", "2"), ("24ll", "2.5"), ("36", "2.25"), ("99", None)],
)
def test_chamber_stroke(chamber, inches):
    assert limit("chamber_stroke", chamber) == (Decimal(inches) if inches else None)


@pytest.mark.parametrize("row", rows("battery_load.csv"), ids=lambda r: r["fahrenheit"])
def test_battery_load(row):
    assert limit("battery_load", row["fahrenheit"]) == Decimal(row["volts"])
    load = item("light_vehicle", "Battery under load")
    at = judge(load, Decimal(row["volts"]), "V", size=row["fahrenheit"])
    below = judge(load, Decimal(row["volts"]) - Decimal("0.01"), "V", size=row["fahrenheit"])
    assert (at.condition, below.condition) == ("sound", "failed")


@pytest.mark.parametrize(
    ("row", "limit_32nds"),
    # 570.9(a) second party; 393.75(b), (c) second party; 570.62(a) read in the rule.
    [
        (TREAD, 2),
        (FRONT, 4),
        (item("heavy_vehicle", "Tire tread, other axles"), 2),
        (item("van_or_light_truck", "Tire tread, front axle"), 4),
        (item("van_or_light_truck", "Tire tread, other axles"), 2),
    ],
)
def test_tread_exactly_at_the_limit_passes_in_every_unit(row, limit_32nds):
    inches = Decimal(limit_32nds) / 32
    millimetres = Decimal(limit_32nds) * Decimal("0.79375")
    for value, unit in [(limit_32nds, "32nds"), (inches, "in"), (millimetres, "mm")]:
        assert judge(row, value, unit).condition in {"sound", "wearing"}
        assert judge(row, value, unit).safety is False
        less = judge(row, Decimal(value) - Decimal("0.001"), unit)
        assert (less.condition, less.safety) == ("failed", True)
        assert "not" not in less.reason
        assert less.citation == row.citation


@pytest.mark.parametrize(
    ("name", "inches"),
    # 49 CFR 393.47(d)(1) and (2), second party.
    [
        ("Lining, steer axle, air disc", "0.125"),
        ("Lining, steer axle, hydraulic or electric", "0.0625"),
        ("Lining, other axles, air drum", "0.25"),
        ("Lining, other axles, air disc", "0.125"),
        ("Lining, other axles, hydraulic or electric", "0.0625"),
    ],
)
def test_commercial_lining(name, inches):
    row = item("heavy_vehicle", name)
    assert judge(row, Decimal(inches), "in").condition == "wearing"
    assert judge(row, Decimal(inches) - Decimal("0.0001"), "in").condition == "failed"
    assert row.limit == Decimal(inches)


@pytest.mark.parametrize(
    ("kind", "inches"),
    # 49 CFR 393.47(d)(1), second party: 3/16 in continuous strip, 1/4 in two pads.
    [("strip", "0.1875"), ("two pads", "0.25")],
)
def test_lining_of_a_steer_axle_with_air_drums(kind, inches):
    row = item("heavy_vehicle", "Lining, steer axle, air drum")
    assert judge(row, Decimal(inches), "in", size=kind).condition == "wearing"
    assert judge(row, Decimal(inches) - Decimal("0.0001"), "in", size=kind).condition == "failed"
    assert judge(row, Decimal("0.2"), "in").condition == "not_checked"


@pytest.mark.parametrize(
    ("sheet", "name", "value", "unit"),
    [
        # 570.59(c), read in the rule: 1/32 in over the fastener, 1/16 in over the shoe.
        ("van_or_light_truck", "Drum brake shoes, riveted", "0.03125", "in"),
        ("van_or_light_truck", "Disc brake pads", "0.0625", "in"),
        # 570.5, from memory: check.
        ("light_vehicle", "Disc brake pads", "0.03125", "in"),
        # 570.55(c), read in the rule: not more than 80 % of the travel.
        ("van_or_light_truck", "Pedal reserve at 50 lb", "80", "%"),
        # 570.7(b) and 570.10(b), read at a second text of the rule.
        ("light_vehicle", "Steering linkage and tie rod ends", "0.25", "in"),
        ("light_vehicle", "Wheel rims, bead runout", "0.125", "in"),
    ],
)
def test_other_rules_exactly_at_the_limit(sheet, name, value, unit):
    row = item(sheet, name)
    hair = Decimal("0.0001") * (1 if row.direction == "max" else -1)
    assert judge(row, Decimal(value), unit).condition != "failed"
    assert judge(row, Decimal(value) + hair, unit).condition == "failed"


@pytest.mark.parametrize(
    ("name", "value", "unit", "condition"),
    # Common practice, no source: it says wearing, never failed.
    [
        ("Tire tread", 4, "32nds", "wearing"),
        ("Tire tread", 5, "32nds", "sound"),
        ("Disc brake pads", 4, "mm", "wearing"),
        ("Disc brake pads", 3, "mm", "wearing"),
        ("Disc brake pads", Decimal("4.1"), "mm", "sound"),
        ("Charging voltage", Decimal("13.5"), "V", "sound"),
        ("Charging voltage", Decimal("14.9"), "V", "wearing"),
        ("Battery at rest", Decimal("12.24"), "V", "wearing"),
        ("Battery at rest", Decimal("12.65"), "V", "sound"),
        ("Brake fluid: water content", 3, "%", "sound"),
        ("Brake fluid: water content", Decimal("3.1"), "%", "wearing"),
        ("Coolant: freezing protection", 39, "%", "wearing"),
    ],
)
def test_common_practice(name, value, unit, condition):
    assert judge(item("light_vehicle", name), value, unit).condition == condition


def test_not_checked_is_never_sound():
    play = item("light_vehicle", "Steering wheel free play")
    undecided = judge(play, Decimal("2.1"), "in")
    assert (undecided.condition, undecided.missing) == ("not_checked", "size")
    assert judge(play, Decimal("2.1"), "in", size="18").condition == "sound"
    assert judge(play, Decimal("2.1"), "in", size="17").condition == "failed"
    rotor = item("light_vehicle", "Brake rotors")
    assert judge(rotor, 24, "mm").missing == "marked"
    assert judge(rotor, 24, "mm").condition == "not_checked"
    assert judge(rotor, 24, "mm", marked=24).condition == "sound"
    assert judge(rotor, Decimal("23.99"), "mm", marked=24).condition == "failed"


def test_what_cannot_be_judged_is_refused():
    with pytest.raises(UsageError, match="looked at"):
        judge(item("light_vehicle", "Horn"), 3, "mm")
    with pytest.raises(UnitError):
        judge(TREAD, 12, "V")


@pytest.mark.parametrize(
    ("value", "unit", "condition"),
    # 49 CFR 570.7 Table 1: from 2 in at 16 in of diameter to 2 3/4 in at 22 in; exactly at a
    # limit passes.
    [
        ("2", "in", "sound"),
        ("2.0001", "in", "not_checked"),
        ("2.75", "in", "not_checked"),
        ("2.7501", "in", "failed"),
        ("50.8", "mm", "sound"),
        ("69.86", "mm", "failed"),
    ],
)
def test_a_size_does_not_matter_where_the_figure_comes_to_the_same_at_each(value, unit, condition):
    told = judge(item("light_vehicle", "Steering wheel free play"), Decimal(value), unit)
    assert told.condition == condition
    assert told.missing == ("size" if condition == "not_checked" else "")
    if condition == "failed":
        assert told.reason == (
            f"{Decimal(value)} {unit} is more than the limit of 2.75 in at any steering wheel "
            "diameter"
        )
        assert (told.limit, told.citation) == (
            Decimal("2.75"),
            limit_tables()["steering_play"].citation,
        )


def test_an_item_in_another_unit_than_its_table_is_compared_in_one():
    play = replace(item("light_vehicle", "Steering wheel free play"), unit="mm")
    assert judge(play, 51, "mm", size="16").condition == "failed"  # 2 in are 50.8 mm
    assert judge(play, Decimal("50.8"), "mm", size="16").condition == "sound"


@given(st.decimals(0, 40, places=3))
def test_the_unit_does_not_change_the_answer(depth):
    inches = judge(TREAD, depth / 32, "in") if depth % 4 == 0 else None
    in_32nds = judge(TREAD, depth, "32nds")
    in_mm = judge(TREAD, depth * Decimal("0.79375"), "mm")
    assert in_32nds.condition == in_mm.condition
    assert inches is None or inches.condition == in_32nds.condition
    assert (in_32nds.condition == "failed") == (convert(depth, "32nds", "mm") < 1.5875)


def test_nothing_says_safe_to_drive():
    for path in Path(limits_folder()).rglob("*"):
        if path.is_file() and path.suffix in {".py", ".toml", ".csv", ".md"}:
            assert "safe to drive" not in path.read_text(encoding="utf-8").casefold(), path


def limits_folder():
    import roadworn.trade.limits as module

    return Path(module.__file__).parent
