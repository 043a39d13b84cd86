"""What is fitted and how old it is: ages of unknown parts, clocks, and lives carried to today."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from builders import replaced
from scipy import stats

from roadworn.testing import event, view_of
from roadworn_plugins.projection.belief import AGES, unknown_ages
from roadworn_plugins.shared.fleet_lives import ComponentLives
from roadworn_plugins.shared.grouped import load_paces
from roadworn_plugins.shared.life_model import (
    ClockedLives,
    likelier_clocks,
    load_clocked,
)
from roadworn_plugins.shared.parts_ahead import load_parts


def simulated_ages(
    rng: np.random.Generator, shape: float, least: float, most: float, draws: int
) -> np.ndarray:
    """Ages at `most` of a place that is renewed from 0, where nothing failed for `least`."""
    last = np.zeros(draws)
    following = rng.weibull(shape, draws)
    alive = np.flatnonzero(following < most)
    while alive.size:
        last[alive] = following[alive]
        following[alive] += rng.weibull(shape, alive.size)
        alive = alive[following[alive] < most]
    age = most - last
    return age[age >= least]


@pytest.mark.parametrize("shape", [0.7, 1.0, 2.5, 4.0])
@pytest.mark.parametrize(("least", "most"), [(0.0, 0.5), (0.3, 1.2), (0.5, 3.0), (0.2, 8.0)])
def test_unknown_ages_are_those_of_a_simulated_renewal_process(
    shape: float, least: float, most: float
) -> None:
    """Plain simulation, scale 1. Six ages stand for the distribution: their mean and the chance
    of failing soon are held, and each against the mean of its sixth."""
    truth = simulated_ages(np.random.default_rng(5), shape, least, most, 200_000)
    rate = 3.7  # another scale than 1
    unit = rate ** (-1.0 / shape)
    (ages,) = unknown_ages(
        np.array([least * unit]), np.array([most * unit]), np.array([shape]), np.array([rate])
    )
    assert np.all(np.diff(ages) >= -1e-12)
    spread = float(truth.std())
    assert ages.mean() / unit == pytest.approx(truth.mean(), abs=0.02 * spread)
    sixths = [part.mean() for part in np.array_split(np.sort(truth), AGES)]
    assert ages / unit == pytest.approx(sixths, abs=0.05 * spread)

    def soon(age: np.ndarray) -> float:
        return float(np.mean(-np.expm1(age**shape - (age + 0.3) ** shape)))

    assert soon(ages / unit) == pytest.approx(soon(truth), rel=0.03)


def test_ages_stay_between_what_was_seen_and_the_vehicle() -> None:
    least, most = np.array([0.0, 40.0, 10.0]), np.array([0.0, 40.0, 500.0])
    ages = unknown_ages(least, most, np.full(3, 3.0), np.full(3, 50.0**-3))
    assert ages.shape == (3, AGES)
    assert np.all((ages >= least[:, None]) & (ages <= most[:, None] + 1e-9))
    # Hardly a part of scale 50 lasts for 500: it was renewed since.
    assert ages[2].max() < 120.0


def made_lives(rng: np.random.Generator, clock: str, size: int = 120) -> ClockedLives:
    """Lives of vehicles of very different pace that fail by one of the clocks."""
    pace = np.exp(rng.normal(2.9, 0.7, size))  # thousand km a year
    life = 5.0 * rng.weibull(2.5, size) if clock == "age" else 90.0 * rng.weibull(2.5, size) / pace
    end = rng.uniform(1.0, 9.0, size)
    failed = life < end
    years = np.minimum(life, end)
    ages = np.stack([np.zeros(size), years, np.where(failed, years, np.inf)])
    never, numbers = np.zeros(size, dtype=bool), np.arange(size)
    return ClockedLives(
        "electrical.battery", ("car",), np.zeros(size, dtype=np.int64), failed, ~failed,
        ages * pace, ages, never, never, numbers, numbers, np.full(size, np.nan),
    )  # fmt: skip


@pytest.mark.parametrize("clock", ["distance", "age"])
def test_the_clock_that_made_the_lives_is_found(clock: str) -> None:
    found = [likelier_clocks([made_lives(np.random.default_rng(s), clock)])[0] for s in range(12)]
    assert found == [clock] * 12


def test_the_clock_is_chosen_by_the_likelihood_of_the_same_days() -> None:
    """With all at one pace both clocks say the same, whatever the unit: distance stands.

    The densities of f(t) = f(x) dx/dt are SciPy's.
    """
    lives = made_lives(np.random.default_rng(1), "age")
    assert likelier_clocks([replace(lives, km=lives.years * 17.0)])[0] == "distance"
    t = lives.years[1][lives.failed]
    by_time = stats.weibull_min.logpdf(t, 2.5, scale=5.0).sum()
    by_distance = stats.weibull_min.logpdf(t * 17.0, 2.5, scale=85.0).sum()
    assert by_time == pytest.approx(by_distance + t.size * np.log(17.0))


def test_few_failures_leave_the_usual_clock() -> None:
    lives = made_lives(np.random.default_rng(2), "age", 9)
    assert lives.failed.sum() < 8
    assert likelier_clocks([lives])[0] == "distance"


def test_a_failure_without_its_first_day_does_not_hide_the_calendar() -> None:
    lives = made_lives(np.random.default_rng(3), "age")
    years = lives.years.copy()
    years[:, np.flatnonzero(lives.failed)[:2]] = np.nan
    assert likelier_clocks([replace(lives, years=years)])[0] == "age"


def fleet(*more, parts: str = "original", vehicles: int = 3):
    """Vehicles that go 1,000 km a month, read each quarter of 2025, one failure on the first."""
    rows = []
    for number in range(vehicles):
        name = f"car-{number}"
        rows.append(
            event(
                name,
                "enrolment",
                "2024-12-31",
                odometer=50_000,
                unit="km",
                vehicle_class="car",
                parts=parts,
                in_service_date="2020-12-31",
            )
        )
        rows += [
            event(name, "odometer_reading", day, odometer=50_000 + km, unit="km")
            for day, km in (("2025-04-01", 3000), ("2025-07-01", 6000), ("2025-10-01", 9000))
        ]
    rows.append(failed("car-0", "2025-07-01", 56_000))
    return sorted([*rows, *more], key=lambda e: e.occurred_at)


def failed(name: str, day: str, km: float, component: str = "electrical.starter", **more):
    return replaced(name, day, component, odometer=km, unit="km", **more)


def test_ages_are_carried_on_to_the_day_of_the_view(tmp_path: Path) -> None:
    with view_of(fleet(), tmp_path, as_of="2025-11-30") as view:
        parts = load_parts(view)
        lives = load_clocked(view, load_paces(view))["electrical.starter"]
    # 60 days after the last reading at 9,000 km in 274 days.
    gone = 9000 / 274 * 60 / 1000
    ages = dict(zip(parts.vehicle, parts.age[:, 0], strict=True))
    assert parts.known.all()
    assert ages == pytest.approx({"car-0": 3 + gone, "car-1": 59 + gone, "car-2": 59 + gone})
    # The exposure goes to the same day as the failures; the failure itself stays where it was.
    ends = sorted(zip(lives.failed.tolist(), lives.km[1].tolist(), strict=True))
    assert [end for _failed, end in ends] == pytest.approx([3 + gone, 59 + gone, 59 + gone, 56])


def test_a_vehicle_not_seen_for_long_has_nothing_ahead(tmp_path: Path) -> None:
    for parts in ("original", "unknown"):
        folder = tmp_path / parts
        folder.mkdir()
        with view_of(fleet(parts=parts), folder, as_of="2027-03-01") as view:
            assert load_parts(view).size == 0


def test_unknown_parts_take_the_time_they_were_seen(tmp_path: Path) -> None:
    with view_of(fleet(parts="unknown"), tmp_path, as_of="2025-10-01") as view:
        parts = load_parts(view)
    known = dict(zip(parts.vehicle, parts.known.tolist(), strict=True))
    assert known == {"car-0": True, "car-1": False, "car-2": False}
    unknown = parts.age[~parts.known]
    assert np.all((unknown >= 9.0) & (unknown <= 59.0))


def test_a_part_without_its_place_is_not_projected_twice(tmp_path: Path) -> None:
    """Others of the class have it left and right; on car-1 nobody wrote where."""
    more = [
        failed("car-0", "2025-07-01", 56_000, "steering.tie_rod_outer", position="L"),
        failed("car-2", "2025-07-01", 56_000, "steering.tie_rod_outer", position="R"),
        failed("car-1", "2025-07-01", 56_000, "steering.tie_rod_outer"),
    ]
    with view_of(fleet(*more, parts="unknown"), tmp_path, as_of="2025-10-01") as view:
        parts = load_parts(view)
    ends = [
        v for v, c in zip(parts.vehicle, parts.component, strict=True) if c.startswith("steering")
    ]
    assert sorted(ends) == ["car-0", "car-0", "car-1", "car-1", "car-2", "car-2"]


def test_the_models_of_a_view_are_fitted_once(tmp_path: Path) -> None:
    with view_of(fleet(), tmp_path, as_of="2025-10-01") as view:
        lives = ComponentLives.of(view)
        assert ComponentLives.of(view) is lives
        assert lives.get("electrical.starter") is lives.get("electrical.starter")
        assert lives.get("other.ashtray") is None


def test_who_has_no_pace_yet_goes_as_far_as_its_class(tmp_path: Path) -> None:
    """Two readings a day apart are no pace; three vans with one say how far a van goes."""
    events = []
    for name, kind, far in (("a", "van", 1_000), ("b", "van", 2_000), ("c", "van", 3_000),
                            ("d", "bus", 90_000), ("new", "van", 0)):  # fmt: skip
        events.append(event(name, "enrolment", "2026-01-01", odometer=0, vehicle_class=kind))
        day = "2026-01-02" if name == "new" else "2026-01-31"
        events.append(event(name, "odometer_reading", day, odometer=far or 500))
    events.sort(key=lambda one: one.occurred_at)
    with view_of(events, tmp_path, as_of="2026-02-01") as view:
        paces = load_paces(view)
    at = paces.index
    assert paces.assumed[at["new"]]
    assert paces.per_month[at["new"]] == paces.per_month[at["b"]]
