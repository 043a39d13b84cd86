"""Depots, standstills, energy and engine hours in the tables, each by hand."""

from collections.abc import Callable
from datetime import date

import pytest
from builders import enrolled, replaced, usd

from roadworn.columns.view import LedgerView
from roadworn.model.events import NewEvent
from roadworn.testing import event

Written = Callable[..., LedgerView]
DAY = "2026-05-31"


def out(day: str, cause: str = "repair", **more: object) -> NewEvent:
    return event("van-1", "out_of_service", day, cause=cause, **more)


def back(day: str) -> NewEvent:
    return event("van-1", "back_in_service", day)


@pytest.mark.parametrize(
    ("events", "told"),
    [
        # A row of a file, and the same as two events.
        ([out("2026-03-02", days=3.0)], [("repair", date(2026, 3, 5), 3.0, False)]),
        ([out("2026-03-02", until="2026-03-05")], [("repair", date(2026, 3, 5), 3.0, False)]),
        ([out("2026-03-02"), back("2026-03-05")], [("repair", date(2026, 3, 5), 3.0, False)]),
        # Back earlier than was thought.
        (
            [out("2026-03-02", until="2026-03-12"), back("2026-03-05")],
            [("repair", date(2026, 3, 5), 3.0, False)],
        ),
        # Not back yet: until the day of the view, whatever is planned.
        ([out("2026-05-11")], [("repair", None, 20.0, True)]),
        ([out("2026-05-11", until="2026-06-20")], [("repair", date(2026, 6, 20), 20.0, False)]),
        # Another cause takes the place of the one before; what has its own length does not.
        (
            [out("2026-03-01", "waiting_for_parts"), out("2026-03-11"), back("2026-03-13")],
            [
                ("waiting_for_parts", date(2026, 3, 11), 10.0, False),
                ("repair", date(2026, 3, 13), 2.0, False),
            ],
        ),
        (
            [out("2026-03-01"), out("2026-03-04", "inspection", days=0.5), back("2026-03-11")],
            [
                ("repair", date(2026, 3, 11), 10.0, False),
                ("inspection", date(2026, 3, 4), 0.5, False),
            ],
        ),
        # What left stands no longer.
        (
            [out("2026-03-01"), event("van-1", "retirement", "2026-03-21", reason="sold")],
            [("repair", date(2026, 3, 21), 20.0, False)],
        ),
    ],
)
def test_a_standstill_ends_when_it_was_said_to(
    view_of: Written, events: list[NewEvent], told: list[tuple[object, ...]]
) -> None:
    view = view_of([enrolled("van-1"), *events], as_of=DAY)
    rows = view.sql("SELECT cause, until_on, days, open FROM standstills ORDER BY from_on").rows
    assert rows == told


def test_work_belongs_to_the_depot_of_its_day_unless_it_says_another(view_of: Written) -> None:
    view = view_of(
        [
            enrolled("van-1", "2025-01-01", depot="North", odometer=10, unit="km"),
            replaced("van-1", "2025-02-01", "brake.pad", odometer=1_000, unit="km"),
            event("van-1", "profile_change", "2025-03-01", depot="South"),
            event("van-1", "profile_change", "2025-03-15", label="Van", depot="South"),
            replaced("van-1", "2025-04-01", "brake.pad", odometer=2_000, unit="km"),
            replaced("van-1", "2025-05-01", "brake.pad", odometer=3_000, unit="km", depot="North"),
            enrolled("van-2", "2025-01-01"),
            replaced("van-2", "2025-04-01", "brake.pad", odometer=2_000, unit="km"),
        ],
        as_of=DAY,
    )
    spans = view.sql("SELECT vehicle_id, depot, from_on, until_on FROM depot_spans").rows
    assert sorted(spans, key=str) == [
        ("van-1", "North", date(2025, 1, 1), date(2025, 3, 1)),
        ("van-1", "South", date(2025, 3, 1), None),
    ]
    work = view.sql("SELECT depot FROM fleet_work ORDER BY vehicle_id, occurred_on").rows
    assert work == [("North",), ("South",), ("North",), (None,)]
    assert view.sql("SELECT depot FROM vehicles ORDER BY vehicle_id").rows == [("South",), (None,)]


def test_what_was_bought_and_put_in_and_read_stands_in_the_tables(view_of: Written) -> None:
    view = view_of(
        [
            enrolled("van-1", purchase_price=usd("61500"), purchase_date="2025-12-20"),
            event(
                "van-1", "energy", "2026-02-01", amount=42.0, amount_unit="kWh", cost=usd("9.80")
            ),
            event("van-1", "hours_reading", "2026-02-01", hours=900.5),
            event("van-1", "hours_reading", "2026-03-01", hours=950.0),
        ],
        as_of=DAY,
    )
    bought = "SELECT purchase_price, purchase_currency, purchase_date FROM vehicles"
    assert view.sql(bought).rows == [(61_500, "USD", date(2025, 12, 20))]
    hours = "SELECT last_hours, last_hours_on FROM vehicles"
    assert view.sql(hours).rows == [(950.0, date(2026, 3, 1))]
    put_in = "SELECT amount, amount_unit, cost, currency, fill FROM energy"
    assert [tuple(map(str, row)) for row in view.sql(put_in).rows] == [
        ("42.0", "kWh", "9.8000", "USD", "None")
    ]
