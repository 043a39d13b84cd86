"""What is compared with what, and one false discovery rate over all of it."""

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy import stats

from roadworn_plugins.repeats.levels import (
    BY,
    Level,
    Reach,
    adjusted,
    chance_of_so_many,
    levels_of,
    reach_of,
)
from roadworn_plugins.shared.grouped import GroupedLives
from roadworn_plugins.shared.life_model import fit


@pytest.fixture(scope="module")
def simulation() -> ModuleType:
    path = Path(__file__).parents[1] / "simulations" / "repeat_failures.py"
    spec = importlib.util.spec_from_file_location("simulated_repeat_failures", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_chance_is_scipys_negative_binomial() -> None:
    """Gelman et al., Bayesian Data Analysis, section 2.6: Gamma rate, Poisson count."""
    for count, others, share in ((3, 10, 0.2), (1, 0, 0.01), (12, 40, 0.25)):
        found = chance_of_so_many(np.array([count]), np.array([others]), np.array([share]))
        assert found[0] == pytest.approx(
            stats.nbinom.sf(count - 1, others + 0.5, 1 - share), rel=1e-9
        )


def test_what_can_be_reached_is_counted_one_by_one() -> None:
    """The number expected at or below a chance, by adding binomial tails up directly."""
    total, share = np.array([3.0, 8.0, 1.0, 0.0]), np.array([0.1, 0.3, 0.02, 0.5])
    reach = reach_of(total, share)
    for p in (0.15, 0.03, 0.004, 0.0002):
        expected = 0.0
        for n, s in zip(total, share, strict=True):
            shown = [
                chance_of_so_many(np.array([k]), np.array([n - k]), np.array([s]))[0]
                for k in range(1, int(n) + 1)
            ]
            low = [k for k, chance in enumerate(shown, start=1) if chance <= p]
            expected += stats.binom.sf(low[0] - 1, n, s) if low else 0.0
        assert reach.expected(np.array([p]))[0] == pytest.approx(expected, abs=1e-12)


def test_where_every_chance_can_be_reached_it_is_benjamini_and_hochberg() -> None:
    """scipy.stats.false_discovery_control is the reference."""
    rng = np.random.default_rng(1)
    p = np.concatenate([rng.uniform(0, 1, 40), rng.uniform(0, 0.01, 8)])
    nothing = np.zeros(0)
    parts = [p[:20], p[20:]]
    found = adjusted(parts, [Reach(nothing, nothing, 20), Reach(nothing, nothing, 28)])
    assert np.concatenate(found) == pytest.approx(stats.false_discovery_control(p))


def test_nothing_tested_is_nothing_adjusted() -> None:
    none = np.zeros(0)
    assert [part.size for part in adjusted([none, none], [Reach(none, none, 0)] * 2)] == [0, 0]


def parts(rows: list[tuple[str, str, str, str, str, str, float, bool]]) -> list[Level]:
    """Return the comparisons of (component, class, vehicle, position, supplier, number, age,
    failed)."""
    labels = sorted({row[:6] for row in rows})
    group = np.array([labels.index(row[:6]) for row in rows])
    order = np.argsort(group, kind="stable")
    age = np.array([row[6] for row in rows])[order]
    failed = np.array([row[7] for row in rows])[order]

    def lives(by: tuple[str, ...], names: list[tuple[str, ...]], codes: np.ndarray) -> GroupedLives:
        return GroupedLives(
            by,
            names,
            codes,
            np.zeros(age.size),
            age,
            np.where(failed, age, np.inf),
            failed,
            ~failed,
        )

    kinds = sorted({label[:2] for label in labels})
    of_kind = np.array([kinds.index(labels[g][:2]) for g in group[order]])
    by_kind = np.argsort(of_kind, kind="stable")
    models = fit(
        GroupedLives(
            ("component", "class"),
            list(kinds),
            of_kind[by_kind],
            np.zeros(age.size),
            age[by_kind],
            np.where(failed, age, np.inf)[by_kind],
            failed[by_kind],
            ~failed[by_kind],
        )
    )
    return levels_of(lives(BY, list(labels), group[order]), models)


ROW = ("cooling.water_pump", "van", "v1", "", "A", "A-1", 50.0, True)


def varied(
    number: int, **changes: str | float | bool
) -> tuple[str, str, str, str, str, str, float, bool]:
    names = ("component", "kind", "vehicle", "position", "supplier", "part", "age", "failed")
    values = dict(zip(names, ROW, strict=True)) | {"age": 40.0 + 3 * number} | changes
    return tuple(values[name] for name in names)  # type: ignore[return-value]


def test_a_place_alone_in_its_class_is_compared_with_all_classes() -> None:
    rows = [varied(i, vehicle="bus-1", kind="bus") for i in range(3)]
    rows += [varied(i, vehicle=f"v{i}") for i in range(6)]
    place = parts(rows)[0]
    i = place.index(("cooling.water_pump", "bus", "bus-1", ""))
    assert i is not None
    assert place.excess.others[i] == 6
    assert place.index(("cooling.water_pump", "bus", "bus-9", "")) is None


def test_parts_of_unknown_origin_are_compared_with_but_not_tested() -> None:
    rows = [varied(i, vehicle=f"v{i}") for i in range(3)]
    rows += [
        varied(i, vehicle=f"v{i}", supplier="(not recorded)", part="(not recorded)")
        for i in range(4, 8)
    ]
    supplier, part = parts(rows)[2:]
    assert [part.labels[g] for g in part.excess.group] == [("cooling.water_pump", "A", "A-1")]
    assert part.excess.others[0] == 4
    # One part number: the supplier is that part and is not tested twice.
    assert supplier.excess.p.size == 0


def test_a_supplier_of_two_part_numbers_is_tested_as_such() -> None:
    rows = [varied(i, vehicle=f"v{i}", part=f"A-{i % 2}") for i in range(4)]
    rows += [varied(i, vehicle=f"v{i}", supplier="B", part="B-1") for i in range(4, 8)]
    supplier = parts(rows)[2]
    assert [supplier.labels[g] for g in supplier.excess.group] == [("cooling.water_pump", "A")]


def test_with_nothing_planted_few_fleets_have_any_row(simulation: ModuleType) -> None:
    """40 fleets: more than 5 with a row would have a chance of 1.4 % at 5 % false alarms.

    The share over many more fleets stands in plugins/roadworn_plugins/repeats/README.md.
    """
    some, _, _ = simulation.alarms(40, simulation.Fleet(vehicles=40), 21)
    assert some <= 5 / 40


def test_a_life_of_a_third_on_one_class_is_found(simulation: ModuleType) -> None:
    """Failing three times as often in the long run, about 14 failures: 9 of 10 fleets or more."""
    fleet = simulation.Fleet(vehicles=16, life=1 / 3)
    _, named, failures = simulation.alarms(40, fleet, 22)
    assert failures < 16
    assert named >= 0.85
