"""What was offered and is not done, by hand: how often, since when, what was answered."""

from collections.abc import Callable
from datetime import date

import pytest
from builders import enrolled, found, looked, replaced, usd

from roadworn.columns.view import LedgerView
from roadworn.model.events import NewEvent
from roadworn.testing import event
from roadworn_plugins.ahead.due_now import due_now
from roadworn_plugins.shared.offers import load_offers, told_offer
from roadworn_plugins.shared.prices import Prices

Written = Callable[..., LedgerView]
CAR = enrolled("car-1", "2024-01-02", odometer=90_000, unit="mi", vehicle_class="car")
TIE_ROD = "steering.tie_rod_outer"


def numbered(n: int, made: NewEvent) -> NewEvent:
    return made.model_copy(update={"event_id": f"0190a000-0000-7000-8000-{n:012d}"})


def estimate(n: int, day: str, component: str = TIE_ROD, position: str | None = "L") -> NewEvent:
    line = {"line": 1, "component": component, "amount": usd(f"{100 + n}.00"), "safety": True}
    line |= {"position": position} if position else {}
    return numbered(n, event("car-1", "estimate", day, lines=[line]))


def answer(n: int, day: str, decision: str) -> NewEvent:
    given = [{"line": 1, "decision": decision}]
    at = f"0190a000-0000-7000-8000-{n:012d}"
    return numbered(100 + n, event("car-1", "authorisation", day, estimate=at, decisions=given))


DECLINED_THEN_DEFERRED_TWICE = [
    *(estimate(1, "2024-12-03"), answer(1, "2024-12-03", "declined")),
    *(estimate(2, "2025-05-06"), answer(2, "2025-05-08", "deferred")),
    *(estimate(3, "2025-11-18"), answer(3, "2025-11-18", "deferred")),
]
FAILED_TODAY = looked("car-1", "2026-11-20", found(TIE_ROD, "failed", "L", safety=True))
QUERY = """SELECT component, position, times, first_on, last_on, answers, last_answer,
                  CAST(amount AS DOUBLE), condition FROM offers ORDER BY component, position"""


def test_offered_three_times_and_failed_today_is_told_in_one_sentence(view_of: Written) -> None:
    view = view_of([CAR, *DECLINED_THEN_DEFERRED_TWICE, FAILED_TODAY], as_of="2026-11-20")
    first, last = date(2024, 12, 3), date(2025, 11, 18)
    answers = "declined;deferred;deferred"
    assert view.sql(QUERY).rows == [
        (TIE_ROD, "L", 3, first, last, answers, "deferred", 103.0, "failed")
    ]
    (item,) = due_now(view, Prices.load(view))
    assert item.seen == (
        "offered 3 times since 2024-12-03 (declined, deferred twice; last on 2025-11-18 "
        "at 103.00 USD); failed today"
    )
    # The finding, and each estimate with its answer.
    assert len(item.events) == 7


def test_as_of_an_earlier_day_only_what_was_known_is_told(view_of: Written) -> None:
    events = [CAR, *DECLINED_THEN_DEFERRED_TWICE, FAILED_TODAY]
    view = view_of(events, as_of="2025-06-01", known_by="occurred")
    (offer,) = load_offers(view)
    assert told_offer(offer, view.today) == (
        "offered twice since 2024-12-03 (declined, deferred; last on 2025-05-08 at 102.00 USD)"
    )


@pytest.mark.parametrize(
    ("taken", "told"),
    [
        # An answer taken back leaves an estimate that nobody answered.
        (101, "none;deferred;deferred"),
        # An estimate taken back was never offered.
        (1, "deferred;deferred"),
    ],
)
def test_what_was_taken_back_is_not_told(view_of: Written, taken: int, told: str) -> None:
    at = f"0190a000-0000-7000-8000-{taken:012d}"
    back = event("car-1", "retraction", "2026-01-05", event=at, reason="another customer")
    view = view_of([CAR, *DECLINED_THEN_DEFERRED_TWICE, back])
    assert view.sql("SELECT answers FROM offers").rows == [(told,)]


@pytest.mark.parametrize(
    ("events", "told"),
    [
        # Asked again of the same estimate months later: two offers.
        (
            [estimate(1, "2025-01-10"), answer(1, "2025-01-10", "declined"),
             numbered(900, answer(1, "2025-06-10", "deferred"))],
            "offered twice since 2025-01-10 (declined, deferred; last on 2025-06-10 at 101.00 USD)",
        ),
        # A change of mind within days is one offer with its last answer.
        (
            [estimate(1, "2025-01-10"), answer(1, "2025-01-10", "deferred"),
             numbered(900, answer(1, "2025-01-12", "declined"))],
            "offered on 2025-01-10, declined on 2025-01-12 at 101.00 USD",
        ),
        # An estimate drawn up anew is one offer.
        (
            [estimate(1, "2025-01-10"), estimate(2, "2025-01-12"),
             answer(2, "2025-01-12", "declined")],
            "offered and declined on 2025-01-12 at 102.00 USD",
        ),
        ([estimate(1, "2025-01-10")], "offered on 2025-01-10 at 101.00 USD, without an answer"),
        (
            [*DECLINED_THEN_DEFERRED_TWICE, estimate(4, "2026-02-03"),
             answer(4, "2026-02-03", "approved")],
            ("offered 4 times since 2024-12-03 (declined, deferred twice, approved; "
            "last on 2026-02-03 at 104.00 USD)"),
        ),
    ],
)  # fmt: skip
def test_what_counts_as_an_offer(view_of: Written, events: list[NewEvent], told: str) -> None:
    view = view_of([CAR, *events])
    (offer,) = load_offers(view, "car-1")
    assert told_offer(offer) == told


def test_what_was_done_since_is_no_offer_and_the_other_side_stays(view_of: Written) -> None:
    right = estimate(5, "2025-02-01", position="R")
    done = replaced("car-1", "2026-01-05", TIE_ROD, position="L")
    later = estimate(6, "2026-03-01")
    view = view_of([CAR, *DECLINED_THEN_DEFERRED_TWICE, right, done, later])
    rows = view.sql("SELECT position, times, answers FROM offers ORDER BY position").rows
    assert rows == [("L", 1, "none"), ("R", 1, "none")]


@pytest.mark.parametrize(("action", "left"), [("inspected", 1), ("adjusted", 0), ("replaced", 0)])
def test_maintenance_since_ends_an_offer_and_a_look_does_not(
    view_of: Written, action: str, left: int
) -> None:
    service = {"component": TIE_ROD, "position": "L", "action": action}
    done = event("car-1", "maintenance", "2026-01-05", **service)
    view = view_of([CAR, *DECLINED_THEN_DEFERRED_TWICE, done])
    for table in ("offers", "declined_work"):
        assert len(view.sql(f"SELECT 1 FROM {table}").rows) == left, table
    assert bool(Prices.load(view).offers) == bool(left)


def test_a_line_without_a_place_prices_the_one_finding_and_none_of_two(view_of: Written) -> None:
    offered = estimate(1, "2026-11-10", position=None)
    for sides, told in ((("L",), 101.0), (("L", "R"), None)):
        looks = looked("car-1", "2026-11-20", *(found(TIE_ROD, "failed", side) for side in sides))
        prices = Prices.load(view_of([CAR, offered, looks], as_of="2026-11-20"))
        price = prices.of(TIE_ROD, "car", "car-1", "L")
        assert (price and price.middle) == told
    # One that names the place comes first.
    exact = estimate(2, "2026-11-09", position="L")
    looks = looked("car-1", "2026-11-20", found(TIE_ROD, "failed", "L"))
    prices = Prices.load(view_of([CAR, exact, offered, looks], as_of="2026-11-20"))
    price = prices.of(TIE_ROD, "car", "car-1", "L")
    assert price is not None
    assert price.middle == 102.0


def test_an_offer_without_a_place_is_told_with_the_finding_at_one(view_of: Written) -> None:
    offered = [estimate(1, "2025-01-10", position=None), answer(1, "2025-01-10", "declined")]
    view = view_of([CAR, *offered, FAILED_TODAY], as_of="2026-11-20")
    (item,) = due_now(view, Prices.load(view))
    assert item.position == "L"
    assert item.seen == "offered and declined on 2025-01-10 at 101.00 USD; failed today"


def test_a_part_that_was_wearing_first_failed_when_it_was_found_failed(view_of: Written) -> None:
    looks = [
        looked("car-1", day, found(TIE_ROD, condition, "L"))
        for day, condition in (
            *(("2026-01-05", "wearing"), ("2026-02-05", "failed"), ("2026-03-05", "failed")),
        )
    ]
    view = view_of([CAR, *DECLINED_THEN_DEFERRED_TWICE, *looks])
    assert view.sql("SELECT first_seen_on, times_seen FROM open_findings").rows == [
        (date(2026, 2, 5), 2)
    ]
    (item,) = due_now(view, Prices.load(view))
    assert str(item.seen).endswith("; failed since 2026-02-05")
    # Once it is only wearing again the whole run counts: this condition or worse.
    view = view_of([CAR, *looks, looked("car-1", "2026-04-05", found(TIE_ROD, "wearing", "L"))])
    assert view.sql("SELECT first_seen_on FROM open_findings").rows == [(date(2026, 1, 5),)]


def test_lines_answered_in_one_act_are_each_told(view_of: Written) -> None:
    lines = [
        {"line": 1, "component": TIE_ROD, "position": "L", "amount": usd("101.00")},
        {"line": 2, "component": "cooling.radiator", "amount": usd("400.00")},
    ]
    given = [{"line": n, "decision": "declined"} for n in (1, 2)]
    made = numbered(1, event("car-1", "estimate", "2025-01-10", lines=lines))
    answered = event(
        "car-1", "authorisation", "2025-01-10", estimate=str(made.event_id), decisions=given
    )
    view = view_of([CAR, made, answered, FAILED_TODAY], as_of="2026-11-20")
    items = {item.component: item.state for item in due_now(view, Prices.load(view))}
    assert items == {TIE_ROD: "SAFETY: failed", "cooling.radiator": "declined"}
