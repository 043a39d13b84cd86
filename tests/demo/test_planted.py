"""What is planted in the demo is found by the analyses, and its lives are estimated as planted.

The demo's world is invented and its truth known (`roadworn_demo.TRUTH`), so it can say whether
the analyses find what is there. It is no check of a published figure.
"""

from typing import Any

import pytest
from commandline import OutlookOf

from roadworn import LedgerView, PluginHost
from roadworn_demo import FEATURED, TRUTH

MILE = 1.609344


@pytest.fixture(scope="module")
def repeats(demo_view: LedgerView, host: PluginHost) -> list[dict[str, Any]]:
    return host.run("repeat-failures", demo_view).result.table("repeat_failures").records()


def listed(rows: list[dict[str, Any]], **wanted: str) -> dict[str, Any]:
    found = [row for row in rows if all(row[key] == value for key, value in wanted.items())]
    assert len(found) == 1, (
        wanted,
        [(row["level"], row["component"], row["where"]) for row in rows],
    )
    return found[0]


def test_the_bad_batch_is_found(repeats: list[dict[str, Any]]) -> None:
    batch = TRUTH.batch
    row = listed(
        repeats,
        level="a supplier's part",
        component=batch.component,
        where=f"{batch.supplier}, {batch.part_number}",
    )
    assert row["failed"] >= 12
    assert row["ratio_low"] > 2


def test_the_vehicle_that_eats_a_part_is_found(repeats: list[dict[str, Any]]) -> None:
    eater = TRUTH.eater
    row = listed(repeats, level="one place", component=eater.component, where=eater.vehicle)
    assert row["failed"] >= 5
    assert "cause on the vehicle itself" in row["against"]


def test_the_component_that_is_weak_on_one_class_is_found(repeats: list[dict[str, Any]]) -> None:
    weak = TRUTH.weak
    row = listed(repeats, level="a class", component=weak.component, where=weak.vehicle_class)
    assert row["failed"] >= 12
    assert row["vehicles"] >= 5


def test_a_row_names_the_events_behind_it(demo_view: LedgerView, host: PluginHost) -> None:
    table = host.run("repeat-failures", demo_view).result.table("repeat_failures")
    for row, events in zip(table.records(), table.evidence, strict=True):
        assert len(events) == row["failed"]
        found = demo_view.sql(
            f"SELECT count(*) FROM events WHERE event_id IN ({','.join('?' * len(events))})",
            events,
        )
        assert found.rows[0][0] == len(set(events))


@pytest.mark.parametrize(
    ("component", "vehicle_class"),
    [("brake.pad", "delivery van"), ("suspension.stabilizer_link", "community bus")],
)
def test_planted_lives_lie_within_the_limits(
    demo_view: LedgerView, host: PluginHost, component: str, vehicle_class: str
) -> None:
    """The true median lies within 99.9 % limits (one seed, so a wide level)."""
    wanted = {"component": component, "unit": "mi", "level": 0.999}
    ran = host.run("part-lifespans", demo_view, wanted)
    row = listed(
        ran.result.table("part_lifespans").records(),
        component=component,
        **{"class": vehicle_class},
    )
    true = TRUTH.life(component)
    median = TRUTH.scale(component, vehicle_class) * 0.6931471805599453 ** (1 / true.shape)
    assert row["b50_low"] < median < row["b50_high"]
    assert row["failed"] > 10


def test_the_outlook_puts_safety_first_and_names_what_is_not_known(
    demo_outlook: OutlookOf,
) -> None:
    found = demo_outlook(FEATURED, "mi")
    assert found.headline.startswith("Safety item open: outer tie rod end L; do not drive")
    assert found.open_now.rows[0][:3] == ("SAFETY: failed", "steering.tie_rod_outer", "L")
    states = [str(row[0]) for row in found.open_now.rows]
    assert {"code", "wearing", "complaint"} <= set(states)
    seen = " ".join(str(row[3]) for row in found.open_now.rows)
    assert "declined on" in seen
    assert "deferred twice" in seen
    assert any("parts is not known" in line for line in found.unknown)
    assert any(line.startswith("Brakes") for line in found.cautions)
    assert found.problems == ()
    assert "safe to drive" not in repr(found)


def test_chances_and_money_of_the_outlook_are_within_bounds(
    demo_outlook: OutlookOf,
) -> None:
    ran = demo_outlook(FEATURED, "mi").next_repairs
    assert ran is not None
    rows = ran.result.table("next_repairs").records()
    assert len(rows) > 5
    for row in rows:
        assert 0 < float(row["chance_low"]) <= float(row["chance"]) <= float(row["chance_high"]) < 1
    total = ran.result.estimates[0]
    assert total.low is not None
    assert total.high is not None
    assert total.value is not None
    assert 0 <= total.low < total.value < total.high
