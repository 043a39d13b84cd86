"""Whether the reorder point suffices as often as was asked, on made fleets: run by hand.

    python tests/simulations/stock.py --runs 20

Each fleet is that of `cases.py` with everything in it, written to a ledger up to a day; `stock` is
asked what to hold for a lead time, and what failed within it is counted. A part for each failure
that was written down on vehicles here on the day. A whole number of parts must suffice at least as
often as asked; how often just enough of them would, were the law of `stock` true, stands beside it
(Silver, Pyke and Thomas, 2017, chapter 6: service level P1 by a discrete demand, from memory).
"""

import argparse
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
from cases import CASES
from made_fleet import YEAR, on, play
from scipy import stats

from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn_plugins.stock import StockSettings, run

LEADS = (14.0, 60.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--vehicles", type=int, default=60)
    parser.add_argument("--years", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--service", type=float, default=0.95)
    given = parser.parse_args()
    setting = replace(CASES["everything"], vehicles=given.vehicles, years=given.years)
    held: dict[float, list[bool]] = {lead: [] for lead in LEADS}
    asked: dict[float, list[float]] = {lead: [] for lead in LEADS}
    came: dict[float, list[tuple[float, int]]] = {lead: [] for lead in LEADS}
    for number in range(given.runs):
        events, truth = play(np.random.default_rng(given.seed + number), setting)
        day = float(int((given.years - 1) * YEAR + 30 * (number % 12)))
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "fleet.db"
            with Ledger.create(path) as ledger:
                ledger.append_many([one for one in events if one.occurred_at[:10] <= on(day)])
            with open_view(path, as_of=on(day), cache=False) as view:
                here = {str(v) for (v,) in view.sql(
                    "SELECT vehicle_id FROM vehicles WHERE retired_on IS NULL").rows}  # fmt: skip
                for lead in LEADS:
                    wanted = StockSettings(lead_time=lead, service=given.service, most=500)
                    table = run(view, wanted).table("stock")
                    fell = Counter(
                        one.key[1] for one in truth.happenings
                        if one.failed and one.written and one.key[0] in here
                        and day < np.floor(one.day) <= day + lead
                    )  # fmt: skip
                    for row in table.records():
                        many, mean = int(str(row["reorder"])), float(str(row["expected"]))
                        held[lead].append(fell[str(row["component"])] <= many)
                        asked[lead].append(float(stats.poisson.cdf(many, mean)))
                        came[lead].append((mean, fell[str(row["component"])]))
        print(f"{given.seed + number} done", flush=True)
    for lead in LEADS:
        n = len(held[lead])
        mean, fell = (sum(one[i] for one in came[lead]) for i in (0, 1))
        error = float(np.sqrt(given.service * (1.0 - given.service) / n))
        print(
            f"{lead:.0f} days: sufficed {np.mean(held[lead]):.1%} of {n} (asked {given.service:.0%}"
            f", at least {given.service - 2 * error:.1%} within chance; by Poisson "
            f"{np.mean(asked[lead]):.1%}); expected {mean:.0f}, came {fell}"
        )


if __name__ == "__main__":
    main()
