"""Pools of several shops: what leaves a shop, what it says of lives, and what it is worth.

Shapes and rates are held against SciPy on the raw lives, of which a pool has the sums alone. That
twenty shops that differ gain by it is simulated (`tests/simulations/pool.py`, docs/pool.md).
"""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from analyses import small_shop
from commandline import Run
from scipy import optimize, stats

from roadworn import LedgerView, NewEvent
from roadworn.analysis.life_law import Lives, Prior
from roadworn.model.errors import UsageError
from roadworn.testing import check_analysis, view_of
from roadworn_plugins.ahead import NEXT_REPAIRS
from roadworn_plugins.lifespans import PART_LIFESPANS
from roadworn_plugins.pooling import export_pool, merge_pools, show_pool
from roadworn_plugins.shared.fleet_lives import ComponentLives
from roadworn_plugins.shared.pool_beliefs import Common, PoolOfOthers
from roadworn_plugins.shared.pool_file import (
    SHAPES,
    Cell,
    PoolFile,
    Shop,
    ledger_of,
    pool_of,
    read_pool,
)

HABIT = Prior(2.0, 0.5, None)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("shop")
    with view_of(small_shop.events(), folder, as_of=small_shop.TODAY) as view:
        yield view


@pytest.fixture(scope="module")
def own(shop: LedgerView) -> Shop:
    return PoolFile.model_validate_json(export_pool(shop)[0]).shops[0]


@pytest.fixture(scope="module")
def pool(own: Shop, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A pool of this shop and of five others, whose parts fail twice as often."""
    path = tmp_path_factory.mktemp("pool") / "pool.json"
    path.write_text(pool_of((own, *others(own, 5, 2.0))).text())
    return path


def others(own: Shop, number: int, times: float) -> list[Shop]:
    """Return shops like one, where so many times as many fail over the same exposure."""

    def cell(one: Cell) -> Cell:
        failures = min(times * one.failures, float(one.lives))
        update = {"failures": failures, "early": 0.0, "log_age": one.log_age * times}
        return one.model_copy(update=update)

    cells = tuple(cell(one) for one in own.cells)
    return [
        own.model_copy(update={"ledger": f"{n:032x}", "cells": cells}) for n in range(1, number + 1)
    ]


def weibull_shop(seed: int, shape: float, scale: float, size: int = 200) -> tuple[Cell, np.ndarray]:
    """Return the cell of a shop whose lives are Weibull, and the lives: entry, leaving, failed."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(size) < 0.3, rng.uniform(0.0, 30.0, size), 0.0)
    life = scale * ((entry / scale) ** shape + rng.exponential(1.0, size)) ** (1.0 / shape)
    leaving = np.minimum(life, entry + rng.uniform(5.0, 120.0, size))
    failed = life <= leaving
    return (
        Cell(
            component="wheel.bearing",
            trade_class="light",
            clock="distance",
            vehicles=50,
            places=size,
            lives=size,
            failures=float(failed.sum()),
            early=0.0,
            exposure=tuple(float(np.sum(leaving**k - entry**k)) for k in SHAPES),
            log_age=float(np.log(leaving[failed]).sum()),
        ),
        np.stack([entry, leaving, failed]),
    )


def test_the_sums_say_what_the_lives_say() -> None:
    """Shape and rate of ten shops, against the likelihood of their raw lives by SciPy."""
    rng = np.random.default_rng(5)
    scales = 90.0 * np.exp(rng.normal(0.0, 0.1, 10))
    cells, lives = zip(
        *(weibull_shop(n, 2.2, scale) for n, scale in enumerate(scales)), strict=True
    )
    found = Common.of(cells, HABIT)
    assert found is not None

    def against(log_shape: float) -> float:
        k = np.exp(log_shape)
        total = stats.norm.logpdf(log_shape, np.log(HABIT.shape), HABIT.shape_spread)
        for entry, leaving, failed in lives:
            d = failed.sum()
            rate = d / np.sum(leaving**k - entry**k)
            total += np.sum(np.log(rate * k * leaving[failed > 0] ** (k - 1.0))) - d
        return -total

    best = optimize.minimize_scalar(against, bounds=(0.0, 2.0), method="bounded").x
    assert found.shape == pytest.approx(np.exp(best), rel=0.02)
    assert found.failures == sum(int(one[2].sum()) for one in lives)
    assert found.half == pytest.approx(90.0 * np.log(2.0) ** (1.0 / 2.2), rel=0.08)
    # The spread of the log rate among these shops is 2.2 * 0.1, beside that of the fit itself.
    assert 0.1 < found.rate.a**-0.5 < 0.45


def test_shops_that_differ_more_count_for_less() -> None:
    alike = [weibull_shop(n, 2.0, 90.0)[0] for n in range(8)]
    apart = [
        weibull_shop(n, 2.0, 90.0 * f)[0] for n, f in enumerate((0.5, 0.6, 0.8, 1, 1, 1.3, 1.7, 2))
    ]
    one, other = Common.of(alike, HABIT), Common.of(apart, HABIT)
    assert one is not None
    assert other is not None
    assert other.rate.a < 4.0 < 15.0 < one.rate.a
    assert Common.of(alike[:4], HABIT) is None


def beside(failed: int, exposure_times: float) -> float:
    """Return for how many failures eight shops alike count beside so many of one's own."""
    cells = [weibull_shop(n, 2.0, 90.0)[0] for n in range(8)]
    shops = [
        Shop(
            ledger=f"{n:032x}", root="0" * 64, size=1, day="2026-01-01", roadworn="1",
            least_places=12, least_vehicles=5, held_back={"cells": 0, "lives": 0}, cells=(cell,),
        )
        for n, cell in enumerate(cells)
    ]  # fmt: skip
    pool = PoolOfOthers("pool.json", shops, np.zeros(1, dtype=bool), "mark")
    size = 40
    leaving = np.full(size, 90.0 * (exposure_times / size) ** 0.5)
    none = np.zeros(size, dtype=bool)
    lives = Lives(
        np.zeros(size, dtype=np.int64), np.zeros(size), leaving, np.arange(size) < failed, none,
        np.ones(size), 1,
    )  # fmt: skip
    vehicle = np.zeros(size, dtype=np.int64)
    prior, pooled = pool.prior("wheel.bearing", "distance", lives, vehicle, HABIT)
    assert pooled is not None
    assert prior.weight == pooled.weight
    return pooled.weight


def test_a_shop_that_contradicts_is_left_to_its_own_failures() -> None:
    """With about ten failures expected; the limits of the ratio are Garwood's."""
    like, unlike = beside(10, 10.0), beside(34, 10.0)
    assert like > 15.0
    assert unlike < 2.0


def test_nothing_of_a_vehicle_or_a_text_leaves(shop: LedgerView) -> None:
    text, numbers = export_pool(shop)
    told = json.loads(text)
    cell = told["shops"][0]["cells"][0]
    assert set(cell) == {
        "component", "trade_class", "clock", "vehicles", "places", "lives", "failures", "early",
        "exposure", "log_age",
    }  # fmt: skip
    words = set(re.findall(r'"([^"]*)"', text))
    known = {row[0] for row in shop.sql("SELECT vehicle_id FROM vehicles").rows}
    known |= {"van", "car", "Moor Spares", "Quay Parts", "MS-77", "QP-10", "LF", "front"}
    assert not words & known
    assert told["shops"][0]["root"] == shop.checkpoint.root
    assert numbers["lives"] == sum(one["lives"] for one in told["shops"][0]["cells"])


def with_pumps_of_cars(number: int, folder: Path) -> LedgerView:
    """Return the shop with so many pumps replaced on its eight cars, those of one car first."""
    left = number

    def kept(one: NewEvent) -> bool:
        nonlocal left
        of_cars = one.payload.get("component") == "cooling.water_pump"
        if not (of_cars and one.vehicle_id.startswith("car")):
            return True
        left -= 1
        return left >= 0

    return view_of(filter(kept, small_shop.events()), folder, as_of=small_shop.TODAY)


def test_small_numbers_are_held_back(shop: LedgerView, tmp_path: Path) -> None:
    """Without a pump of a car on record there are ten places of pumps, on ten vans."""
    all_ = json.loads(export_pool(shop)[0])["shops"][0]["cells"]
    with with_pumps_of_cars(0, tmp_path) as view:
        few, numbers = export_pool(view)
        kept = json.loads(few)["shops"][0]["cells"]
    assert {cell["component"] for cell in all_} - {cell["component"] for cell in kept} == {
        "cooling.water_pump"
    }
    assert all(cell["places"] >= 12 and cell["vehicles"] >= 5 for cell in kept)
    assert numbers["held_back_cells"] == 1
    assert numbers["held_back_lives"] > 0
    with pytest.raises(UsageError, match="raised, not lowered"):
        export_pool(shop, least_places=3)
    with pytest.raises(UsageError, match="nothing is handed out"):
        export_pool(shop, least_vehicles=1000)


def test_what_came_on_record_by_failing_counts_for_none(tmp_path: Path) -> None:
    """Thirty pumps failed on vans; of counts seen from one on, those of one count as none.

    Plackett, Biometrics 9 (1953) 485-488, from memory: the sum of the counts from two on, over
    the number of counts, has the mean of the untruncated Poisson law.
    """
    failed = {}
    for number in (1, 2):
        folder = tmp_path / str(number)
        folder.mkdir()
        with with_pumps_of_cars(number, folder) as view:
            cells = json.loads(export_pool(view)[0])["shops"][0]["cells"]
        cell = next(one for one in cells if one["component"] == "cooling.water_pump")
        assert cell["places"] == 18
        failed[number] = cell["failures"] + cell["early"]
    assert failed == {1: pytest.approx(30.0), 2: pytest.approx(32.0)}


def test_of_one_ledger_the_later_state_counts(own: Shop, tmp_path: Path) -> None:
    later = own.model_copy(update={"day": "2030-01-01", "size": own.size + 9})
    names = [tmp_path / "old.json", tmp_path / "new.json", tmp_path / "others.json"]
    for name, shops in zip(names, ((own,), (later,), others(own, 3, 1.0)), strict=True):
        name.write_text(pool_of(tuple(shops)).text())
    text, numbers = merge_pools(names)
    assert numbers == {"shops": 4, "twice": 1}
    merged = PoolFile.model_validate_json(text)
    assert [one.day for one in merged.shops if one.ledger == own.ledger] == ["2030-01-01"]
    again = tmp_path / "merged.json"
    again.write_text(text)
    assert merge_pools([again]) == (text, {"shops": 4, "twice": 0})


def test_a_shop_is_not_held_against_itself(shop: LedgerView, pool: Path, own: Shop) -> None:
    found = PoolOfOthers.of(shop, str(pool))
    assert len(found.shops) == 5
    assert ledger_of(shop) == own.ledger
    rows = show_pool(pool, "km", shop)
    seen = dict(zip(rows[0], next(r for r in rows[1] if r[0] == "cooling.water_pump"), strict=True))
    assert seen["shops"] == 5
    pump = next(cell for cell in own.cells if cell.component == "cooling.water_pump")
    there = min(2.0 * pump.failures, pump.lives)
    assert seen["times_as_often"] == pytest.approx(pump.failures / there, abs=0.05)
    assert seen["low"] < seen["times_as_often"] < seen["high"] < 1.0


def test_the_pool_moves_what_few_failures_say(shop: LedgerView, pool: Path) -> None:
    """Elsewhere twice as many fail, and so the belief about a bearing lies between both."""
    alone = ComponentLives.of(shop)
    pooled = ComponentLives.of(shop, PoolOfOthers.of(shop, str(pool)))

    def rate(lives: ComponentLives) -> float:
        clocked = lives.get("cooling.water_pump")
        assert clocked is not None
        a, b = clocked.model.for_class("car")
        return a / b * 150.0**clocked.model.shape

    assert rate(alone) < rate(pooled)


def test_the_answers_say_what_they_rest_on(shop: LedgerView, pool: Path) -> None:
    plain = check_analysis(PART_LIFESPANS, shop)
    found = check_analysis(PART_LIFESPANS, shop, {"pool": str(pool)})
    rows = found.table("with_pool").records()
    assert {row["component"] for row in rows} >= {"cooling.water_pump", "brake.pad"}
    assert all(row["half_low"] < row["half"] < row["half_high"] for row in rows)
    assert found.table("part_lifespans") == plain.table("part_lifespans")
    assert [table.name for table in plain.tables] == [t.name for t in found.tables[:-1]]
    ahead = check_analysis(NEXT_REPAIRS, shop, {"pool": str(pool), "past_days": 0})
    for result in (found, ahead):
        assert any(
            "rest also on 5 other shops" in said and str(pool) in said for said in result.caveats
        )
        assert any("times as often here as there" in said for said in result.caveats)
    likely = ahead.table("next_repairs")
    assert any("pool of 5 other shops" in str(row) for row in likely.rows)


def test_the_pool_may_be_kept_in_the_environment(
    shop: LedgerView, pool: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_POOL", str(pool))
    assert check_analysis(PART_LIFESPANS, shop).table("with_pool").rows


BAD = {
    "no JSON": "hello",
    "another file": '{"schema": "other", "version": 1, "shops": []}',
    "no number": None,
    "unknown key": None,
    "more failures than lives": None,
}


@pytest.mark.parametrize("fault", BAD)
def test_a_file_that_is_no_pool_is_refused_in_a_sentence(
    run: Run, own: Shop, tmp_path: Path, fault: str
) -> None:
    told = json.loads(pool_of((own,)).text())
    cell = told["shops"][0]["cells"][0]
    change = {
        "no number": {"log_age": "NaN"},
        "unknown key": {"vehicle": "van-3"},
        "more failures than lives": {"failures": cell["lives"] * 3.0},
    }
    cell.update(change.get(fault, {}))
    path = tmp_path / "pool.json"
    path.write_text(BAD[fault] or json.dumps(told))
    outcome = run("pool", "show", "pool.json")
    assert outcome.code == 2
    assert outcome.out == ""
    assert "pool.json is no pool that can be used" in outcome.err
    assert "roadworn pool export" in outcome.err
    assert len(outcome.err.splitlines()) == 1


def test_the_verbs_from_end_to_end(run: Run, shop: LedgerView, tmp_path: Path, own: Shop) -> None:
    ledger = ("--ledger", str(shop.path), "--as-of", small_shop.TODAY)
    outcome = run(*ledger, "pool", "export", "-o", "ours.json")
    assert (outcome.code, outcome.out) == (0, "")
    assert "parts handed out in" in outcome.err
    assert read_pool("ours.json").shops == (own,)
    refused = run(*ledger, "pool", "export", "-o", "ours.json")
    assert refused.code == 2
    assert "is there already" in refused.err
    (tmp_path / "others.json").write_text(pool_of(tuple(others(own, 5, 1.0))).text())
    assert run("pool", "merge", "ours.json", "others.json", "-o", "all.json").code == 0
    shown = run(*ledger, "pool", "show", "all.json", "--compare", "--format", "json").json()
    assert {row["shops"] for row in shown} == {5}
    assert all(row["times_as_often"] == pytest.approx(1.0, abs=0.35) for row in shown)
    alone = run(*ledger, "analyse", "part-lifespans", "pool=ours.json")
    assert alone.code == 2
    assert "0 other shops" in alone.err


def test_figures_are_too_short_to_take_a_sum_apart(own: Shop) -> None:
    figures = [x for one in own.cells for x in (*one.exposure, one.failures, one.log_age)]
    assert all(float(f"{x:.4g}") == x for x in figures)
