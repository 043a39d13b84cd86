"""An electric car is asked for nothing that burns, wherever the parts of a vehicle are named."""

from collections.abc import Iterator
from typing import Any

import pytest
from builders import replaced

from roadworn import NewEvent, PluginHost
from roadworn.analysis.outlook import outlook
from roadworn.columns.view import LedgerView
from roadworn.testing import event

BURNT = (
    *("ignition.spark_plug", "engine.oil", "air.filter", "emission.exhaust_pipe", "fuel.pump"),
    *("electrical.alternator", "emission.catalyst"),
)
WORN = ("electrical.battery", "suspension.shock", "body.wiper_blade")


def small_fleet() -> Iterator[NewEvent]:
    """Four cars of one class, three that burn gasoline and lost every part once, one electric."""
    for number in range(4):
        car = f"car-{number}"
        yield event(
            car, "enrolment", "2020-01-06", odometer=0, unit="mi", vehicle_class="sedan",
            fuel="electric" if number == 3 else "gasoline", parts="original", model_year=2020,
            in_service_date="2020-01-06", weight_class="light",
        )  # fmt: skip
        if number < 3:
            for at, component in enumerate((*BURNT, *WORN)):
                yield replaced(
                    car, f"2023-0{1 + at % 9}-1{number}", component, odometer=40_000 + at * 500,
                    unit="mi", reason="failed",
                )  # fmt: skip
        yield event(car, "odometer_reading", "2026-06-01", odometer=80_000, unit="mi")


@pytest.fixture
def view(view_of: Any) -> LedgerView:
    found: LedgerView = view_of(list(small_fleet()))
    return found


def named(result: Any) -> set[str]:
    cells = {cell for table in result.tables for row in table.rows for cell in row}
    return {str(cell) for cell in cells if isinstance(cell, str)}


def test_lives_and_unknown_parts_leave_out_what_is_not_there(view: LedgerView) -> None:
    lived = view.sql("SELECT DISTINCT component FROM part_lives WHERE vehicle_id = 'car-3'").rows
    assert {component for (component,) in lived} == set(WORN)
    both = view.sql("SELECT count(*) FROM absent_parts WHERE vehicle_id = 'car-3'").rows[0][0]
    assert both >= 60


def names_what_burns(texts: Any) -> list[str]:
    words = (*BURNT, "spark plug", "engine oil", "exhaust", "fuel system", "onboard system")
    return [text for text in texts if any(word in text for word in words)]


@pytest.mark.parametrize("analysis", ["next-repairs", "maintenance-due", "inspection-outlook"])
def test_no_analysis_of_an_electric_car_names_what_burns(view: LedgerView, analysis: str) -> None:
    host = PluginHost.load()
    result = host.run(analysis, view, {"vehicle": "car-3"}).result
    assert not names_what_burns([*named(result), str(result.headline), *map(str, result.caveats)])
    # What burns is asked of its sisters.
    assert names_what_burns(named(host.run(analysis, view, {"vehicle": "car-0"}).result))


def test_nor_does_its_outlook(view: LedgerView) -> None:
    host = PluginHost.load()
    assert not names_what_burns([repr(outlook(view, host, "car-3"))])
    assert names_what_burns([repr(outlook(view, host, "car-0"))])
