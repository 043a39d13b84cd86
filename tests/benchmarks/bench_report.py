"""Fleet report of 500 vehicles against the analyses it shows; run by hand, prints one run.

    python tests/benchmarks/bench_report.py [vehicles] [--full]

The fleet is the demo's, written down again under other names until there are enough. To reach:
the report takes at most twice the time of its analyses, and stays under 3 MB.
"""

import re
import sys
import tempfile
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

from roadworn.analysis.host import PluginHost
from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.fleet import fleet_report
from roadworn_cli.report.page import render
from roadworn_cli.words import Look
from roadworn_demo import DEMO_TODAY, build

_ID = re.compile(r"([0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{10})([0-9a-f]{2})")


def copies(events: list[NewEvent], wanted: int) -> Iterator[NewEvent]:
    """Yield the events of a fleet again and again, each time under other names and ids."""
    vehicles = len({event.vehicle_id for event in events})
    lines = [event.model_dump_json() for event in events]
    for number in range(-(-wanted // vehicles)):
        for line in lines:
            event = NewEvent.model_validate_json(_ID.sub(partial(_next, number), line))
            key = f"{number}/{event.intake_key}" if event.intake_key else None
            name = f"{event.vehicle_id}-{number}"
            yield event.model_copy(update={"vehicle_id": name, "intake_key": key})


def _next(number: int, found: re.Match[str]) -> str:
    return f"{found[1]}{(int(found[2], 16) + number) % 256:02x}"


def main(vehicles: int, full: bool) -> None:
    """Make the fleet, ask each analysis alone, then make the report."""
    with tempfile.TemporaryDirectory() as folder:
        demo = build(Path(folder) / "demo")
        with Ledger.open(demo.ledger, writable=False) as ledger:
            fields = NewEvent.model_fields
            events = [
                NewEvent.model_validate(
                    {name: getattr(one, name) for name in fields if name != "payload"}
                    | {"payload": one.data()}
                )
                for one in ledger.events()
            ]
        path = Path(folder) / "fleet.db"
        with Ledger.create(path) as ledger:
            ledger.append_many(copies(events, vehicles))
        host = PluginHost.load()
        with open_view(path, as_of=DEMO_TODAY, kinds=host.kinds(), tables=host.tables()) as view:
            count = view.sql("SELECT count(*) FROM vehicles").rows[0][0]
            started = time.perf_counter()
            asker = Asker(host, view, Look())
            report, words = fleet_report(asker, full=full)
            text = render(report, words)
            whole = time.perf_counter() - started
            inside = sum(ran.seconds for ran in asker.ran.values())
    for name, ran in asker.ran.items():
        print(f"  {name:24} {ran.seconds:6.2f} s")
    print(f"{count} vehicles, {view.checkpoint.size:,} events, left out: {list(asker.left_out)}")
    print(f"analyses {inside:.1f} s, report {whole:.1f} s: {whole / inside:.2f} times (2 allowed)")
    print(f"{len(text.encode()) / 1e6:.2f} MB (3 allowed)")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(numbers[0] if numbers else 500, "--full" in sys.argv)
