"""A list of vehicles, a log of hours and two systems of work orders, as a fleet keeps them.

What must be understood is what the tables here say; nothing outside the project says how a fleet
writes its own. That a double is sure of 15 digits is DBL_DIG of ISO/IEC 9899.
"""

from pathlib import Path

import pytest
from messy import workbook

from roadworn.intake.csv_map import CsvMap, parse_csv_map, read_csv_map
from roadworn.intake.csv_rows import mapped_rows
from roadworn.intake.job_words import JobReader
from roadworn.intake.look import look
from roadworn.intake.look_ask import Known
from roadworn.intake.look_draft import Draft
from roadworn.intake.look_files import aliases_text, map_text
from roadworn.model.kinds import KindRegistry

_KNOWN = Known(KindRegistry(), {}, {}, "GBP", "mi")
_WORK = [
    ["Order", "Date", "Fleet no", "Odometer", "Job", "Parts", "Days off road", "Engine hours"],
    ["1", "14.05.2024", "7", 61250, "new battery / pads front worn, replaced", 0.1 + 0.2, 2, 3100],
    ["2", "15.05.2024", "8", 61300, "LOF / coolant pump repl", 64.79999999999998, 0, ""],
    ["3", "16.05.2024", "7", 61400, "R&R starter / R&R water pump", 12, "", ""],
    ["4", "17.05.2024", "8", 61500, "PM A", 12, 1, ""],
]
_FLEET = [
    ["Fleet no", "Make", "Model", "Purchased", "Purchase price"],
    ["7", "Tarrow", "Carrier", "04.10.2015", 31000],
    ["8", "Tarrow", "Carrier", "23.11.2016", 32000],
]


def looked(folder: Path, **tables: list[list[object]]) -> list[Draft]:
    (folder / "book.xlsx").write_bytes(workbook(tables))
    return look([folder / "book.xlsx"], _KNOWN)


def rows_of(draft: Draft, *answers: tuple[str, str]) -> list[tuple[str, str, dict[str, object]]]:
    """Return (vehicle, kind, payload) of each event that the map of a look gives."""
    for about, given in answers:
        draft.answer(next(q for q in draft.questions if about in q.text), given)
    made = parse_csv_map(map_text(draft, "a.toml").replace('aliases = "a.toml"\n', ""))
    rows = mapped_rows(draft.path, made, KindRegistry())
    events = [row.event for row in rows if row.event is not None]
    return [(event.vehicle_id, event.kind, dict(event.payload)) for event in events]


def test_a_row_of_work_tells_the_hours_of_the_engine_and_how_long_it_stood(tmp_path: Path) -> None:
    (draft,) = looked(tmp_path, Jobs=_WORK)
    assert draft.between == [" / "]
    given = rows_of(draft, ("which unit", "mi"), ("currency", "GBP"))
    stood = [(who, said) for who, kind, said in given if kind == "out_of_service"]
    # None stood for no days, and what the row cost is told by its work alone.
    assert stood == [("unit-7", {"cause": "repair", "days": 2.0})]
    run = [(who, said) for who, kind, said in given if kind == "hours_reading"]
    assert run == [("unit-7", {"hours": 3100.0})]


def test_a_sum_of_a_spreadsheet_is_read_as_it_shows_it(tmp_path: Path) -> None:
    (draft,) = looked(tmp_path, Jobs=_WORK)
    given = rows_of(draft, ("which unit", "mi"), ("currency", "GBP"))
    amounts = [said["parts_cost"]["amount"] for _who, _kind, said in given if "parts_cost" in said]
    assert amounts == ["0.15", "0.15", "32.40", "32.40", "6.00", "6.00"]


def test_a_sign_parts_two_jobs_that_the_whole_would_give_as_well(tmp_path: Path) -> None:
    (draft,) = looked(tmp_path, Jobs=_WORK)
    given = rows_of(draft, ("which unit", "mi"), ("currency", "GBP"))
    jobs = [(said.get("component"), said.get("reason")) for _who, _kind, said in given]
    # The new battery had not worn out: only the pads had.
    assert ("electrical.battery", "unknown") in jobs
    assert ("brake.pad", "worn_out") in jobs
    assert ("cooling.water_pump", "unknown") in jobs


def test_a_service_by_the_shops_own_name_is_proposed_as_a_service(tmp_path: Path) -> None:
    (draft,) = looked(tmp_path, Jobs=_WORK)
    (question,) = [one for one in draft.questions if "'PM A'" in one.text]
    assert question.likely == "other.general_service"


def test_a_list_of_vehicles_is_watched_from_the_first_work_on_record(tmp_path: Path) -> None:
    fleet, jobs = looked(tmp_path, Jobs=_WORK, Fleet=_FLEET)
    assert fleet.kind == "enrolment"
    assert jobs.unknown == []
    assert fleet.layout.dates == ("d.m.y",)
    assert fleet.constants["occurred_at"] == "2024-05-14"
    given = rows_of(fleet, ("currency", "GBP"))
    assert [said["purchase_date"] for _who, _kind, said in given] == ["2015-10-04", "2016-11-23"]


def test_a_log_of_hours_is_one_of_hours(tmp_path: Path) -> None:
    rows = [
        ["Date", "Equipment", "Hour meter"],
        ["14.05.2024", "9", 3100],
        ["15.06.2024", "9", 3190],
    ]
    (draft,) = looked(tmp_path, Log=rows)
    assert rows_of(draft) == [
        ("unit-9", "hours_reading", {"hours": 3100.0}),
        ("unit-9", "hours_reading", {"hours": 3190.0}),
    ]


def test_a_meter_of_hours_among_odometers_is_no_distance(tmp_path: Path) -> None:
    (tmp_path / "work.csv").write_text(
        'Day,Bus,Work,Meter\n2026-05-04,bus-7,coolant,61250\n2026-05-05,lift-2,coolant,"3,100"\n'
        "2026-05-06,lift-2,coolant,\n",
        "utf-8",
    )
    made = parse_csv_map(
        'kind = "maintenance"\n[columns]\n"Day" = "occurred_at"\n"Bus" = "vehicle_id"\n'
        '"Work" = "component"\n"Meter" = "odometer"\n[units]\nodometer = "mi"\n'
        '[[when]]\ncells = { "Bus" = "lift*" }\nunits = { odometer = "h" }\n'
    )
    found = [row.event for row in mapped_rows(tmp_path / "work.csv", made, KindRegistry())]
    told = [(e.vehicle_id, e.kind, e.odometer, e.payload.get("hours")) for e in found if e]
    assert told == [
        ("bus-7", "maintenance", 61250.0, None),
        ("lift-2", "hours_reading", None, 3100.0),
        ("lift-2", "maintenance", None, None),
        ("lift-2", "maintenance", None, None),
    ]


def test_a_column_says_which_meter_each_row_has(tmp_path: Path) -> None:
    (draft,) = looked(
        tmp_path,
        Jobs=[
            ["Fleet no", "Date", "Meter", "Meter type", "Job"],
            ["7", "14.05.2024", 61250, "Odometer", "LOF"],
            ["lift 2", "15.05.2024", 3100, "hours", "LOF"],
            ["lift 2", "16.06.2024", 3180, "Hours", "LOF"],
        ],
    )
    assert draft.columns["Meter type"] == "odometer_unit"
    draft.answer(next(q for q in draft.questions if "which unit" in q.text), "mi")
    (tmp_path / "a.toml").write_text(aliases_text(draft, "m.toml"), encoding="utf-8")
    (tmp_path / "m.toml").write_text(map_text(draft, "a.toml"), encoding="utf-8")
    rows = mapped_rows(draft.path, read_csv_map(tmp_path / "m.toml"), KindRegistry())
    found = [row.event for row in rows if row.event is not None]
    told = [(e.kind, e.odometer, e.payload.get("hours")) for e in found]
    assert told == [
        ("maintenance", 61250.0, None),
        ("hours_reading", None, 3100.0),
        ("maintenance", None, None),
        ("hours_reading", None, 3180.0),
        ("maintenance", None, None),
    ]


@pytest.mark.parametrize(
    ("words", "component", "reason"),
    [
        ("w/pump replaced", "cooling.water_pump", ""),
        ("alternator - failed, new one fitted", "electrical.alternator", "failed"),
    ],
)
def test_words_of_a_work_order(words: str, component: str, reason: str) -> None:
    (piece,) = JobReader(CsvMap("", "", {})).read(words)
    assert [(m.kind, m.component, m.reason) for m in piece.word.meant] == [
        ("replacement", component, reason)
    ]


_ORDERS: list[list[object]] = [
    ["Order", "Date", "Fleet no", "Odometer", "Job", "Labor Cost"],
    ["1", "14.05.2024", "7", 61250, "R&R starter", 120],
    ["2", "15.05.2024", "8", 61300, "R&R alternator", 90],
    ["2", "15.05.2024", "8", 61300, "R&R water pump", 40],
]
_PARTS: list[list[object]] = [
    ["Order", "Part No", "Qty", "Unit Price"],
    ["1", "ST-1", 1, 210],
    ["2", "AL-4", 1, 180],
    ["2", "CLIP-2", 4, 2.50],
]


def test_a_list_of_parts_with_several_lines_an_order_is_added_up(tmp_path: Path) -> None:
    """Order 2: 180 and 4 at 2.50 are 190, half for each of its two jobs."""
    (draft,) = looked(tmp_path, Jobs=_ORDERS, Parts=_PARTS)
    assert any("added up: 3 rows of 2 orders" in note for note in draft.notes)
    assert "several rows" in draft.unused["Part No"]
    given = rows_of(draft, ("which unit", "mi"), ("currency", "GBP"), ("had such parts", "failed"))
    paid = [float(said["parts_cost"]["amount"]) for _who, _kind, said in given]  # type: ignore[index]
    assert paid == [210.0, 95.0, 95.0]


@pytest.mark.parametrize(
    ("lines", "code", "said"),
    [
        ("1,USD,210\n1,EUR,18\n", "join-currencies", "two currencies are not added up"),
        ("1,,$210\n1,,€18\n", "join-currencies", "two currencies are not added up"),
        ("1,,210\n1,,soon\n", "bad-number", "Line 3 of the table it is joined with"),
    ],
)
def test_what_cannot_be_added_is_a_problem_and_no_sum(
    lines: str, code: str, said: str, tmp_path: Path
) -> None:
    (tmp_path / "parts.csv").write_text(f"Order,Cur,Price\n{lines}", encoding="utf-8")
    (tmp_path / "work.csv").write_text("Order,Day,Bus,Work\n1,2026-05-04,bus-7,horn\n")
    read = parse_csv_map(
        """kind = "maintenance"
        [file]
        signs = ["$", "€"]
        [columns]
        Order = "work_order"
        Day = "occurred_at"
        Bus = "vehicle_id"
        Work = "component"
        Price = "parts_cost"
        Cur = "currency"
        [currency]
        default = "USD"
        [[join]]
        file = "parts.csv"
        on = "Order"
        sum = ["Price"]"""
    )
    (row,) = mapped_rows(tmp_path / "work.csv", read, KindRegistry())
    assert row.event is None
    assert code in {problem.code for problem in row.problems}
    assert said in " ".join(f"{problem.message} {problem.hint}" for problem in row.problems)
