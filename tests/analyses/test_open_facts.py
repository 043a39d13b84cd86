"""What is open today changes the chance of today: each kind of fact on a small shop."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from builders import found, looked, scanned

from roadworn.columns.view import LedgerView
from roadworn.model.events import NewEvent
from roadworn.testing import event, view_of
from roadworn_plugins.ahead import NEXT_REPAIRS
from roadworn_plugins.ahead.open_facts import LEAST_TOLD, OpenFacts, parts_today
from roadworn_plugins.shared.projected import Projection, project
from roadworn_plugins.wear.chances import MeasuredParts

TODAY = date(2026, 11, 20)


def on(days_before: int) -> str:
    return (TODAY - timedelta(days=days_before)).isoformat()


def shop(cars: int = 12, signs: bool = True) -> list[NewEvent]:
    """Vehicles of one class, 1,500 km a month for five years; what fails was mostly seen before.

    Each had its converter, coil 3, water pump and battery replaced once; the converter and the
    coil after their code, the pump after it was found wearing, all some months before.
    """
    rows: list[NewEvent] = []
    for n in range(cars):
        name = f"car-{n}"
        rows.append(
            event(
                name, "enrolment", on(1800), odometer=0, unit="km", parts="original",
                vehicle_class="light car", in_service_date=on(1800),
            )
        )  # fmt: skip
        rows += [
            event(name, "odometer_reading", on(days), odometer=50 * (1800 - days), unit="km")
            for days in range(1710, 0, -90)
        ]
        jobs = (
            ("emission.catalyst", "1", 1300 - 40 * n),
            ("ignition.coil", "3", 700 - 30 * n),
            ("cooling.water_pump", "", 1200 - 35 * n),
            ("electrical.battery", "", 1150 - 20 * n),
        )
        for component, place, days in jobs:
            where = {"position": place} if place else {}
            if signs:
                early = on(days + 45)
                if component == "emission.catalyst":
                    rows.append(scanned(name, early, "P0420"))
                    rows.append(scanned(name, on(days - 1)))
                elif component == "ignition.coil":
                    rows.append(scanned(name, early, "P0303"))
                    rows.append(scanned(name, on(days - 1)))
                else:
                    rows.append(looked(name, on(days + 150), found(component, "wearing")))
            rows.append(
                event(
                    name, "replacement", on(days), odometer=50 * (1800 - days), unit="km",
                    component=component, reason="failed",
                    parts_cost={"amount": "300", "currency": "USD"}, **where,
                )
            )  # fmt: skip
    return sorted(rows, key=lambda one: one.occurred_at)


def at(view: LedgerView, vehicle: str, component: str, months: float = 12.0) -> dict[str, float]:
    """Return the chance of a part with what is known and without, and u."""
    parts = parts_today(view, vehicle)
    i = parts.component.index(component)
    with_it = project(parts, months)
    without = project(replace(parts, facts=None), months)
    u = 1.0
    if isinstance(parts.facts, OpenFacts):
        u = float(parts.facts.within(np.full(parts.size, months)).u[i])
    return {"with": float(with_it.chance[i]), "without": float(without.chance[i]), "u": u}


def row(view: LedgerView, vehicle: str, component: str) -> dict[str, object]:
    table = NEXT_REPAIRS.run(view, NEXT_REPAIRS.settings(vehicle=vehicle)).table("next_repairs")
    for number, one in enumerate(table.records()):
        if one["component"] == component:
            return {**one, "evidence": table.evidence[number]}
    raise AssertionError(component)


def also(more: Iterable[NewEvent]) -> list[NewEvent]:
    return sorted([*shop(), *more], key=lambda one: one.occurred_at)


def test_a_code_brings_its_part_forward(tmp_path: Path) -> None:
    scan = scanned("car-1", on(5), "P0420")
    with view_of(also([scan]), tmp_path, as_of=TODAY.isoformat()) as view:
        chances = at(view, "car-1", "emission.catalyst")
        told_row = row(view, "car-1", "emission.catalyst")
    assert chances["without"] < 0.25
    assert chances["with"] > 0.6
    basis = str(told_row["basis"])
    assert basis.startswith(f"P0420 active since {on(5)}: points here in 12 of 12 like cases")
    assert len(told_row["evidence"]) > 2  # type: ignore[arg-type]


def test_a_code_of_a_cylinder_speaks_for_that_cylinder(tmp_path: Path) -> None:
    scan = scanned("car-1", on(5), "P0303 pending")
    with view_of(also([scan]), tmp_path, as_of=TODAY.isoformat()) as view:
        parts = parts_today(view, "car-1")
        now = project(parts, 12.0).chance
        coils = {
            p: float(now[i])
            for i, (c, p) in enumerate(zip(parts.component, parts.position, strict=True))
            if c == "ignition.coil"
        }
    assert coils["3"] > 0.5
    assert all(chance < 0.3 for place, chance in coils.items() if place != "3")


def test_a_finding_on_the_part_counts_and_says_its_cases(tmp_path: Path) -> None:
    look = looked("car-1", on(3), found("cooling.water_pump", "wearing"))
    with view_of(also([look]), tmp_path, as_of=TODAY.isoformat()) as view:
        chances = at(view, "car-1", "cooling.water_pump")
        basis = str(row(view, "car-1", "cooling.water_pump")["basis"])
    assert chances["with"] > max(0.6, chances["without"])
    assert basis.startswith(
        f"found wearing on {on(3)}: 12 of 12 found so before failed within a year"
    )


def test_what_is_open_upstream_is_named_where_the_place_keeps_failing(tmp_path: Path) -> None:
    again = [
        event(
            "car-1", "replacement", on(days), odometer=50 * (1800 - days), unit="km",
            component="ignition.coil", position="3", reason="failed",
        )
        for days in (900, 650, 420, 180)
    ]  # fmt: skip
    oil = looked(
        "car-1", on(160),
        found("engine.cover_gasket", "failed", position="1", note="oil in the well of cylinder 3"),
    )  # fmt: skip
    with view_of(also([*again, oil]), tmp_path, as_of=TODAY.isoformat()) as view:
        basis = str(row(view, "car-1", "ignition.coil")["basis"])
    assert f"valve cover or oil pan gasket bank 1 open since {on(160)} may stand behind it" in basis
    assert "failed here" in basis


def test_without_any_sign_nothing_changes(tmp_path: Path) -> None:
    with view_of(shop(signs=False), tmp_path, as_of=TODAY.isoformat()) as view:
        parts = parts_today(view)
        assert parts.facts is None


def test_facts_never_lower_a_chance_below_its_share(tmp_path: Path) -> None:
    """Property: at least u times the chance by lives, at any part and any time ahead."""
    scan = scanned("car-1", on(5), "P0420")
    look = looked("car-2", on(3), found("cooling.water_pump", "wearing"))
    with view_of(also([scan, look]), tmp_path, as_of=TODAY.isoformat()) as view:
        parts = parts_today(view)
        for months in (1.0, 6.0, 12.0, 36.0):
            now: Projection = project(parts, months)
            lives = project(replace(parts, facts=None), months)
            assert isinstance(parts.facts, OpenFacts)
            u = parts.facts.within(np.full(parts.size, months)).u
            assert np.all((u > 0.0) & (u <= 1.0))
            assert np.all(now.chance >= u * lives.chance - 1e-12)
            assert np.all((now.low <= now.chance) & (now.chance <= now.high))


def test_a_part_pointed_to_is_listed_though_no_class_ever_replaced_it(tmp_path: Path) -> None:
    """A hybrid's battery with its code and a weak block; nobody ever replaced one here."""
    look = looked("car-1", on(4), found("ev.traction_battery", "wearing", note="one block weak"))
    scan = scanned("car-1", on(4), "P0A80")
    with view_of(also([look, scan]), tmp_path, as_of=TODAY.isoformat()) as view:
        told_row = row(view, "car-1", "ev.traction_battery")
    assert float(str(told_row["chance"])) > 0.4
    assert f"found wearing on {on(4)}" in str(told_row["basis"])
    assert f"P0A80 active since {on(4)}" in str(told_row["basis"])


def test_one_measurement_after_a_known_fitting_tells_its_wear(tmp_path: Path) -> None:
    """Pads at 3 mm after 44,000 km from about 11 mm lose 0.18 mm in 1,000 km."""
    pads = event(
        "car-1", "replacement", on(1000), odometer=40_000, unit="km",
        component="brake.pad", position="front", reason="worn_out",
    )  # fmt: skip
    figure = [{"value": 3.0, "unit": "mm", "name": "lining thickness"}]
    look = event(
        "car-1", "inspection", on(10), odometer=84_000, unit="km",
        findings=[
            {"component": "brake.pad", "position": "front", "condition": "wearing",
             "measurements": figure},
        ],
    )  # fmt: skip
    with view_of(also([pads, look]), tmp_path, as_of=TODAY.isoformat()) as view:
        parts = parts_today(view, "car-1")
        wear = MeasuredParts.load(view, parts)
        (i,) = (i for i in wear.lines if parts.component[i] == "brake.pad")
        found_now = project(parts, 12.0, measured=wear.chances(12.0))
    assert wear.lines[i].number == 1
    assert wear.lines[i].per_1000_km == pytest.approx(8.0 / 44.0, abs=0.01)
    assert found_now.low[i] < found_now.chance[i] < found_now.high[i]
    assert found_now.chance[i] > 0.5


def test_a_measured_place_is_listed_though_never_replaced(tmp_path: Path) -> None:
    """The only truck: three tires were replaced, the fourth is measured, and is projected."""
    rows = [
        event(
            "truck-1",
            "enrolment",
            on(1500),
            odometer=0,
            unit="km",
            parts="original",
            vehicle_class="truck",
            in_service_date=on(1500),
        )
    ]
    rows += [
        event(
            "truck-1", "replacement", on(700), odometer=40_000, unit="km",
            component="wheel.tire", position=wheel, reason="worn_out",
        )
        for wheel in ("RF", "LR", "RR")
    ]  # fmt: skip
    rows += [
        looked(
            "truck-1", on(days), found("wheel.tire", "sound", "LF", (figure, "mm")),
            odometer=50 * (1500 - days), unit="km",
        )
        for days, figure in ((300, 6.0), (20, 4.0))
    ]  # fmt: skip
    with view_of(rows, tmp_path, as_of=TODAY.isoformat()) as view:
        parts = parts_today(view, "truck-1")
        wear = MeasuredParts.load(view, parts)
    places = [p for c, p in zip(parts.component, parts.position, strict=True) if c == "wheel.tire"]
    assert sorted(places) == ["LF", "LR", "RF", "RR"]
    assert [parts.position[i] for i in wear.lines] == ["LF"]


def test_what_hardly_moves_a_chance_is_not_told(tmp_path: Path) -> None:
    """A complaint that points to a part with 2 in 100 is not named there."""
    said = event("car-1", "complaint", on(2), complaint="shakes when cold")
    with view_of(also([said]), tmp_path, as_of=TODAY.isoformat()) as view:
        facts = parts_today(view, "car-1").facts
        told_row = row(view, "car-1", "ignition.coil")
    assert isinstance(facts, OpenFacts)
    months = np.full(len(facts.component), 12.0)
    told = {facts.component[i] for i in facts.telling(months)}
    assert "ignition.coil" in told
    assert "emission.catalyst" not in told
    assert f"said on {on(2)}: points here" in str(told_row["basis"])
    weak = replace(facts, facts=tuple(replace(one, weight=0.02) for one in facts.facts))
    assert weak.within(months).q[0].max() < LEAST_TOLD
    assert not weak.telling(months)


def test_a_code_of_which_no_case_is_known_points_where_its_standard_does(tmp_path: Path) -> None:
    """Not to what failed most often here."""
    with view_of(also([scanned("car-1", on(4), "P0A80")]), tmp_path, as_of=TODAY.isoformat()) as v:
        facts = parts_today(v, "car-1").facts
    assert isinstance(facts, OpenFacts)
    assert [fact.component for fact in facts.facts] == ["ev.traction_battery"]
    assert facts.facts[0].weight > 0.8


def test_a_measured_part_names_its_figure_its_finding_and_the_habit(tmp_path: Path) -> None:
    def pads(n: int, days: int, mm: float, condition: str) -> NewEvent:
        return looked(
            f"car-{n}", on(days), found("brake.pad", condition, "front", (mm, "mm")),
            odometer=50 * (1800 - days), unit="km",
        )  # fmt: skip

    rows = [pads(n, 900, 9.0, "sound") for n in range(3, 12)]
    rows += [pads(n, 600, 6.0, "wearing" if n == 3 else "sound") for n in range(3, 12)]
    rows += [
        event(
            f"car-{n}", "replacement", on(300), odometer=75_000, unit="km",
            component="brake.pad", position="front", reason="worn_out",
        )
        for n in range(4, 12)
    ]  # fmt: skip
    with view_of(also(rows), tmp_path, as_of=TODAY.isoformat()) as view:
        told = row(view, "car-3", "brake.pad")
    assert str(told["basis"]).startswith(
        f"its own measured wear: 6 mm on {on(600)}; found wearing on {on(600)}; "
        "such parts are replaced here at about 3 mm"
    )
    assert len(told["evidence"]) >= 2  # type: ignore[arg-type]
