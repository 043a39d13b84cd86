"""Whole cost of classes by hand, and the limits of a ratio held against a bootstrap."""

import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from builders import enrolled, usd

from roadworn import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.class_cost import CLASS_COST, Spent


def fleet(classes: dict[str, float], vehicles: int = 6) -> Iterator[NewEvent]:
    """Vehicles of 20,000 km each, bought for 30,000 and worth 20,000, upkeep by class."""
    dice = random.Random(2)
    for kind, upkeep in classes.items():
        for number in range(vehicles):
            name = f"{kind}-{number}"
            yield enrolled(name, "2024-01-01", odometer=1, unit="km", vehicle_class=kind,
                           purchase_price=usd("30000"), purchase_date="2023-12-20")  # fmt: skip
            cost = f"{upkeep * dice.uniform(0.9, 1.1):.2f}"
            yield event(name, "repair", "2024-08-01", odometer=10_001, unit="km",
                        component="brake.line", other_cost=usd(cost))  # fmt: skip
            yield event(name, "energy", "2024-09-01", amount=50.0, amount_unit="l",
                        cost=usd("2400"))  # fmt: skip
            yield event(name, "out_of_service", "2024-09-02", cause="repair", days=4.0)
            yield event(name, "valuation", "2025-01-01", odometer=20_001, unit="km",
                        value=usd("20000"), source="list")  # fmt: skip


def test_the_parts_add_up_and_the_cheapest_is_named(tmp_path: Path) -> None:
    """Per 1,000 km: 10,000 / 20 = 500 of purchase, 2,400 / 20 = 120 of energy, 4 days at 50 are
    10, and 1,000 or 2,000 / 20 of upkeep, give or take a tenth."""
    with view_of(fleet({"van": 1_000.0, "bus": 2_000.0}), tmp_path, as_of="2025-02-01") as view:
        found = check_analysis(CLASS_COST, view, {"unit": "km", "day_cost": 50})
    van, bus = found.table("class_cost").records()
    assert (van["class"], van["vehicles"], bus["class"]) == ("van", 6, "bus")
    assert (van["purchase"], van["energy"], van["standing"]) == (500.0, 120.0, 10.0)
    assert van["upkeep"] == pytest.approx(50, rel=0.1)
    assert bus["upkeep"] == pytest.approx(100, rel=0.1)
    assert van["cost"] == pytest.approx(630 + float(str(van["upkeep"])), abs=0.02)
    assert str(found.headline).startswith("Buy more of van")


def test_alike_ones_are_not_told_apart(tmp_path: Path) -> None:
    with view_of(fleet({"van": 1_000.0, "bus": 1_000.0}), tmp_path, as_of="2025-02-01") as view:
        found = check_analysis(CLASS_COST, view)
    assert "cannot be told" in str(found.headline)


def test_the_error_of_a_ratio_is_that_of_the_bootstrap() -> None:
    """Vehicles drawn anew 4,000 times: the spread of money over distance, within a tenth."""
    dice = np.random.default_rng(3)
    km = dice.uniform(10_000, 60_000, 40)
    money = km * 0.2 * dice.uniform(0.5, 1.5, 40)
    one = Spent()
    one.by_part["upkeep"] = {
        str(i): (float(m), float(k)) for i, (m, k) in enumerate(zip(money, km, strict=True))
    }
    drawn = dice.integers(0, 40, (4_000, 40))
    ratios = money[drawn].sum(axis=1) / km[drawn].sum(axis=1)
    cost, error, n = one.cost(["upkeep"])
    assert (cost, n) == (pytest.approx(money.sum() / km.sum()), 40)
    assert error == pytest.approx(float(ratios.std()), rel=0.1)


def test_an_empty_ledger_says_what_to_record(tmp_path: Path) -> None:
    with view_of([enrolled("van-1", "2022-01-01")], tmp_path, as_of="2024-06-02") as view:
        assert "purchase-price" in str(check_analysis(CLASS_COST, view).caveats[0])
