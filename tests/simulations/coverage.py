"""How often limits hold the truth: a simulation kept to be run by hand, in minutes.

    python tests/simulations/coverage.py --runs 4000

Lives are Weibull with shape 2 and a known scale, so the truth is the reference. These ways of
watching are played: until the d-th failure; with ends staggered at random, d failures expected
and samples with fewer than three left out, as the analyses do; the same with half of the parts,
or all, entering late; the same with half late and half of the parts looked at only now and
then, so that their failures are known to an interval of a fifth of the scale. The table in
plugins/roadworn_plugins/lifedata/README.md is its output.
"""

import argparse
from collections.abc import Iterator
from functools import cache

import numpy as np

from roadworn_plugins.lifedata.conditional import Conditional
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.small_samples import fit_small

SHAPE = 2.0
LEAST = 3
BATCH = 500
WAYS = {
    "to the d-th failure": None,
    "staggered ends": 0.0,
    "half late": 0.5,
    "all late": 1.0,
    "half late, looks": 0.5,
}
GAP = 0.2
Sample = tuple[np.ndarray, np.ndarray, np.ndarray]


def age_by(share: float) -> float:
    """Return the true age by which a share has failed; the scale is 1."""
    return float((-np.log1p(-share)) ** (1.0 / SHAPE))


def staggered(rng: np.random.Generator, runs: int, size: int, follow: float, late: float) -> Sample:
    """Return entry, exit and failed of lives followed for about `follow` each."""
    entry, age, end = _followed(rng, runs, size, follow, late)
    return entry, np.minimum(age, end), age <= end


def _followed(rng: np.random.Generator, runs: int, size: int, follow: float, late: float) -> Sample:
    """Return entry, age at failure and end of follow-up."""
    entry = np.where(rng.random((runs, size)) < late, rng.uniform(0.0, 1.0, (runs, size)), 0.0)
    # A part that enters at age e has survived to e: its cumulative hazard goes on from there.
    age = (entry**SHAPE + rng.exponential(size=(runs, size))) ** (1.0 / SHAPE)
    length = follow * rng.uniform(0.4, 1.6, (runs, size)) if np.isfinite(follow) else np.inf
    return entry, age, np.broadcast_to(entry + length, age.shape)


@cache
def follow_up(censored: float, late: float) -> float:
    """Return how long to follow so that a share of the lives is still running."""
    if censored == 0.0:
        return np.inf
    low, high = 1e-3, 10.0
    for _ in range(30):
        middle = (low * high) ** 0.5
        failed = staggered(np.random.default_rng(0), 200, 100, middle, late)[2]
        low, high = (middle, high) if 1.0 - failed.mean() > censored else (low, middle)
    return middle


def to_failure(rng: np.random.Generator, runs: int, size: int, failures: int) -> Sample:
    """Return lives watched from new until the d-th failure."""
    age = np.sort(rng.exponential(size=(runs, size)) ** (1.0 / SHAPE), axis=1)
    failed = np.broadcast_to(np.arange(size) < failures, age.shape)
    return np.zeros_like(age), np.minimum(age, age[:, failures - 1 : failures]), failed


def missed(sample: Sample) -> dict[str, tuple[int, int, int]]:
    """Return figure -> limits too high, too low, and limits given."""
    entry, leaving, failed = (part[sample[2].sum(axis=1) >= LEAST] for part in sample)
    runs, size = leaving.shape
    lives = Lives.from_ages(
        leaving.ravel(),
        failed.ravel(),
        entry=entry.ravel(),
        group=np.repeat(np.arange(runs), size),
        n_groups=runs,
    )
    fit = fit_weibull(lives)
    which = np.flatnonzero(fit.fitted)
    belief = Conditional.of(lives, which)
    figures = {
        "B10": (belief.quantile_limits(0.1), age_by(0.1)),
        "B50": (belief.quantile_limits(0.5), age_by(0.5)),
        "shape": (belief.shape_limits(), SHAPE),
        "B10, likelihood ratio": (fit.quantile_ci[0.1][which], age_by(0.1)),
        "B50, likelihood ratio": (fit.quantile_ci[0.5][which], age_by(0.5)),
    }
    return {name: _counted(ends, true) for name, (ends, true) in figures.items()}


def looked_at(rng: np.random.Generator, runs: int, size: int, follow: float) -> Lives:
    """Return lives half of which are only known at looks; samples with too few left out."""
    entry, age, end = _followed(rng, runs, size, follow, 0.5)
    looks = rng.random(age.shape) < 0.5
    before = entry + np.floor((age - entry) / GAP) * GAP
    # Who is only looked at is followed to the last look, whether or not it fails later.
    last = np.where(np.isfinite(end), entry + np.floor((end - entry) / GAP) * GAP, np.inf)
    end = np.where(looks, last, end)
    found = np.where(looks, before + GAP, age)
    failed = found <= end + 1e-12
    lower = np.where(failed, np.where(looks, before, age), end)
    upper = np.where(failed, found, np.inf)
    keep = (lower > entry) | failed
    enough = (failed & keep).sum(axis=1) >= LEAST
    number = np.cumsum(enough) - 1
    rows = keep & enough[:, None]
    return Lives.from_intervals(
        lower[rows],
        upper[rows],
        entry=entry[rows],
        group=np.broadcast_to(number[:, None], rows.shape)[rows],
        n_groups=int(enough.sum()),
    )


def missed_between(lives: Lives) -> dict[str, tuple[int, int, int]]:
    """Return what `missed` does, for lives with intervals."""
    small, _ = fit_small(lives)
    plain = fit_weibull(lives)
    which = np.flatnonzero(small.fitted)
    figures = {
        "B10": (small.quantile_ci[0.1][which], age_by(0.1)),
        "B50": (small.quantile_ci[0.5][which], age_by(0.5)),
        "shape": (small.shape_ci[which], SHAPE),
        "B10, likelihood ratio": (plain.quantile_ci[0.1][which], age_by(0.1)),
        "B50, likelihood ratio": (plain.quantile_ci[0.5][which], age_by(0.5)),
    }
    return {name: _counted(ends, true) for name, (ends, true) in figures.items()}


def _counted(ends: np.ndarray, true: float) -> tuple[int, int, int]:
    return int((ends[:, 0] > true).sum()), int((ends[:, 1] < true).sum()), ends.shape[0]


def cell(
    way: str, failures: int, censored: float, runs: int, seed: int = 20
) -> dict[str, tuple[float, float, int]]:
    """Return figure -> share of limits too high, share too low, and their number."""
    late = WAYS[way]
    size = round(failures / (1.0 - censored))
    total: dict[str, np.ndarray] = {}
    rng = np.random.default_rng([seed, failures, round(100 * censored), list(WAYS).index(way)])
    for start in range(0, runs, BATCH):
        batch = min(BATCH, runs - start)
        if late is None:
            counted = missed(to_failure(rng, batch, size, failures))
        elif way.endswith("looks"):
            counted = missed_between(looked_at(rng, batch, size, follow_up(censored, late)))
        else:
            counted = missed(staggered(rng, batch, size, follow_up(censored, late), late))
        for name, counts in counted.items():
            total[name] = total.get(name, np.zeros(3, dtype=np.int64)) + np.array(counts)
    return {name: (n[0] / n[2], n[1] / n[2], int(n[2])) for name, n in total.items()}


def table(runs: int) -> Iterator[str]:
    """Yield the lines of the table in Markdown, coverage in percent."""
    names = ("B10", "B50", "shape", "B10, likelihood ratio", "B50, likelihood ratio")
    yield "| watched | failures | running | " + " | ".join(names) + " |"
    yield "|---|---|---|" + "---|" * len(names)
    for failures in (5, 10, 30, 100):
        for censored in (0.0, 0.5, 0.8):
            for way in WAYS:
                if censored == 0.0 and way == "staggered ends":
                    continue
                found = cell(way, failures, censored, runs)
                shown = [
                    f"{100 * (1 - found[name][0] - found[name][1]):.1f}" if name in found else ""
                    for name in names
                ]
                yield f"| {way} | {failures} | {censored:.0%} | " + " | ".join(shown) + " |"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--runs", type=int, default=4000)
    for line in table(parser.parse_args().runs):
        print(line, flush=True)
