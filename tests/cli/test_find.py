"""A vehicle is found by whatever somebody knows of it, and what was erased is found no more."""

from pathlib import Path

import pytest
from commandline import Run


@pytest.fixture
def street(shop: Run) -> Run:
    """Two vans that look alike, and the bus; invented owners."""
    vans = (("van-1", "ABC 123 XY", "ACMEVAN0000012345", "O-1"),
            ("van-2", "ABC 123 ZZ", "ACMEVAN0000067345", "O-2"))  # fmt: skip
    for name, plate, vin, owner in vans:
        made = shop("enrol", name, "--make", "Acme", "--model", "Boxvan", "--year", "2019",
                    "--label", f"the {name[-1]} van", "--vin", vin, "--plate", plate,
                    "--owner", owner, "--odometer", "9,000 mi", "--on", "2026-01-05")  # fmt: skip
        assert made.code == 0, made.err
        assert plate in made.out
    shop("contact", "O-1", "--name", "Ada Müllerin", "--phone", "+1 (555) 010-0199")
    shop("contact", "O-2", "--name", "Bo Quayside", "--phone", "555 010 0142 / 555 010 0143")
    return shop


@pytest.mark.parametrize(
    ("text", "vehicle", "exact"),
    [
        ("van-1", "van-1", True),
        ("VAN-1", "van-1", True),
        ("the 2 van", "van-2", True),
        ("abc123xy", "van-1", True),
        ("ABC-123 xy", "van-1", True),
        ("ACMEVAN0000012345", "van-1", True),
        ("12345", "van-1", False),
        ("5550100199", "van-1", True),
        ("+15550100199", "van-1", True),
        ("010-0199", "van-1", False),
        ("0143", "van-2", False),
        ("143", "", False),
        ("555.010.0143", "van-2", True),
        ("ada mullerin", "van-1", True),
        ("müllerin", "van-1", False),
        ("O-2", "van-2", True),
        ("longbus 2014", "bus-7", False),
        ("quaysde", "van-2", False),
        ("ABC 124 XY", "van-1", False),
    ],
)
def test_found_by(street: Run, text: str, vehicle: str, exact: bool) -> None:
    found = street("find", text, "--format", "json")
    if not vehicle:
        assert (found.code, found.json()) == (1, [])
        return
    assert found.code == 0, found.err
    first = found.json()[0]
    assert (first["vehicle_id"], first["exact"]) == (vehicle, exact), found.out


def test_two_alike_stand_side_by_side(street: Run) -> None:
    both = street("find", "ABC", "123")
    assert both.code == 0
    assert "van-1" in both.out
    assert "van-2" in both.out
    assert "they differ in described as, plate, VIN, owner and telephone" in both.err
    end = street("find", "345", "boxvan")
    assert end.code == 1  # of a VIN three signs are no end
    assert [one["vehicle_id"] for one in street("find", "7345", "--format", "json").json()] == [
        "van-2"
    ]


def test_a_plate_of_another_place_comes_behind(street: Run) -> None:
    rows = street("find", "ABC 123 XY", "--format", "json").json()
    assert [(one["vehicle_id"], one["exact"]) for one in rows] == [("van-1", True),
                                                                   ("van-2", False)]  # fmt: skip


def test_none_answers(street: Run) -> None:
    none = street("find", "nothing of the kind")
    assert none.code == 1
    assert none.out == ""
    assert "give a plate" in none.err


def test_a_plate_is_in_no_event_and_goes_with_its_owner(street: Run, tmp_path: Path) -> None:
    assert "ABC" not in street("export", "ndjson", "out").out
    assert all(b"123 XY" not in path.read_bytes() for path in (tmp_path / "out").iterdir())
    gone = street("contact", "O-1", "--erase")
    assert "with 1 number plate" in gone.err
    assert street("find", "abc123xy", "--format", "json").json()[0]["vehicle_id"] == "van-2"
    for path in tmp_path.glob("roadworn.db*"):
        if path.is_file():
            assert b"123 XY" not in path.read_bytes(), path


def test_a_plate_is_changed_without_an_event(street: Run) -> None:
    street("verify")  # signs the head, which the next one compares
    before = street("verify", "--format", "json").json()
    changed = street("record", "profile", "van-1", "--plate", "new 1 xy")
    assert "NEW 1 XY" in changed.out
    assert street("verify", "--format", "json").json() == before
    assert street("record", "profile", "van-1", "--plate", "--").code == 2
    assert street("find", "new1").code == 0
    assert "NEW 1 XY" in street("vehicles").out
    assert "NEW 1 XY" in street("report", "vehicle", "van-1", "--contact", "-o", "-").out
    assert "NEW 1 XY" not in street("report", "vehicle", "van-1", "-o", "-").out


def test_a_contact_never_written_says_what_to_type(shop: Run) -> None:
    unknown = shop("contact", "Ada Müllerin")
    assert unknown.code == 2
    assert "roadworn contact OWNER-1 --name 'Ada Müllerin' --phone" in unknown.err
    assert "roadworn contact O-9 --phone" in shop("contact", "O-9").err


@pytest.mark.parametrize(
    ("text", "vehicle", "by"),
    [
        ("0199", "van-1", "end of the telephone"),
        ("0142", "van-2", "end of the telephone"),
        ("23 ZZ", "van-2", "part of the plate"),
        ("23x", "van-1", "part of the plate"),
    ],
)
def test_a_part_of_a_number_finds_it_and_says_by_what(
    street: Run, text: str, vehicle: str, by: str
) -> None:
    (found,) = street("find", text, "--format", "json").json()
    assert (found["vehicle_id"], found["by"], found["exact"]) == (vehicle, by, False)
