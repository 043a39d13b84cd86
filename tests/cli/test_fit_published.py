"""`roadworn fit` on published data, from the file to the JSON; sources in tests/reference."""

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any, cast

import pytest
from commandline import Run

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def written(name: str, heading: str, rows: Iterable[Iterable[object]], folder: Path) -> str:
    path = folder / name
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle)
        writer.writerow(heading.split(","))
        writer.writerows(rows)
    return str(path)


def published(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8", newline="") as handle:
        return list(csv.DictReader(handle))


def groups(run: Run, *words: str) -> list[dict[str, Any]]:
    done = run("fit", *words)
    assert done.code == 0, done.err
    return cast("list[dict[str, Any]]", cast("dict[str, Any]", done.json())["groups"])


@pytest.fixture
def shocks(tmp_path: Path) -> str:
    rows = [(r["distance_km"], r["failed"]) for r in published("o01_shock_absorber_km.csv")]
    return written("o01.csv", "age,failed", rows, tmp_path)


def test_shock_absorbers_likelihood_ratio(run: Run, shocks: str) -> None:
    """o01, RECOMPUTED with R survival 3.5-3; mu and sigma READ in a package's test snapshot."""
    group = groups(run, "lives", shocks, "--unit", "km", "--interval", "lr")[0]
    fit = group["weibull"]
    assert (group["n"], group["failures"]) == (38, 11)
    assert fit["shape"] == pytest.approx(3.16047031, rel=1e-6)
    assert fit["scale"] == pytest.approx(27718.7181, rel=1e-6)
    assert fit["loglik"] == pytest.approx(-123.995361, abs=1e-5)
    assert fit["shape_ci"] == pytest.approx([1.898532, 4.771391], rel=1e-5)
    assert fit["b10_ci"] == pytest.approx([9371.202, 17291.24], rel=1e-5)
    assert fit["limits"] == "lr"
    at_25000 = [row["s"] for row in group["survival"] if row["age"] <= 25_000][-1]
    assert at_25000 == pytest.approx(0.538829813, abs=1e-8)


def test_shock_absorbers_wald(run: Run, shocks: str) -> None:
    fit = groups(run, "lives", shocks, "--interval", "wald")[0]["weibull"]
    assert fit["shape_ci"] == pytest.approx([2.008733, 4.972573], rel=1e-5)
    assert fit["b50_ci"] == pytest.approx([20316.28, 29989.81], rel=1e-5)


def test_limits_that_hold_in_small_samples_are_the_default(run: Run, shocks: str) -> None:
    group = groups(run, "lives", shocks)[0]
    assert group["weibull"]["limits"] == "conditional"
    assert group["lognormal"]["limits"] == "lr"
    assert group["weibull"]["b10"] == pytest.approx(13600.035, rel=1e-6)
    assert group["weibull"]["b10_ci"][0] < 9371.202


def test_late_entry(run: Run, tmp_path: Path) -> None:
    """o19: left-truncated Weibull RECOMPUTED, equal in lifelines, surpyval and SciPy."""
    rows = [
        (r["entry_km"], r["exit_km"], r["failed"])
        for r in published("o19_synthetic_late_entry_km.csv")
    ]
    file = written("o19.csv", "entry,age,failed", rows, tmp_path)
    group = groups(run, "lives", file, "--interval", "wald")[0]
    fit = group["weibull"]
    assert fit["shape"] == pytest.approx(2.0033039, rel=1e-6)
    assert fit["scale"] == pytest.approx(91285.051, rel=1e-6)
    assert fit["b10_ci"] == pytest.approx([23870.86, 36916.54], rel=1e-5)
    steps = {row["age"]: row for row in group["survival"] if row["age"] <= 60_000}
    assert steps[max(steps)]["s"] == pytest.approx(0.651535282, abs=1e-8)


def test_intervals_of_two_groups(run: Run, tmp_path: Path) -> None:
    """o06: R survreg; masses by an own EM and by R npsurv to 8 digits."""
    rows = [
        (
            r["group"],
            r["lower_months"],
            "" if r["upper_months"].lower() == "inf" else r["upper_months"],
        )
        for r in published("o06_breast_cosmesis_months.csv")
    ]
    file = written("o06.csv", "group,lower,upper", rows, tmp_path)
    found = {g["group"]: g for g in groups(run, "lives", file, "--interval", "wald")}
    one = found["radiotherapy"]
    assert one["weibull"]["shape"] == pytest.approx(1.1204101, rel=1e-6)
    assert one["weibull"]["b50_ci"] == pytest.approx([28.02244, 61.38524], rel=1e-5)
    masses = {(m["lower"], m["upper"]): m["mass"] for m in one["survival"] if m["mass"] > 1e-6}
    assert masses[4.0, 5.0] == pytest.approx(0.046346774, abs=1e-7)
    assert masses[46.0, 48.0] == pytest.approx(0.465558136, abs=1e-7)
    assert found["radio_chemo"]["weibull"]["scale"] == pytest.approx(27.925179, rel=1e-6)


def test_valve_seats(run: Run, tmp_path: Path) -> None:
    """o08: mean cumulative number and robust error RECOMPUTED with R, days."""
    rows = [
        (r["engine"], r["age_days"], "end" if r["event"] == "end" else "repair")
        for r in published("o08_valve_seat_days.csv")
    ]
    group = groups(run, "repairs", written("o08.csv", "unit,age,event", rows, tmp_path))[0]
    assert (group["units"], group["repairs"]) == (41, 48)
    steps = [row for row in group["mcf"] if row["age"] <= 600]
    assert steps[-1]["mcf"] == pytest.approx(1.01426414, abs=1e-8)
    assert steps[-1]["se"] == pytest.approx(0.17384433, abs=1e-8)
    assert group["mcf"][-1]["mcf"] == pytest.approx(1.54268751, abs=1e-8)


def test_nist_ten_repairs(run: Run, tmp_path: Path) -> None:
    """o12, NIST/SEMATECH e-Handbook 8.4.5.2: modified beta 0.483506 READ; trend tests."""
    rows = [
        ("system", r["repair_age_hours"], "repair") for r in published("o12_nist_repairs_hours.csv")
    ]
    rows.append(("system", "1500", "end"))
    group = groups(run, "repairs", written("o12.csv", "unit,age,event", rows, tmp_path))[0]
    law = group["power_law"]
    assert law["beta_unbiased"] == pytest.approx(0.483506, abs=5e-7)
    assert law["beta"] == pytest.approx(0.537228866, rel=1e-8)
    assert law["stopped"] == "time"
    assert group["military_handbook"]["chi2"] == pytest.approx(37.22808148, rel=1e-8)
    assert group["laplace"]["u"] == pytest.approx(-1.326949183, rel=1e-8)


def test_an_unknown_kind_of_limits_is_refused(run: Run, shocks: str) -> None:
    done = run("fit", "lives", shocks, "--interval", "bayes")
    assert done.code == 2
    assert "conditional, lr, wald" in done.err
