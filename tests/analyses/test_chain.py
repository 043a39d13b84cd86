"""What points where as one sentence, and nothing where nothing ties together.

What brings what down is common practice, no source; the sentences are worked by hand.
"""

from pathlib import Path
from typing import Any

import pytest
from builders import enrolled, found, looked, replaced, scanned, usd

from roadworn.analysis import Holds, Mark
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.likely_causes import LIKELY_CAUSES

COIL, GASKET, MOUNT = "ignition.coil", "engine.cover_gasket", "engine.mount"
CONVERTER, TIRE, TIE_ROD = "emission.catalyst", "wheel.tire", "steering.tie_rod_outer"
CAR = enrolled("car", "2024-01-01", odometer=50_000, unit="mi", vehicle_class="car")
ESTIMATE = "0190a000-0000-7000-8000-000000000001"


def failed_often(
    component: str, place: str | None, times: int, year: int = 2025, cost: str = "80.00"
) -> list[NewEvent]:
    where = {"position": place} if place else {}
    return [
        replaced("car", f"{year}-{2 * n + 1:02d}-05", component, cost, **where)
        for n in range(times)
    ]


def offered(component: str, decision: str, place: str | None = None) -> list[NewEvent]:
    line = {"line": 1, "component": component, "amount": usd("240.00")}
    line |= {"position": place} if place else {}
    given = [{"line": 1, "decision": decision}]
    return [
        event("car", "estimate", "2025-12-01", lines=[line]).model_copy(
            update={"event_id": ESTIMATE}
        ),
        event("car", "authorisation", "2025-12-01", estimate=ESTIMATE, decisions=given),
    ]


def chains(folder: Path, *events: NewEvent, today: str = "2026-02-01") -> list[dict[str, Any]]:
    with view_of([CAR, *events], folder, as_of=today) as view:
        result = check_analysis(LIKELY_CAUSES, view)
    if not any(table.name == "chain" and table.rows for table in result.tables):
        assert "behind it" not in f"{result}"
        return []
    table = result.table("chain")
    assert table.holds is Holds.CHAIN
    assert all(Mark.SHOULD in marks for marks in table.marks)
    assert all(table.evidence)
    return table.records()


def test_a_code_a_repeat_and_a_declined_repair_are_one_sentence(tmp_path: Path) -> None:
    (row,) = chains(
        tmp_path,
        *failed_often(COIL, "3", 5),
        *offered(GASKET, "declined", "1"),
        scanned("car", "2026-01-10", "P0303 pending", odometer=70_000),
        looked("car", "2026-01-10", found(GASKET, "failed", "1", note="oil in well 3")),
    )
    assert row["sentence"] == (
        "P0303 points to ignition coil cylinder 3, which failed here 5 times; behind it may "
        "stand valve "
        "cover or oil pan gasket bank 1 (oil in well 3), offered and declined on 2025-12-01 "
        "at 240.00 "
        "USD; failed since 2026-01-10: do that first (240 USD), it spares ignition coil "
        "cylinder 3 at 80 "
        "USD"
    )
    assert (row["component"], row["position"], row["spared"]) == (
        GASKET,
        "1",
        "ignition coil cylinder 3",
    )
    assert row["first"] == pytest.approx(240.0, rel=0.02)
    assert row["spares"] == pytest.approx(80.0, rel=0.02)


def test_a_misfire_is_seen_to_before_the_converter(tmp_path: Path) -> None:
    (row,) = chains(tmp_path, scanned("car", "2026-01-10", "P0302", "P0420", odometer=70_000))
    assert row["sentence"] == (
        "P0420 points to catalytic converter; behind it may stand ignition coil cylinder 2 "
        "(P0302 is "
        "active): do that first, it spares catalytic converter"
    )
    assert (row["component"], row["position"]) == (COIL, "2")


def test_what_keeps_failing_is_tied_to_what_is_open_upstream_without_any_code(
    tmp_path: Path,
) -> None:
    (row,) = chains(
        tmp_path,
        *failed_often("electrical.alternator", None, 3),
        looked("car", "2026-01-10", found(MOUNT, "failed", "front", note="cracked")),
    )
    assert row["sentence"] == (
        "alternator failed here 3 times; behind it may stand engine mount front (cracked): do "
        "that first, it spares alternator at 80 USD"
    )


def test_work_offered_and_not_done_is_upstream_too(tmp_path: Path) -> None:
    (row,) = chains(tmp_path, *failed_often(COIL, "3", 3), *offered(GASKET, "deferred"))
    assert row["sentence"] == (
        "ignition coil cylinder 3 failed here 3 times; behind it may stand valve cover or "
        "oil pan gasket, "
        "offered and deferred on 2025-12-01 at 240.00 USD: do that first (240 USD), it spares "
        "ignition coil cylinder 3 at 80 USD"
    )


def test_a_worn_tire_waits_for_the_loose_joint_on_its_side(tmp_path: Path) -> None:
    loose = found(TIE_ROD, "failed", "L", note="play felt")
    worn = [found(TIRE, "wearing", place) for place in ("LF", "RF", "LR")]
    (row,) = chains(tmp_path, looked("car", "2026-01-10", loose, *worn))
    assert row["sentence"] == (
        "tire LF wearing; behind it may stand outer tie rod end L (play felt): do that first, "
        "it spares tire LF"
    )


GASKET_OPEN = looked("car", "2026-01-10", found(GASKET, "failed", "1"))


@pytest.mark.parametrize(
    "events",
    [
        # A code alone.
        [scanned("car", "2026-01-10", "P0303", odometer=70_000)],
        # A repeat alone.
        failed_often(COIL, "3", 5),
        # Something open that brings nothing down here.
        [GASKET_OPEN],
        # Two failures are no repeat.
        [*failed_often(COIL, "3", 2), GASKET_OPEN],
        # What failed often years ago and not since has been seen to.
        [*failed_often(COIL, "3", 4, year=2020), GASKET_OPEN],
        # The upstream part was done since.
        [*failed_often(COIL, "3", 5), GASKET_OPEN,
         replaced("car", "2026-01-20", GASKET, position="1")],
        # Found sound since.
        [*failed_often(COIL, "3", 5), GASKET_OPEN,
         looked("car", "2026-01-20", found(GASKET, "sound", "1"))],
        # Another system.
        [*failed_often("wheel.bearing", "LF", 4), GASKET_OPEN,
         scanned("car", "2026-01-10", "P0420", odometer=70_000)],
        # The other side.
        [looked("car", "2026-01-10", found(TIE_ROD, "failed", "R"), found(TIRE, "wearing", "LF"))],
        # Both only wear, as parts do.
        [looked("car", "2026-01-10", found(TIE_ROD, "wearing", "L"), found(TIRE, "wearing", "LF"))],
        # A misfire that a later scan no longer has.
        [scanned("car", "2026-01-10", "P0302", "P0420", odometer=70_000),
         scanned("car", "2026-01-20", "P0420", odometer=70_100)],
        # Each may bring the other down, and nothing says which did.
        [looked("car", "2026-01-10", found("electrical.battery", "failed"),
                found("electrical.alternator", "failed"))],
    ],
)  # fmt: skip
def test_where_nothing_ties_together_no_chain_is_made_up(
    events: list[NewEvent], tmp_path: Path
) -> None:
    assert chains(tmp_path, *events) == []


def test_a_vehicle_that_left_has_none(tmp_path: Path) -> None:
    gone = event("car", "retirement", "2026-01-25", reason="sold")
    assert chains(tmp_path, *failed_often(COIL, "3", 5), GASKET_OPEN, gone) == []


def test_as_of_a_day_before_the_finding_there_is_none(tmp_path: Path) -> None:
    assert chains(tmp_path, *failed_often(COIL, "3", 5), GASKET_OPEN, today="2026-01-05") == []
