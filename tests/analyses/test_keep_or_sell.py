"""Keep, fix or let go: arithmetic against closed forms, and what the trade takes for granted."""

from pathlib import Path
from typing import Any

import pytest
from builders import found, looked, usd

from roadworn import NewEvent, Result
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.keep import KEEP_OR_SELL
from roadworn_plugins.keep.options import (
    Situation,
    keeping,
    letting_go,
    repair_that_flips,
    running_that_flips,
    value_where_it_flips,
)


def situation(**changes: Any) -> Situation:
    plain: dict[str, Any] = {
        "months": 24,
        "yearly_rate": 0.0,
        "value": 2400.0,
        "value_fixed": 2400.0,
        "value_then": 0.5,
        "fix": (0.0, 0.0, 0.0),
        "running": (480.0, 720.0, 960.0),
        "other_price": 7200.0,
        "other_then": 0.5,
        "other_running": 120.0,
    }
    return Situation(**plain | changes)


def test_without_interest_the_monthly_cost_is_plain_division() -> None:
    """(value lost + repairs) / months: (2400 - 1200 + 720) / 24 = 80, and 10 more for the fix."""
    assert keeping(situation()) == pytest.approx((70.0, 80.0, 90.0))
    assert keeping(situation(fix=(200.0, 240.0, 300.0)))[1] == pytest.approx(90.0)
    assert letting_go(situation(), fixed=False) == pytest.approx((7200 - 3600 + 240) / 24)


def test_with_interest_it_is_the_annuity() -> None:
    """1,000 paid now at 12 % effective a year over 12 months, nothing left: 1000 r / (1 - v^12)
    with r = 1.12^(1/12) - 1, v = 1 / (1 + r): the annuity formula of engineering economics."""
    s = situation(months=12, yearly_rate=0.12, value=1000.0, value_then=0.0, running=(0, 0, 0))
    r = 1.12 ** (1 / 12) - 1
    assert keeping(s)[1] == pytest.approx(1000 * r / (1 - 1 / 1.12))


@pytest.mark.parametrize("rate", [0.0, 0.05])
def test_where_it_flips_the_two_ways_cost_the_same(rate: float) -> None:
    s = situation(yearly_rate=rate)
    gap = letting_go(s, fixed=False) - keeping(s)[1]
    running = running_that_flips(s, gap)
    turned = situation(yearly_rate=rate, running=(running, running, running))
    assert keeping(turned)[1] == pytest.approx(letting_go(s, fixed=False))
    value = value_where_it_flips(s, gap)
    turned = situation(yearly_rate=rate, value=value, value_fixed=value)
    assert keeping(turned)[1] == pytest.approx(letting_go(s, fixed=False))
    repair = repair_that_flips(s, gap)
    turned = situation(yearly_rate=rate, fix=(repair, repair, repair))
    assert keeping(turned)[1] == pytest.approx(letting_go(s, fixed=False))


def car(value: str, *more: NewEvent, miles_a_year: int = 6000) -> list[NewEvent]:
    """Return an old car of unknown part history with yearly readings and a valuation."""
    readings = [
        event("car-1", "odometer_reading", f"{year}-01-05", odometer=90_000 + i * miles_a_year)
        for i, year in enumerate((2023, 2024, 2025, 2026), start=1)
    ]
    first = event("car-1", "enrolment", "2022-01-05", odometer=90_000, vehicle_class="light car")
    worth = event(
        "car-1",
        "valuation",
        "2026-01-05",
        value=usd(value),
        source="local lists",
    )
    return [first, *readings, worth, *more]


def finding(component: str, *, safety: bool = False) -> NewEvent:
    return looked("car-1", "2026-01-06", found(component, "failed", safety=safety))


def answer(folder: Path, events: list[NewEvent], **settings: object) -> Result:
    with view_of(events, folder, as_of="2026-01-10") as view:
        return check_analysis(
            KEEP_OR_SELL, view, {"vehicle": "car-1", "least_parts": 0, **settings}
        )


def ways(result: Result) -> dict[str, dict[str, Any]]:
    return {str(row["option"]): row for row in result.table("options").records()}


def test_a_running_car_that_would_fetch_almost_nothing_is_kept(tmp_path: Path) -> None:
    """Common practice, no source."""
    result = answer(tmp_path, car("300.00"), replacement_price="6000", replacement_repairs="0")
    assert result.headline.startswith("Keep as it is: ")


def test_a_large_repair_on_a_little_used_car_worth_less_is_not_advised(tmp_path: Path) -> None:
    """Common practice, no source: an engine at 4,500 in a car worth 1,500, 2,000 miles a year."""
    done_elsewhere = event(
        "car-2",
        "replacement",
        "2025-12-01",
        odometer=120_000,
        component="engine.assembly",
        reason="failed",
        parts_cost=usd("4500.00"),
    )
    other = event("car-2", "enrolment", "2025-01-05", odometer=110_000, vehicle_class="light car")
    events = [
        *car("1500.00", finding("engine.assembly"), miles_a_year=2000),
        other,
        done_elsewhere,
    ]
    result = answer(
        tmp_path, events, runs="false", replacement_price="4000", replacement_repairs="300"
    )
    assert result.headline.startswith("Let go as it stands: ")
    assert ways(result)["good for two years"]["at_once"] == pytest.approx(4500.0)
    assert "keep as it is" not in ways(result)
    assert ways(result)["only what has failed"]["at_once"] == pytest.approx(4500.0)


def test_with_a_safety_item_open_keeping_it_as_it_is_is_not_offered(tmp_path: Path) -> None:
    events = car("3000.00", finding("steering.tie_rod_outer", safety=True))
    result = answer(tmp_path, events, replacement_price="9000", replacement_repairs="0")
    assert result.headline.startswith("Safety first: outer tie rod end; repair before driving.")
    assert "keep as it is" not in ways(result)
    assert ways(result)["safety only"]["offered"] == "yes"
    assert "safe to drive" not in repr(result)


def test_without_a_replacement_price_it_says_what_would_beat_keeping(tmp_path: Path) -> None:
    """A page for the owner names no setting; what it would take to turn it stands there."""
    result = answer(tmp_path, car("300.00"))
    assert result.headline.startswith("Keep as it is: about ")
    assert "Keep, unless another vehicle costs under " in str(result.table("turns").rows[0][0])


def test_what_would_turn_it_is_said(tmp_path: Path) -> None:
    result = answer(tmp_path, car("300.00"), replacement_price="6000", replacement_repairs="0")
    said = " ".join(str(row[0]) for row in result.table("turns").rows)
    assert "would fetch more than" in said
    assert "one more repair of over" in said


def test_a_typed_value_stands_before_the_one_on_record(tmp_path: Path) -> None:
    result = answer(tmp_path, car("300.00"), value="5000")
    assert any("value as stated" in caveat for caveat in result.caveats)


def test_with_too_few_parts_on_record_there_is_no_sum(tmp_path: Path) -> None:
    events = car("3000.00", finding("steering.tie_rod_outer", safety=True))
    result = answer(tmp_path, events, least_parts=8, replacement_price="9000")
    assert result.headline.startswith("Safety first: outer tie rod end; repair before driving.")
    assert "too few to tell" in result.headline
    # What is open wants doing all the same; only the future is not added up.
    assert ([table.name for table in result.tables], result.estimates) == (["plan", "sums"], ())


def test_a_value_that_nobody_knows_is_not_the_price_of_the_other_vehicle(tmp_path: Path) -> None:
    """No advice and no odds; it turns where keeping and letting go cost the same a month."""
    pads = {"component": "brake.pad", "position": "front", "reason": "worn_out"}
    done = event(
        "car-1", "replacement", "2024-01-05", odometer=101_000, parts_cost=usd("180"), **pads
    )
    events = [e for e in car("300.00", done) if e.kind != "valuation"]
    asked = {"replacement_price": "6000", "replacement_repairs": "0", "yearly_rate": "0"}
    result = answer(tmp_path, events, **asked)
    assert result.headline.startswith("No value of this vehicle is known, so no advice by money")
    assert "futures" not in result.headline
    # What is paid now is known; what it costs a month is not.
    assert {row["monthly"] for row in ways(result).values()} == {None}
    (said,) = [row[0] for row in result.table("turns").rows]
    # Without interest: value x (1 - 0.85^2) + repairs = 6000 x (1 - 0.85^2), both over 24 months.
    repairs = result.estimates[0].value
    assert repairs is not None
    value = 6000.0 - repairs / (1.0 - 0.85**2)
    assert f"if it would fetch less than {value:,.0f} as it is" in str(said)


def fleet() -> list[NewEvent]:
    """Four cars alike, one with an open failed engine; of the fourth nobody knows a value."""
    events: list[NewEvent] = []
    for number in range(1, 5):
        name = {"vehicle_id": f"car-{number}"}
        pads = event("car", "replacement", "2024-01-05", odometer=101_000, component="brake.pad",
                     position="front", reason="worn_out", parts_cost=usd("180.00"))  # fmt: skip
        own = [e for e in car("3000.00", pads) if number != 4 or e.kind != "valuation"]
        events += [e.model_copy(update=name) for e in own]
    events.append(finding("engine.assembly").model_copy(update={"vehicle_id": "car-2"}))
    events.append(event("bus-1", "enrolment", "2022-01-05", odometer=90_000, vehicle_class="bus"))
    events.append(
        event("bus-1", "replacement", "2022-02-05", odometer=90_100, component="engine.assembly",
              reason="failed", parts_cost=usd("4500.00"))
    )  # fmt: skip
    return sorted(events, key=lambda e: e.occurred_at)


@pytest.mark.parametrize("price", [None, "6000"])
def test_without_a_vehicle_all_are_ranked_within_their_class(
    tmp_path: Path, price: str | None
) -> None:
    asked = {"least_parts": 0, **({} if price is None else {"replacement_price": price})}
    with view_of(fleet(), tmp_path, as_of="2026-01-10") as view:
        result = check_analysis(KEEP_OR_SELL, view, asked)
        one = check_analysis(KEEP_OR_SELL, view, {"vehicle": "car-2", "least_parts": 0})
    rows = {str(row["vehicle"]): row for row in result.table("vehicles").records()}
    cars = [row for row in rows.values() if row["class"] == "light car"]
    assert sorted(row["rank"] for row in cars) == [1, 2, 3, 4]
    told = [str(row["say"]) for row in result.table("vehicles").records()]
    words = ["let go first", "ask before the next large bill", "keep", "cannot say"]
    assert [words.index(one) for one in told] == sorted(words.index(one) for one in told)
    dearest = cars[0]
    assert dearest["say"] == "let go first"
    assert dearest["vehicle"] == "car-2"
    assert dearest["due"] == pytest.approx(4500.0)
    for row in cars:
        whole = float(row["failures"]) + float(row["services"]) + float(row["due"])
        assert float(row["upkeep"]) == pytest.approx(whole, abs=0.02)
        assert row["low"] <= row["upkeep"] <= row["high"]
    assert (rows["car-4"]["value"], rows["car-4"]["loses"]) == (None, None)
    assert rows["car-1"]["value"] == pytest.approx(3000.0, rel=0.01)
    assert "car-2" in result.headline
    # The same open work, at the same price, in the answer for the one vehicle.
    assert ways(one)["good for two years"]["at_once"] == pytest.approx(4500.0)
    turn = str(rows["car-4"]["turn"])
    assert turn.startswith("no value known" if price is None else "stays if it would fetch less")
    assert rows["car-1"]["turn"] != ""
    assert any("1 vehicle" in c and "no value" in c for c in result.caveats) or any(
        "have no value on record" in c for c in result.caveats
    )
    assert all(result.table("vehicles").evidence[:3])


def test_carrying_passengers_is_said_beside_the_sums(tmp_path: Path) -> None:
    events = car(
        "3000.00",
        event(
            "car-1",
            "replacement",
            "2025-01-05",
            odometer=108_000,
            component="brake.pad",
            position="front",
            reason="worn_out",
            parts_cost=usd("80.00"),
        ),
    )
    result = answer(tmp_path, events, duty="passengers")
    assert any("safety-critical parts" in caveat for caveat in result.caveats)


def test_valuations_in_another_currency_are_left_out_and_said_so(tmp_path: Path) -> None:
    other = event(
        "car-1",
        "valuation",
        "2026-01-07",
        value=usd("9000.00", "CAD"),
        source="local lists",
    )
    bill = event(
        "car-1",
        "replacement",
        "2025-06-01",
        component="electrical.battery",
        reason="failed",
        parts_cost=usd("120.00"),
    )
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    alone = answer(tmp_path / "one", car("2000.00", bill))
    both = answer(tmp_path / "two", car("2000.00", bill, other))
    assert "1 valuation in CAD left out, amounts are never converted" in both.caveats[0]
    assert "left out" not in alone.caveats[0]
    assert both.headline == alone.headline
