"""What is only odd is written down and said at once; what cannot be is refused.

The sentences are common practice, no source; the bound on a day's distance is the read model's.
"""

from collections.abc import Callable

import pytest
from commandline import Run

from roadworn.checks.odd import MOST_KM_PER_DAY
from roadworn.columns.view import MOST_KM_PER_DAY as BOUND_OF_THE_VIEW

History = Callable[[], list[dict[str, object]]]


def test_the_bound_is_the_one_of_the_read_model() -> None:
    assert MOST_KM_PER_DAY == BOUND_OF_THE_VIEW


@pytest.mark.parametrize(
    ("figure", "on", "said"),
    [
        ("142.300 km", "2026-05-02", "Did the dot mark thousands?"),
        ("142.300 km", "2026-05-02", "odometer='142,300 km'"),
        ("5,000,000 mi", "2026-05-02", "further than vehicles go"),
        ("90,000 mi", "2026-05-02", "than a vehicle goes in 1 day. It is kept and flagged."),
        ("90,000 km", "2026-05-02", "lower than the last reading, 61,000 mi"),
        # 61,050 mi = 98,250 km: a figure off by the factor 1.6 was read in the other unit.
        ("98,250 mi", "2026-05-02", "It would fit as 98,250 km."),
        ("61,050 km", "2026-05-02", "It would fit as 61,050 mi."),
    ],
)
def test_an_unlikely_figure_is_kept_and_said(
    shop: Run, history: History, figure: str, on: str, said: str
) -> None:
    done = shop("record", "reading", "bus-7", figure, "--on", on, "--sure")
    assert done.code == 0
    assert said in done.err
    assert f"roadworn correct {done.event}" in done.err
    assert len(history()) == 2


def test_a_roll_over_is_said_as_one(shop: Run) -> None:
    """49 CFR 580.5(e): a reading may exceed the mechanical limits; five digits end at 99,999."""
    shop("record", "reading", "bus-7", "99,900 mi", "--on", "2026-08-02")
    lower = shop("record", "reading", "bus-7", "400 mi", "--on", "2026-09-01")
    assert "roadworn record profile bus-7 --odometer-digits 5" in lower.err
    assert lower.code == 1
    shop("record", "reading", "bus-7", "400 mi", "--on", "2026-09-01", "--sure")
    shop("record", "profile", "bus-7", "--odometer-digits", "5")
    rolled = shop("record", "reading", "bus-7", "450 mi", "--on", "2026-09-02")
    assert rolled.err == ""
    shop(
        "enrol", "bus-8", "--odometer", "99,000 mi", "--odometer-digits", "5", "--on", "2026-05-01"
    )
    said = shop("record", "reading", "bus-8", "00,300 mi", "--on", "2026-06-01").err
    assert "Taken as rolled over past 99,999 mi" in said
    assert "lower" not in said


def test_likely_figures_are_taken_without_a_word(shop: Run) -> None:
    for figure, on in (("61,100 mi", "2026-05-02"), ("98,400 km", "2026-05-03")):
        assert shop("record", "reading", "bus-7", figure, "--on", on).err == ""


def test_a_unit_that_is_not_the_vehicles_usual_one_is_said(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_UNIT", "km")
    other = shop("record", "reading", "bus-7", "98,700")
    assert "98,700 was taken as km, while this vehicle is mostly read in mi" in other.err
    assert shop("record", "reading", "bus-7", "98,710 km").err == ""


@pytest.mark.parametrize(
    ("on", "said"),
    [
        ("1970-01-01", "before its model year 2014"),
        ("2012-12-31", "before its model year 2014"),
        ("2013-01-01", ""),
    ],
)
def test_a_day_before_the_vehicle_was_is_said(shop: Run, on: str, said: str) -> None:
    done = shop("record", "inspection", "bus-7", "horn sound", "--on", on, "--sure")
    assert done.code == 0
    assert said in done.err
    assert bool(done.err) == bool(said)


def test_a_day_before_service_and_a_day_long_ago_are_said(shop: Run) -> None:
    shop("record", "profile", "bus-7", "--in-service", "2014-06-01")
    early = shop("record", "inspection", "bus-7", "horn sound", "--on", "2014-05-31")
    assert "before the vehicle came into service on 2014-06-01" in early.err
    shop("enrol", "old-1")
    assert "before 1980" in shop("record", "inspection", "old-1", "horn sound", "--on",
                                 "1969-07-20").err  # fmt: skip


def test_the_old_figure_of_an_exchange_is_compared(shop: Run) -> None:
    words = ["record", "exchange", "bus-7", "--new", "0 mi", "--on", "2026-05-02", "--old"]
    assert "lower than the last reading" in shop(*words, "6,100 mi").err
    far = shop(*words, "610,000 mi", "--sure")
    assert "further from the last reading" in far.err
    assert shop("correct", far.event, "old=61,050").code == 0


def test_the_same_maintenance_twice_on_one_day_is_said(shop: Run) -> None:
    words = ["record", "maintenance", "bus-7", "engine oil", "--on"]
    first = shop(*words, "2026-05-02")
    assert first.err == ""
    again = shop(*words, "2026-05-02")
    assert again.code == 0
    assert f"already, as event {first.event}" in again.err
    assert f"roadworn retract {again.event}" in again.err
    assert shop(*words, "2026-05-03").err == ""


def test_an_owner_reference_is_no_name(shop: Run, history: History) -> None:
    for words in (
        ["enrol", "van-1", "--owner", "Orla Venn 555 0100"],
        ["record", "profile", "bus-7", "--owner", "Orla Venn"],
        ["correct", str(history()[0]["event_id"]), "owner=Orla Venn"],
    ):
        refused = shop(*words)
        assert refused.code == 2
        assert "roadworn contact OWNER-12 --name" in refused.err
    assert len(history()) == 1
    assert shop("enrol", "van-1", "--owner", "OWNER-12").code == 0


def test_a_number_in_a_note_is_said_to_stay(shop: Run) -> None:
    words = ["record", "inspection", "bus-7", "horn sound", "--note", "ring 555 0100 first"]
    done = shop(*words, "--sure")
    assert done.code == 0
    assert "permanent" in done.err
    assert "roadworn contact" in done.err
    assert shop("record", "inspection", "bus-7", "horn sound", "--note", "at 61,250 mi").err == ""


def test_findings_are_parted_by_semicolons(shop: Run, history: History) -> None:
    done = shop(
        "record", "inspection", "bus-7",
        "tire LF 4/32 in failed; brake pads front 3 mm wearing", "horn sound;",
    )  # fmt: skip
    assert done.code == 0, done.err
    payload = history()[-1]["payload"]
    assert isinstance(payload, dict)
    assert [f["condition"] for f in payload["findings"]] == ["failed", "wearing", "sound"]
    assert [f["component"] for f in payload["findings"][:2]] == ["wheel.tire", "brake.pad"]
    # Without a semicolon the second finding is parted too, and never folded into the first.
    assert (
        shop("record", "inspection", "bus-7", "tire LF failed brake pads front wearing").code == 0
    )
    parted = history()[-1]["payload"]
    assert isinstance(parted, dict)
    assert [f["condition"] for f in parted["findings"]] == ["failed", "wearing"]


def test_all_bad_findings_are_said_at_once(shop: Run, history: History) -> None:
    done = shop("record", "inspection", "bus-7", "flux thing failed", "horn sound", "tire LF 3")
    assert done.code == 2
    assert "flux thing" in done.err
    assert "no unit" in done.err or "no condition" in done.err
    assert "2 of 3 findings cannot be read" in done.err
    assert len(history()) == 1


@pytest.mark.parametrize(
    "findings",
    [
        ["brake pads front 3 mm wearing", "brake pads front failed"],
        ["tire LF 4/32 in sound; tire LF 5/32 in sound"],
    ],
)
def test_one_place_has_one_condition(shop: Run, history: History, findings: list[str]) -> None:
    refused = shop("record", "inspection", "bus-7", *findings)
    assert refused.code == 2
    assert "given twice and differently" in refused.err
    assert len(history()) == 1


def test_two_figures_with_two_notes_are_two_facts(shop: Run) -> None:
    done = shop("record", "inspection", "bus-7", "brake pads LF 5 mm sound outer",
                "brake pads LF 6 mm sound inner")  # fmt: skip
    assert done.code == 0, done.err


def test_a_huge_note_is_kept_whole_and_shown_cut(shop: Run, history: History) -> None:
    note = "x" * 100_000
    done = shop("record", "inspection", "bus-7", "horn sound", "--note", note)
    assert done.code == 0
    assert "… (100,000 characters)" in done.out
    assert len(done.out) < 1_000
    assert history()[-1]["payload"]["note"] == note  # type: ignore[index]
    table = shop("history", "bus-7").out
    assert "… (100,000 characters)" in table
    assert len(table) < 2_000
    # Wrapped to the width of the screen, every character of it.
    assert note in "".join(shop("history", "bus-7", "--wide").out.split())


def test_declined_work_is_listed_with_its_price_then(shop: Run) -> None:
    lines = ["brake pads front, new pads 1180.00", "wiper blades 24"]
    shop("record", "estimate", "bus-7", *lines, "--currency", "USD", "--on", "2026-05-02")
    shop("record", "authorisation", "bus-7", "last", "1=declined", "2=approved", "--on",
         "2026-05-03")  # fmt: skip
    told = shop("history", "bus-7", "--declined")
    assert told.code == 0, told.err
    (line,) = [row for row in told.out.splitlines() if "declined" in row]
    assert "2026-05-03" in line
    assert "1,180.00 USD" in line
    assert "disc brake pads front" in line
    rows = shop("history", "bus-7", "--declined", "--format", "json").json()
    assert isinstance(rows, list)
    assert [row["component"] for row in rows] == ["brake.pad"]
    shop("record", "replacement", "bus-7", "brake pads front", "--reason", "worn out", "--on",
         "2026-05-04")  # fmt: skip
    assert "nothing that bus-7" in shop("history", "bus-7", "--declined").err
    assert shop("history", "bus-7", "--declined", "--kind", "scan").code == 2
