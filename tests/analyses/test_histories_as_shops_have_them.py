"""Histories as shops have them, through the command line: what comes back, what is one-sided,
old books, electric cars, turned odometers, free jobs, and a value that nobody knows.

Parts, prices and vehicles are invented. `test_made_fleets_as_shops_have_them.py` has what takes
a fleet to show.
"""

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from builders import enrolled, ledger_of, reading, replaced, usd
from commandline import Run

from roadworn import NewEvent

TODAY = "2026-06-01"
ALTERNATOR, STARTER = "electrical.alternator", "electrical.starter"
OTHERS = (
    "cooling.water_pump", "cooling.thermostat", "cooling.radiator", "fuel.pump",
    "engine.drive_belt", "electrical.battery", "suspension.strut", "wheel.bearing",
)  # fmt: skip


def asked(run: Run, *words: str, on: str = TODAY) -> Any:
    """Return what `roadworn` answers on a day, as data."""
    done = run("--as-of", on, *words, "--format", "json")
    assert done.code == 0, done.err
    return done.json()


def rows(answer: Any, table: str) -> list[dict[str, Any]]:
    """Return the rows of a table of an answer; none where it has no such table."""
    return [row for one in answer["tables"] if one["name"] == table for row in one["rows"]]


def queried(run: Run, query: str, on: str = TODAY) -> list[list[str]]:
    done = run("--as-of", on, "sql", query, "--format", "csv")
    assert done.code == 0, done.err
    return list(csv.reader(done.out.splitlines()[1:]))


def written(folder: Path, events: Iterable[NewEvent], **more: Any) -> None:
    """Write the ledger that `roadworn` finds in its folder."""
    ledger_of(folder / "roadworn.db", events, **more)


def two_cars(second: str | None, at: int = 0) -> list[NewEvent]:
    """Two cars with their parts' first lives on record; an alternator failed on the first.

    Args:
        second: day of its second failure.
        at: its odometer figure.
    """
    events = []
    for car in ("car-1", "car-2"):
        new: dict[str, Any] = {"odometer": 0, "parts": "original", "vehicle_class": "light car"}
        events.append(enrolled(car, "2018-01-05", **new))
        events += [
            reading(car, f"{2018 + n // 2}-{1 + 6 * (n % 2):02d}-20", 500 + n * 5_500)
            for n in range(16)
        ]
        for n, part in enumerate(OTHERS):
            place = {"position": "LF"} if part in ("suspension.strut", "wheel.bearing") else {}
            events.append(replaced(car, f"2025-0{1 + n % 6}-1{n}", part, "150.00",
                                   odometer=80_000 + n * 700, **place))  # fmt: skip
    job: dict[str, Any] = {"labour_hours": 1.5, "labour_rate": usd("95.00")}
    events.append(replaced("car-1", "2026-02-01", ALTERNATOR, "310.00", odometer=88_300, **job))
    if second:
        events.append(replaced("car-1", second, ALTERNATOR, "310.00", odometer=at, **job))
    events += [reading(car, "2026-05-20", 91_000) for car in ("car-1", "car-2")]
    return sorted(events, key=lambda one: one.occurred_at)


def test_a_new_part_dead_after_three_days_says_nothing_of_the_other_car(
    run: Run, tmp_path: Path
) -> None:
    """88,340 miles was three days and 40 miles after 88,300."""
    seen = {}
    for name, day in (("ordinary", None), ("dead", "2026-02-04")):
        (tmp_path / "roadworn.db").unlink(missing_ok=True)
        written(tmp_path, two_cars(day, 88_340))
        answer = asked(run, "analyse", "next-repairs", "--vehicle", "car-2", "least-chance=0")
        part = next(r for r in rows(answer, "next_repairs") if r["component"] == ALTERNATOR)
        total = next(r for r in rows(answer, "totals") if r["months"] == 12)
        seen[name] = (part["chance"], total["expected"])
    assert seen["dead"][0] == pytest.approx(seen["ordinary"][0], rel=0.02)
    assert seen["dead"][0] < 0.2
    assert seen["dead"][1] < 800.0
    assert queried(run, "SELECT vehicle_id, CAST(age_days AS INTEGER) FROM comebacks") == [
        ["car-1", "3"]
    ]
    lives = f"SELECT count(*) FROM part_lives WHERE failed AND component = '{ALTERNATOR}'"
    assert queried(run, lives) == [["1"]]


def test_rotors_done_one_side_after_the_other_keep_their_own_lives(
    run: Run, tmp_path: Path
) -> None:
    """Left at 100,000 km, right three days and 150 km later: both lasted about 100,000 km."""
    events = []
    for n in range(1, 7):
        van = f"van-{n}"
        events.append(enrolled(van, "2020-01-05", odometer=0, unit="km", parts="original",
                               vehicle_class="van"))  # fmt: skip
        events += [reading(van, f"{2020 + i // 2}-{1 + 6 * (i % 2):02d}-20", 500 + 17_000 * i, "km")
                   for i in range(6)]  # fmt: skip
        far = 98_000 + 700 * n
        for day, side, km in ((10, "LF", far), (13, "RF", far + 150)):
            events.append(replaced(van, f"2023-02-{day}", "brake.rotor", odometer=km, unit="km",
                                   position=side))  # fmt: skip
        events.append(reading(van, "2023-08-20", 116_000, "km"))
    written(tmp_path, events)
    found = queried(run, "SELECT position, min(upper_km), count(*) FROM part_lives WHERE failed "
                    "GROUP BY 1 ORDER BY 1")  # fmt: skip
    assert [(place, number) for place, _km, number in found] == [("LF", "6"), ("RF", "6")]
    assert all(float(km) > 98_000 for _place, km, _number in found)
    words = ("component=brake.rotor", "unit=km", "by=component")
    answer = asked(run, "analyse", "part-lifespans", *words, on="2023-09-01")
    (row,) = rows(answer, "part_lifespans")
    assert (row["failed"], row["running"]) == (12, 12)
    assert 95_000 < row["b50"] < 110_000


def test_two_failures_at_one_figure_both_stand_somewhere(run: Run, tmp_path: Path) -> None:
    """On two days they are two failures; twice on one day is one job entered twice."""
    written(
        tmp_path,
        [
            enrolled("van-1", "2022-01-05", odometer=60_000, parts="original"),
            reading("van-1", "2022-06-01", 70_000),
            replaced("van-1", "2023-01-10", STARTER, odometer=80_000),
            replaced("van-1", "2023-06-10", STARTER, odometer=80_000),
            replaced("van-1", "2024-06-10", ALTERNATOR, odometer=90_000),
            replaced("van-1", "2024-06-10", ALTERNATOR, odometer=90_000, note="again"),
            reading("van-1", "2024-09-01", 92_000),
        ],
        allow_repeat=True,
    )
    stand = queried(
        run,
        """SELECT r.component, r.occurred_on, count(DISTINCT r.event_id), count(t.event_id)
           FROM replacements AS r LEFT JOIN (
               SELECT ended_by AS event_id FROM part_lives
               UNION ALL SELECT ended_by FROM part_lives_left_out WHERE why <> 'entered-twice'
               UNION ALL SELECT event_id FROM comebacks) AS t USING (event_id)
           GROUP BY 1, 2 ORDER BY 1, 2""",
    )
    assert [row[2:] for row in stand] == [["2", "1"], ["1", "1"], ["1", "1"]]
    (twice,) = queried(run, "SELECT component FROM part_lives_left_out WHERE why = 'entered-twice'")
    assert twice == [ALTERNATOR]
    none = "SELECT count(*) FROM part_lives WHERE lower_km <= entry_km AND lower_days <= entry_days"
    assert queried(run, none) == [["0"]]


BOOK = "van,day,part,km\nvan-1,2021-03-01,alternator,120000\nvan-1,2024-03-01,alternator,170000\n"
MAP = """kind = "replacement"
[file]
date_order = "ymd"
[columns]
"van" = "vehicle_id"
"day" = "occurred_at"
"part" = "component"
"km" = "odometer"
[constants]
reason = "failed"
[units]
odometer = "km"
"""


def test_an_old_book_counts_once_it_is_said_that_it_is_whole(run: Run, tmp_path: Path) -> None:
    (tmp_path / "book.csv").write_text(BOOK, encoding="utf-8")
    (tmp_path / "book.toml").write_text(MAP, encoding="utf-8")
    run("create")
    run("enrol", "van-1", "--odometer", "200,000 km", "--class", "van")
    book = ("import", "book.csv", "--map", "book.toml")
    done = run(*book)
    assert "2 rows of 1 vehicle lie before" in done.err
    assert "--set-back" in done.err
    of = f"part_lives WHERE failed AND component = '{ALTERNATOR}'"
    lives = f"SELECT CAST(round(upper_km) AS INTEGER) FROM {of}"
    assert not run("sql", lives, "--format", "csv").out.splitlines()[1:]
    told = run("analyse", "part-lifespans")
    assert "--records-since" in told.out + told.err
    assert run(*book, "--set-back").code == 0
    assert run("sql", lives, "--format", "csv").out.splitlines()[1:] == ["50000"]


def test_years_without_records_are_no_years_without_failures(run: Run) -> None:
    """Enrolled today as of its first day, with its original parts; the work begins ten years on."""
    run("create")
    run("enrol", "van-1", "--odometer", "0 mi", "--parts", "original", "--class", "van",
        "--in-service", "2014-01-05", "--on", "2014-01-05")  # fmt: skip
    run("record", "reading", "van-1", "150,000 mi", "--on", "2024-01-05")
    run("record", "replacement", "van-1", "alternator", "--reason", "failed", "-o", "157,000 mi",
        "--on", "2024-06-05")  # fmt: skip
    run("record", "reading", "van-1", "180,000 mi", "--on", "2026-01-05")
    done = run("analyse", "part-lifespans")
    assert "10.0 years before" in done.err
    assert "--records-since" in done.err
    seen = "SELECT observed_on, CAST(round(v.observed_km / 1.609344) AS INTEGER) FROM vehicles AS v"
    assert run("sql", seen, "--format", "csv").out.splitlines()[1:] == ["2024-01-05,150000"]
    failed = "SELECT CAST(round(entry_km / 1.609344) AS INTEGER) FROM part_lives WHERE failed"
    assert run("sql", failed, "--format", "csv").out.splitlines()[1:] == ["150000"]


def small_shop(failures: int) -> list[NewEvent]:
    """Three vans alike from new; so many alternators failed on the first of them."""
    events = []
    for n in (1, 2, 3):
        events.append(enrolled(f"van-{n}", "2021-01-10", odometer=0, parts="original",
                               vehicle_class="delivery van"))  # fmt: skip
        events += [
            reading(f"van-{n}", f"{2021 + i // 2}-{1 + 6 * (i % 2):02d}-20", 500 + 9_000 * i)
            for i in range(10)
        ]
    events += [
        replaced("van-1", day, ALTERNATOR, "300.00", odometer=km)
        for day, km in (
            ("2023-06-10", 44_000),
            ("2024-03-10", 57_000),
            ("2024-12-10", 71_000),
            ("2025-07-30", 82_500),
        )[:failures]
    ]
    # Known by a price and a life where none failed.
    events.append(replaced("van-3", "2022-03-01", ALTERNATOR, "300.00", odometer=21_500,
                           reason="preventive"))  # fmt: skip
    return sorted(events, key=lambda one: one.occurred_at)


def test_four_alternators_on_one_van_are_said_in_a_small_shop(run: Run, tmp_path: Path) -> None:
    written(tmp_path, small_shop(4))
    answer = asked(run, "analyse", "repeat-failures", on="2025-08-10")
    (row,) = rows(answer, "repeat_failures")
    assert (row["component"], row["where"].split()[0], row["failed"]) == (ALTERNATOR, "van-1", 4)
    assert "alternator" in answer["headline"]
    assert "nothing can be compared" not in answer["headline"].lower()


def test_each_failure_makes_other_parts_of_its_kind_no_safer(run: Run, tmp_path: Path) -> None:
    """On the same day, with the same distance; only the number of failures differs.

    Many at one place are more and more a matter of that place: from the fourth on they may say
    no more of the others, but hardly less.
    """
    chances = []
    for failures in range(5):
        (tmp_path / "roadworn.db").unlink(missing_ok=True)
        written(tmp_path, small_shop(failures))
        answer = asked(run, "analyse", "next-repairs", "--vehicle", "van-2", "least-chance=0",
                       on="2025-08-10")  # fmt: skip
        (part,) = [r for r in rows(answer, "next_repairs") if r["component"] == ALTERNATOR]
        chances.append(part["chance"])
    assert chances[:4] == sorted(set(chances[:4]))
    assert chances[4] > 0.95 * chances[3]


def test_a_free_job_and_another_class_set_no_price(run: Run, tmp_path: Path) -> None:
    events = []
    for n in range(1, 6):
        for kind, price in (("van", 100), ("truck", 400)):
            name = f"{kind}-{n}"
            events.append(enrolled(name, "2022-01-05", odometer=0, parts="original",
                                   vehicle_class=kind))  # fmt: skip
            events.append(replaced(name, f"2024-01-1{n}", "wheel.tire", f"{price + n}.00",
                                   odometer=40_000, position="LF"))  # fmt: skip
            events.append(replaced(name, f"2024-02-1{n}", ALTERNATOR, "300.00", odometer=42_000))
            events.append(replaced(name, f"2025-02-1{n}", ALTERNATOR, "0.00", odometer=60_000))
            events.append(reading(name, "2026-05-20", 80_000))
    written(tmp_path, sorted(events, key=lambda one: one.occurred_at))
    words = ("analyse", "next-repairs", "least-chance=0", "least-parts=1", "most=200",
             "yearly-rise=0")  # fmt: skip
    found = rows(asked(run, *words), "next_repairs")
    price = {(r["vehicle"], r["component"]): r["cost"] for r in found if r["cost"] is not None}
    assert price["van-1", "wheel.tire"] == pytest.approx(103, rel=0.05)
    assert price["truck-1", "wheel.tire"] == pytest.approx(403, rel=0.05)
    assert price["van-1", ALTERNATOR] == pytest.approx(300, rel=0.05)


def test_an_electric_car_is_asked_for_nothing_that_burns(run: Run) -> None:
    run("create")
    for car, fuel in (("ev-1", "electric"), ("car-1", "gasoline")):
        run("enrol", car, "--year", "2020", "--class", "light car", "--fuel", fuel,
            "--odometer", "30,000 mi", "--on", "2025-01-10")  # fmt: skip
        run("record", "reading", car, "45,000 mi", "--on", "2026-05-01")
    burn = ("spark plug", "engine oil", "engine air filter", "exhaust", "fuel filter")
    for words in (
        ("outlook",),
        ("analyse", "maintenance-due", "--vehicle"),
        ("analyse", "next-repairs", "--vehicle"),
        ("analyse", "inspection-outlook", "--vehicle"),
    ):
        text = run(*words, "ev-1").out
        assert [word for word in burn if word in text] == [], words
    assert "spark plug" in run("analyse", "maintenance-due", "--vehicle", "car-1").out


def test_an_odometer_turned_back_by_31_000_miles_is_one_row_and_the_first(run: Run) -> None:
    run("create")
    run("enrol", "van-1", "--odometer", "60,000 mi", "--on", "2022-01-10")
    miles = 60_000
    for year in range(2022, 2026):
        for month in range(2, 13, 2):
            miles += 3_000
            shown = miles - 31_000 * ((year, month) >= (2024, 4))
            day = f"{year}-{month:02d}-15"
            written = run("record", "reading", "van-1", f"{shown} mi", "--on", day, "--sure")
            assert written.code == 0
    run("record", "reading", "van-1", "77,000 mi", "--on", "2023-03-01", "--sure")
    answer = run("analyse", "odometer-audit", "--format", "json").json()
    first, *others = rows(answer, "doubtful_readings")
    assert first["vehicle"] == "van-1"
    assert first["on"] == "2024-04-15"
    assert first["size"] == pytest.approx(31_000, rel=0.02)
    assert "exchanged or turned back?" in first["words"]
    assert len(others) == 1  # the slip of 2023, which no turning back explains
    (sums,) = rows(answer, "odometers")
    assert sums["status"] == "not actual"


def test_the_price_of_another_vehicle_is_not_the_value_of_this_one(
    run: Run, tmp_path: Path
) -> None:
    written(tmp_path, two_cars(None))
    words = ("analyse", "keep-or-sell", "--vehicle", "car-1", "replacement-price=14000")
    answer = asked(run, *words)
    assert answer["headline"].startswith("No value of this vehicle is known")
    assert {row["monthly"] for row in rows(answer, "options")} == {None}
    assert "14,000" not in str(answer["tables"])
    ranked = rows(asked(run, "analyse", "keep-or-sell", "replacement-price=14000"), "vehicles")
    assert {row["value"] for row in ranked} <= {None}
