"""What was approved and not done, and tests that work asked for, as an office asks for them."""

import pytest

from roadworn.testing import event

USD = "USD"
IDS = "0190a1b2-c3d4-7000-8000-0000000000{:02d}"


def line(number, component, position=None, **more):
    made = {"line": number, "component": component, "amount": {"amount": "90.00", "currency": USD}}
    return {**made, **({"position": position} if position else {}), **more}


def named(number, *words, **fields):
    return event("bus-7", *words, **fields).model_copy(update={"event_id": IDS.format(number)})


def answers(*decisions):
    return [{"line": number, "decision": word} for number, word in enumerate(decisions, start=1)]


START = (
    event("bus-7", "enrolment", "2026-01-01", odometer=1_000.0),
    named(
        1,
        "estimate",
        "2026-02-01",
        lines=[
            line(1, "brake.pad", "front"),
            line(2, "electrical.battery"),
            line(3, "engine.oil"),
            line(4, "wheel.tire", "LF"),
        ],
    ),
    named(
        2,
        "authorisation",
        "2026-02-02",
        estimate=IDS.format(1),
        decisions=answers("approved", "approved", "approved", "declined"),
    ),
)


def open_lines(view):
    return view.sql(
        "SELECT line, component FROM approved_lines WHERE done_on IS NULL ORDER BY line"
    ).rows


def test_approved_lines_are_open_until_work_for_them_is_written_down(view_of):
    assert open_lines(view_of(list(START))) == [
        (1, "brake.pad"),
        (2, "electrical.battery"),
        (3, "engine.oil"),
    ]
    by_line = {"estimate": IDS.format(1), "estimate_line": 2}
    done = [
        # By its line, though another place is named; by its place, where it names no estimate.
        event(
            "bus-7", "replacement", "2026-02-03", component="electrical.battery",
            position="auxiliary", reason="failed", **by_line,
        ),
        event("bus-7", "maintenance", "2026-02-03", component="engine.oil"),
        # A look at the pads is no work on them, and work before the estimate is none for it.
        event("bus-7", "maintenance", "2026-02-03", component="brake.pad", action="inspected"),
        event("bus-7", "replacement", "2026-01-20", component="brake.pad", reason="worn_out"),
    ]  # fmt: skip
    view = view_of([*START, *done])
    assert open_lines(view) == [(1, "brake.pad")]
    rows = view.sql("SELECT line, CAST(done_on AS VARCHAR) FROM approved_lines ORDER BY line").rows
    assert rows == [(1, None), (2, "2026-02-03"), (3, "2026-02-03")]


def test_a_revision_takes_the_place_of_what_was_not_done(view_of):
    revision = named(
        3,
        "estimate",
        "2026-02-04",
        revises=IDS.format(1),
        lines=[
            line(1, "brake.pad", "front", as_in=IDS.format(1), as_line=1),
            line(2, "brake.rotor", "front"),
        ],
    )
    assert open_lines(view_of([*START, revision])) == [(1, "brake.pad")]
    no = event(
        "bus-7",
        "authorisation",
        "2026-02-05",
        estimate=IDS.format(3),
        decisions=answers("declined", "approved"),
    )
    assert open_lines(view_of([*START, revision, no])) == [(2, "brake.rotor")]


def test_a_revised_or_repeated_line_is_offered_once(view_of):
    revision = named(
        3,
        "estimate",
        "2026-03-20",
        revises=IDS.format(1),
        lines=[line(1, "brake.pad", "front", as_in=IDS.format(1), as_line=1)],
    )
    rows = view_of([*START, revision]).sql("SELECT component, times FROM offers").rows
    assert ("brake.pad", 1) in rows


def test_a_test_stays_open_until_it_was_made_and_passed(view_of):
    asks = ["test_drive", "wheel_torque"]
    work = [
        event("bus-7", "enrolment", "2026-01-01"),
        event("bus-7", "repair", "2026-02-01", component="steering.rack", tests=asks),
        event("bus-7", "repair", "2026-02-02", component="brake.caliper", tests=asks[:1]),
    ]
    sql = "SELECT test, component, failed_on IS NOT NULL FROM open_tests ORDER BY test"
    assert view_of(work).sql(sql).rows == [
        ("test_drive", "brake.caliper", False),
        ("wheel_torque", "steering.rack", False),
    ]
    failed = event("bus-7", "work_test", "2026-02-02", test="test_drive", result="failed")
    assert view_of([*work, failed]).sql(sql).rows[0] == ("test_drive", None, True)
    passed = event("bus-7", "work_test", "2026-02-03", test="test_drive", result="passed")
    assert view_of([*work, failed, passed]).sql(sql).rows == [
        ("wheel_torque", "steering.rack", False)
    ]


@pytest.mark.parametrize(("order", "left"), [("test work", 1), ("work test", 0)])
def test_of_one_day_a_test_before_the_work_says_nothing_of_it(view_of, order, left):
    made = {
        "work": event("bus-7", "repair", "2026-02-01", component="brake.caliper",
                      tests=["test_drive"]),
        "test": event("bus-7", "work_test", "2026-02-01", test="test_drive", result="passed"),
    }  # fmt: skip
    told = [event("bus-7", "enrolment", "2026-01-01"), *(made[word] for word in order.split())]
    assert len(view_of(told).sql("SELECT test FROM open_tests").rows) == left
