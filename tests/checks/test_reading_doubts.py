"""An odometer figure in a file is looked at as a typed one is: kept, and never in silence.

What a vehicle can go in a day, and that no odometer shows three decimals: common practice, no
source. The roll-over of a five-digit odometer is that of 49 CFR 580.5(c).
"""

import orjson
import pytest

from roadworn.intake import Ledger
from roadworn.intake.files import import_files

MAP = """kind = "maintenance"
[file]
decimal_comma = {comma}
delimiter = ";"
[columns]
"Day" = "occurred_at"
"Miles" = "odometer"
[constants]
vehicle_id = "van"
component = "engine.oil"
[units]
odometer = "mi"
"""


@pytest.fixture
def ledger(tmp_path):
    with Ledger.create(tmp_path / "shop.db") as made:
        yield made


@pytest.fixture
def take(ledger, tmp_path):
    """Import (day, figure, unit) of a van, and return what was doubted: (row, code)."""

    def imported(*figures, **fields):
        path = tmp_path / f"{len(list(tmp_path.iterdir()))}.ndjson"
        path.write_bytes(b"".join(orjson.dumps(row(*each, **fields)) + b"\n" for each in figures))
        return told(import_files(ledger, [path]))

    return imported


def row(day, value, unit="mi", kind="odometer_reading", payload=None, **fields):
    odometer = {} if value is None else {"odometer": value, "odometer_unit": unit}
    payload = {"how": "dash"} if payload is None else payload
    return {
        "vehicle_id": "van", "kind": kind, "occurred_at": day, "payload": payload,
        **odometer, **fields,
    }  # fmt: skip


def told(report):
    assert not report.problems
    return sorted((doubt.row, doubt.code) for group in report.doubts for doubt in group.kept)


def enrolled(value=90_000.0, **payload):
    return "2026-02-01", value, "mi", "enrolment", payload


def test_a_lower_figure_a_jump_and_one_beyond_all_vehicles_are_told_in_the_file_that_enrols(take):
    assert take(
        enrolled(),
        ("2026-03-01", 90_400.0),
        ("2026-03-02", 9_050.0),
        ("2026-03-03", 915_000.0),
        ("2026-03-04", 9_150_000.0),
        ("2026-03-05", 90_600.0),
    ) == [(3, "reading-lower"), (4, "reading-jump"), (5, "reading-too-far")]


def test_the_figure_after_a_slip_is_not_blamed_and_one_that_agrees_with_a_jump_bears_it_out(take):
    assert take(enrolled(), ("2026-02-02", 190_000.0), ("2026-02-03", 190_100.0)) == [
        (2, "reading-jump")
    ]


def test_the_first_figure_of_a_later_file_is_held_against_the_ledger(take):
    assert take(enrolled()) == []
    assert take(("2026-03-01", 91_000.0, "km"), ("2026-03-02", 91_050.0)) == [(1, "reading-lower")]
    assert take(("2026-03-05", 91_100.0)) == []


def test_rows_in_any_order_are_gone_through_in_that_of_the_road(take):
    assert take(enrolled(), ("2026-04-01", 91_000.0), ("2026-03-01", 90_500.0)) == []
    assert take(("2026-03-20", 9_070.0)) == [(1, "reading-lower")]


def test_an_exchanged_instrument_begins_anew(take):
    exchange = {"old_reading": 91_000.0, "new_reading": 5.0, "unit": "mi"}
    assert take(
        enrolled(),
        ("2026-03-01", None, "mi", "odometer_exchange", exchange),
        ("2026-03-05", 120.0),
        ("2026-03-09", 91_200.0),
    ) == [(4, "reading-jump")]


def test_a_roll_over_is_told_as_one_where_the_digits_are_known(take):
    assert take(enrolled(99_900.0, odometer_digits=5), ("2026-02-09", 40.0)) == [(2, "rolled-over")]


def test_a_figure_that_was_taken_back_is_no_measure(ledger, take):
    take(enrolled())
    take(("2026-02-02", 900_000.0))
    retracted = {"event": last_id(ledger), "reason": "a slip"}
    take(("2026-02-03", None, "mi", "retraction", retracted))
    assert take(("2026-02-04", 90_100.0)) == []


def test_the_hint_names_the_other_unit_where_the_figure_fits_in_that(ledger, tmp_path):
    path = tmp_path / "one.ndjson"
    rows = [row(*enrolled()), row("2026-03-01", 91_000.0, "km")]
    path.write_bytes(b"\n".join(map(orjson.dumps, rows)))
    ((group,)) = import_files(ledger, [path]).doubts
    assert group.kept[0].hint == "it would fit as 91,000 mi"


@pytest.mark.parametrize(
    ("comma", "cell", "value", "unit", "codes"),
    [
        # The comma of the map holds for a cell with its unit as for a bare one.
        ("true", "147.000 km", 147_000.0, "km", []),
        ("true", "91.000", 91_000.0, "mi", []),
        ("true", "91.000,5 mi", 91_000.5, "mi", []),
        ("true", "91,500", 91.5, "mi", ["three-decimals", "reading-lower"]),
        ("false", "91,000 mi", 91_000.0, "mi", []),
        ("false", "91.000 mi", 91.0, "mi", ["three-decimals", "reading-lower"]),
        ("false", "91000", 91_000.0, "mi", []),
    ],
)
def test_a_cell_is_read_by_the_maps_comma_and_three_decimals_are_told(
    ledger, take, tmp_path, comma, cell, value, unit, codes
):
    take(enrolled())
    (tmp_path / "map.toml").write_text(MAP.format(comma=comma))
    (tmp_path / "work.csv").write_text(f"Day;Miles\n2026-03-01;{cell}\n")
    report = import_files(ledger, [tmp_path / "work.csv"], csv_map=tmp_path / "map.toml")
    assert not report.problems
    assert [doubt.code for group in report.doubts for doubt in group.kept] == codes
    assert {doubt.column for group in report.doubts for doubt in group.kept} <= {"Miles"}
    stored = list(ledger.events())[-1]
    assert (stored.odometer, stored.odometer_unit) == (value, unit)


def last_id(ledger):
    return list(ledger.events())[-1].event_id
