"""Comebacks, sides of an axle and lives without length: one hand-written ledger for each case.

The cases are the project's own rule (docs/decisions/comebacks.md); what they must give is worked
out by hand beside each.
"""

from typing import Any

import pytest
from builders import enrolled, replaced

from roadworn.testing import event

ALTERNATOR = "electrical.alternator"
ROTOR = "brake.rotor"
INF = float("inf")


def enrol(vehicle: str = "a", **fields: Any):
    fields.setdefault("vehicle_class", "car")
    return enrolled(vehicle, "2024-01-01", odometer=50_000, unit="km", **fields)


def replace(day: str, km: float | None, component: str = ALTERNATOR, **fields: Any):
    return replaced("a", day, component, odometer=km, unit="km", **fields)


def reading(day: str, km: float):
    return event("a", "odometer_reading", day, odometer=km, unit="km")


def known(made, number: int):
    """Return an event with an id of its own, that others can name."""
    return made.model_copy(update={"event_id": f"{number:08x}-0000-7000-8000-000000000000"})


def paid(amount: str) -> dict[str, Any]:
    return {"parts_cost": {"amount": amount, "currency": "USD"}}


def rows(view, query: str) -> list[tuple[Any, ...]]:
    return view.sql(query).rows


LIVES = """SELECT position, entry_km, lower_km, upper_km, failed FROM part_lives
           ORDER BY position, started_on NULLS FIRST, started_by NULLS FIRST"""
OUT = "SELECT position, why FROM part_lives_left_out ORDER BY ALL"
BACK = """SELECT component, position, age_km, age_days, named, because, cause, left_out
          FROM comebacks ORDER BY occurred_on, component"""


def test_what_fails_again_after_three_days_is_a_comeback_and_no_life(view_of):
    first = known(replace("2024-05-01", 60_000, supplier="Quayside Parts"), 1)
    first = first.model_copy(update={"recorded_by": "bo"})
    again = known(replace("2024-05-04", 60_040, **paid("120.00")), 2)
    view = view_of([enrol(), first, again, reading("2026-06-01", 90_000)])
    assert rows(view, LIVES) == [(None, 0, 0 + 29_960, INF, False)]
    assert rows(view, OUT) == [
        (None, "came back"),
        (None, "fitted before enrolment, age unknown"),
    ]
    assert rows(view, BACK) == [(ALTERNATOR, None, 40, 3, False, "window", "unknown", True)]
    told = rows(
        view,
        """SELECT vehicle_id, vehicle_class, event_id, of_event, of_kind, supplier, fitted_by,
                  paid, currency, true_km FROM comebacks""",
    )
    assert [(*row[:7], float(row[7]), *row[8:]) for row in told] == [
        ("a", "car", again.event_id, first.event_id, "replacement", "Quayside Parts", "bo",
         120.0, "USD", 60_040)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("day", "km", "reason", "back"),
    [
        ("2024-07-30", 65_000, "failed", True),  # 90 days and 5,000 km after, the last of both
        ("2024-07-31", 65_000, "failed", False),
        ("2024-07-30", 65_001, "failed", False),
        ("2024-07-30", None, "worn_out", True),
        ("2024-05-20", 60_000, "failed", True),  # another day at the same figure
        ("2024-05-20", 61_000, "preventive", False),
        ("2024-05-20", 61_000, "unknown", False),
    ],
)
def test_the_window_is_of_days_and_of_distance(view_of, day, km, reason, back):
    events = [enrol(), replace("2024-05-01", 60_000), replace(day, km, reason=reason)]
    view = view_of(events, comeback_days=90, comeback_km=5_000)
    assert len(rows(view, BACK)) == back
    assert ((None, "came back") in rows(view, OUT)) == back


@pytest.mark.parametrize(
    ("price", "reason", "back"),
    [("0.00", "failed", True), ("90.00", "failed", False), ("0.00", "worn_out", False)],
)
def test_free_within_its_warranty_is_a_comeback_and_a_warranty_alone_is_none(
    view_of, price, reason, back
):
    warranted = {"warranty_months": 24, **paid("300.00")}
    first = replace("2024-05-01", 60_000, **warranted)
    view = view_of([enrol(), first, replace("2025-08-01", 90_000, reason=reason, **paid(price))])
    assert [row[5] for row in rows(view, BACK)] == ["warranty"] * back
    # A day after the last one, and where the first was entered without a price as well.
    for start, end in ((first, "2026-05-02"), (replace("2024-05-01", 60_000), "2025-08-01")):
        late = replace(end, 90_000, reason=reason, **paid(price))
        assert rows(view_of([enrol(), start, late]), BACK) == []


def test_a_named_comeback_counts_whatever_lies_between(view_of):
    first = known(replace("2024-05-01", 60_000), 1)
    again = replace("2025-05-01", 90_000, comeback_of=first.event_id, comeback_cause="workmanship")
    view = view_of([enrol(), first, again])
    assert rows(view, BACK) == [(ALTERNATOR, None, 30_000, 365, True, "named", "workmanship", True)]


def test_a_part_that_comes_back_on_a_repair_has_lived_its_own_life(view_of):
    mended = known(
        event("a", "repair", "2025-04-20", component=ALTERNATOR, odometer=89_000, unit="km"), 7
    )
    first = replace("2024-05-01", 60_000)
    again = replace("2025-05-01", 90_000, comeback_of=mended.event_id)
    view = view_of([enrol(), first, mended, again])
    assert (None, 0, 30_000, 30_000, True) in rows(view, LIVES)
    assert rows(view, BACK) == [(ALTERNATOR, None, 1_000, 11, True, "named", "unknown", False)]


def test_a_part_broken_by_work_on_another_had_not_failed_by_itself(view_of):
    belt = known(replace("2025-04-20", 89_000, "engine.timing_belt", reason="preventive"), 7)
    first = replace("2024-05-01", 60_000)
    again = replace("2025-05-01", 90_000, comeback_of=belt.event_id)
    view = view_of([enrol(), first, belt, again])
    found = rows(
        view,
        f"""SELECT lower_km, upper_km, censored_because FROM part_lives
            WHERE component = '{ALTERNATOR}' AND NOT running AND lower_km > 0""",
    )
    assert found == [(30_000, INF, "came back on other work")]
    assert [row[0] for row in rows(view, BACK)] == [ALTERNATOR]


def test_a_repair_that_names_what_it_came_back_on_ends_no_life(view_of):
    first = known(replace("2024-05-01", 60_000), 1)
    tightened = event(
        "a",
        "repair",
        "2024-05-10",
        odometer=60_500,
        unit="km",
        component=ALTERNATOR,
        comeback_of=first.event_id,
        comeback_cause="workmanship",
    )
    view = view_of([enrol(), first, tightened, reading("2026-06-01", 90_000)])
    assert rows(view, LIVES) == [(None, 0, 30_000, INF, False)]
    assert rows(view, BACK) == [(ALTERNATOR, None, 500, 9, True, "named", "workmanship", False)]


def test_without_a_place_nobody_can_tell_a_comeback_from_the_next_one(view_of):
    coil = "ignition.coil"
    events = [enrol(), replace("2024-05-01", 60_000, coil), replace("2024-05-20", 61_000, coil)]
    view = view_of(events)
    assert rows(view, BACK) == []
    assert (None, "soon again, place not given") in rows(view, OUT)


def test_sides_of_an_axle_done_apart_are_lives_of_their_own(view_of):
    events = [
        enrol(parts="original"),
        replace("2025-05-01", 100_000, ROTOR, position="LF"),
        replace("2025-05-04", 100_150, ROTOR, position="RF"),
        reading("2026-06-01", 120_000),
    ]
    assert rows(view_of(events), LIVES) == [
        ("LF", 50_000, 100_000, 100_000, True),
        ("LF", 0, 20_000, INF, False),
        ("RF", 50_000, 100_150, 100_150, True),
        ("RF", 0, 19_850, INF, False),
    ]


def test_a_job_at_one_side_ends_the_life_of_that_side_only(view_of):
    """Front, LF alone, front again: the front job closes both sides."""
    events = [
        enrol(),
        replace("2024-05-01", 60_000, ROTOR, position="front"),
        replace("2025-05-01", 80_000, ROTOR, position="LF"),
        replace("2026-05-01", 95_000, ROTOR, position="front"),
        reading("2026-06-01", 96_000),
    ]
    view = view_of(events)
    assert rows(view, LIVES) == [
        ("LF", 0, 20_000, 20_000, True),
        ("LF", 0, 15_000, 15_000, True),
        ("RF", 0, 35_000, 35_000, True),
        ("front", 0, 1_000, INF, False),
    ]


def test_a_life_without_distance_or_time_is_left_out(view_of):
    events = [enrol(), replace("2024-05-01", 60_000), replace("2024-05-01", None)]
    events[2] = events[2].model_copy(
        update={"payload": {**events[2].payload, "reason": "preventive"}}
    )
    view = view_of([*events, reading("2026-06-01", 90_000)])
    assert (None, "neither distance nor time between its ends") in rows(view, OUT)
    assert rows(view, LIVES) == [(None, 0, 30_000, INF, False)]
