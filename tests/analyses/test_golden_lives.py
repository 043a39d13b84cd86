"""What the life analyses print on a small invented shop, and on next to nothing.

The printouts lie in `printed/`; after a wanted change write them anew with
`ROADWORN_GOLDEN=write python -m pytest tests/analyses/test_golden_lives.py` and read the
difference. The shop is invented, so this checks the words and the wiring, not the statistics.
"""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from analyses import small_shop

from roadworn import LedgerView
from roadworn.analysis import Analysis
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.lifespans import PART_LIFESPANS
from roadworn_plugins.repeats import REPEAT_FAILURES
from roadworn_plugins.supplier_comparison import SUPPLIER_COMPARISON
from roadworn_plugins.warranty_recovery import WARRANTY_RECOVERY

PRINTED = Path(__file__).parent / "printed"
ANALYSES = (REPEAT_FAILURES, PART_LIFESPANS, SUPPLIER_COMPARISON, WARRANTY_RECOVERY)
CASES: dict[str, tuple[Analysis, dict[str, Any]]] = {
    "repeat-failures": (REPEAT_FAILURES, {}),
    "part-lifespans": (PART_LIFESPANS, {"unit": "mi"}),
    "part-lifespans-by-supplier-in-years": (
        PART_LIFESPANS,
        {"by": "supplier,position", "component": "wheel.bearing", "clock": "age"},
    ),
    "supplier-comparison": (SUPPLIER_COMPARISON, {"by": "part-number"}),
    "warranty-recovery": (WARRANTY_RECOVERY, {"most": 4, "ended": True}),
}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LedgerView]:
    with view_of(
        small_shop.events(), tmp_path_factory.mktemp("shop"), as_of=small_shop.TODAY
    ) as view:
        yield view


@pytest.mark.parametrize("name", CASES)
def test_printout(shop: LedgerView, name: str) -> None:
    analysis, settings = CASES[name]
    text = small_shop.printed(check_analysis(analysis, shop, settings))
    path = PRINTED / f"{name}.txt"
    if os.environ.get("ROADWORN_GOLDEN") == "write":
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")


def test_what_goes_by_time_is_no_finding(shop: LedgerView) -> None:
    """Batteries of cars last few miles but as many years as those of vans."""
    result = check_analysis(REPEAT_FAILURES, shop)
    rows = result.table("repeat_failures").records()
    assert not any(row["component"] == "electrical.battery" for row in rows)


def test_the_early_pump_and_the_bad_part_are_findings(shop: LedgerView) -> None:
    rows = check_analysis(REPEAT_FAILURES, shop).table("repeat_failures").records()
    found = {(row["level"], row["component"], row["where"]) for row in rows}
    assert ("a class", "cooling.water_pump", "van") in found
    assert ("a supplier's part", "wheel.bearing", "Moor Spares, MS-77") in found


@pytest.mark.parametrize("analysis", ANALYSES, ids=lambda analysis: analysis.name)
def test_an_empty_ledger_is_answered_in_one_sentence(analysis: Analysis, tmp_path: Path) -> None:
    with view_of([], tmp_path, as_of="2025-01-15") as view:
        result = check_analysis(analysis, view)
    assert not any(table.rows for table in result.tables)
    assert result.caveats


@pytest.mark.parametrize("analysis", ANALYSES, ids=lambda analysis: analysis.name)
@pytest.mark.parametrize("reason", ["preventive", "failed"])
def test_one_vehicle_without_prices_makes_no_figure_up(
    analysis: Analysis, reason: str, tmp_path: Path
) -> None:
    events = [
        event("van-1", "enrolment", "2024-01-01", odometer=0, parts="original"),
        event(
            "van-1",
            "replacement",
            "2024-05-01",
            odometer=9_000,
            component="cooling.water_pump",
            reason=reason,
            warranty_months=12,
        ),
        event(
            "van-1",
            "replacement",
            "2024-09-01",
            odometer=15_000,
            component="cooling.water_pump",
            reason=reason,
        ),
    ]
    with view_of(events, tmp_path, as_of="2025-01-15") as view:
        result = check_analysis(analysis, view)
    assert not result.estimates or analysis is WARRANTY_RECOVERY
    text = small_shop.printed(result)
    assert "nan" not in text.split()
    if analysis is PART_LIFESPANS:
        assert "too few to tell" in text
    if analysis is WARRANTY_RECOVERY and reason == "failed":
        assert "no price on record" in text
        assert result.table("warranty_recovery").records()[0]["claim"] is None
    if analysis is REPEAT_FAILURES:
        assert result.headline.startswith(("Nothing can be compared", "No part life"))


def test_no_settings_are_taken_that_say_nothing() -> None:
    with pytest.raises(ValueError, match="colour is none of"):
        PART_LIFESPANS.settings(by="component,colour")
