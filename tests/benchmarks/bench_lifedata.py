"""Time the life-data estimators against lifelines, in one run.

Run by hand: ``OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_lifedata.py``; with more
threads NumPy's linear algebra, which only lifelines uses here, spins and wastes processor time.

20,000 groups with 1,000,000 lives, late entry and censoring; invented data with known truth.
lifelines fits a sample of the groups one by one, as it comes; the estimators here fit all of
them at once. Ratios are of median processor seconds per group, which other work on the
machine disturbs least; both sides use one thread. For the comparison of the estimates lifelines
runs once more with tighter tolerances, because as it comes it stops at about 1e-5. Not
collected by pytest: timings are no tests.
"""

import resource
import statistics
import time
import warnings
from collections.abc import Callable

import numpy as np
from lifelines import KaplanMeierFitter, WeibullFitter

from roadworn_plugins.lifedata.fitting import fit_lognormal, fit_weibull
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.survival import kaplan_meier

TIGHT = {"ftol": 1e-15, "gtol": 1e-10, "maxiter": 1000}
GROUPS, LIVES, SAMPLE = 20_000, 1_000_000, 40


def invented_lives() -> Lives:
    """Draw Weibull lives in km, two in five entering late, with random ends of observation."""
    rng = np.random.default_rng(20240501)
    size = int(LIVES * 1.4)
    group = rng.integers(0, GROUPS, size)
    shape, scale = rng.uniform(1.0, 3.5, GROUPS), rng.uniform(4e4, 2e5, GROUPS)
    life = scale[group] * rng.weibull(shape[group])
    entry = np.where(rng.random(size) < 0.4, rng.uniform(0.0, 0.6, size) * scale[group], 0.0)
    end = entry + rng.uniform(0.1, 1.6, size) * scale[group]
    seen = np.flatnonzero(life > entry)[:LIVES]
    return Lives.from_ages(
        np.minimum(life, end)[seen],
        (life <= end)[seen],
        entry=entry[seen],
        group=group[seen],
        n_groups=GROUPS,
    )


def seconds(work: Callable[[], object]) -> float:
    """Return the median of a few runs."""
    taken = []
    for _ in range(5):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return statistics.median(taken)


def peak_mb() -> float:
    """Return the peak resident memory of this process in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def main() -> None:
    """Run everything and print the ratios."""
    lives = invented_lives()
    before = peak_mb()
    print(f"{lives.n_groups} groups, {lives.group.size} lives, {int(lives.exact.sum())} failures")
    ours = {
        "Weibull, Wald": seconds(lambda: fit_weibull(lives, interval="wald")),
        "Weibull, likelihood ratio": seconds(lambda: fit_weibull(lives)),
        "lognormal, Wald": seconds(lambda: fit_lognormal(lives, interval="wald")),
        "Kaplan-Meier": seconds(lambda: kaplan_meier(lives)),
    }
    for name, time_taken in ours.items():
        print(f"{name}: {time_taken:.2f} s for all groups")
    print(f"peak memory {peak_mb():.0f} MB, of it {before:.0f} MB before the first fit")
    fit, curve = fit_weibull(lives, interval="wald"), kaplan_meier(lives)
    fit_times, curve_times = [], []
    worst_fit = worst_curve = 0.0
    for g in np.linspace(0, GROUPS - 1, SAMPLE).astype(int):
        rows = lives.group == g
        ages, failed, entry = lives.exit[rows], lives.exact[rows], lives.entry[rows]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # Scaled so that lifelines' optimiser, which starts at 1, arrives too.
            middle = float(np.median(ages))
            start = time.process_time()
            peer = WeibullFitter().fit(ages / middle, failed, entry=entry / middle)
            fit_times.append(time.process_time() - start)
            peer.fit(ages / middle, failed, entry=entry / middle, fit_options=TIGHT)
            worst_fit = max(
                worst_fit,
                abs(peer.rho_ / fit.shape[g] - 1.0),
                abs(peer.lambda_ * middle / fit.scale[g] - 1.0),
            )
            start = time.process_time()
            peer_curve = KaplanMeierFitter().fit(ages, failed, entry=entry)
            curve_times.append(time.process_time() - start)
        at = curve.group_slice(int(g))
        s = peer_curve.survival_function_at_times(curve.age[at]).to_numpy()
        worst_curve = max(worst_curve, float(np.abs(s - curve.s[at]).max()))
    per_fit, per_curve = statistics.median(fit_times), statistics.median(curve_times)
    for name in ("Weibull, Wald", "Weibull, likelihood ratio"):
        print(f"{name}: {per_fit / (ours[name] / GROUPS):,.0f} times lifelines per group")
    print(f"  largest relative difference of shape and scale {worst_fit:.1e}")
    print(f"Kaplan-Meier: {per_curve / (ours['Kaplan-Meier'] / GROUPS):,.0f} times lifelines")
    print(f"  largest difference of survival {worst_curve:.1e}")


if __name__ == "__main__":
    main()
