"""What a pool of shops is worth to each of them: 20 made shops that differ, run by hand.

    python tests/simulations/pool.py --shops 20 --seed 1
    python tests/simulations/pool.py --shops 6 --seed 100 --replications 40 --minutes 20

The shops share what a component usually lasts and differ in everything else: size from four
vehicles up, years on record, duty, their own hand with each component's life and shape, how they
write (wrong reasons, failures left out, no odometer), comebacks, one that drives its vehicles hard,
one whose supplier of brake rotors is bad (a third of the rotors last a third as long) and one of
which each component lasts half or twice as long, by another shape. All have early failures,
vehicles that differ, planned changes, season, slips in the reasons and failures that nobody wrote
down (`made_fleet`).

Each exports its own pool, all are merged, and each projects its parts a year ahead with the pool
and without it: its own part of the pool is left out by the program. What comes in that year
judges both by log score and Brier score; who knows the true lives (`oracle`) judges them without
the luck of the draw, by how much worse than its own their log score is to be expected. Figures
stand in docs/pool.md.
"""

import argparse
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from judge import _Judged
from made_fleet import CLASSES, PARTS, YEAR, Floats, Setting, Truth, _Play, on

from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn.model.errors import UsageError
from roadworn_plugins.pooling import export_pool, merge_pools
from roadworn_plugins.shared.parts_ahead import load_parts
from roadworn_plugins.shared.pool_beliefs import PoolOfOthers
from roadworn_plugins.shared.projected import project

FEW = 3
_SIZES = (4, 5, 6, 6, 8, 8, 10, 10, 12, 15, 15, 20, 20, 25, 30, 30, 40, 50, 60, 80)
#: The shop of which every component has a life and a shape far from those elsewhere.
DIFFERS = 5
_LEAST = 1e-4
_HEAD = (
    *("shop", "vehicles", "failures", "parts", "few", "regret alone", "pooled", "of few alone"),
    *("pooled", "log score alone", "pooled", "Brier alone", "pooled"),
)
MADE = Setting(
    early=0.08,
    comebacks=0.05,
    differing=0.35,
    bad=0.02,
    cause=0.03,
    year_effect=0.1,
    season=0.5,
    planned=True,
    leaving=0.05,
    mis_recorded=0.05,
    unrecorded=0.05,
    odometer_missing=0.1,
)


@dataclass(frozen=True)
class Shop:
    """One made shop: its name, its ledger, the day and what is true."""

    name: str
    path: Path
    day: float
    truth: Truth


def make(number: int, seed: int, folder: Path) -> Shop:
    """Play one shop and write its ledger to the end of its last year but one."""
    trade = np.random.default_rng(seed)
    scale = np.array([part[4] for part in PARTS])
    scale = scale * np.exp(trade.normal(0.0, 0.15, (len(CLASSES), len(PARTS))))
    rng = np.random.default_rng([seed, number])
    vehicles, years = _SIZES[number % len(_SIZES)], int(rng.integers(4, 9))
    setting, name = replace(MADE, vehicles=vehicles, years=years), "usual"
    setting = replace(
        setting,
        comebacks=float(rng.uniform(0.0, 0.1)),
        mis_recorded=float(rng.uniform(0.0, 0.15)),
        unrecorded=float(rng.uniform(0.0, 0.1)),
        odometer_missing=float(rng.uniform(0.0, 0.3)),
    )
    hand = rng.normal(0.0, 0.12, len(PARTS)) + rng.normal(0.0, 0.1)
    shapes = rng.normal(0.0, 0.12, len(PARTS))
    if number % len(_SIZES) == DIFFERS:
        name = "differs"
        hand += rng.choice([-0.7, 0.7], len(PARTS))
        shapes += rng.choice([-0.35, 0.35], len(PARTS))
    if number % len(_SIZES) == 9:
        name, hand = "hard duty", hand - 0.45
    if number % len(_SIZES) == 14:
        name = "bad supplier"
        setting = replace(setting, batch=9.0, batch_component="brake.rotor", batch_from=0.0)
    play = _Play(rng, setting)
    play.truth.scale = scale * np.exp(hand)
    play.truth.shape = play.truth.shape * np.exp(shapes)
    events, truth = play.run()
    day = float(int((years - 1) * YEAR))
    path = folder / f"shop{number}.db"
    with Ledger.create(path) as ledger:
        ledger.append_many([e for e in events if e.occurred_at[:10] <= on(day)])
    return Shop(name, path, day, truth)


@dataclass(frozen=True)
class Judged:
    """Chances of one shop's parts, what happened, what was to be expected.

    Attributes:
        alone, pooled: chances without and with the pool.
        truly: by who knows the lives.
        happened: whether each failed.
        few: parts of which the shop has seen so few failures.
        failures: of the shop on record.
    """

    alone: Floats
    pooled: Floats
    truly: Floats
    happened: Floats
    few: Floats
    failures: int

    def rows(self, few: bool) -> Floats:
        """Return which parts are asked for."""
        return self.few if few else np.ones(self.few.size, dtype=bool)

    def regret(self, told: Floats, few: bool = False) -> float:
        """Return how much worse than the oracle a log score is to be expected, per 100 parts."""
        q, p = (np.clip(x[self.rows(few)], _LEAST, 1 - _LEAST) for x in (told, self.truly))
        return 100.0 * float(np.mean(p * np.log(p / q) + (1 - p) * np.log((1 - p) / (1 - q))))

    def off(self, told: Floats, few: bool = False) -> float:
        """Return by how many failures the sum of the chances is off what the oracle expects."""
        rows = self.rows(few)
        return float(abs(told[rows].sum() - self.truly[rows].sum()))

    def log_score(self, told: Floats, few: bool = False) -> float:
        """Return the mean logarithmic score of what happened; smaller is better."""
        rows = self.rows(few)
        q, y = np.clip(told[rows], _LEAST, 1 - _LEAST), self.happened[rows]
        return float(-np.mean(y * np.log(q) + (1 - y) * np.log(1 - q)))

    def brier(self, told: Floats, few: bool = False) -> float:
        """Return the Brier score of what happened; smaller is better."""
        rows = self.rows(few)
        return float(np.mean((told[rows] - self.happened[rows]) ** 2))


def judged(shop: Shop, pool: Path) -> Judged:
    """Project one shop without and with the pool, and judge both by the year that came."""
    with open_view(shop.path, as_of=on(shop.day), cache=False) as view:
        alone = load_parts(view)
        pooled = alone
        # A shop that is refused a pool of too few others goes on without.
        with suppress(UsageError):
            pooled = load_parts(view, pool=PoolOfOthers.of(view, str(pool)))
        told = {row: i for i, row in enumerate(_names(pooled))}
        found = project(alone, 12.0)
        with_pool = project(pooled, 12.0).chance[[told[row] for row in _names(alone)]]
        judge = _Judged(0, shop.truth, shop.day, 12.0, alone, found)
        came = judge._costs(shop.day, shop.day + YEAR)
        oracle, _same = judge._oracle()
        failed = dict(
            view.sql("SELECT component, count(*) FROM part_lives WHERE failed GROUP BY 1").rows
        )
    return Judged(
        alone=found.chance,
        pooled=with_pool,
        truly=oracle.chance,
        happened=np.array([float(key in came) for key in judge.keys]),
        few=np.array([failed.get(name, 0) <= FEW for name in alone.component]),
        failures=sum(failed.values()),
    )


def _names(parts) -> list[tuple[str, str, str]]:
    return list(zip(parts.vehicle, parts.component, parts.position, strict=True))


def played(seed: int, shops: int) -> list[tuple[Shop, Judged]]:
    """Play some shops, put their pools together and judge each of them."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        made = [make(number, seed, folder) for number in range(shops)]
        files = []
        for number, shop in enumerate(made):
            with open_view(shop.path, as_of=on(shop.day), cache=False) as view:
                file = folder / f"shop{number}.json"
                try:
                    file.write_text(export_pool(view)[0])
                except UsageError as error:
                    print(f"(shop {number} hands out nothing: {error})")
                    continue
                files.append(file)
        pool = folder / "pool.json"
        pool.write_text(merge_pools(files)[0])
        return [(shop, judged(shop, pool)) for shop in made]


def main() -> None:
    """Print a row a shop and what holds for all, or of many replications what is expected."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--shops", type=int, default=len(_SIZES))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--replications", type=int, default=1, help="from this seed on")
    parser.add_argument("--minutes", type=float, default=8.0, help="no further one after these")
    chosen = parser.parse_args()
    if chosen.replications > 1:
        replicated(chosen.seed, chosen.shops, chosen.replications, chosen.minutes)
        return
    print(f"| {' | '.join(_HEAD)} |\n{'|---' * len(_HEAD)}|")
    every = played(chosen.seed, chosen.shops)
    for shop, one in every:
        print(_row(shop.name, len(shop.truth.vehicles), one), flush=True)
    for word, few in (("all parts", False), (f"parts of at most {FEW} failures", True)):
        some = [one for _shop, one in every if one.rows(few).any()]
        worse = sum(one.regret(one.pooled, few) > one.regret(one.alone, few) for one in some)
        size = np.array([one.rows(few).sum() for one in some])
        print(f"{word}: {len(some)} shops, worse with the pool by the oracle {worse}")
        for name in ("regret", "log_score", "brier"):
            alone, pooled = (
                float(
                    np.average(
                        [getattr(one, name)(getattr(one, t), few) for one in some], weights=size
                    )
                )
                for t in ("alone", "pooled")
            )
            print(f"  {name}: alone {alone:.4f}, pooled {pooled:.4f}")


def replicated(seed: int, shops: int, replications: int, minutes: float) -> None:
    """Print what each shop is to expect of a pool, over many worlds, with its standard error.

    One world judges a pool by the luck of a few failures; a shop decides before it knows them,
    so it is harmed where its mean regret over the worlds is higher with the pool than without.
    How many single worlds are worse stands beside it, for that is what it may meet.
    """
    ends = time.monotonic() + 60.0 * minutes
    found: dict[tuple[int, bool], list[tuple[float, ...]]] = {}
    worlds = 0
    while worlds < replications and (worlds < 1 or time.monotonic() < ends):
        for number, (_shop, one) in enumerate(played(seed + worlds, shops)):
            for few in (False, True):
                if one.rows(few).any():
                    told = one.alone, one.pooled
                    pair = *(one.regret(x, few) for x in told), *(one.off(x, few) for x in told)
                    for of in (number, -1):
                        found.setdefault((of, few), []).append(pair)
        worlds += 1
    print(f"{worlds} worlds of {shops} shops, seeds {seed} to {seed + worlds - 1}")
    for (number, few), pairs in sorted(found.items()):
        alone, pooled, off_alone, off_pooled = np.array(pairs).T
        gain = alone - pooled
        error = gain.std(ddof=1) / np.sqrt(gain.size) if gain.size > 1 else np.nan
        harmed = " HARMED" if gain.mean() < -error else ""
        print(
            f"{'every shop' if number < 0 else f'shop {number}'}, {'few' if few else 'all'} parts: "
            f"regret {alone.mean():.3f}, with the pool {pooled.mean():.3f}; "
            f"gain {gain.mean():+.3f}, standard error {error:.3f}{harmed}; "
            f"worse in {int((gain < 0).sum())} of {gain.size}, one in ten by "
            f"{-np.quantile(gain, 0.1):.2f}, the worst by {-gain.min():.2f}; "
            f"failures off by {off_alone.mean():.2f}, with the pool {off_pooled.mean():.2f}"
        )


def _row(name: str, vehicles: int, one: Judged) -> str:
    cells = [name, vehicles, one.failures, one.few.size, int(one.few.sum())]
    both = (one.alone, one.pooled)
    cells += [
        f"{one.regret(told, few):.2f}" if one.rows(few).any() else ""
        for few in (False, True)
        for told in both
    ]
    cells += [f"{score(told):.4f}" for score in (one.log_score, one.brier) for told in both]
    return "| " + " | ".join(map(str, cells)) + " |"


if __name__ == "__main__":
    main()
