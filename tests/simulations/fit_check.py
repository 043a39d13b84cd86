"""How often the check of a fit cries without a cause, and how often it sees early failures.

    python tests/simulations/fit_check.py --runs 4000

Lives are Weibull with shape 2 and are fitted by maximum likelihood, or a share of the parts is
weak and fails by an exponential law with a twentieth of the scale as its mean. Ends are staggered
over the follow-up, and a share enters late, up to 0.8 of the scale. The table in
plugins/roadworn_plugins/lifedata/README.md is its output.
"""

import argparse

import numpy as np

from roadworn_plugins.lifedata.fit_check import FitCheck, fit_check
from roadworn_plugins.lifedata.fitting import fit_weibull
from roadworn_plugins.lifedata.lives import Lives

SHAPE = 2.0
FOLLOW = {0.0: np.inf, 0.5: 2.2, 0.8: 1.0}
LEVELS = (0.1, 0.05, 0.01)


def checked(
    rng: np.random.Generator, runs: int, lives: int, running: float, late: float, weak: float
) -> FitCheck:
    """Make samples, fit each and check each."""
    group = np.repeat(np.arange(runs), lives)
    entry = np.where(rng.random(group.size) < late, rng.uniform(0.0, 0.8, group.size), 0.0)
    age = (entry**SHAPE + rng.exponential(size=group.size)) ** (1.0 / SHAPE)
    early = np.where(rng.random(group.size) < weak, rng.exponential(0.05, group.size), np.inf)
    age = np.where((early > entry) & (early < age), early, age)
    length = rng.uniform(0.0, 1.0, group.size) * FOLLOW[running] if running else np.inf
    leaving, failed = np.minimum(age, entry + length), age <= entry + length
    made = Lives.from_ages(leaving, failed, entry=entry, group=group, n_groups=runs)
    fit = fit_weibull(made, interval="wald")
    known = np.isfinite(fit.shape)[group]
    shape, scale = (np.where(known, x[group], 1.0) for x in (fit.shape, np.exp(fit.mu)))
    hazards = ((x / scale) ** shape for x in (entry, leaving))
    return fit_check(*hazards, failed & known, group=group, n_groups=runs)


def row(found: FitCheck) -> str:
    """Return the cells of a line: alarms at each level, and how many of them bend upwards."""
    p = found.p[np.isfinite(found.p)]
    cells = [f"{100 * np.mean(p < level):.1f}" for level in LEVELS]
    alarms = found.bend[found.p < 0.05]
    return " | ".join([*cells, f"{100 * np.mean(alarms > 0):.0f}"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print("| weak | failures | running | late | p < 0.1 | p < 0.05 | p < 0.01 | bend upwards |")
    print("|---|---|---|---|---|---|---|---|")
    for weak in (0.0, 0.05, 0.15):
        for failures in (8, 15, 30, 100):
            for running in (0.0, 0.5, 0.8):
                for late in (0.0, 0.5):
                    rng = np.random.default_rng([given.seed, failures])
                    lives = round(failures / (1.0 - running))
                    found = checked(rng, given.runs, lives, running, late, weak)
                    print(
                        f"| {weak:.0%} | {failures} | {running:.0%} | {late:.0%} | {row(found)} |"
                    )


if __name__ == "__main__":
    main()
