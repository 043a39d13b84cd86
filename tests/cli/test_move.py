"""An entry written for the wrong vehicle is put to the right one, its figure doubted there."""

from commandline import Run


def kinds(shop: Run, vehicle: str) -> list[object]:
    rows = shop("history", vehicle, "--format", "json").json()
    return [row["kind"] for row in rows if row["effective"] and row["kind"] != "retraction"]


def other(shop: Run) -> None:
    made = shop("enrol", "van-2", "--odometer", "9,000 mi", "--on", "2026-01-02")
    assert made.code == 0, made.err


def test_it_stands_at_the_other_vehicle_alone(shop: Run) -> None:
    other(shop)
    shop("record", "maintenance", "bus-7", "engine oil", "--on", "2026-05-04", "--by", "AB")
    asked = shop("move", "last", "VAN-2")
    assert asked.code == 1
    assert "is an entry of bus-7" in asked.err
    assert "roadworn move last bus-7 van-2" in asked.err
    assert kinds(shop, "van-2") == ["enrolment"]
    moved = shop("move", "last", "bus-7", "VAN-2")
    assert moved.code == 0, moved.err
    assert "(was at bus-7)" in moved.out
    assert kinds(shop, "bus-7") == ["enrolment"]
    assert kinds(shop, "van-2") == ["enrolment", "maintenance"]
    back = shop("move", "last", "bus-7", "--sure")
    assert back.code == 0
    assert kinds(shop, "bus-7") == ["enrolment", "maintenance"]
    assert kinds(shop, "van-2") == ["enrolment"]
    assert not shop("verify", "--format", "json").json()["problems"]


def test_the_odometer_is_doubted_before_anything_is_written(shop: Run) -> None:
    other(shop)
    shop("record", "repair", "bus-7", "horn", "-o", "61,400 mi", "--on", "2026-05-04")
    shop("record", "reading", "van-2", "9,100 mi", "--on", "2026-05-05")
    doubted = shop("move", shop("history", "bus-7", "--format", "json").json()[-1]["event_id"],
                   "van-2")  # fmt: skip
    assert doubted.code == 1
    assert "--sure" in doubted.err
    assert kinds(shop, "van-2") == ["enrolment", "odometer_reading"]
    assert kinds(shop, "bus-7") == ["enrolment", "repair"]


def test_what_it_had_replaced_does_not_come_back(shop: Run) -> None:
    other(shop)
    shop("record", "maintenance", "bus-7", "engine oil", "--on", "2026-05-04")
    shop("correct", "last", "bus-7", "on=2026-05-03")
    assert shop("move", "last", "bus-7", "van-2").code == 0
    assert kinds(shop, "bus-7") == ["enrolment"]


def test_an_estimate_takes_its_answers_along(shop: Run) -> None:
    other(shop)
    made = shop("record", "estimate", "bus-7", "brake pads front 200 USD", "--on", "2026-05-04")
    assert made.code == 0, made.err
    assert (
        shop("record", "authorisation", "bus-7", "last", "1=approved", "--on", "2026-05-05").code
        == 0
    )
    assert shop("move", made.event, "van-2").code == 0
    assert kinds(shop, "van-2") == ["enrolment", "estimate", "authorisation"]
    assert kinds(shop, "bus-7") == ["enrolment"]


def test_what_stays(shop: Run) -> None:
    other(shop)
    enrolment = shop("history", "bus-7", "--format", "json").json()[0]["event_id"]
    assert shop("move", enrolment, "van-2").code == 3
    shop("record", "maintenance", "bus-7", "engine oil", "--on", "2026-05-04")
    assert "already" in shop("move", "last", "bus-7", "bus-7").err
    assert shop("move", "last", "van-3").code == 2
    assert shop("move", "last", "bus-7", "van-2", "van-2").code == 2
    assert "roadworn move" in shop("correct", "last", "bus-7", "vehicle=van-2").err
    shop("retract", "last", "bus-7")
    assert shop("move", "last", "bus-7", "van-2").code == 3
    again = shop("history", "bus-7", "--format", "json").json()[1]["event_id"]
    assert shop("move", again, "van-2").code == 3


def test_undo_of_a_move_names_the_way_back(shop: Run) -> None:
    other(shop)
    shop("record", "maintenance", "bus-7", "engine oil", "--on", "2026-05-04")
    shop("move", "last", "bus-7", "van-2")
    refused = shop("undo", "--yes")
    assert refused.code == 3
    assert "roadworn move" in refused.err
