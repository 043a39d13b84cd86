"""Published life data, written down as a shop would and read back through the analysis.

Each part becomes a vehicle whose own part is known to be the original one: enrolled at the
entry distance, then either replaced as failed or last seen running. What comes out must be
what the literature prints, so this checks intake, read model, part lives and statistics at once.
"""

import csv
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from roadworn import NewEvent, PluginHost
from roadworn.testing import event, view_of

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def as_events(
    rows: list[tuple[float, float, bool]], component: str, reasons: list[str] | None = None
) -> Iterator[NewEvent]:
    """Yield what a shop would have written for parts of (entry, exit, failed) in km."""
    for number, (entry, leaving, failed) in enumerate(rows, start=1):
        vehicle = f"unit-{number}"
        yield event(
            vehicle,
            "enrolment",
            "2024-01-02",
            odometer=entry,
            unit="km",
            parts="original",
            vehicle_class="test car",
        )
        if failed:
            yield event(
                vehicle,
                "replacement",
                "2024-06-03",
                odometer=leaving,
                unit="km",
                component=component,
                position="LF",
                reason="failed" if reasons is None else reasons[number - 1],
            )
            yield event(
                vehicle, "retirement", "2024-06-03", odometer=leaving, unit="km", reason="sold"
            )
        else:
            yield event(vehicle, "odometer_reading", "2024-06-03", odometer=leaving, unit="km")
            yield event(
                vehicle, "retirement", "2024-06-03", odometer=leaving, unit="km", reason="sold"
            )


def lifespans(
    rows: list[tuple[float, float, bool]], component: str, folder: Path
) -> tuple[dict[str, Any], Any]:
    host = PluginHost.load()
    with view_of(as_events(rows, component), folder, as_of="2024-07-01") as view:
        settings = {"component": component, "unit": "km", "by": "component", "limits": "lr"}
        ran = host.run("part-lifespans", view, settings)
    table = ran.result.table("part_lifespans")
    assert len(table.rows) == 1
    return table.records()[0], ran.result


def test_shock_absorbers(tmp_path: Path) -> None:
    """O'Connor (1985), Practical Reliability Engineering, 38 distances, 11 failures.

    READ in the test snapshot of a published R package: Weibull mu 10.2298631, sigma 0.3164092,
    hence scale 27718.7 km, shape 3.16046. B10 and B50 with likelihood-ratio limits RECOMPUTED
    with R 4.2.2 survival 3.5.3; the table rounds to hundreds of km. The Kaplan-Meier median is
    26510 km.
    """
    with (DATA / "o01_shock_absorber_km.csv").open(encoding="utf-8") as handle:
        rows = [
            (0.0, float(row["distance_km"]), row["failed"] == "1") for row in csv.DictReader(handle)
        ]
    row, result = lifespans(rows, "suspension.shock", tmp_path)
    assert (row["lives"], row["failed"], row["running"]) == (38, 11, 0)
    assert row["shape"] == pytest.approx(3.16, abs=0.005)
    assert row["b10"] == pytest.approx(13600.0, abs=50)
    assert (row["b10_low"], row["b10_high"]) == pytest.approx((9371.2, 17291.2), abs=50)
    assert row["b50"] == pytest.approx(24683.6, abs=50)
    assert row["median"] == pytest.approx(26510.0, abs=50)
    curve = result.charts[0].series[0]
    steps = dict(zip(curve.x, curve.y, strict=True))
    # S just before and at printed ages: 0.94504644 at 10000 km, 0.53882981 at 25000 km.
    assert min(y for x, y in steps.items() if x <= 10000) == pytest.approx(0.94504644, abs=1e-8)
    assert min(y for x, y in steps.items() if x <= 25000) == pytest.approx(0.538829813, abs=1e-8)
    # Beside the steps the published fit itself, not another one.
    fitted = result.charts[0].series[1]
    assert (fitted.name, fitted.of) == ("fitted", curve.name)
    assert (fitted.x[0], fitted.x[-1]) == (0.0, pytest.approx(max(r[1] for r in rows)))
    for x, y in zip(fitted.x, fitted.y, strict=True):
        assert y == pytest.approx(math.exp(-((x / 27718.7) ** 3.16046)), abs=2e-5)
    at_risk = result.table("survival_at_risk").records()[0]
    assert at_risk["at_0"] == 38
    for age in (5_000, 10_000, 15_000, 20_000, 25_000):
        assert at_risk[f"at_{age}"] == sum(distance >= age for _entry, distance, _failed in rows)


def test_late_entry(tmp_path: Path) -> None:
    """250 simulated lives with late entry, truth Weibull 2.2 and 90000 km.

    Left-truncated maximum likelihood RECOMPUTED and cross-checked with lifelines, surpyval and
    scipy: shape 2.0033039, B10 29685.51, B50 76022.763 km. Ignoring the entry would give shape
    2.42 and a scale of 100546 km, so a wrong risk set cannot pass.
    """
    with (DATA / "o19_synthetic_late_entry_km.csv").open(encoding="utf-8") as handle:
        rows = [
            (float(row["entry_km"]), float(row["exit_km"]), row["failed"] == "1")
            for row in csv.DictReader(handle)
        ]
    row, result = lifespans(rows, "electrical.alternator", tmp_path)
    assert (row["lives"], row["failed"]) == (250, 110)
    assert row["shape"] == pytest.approx(2.0033, abs=0.005)
    assert row["b10"] == pytest.approx(29685.5, abs=50)
    assert row["b50"] == pytest.approx(76022.8, abs=50)
    curve = result.charts[0].series[0]
    at_60000 = min(y for x, y in zip(curve.x, curve.y, strict=True) if x <= 60000)
    assert at_60000 == pytest.approx(0.651535282, abs=1e-6)
    # Who came late is not at risk before: entry < age <= exit, as in survival's risk sets.
    at_risk = result.table("survival_at_risk").records()[0]
    watched = [name for name in at_risk if name.startswith("at_") and name != "at_0"]
    assert len(watched) >= 3
    for name in watched:
        age = float(name.removeprefix("at_"))
        assert at_risk[name] == sum(entry < age <= leaving for entry, leaving, _ in rows)


def test_reasons_that_compete(tmp_path: Path) -> None:
    """The two failure modes of the shock absorbers as failed and worn out.

    RECOMPUTED with R survival (Aalen-Johansen): at 10000 km 0.026315789 and 0.028637771, at
    25000 km 0.2395523 and 0.22161788.
    """
    with (DATA / "o01_shock_absorber_km.csv").open(encoding="utf-8") as handle:
        data = list(csv.DictReader(handle))
    rows = [(0.0, float(row["distance_km"]), row["failed"] == "1") for row in data]
    reasons = ["worn_out" if row["failure_mode"] == "mode_2" else "failed" for row in data]
    host = PluginHost.load()
    events = as_events(rows, "suspension.shock", reasons)
    with view_of(events, tmp_path, as_of="2024-07-01") as view:
        result = host.run("part-lifespans", view, {"unit": "km", "by": "component"}).result
    failed, worn = result.charts[1].series
    for age, shares in ((10_000, (0.026315789, 0.028637771)), (25_000, (0.2395523, 0.22161788))):
        for series, share in zip((failed, worn), shares, strict=True):
            reached = max(y for x, y in zip(series.x, series.y, strict=True) if x <= age)
            assert reached == pytest.approx(share, abs=1e-7)
    row = result.table("part_lifespans").records()[0]
    assert row["failed_share"] + row["worn_share"] == pytest.approx(0.5, abs=0.15)
    assert "are worn out" in row["words"]
