"""Work that was declined comes back with what it would cost today, worked by hand."""

from datetime import date
from pathlib import Path

import pytest
from builders import usd

from roadworn import PluginHost
from roadworn.testing import event, view_of
from roadworn_plugins.ahead.due_now import State, due_now
from roadworn_plugins.shared.prices import Prices

LINE = {
    "line": 1,
    "component": "cooling.radiator",
    "amount": usd("400.00"),
    "parts_cost": usd("200.00"),
    "labour_hours": 2.0,
    "labour_rate": usd("100.00"),
}
ESTIMATE = "0190a000-0000-7000-8000-000000000001"


def put_off(folder: Path, line: dict[str, object], *, rate: str, rise: float, **besides: object):
    """Return the line declined on 2024-01-15, seen two years later at a shop's later rate."""
    other = {"component": "electrical.horn", "reason": "failed", "parts_cost": usd("10.00")}
    events = [
        event("car-1", "enrolment", "2024-01-02", odometer=90_000, vehicle_class="car"),
        event("car-1", "estimate", "2024-01-10", lines=[line]).model_copy(
            update={"event_id": ESTIMATE}
        ),
        event(
            "car-1", "authorisation", "2024-01-15", estimate=ESTIMATE,
            decisions=[{"line": 1, "decision": "declined"}],
        ),
        event("car-1", "replacement", "2025-12-01", labour_hours=0.5, labour_rate=usd(rate),
              **other | besides),
    ]  # fmt: skip
    with view_of(events, folder, as_of="2026-01-09") as view:
        assert (view.today - date(2024, 1, 10)).days == 730
        (item,) = [i for i in due_now(view, Prices.load(view, rise)) if i.state == State.DECLINED]
        ran = PluginHost.load().run("next-repairs", view, {"vehicle": "car-1"})
    return item, ran.result.table("due_now").records()


@pytest.mark.parametrize(
    ("line", "rate", "rise", "today"),
    [
        # 2 h at the rate of today, and the part as it was.
        (LINE, "120.00", 0.0, 440.00),
        # 200 x 1.1^(730 / 365.25) = 241.97, and 2 h x 120.
        (LINE, "120.00", 0.1, 481.97),
        # A rate that others were charged since does not make the shop's own offer cheaper.
        (LINE, "80.00", 0.0, 400.00),
        # A price without its working is raised as a whole: 400 x 1.1^(730 / 365.25).
        ({"line": 1, "component": "cooling.radiator", "amount": usd("400.00")}, "120.00", 0.1,
         483.94),
    ],
)  # fmt: skip
def test_what_was_put_off_is_priced_for_today(
    tmp_path: Path, line: dict[str, object], rate: str, rise: float, today: float
) -> None:
    item, _rows = put_off(tmp_path, line, rate=rate, rise=rise)
    assert item.price is not None
    assert item.price.middle == pytest.approx(today, abs=0.005)
    assert ("at today's prices" in item.price.basis) == (today != 400.00)
    assert item.seen == "offered on 2024-01-10, declined on 2024-01-15 at 400.00 USD"


def test_it_stands_in_the_outlook_with_that_price(tmp_path: Path) -> None:
    _item, rows = put_off(tmp_path, LINE, rate="120.00", rise=0.0)
    (row,) = [row for row in rows if row["state"] == State.DECLINED]
    assert row["cost"] == pytest.approx(440.00)
    assert row["price_from"] == "the estimate of 2024-01-10, at today's prices"


def test_its_own_open_estimate_comes_before_what_others_paid(tmp_path: Path) -> None:
    other = {"component": "cooling.radiator", "parts_cost": usd("500.00")}
    events = [
        event("car-1", "enrolment", "2024-01-02", odometer=90_000, vehicle_class="car"),
        event("car-2", "enrolment", "2024-01-02", odometer=90_000, vehicle_class="car"),
        event("car-1", "estimate", "2024-01-10", lines=[LINE]),
        event("car-2", "replacement", "2025-12-01", reason="failed", **other),
        event("car-3", "enrolment", "2024-01-02", odometer=90_000, vehicle_class="car"),
        event("car-3", "estimate", "2024-01-10", lines=[LINE]),
        event("car-3", "replacement", "2024-01-12", reason="failed", **other),
    ]
    with view_of(events, tmp_path, as_of="2026-01-09") as view:
        prices = Prices.load(view, 0.0)
    found = [prices.of("cooling.radiator", "car", name) for name in ("car-1", "car-2", "car-3")]
    assert [price and price.middle for price in found] == [400.0, 500.0, 500.0]
    assert found[0] is not None
    assert found[0].basis == "the estimate of 2024-01-10"


def test_a_line_for_a_set_is_no_price_of_one_place(tmp_path: Path) -> None:
    tires = {"line": 1, "component": "wheel.tire", "amount": usd("800.00")}
    front = {"line": 2, "component": "wheel.bearing", "amount": usd("420.00"), "position": "LF"}
    events = [
        event("car-1", "enrolment", "2024-01-02", odometer=90_000, vehicle_class="car"),
        event("car-1", "estimate", "2024-01-10", lines=[tires, front]),
    ]
    with view_of(events, tmp_path, as_of="2026-01-09") as view:
        prices = Prices.load(view, 0.0)
    assert prices.of("wheel.tire", "car", "car-1", "LF") is None
    bearing = prices.of("wheel.bearing", "car", "car-1", "RF")
    assert bearing is not None
    assert bearing.middle == 420.0


def test_an_estimate_ten_times_off_is_said_and_not_used(tmp_path: Path) -> None:
    events = [event("car-1", "enrolment", "2023-01-02", odometer=90_000, vehicle_class="car")]
    events += [
        event("car-1", "replacement", f"2023-0{m}-01", component="cooling.radiator",
              reason="failed", odometer=90_000 + m, parts_cost=usd("400.00"))
        for m in (2, 3, 4)
    ]  # fmt: skip
    line = {"line": 1, "component": "cooling.radiator", "amount": usd("45000.00")}
    events.append(event("car-1", "estimate", "2024-01-10", lines=[line]))
    with view_of(events, tmp_path, as_of="2024-02-09") as view:
        prices = Prices.load(view, 0.0)
    found = prices.of("cooling.radiator", "car", "car-1")
    assert found is not None
    assert found.middle == 400.0
    assert [one.amount for one in prices.odd] == [45_000.0]


def test_before_anything_was_paid_money_is_in_the_currency_of_the_estimates(
    tmp_path: Path,
) -> None:
    events = [
        event("car-1", "enrolment", "2024-01-02", odometer=60_000, vehicle_class="car"),
        event("car-1", "estimate", "2024-01-10", lines=[LINE]),
    ]
    with view_of(events, tmp_path, as_of="2024-02-01") as view:
        assert Prices.load(view).currency == "USD"
