"""Chances with and without what was open on the day, on made fleets: run by hand.

    python tests/simulations/open_facts.py --vehicles 80 --runs 6

Each fleet is looked back to one day a year before its end; the same parts are scored with and
without the signs of that day, all fleets of a setting together, vehicle by vehicle. Beside it
stands what came and what both had told, of the parts that a sign spoke of and of the others.
The table stands in plugins/roadworn_plugins/projection/README.md.
"""

import argparse
import tempfile
from datetime import date
from pathlib import Path

import numpy as np
from made_fleet import START, Setting, play
from made_signs import with_signs

from roadworn.testing import view_of
from roadworn_plugins.ahead.past import BacktestDay, look_back
from roadworn_plugins.projection.scores import score_projection

#: Share of failures with a sign before them, and false alarms a vehicle and year.
SETTINGS = ((0.6, 0.5), (0.3, 0.5), (0.6, 2.0), (0.0, 0.5), (0.0, 2.0))
TODAY, PAST = date(2023, 12, 28), date(2022, 12, 28)


def looked(
    run: int, vehicles: int, share: float, false: float, months: tuple[float, ...]
) -> list[BacktestDay]:
    """Return what was projected of one fleet, for each time ahead."""
    events, truth = play(np.random.default_rng(run), Setting(vehicles=vehicles))
    events = with_signs(events, truth, np.random.default_rng(1000 + run), share, false, START)
    kept = [e for e in events if e.occurred_at[:10] <= TODAY.isoformat()]
    with (
        tempfile.TemporaryDirectory() as folder,
        view_of(kept, Path(folder), as_of=TODAY.isoformat()) as view,
    ):
        days = [look_back(view, PAST, one) for one in months]
    return [day for day in days if day is not None]


def told(days: list[BacktestDay]) -> str:
    """Return the score of all fleets together, and what came of what was told."""
    chance, without, happened, spoken = (
        np.concatenate([np.asarray(of(day), dtype=np.float64) for day in days])
        for of in (
            lambda day: day.chance,
            lambda day: day.without,
            lambda day: day.happened,
            lambda day: np.isin(np.arange(day.parts.size), day.parts.facts.part),
        )
    )
    names = np.array([f"{i} {one}" for i, day in enumerate(days) for one in day.parts.vehicle])
    score = score_projection(chance, happened, without, cluster=names)
    half = 1.96 * score.skill_error
    sides = []
    for rows in (spoken > 0.0, spoken == 0.0):
        came, lives, facts = (float(x[rows].sum()) for x in (happened, without, chance))
        sides.append(f"{came:.0f} of {rows.sum()}; {lives:.0f}; {facts:.0f}")
    lives = float(np.mean((without - happened) ** 2))
    return (
        f"{lives:.4f} | {score.brier:.4f} | {score.skill:.3f} ({score.skill - half:.3f} to "
        f"{score.skill + half:.3f}) | {score.slope:.2f} | {sides[0]} | {sides[1]}"
    )


def main() -> None:
    """Print a row a setting and time ahead."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--vehicles", type=int, default=80)
    ask.add_argument("--runs", type=int, default=6)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--months", type=float, nargs="*", default=[3.0, 12.0])
    ask.add_argument("--settings", type=int, nargs="*", default=list(range(len(SETTINGS))))
    given = ask.parse_args()
    months = tuple(given.months)
    print(
        "| failures with a sign | false alarms | months | lives | with facts | gain (95 %) |",
        end="",
    )
    print(" slope | spoken of: came of parts; by lives; with facts | the others |")
    for share, false in (SETTINGS[i] for i in given.settings):
        fleets = [
            looked(given.seed + run, given.vehicles, share, false, months)
            for run in range(given.runs)
        ]
        for i, ahead in enumerate(months):
            line = told([fleet[i] for fleet in fleets])
            print(f"| {share:.0%} | {false:g} | {ahead:g} | {line} |", flush=True)


if __name__ == "__main__":
    main()
