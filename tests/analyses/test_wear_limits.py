"""Which limit a worn lining runs towards: the strictest that may hold, never a milder one."""

from pathlib import Path
from typing import Any

import pytest
from builders import looked

from roadworn.model.events import NewEvent
from roadworn.testing import event, view_of
from roadworn_plugins.wear.measured import measured_wear


def look(day: str, miles: float, *findings: dict[str, Any]) -> NewEvent:
    return looked("truck", day, *findings, odometer=miles)


def shoe(place: str, inches: float, **more: Any) -> dict[str, Any]:
    measured = [{"value": inches, "unit": "in", "name": "lining thickness"}]
    of = {"component": "brake.shoe", "condition": "sound", "position": place}
    return {**of, "measurements": measured, **more}


CHAMBER = {"component": "brake.air_chamber", "condition": "sound", "position": "2L"}


@pytest.mark.parametrize(
    ("place", "note", "air", "limit", "citation"),
    [
        # 49 CFR 570.59(c): 1/16 in over the shoe.
        ("2", "", False, 0.0625, "570.59(c)"),
        # 49 CFR 393.47(d)(2): other axles with air drums 1/4 in.
        ("2", "", True, 0.25, "393.47(d)(2)"),
        # 49 CFR 393.47(d)(1): strip 3/16, two pads 1/4 in; nobody said which: the stricter.
        ("1", "", True, 0.25, "393.47(d)(1)"),
        ("1", "lining kind strip", True, 0.1875, "393.47(d)(1)"),
    ],
)
def test_the_limit_of_a_lining(
    place: str, note: str, air: bool, limit: float, citation: str, tmp_path: Path
) -> None:
    more = {"note": note} if note else {}
    events = [
        event("truck", "enrolment", "2026-01-01", odometer=100_000, weight_class="33,000 lb"),
        look("2026-02-01", 101_000, shoe(place, 0.6, **more), *([CHAMBER] if air else [])),
        look("2026-04-01", 111_000, shoe(place, 0.5)),
    ]
    with view_of(events, tmp_path, as_of="2026-04-02") as view:
        (worn,) = measured_wear(view)
    assert worn.limit == pytest.approx(limit)
    assert citation in worn.citation
    # 0.1 in on 10,000 mi: from 0.5 in straight down to the limit; 1 mi = 1.609344 km.
    assert worn.middle_km == pytest.approx((0.5 - limit) * 100_000 * 1.609344)
