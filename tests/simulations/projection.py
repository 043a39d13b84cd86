"""The projection against what really happens, on fleets whose lives are known: run by hand.

    python tests/simulations/projection.py --runs 20

Each fleet is written to a ledger up to the end of year 7, read back and projected 12 months
ahead; year 8 of the same fleet is the judge. The table stands in
plugins/roadworn_plugins/projection/README.md. Costs are compared in the money of the day of the
projection. "Expected" is what a forecaster who knows the true lives, but no more of ages and
distances than the ledger tells, would have said.
"""

import argparse
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from made_fleet import CLASSES, PARTS, YEAR, Floats, Setting, Truth, on, play
from roadworn_plugins.backtest.tables import bins_of

from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn_plugins.lifedata.shrinkage import Posterior
from roadworn_plugins.projection.scores import calibration_slope
from roadworn_plugins.shared.life_model import Clocked, ComponentLives
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts
from roadworn_plugins.shared.projected import Projection, money, project

MONTHS = 12.0
_CERTAIN = 1e7  # failures that a known rate counts for


@dataclass(frozen=True)
class Score:
    """One fleet: totals, bands and scores."""

    parts: int
    projected: float
    actual: float
    knowing: float
    low: float
    high: float
    cars_inside: float
    cars: int
    failures: float
    expected_failures: float
    slope: float
    gain: float
    gain_knowing: float
    clocks_right: bool
    chance: Floats
    happened: Floats


class TrueLives(ComponentLives):
    """Models with the true lives in the place of fitted ones."""

    def __init__(self, fitted: ComponentLives, truth: Truth) -> None:
        self._fitted, self._truth = fitted, truth

    def get(self, component: str) -> Clocked | None:
        number = next(i for i, part in enumerate(PARTS) if part[0] == component)
        _name, _places, clock, shape, scale, _price = PARTS[number]
        found = self._fitted.get(component)
        assert found is not None
        rate = (scale * self._truth.scale[:, number]) ** -shape
        model = replace(
            found.model,
            shape=shape,
            shape_spread=0.0,
            classes=CLASSES,
            failures=np.zeros(len(CLASSES)),
            running=np.zeros(len(CLASSES)),
            exposure=np.zeros(len(CLASSES)),
            belief=Posterior(np.full(len(CLASSES), _CERTAIN), _CERTAIN / rate),
        )
        return Clocked(model, "age" if clock == "age" else "distance")


def score(seed: int, setting: Setting, folder: Path, bands: bool) -> Score:
    """Play, write, read and project one fleet."""
    rng = np.random.default_rng(seed)
    events, truth = play(rng, setting)
    day = int((setting.years - 1) * YEAR)
    past = [e for e in events if e.occurred_at[:10] <= on(day)]
    path = folder / f"fleet{seed}.db"
    with Ledger.create(path) as ledger:
        ledger.append_many(past)
    with open_view(path, as_of=on(day), cache=False) as view:
        lives = ComponentLives(view)
        parts = load_parts(view, lives=lives)
        knowing = load_parts(view, lives=TrueLives(lives, truth))
    found, better = project(parts, MONTHS), project(knowing, MONTHS)
    return _scored(parts, found, project_cost(knowing, better), better, truth, day, setting, bands)


def project_cost(parts: PartsAhead, found: Projection) -> float:
    """Return the expected cost of all parts."""
    return money(parts, found, np.arange(parts.size)).expected


def _scored(
    parts: PartsAhead,
    found: Projection,
    knowing_cost: float,
    better: Projection,
    truth: Truth,
    day: int,
    setting: Setting,
    bands: bool,
) -> Score:
    last = day + YEAR * MONTHS / 12.0
    keys = list(zip(parts.vehicle, parts.component, parts.position, strict=True))
    assert len(set(keys)) == len(keys), "a place is projected twice"

    # Prices of year 8 in the money of its first day.
    def costs(key: tuple[str, str, str]) -> list[float]:
        return [
            cost / (1.0 + setting.yearly_rise) ** ((when - day) / YEAR)
            for when, cost in truth.dated(key, day, last)
        ]

    actual = {key: costs(key) for key in truth.failures}
    number = np.array([len(actual[key]) for key in keys], dtype=float)
    happened = (number > 0).astype(float)
    rows = np.arange(parts.size)
    whole = money(parts, found, rows, level=0.95)
    inside = cars = 0
    if bands:
        for car in sorted(set(parts.vehicle)):
            own = np.flatnonzero(np.array(parts.vehicle) == car)
            band = money(parts, found, own, level=0.8)
            came = sum(sum(costs) for key, costs in actual.items() if key[0] == car)
            inside += band.low - 1e-9 <= came <= band.high
            cars += 1
    # Base rate of each component: its failures in the year before, over its places.
    component = np.array(parts.component)
    base = np.zeros(parts.size)
    for name in set(parts.component):
        here = component == name
        before = sum(
            len(truth.within(key, day - YEAR, day)) > 0
            for key, own in zip(keys, here, strict=True)
            if own
        )
        base[here] = before / here.sum()

    def square(p: Floats) -> float:
        return float(np.mean((p - happened) ** 2))

    return Score(
        parts=parts.size,
        projected=whole.expected,
        actual=sum(sum(costs) for costs in actual.values()),
        knowing=knowing_cost,
        low=whole.low,
        high=whole.high,
        cars_inside=inside,
        cars=cars,
        failures=float(sum(len(costs) for costs in actual.values())),
        expected_failures=float(found.number.sum()),
        slope=calibration_slope(found.chance, happened)[0],
        gain=square(base) - square(found.chance),
        gain_knowing=square(base) - square(better.chance),
        clocks_right=all(
            clocked.clock == next(p[2] for p in PARTS if p[0] == name)
            for name, clocked in parts.models.items()
        ),
        chance=found.chance,
        happened=happened,
    )


def main(runs: int, setting: Setting, seed: int, bands: bool) -> None:
    """Print one line a fleet and the summary."""
    print(
        "| fleet | parts | projected | actual | ratio | over knowing | 95 % band | in it | "
        "vehicles in 80 % | slope | gain in Brier | of possible |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    scores = []
    for run in range(runs):
        with tempfile.TemporaryDirectory() as folder:
            s = score(seed + run, setting, Path(folder), bands)
        scores.append(s)
        held = "yes" if s.low <= s.actual <= s.high else "no"
        print(
            f"| {run + 1} | {s.parts} | {s.projected:,.0f} | {s.actual:,.0f} | "
            f"{s.projected / s.actual:.3f} | {s.projected / s.knowing:.3f} | "
            f"{s.low:,.0f} to {s.high:,.0f} | {held} | {s.cars_inside / max(s.cars, 1):.1%} | "
            f"{s.slope:.3f} | {s.gain:.5f} | {s.gain / s.gain_knowing:.0%} |"
            + ("" if s.clocks_right else " wrong clock"),
            flush=True,
        )
    ratio = np.array([s.projected / s.actual for s in scores])
    over = np.array([s.projected / s.knowing for s in scores])
    cars = sum(s.cars for s in scores)
    chance, happened = (
        np.concatenate([getattr(s, name) for s in scores]) for name in ("chance", "happened")
    )
    slope, _, error = calibration_slope(chance, happened)
    print(
        f"\nprojected / actual cost: mean {ratio.mean():.3f}, standard error "
        f"{ratio.std(ddof=1) / np.sqrt(ratio.size):.3f}; of sums "
        f"{sum(s.projected for s in scores) / sum(s.actual for s in scores):.3f}; "
        f"failures {sum(s.expected_failures for s in scores) / sum(s.failures for s in scores):.3f}"
    )
    print(f"projected / expected by the true lives: mean {over.mean():.3f}")
    print(f"in the 95 % band: {sum(s.low <= s.actual <= s.high for s in scores)} of {len(scores)}")
    print(f"vehicles in their 80 % band: {sum(s.cars_inside for s in scores) / max(cars, 1):.1%}")
    print(
        f"calibration slope, all fleets together: {slope:.3f} "
        f"({slope - 1.96 * error:.3f} to {slope + 1.96 * error:.3f})"
    )
    gain, possible = sum(s.gain for s in scores), sum(s.gain_knowing for s in scores)
    print(f"gain in Brier over the base rate, of that with true lives: {gain / possible:.1%}")
    print("predicted against observed:")
    for one in bins_of(chance, happened):
        print(f"  {one.given:.3f} {one.came:.3f} ({one.parts:,})")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--vehicles", type=int, default=200)
    parser.add_argument("--rise", type=float, default=0.0, help="yearly rise of prices")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--no-bands", action="store_true", help="skip the vehicles' bands")
    chosen = parser.parse_args()
    main(
        chosen.runs,
        Setting(vehicles=chosen.vehicles, yearly_rise=chosen.rise),
        chosen.seed,
        not chosen.no_bands,
    )
