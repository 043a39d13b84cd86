"""Chances with and without what was open on the day, on made fleets: run by hand.

    python tests/simulations/open_facts.py --vehicles 60 --runs 3

The ledger of each fleet is looked back to its last days but one year; the same parts are scored
with and without the signs of their day. The table stands in
plugins/roadworn_plugins/projection/README.md.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
from made_fleet import START, Setting, play
from made_signs import with_signs

from roadworn.testing import view_of
from roadworn_plugins.backtest import PROJECTION_BACKTEST


def main() -> None:
    """Print a row a fleet and setting."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--vehicles", type=int, default=60)
    ask.add_argument("--runs", type=int, default=3)
    given = ask.parse_args()
    print("| signs | fleet | Brier by lives | with facts | gain | 95 % | slope |")
    for share, false in ((0.6, 0.5), (0.3, 0.5), (0.6, 2.0), (0.0, 0.5)):
        for run in range(1, given.runs + 1):
            events, truth = play(np.random.default_rng(run), Setting(vehicles=given.vehicles))
            if share or false:
                more = np.random.default_rng(1000 + run)
                events = with_signs(events, truth, more, share, false, START)
            kept = [e for e in events if e.occurred_at[:10] <= "2023-12-28"]
            with (
                tempfile.TemporaryDirectory() as folder,
                view_of(kept, Path(folder), as_of="2023-12-28") as view,
            ):
                settings = PROJECTION_BACKTEST.settings(days=2)
                rows = PROJECTION_BACKTEST.run(view, settings).table("rules").records()
            lives, facts = rows[1], rows[2]
            print(
                f"| {share:.0%}, {false:g} false a year | {run} | {lives['brier']:.4f} | "
                f"{facts['brier']:.4f} | {facts['gain'] or 0.0:.3f} | "
                f"{facts['gain_low'] or 0.0:.3f} to {facts['gain_high'] or 0.0:.3f} | "
                f"{facts['slope']:.2f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
