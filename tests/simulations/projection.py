"""The projection against what really happens, on fleets whose lives are known: run by hand.

    python tests/simulations/projection.py --case plain --vehicles 100 --runs 10
    python tests/simulations/projection.py --case all --vehicles 60 --runs 4

Each fleet is written to a ledger up to the end of its last year but one, read back and
projected 12 months ahead; the last year of the same fleet is the judge. Costs are compared in
the money of the day of the projection. What came is what the ledger of that year has of failures
on vehicles that were here on the day: comebacks at what they cost, failures under a wrong reason
too, places that nobody projected too; not planned changes. The oracle is in `oracle.py`, the
rules that a shop could use in `rules.py`, the truths that are known by name in `cases.py`.
The table stands in plugins/roadworn_plugins/projection/README.md.
"""

import argparse
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from cases import CASES
from judge import Score, score
from made_fleet import Floats, Setting

from roadworn_plugins.projection.scores import calibration_slope


def scores(
    setting: Setting,
    runs: int,
    *,
    seed: int = 1,
    jobs: int = 1,
    months: float = 12.0,
    shift: float = 0.0,
) -> list[Score]:
    """Score as many fleets."""
    work = [(seed + run, setting, months, shift) for run in range(runs)]
    if jobs == 1:
        return [_alone(one) for one in work]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(_alone, work))


def _alone(work: tuple[int, Setting, float, float]) -> Score:
    seed, setting, months, shift = work
    with tempfile.TemporaryDirectory() as folder:
        return score(seed, setting, Path(folder), months=months, shift=shift)


def _pooled(found: Sequence[Score], name: str) -> Floats:
    return np.concatenate([getattr(one, name) for one in found])


def summary(found: Sequence[Score]) -> dict[str, float]:
    """Return figure -> value over all fleets of a case."""
    ratio = np.array([one.ratio for one in found])
    chance, happened, base, truly = (
        _pooled(found, name) for name in ("chance", "happened", "base", "truly")
    )

    def square(p: Floats) -> float:
        return float(np.mean((p - happened) ** 2))

    slope, _, error = calibration_slope(chance, happened)
    inside = np.concatenate([one.covered() for one in found])
    cars = sum(one.looked for one in found)
    figures = {
        "ratio": float(ratio.mean()),
        "se": float(ratio.std(ddof=1) / np.sqrt(ratio.size)) if ratio.size > 1 else np.nan,
        "oracle": float(np.mean([one.knowing / one.came for one in found])),
        "held": float(np.mean([one.held for one in found])),
        "above": sum(one.above for one in found) / cars,
        "below": sum(one.below for one in found) / cars,
        "slope": slope,
        "slope se": error,
        "gain": (square(base) - square(chance)) / (square(base) - square(truly)),
        "covered": float(inside.mean()),
    }
    for name in ("few", "old", "late"):
        rows = _pooled(found, name) > 0
        figures[name] = float(inside[rows].mean()) if rows.any() else np.nan
    return figures


def _compared(found: Sequence[Score]) -> list[str]:
    happened = _pooled(found, "happened")
    lines = [
        "| rule | Brier | money in first three | fleet total, mean error |",
        "|---|---|---|---|",
    ]
    total = {"projection": [one.projected for one in found], "oracle": [o.knowing for o in found]}
    chances = {"projection": _pooled(found, "chance"), "oracle": _pooled(found, "truly")}
    for name in found[0].rule_cost:
        total[name] = [one.rule_cost[name] for one in found]
        chances[name] = np.concatenate([one.rule_chance[name] for one in found])
    for name, chance in chances.items():
        wrong = np.mean([abs(t / o.came - 1.0) for t, o in zip(total[name], found, strict=True)])
        ranked = np.nanmean([one.ranked[name] for one in found])
        lines.append(
            f"| {name} | {np.mean((chance - happened) ** 2):.4f} | {ranked:.1%} | {wrong:.1%} |"
        )
    return lines


def _components(found: Sequence[Score], most: int) -> list[str]:
    lines = [
        "| component | failures projected | by the true lives | came | cost | by the true | came |",
        "|---|---|---|---|---|---|---|",
    ]
    sums = {
        name: np.sum([one.by_component[name] for one in found], axis=0)
        for name in found[0].by_component
    }
    order = sorted(sums, key=lambda name: -abs(sums[name][3] - sums[name][5]))
    rows = [(name, sums[name]) for name in order[:most]]
    rows.append(("all", np.sum(list(sums.values()), axis=0)))
    for name, (told, known, came, cost, known_cost, paid) in rows:
        lines.append(
            f"| {name} | {told:.1f} | {known:.1f} | {came:.0f} | "
            f"{cost:,.0f} | {known_cost:,.0f} | {paid:,.0f} |"
        )
    others = np.sum([one.unprojected for one in found], axis=0)
    lines.append(f"| at places without a projection | | | {others[0]:.0f} | | | {others[1]:,.0f} |")
    return lines


HEAD = (
    "| case | vehicles | ratio (se) | oracle | held | above | below | slope | gain | "
    "covered | few | old | late |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|"
)


def line(case: str, vehicles: int, found: Sequence[Score]) -> str:
    """Return one row of the table."""
    f = summary(found)
    return (
        f"| {case} | {vehicles} | {f['ratio']:.3f} ({f['se']:.3f}) | {f['oracle']:.3f} | "
        f"{f['held']:.0%} | {f['above']:.1%} | {f['below']:.1%} | {f['slope']:.3f} | "
        f"{f['gain']:.0%} | {f['covered']:.0%} | {f['few']:.0%} | "
        f"{f['old']:.0%} | {f['late']:.0%} |"
    )


def main() -> None:
    """Print the table, and what lies behind each row if asked."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--case", default="plain", help="all, or names with commas between")
    parser.add_argument("--vehicles", type=int, default=100)
    parser.add_argument("--years", type=int, default=8)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--months", type=float, default=12.0, help="how far ahead")
    parser.add_argument("--shift", type=float, default=0.0, help="days from the usual day")
    parser.add_argument("--behind", action="store_true", help="rules and components as well")
    chosen = parser.parse_args()
    names = list(CASES) if chosen.case == "all" else chosen.case.split(",")
    print(HEAD)
    behind = []
    for name in names:
        setting = replace(CASES[name], vehicles=chosen.vehicles, years=chosen.years)
        found = scores(
            setting,
            chosen.runs,
            seed=chosen.seed,
            jobs=chosen.jobs,
            months=chosen.months,
            shift=chosen.shift,
        )
        print(line(name, chosen.vehicles, found), flush=True)
        behind += [f"\n{name}\n", *_compared(found), "", *_components(found, 8)]
    if chosen.behind:
        print("\n".join(behind))


if __name__ == "__main__":
    main()
