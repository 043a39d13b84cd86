"""Prices of the projection: today's money, few prices, two currencies, an axle as one job."""

from itertools import count
from pathlib import Path

import numpy as np
import pytest
from builders import replaced, usd

from roadworn.testing import event, view_of
from roadworn_plugins.shared.prices import Prices, price_rise

_KM = count(1)  # two entries without a reading on one day would be taken for one


def enrolled(name: str = "car", kind: str = "car"):
    return event(name, "enrolment", "2015-01-01", odometer=0, vehicle_class=kind)


def paid(day: str, cost: float, component: str = "electrical.starter", **more):
    price = usd(f"{cost:.2f}", more.pop("currency", "USD"))
    return replaced(
        more.pop("vehicle", "car"), day, component,
        odometer=next(_KM), unit="km", parts_cost=price,
        # What fails again within weeks has come back, and is no price.
        reason=more.pop("reason", "preventive"), **more,
    )  # fmt: skip


def many(rng: np.random.Generator, rise: float, number: int, spread: float = 0.15):
    jobs = []
    components = ("electrical.starter", "electrical.alternator", "cooling.water_pump")
    for i in range(number):
        year, month = 2016 + i * 8 // number, 1 + i % 12
        cost = 300.0 * (1 + i % 3) * (1 + rise) ** (year + (month - 0.5) / 12 - 2016)
        cost *= float(np.exp(rng.normal(0.0, spread)))
        jobs.append((f"{year}-{month:02d}-15", cost, components[i % 3]))
    return [enrolled(), *(paid(*job) for job in sorted(jobs))]


@pytest.mark.parametrize("rise", [0.0, 0.03, 0.08])
def test_a_made_rise_is_recovered_and_prices_are_of_today(tmp_path: Path, rise: float) -> None:
    with view_of(many(np.random.default_rng(1), rise, 450), tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
        assert prices.yearly_rise == pytest.approx(rise, abs=0.008)
        found = prices.of("electrical.starter", "car")
    today = 300.0 * (1 + rise) ** 8
    assert found is not None
    assert found.middle == pytest.approx(today, rel=0.1)
    # Lognormal: mean over median exp(sigma^2 / 2).
    assert found.mean == pytest.approx(today * np.exp(0.15**2 / 2), rel=0.1)


def test_the_noise_of_a_small_ledger_is_not_taken_for_a_rise(tmp_path: Path) -> None:
    """Sixty prices over two years without any rise: raised by about half a percent on
    average; the slope as it is, held at 0, would say 3.4 %."""
    rises = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        rows = [enrolled()]
        days = sorted(f"{2022 + i // 30}-{1 + i % 12:02d}-10" for i in range(60))
        rows += [paid(day, 300 * float(np.exp(rng.normal(0, 0.35)))) for day in days]
        folder = tmp_path / str(seed)
        folder.mkdir()
        rows.append(paid("2024-01-20", 300.0))
        with view_of(rows, folder, as_of="2024-02-01") as view:
            rises.append(price_rise(view, "USD"))
    assert np.mean(rises) < 0.012
    assert max(rises) < 0.04


def test_without_a_price_the_trade_hours_at_the_shops_rate_are_named(tmp_path: Path) -> None:
    rate = {"amount": "100.00", "currency": "USD"}
    rows = [
        enrolled(),
        paid("2023-01-05", 200.0, labour_hours=1.0, labour_rate=rate),
        paid("2023-02-05", 220.0, labour_hours=1.0, labour_rate=rate),
    ]
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    found = prices.of("cooling.water_pump", "car")
    assert found is not None
    assert found.number == 0
    assert "labour only" in found.basis
    assert "no source" in found.basis
    assert found.low < found.middle < found.high
    starter = prices.of("electrical.starter", "car")
    assert starter is not None
    assert (starter.middle, starter.basis) == (310.0, "2 replacements on car")


def test_its_own_class_comes_before_the_price_of_others(tmp_path: Path) -> None:
    """One price of its own tells the level; how far prices spread the others tell."""
    rows = [enrolled(), enrolled("van", "van"), enrolled("bus", "bus")]
    rows += [paid(f"2023-0{m}-05", cost) for m, cost in enumerate((270.0, 300.0, 330.0), start=1)]
    rows.append(paid("2023-06-05", 900.0, vehicle="van"))
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    on_car, on_van, on_bus = (prices.of("electrical.starter", k) for k in ("car", "van", "bus"))
    assert on_car is not None
    assert on_van is not None
    assert on_bus is not None
    assert on_car.basis == "3 replacements on car"
    assert (on_van.middle, on_van.basis) == (900.0, "1 replacement on van")
    assert (on_van.low, on_van.high) == pytest.approx((900 * 276 / 300, 900 * 324 / 300))
    assert (on_bus.middle, on_bus.basis) == (315.0, "price of other classes, 4 jobs")


def test_a_vans_tire_is_not_sold_at_the_price_of_the_trucks(tmp_path: Path) -> None:
    """Six kinds of work cost a third on the van of what they cost on the truck; so do tires."""
    kinds = ("electrical.starter", "electrical.alternator", "cooling.water_pump",
             "cooling.radiator", "electrical.battery", "engine.drive_belt")  # fmt: skip
    rows = [enrolled("van", "van"), enrolled("truck", "truck")]
    for number, component in enumerate(kinds, start=1):
        rows.append(paid("2023-01-05", 100.0 * number, component, vehicle="van"))
        rows.append(paid("2023-01-05", 300.0 * number, component, vehicle="truck"))
    rows += [
        paid(f"2023-0{m}-07", 450.0, "wheel.tire", vehicle="truck", position="LF") for m in (2, 3)
    ]
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        found = Prices.load(view).of("wheel.tire", "van")
    assert found is not None
    assert found.middle == pytest.approx(150.0)
    assert found.basis == ("price of other classes, 2 jobs, brought to the price level of van")


def test_what_was_free_is_no_price(tmp_path: Path) -> None:
    """Neither a job at 0 nor the labour of one whose part came free under its warranty."""
    rate = {"amount": "100.00", "currency": "USD"}
    rows = [enrolled(), paid("2023-01-05", 300.0), paid("2023-02-05", 320.0)]
    rows.append(paid("2023-03-05", 0.0))
    rows.append(paid("2023-04-05", 0.0, labour_hours=0.4, labour_rate=rate))
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        found = Prices.load(view).of("electrical.starter", "car")
    assert found is not None
    assert (found.middle, found.number) == (310.0, 2)


@pytest.mark.parametrize("times", [10.0, 100.0, 0.1])
@pytest.mark.parametrize("others", [2, 4, 12])
def test_one_mistyped_amount_sets_neither_price_nor_spread(
    tmp_path: Path, times: float, others: int
) -> None:
    rows = [enrolled()]
    for number in range(others):
        cost = 24.0 + number % 5
        rows.append(paid(f"2023-{1 + number % 12:02d}-05", cost, "body.wiper_blade"))
    rows.append(paid("2023-12-20", 26.0 * times, "body.wiper_blade"))
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
        (odd,) = prices.odd
        assert odd.event == view.sql("SELECT event_id FROM events ORDER BY seq DESC").rows[0][0]
    found = prices.of("body.wiper_blade", "car")
    assert found is not None
    assert found.number == others
    assert found.mean is not None
    # Two prices alone tell no range: the usual one about them.
    low, high = (17.0, 34.0) if others == 2 else (23.0, 29.0)
    assert low < found.low <= found.mean <= found.high < high
    (said,) = prices.caveats({"body.wiper_blade"})
    assert odd.event[-8:] in said
    assert f"{26 * times:,.2f} USD" in said
    assert prices.caveats({"electrical.starter"}) == ()


def test_a_single_mistyped_amount_is_seen_by_the_trade_hours(tmp_path: Path) -> None:
    """Twelve kinds of work at about the same price for an hour, and a wiper at a thousandfold."""
    from roadworn.model.catalogue import catalogue

    known = [c for c in catalogue() if c.labour_hours and c.labour_hours[0] > 0][:12]
    rows = [enrolled()]
    for c in known:
        low, high = c.labour_hours or (1.0, 1.0)
        rows.append(paid("2023-01-05", 250.0 * (low * high) ** 0.5, c.id))
    rows.append(paid("2023-02-05", 69_798.0, "body.wiper_blade"))
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    assert [one.component for one in prices.odd] == ["body.wiper_blade"]
    assert prices.of("body.wiper_blade", "car") is None


def test_honest_prices_that_are_skewed_keep_their_mean(tmp_path: Path) -> None:
    """Rebuilt and new parts: factors of up to four are no slips, and the mean is what was paid."""
    costs = (200.0, 210.0, 220.0, 240.0, 500.0, 780.0)
    rows = [enrolled(), *(paid(f"2023-0{m}-05", cost) for m, cost in enumerate(costs, start=1))]
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    found = prices.of("electrical.starter", "car")
    assert prices.odd == ()
    assert found is not None
    assert found.mean == pytest.approx(np.mean(costs))


def test_a_service_and_a_replacement_of_one_part_have_one_price(tmp_path: Path) -> None:
    rows = [enrolled(), paid("2023-01-05", 40.0, "air.filter")]
    for month, action, cost in ((2, "replaced", "44.00"), (3, "replaced", "48.00"),
                                (4, "cleaned", "12.00")):  # fmt: skip
        rows.append(event("car", "maintenance", f"2023-0{month}-05", component="air.filter",
                          action=action, parts_cost=usd(cost)))  # fmt: skip
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    changed, cleaned = (prices.of("air.filter", "car", work=w) for w in ("replaced", "cleaned"))
    assert changed is not None
    assert cleaned is not None
    assert (changed.middle, changed.number) == (44.0, 3)
    assert (cleaned.middle, cleaned.basis) == (12.0, "1 service on car")
    assert prices.of("air.filter", "car", work="inspected") is None


def test_two_currencies_are_never_added(tmp_path: Path) -> None:
    rows = [enrolled()]
    rows += [paid(f"2023-0{m}-05", 300.0) for m in (1, 2, 3)]
    rows += [paid(f"2023-0{m}-07", 9000.0, currency="MXN") for m in (4, 5)]
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    found = prices.of("electrical.starter", "car")
    assert (prices.currency, prices.other_currencies) == ("USD", 2)
    assert found is not None
    assert (found.low, found.high, found.number) == (300.0, 300.0, 3)


def test_an_axle_set_written_down_wheel_by_wheel_is_one_job(tmp_path: Path) -> None:
    rows = [enrolled()]
    for day in ("2021-03-01", "2022-03-01", "2023-03-01"):
        rows += [paid(day, 80.0, "brake.pad", position=p) for p in ("LF", "RF")]
        rows += [paid(day, 90.0, "wheel.tire", position=p) for p in ("LF", "RF")]
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    pads, tire = (prices.of(c, "car") for c in ("brake.pad", "wheel.tire"))
    assert pads is not None
    assert tire is not None
    assert (pads.middle, pads.number) == (160.0, 3)
    assert (tire.middle, tire.number) == (90.0, 6)


def test_what_a_comeback_costs_as_a_share_of_its_part(tmp_path: Path) -> None:
    """Four starters came back free, four pumps at the full price of 300; 1 before any is seen.

    Of all: (2 x 1 + 4 x 0 + 4 x 1) / 10 = 0.6; drawn to it by five: (0 + 5 x 0.6) / 9 and
    (4 + 5 x 0.6) / 9, and 0.6 for what never came back. What came back is no price either.
    """
    starter, pump = "electrical.starter", "cooling.water_pump"
    rows = [enrolled(f"car-{n}") for n in range(8)]
    for n in range(8):
        component, again = (starter, 0.0) if n < 4 else (pump, 300.0)
        more = {"vehicle": f"car-{n}", "reason": "failed"}
        rows.append(paid("2023-03-05", 300.0, component, **more))
        rows.append(paid("2023-03-25", again, component, **more))
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view, 0.0)
    (tmp_path / "none").mkdir()
    with view_of(rows[:9], tmp_path / "none", as_of="2023-12-31") as view:
        assert Prices.load(view, 0.0).comeback_share(starter) == 1.0
    shares = [prices.comeback_share(c) for c in (starter, pump, "fuel.pump")]
    assert shares == pytest.approx([3.0 / 9, 7.0 / 9, 0.6])
    found = prices.of(pump, "car")
    assert found is not None
    assert (found.middle, found.number) == (300.0, 4)
