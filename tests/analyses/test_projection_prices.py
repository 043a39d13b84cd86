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
        odometer=next(_KM), unit="km", parts_cost=price, **more,
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
        found = prices.replacement("electrical.starter", "car")
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
    assert prices.replacement("cooling.water_pump", "car") is None
    found = prices.or_labour("cooling.water_pump", "car")
    assert found is not None
    assert found.number == 0
    assert "labour only" in found.basis
    assert "no source" in found.basis
    assert found.low < found.middle < found.high
    starter = prices.or_labour("electrical.starter", "car")
    assert starter is not None
    assert (starter.middle, starter.basis) == (310.0, "2 replacements on car")


def test_a_wider_group_stands_in_for_fewer_than_three(tmp_path: Path) -> None:
    rows = [enrolled(), enrolled("van", "van")]
    rows += [paid(f"2023-0{m}-05", 300.0) for m in (1, 2, 3, 4)]
    rows.append(paid("2023-06-05", 900.0, vehicle="van"))
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    on_car, on_van = (prices.replacement("electrical.starter", k) for k in ("car", "van"))
    assert on_car is not None
    assert on_van is not None
    assert on_car.basis == "4 replacements on car"
    assert on_van.basis == "5 replacements on all classes"


def test_two_currencies_are_never_added(tmp_path: Path) -> None:
    rows = [enrolled()]
    rows += [paid(f"2023-0{m}-05", 300.0) for m in (1, 2, 3)]
    rows += [paid(f"2023-0{m}-07", 9000.0, currency="MXN") for m in (4, 5)]
    with view_of(rows, tmp_path, as_of="2023-12-31") as view:
        prices = Prices.load(view)
    found = prices.replacement("electrical.starter", "car")
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
    pads, tire = (prices.replacement(c, "car") for c in ("brake.pad", "wheel.tire"))
    assert pads is not None
    assert tire is not None
    assert (pads.middle, pads.number) == (160.0, 3)
    assert (tire.middle, tire.number) == (90.0, 6)
