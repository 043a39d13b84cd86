"""Outlook of a fleet against Monte Carlo of 1,000 draws; run by hand, prints ratios of one run.

    python tests/benchmarks/bench_projection.py [vehicles]
    python tests/benchmarks/bench_projection.py back [vehicles]    looks back, beside next-repairs

Both answer the same question for 10,000 vehicles, 60 components and 36 months: expected failures
and cost of each vehicle in each month, the chance of failure of each part, and an 80 % band of
each vehicle's total. The rate of each component is uncertain. The Monte Carlo is vectorised
NumPy, one component at a time; its own error at 1,000 draws is printed, and how far the outlook
lies from a Monte Carlo with many more draws on a sample of vehicles. The invented lives include
parts that last only months and infant failures.
"""

import resource
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from roadworn_plugins.projection.belief import CostSpread, LifeBelief, distance_ahead
from roadworn_plugins.projection.renewal import calendar, count_moments
from roadworn_plugins.projection.totals import totals

COMPONENTS, MONTHS, DRAWS, SAMPLE = 60, 36, 1_000, 60
COST_SPREAD = 0.3
NODES = 4  # exact for moments of the rate up to the seventh; three moments of totals need no more


def fleet(vehicles, seed=1):
    """Beliefs of 60 components; age of each part and pace of each vehicle in thousand km."""
    rng = np.random.default_rng(seed)
    shape = rng.choice([0.8, 1.1, 1.6, 2.5, 2.5, 3.5], COMPONENTS)
    scale = rng.uniform(60.0, 300.0, COMPONENTS)
    scale[:3] = [4.0, 9.0, 15.0]
    a = rng.choice([3.0, 10.0, 40.0], COMPONENTS)
    belief = LifeBelief.gamma(shape, a, a * scale**shape)
    age = rng.uniform(0.0, 1.0, (COMPONENTS, vehicles)) * scale[:, None]
    return belief, age, rng.lognormal(0.4, 0.4, vehicles), rng.lognormal(5.3, 0.7, COMPONENTS)


def outlook(belief, age, pace, price):
    """The projection: calendar of each vehicle, chances, totals with bands."""
    vehicles = pace.size
    group = np.repeat(np.arange(COMPONENTS), vehicles)
    vehicle = np.tile(np.arange(vehicles), COMPONENTS)
    ahead = distance_ahead(pace, np.arange(1.0, MONTHS + 1), nodes=1)
    months = calendar(belief, group, age.ravel(), vehicle, ahead, price[group], nodes=NODES)
    bands = np.empty((2, vehicles))
    chunk = 2_500
    for start in range(0, vehicles, chunk):
        some = np.arange(start, min(start + chunk, vehicles))
        of = np.tile(some, COMPONENTS)
        parts = np.repeat(np.arange(COMPONENTS), some.size)
        now, far = age[:, some].ravel(), pace[of] * MONTHS
        moments = count_moments(belief, parts, now, far, nodes=NODES)
        sigma = np.full(parts.size, np.sqrt(np.log1p(COST_SPREAD**2)))
        cost = CostSpread(price[parts] * np.exp(-(sigma**2) / 2), sigma, sigma)
        bands[:, some] = totals(moments, cost, total=of - start, levels=(0.8,)).bands[0.8]
    return months, bands


def monte_carlo(belief, age, pace, price, draws, seed=2, chunk=250):
    """Simulate every part's renewals: cost by month, chance of failure, band of the totals."""
    rng = np.random.default_rng(seed)
    vehicles = pace.size
    number, cost = np.zeros((2, vehicles, MONTHS))
    chance, bands = np.zeros((COMPONENTS, vehicles)), np.empty((2, vehicles))
    sigma = np.sqrt(np.log1p(COST_SPREAD**2))
    rate = rng.gamma(belief.a[:, None], 1.0 / belief.b[:, None], (COMPONENTS, draws))
    for start in range(0, vehicles, chunk):
        cars = slice(start, min(start + chunk, vehicles))
        n = cars.stop - cars.start
        total = np.zeros(n * draws)
        far = np.repeat(pace[cars] * MONTHS, draws)
        for c in range(COMPONENTS):
            k = belief.shape[c]
            scale = np.tile(rate[c] ** (-1.0 / k), n)
            now = np.repeat(age[c, cars], draws)
            when = ((now / scale) ** k + rng.standard_exponential(now.size)) ** (1.0 / k)
            when = when * scale - now
            due = np.flatnonzero(when <= far)
            first = True
            while due.size:
                car = due // draws
                month = np.minimum((when[due] / pace[cars][car]).astype(np.int64), MONTHS - 1)
                paid = price[c] * np.exp(sigma * rng.standard_normal(due.size) - sigma**2 / 2)
                total[due] += paid
                place, size = car * MONTHS + month, n * MONTHS
                number[cars] += np.bincount(place, minlength=size).reshape(n, MONTHS)
                cost[cars] += np.bincount(place, paid, size).reshape(n, MONTHS)
                if first:
                    chance[c, cars] = np.bincount(car, minlength=n) / draws
                    first = False
                life = rng.standard_exponential(due.size) ** (1.0 / k) * scale[due]
                when[due] += life
                due = due[when[due] <= far[due]]
        bands[:, cars] = np.quantile(total.reshape(n, draws), [0.1, 0.9], axis=1)
    return number / draws, cost / draws, chance, bands


def peak():
    """Peak memory of this process in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(vehicles):
    """Run both and print the comparison."""
    belief, age, pace, price = fleet(vehicles)
    before = peak()
    start = time.process_time()
    months, bands = outlook(belief, age, pace, price)
    ours = time.process_time() - start
    print(f"outlook      {ours:8.2f} s  peak {peak():.0f} MB (before: {before:.0f} MB)")
    start = time.process_time()
    drawn = monte_carlo(belief, age, pace, price, DRAWS)
    theirs = time.process_time() - start
    print(f"Monte Carlo  {theirs:8.2f} s  peak {peak():.0f} MB")
    print(f"ratio        {theirs / ours:8.1f}")
    rows = np.random.default_rng(3).choice(vehicles, min(SAMPLE, vehicles), replace=False)
    exact = monte_carlo(belief, age[:, rows], pace[rows], price, 40 * DRAWS, seed=4, chunk=10)
    chance = months.chance.reshape(COMPONENTS, vehicles)
    judged = (
        ("failures by month", months.number[rows], drawn[0][rows], exact[0]),
        ("cost by month", months.cost[rows], drawn[1][rows], exact[1]),
        ("chance of failure", chance[:, rows], drawn[2][:, rows], exact[2]),
        ("lower end, 80 %", bands[0, rows], drawn[3][0, rows], exact[3][0]),
        ("upper end, 80 %", bands[1, rows], drawn[3][1, rows], exact[3][1]),
    )
    print(f"relative root mean square error against {40 * DRAWS:,} draws, {rows.size} vehicles:")
    for name, found, simulated, truth in judged:
        scale = np.sqrt(np.mean(truth**2))
        error = [np.sqrt(np.mean((x - truth) ** 2)) / scale for x in (found, simulated)]
        print(f"  {name:20s} outlook {error[0]:.2%}  Monte Carlo of {DRAWS:,} {error[1]:.2%}")
    for end, name in enumerate(("lower", "upper")):
        worst = np.max(np.abs(bands[end, rows] / exact[3][end] - 1.0))
        print(f"  worst {name} end of the outlook {worst:.2%}")


def back(vehicles):
    """Print the processor time of looking back over a made fleet, by that of `next-repairs`."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    from simulations.made_fleet import Setting, play

    from roadworn.columns.view import open_view
    from roadworn.testing import view_of
    from roadworn_plugins.ahead import NEXT_REPAIRS
    from roadworn_plugins.ahead.track import track_record
    from roadworn_plugins.backtest import PROJECTION_BACKTEST

    end = "2025-12-28"
    events, _truth = play(np.random.default_rng(38), Setting(vehicles=vehicles, years=10))
    asked = {
        "warm": lambda view: NEXT_REPAIRS.run(view, NEXT_REPAIRS.settings()),
        "next-repairs": lambda view: NEXT_REPAIRS.run(view, NEXT_REPAIRS.settings()),
        "projection-backtest": lambda v: PROJECTION_BACKTEST.run(v, PROJECTION_BACKTEST.settings()),
        "track_record": track_record,
    }
    spent = {}
    with TemporaryDirectory() as folder:
        known = [one for one in events if one.occurred_at[:10] <= end]
        with view_of(known, Path(folder), as_of=end) as made:
            path = made.path
        for name, ask in asked.items():
            with open_view(path, as_of=end) as view:
                start = time.process_time()
                ask(view)
                spent[name] = time.process_time() - start
    for name in list(asked)[1:]:
        print(f"{name:20s} {spent[name]:7.2f} s  {spent[name] / spent['next-repairs']:5.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["back"]:
        back(int(sys.argv[2]) if len(sys.argv) > 2 else 380)
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
