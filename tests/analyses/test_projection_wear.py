"""At which figure parts are replaced here, and what that does to a projection by wear."""

from pathlib import Path

import numpy as np
import pytest
from builders import found, looked
from scipy import stats

from roadworn.model.events import NewEvent
from roadworn.testing import event, view_of
from roadworn_plugins.shared.parts_ahead import load_parts
from roadworn_plugins.wear.chances import (
    LEAST_REPLACED,
    MeasuredParts,
    chance_replaced,
    replaced_at,
)
from roadworn_plugins.wear.measured import measured_wear


def pads(number: int, reason: str = "worn_out") -> list[NewEvent]:
    """Pads lose 1 mm each 5,000 km from 10 mm, measured each 10,000, replaced at 35,000: 3 mm."""
    rows = []
    for i in range(number):
        name = f"car-{i}"
        rows.append(event(name, "enrolment", "2023-01-01", odometer=0, unit="km"))
        for month, km, mm in ((3, 10_000, 8.0), (5, 20_000, 6.0), (7, 30_000, 4.0)):
            rows.append(look(name, f"2023-{month:02d}-01", km, mm))
        rows.append(
            event(
                name, "replacement", "2023-08-01", odometer=35_000, unit="km",
                component="brake.pad", position="front", reason=reason,
            )
        )  # fmt: skip
        rows += [look(name, "2023-10-01", 45_000, 8.0), look(name, "2023-12-01", 55_000, 6.0)]
    return rows


def look(name: str, day: str, km: float, mm: float) -> NewEvent:
    return looked(name, day, found("brake.pad", "sound", "LF", (mm, "mm")), odometer=km, unit="km")


def test_the_figure_is_that_of_the_line_at_the_replacement(tmp_path: Path) -> None:
    with view_of(pads(LEAST_REPLACED), tmp_path, as_of="2024-01-01") as view:
        assert replaced_at(view) == {"brake.pad": pytest.approx(np.full(LEAST_REPLACED, 3.0))}


def test_few_or_taken_along_parts_tell_no_habit(tmp_path: Path) -> None:
    for number, rows in enumerate((pads(LEAST_REPLACED - 1), pads(LEAST_REPLACED, "preventive"))):
        folder = tmp_path / str(number)
        folder.mkdir()
        with view_of(rows, folder, as_of="2024-01-01") as view:
            assert replaced_at(view) == {}


def test_a_part_is_projected_to_the_habit_and_never_below_the_limit(tmp_path: Path) -> None:
    """At 55,000 km it stands at 6 mm: 3 mm are 15,000 km off, the legal limit of 1/32 in
    (0.79 mm) 26,000."""
    with view_of(pads(LEAST_REPLACED), tmp_path, as_of="2024-01-01") as view:
        wear = measured_wear(view)[0]
        habit = replaced_at(view)["brake.pad"]
    assert wear.middle_km == pytest.approx((6.0 - 0.79375) * 5000, rel=1e-6)
    sure = LEAST_REPLACED / (LEAST_REPLACED + 1)
    assert chance_replaced(wear, 15_000, habit) == pytest.approx(0.5 * sure, abs=1e-6)
    assert chance_replaced(wear, 15_000, None) == sure * wear.chance_within(15_000) < 0.1
    assert chance_replaced(wear, 20_000, np.full(9, 0.1)) == pytest.approx(
        0.9 * wear.chance_within(20_000)
    )


def test_past_every_figure_on_record_is_no_certainty(tmp_path: Path) -> None:
    """Of n figures and a new one each is the least with chance 1 / (n + 1); what lies above the
    kth of n is Beta (Wilks 1941), whose quantiles SciPy gives."""
    with view_of(pads(LEAST_REPLACED), tmp_path, as_of="2024-01-01") as view:
        measured = MeasuredParts.load(view, load_parts(view))
        far = measured.chances(600.0)
    n = LEAST_REPLACED
    least, most = stats.beta(n, 1).ppf([0.1, 0.9])
    assert far
    for chance, low, high in far.values():
        # Two figures leave it open by a hundredth whether it wears at all.
        assert np.all((n / (n + 1) - 0.02 < chance) & (chance < n / (n + 1)))
        assert low == pytest.approx(np.full_like(low, least), abs=0.03)
        assert high == pytest.approx(np.full_like(high, most), abs=0.03)
