"""One mistyped value through each of the three doors: typed, a table with a map, NDJSON.

Each case says what every door must tell: the field, the reason, and the likely intended value
where one is likely. A refusal leaves nothing in the ledger; a doubt is kept as it was given.
VINs are printed examples of 49 CFR 565 (`tests/reference/trade/vins.csv`), changed by one slip;
the forms of codes are those of SAE J2012; currencies are ISO 4217's. Which slips are refused
and which only doubted is ours to decide, and what typed input does holds for all doors.
"""

import json
import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from commandline import Run

from roadworn_cli.main import main

Json = dict[str, Any]
DAY = "2026-05-04"


class Case(NamedTuple):
    """One slip, how it goes through each door, and what must be said.

    Attributes:
        name: for the test's id.
        typed: words of the command line; None where a door cannot be given such a value.
        table: (header of the map's targets -> cell) beside day and vehicle, and the kind.
        line: fields of an NDJSON line beside the vehicle.
        field: words of which each door's sentence holds one, naming the field or cell.
        says: what each door's sentence holds, the reason and the likely value.
        refused: whether it is refused, rather than kept and doubted.
    """

    name: str
    typed: list[str] | None
    table: tuple[str, dict[str, str]] | None
    line: Json | None
    field: str
    says: tuple[str, ...]
    refused: bool = True


def _profile(name: str, field: str, option: str, value: Any, *says: str, **more: Any) -> Case:
    return Case(
        name,
        ["record", "profile", "bus-7", option, str(value)],
        ("profile_change", {field: str(value)}),
        {"kind": "profile_change", "payload": {field: value}},
        more.pop("named", "VIN"),
        says,
        more.pop("refused", False),
    )


def _code(name: str, code: str, *says: str) -> Case:
    return Case(
        name,
        ["record", "scan", "bus-7", code],
        ("scan", {"codes": code}),
        {"kind": "scan", "payload": {"modules": [{"codes": [{"code": code}]}]}},
        "code",
        (repr(code), *says),
    )


def _part(name: str, component: str, phrase: str, *says: str) -> Case:
    return Case(
        name,
        ["record", "maintenance", "bus-7", phrase],
        ("maintenance", {"component": phrase}),
        {"kind": "maintenance", "payload": {"component": component}},
        "component|position",
        says,
    )


def _place(name: str, position: str, *says: str) -> Case:
    return Case(
        name,
        ["record", "replacement", "bus-7", f"wheel bearing {position}", "--reason", "failed"],
        ("replacement", {"component": "wheel bearing", "position": position, "reason": "failed"}),
        {
            "kind": "replacement",
            "payload": {"component": "wheel.bearing", "position": position, "reason": "failed"},
        },
        "position",
        (repr(position), *says),
    )


def _price(name: str, amount: str, currency: str, *says: str) -> Case:
    return Case(
        name,
        ["record", "maintenance", "bus-7", "engine oil", f"--price={amount}", "--currency",
         currency],
        ("maintenance", {"component": "engine oil", "parts_cost": amount, "currency": currency}),
        {"kind": "maintenance", "payload": {
            "component": "engine.oil", "parts_cost": {"amount": amount, "currency": currency}}},
        "amount|price|cost|urrency|below zero",
        says,
    )  # fmt: skip


def _figure(name: str, typed: str, value: Any, unit: str, *says: str, refused: bool = True) -> Case:
    return Case(
        name,
        ["record", "reading", "bus-7", typed],
        ("odometer_reading", {"odometer": typed}),
        {"kind": "odometer_reading", "payload": {}, "odometer": value, "odometer_unit": unit},
        "odometer|distance|unit|cannot be read",
        says,
        refused,
    )


def _day(name: str, day: str, *says: str, refused: bool = True) -> Case:
    return Case(
        name,
        ["record", "maintenance", "bus-7", "engine oil", "--on", day],
        ("maintenance", {"component": "engine oil", "occurred_at": day}),
        {"kind": "maintenance", "payload": {"component": "engine.oil"}, "occurred_at": day},
        "--on|occurred_at|Day|day|date",
        says,
        refused,
    )


def _note(name: str, note: str) -> Case:
    return Case(
        name,
        ["record", "maintenance", "bus-7", "engine oil", "--note", note],
        ("maintenance", {"component": "engine oil", "note": note}),
        {"kind": "maintenance", "payload": {"component": "engine.oil", "note": note}},
        "name, telephone number or e-mail address",
        ("permanent", "roadworn contact"),
        refused=False,
    )


CASES = (
    _profile("vin-letter-o", "vin", "--vin", "1M8GDM9AXKPO42788",
             "'O', which a VIN never holds", "1M8GDM9AXKP042788"),
    _profile("vin-letter-q", "vin", "--vin", "1M8GDM9AXKPQ42788",
             "'Q', which a VIN never holds", "1M8GDM9AXKP042788"),
    _profile("vin-letter-i", "vin", "--vin", "IM8GDM9AXKP042788",
             "Position 1", "'I', which a VIN never holds", "1M8GDM9AXKP042788"),
    _profile("vin-two-exchanged", "vin", "--vin", "1M8GDM9AXKP024788",
             "Position 9", "ask for 8", "1M8GDM9AXKP042788"),
    _profile("vin-16", "vin", "--vin", "1M8GDM9AXKP04278", "16 characters, not 17"),
    _profile("vin-market-unknown", "vin", "--vin", "JH2RC3605MM101518",
             "as a check digit it would be 9", "many markets do not use one"),
    # bus-7 is of 2014, whose letter is E; K is 1989 or 2019 (565.15(d)(1) Table VII).
    _profile("vin-year-letter", "vin", "--vin", "1M8GDM9AXKP042788",
             "1989 or 2019, but 2014 is recorded", "position 10", "2014 would be E"),
    _code("code-letter-o", "PO420", "letter O", "P0420"),
    _code("code-g", "P0G80", "'G' is not a hexadecimal digit", "P0680"),
    _code("code-six", "P04200", "6 characters where a code has 5", "P0420"),
    _code("code-failure-type", "P0123-1", "failure type", "two hexadecimal digits"),
    _code("code-failure-letter", "P0123-1O", "failure type", "P0123-10"),
    _code("code-first-digit", "P4420", "0, 1, 2 or 3"),
    _part("component-two-letters", "wheel.baring", "wheel baring", "baring", "id you mean wheel",
          "bearing"),
    _part("component-three-letters", "electrical.altornetar", "altornetar", "altornetar",
          "id you mean", "alternator"),
    # A slip of one letter is read, and what it was read as is said: typed, in the line printed.
    Case("component-one-letter", None, ("maintenance", {"component": "alternater"}), None,
         "component", ("'alternater' was read as alternator",), refused=False),
    Case("component-id", None, None,
         {"kind": "maintenance", "payload": {"component": "brake.padd"}},
         "component", ("'brake.padd'", "did you mean brake.pad"),),
    _place("position-doubled", "LFF", "id you mean LF?"),
    _price("price-letter-o", "12,5O", "USD", "12.50"),
    _price("price-letter-o-point", "12.5O", "USD", "12.50"),
    _price("price-below-zero", "-12.50", "USD", "below zero"),
    _price("currency-usb", "12.50", "USB", "'USB'", "no currency of ISO 4217", "USD"),
    _figure("odometer-letter", "61,25O mi", "61,25O", "mi", "cannot be read", "id you mean 61"),
    _figure("unit-mils", "61,250 mils", 61250, "mils", "'mils'", "did you mean mi"),
    _figure("unit-m", "61,250 m", 61250, "m", "m", "mi"),
    _day("day-31-02", "31.02.2026", "February 2026 has 28 days"),
    _day("day-without-year", "31.02", "no year", "February has at most"),
    _day("day-month-first", "13/25/2024", "no month has such a number"),
    _day("day-25-month", "2024-25-12", "2024-12-25"),
    _day("day-2204", "2204-05-04", "after it was recorded", "did you mean 2024-05-04?"),
    _day("day-1926", "1926-05-04", "before", "model year 2014", "2026-05-04", refused=False),
    _day("day-too-early", "2009-05-04", "before its model year 2014", refused=False),
    _figure("odometer-over-the-digits", "161,250 mi", 161250, "mi",
            "more digits than its odometer shows", "61,250", refused=False),
    _note("note-mail", "write to jane@example.org"),
    _note("note-phone", "call 555 0100 22 at noon"),
    _note("note-name", "keys go to Mrs Example"),
    Case(
        "owner-name",
        ["record", "profile", "bus-7", "--owner", "Jane Example"],
        ("profile_change", {"owner_reference": "Jane Example"}),
        {"kind": "profile_change", "payload": {"owner_reference": "Jane Example"}},
        "owner",
        ("a word of your own", "roadworn contact"),
    ),
    Case(
        "pad-of-300-mm",
        ["record", "inspection", "bus-7", "brake pads front 300 mm wearing"],
        ("inspection", {"finding": "brake pads front 300 mm wearing"}),
        {"kind": "inspection", "payload": {"findings": [{
            "component": "brake.pad", "position": "front", "condition": "wearing",
            "measurements": [{"value": 300, "unit": "mm"}]}]}},
        "brake.pad|measurements|finding",
        ("300 mm is more than brake.pad can show", "at most 40 mm"),
    ),
    Case(
        "unit-of-a-figure",
        ["record", "inspection", "bus-7", "brake pads front 3 mn wearing"],
        ("inspection", {"component": "brake pads front", "condition": "wearing",
                        "measurement": "3 mn"}),
        {"kind": "inspection", "payload": {"findings": [{
            "component": "brake.pad", "position": "front", "condition": "wearing",
            "measurements": [{"value": 3, "unit": "mn"}]}]}},
        "unit|understood|measure",
        ("mn", "mm"),
    ),
    Case(
        "tread-called-sound",
        ["record", "inspection", "bus-7", "tire LF 1/32 in sound"],
        ("inspection", {"finding": "tire LF 1/32 in sound"}),
        {"kind": "inspection", "payload": {"findings": [{
            "component": "wheel.tire", "position": "LF", "condition": "sound",
            "measurements": [{"value": 1, "unit": "32nds"}]}]}},
        "tire|finding",
        ("written down as sound", "less than the limit", "failed"),
        refused=False,
    ),
    Case(
        "two-currencies",
        ["record", "maintenance", "bus-7", "engine oil", "--price", "40 USD", "--rate", "90 EUR",
         "--hours", "1"],
        None,  # a table has one currency a row
        {"kind": "maintenance", "payload": {
            "component": "engine.oil", "parts_cost": {"amount": "40", "currency": "USD"},
            "labour_hours": 1, "labour_rate": {"amount": "90", "currency": "EUR"}}},
        "amounts",
        ("EUR and USD", "cannot be added"),
    ),
    Case(
        "position-in-other-words",
        None,  # typed words are read, and the reading is printed
        None,
        {"kind": "replacement", "payload": {
            "component": "wheel.bearing", "position": "left front", "reason": "failed"}},
        "position",
        ("'left front'", "did you mean LF?"),
    ),
    Case(
        "position-the-other-way-round",
        None,
        None,
        {"kind": "replacement", "payload": {
            "component": "wheel.bearing", "position": "FL", "reason": "failed"}},
        "position",
        ("'FL'", "did you mean LF?"),
    ),
    Case(
        "unit-kms",
        None,  # read as km, and printed so
        None,
        {"kind": "odometer_reading", "payload": {}, "odometer": 98000, "odometer_unit": "kms"},
        "odometer_unit",
        ("'kms'", "did you mean km?"),
    ),
    Case(
        "thousands-in-quotes",
        None,
        None,
        {"kind": "odometer_reading", "payload": {}, "odometer": "61,250", "odometer_unit": "mi"},
        "odometer",
        ("cannot be read", "did you mean 61250?"),
    ),
    Case(
        "due-2204",
        ["record", "inspection-result", "bus-7", "safety", "pass", "--due", "2204-05-04"],
        ("inspection_result", {"inspection": "safety", "result": "pass",
                               "due_date": "2204-05-04"}),
        {"kind": "inspection_result", "payload": {
            "inspection": "safety", "result": "pass", "due_date": "2204-05-04"}},
        "due",
        ("far ahead", "did you mean 2024-05-04?"),
        refused=False,
    ),
)  # fmt: skip

DOORS = ("typed", "table", "ndjson")
WAYS = [
    pytest.param(case, door, id=f"{case.name}-{door}")
    for case in CASES
    for door, given in zip(DOORS, case[1:4], strict=True)
    if given is not None
]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger in which bus-7 of model year 2014 has an odometer of five digits."""
    folder = tmp_path_factory.mktemp("made")
    ledger = str(folder / "roadworn.db")
    assert main(["--ledger", ledger, "create"]) == 0
    words = ["enrol", "bus-7", "--make", "Acme", "--model", "Longbus", "--year", "2014"]
    words += ["--odometer", "61,000 mi", "--odometer-digits", "5", "--on", "2026-05-01"]
    assert main(["--ledger", ledger, *words]) == 0
    return folder / "roadworn.db"


@pytest.fixture
def shop(made: Path, tmp_path: Path, run: Run) -> Run:
    """Run commands on a copy of the ledger, in a folder of their own."""
    (tmp_path / "roadworn.db").write_bytes(made.read_bytes())
    return run


def count(shop: Run) -> int:
    told = shop("history", "bus-7", "--format", "json").json()
    assert isinstance(told, list)
    return len(told)


def written(case: Case, door: str) -> list[str]:
    """Write the file of a case, and return the words that import it."""
    if door == "ndjson":
        assert case.line is not None
        line = {"vehicle_id": "bus-7", "occurred_at": DAY, **case.line}
        Path("slip.ndjson").write_text(json.dumps(line) + "\n", encoding="utf-8")
        return ["import", "slip.ndjson"]
    assert case.table is not None
    kind, given = case.table
    cells = {"vehicle_id": "bus-7", "occurred_at": DAY, **given}
    columns = "\n".join(f'"their {target}" = "{target}"' for target in cells)
    Path("map.toml").write_text(
        f'kind = "{kind}"\n[file]\ndate_order = "dmy"\n[columns]\n{columns}\n', encoding="utf-8"
    )
    quoted = ",".join(f'"{cell}"' for cell in cells.values())
    headers = ",".join(f"their {target}" for target in cells)
    Path("slip.csv").write_text(f"{headers}\n{quoted}\n", encoding="utf-8")
    return ["import", "slip.csv", "--map", "map.toml"]


#: What may be right and is permanent: asked before it is written.
ASKED_FIRST = frozenset(
    {"day-1926", "day-too-early", "odometer-over-the-digits", "note-mail", "note-phone",
     "note-name", "due-2204"}
)  # fmt: skip


@pytest.mark.parametrize(("case", "door"), WAYS)
def test_a_slip_is_told_at_once(shop: Run, case: Case, door: str) -> None:
    before = count(shop)
    words = case.typed if door == "typed" else written(case, door)
    assert words is not None
    told = shop(*words)
    if door == "typed" and case.name in ASKED_FIRST:
        # Whoever types is asked before it is written; an import says it, and goes on.
        assert (told.code, "--sure" in told.err, count(shop)) == (1, True, before), told.err
        told = shop(*words, "--sure")
    assert (told.code != 0) == case.refused, told.err
    assert count(shop) == before + (not case.refused)
    said = " ".join(told.err.split())
    assert re.search(case.field, said), said
    for part in case.says:
        assert part in said, said
    assert "Traceback" not in said
    if door == "table":
        # The user's own name of the column, and the row.
        assert re.search(r"slip\.csv:2:their ", said), said
    elif door == "ndjson":
        assert re.search(r"slip\.ndjson:1:", said), said


@pytest.mark.parametrize(
    ("case", "door"), [way for way in WAYS if way.values[1] != "typed"]
)  # fmt: skip
def test_a_dry_run_says_the_same_and_writes_nothing(shop: Run, case: Case, door: str) -> None:
    words = written(case, door)
    before = count(shop)
    dry = shop(*words, "--dry-run")
    assert count(shop) == before
    told = shop(*words)
    assert dry.code == told.code
    sentences = [line for line in told.err.splitlines() if line.startswith(("slip.", "note: slip"))]
    assert sentences
    # A sentence about a day to come holds the clock, which goes on between the two runs.
    clock = re.compile(r"T\d\d:\d\d:\d\dZ")
    said = clock.sub("", dry.err)
    for line in sentences:
        assert clock.sub("", line) in said


def test_what_is_doubted_is_kept_as_it_was_given(shop: Run) -> None:
    shop("record", "profile", "bus-7", "--vin", "1M8GDM9AXKPO42788")
    told = shop("sql", "SELECT vin FROM vehicles", "--format", "json").json()
    assert told == [{"vin": "1M8GDM9AXKPO42788"}]


def test_many_doubts_of_one_sort_are_one_line(shop: Run) -> None:
    note: Callable[[int], Json] = lambda n: {  # noqa: E731
        "vehicle_id": "bus-7",
        "kind": "maintenance",
        "occurred_at": DAY,
        "payload": {"component": "engine.oil", "note": f"job {n}: mail jane@example.org"},
    }
    lines = "".join(json.dumps(note(n)) + "\n" for n in range(412))
    Path("many.ndjson").write_text(lines, encoding="utf-8")
    told = shop("import", "many.ndjson")
    assert told.code == 0
    assert told.out == "412 rows: 412 added, 0 there already, 0 problems, 412 doubts\n"
    (line,) = [line for line in told.err.splitlines() if "e-mail" in line]
    assert line.startswith("note: 412 rows like this one")
    assert "many.ndjson:1:payload.note" in line
    # Once there, they are not said again.
    again = shop("import", "many.ndjson")
    assert again.out == "412 rows: 0 added, 412 there already, 0 problems\n"
    assert again.err == ""


def test_doubts_as_data(shop: Run) -> None:
    line = {
        "vehicle_id": "bus-7",
        "kind": "profile_change",
        "occurred_at": DAY,
        "payload": {"vin": "1M8GDM9AXKP024788"},
    }
    Path("one.ndjson").write_text(json.dumps(line) + "\n", encoding="utf-8")
    found = shop("import", "one.ndjson", "--format", "json")
    assert found.code == 0
    rows = found.json()
    assert isinstance(rows, list)
    assert [(row["code"], row["weight"]) for row in rows] == [
        ("vin-check-digit", "doubt"),
        ("vin-year-recorded", "doubt"),
    ]


def test_a_profile_changed_in_the_ledger_is_looked_at_before_a_day_is_doubted(shop: Run) -> None:
    shop("record", "profile", "bus-7", "--year", "2004")
    line = {
        "vehicle_id": "bus-7",
        "kind": "maintenance",
        "occurred_at": "2009-05-04",
        "payload": {"component": "engine.oil"},
    }
    Path("old.ndjson").write_text(json.dumps(line) + "\n", encoding="utf-8")
    told = shop("import", "old.ndjson")
    assert told.code == 0
    # Of its year nothing is doubted; that it lies before the enrolment is said with the remedy.
    notes = told.err.splitlines()
    assert len(notes) == 2
    assert all("came under observation" in note and "--set-back" in note for note in notes)


@pytest.mark.parametrize("door", ["enrol", "ndjson"])
def test_another_year_than_the_vins_is_shown_until_it_is_settled(shop: Run, door: str) -> None:
    # 1J9RP1A36A1644345, printed by NHTSA: position 10 is A, with a letter at 7: 2010.
    if door == "enrol":
        told = shop("enrol", "van-3", "--vin", "1J9RP1A36A1644345", "--year", "2012")
    else:
        payload = {"vin": "1J9RP1A36A1644345", "model_year": 2012}
        line = {"vehicle_id": "van-3", "kind": "enrolment", "occurred_at": DAY, "payload": payload}
        Path("van.ndjson").write_text(json.dumps(line) + "\n", encoding="utf-8")
        told = shop("import", "van.ndjson")
    assert told.code == 0, told.err
    mismatch = "The VIN gives model year 2010, but 2012 is recorded."
    assert mismatch in told.err
    assert f"to settle: van-3: {mismatch}" in shop("vehicles").err
    assert f"To settle: {mismatch}" in " ".join(shop("outlook", "van-3").out.split())
    assert "model year 2010" in " ".join(shop("analyse", "odometer-audit", "--wide").out.split())
    assert shop("record", "profile", "van-3", "--year", "2010").err == ""
    assert "to settle" not in shop("vehicles").err
    assert "To settle" not in shop("outlook", "van-3").out


def test_a_correction_of_a_vin_is_looked_at_too(shop: Run) -> None:
    written_down = shop("record", "profile", "bus-7", "--vin", "1J9RP1A36A1644345")
    told = shop("correct", written_down.event, "vin=1J9RP1A36A1644354")
    assert told.code == 0, told.err
    assert "Position 9 of the VIN is 6" in told.err
    assert "1J9RP1A36A1644345 " in told.err


def test_what_is_still_to_come_is_doubted_at_every_door(shop: Run, tmp_path: Path) -> None:
    """A day of the writer may be one ahead of the day in UTC, so tomorrow is taken, and said."""
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).date()
    if tomorrow <= datetime.now().astimezone().date():
        pytest.skip("here it is tomorrow already")
    typed = shop("record", "complaint", "bus-7", "squeals", "--on", tomorrow.isoformat())
    assert "still to come" in typed.err
    row = {"vehicle_id": "bus-7", "kind": "complaint", "payload": {"complaint": "hums"}}
    file = tmp_path / "rows.ndjson"
    file.write_text(json.dumps({**row, "occurred_at": tomorrow.isoformat()}), encoding="utf-8")
    assert "still to come" in shop("import", "rows.ndjson").err
