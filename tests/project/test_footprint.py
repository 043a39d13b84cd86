"""How much of the program one act touches: files that run code, and connections to the ledger.

Counted in a process of its own: every file of the source in which code runs, the import of a
module included, by `sys.setprofile`; every `sqlite3.connect` by an audit hook.
"""

import subprocess
import sys
from pathlib import Path

import pytest

from roadworn_cli.main import main

ROOT = Path(__file__).parents[2]
COUNT = """
import sys
roots = tuple(sys.argv.pop(1).split("|"))
seen, connections = set(), []

def profile(frame, event, _argument):
    if event == "call" and frame.f_code.co_filename.startswith(roots):
        seen.add(frame.f_code.co_filename)

sys.addaudithook(lambda event, _: connections.append(1) if event == "sqlite3.connect" else None)
sys.setprofile(profile)
from roadworn_cli.main import main
code = main(sys.argv[1:])
sys.setprofile(None)
print("COUNTED", code, len(seen), len(connections), *sorted(seen))
"""


def counted(*words: str, cwd: Path) -> tuple[int, list[str], int]:
    """Return exit code, files that ran code, and number of connections of a command line."""
    roots = "|".join(f"{ROOT / root}/" for root in ("ledger", "plugins", "cli", "demo_ledger"))
    done = subprocess.run(
        [sys.executable, "-c", COUNT, roots, *words], cwd=cwd, capture_output=True, text=True
    )
    last = done.stdout.splitlines()[-1].split()
    assert last[0] == "COUNTED", done.stderr
    return int(last[1]), last[4:], int(last[3])


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    assert main(["create"]) == 0
    assert main(["enrol", "van-3", "--odometer", "90,000 mi", "--on", "2026-01-01"]) == 0
    return tmp_path


# One file puts the checkpoint on the disk whole, one keeps a shop's own sheets within bounds; the
# kind of moved wheels and the words of the telling have one each.
def test_a_typed_finding_needs_one_connection_and_few_files(shop: Path) -> None:
    finding = "brake pads front 3 mm wearing"
    words = ("record", "inspection", "van-3", finding, "--odometer", "98,412 mi")
    code, files, connections = counted(*words, cwd=shop)
    assert code == 0
    assert connections == 1
    assert len(files) <= 39, files


# The outlook answers with causes, their chain and a plan as well, and its chances read the signs of
# the past; each brings a file or two, the signs four. Fitting all components at once, what is kept
# while the ledger answers alike, SciPy's functions and the works by themselves are six more, and
# cost less processor time than they save; the kind of moved wheels is one. The door of plugins is
# three: what comes in by it, what is checked of that, and how it is run within bounds. What a view
# is made from stands in a file of its own; what is to be tried before handing over needs two more.
# How a look ends a finding, and the sentences of the first screen, which the page says in other
# languages too, have a file each.
# The rows that the next vehicle finds are one, and spare it the database.
def test_the_outlook_of_a_vehicle_needs_few_files(shop: Path) -> None:
    code, files, _connections = counted("outlook", "van-3", cwd=shop)
    assert code == 0
    assert len(files) <= 140, files
