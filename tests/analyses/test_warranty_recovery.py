"""Failed within its own warranty: the last day and the last mile count, one more does not.

The rule for short months is common practice, no source; the written terms come first.
"""

from pathlib import Path
from typing import Any

import pytest
from builders import usd

from roadworn import NewEvent
from roadworn.analysis import Result
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.warranty_recovery import WARRANTY_RECOVERY


def job(day: str, miles: float | None, reason: str = "failed", **terms: Any) -> NewEvent:
    money = {"parts_cost": usd("250.00")} if "cost" not in terms else {}
    if terms.pop("cost", None):
        money = {}
    return event(
        "van-1", "replacement", day, odometer=miles, component="electrical.alternator",
        reason=reason, supplier="Quay", **money, **terms,
    )  # fmt: skip


def recovered(
    folder: Path, fitted: NewEvent, ended: NewEvent, settings: dict[str, Any] | None = None,
    as_of: str = "2025-01-15",
) -> Result:  # fmt: skip
    events = [
        event("van-1", "enrolment", "2019-01-01", odometer=10_000, vehicle_class="van"),
        fitted,
        ended,
    ]
    with view_of(events, folder, as_of=as_of) as view:
        return check_analysis(WARRANTY_RECOVERY, view, settings)


@pytest.mark.parametrize(
    ("fitted", "failed", "covered"),
    [
        ("2023-08-31", "2024-02-29", True),
        ("2023-08-31", "2024-03-01", False),
        ("2022-08-31", "2023-02-28", True),
        ("2022-08-31", "2023-03-01", False),
        ("2023-03-15", "2023-09-15", True),
        ("2023-03-15", "2023-09-16", False),
    ],
)
def test_six_months_end_on_the_same_day_or_the_last(
    tmp_path: Path, fitted: str, failed: str, covered: bool
) -> None:
    result = recovered(
        tmp_path, job(fitted, 50_000, "preventive", warranty_months=6), job(failed, 52_000),
        {"ended": "true"},
    )  # fmt: skip
    assert len(result.table("warranty_recovery").rows) == covered


@pytest.mark.parametrize(("miles", "covered"), [(62_000, True), (62_001, False)])
def test_the_last_mile_is_covered(tmp_path: Path, miles: float, covered: bool) -> None:
    terms = {"warranty_months": 24, "warranty_distance": 12_000.0, "warranty_unit": "mi"}
    result = recovered(
        tmp_path, job("2023-01-10", 50_000, "preventive", **terms), job("2023-12-01", miles),
        as_of="2025-01-10",
    )  # fmt: skip
    rows = result.table("warranty_recovery").records()
    assert len(rows) == covered
    if covered:
        assert (rows[0]["used"], rows[0]["claim"], rows[0]["standing"]) == (
            12_000,
            250.0,
            "in warranty",
        )
        assert str(rows[0]["last_day"]) == "2025-01-10"
        assert result.estimates[0].value == 250.0


def test_wear_is_listed_only_when_asked_for(tmp_path: Path) -> None:
    fitted = job("2024-01-10", 50_000, "preventive", warranty_months=12)
    worn = job("2024-06-01", 55_000, "worn_out")
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    hidden = recovered(tmp_path / "a", fitted, worn)
    assert hidden.table("warranty_recovery").rows == ()
    assert "1 part that was replaced as worn out" in " ".join(hidden.caveats)
    shown = recovered(tmp_path / "b", fitted, worn, {"wear": True, "ended": True})
    assert "terms usually exclude wear" in str(shown.table("warranty_recovery").records()[0])


def test_a_part_replaced_beforehand_is_no_claim(tmp_path: Path) -> None:
    fitted = job("2024-01-10", 50_000, "preventive", warranty_months=12)
    result = recovered(tmp_path, fitted, job("2024-06-01", 55_000, "preventive"))
    assert result.tables == ()
    assert result.headline == "No part that failed had a warranty on record."


def test_old_failures_can_be_left_out(tmp_path: Path) -> None:
    fitted = job("2024-01-10", 50_000, "preventive", warranty_months=12)
    result = recovered(tmp_path, fitted, job("2024-06-01", 55_000), {"months_back": 6})
    assert result.tables == ()


@pytest.mark.parametrize(("today", "open_"), [("2024-06-30", True), ("2024-07-01", False)])
def test_only_what_can_still_be_claimed_is_in_the_sum(
    tmp_path: Path, today: str, open_: bool
) -> None:
    """Terms of a year from 2023-06-30: what failed in February can be claimed to the last day."""
    fitted = job("2023-06-30", 50_000, "preventive", warranty_months=12)
    ended = job("2024-02-01", 52_000)
    result = recovered(tmp_path, fitted, ended, as_of=today)
    if open_:
        assert result.headline.startswith(
            "1 of 1 failed part can still be claimed under their own warranty: 250.00 USD"
        )
        assert len(result.table("warranty_recovery").rows) == 1
    else:
        assert result.headline == (
            "Of 1 failed part with a warranty on record, none has terms that still run today; "
            "1 failed within theirs."
        )
        assert "1 more failed within terms that have ended since: 250.00 USD" in str(result.caveats)
    (folder := tmp_path / "all").mkdir()
    told = recovered(folder, fitted, ended, {"ended": "true"}, as_of=today)
    (row,) = told.table("warranty_recovery").records()
    assert row["standing"] == ("in warranty" if open_ else "term ended since")
