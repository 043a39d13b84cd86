"""Which events count: retractions, corrections, and what was known as of a day."""

from functools import partial
from typing import Any

from builders import enrolled
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.events import Amendment, taken_back
from roadworn.testing import event

A, B, C, D = (f"0190a000-0000-7000-8000-00000000000{i}" for i in range(1, 5))
enrol = partial(enrolled, "bus-1", odometer=10, unit="km")


def made(event_id: str, day: str, kind: str = "complaint", **fields: Any):
    if kind == "complaint":
        fields.setdefault("complaint", "it hums")
    return event("bus-1", kind, day, **fields).model_copy(update={"event_id": event_id})


def counted(view) -> list[str]:
    return [row[0] for row in view.sql("SELECT event_id FROM complaints ORDER BY seq").rows]


def test_a_retracted_event_does_not_count_and_names_what_took_it_back(view_of):
    taken = made(B, "2026-02-02", "retraction", event=A, reason="wrong vehicle")
    view = view_of([enrol(), made(A, "2026-02-01"), taken])
    assert counted(view) == []
    rows = view.sql("SELECT effective, retracted_by FROM events WHERE kind = 'complaint'").rows
    assert rows == [(False, B)]
    assert view.sql("SELECT count(*) FROM effective_events").rows == [(2,)]
    assert view.sql("SELECT event, reason FROM retractions").rows == [(A, "wrong vehicle")]


def test_a_retraction_may_itself_be_retracted(view_of):
    view = view_of(
        [
            enrol(),
            made(A, "2026-02-01"),
            made(B, "2026-02-02", "retraction", event=A, reason="wrong"),
            made(C, "2026-02-03", "retraction", event=B, reason="right after all"),
        ]
    )
    assert counted(view) == [A]


def test_a_correction_stands_for_what_it_replaces(view_of):
    first, second = made(A, "2026-02-01"), made(B, "2026-02-01", replaces=A, complaint="it hisses")
    assert counted(view_of([enrol(), first, second])) == [B]
    third = made(C, "2026-02-01", replaces=B, complaint="it howls")
    assert counted(view_of([enrol(), first, second, third])) == [C]
    back = made(D, "2026-02-03", "retraction", event=B, reason="it does hum")
    assert counted(view_of([enrol(), first, second, back])) == [A]


def test_as_of_goes_by_what_had_happened_and_was_written_down(view_of):
    late = event(
        "bus-1", "complaint", "2026-02-01", recorded_at="2026-04-01T08:00:00Z", complaint="late"
    )
    events = [enrol(), late]
    number = "SELECT count(*) FROM complaints"
    assert view_of(events, as_of="2026-03-01").sql(number).rows == [(0,)]
    assert view_of(events, as_of="2026-03-01", known_by="occurred").sql(number).rows == [(1,)]
    assert view_of(events, as_of="2026-04-01").sql(number).rows == [(1,)]
    assert view_of(events, as_of="2026-01-31", known_by="occurred").sql(number).rows == [(0,)]


def test_a_retraction_counts_by_its_own_date(view_of):
    taken = made(B, "2026-03-02", "retraction", event=A, reason="wrong")
    events = [enrol(), made(A, "2026-02-01"), taken]
    for known_by in ("recorded", "occurred"):
        assert counted(view_of(events, as_of="2026-03-01", known_by=known_by)) == [A]
        assert counted(view_of(events, as_of="2026-03-02", known_by=known_by)) == []


def test_profile_changes_apply_in_the_order_they_happened(view_of):
    view = view_of(
        [
            event("bus-1", "enrolment", "2026-01-01", make="Alder", model="Tern", duty="school"),
            event("bus-1", "profile_change", "2026-03-01", duty="hire"),
            event("bus-1", "profile_change", "2026-02-01", duty="town", label="Old Bess"),
        ]
    )
    rows = view.sql("SELECT vehicle_class, duty, label, parts FROM vehicles").rows
    assert rows == [("Alder Tern", "hire", "Old Bess", "unknown")]


def test_a_vehicle_that_comes_back_is_no_longer_retired(view_of):
    gone = event("bus-1", "retirement", "2026-02-01", reason="returned")
    back = event("bus-1", "enrolment", "2026-03-01")
    assert view_of([enrol(), gone]).sql("SELECT retirement_reason FROM vehicles").rows == [
        ("returned",)
    ]
    assert view_of([enrol(), gone, back]).sql("SELECT retired_on FROM vehicles").rows == [(None,)]


@given(st.lists(st.tuples(st.integers(0, 30), st.booleans()), max_size=30))
def test_an_event_named_by_nothing_always_counts(named):
    amendments = [
        Amendment(seq, f"e{seq}", f"e{target % seq}", retracts)
        for seq, (target, retracts) in enumerate(named, start=1)
    ]
    back = taken_back(amendments)
    assert set(back) <= {amendment.target for amendment in amendments}
    by_id = {amendment.event_id: amendment for amendment in amendments}
    for target, by in back.items():
        assert by_id[by].target == target
        # A retraction that does not count takes nothing back.
        assert by not in back or not by_id[by].retracts
