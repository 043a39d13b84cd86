"""The lists of the day, by hand: in the shop, waiting for an answer, approved, not tried."""

from collections.abc import Callable
from datetime import date
from itertools import count

import pytest
from builders import enrolled, found, looked, replaced, scanned, usd

from roadworn.columns.session import AT_THE_COUNTER
from roadworn.columns.view import LedgerView
from roadworn.columns.views_fleet import FLEET_VIEWS
from roadworn.columns.views_today import TODAY_VIEWS
from roadworn.model.events import NewEvent
from roadworn.testing import event

Written = Callable[..., LedgerView]
DAY = "2026-05-04"
CAR = enrolled("car-1", "2026-01-02", odometer=90_000, unit="mi")
PADS, TIE_ROD = "brake.pad", "steering.tie_rod_outer"


_IDS = count(1)


def numbered(made: NewEvent) -> NewEvent:
    """Return an event with an id of its own, for others to name."""
    at = f"0190a000-0000-7000-8000-{next(_IDS):012d}"
    return made.model_copy(update={"event_id": at})


def test_the_views_of_the_counter_are_named_where_they_are_looked_for() -> None:
    own = {view.name.removeprefix("main.") for view in (*TODAY_VIEWS, *FLEET_VIEWS)}
    assert own == AT_THE_COUNTER


def visit(day: str, step: str, **more: str) -> NewEvent:
    return numbered(event("car-1", "visit", day, step=step, **more))


def here(view: LedgerView) -> list[tuple[object, ...]]:
    return view.sql("SELECT since, arrived, promised, entries FROM in_shop").rows


@pytest.mark.parametrize(
    ("events", "told"),
    [
        ([], []),
        ([looked("car-1", "2026-05-03", found(PADS))], []),
        ([looked("car-1", DAY, found(PADS))], [(date(2026, 5, 4), False, None, 1)]),
        (
            [visit("2026-05-01", "arrived", promised="2026-05-05")],
            [(date(2026, 5, 1), True, date(2026, 5, 5), 0)],
        ),
        ([visit("2026-05-01", "arrived"), visit("2026-05-03", "handed_over")], []),
        # Of one day the order in which it was written down counts.
        ([looked("car-1", DAY, found(PADS)), visit(DAY, "handed_over")], []),
        (
            [visit(DAY, "handed_over"), looked("car-1", DAY, found(PADS))],
            [(date(2026, 5, 4), False, None, 1)],
        ),
        # A reading may come from a driver, an answer by telephone.
        ([event("car-1", "odometer_reading", DAY, odometer=90_400, unit="mi")], []),
        ([visit(DAY, "arrived"), event("car-1", "retirement", DAY, reason="sold")], []),
    ],
)
def test_what_is_in_the_shop(view_of: Written, events: list[NewEvent], told: object) -> None:
    assert here(view_of([CAR, *events], as_of=DAY)) == told


def test_a_visit_that_was_taken_back_counts_no_more(view_of: Written) -> None:
    came = visit("2026-05-01", "arrived")
    back = event("car-1", "retraction", "2026-05-02", event=came.event_id, reason="other car")
    assert here(view_of([CAR, came, back], as_of=DAY)) == []
    assert here(view_of([CAR, came, back], as_of="2026-05-01", known_by="occurred")) != []


def lines(*items: tuple[str, str | None, str]) -> list[dict[str, object]]:
    made = []
    for number, (component, position, amount) in enumerate(items, start=1):
        line = {"line": number, "component": component, "amount": usd(amount)}
        made.append(line | ({"position": position} if position else {}))
    return made


def estimate(day: str, *items: tuple[str, str | None, str], **more: object) -> NewEvent:
    return numbered(event("car-1", "estimate", day, lines=lines(*items), **more))


def answered(day: str, to: NewEvent, *decisions: str) -> NewEvent:
    given = [{"line": n, "decision": word} for n, word in enumerate(decisions, start=1)]
    return event("car-1", "authorisation", day, estimate=to.event_id, decisions=given)


OFFER = estimate("2026-05-01", (PADS, "front", "210.00"), (TIE_ROD, "L", "140.00"))


def waiting(view: LedgerView) -> list[tuple[object, ...]]:
    return view.sql("SELECT line, component, lapsed FROM waiting_lines ORDER BY seq, line").rows


def approved(view: LedgerView) -> list[tuple[object, ...]]:
    return view.sql("SELECT line, component, position FROM approved_work ORDER BY seq, line").rows


@pytest.mark.parametrize(
    ("events", "open_lines", "agreed"),
    [
        ([OFFER], [(1, PADS, False), (2, TIE_ROD, False)], []),
        (
            [OFFER, answered("2026-05-02", OFFER, "approved")],
            [(2, TIE_ROD, False)],
            [(1, PADS, "front")],
        ),
        # What was declined waits for nothing.
        ([OFFER, answered("2026-05-02", OFFER, "declined", "deferred")], [], []),
        # A change of mind: the latest answer holds.
        (
            [OFFER, answered("2026-05-02", OFFER, "approved", "declined"),
             answered("2026-05-03", OFFER, "declined")],
            [],
            [],
        ),
        # Done, at the axle or at both of its sides; done before it was offered does not count.
        (
            [OFFER, answered("2026-05-02", OFFER, "approved", "approved"),
             replaced("car-1", "2026-05-03", PADS, position="front")],
            [],
            [(2, TIE_ROD, "L")],
        ),
        (
            [replaced("car-1", "2026-04-30", PADS, position="front"), OFFER,
             answered("2026-05-02", OFFER, "approved", "declined")],
            [],
            [(1, PADS, "front")],
        ),
        # Offered anew: the older estimate waits no more.
        (
            [OFFER, estimate("2026-05-03", (PADS, "front", "190.00"), valid_until="2026-05-03")],
            [(2, TIE_ROD, False), (1, PADS, True)],
            [],
        ),
        ([OFFER, event("car-1", "retirement", DAY, reason="sold")], [], []),
    ],
)  # fmt: skip
def test_what_waits_for_an_answer_and_what_is_approved(
    view_of: Written, events: list[NewEvent], open_lines: object, agreed: object
) -> None:
    view = view_of([CAR, *events], as_of=DAY)
    assert waiting(view) == open_lines
    assert approved(view) == agreed


def test_two_jobs_on_one_place_of_an_estimate_are_two(view_of: Written) -> None:
    offer = estimate("2026-05-01", (PADS, "front", "90.00"), (PADS, "front", "40.00"))
    view = view_of([CAR, offer, answered("2026-05-02", offer, "approved", "approved")], as_of=DAY)
    assert approved(view) == [(1, PADS, "front"), (2, PADS, "front")]


COIL = "ignition.coil"


@pytest.mark.parametrize(
    ("events", "told"),
    [
        # Codes were there before the work, and nobody has read them since.
        ([scanned("car-1", "2026-05-01", "P0301"), replaced("car-1", "2026-05-02", COIL)],
         [(COIL, "scan")]),
        ([scanned("car-1", "2026-05-01", "P0301"), replaced("car-1", "2026-05-02", COIL),
          scanned("car-1", "2026-05-02")], []),
        ([scanned("car-1", "2026-05-01"), replaced("car-1", "2026-05-02", COIL)], []),
        # A safety item of a vehicle that is still here.
        ([visit("2026-05-02", "arrived"), replaced("car-1", "2026-05-03", TIE_ROD, position="L")],
         [(TIE_ROD, "look_over")]),
        ([visit("2026-05-02", "arrived"), replaced("car-1", "2026-05-03", TIE_ROD, position="L"),
          looked("car-1", "2026-05-03", found(TIE_ROD, "sound", "L"))], []),
        ([visit("2026-05-02", "arrived"), replaced("car-1", "2026-05-03", TIE_ROD, position="L"),
          looked("car-1", "2026-05-03", found("electrical.horn"), rest="sound")], []),
        ([visit("2026-05-02", "arrived"), replaced("car-1", "2026-05-03", TIE_ROD, position="L"),
          visit("2026-05-03", "handed_over")], []),
        # A tire proves nothing of a powertrain code; the coil before it is still asked about.
        ([scanned("car-1", "2026-05-01", "P0301"), replaced("car-1", "2026-05-02", COIL),
          replaced("car-1", "2026-05-03", "wheel.tire", position="RR")], [(COIL, "scan")]),
        # Long ago: nobody asks any more.
        ([scanned("car-1", "2026-01-11", "P0301"), replaced("car-1", "2026-02-02", COIL)], []),
    ],
)  # fmt: skip
def test_what_nobody_has_tried_after_work(
    view_of: Written, events: list[NewEvent], told: object
) -> None:
    view = view_of([CAR, *events], as_of=DAY)
    assert view.sql("SELECT component, wants FROM untried_work").rows == told


def test_the_work_of_a_day_is_one_list(view_of: Written) -> None:
    oil = event("car-1", "maintenance", DAY, component="engine.oil", action="replaced")
    bent = event("car-1", "repair", DAY, component="brake.line", correction="bent clear")
    view = view_of([CAR, oil, bent, replaced("car-1", DAY, PADS, "84.50")], as_of=DAY)
    assert view.sql(
        "SELECT kind, component, how, CAST(total_cost AS DOUBLE) FROM work_done ORDER BY seq"
    ).rows == [
        ("maintenance", "engine.oil", "replaced", None),
        ("repair", "brake.line", "bent clear", None),
        ("replacement", PADS, "failed", 84.5),
    ]
