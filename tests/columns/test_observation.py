"""From when on the parts of a vehicle are watched: enrolment, an old book, years unrecorded.

The cases are the project's own rule (docs/decisions/observation.md); what they must give is
worked out by hand beside each.
"""

from typing import Any

import pytest
from builders import enrolled, reading, replaced

from roadworn.testing import event

ALTERNATOR = "electrical.alternator"


def late(made):
    """Return an event as it is written down by an import years later."""
    return made.model_copy(update={"recorded_at": "2026-06-01T12:00:00Z"})


def replace(day: str, km: float, **fields: Any):
    return replaced("a", day, ALTERNATOR, odometer=km, unit="km", **fields)


def lives(view) -> list[tuple[Any, ...]]:
    return view.sql(
        "SELECT entry_km, lower_km, failed FROM part_lives ORDER BY started_on NULLS FIRST"
    ).rows


OLD_BOOK = (
    enrolled("a", "2026-05-01", odometer=200_000, unit="km", parts="unknown"),
    replace("2019-03-01", 20_000),
    replace("2021-03-01", 80_000),
    replace("2024-03-01", 150_000),
)
INF = float("inf")


def test_an_old_book_counts_once_observation_is_set_back(view_of):
    assert lives(view_of(OLD_BOOK)) == [(50_000, 50_000, False)]
    back = event("a", "profile_change", "2026-05-02", records_since="2019-03-01")
    view = view_of([*OLD_BOOK, back])
    assert lives(view) == [
        (0, 60_000, True),
        (0, 70_000, True),
        (0, 50_000, False),
    ]
    assert view.sql("SELECT observed_on, observed_km, observed_by FROM vehicles").rows == [
        (view.sql("SELECT DATE '2019-03-01'").rows[0][0], 20_000, "records_since")
    ]


def test_the_distance_of_a_day_between_two_readings_is_interpolated(view_of):
    """31 of 61 days from 2019-03-01 to 2019-05-01, 20,000 to 26,100 km."""
    first = enrolled("a", "2026-05-01", odometer=200_000, unit="km", records_since="2019-04-01")
    events = [
        first,
        reading("a", "2019-03-01", 20_000, "km"),
        reading("a", "2019-05-01", 26_100, "km"),
    ]
    (km,) = view_of(events).sql("SELECT observed_km FROM vehicles").rows[0]
    assert km == pytest.approx(23_100)


def test_a_vehicle_that_is_seldom_seen_shows_it_by_its_later_pauses(view_of):
    """731 days to the first record: twice a later pause of 366 days are more, of 365 fewer."""
    book = late(enrolled("a", "2018-01-01", odometer=0, unit="km", parts="original"))
    for last, by in (("2021-01-02", "enrolment"), ("2021-01-01", "first_record")):
        events = [book, replace("2020-01-02", 60_000), reading("a", last, 90_000, "km")]
        assert view_of(events).sql("SELECT observed_by FROM vehicles").rows == [(by,)]


def test_once_its_enrolment_is_written_down_a_vehicle_is_watched(view_of):
    book = enrolled("a", "2018-01-01", odometer=0, unit="km", parts="original")
    events = [replace("2022-01-02", 60_000), reading("a", "2022-02-02", 61_000, "km")]
    found = "SELECT observed_by, CAST(observed_on AS VARCHAR), observed_km FROM vehicles"
    assert view_of([book, *events]).sql(found).rows == [("enrolment", "2018-01-01", 0)]
    later = book.model_copy(update={"recorded_at": "2020-01-02T12:00:00Z"})
    ((by, on, km),) = view_of([later, *events]).sql(found).rows
    # 731 of 1,462 days.
    assert (by, on, km) == ("first_record", "2020-01-02", 30_000)


@pytest.mark.parametrize(
    ("first", "parts", "said", "entry", "by"),
    [
        ("2019-07-01", "original", None, 0, "enrolment"),
        # 548 days after 2018-07-01 is 2019-12-31.
        ("2019-12-31", "original", None, 0, "enrolment"),
        ("2022-01-01", "original", None, 120_000, "first_record"),
        ("2022-01-01", "original", "2018-07-01", 0, "records_since"),
        ("2022-01-01", "unknown", None, None, "enrolment"),
    ],
)
def test_years_without_a_record_are_not_years_without_a_failure(
    view_of, first, parts, said, entry, by
):
    more = {"records_since": said} if said else {}
    book = enrolled("a", "2018-07-01", odometer=0, unit="km", parts=parts, **more)
    book = late(book)
    events = [book, reading("a", first, 120_000, "km"), replace("2022-06-01", 140_000)]
    view = view_of(events)
    assert view.sql("SELECT observed_by FROM vehicles").rows == [(by,)]
    ended = view.sql("SELECT entry_km, lower_km FROM part_lives WHERE failed").rows
    assert ended == ([] if entry is None else [(entry, 140_000)])
