"""Rows before the enrolment of a vehicle are said with their remedy, and set back on a yes."""

import json
from pathlib import Path

import pytest
from commandline import Run


def old_book(path: Path) -> Path:
    rows = [
        {
            "vehicle_id": "a",
            "kind": "replacement",
            "occurred_at": day,
            "odometer": km,
            "odometer_unit": "km",
            "payload": {"component": "electrical.alternator", "reason": "failed"},
        }
        for day, km in (("2019-03-01", 20_000.0), ("2021-03-01", 80_000.0))
    ]
    path.write_text("".join(json.dumps(row) + "\n" for row in rows), encoding="utf-8")
    return path


@pytest.fixture
def shop(run: Run, tmp_path: Path) -> Run:
    run("create")
    run("enrol", "a", "--odometer", "200,000 km", "--on", "2026-05-01")
    return run


def test_an_import_says_what_lies_before_and_sets_it_back_on_a_yes(shop: Run, tmp_path: Path):
    path = old_book(tmp_path / "book.ndjson")
    done = shop("import", str(path))
    assert "2 rows of 1 vehicle lie before" in done.err
    assert "--set-back" in done.err
    done = shop("import", str(path), "--set-back")
    assert "0 added" in done.out
    assert "earliest from 2019-03-01" in done.err
    assert "set that back with" not in done.err
    done = shop("sql", "SELECT observed_on, observed_by FROM vehicles", "--format", "csv")
    assert done.out.splitlines()[1] == '2019-03-01,"records_since"'
    assert "lie before" not in shop("import", str(path), "--set-back").err


def test_what_is_typed_for_a_day_before_is_said(shop: Run):
    done = shop("record", "replacement", "a", "alternator", "--reason", "failed", "--on",
                "2019-03-01")  # fmt: skip
    assert "before a came under observation on 2026-05-01" in done.err
    assert "roadworn record profile a --records-since 2019-03-01" in done.err


def test_a_comeback_is_named_by_the_end_of_an_id(shop: Run):
    first = shop("record", "replacement", "a", "alternator", "--reason", "failed", "-o",
                 "200,100 km", "--on", "2026-05-02")  # fmt: skip
    job = first.out.split()[0]
    words = ("record", "replacement", "a", "alternator", "--reason", "failed", "-o", "220,000 km",
             "--on", "2026-10-02", "--comeback-of")  # fmt: skip
    done = shop(*words, job, "--comeback-cause", "customer-part")
    assert f"a comeback of {job}, the customer's own part" in done.out
    rows = shop("sql", "SELECT of_event, cause FROM comebacks", "--format", "csv").out
    assert rows.splitlines()[1].endswith(f'{job}","customer_part"')
    corrected = shop("correct", done.out.split()[0], f"comeback-of={job}", "price=10 USD")
    assert f"a comeback of {job}" in corrected.out


def test_a_comeback_of_what_is_no_job_is_refused(shop: Run):
    shop("enrol", "b", "--odometer", "10 km", "--on", "2026-05-01")
    other = shop("record", "replacement", "b", "alternator", "--reason", "failed").out.split()[0]
    words = ("record", "replacement", "a", "alternator", "--reason", "failed", "--comeback-of")
    assert "is of b, not of a" in shop(*words, other).err
    read = shop("record", "reading", "a", "200,300 km").out.split()[0]
    assert "nothing can come back on it" in shop(*words, read).err
