"""The budget of a year and the retire list against what really comes, on made fleets: run by hand.

    python tests/simulations/budget.py --runs 50 --vehicles 30

Each fleet is the one of `cases.py` with everything in it that real ones hold: early failures and
comebacks, vehicles that differ, bad ones, season, planned work, sales, slips of the pen. It is
written to a ledger up to the end of its last year but one; the last year is the judge. What a
manager sees is asked: the budget of `next-repairs`, failures and services with their band of 80 %,
and the list of `keep-or-sell` over the fleet. Came: failures and planned changes that were written
down, of vehicles here on the day, in the money of the day.

The truly dearest fifth are those vehicles that cost most above the middle of their class for the
distance they went, in that year. A list by the oracle, who knows every life but not the luck, holds
a part of them; the list of `keep-or-sell` is held against that, as far as both exceed a list by
chance, and by itself. The same is asked by the plain sum that each vehicle cost.
"""

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np
from cases import CASES
from made_fleet import YEAR, Key, Setting, Truth, on, play
from oracle import Oracle

from roadworn.columns.view import LedgerView, open_view
from roadworn.intake import Ledger
from roadworn_plugins.ahead import NextRepairsSettings
from roadworn_plugins.ahead import run as next_repairs
from roadworn_plugins.keep.fleet import retire_list
from roadworn_plugins.keep.options import KeepOrSellSettings


@dataclass(frozen=True)
class Judged:
    """One fleet: its budget and what came, and overlaps of lists with the truly dearest fifth.

    Attributes:
        said, low, high, came: of the budget.
        wanted: how many vehicles are a fifth.
        overlap: name of a list -> how many of the truly dearest it holds.
    """

    said: float
    low: float
    high: float
    came: float
    wanted: int
    overlap: dict[str, int]


def judged(seed: int, setting: Setting, folder: Path) -> Judged:
    """Play, write, read and judge one fleet."""
    events, truth = play(np.random.default_rng(seed), setting)
    day = float(int((setting.years - 1) * YEAR))
    path = folder / "fleet.db"
    with Ledger.create(path) as ledger:
        ledger.append_many([one for one in events if one.occurred_at[:10] <= on(day)])
    with open_view(path, as_of=on(day), cache=False) as view:
        asked = next_repairs(view, NextRepairsSettings(by="month"))
        listed = retire_list(view, KeepOrSellSettings(most=10_000))
        here = _here(view)
    budget = asked.estimates[-1]
    paid = _paid(truth, day, here)
    table = listed.tables[0]
    rows = [dict(zip((c.name for c in table.columns), row, strict=True)) for row in table.rows]
    order = [str(row["vehicle"]) for row in rows]
    upkeep = {str(row["vehicle"]): float(row["upkeep"] or 0.0) for row in rows}
    known = _by_oracle(truth, day, here)
    km = {name: truth.vehicles[name].at(day + YEAR) - truth.vehicles[name].at(day) for name in here}
    last = {
        name: truth.vehicles[name].at(day) - truth.vehicles[name].at(day - YEAR) for name in here
    }
    kinds = {name: truth.vehicles[name].kind for name in here}
    many = max(1, round(len(here) / 5))

    def first(cost: Mapping[str, float]) -> set[str]:
        return set(sorted(here, key=lambda name: (-cost.get(name, 0.0), name))[:many])

    above = first(_above(paid, km, kinds))
    summed = first(paid)
    lists = {
        "list": set(order[:many]),
        "list by upkeep": first(upkeep),
        "oracle": first(_above(known, last, kinds)),
        "oracle by sum": first(known),
    }
    truly = {"list": above, "oracle": above, "list by upkeep": summed, "oracle by sum": summed}
    overlap = {name: len(found & truly[name]) for name, found in lists.items()}
    overlap["chance"] = round(1000 * many * many / len(here))
    return Judged(float(budget.value or 0), float(budget.low or 0), float(budget.high or 0),
                  sum(paid.values()), many, overlap)  # fmt: skip


def _here(view: LedgerView) -> set[str]:
    return {
        str(v) for (v,) in view.sql("SELECT vehicle_id FROM vehicles WHERE retired_on IS NULL").rows
    }


def _paid(truth: Truth, day: float, here: set[str]) -> dict[str, float]:
    """Return what each vehicle cost in the year after a day, in the money of the day."""
    rise = 1.0 + truth.setting.yearly_rise
    found = defaultdict[str, float](float)
    for one in truth.happenings:
        if one.written and one.key[0] in here and day < np.floor(one.day) <= day + YEAR:
            found[one.key[0]] += one.cost / rise ** ((one.day - day) / YEAR)
    return dict(found)


def _by_oracle(truth: Truth, day: float, here: set[str]) -> dict[str, float]:
    keys: list[Key] = [key for key in truth.fitted if key[0] in here]
    oracle = Oracle(truth, keys, day)
    cost = oracle.say(oracle.ahead(12.0), 12.0).cost
    found = defaultdict[str, float](float)
    for key, amount in zip(keys, cost, strict=True):
        found[key[0]] += float(amount)
    return dict(found)


def _above(
    cost: Mapping[str, float], km: Mapping[str, float], kinds: Mapping[str, int]
) -> dict[str, float]:
    """Return what each vehicle costs above the middle of its class for its distance."""
    rates = defaultdict[int, list[float]](list)
    for name, far in km.items():
        rates[kinds[name]].append(cost.get(name, 0.0) / max(far, 1.0))
    middle = {kind: median(some) for kind, some in rates.items()}
    return {name: cost.get(name, 0.0) - middle[kinds[name]] * far for name, far in km.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=50)
    parser.add_argument("--vehicles", type=int, default=30)
    parser.add_argument("--years", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--case", default="everything", choices=sorted(CASES))
    given = parser.parse_args()
    setting = replace(CASES[given.case], vehicles=given.vehicles, years=given.years)
    found: list[Judged] = []
    for run in range(given.runs):
        with tempfile.TemporaryDirectory() as folder:
            one = judged(given.seed + run, setting, Path(folder))
        found.append(one)
        place = (
            "inside"
            if one.low <= one.came <= one.high
            else "above"
            if one.came > one.high
            else "below"
        )
        print(f"{given.seed + run:3} said {one.said:7,.0f} ({one.low:7,.0f} to {one.high:7,.0f}) "
              f"came {one.came:7,.0f} {place}  {one.overlap}", flush=True)  # fmt: skip
    inside = np.array([one.low <= one.came <= one.high for one in found])
    over = sum(one.came > one.high for one in found)
    ratio = np.array([one.came / one.said for one in found])
    under = len(found) - over - int(inside.sum())
    print(
        f"inside its band: {inside.mean():.0%} of {len(found)}; above {over}, below {under}; "
        f"came over said {ratio.mean():.2f}"
    )
    sums = {name: sum(one.overlap[name] for one in found) for name in found[0].overlap}
    for mine, theirs in (("list", "oracle"), ("list by upkeep", "oracle by sum")):
        print(f"{mine}: holds {sums[mine]} of {sum(o.wanted for o in found)} truly dearest, the "
              f"oracle {sums[theirs]}, chance {sums['chance'] / 1000:.0f}: "
              f"{sums[mine] / sums[theirs]:.0%} of the oracle's overlap")  # fmt: skip


if __name__ == "__main__":
    main()
