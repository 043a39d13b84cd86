"""Comebacks compared: the funnel against SciPy, a bad depot found, a small one left alone."""

import random
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from builders import enrolled, usd
from scipy import stats

from roadworn import Result
from roadworn.testing import check_analysis, event, view_of
from roadworn_plugins.comebacks import COMEBACKS, Group, funnel_limits, judge

WORK = ("brake.pad", "wheel.tire", "electrical.battery")


def group(name: str, jobs: int, back: int, component: str = "brake.pad") -> Group:
    made = Group(name)
    made.jobs[component] = jobs
    made.back[component] = back
    return made


@pytest.mark.parametrize("jobs", [3, 40, 900])
@pytest.mark.parametrize("usual", [0.02, 0.168, 0.5])
@pytest.mark.parametrize("level", [0.95, 0.998])
def test_the_funnel_is_that_of_the_exact_binomial(jobs: int, usual: float, level: float) -> None:
    """Spiegelhalter 2005, A.1.1: r the least count with P(R <= r) >= p, less the part
    (P(R <= r) - p) / P(R = r) of it; the distribution by SciPy."""
    for got, p in zip(funnel_limits(jobs, usual, level), ((1 - level) / 2, (1 + level) / 2),
                      strict=True):  # fmt: skip
        law = stats.binom(jobs, usual)
        count = law.ppf(p)
        wanted = (count - (law.cdf(count) - p) / law.pmf(count)) / jobs
        assert got == pytest.approx(min(max(wanted, 0.0), 1.0), abs=1e-9)


def test_chances_are_those_of_the_exact_test() -> None:
    groups = [group("A", 250, 42), group("B", 400, 16), group("C", 3, 1), group("D", 300, 13)]
    found = judge(groups, 0.05)
    assert found.named == {0}
    # What stands out is no part of what is usual for the others.
    for i, others in ((1, (4, 303, 14)), (3, (4, 403, 17))):
        _, n, hits = others
        whole = (hits + 0.5) / (n + 1)
        share = (hits + 20 * whole) / (n + 20)
        assert found.usual[i] == pytest.approx(share)
        wanted = stats.binomtest(groups[i].hits, groups[i].n, share).pvalue
        assert found.chance[i] == pytest.approx(wanted)
    wanted = stats.false_discovery_control(found.chance)
    assert found.adjusted == pytest.approx(wanted)


def test_like_work_is_compared_with_like() -> None:
    """A depot that does the work that comes back everywhere is no worse for that."""
    groups = []
    for name, hard, easy in (("A", 300, 20), ("B", 60, 400), ("C", 60, 400), ("D", 60, 400)):
        made = group(name, hard, hard // 5, "engine.cover_gasket")
        made.jobs["brake.pad"], made.back["brake.pad"] = easy, easy // 40
        groups.append(made)
    assert judge(groups, 0.05).named == frozenset()
    assert 0 in judge(groups, 0.05, mixed=False).named


def test_among_equals_one_is_named_at_most_once_in_twenty() -> None:
    dice = np.random.default_rng(5)
    wrong = 0
    for _ in range(400):
        sizes = dice.integers(20, 400, 12)
        hits = dice.binomial(sizes, 0.045)
        groups = [
            group(str(i), int(n), int(k)) for i, (n, k) in enumerate(zip(sizes, hits, strict=True))
        ]
        wrong += bool(judge(groups, 0.05).named)
    assert wrong <= 28  # 20 expected at the most, and 1.8 standard errors of that


DEPOTS = {"South": (250, 0.168), "North": (250, 0.036), "East": (250, 0.048), "West": (250, 0.042)}


def fleet(seed: int = 3) -> list[object]:
    """Four depots whose jobs come back with their shares, and a fifth with one of three."""
    dice = random.Random(seed)
    events = []
    plan = [(name, n, round(n * share)) for name, (n, share) in DEPOTS.items()] + [("Hut", 3, 1)]
    for name, jobs, back in plan:
        came = set(dice.sample(range(jobs), back))
        for number in range(jobs):
            vehicle = f"{name.lower()}-{number // 10}"
            if number % 10 == 0:
                events.append(enrolled(vehicle, "2022-01-01", depot=name, odometer=10, unit="km"))
            on = date(2022, 2, 1) + timedelta(days=130 * (number % 10))
            part = {"component": WORK[number % 3], "position": "LF" if number % 3 < 2 else None}
            part = {key: value for key, value in part.items() if value}
            km = 1_000.0 + 9_000 * (number % 10)
            cost = {"parts_cost": usd("80.00"), "reason": "failed"}
            events.append(event(vehicle, "replacement", on.isoformat(), odometer=km, unit="km",
                                **part, **cost))  # fmt: skip
            if number in came:
                soon = (on + timedelta(days=20)).isoformat()
                events.append(event(vehicle, "replacement", soon, odometer=km + 900, unit="km",
                                    **part, **cost))  # fmt: skip
    return events


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Result:
    with view_of(fleet(), tmp_path_factory.mktemp("depots"), as_of="2026-06-01") as view:
        return check_analysis(COMEBACKS, view)


def test_the_bad_depot_is_named_and_no_other(found: Result) -> None:
    rows = {row["depot"]: row for row in found.table("comebacks").records()}
    beyond = [name for name, row in rows.items() if "beyond chance" in str(row["words"])
              and "not beyond" not in str(row["words"])]  # fmt: skip
    assert beyond == ["South"]
    assert "South stands out" in str(found.headline)
    # A comeback's own job is a job too: 42 of 250 + 42.
    assert (rows["South"]["jobs"], rows["South"]["came_back"]) == (292, 42)
    assert rows["South"]["share"] > rows["South"]["usual_high"]
    assert float(rows["South"]["paid"]) == pytest.approx(42 * 80.0)
    assert len(found.table("comebacks").evidence[0]) == 84


def test_one_of_three_is_pulled_to_what_is_usual(found: Result) -> None:
    rows = {row["depot"]: row for row in found.table("comebacks").records()}
    assert rows["Hut"]["share"] == pytest.approx(0.25)
    assert rows["Hut"]["shrunk"] < 0.15
    assert rows["Hut"]["shrunk"] < rows["South"]["shrunk"]
    assert rows["Hut"]["low"] < rows["Hut"]["usual"] < rows["Hut"]["high"]


def test_without_depots_it_says_what_to_record(tmp_path: Path) -> None:
    plain = [enrolled("van-1", "2022-01-01")]
    with view_of(plain, tmp_path, as_of="2026-06-01") as view:
        made = check_analysis(COMEBACKS, view)
    assert "--depot" in str(made.caveats[0])
