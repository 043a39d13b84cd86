"""A vehicle sold to another customer, and two records that are one vehicle, typed."""

import pytest
from commandline import Run


@pytest.fixture
def two(shop: Run) -> Run:
    shop("record", "profile", "bus-7", "--owner", "O-1", "--plate", "ABC 123 XY", "--vin", "VIN7",
         "--on", "2026-05-02")  # fmt: skip
    shop("contact", "O-1", "--name", "Ada Former", "--phone", "555 010 0199")
    shop("enrol", "bus-9", "--vin", "VIN7", "--odometer", "61,500 mi", "--on", "2026-06-01")
    return shop


def test_a_sale_is_one_act(two: Run) -> None:
    asked = two("record", "sale", "bus-7", "O-2", "--on", "2026-07-01")
    assert asked.code == 1
    assert all(word in asked.err for word in ("ABC 123 XY", "--keep-plate", "--plate", "--sure"))
    # Nothing is lost by a slip: the plate and the owner are as they were.
    before = two("find", "abc123xy", "--format", "json").json()[0]
    assert (before["owner_reference"], before["plate"]) == ("O-1", "ABC 123 XY")
    sold = two("record", "sale", "bus-7", "O-2", "--on", "2026-07-01", "--sure")
    assert sold.code == 0, sold.err
    assert "owner O-2" in sold.out
    assert "number plate is erased" in sold.err
    assert "roadworn contact O-2 --name" in sold.err
    found = two("find", "bus-7", "--format", "json").json()[0]
    assert (found["owner_reference"], found["owner"], found["plate"]) == ("O-2", None, None)
    assert two("find", "Ada Former").code == 1
    page = two("report", "vehicle", "bus-7", "--contact", "-o", "-")
    assert "Ada Former" not in page.out
    assert len(two("history", "bus-7", "--format", "json").json()) == 3
    before = two("--as-of", "2026-06-30", "--known-by", "occurred", "vehicles", "--format", "json")
    assert {row["owner_reference"] for row in before.json()} == {"O-1", None}


def test_slips_of_a_sale(two: Run) -> None:
    early = two("record", "sale", "bus-7", "O-2", "--on", "2026-05-01")
    assert early.code == 3
    assert "would stay so" in early.err
    assert "already" in two("record", "sale", "bus-7", "O-1").err
    assert two("record", "sale", "bus-7", "Bo New 555 0100").code == 2
    assert two("record", "sale", "bus-7", "O-2", "--keep-plate", "--plate", "X1").code == 2
    kept = two("record", "sale", "bus-7", "O-2", "--keep-plate")
    assert kept.code == 0
    assert two("find", "abc123xy", "--format", "json").json()[0]["vehicle_id"] == "bus-7"
    new = two("record", "sold", "bus-7", "O-3", "--plate", "new 77 zz")
    assert "NEW 77 ZZ" in new.out


def test_two_records_become_one_and_two_again(two: Run) -> None:
    merged = two("record", "merge", "bus-9", "bus-7")
    assert merged.code == 0, merged.err
    assert "the same vehicle as bus-7" in merged.out
    assert [row["vehicle_id"] for row in two("vehicles", "--format", "json").json()] == ["bus-7"]
    told = two("history", "bus-9", "--format", "json")
    assert [row["kind"] for row in told.json()].count("enrolment") == 2
    written = two("record", "reading", "BUS-9", "61,700 mi", "--on", "2026-06-02")
    assert "  bus-7  " in written.out
    assert two("find", "bus-9", "--format", "json").json()[0]["vehicle_id"] == "bus-7"
    lower = two("record", "reading", "bus-7", "61,400 mi", "--on", "2026-06-03")
    assert lower.code == 1
    again = two("record", "merge", "bus-9", "bus-7")
    assert again.code == 1
    assert "one vehicle already" in again.err
    assert two("retract", merged.event, "--reason", "two after all").code == 0
    assert len(two("vehicles", "--format", "json").json()) == 2


def test_other_vins_are_asked_about(two: Run) -> None:
    two("enrol", "bus-1", "--vin", "OTHER1", "--on", "2026-06-01")
    asked = two("record", "merge", "bus-1", "bus-7")
    assert asked.code == 1
    assert "OTHER1" in asked.err
    assert "--sure" in asked.err
    assert two("record", "merge", "bus-1", "bus-7", "--sure").code == 0
    assert two("record", "merge", "bus-7", "nowhere").code == 2
