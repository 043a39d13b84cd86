"""Whom to call, by hand: what was put off, what falls due, and in which order."""

from collections.abc import Callable
from datetime import date

from builders import enrolled, found, looked, usd

from roadworn.analysis import Holds, Mark, Table
from roadworn.columns.view import LedgerView
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event
from roadworn_plugins.to_call import CALL_LIST, CallListSettings, run

Written = Callable[..., LedgerView]
DAY = "2026-06-30"


def estimate(vehicle: str, n: int, component: str, amount: str, answer: str) -> list[NewEvent]:
    at = f"0190a000-0000-7000-8000-{n:012d}"
    line = {"line": 1, "component": component, "amount": usd(amount)}
    offer = event(vehicle, "estimate", "2026-05-01", lines=[line])
    made = [offer.model_copy(update={"event_id": at})]
    if answer:
        given = [{"line": 1, "decision": answer}]
        made.append(event(vehicle, "authorisation", "2026-05-02", estimate=at, decisions=given))
    return made


def car(vehicle: str) -> NewEvent:
    return enrolled(vehicle, "2024-01-02", odometer=90_000, unit="mi", vehicle_class="car")


def listed(view: LedgerView, **settings: object) -> Table:
    table = run(view, CallListSettings(**settings)).holding(Holds.TO_CALL)
    assert table is not None
    return table


def test_what_can_hurt_comes_first_and_then_the_money(view_of: Written) -> None:
    view = view_of(
        [
            *map(car, ("a", "b", "c", "d")),
            *estimate("a", 1, "electrical.starter", "429.00", "deferred"),
            *estimate("a", 2, "hvac.cabin_filter", "60.00", "declined"),
            *estimate("b", 3, "electrical.starter", "800.00", "declined"),
            *estimate("c", 4, "steering.tie_rod_outer", "140.00", "declined"),
            looked("c", "2026-06-01", found("steering.tie_rod_outer", "failed", safety=True)),
            *estimate("d", 5, "electrical.starter", "900.00", "approved"),
        ],
        as_of=DAY,
    )
    table = listed(view)
    assert [row["vehicle"] for row in table.records()] == ["c", "b", "a", "a"]
    assert [Mark.SAFETY in marks for marks in table.marks] == [True, False, False, False]
    assert [row["price"] for row in table.records()] == [140.0, 800.0, 429.0, 60.0]
    assert table.records()[0]["say"] == (
        "offered on 2026-05-01, declined on 2026-05-02 at 140.00 USD; failed since 2026-06-01"
    )


def test_an_offer_of_today_is_still_being_thought_of(view_of: Written) -> None:
    events = [car("a"), *estimate("a", 1, "electrical.starter", "429.00", "")]
    assert listed(view_of(events, as_of="2026-05-01")).rows == ()
    (row,) = listed(view_of(events, as_of="2026-05-02")).records()
    assert row["why"] == "no answer"
    answered = [car("a"), *estimate("a", 1, "electrical.starter", "429.00", "deferred")]
    today = run(view_of(answered, as_of="2026-05-02"), CallListSettings())
    assert "1 answer or offer of today is left out until tomorrow." in map(str, today.caveats)
    assert "no work of before today" in str(today.headline)
    assert listed(view_of(answered, as_of="2026-05-02")).rows == ()
    assert len(listed(view_of(answered, as_of="2026-05-03")).rows) == 1


def test_services_and_inspections_of_the_month_ahead(view_of: Written) -> None:
    due = event(
        "a", "inspection_result", "2025-07-20",
        inspection="safety", result="pass", due_date="2026-07-20",
    )  # fmt: skip
    filter_ = event("a", "maintenance", "2025-01-10", component="hvac.cabin_filter")
    view = view_of([car("a"), due, filter_], as_of=DAY)
    rows = listed(view).records()
    assert {(row["component"], row["why"], row["due"]) for row in rows} >= {
        ("", "inspection", date(2026, 7, 20)),
        ("hvac.cabin_filter", "due soon", date(2026, 7, 10)),
    }
    assert any(row["say"] == "the safety inspection runs out on 2026-07-20" for row in rows)
    assert not any(row["why"] == "inspection" for row in listed(view, months=0.5).records())
    later = view_of([car("a"), due, filter_], as_of="2026-08-01")
    assert any(
        row["say"] == "the safety inspection ran out on 2026-07-20"
        for row in listed(later).records()
    )


def test_who_has_left_is_not_called(view_of: Written) -> None:
    sold = event("a", "retirement", "2026-06-01", reason="sold")
    view = view_of([car("a"), *estimate("a", 1, "electrical.starter", "9.00", "declined"), sold])
    assert listed(view).rows == ()
    assert "Nobody to call" in run(view, CallListSettings()).headline


def test_it_holds_to_what_every_host_relies_on(view_of: Written) -> None:
    view = view_of([car("a"), *estimate("a", 1, "electrical.starter", "9.00", "declined")])
    check_analysis(CALL_LIST, view)
    assert len(listed(view, vehicle="a").rows) == 1
