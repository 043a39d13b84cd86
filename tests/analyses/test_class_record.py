"""The record of a class against figures worked by hand, and on the demo."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import enrolled, reading, replaced
from scipy import stats

from roadworn import LedgerView, PluginHost
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.events import NewEvent
from roadworn.testing import check_analysis, view_of
from roadworn_plugins.class_record import CLASS_RECORD
from roadworn_plugins.class_record.figures import compared, usual_of
from roadworn_plugins.lifedata.shrinkage import fit_prior

PUMP, PADS = "cooling.water_pump", "brake.pad"


def test_what_is_usual_is_the_others_rate_band_by_band() -> None:
    """Two groups, two bands: 2 of 10 and 6 of 20 of the others, for 5 and 10 of one's own."""
    counts = np.array([[1.0, 4.0], [2.0, 6.0]])
    km = np.array([[5.0, 10.0], [10.0, 20.0]])
    assert usual_of(counts, km) == pytest.approx([5 * 0.2 + 10 * 0.3, 10 * 0.2 + 20 * 0.4])


def test_ratios_are_gamma_posteriors_under_the_prior_that_they_set() -> None:
    pairs = [(12.0, 4.0), (3.0, 4.0), (1.0, 2.0), (5.0, 6.0)]
    prior = fit_prior([seen for seen, _ in pairs], [usual for _, usual in pairs])
    assert prior.status == "fitted"
    first = compared(pairs, 0.9)[0]
    law = stats.gamma(prior.a + 12, scale=1 / (prior.b + 4))
    assert (first.ratio, first.low, first.high) == pytest.approx(
        (law.mean(), law.ppf(0.05), law.ppf(0.95))
    )
    assert 1.0 < first.ratio < 3.0


def two_classes(pumps: int = 6) -> list[NewEvent]:
    """Six vans whose pumps fail and take long, six cars whose do not, all at one pace."""
    made: list[NewEvent] = []
    for kind in ("van", "car"):
        for n in range(6):
            name = f"{kind}-{n}"
            profile = {"make": "Tavenor", "model": kind.title(), "model_year": 2022}
            day = "2022-01-03"
            made.append(
                enrolled(name, day, odometer=0, vehicle_class=kind, in_service_date=day, **profile)
            )
            made += [
                replaced(
                    name,
                    f"2022-{k + 2:02d}-0{n + 1}",
                    PUMP,
                    "100",
                    odometer=5_000 * (k + 1) + n,
                    labour_hours=3.0 if kind == "van" else 2.0,
                    labour_rate={"amount": "50", "currency": "USD"},
                )
                for k in range(pumps if kind == "van" else 1)
            ]
            made.append(reading(name, "2022-12-01", 60_000))
    return made


def test_the_weak_class_is_named_with_its_part_and_its_hours(tmp_path: Path) -> None:
    with view_of(two_classes(), tmp_path, as_of="2022-12-31") as view:
        result = check_analysis(CLASS_RECORD, view, {"unit": "mi"})
    groups = {row["name"]: row for row in result.table("class_record").records()}
    van, car = groups["van"], groups["car"]
    assert (van["failures"], van["vehicles"], van["distance"]) == (36, 6, 360_000)
    # 36 pumps at 100 and three hours at 50 each, over 360 thousand miles.
    assert van["cost"] == pytest.approx(36 * 250 / 360)
    assert van["ratio"] > 2 > 1 > car["ratio"]
    assert van["words"] == "fails more than the others"
    # Three hours where the others take two, drawn a little towards no difference.
    assert 1.3 < van["hours"] <= 1.5
    assert van["work"] == "takes longer to work on"
    assert result.headline.startswith("Keep or buy car")
    assert "Think twice about van" in result.headline
    assert "coolant pump" in result.headline
    parts = result.table("class_parts").records()
    assert {row["component"] for row in parts} == {PUMP}


def test_a_part_that_a_class_does_not_have_does_not_last_on_it(tmp_path: Path) -> None:
    events = two_classes()
    events += [
        replaced(f"van-{n}", "2022-11-20", "ignition.coil", odometer=57_000 + n) for n in range(6)
    ]
    with view_of(events, tmp_path, as_of="2022-12-31") as view:
        parts = check_analysis(CLASS_RECORD, view).table("class_parts").records()
    assert ("car", "ignition.coil") not in {(row["name"], row["component"]) for row in parts}


def test_few_failures_are_too_few_to_tell(tmp_path: Path) -> None:
    events = [one for one in two_classes(1) if one.kind != "replacement"]
    events.insert(1, replaced("van-0", "2022-03-01", PUMP, odometer=5_000))
    with view_of(events, tmp_path, as_of="2022-12-31") as view:
        result = check_analysis(CLASS_RECORD, view)
        one = check_analysis(CLASS_RECORD, view, {"by": "make"})
    assert result.headline == "Too few to tell the 2 apart: 1 failure is on record."
    assert {r["words"] for r in result.table("class_record").records()} == {"too few to tell"}
    assert "nothing to compare it with" in one.headline


def test_before_a_purchase_the_rate_near_the_distance_counts(tmp_path: Path) -> None:
    with view_of(two_classes(), tmp_path, as_of="2022-12-31") as view:
        wanted: dict[str, Any] = {"vehicle_class": "van", "distance": 20_000, "unit": "mi"}
        result = check_analysis(CLASS_RECORD, view, wanted)
        model = check_analysis(CLASS_RECORD, view, {**wanted, "vehicle_class": None, "model": "X"})
    row = result.table("look_first").records()[0]
    # From 0 to 52,000 mi: 36 pumps on six vans, 6 on as many cars; ahead lie 12,000 mi.
    total, own = 12 * 52_000, 6 * 52_000
    a, b = 2.0 + 36, 2.0 / (42 / total) + own
    assert row["component"] == PUMP
    assert row["chance"] == pytest.approx(1 - (b / (b + 12_000)) ** a, rel=1e-6)
    assert "36 failed on such vehicles" in row["rests_on"]
    assert result.headline.startswith("Before buying van at 20,000 mi, look first at: coolant pump")
    assert "No vehicle like it is on record: all vehicles speak for it." in model.caveats


@pytest.mark.parametrize("many", [0, 1])
def test_an_empty_ledger_and_a_single_event_are_answered(many: int, tmp_path: Path) -> None:
    events = [enrolled("car", "2026-01-01", odometer=1)][:many]
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        result = check_analysis(CLASS_RECORD, view)
        before = check_analysis(CLASS_RECORD, view, {"model": "Tavenor Wren", "distance": 90_000})
    assert result.headline.startswith("No failure that was put right")
    rows = before.table("look_first").records()
    assert rows
    assert {row["rests_on"] for row in rows} == {"trade range only (common practice, no source)"}


def test_a_slip_in_a_setting_is_one_sentence(tmp_path: Path) -> None:
    with view_of(two_classes(), tmp_path, as_of="2022-12-31") as view:
        with pytest.raises(UnknownName, match="vna"):
            check_analysis(CLASS_RECORD, view, {"name": "vna"})
        with pytest.raises(UsageError, match="distance"):
            check_analysis(CLASS_RECORD, view, {"model": "Tavenor Van"})


@pytest.mark.parametrize("name", ["<b>x</b>", "{name}", "ñ \u202e'; --"])
def test_hostile_names_are_shown_as_written(name: str, tmp_path: Path) -> None:
    events = [enrolled("v", "2026-01-01", odometer=1, vehicle_class=name)]
    events += [replaced("v", "2026-01-05", PADS, odometer=50)]
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        result = check_analysis(CLASS_RECORD, view)
    assert name in result.headline


def test_the_demo_names_the_vans_and_their_pump(demo_view: LedgerView, host: PluginHost) -> None:
    result = host.run("class-record", demo_view).result
    assert "delivery van" in result.headline
    assert "coolant pump" in result.headline
    ages = result.table("body_by_age").records()
    assert {row["words"] for row in ages} & {"no difference shown", "too few to tell"}
    before = host.run(
        "class-record", demo_view, {"vehicle_class": "delivery van", "distance": 90_000}
    )
    looked = before.result.table("look_first").records()
    assert PUMP in {row["component"] for row in looked[:5]}
