"""`roadworn demo`: build the demo ledger, run the main job on it, say what to try next."""

import subprocess
import sys
from pathlib import Path

import typer

from roadworn_cli.context import State
from roadworn_cli.output import say

#: The demo looks back from two past days only: a first look should not take long.
_QUICK = {"projection-backtest": {"days": 2}}
#: What imports all that an outlook does.
_IMPORTS = """
import duckdb, roadworn_cli.outlook, roadworn.analysis.outlook, roadworn.columns.session
from roadworn.analysis.host import PluginHost
host = PluginHost.load()
for name in ("next-repairs", "keep-or-sell", "repeat-failures", "likely-causes"):
    host.analysis(name)
import roadworn_plugins.repeats.rows
"""


def demo(
    into: Path = typer.Option(
        Path("roadworn-demo"),
        "--into",
        metavar="FOLDER",
        help="Folder for the demo ledger; made if missing.",
    ),
) -> None:
    """Build the demo ledger and show the outlook of the vehicle a customer has just brought in.

    The same folder twice gives the same ledger: an existing demo ledger is built anew.
    """
    from roadworn.analysis.outlook import outlook
    from roadworn.model.errors import LedgerRefused
    from roadworn_cli.outlook import show
    from roadworn_demo import DEMO_TODAY, FEATURED, SCENE, build

    ledger = into / "roadworn.db"
    if ledger.exists() and not (into / ".demo").exists():
        raise LedgerRefused(
            f"{ledger} is not a demo ledger and is left alone: give another folder with --into."
        )
    into.mkdir(parents=True, exist_ok=True)
    (into / ".demo").write_text("This folder may be rebuilt by `roadworn demo`.\n")
    say("Building the demo ledger: eight years of an island garage …")
    helper = _compiling()
    paths = build(into)
    state = State(paths.ledger, DEMO_TODAY, "recorded")
    host = state.plugins()
    say("Reading it and looking at the vehicle that has just come in …")
    with state.open_view(host) as view:
        found = outlook(view, host, FEATURED)
        typer.echo(SCENE)
        typer.echo("")
        show(found)
        sys.stdout.flush()  # the answer first, also into a pipe
        if helper is not None:
            helper.wait()
        say("Writing the report for its owner and the one for the fleet …")
        from roadworn_cli.report.asking import Asker
        from roadworn_cli.report.fleet import fleet_report
        from roadworn_cli.report.page import put, render
        from roadworn_cli.report.vehicle import Request, vehicle_report
        from roadworn_cli.words import Look

        asker = Asker(host, view, Look())
        reports = [
            ("vehicle.html", vehicle_report(asker, Request(FEATURED), found=found)),
            ("fleet.html", fleet_report(fleet := Asker(host, view, Look()), settings=_QUICK)),
        ]
    for name, (report, words) in reports:
        put(str(into / name), render(report, words), lambda _text: None)
    typer.echo("\nAcross the whole fleet")
    if "repeat-failures" in fleet.ran:
        typer.echo(f"  {fleet.ran['repeat-failures'].result.headline}")
    typer.echo("\nReports to print or send, open them in a browser")
    for name, _report in reports:
        typer.echo(f"  {into / name}")
    typer.echo("\nTry next")
    for line in _suggestions(paths.ledger, DEMO_TODAY, FEATURED):
        typer.echo(f"  {line}")


def _compiling() -> "subprocess.Popen[bytes] | None":
    """Compile meanwhile what the outlook will import.

    In an environment that was made just now that takes as long as all the rest, and a second
    processor has nothing else to do. It ends by itself.
    """
    if sys.dont_write_bytecode:
        return None
    quiet = subprocess.DEVNULL
    return subprocess.Popen([sys.executable, "-c", _IMPORTS], stdout=quiet, stderr=quiet)  # noqa: S603


def _suggestions(ledger: Path, today: str, vehicle: str) -> list[str]:
    """Return commands to try; each is run by a test."""
    start = f"roadworn --ledger {ledger} --as-of {today}"
    return [
        f"{start} analyse repeat-failures --evidence",
        f"{start} analyse part-lifespans by=component,supplier",
        f"{start} analyse next-repairs months=3",
        f"{start} history {vehicle}",
        f"{start} outlook {vehicle} --more",
        f"{start} report vehicle {vehicle} --full -o {ledger.parent / 'vehicle-full.html'}",
        f'{start} sql "SELECT component, count(*) FROM replacements GROUP BY 1 ORDER BY 2 DESC"',
        f"roadworn --ledger {ledger} verify",
    ]
