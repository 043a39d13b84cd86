"""kill -9 at random moments over every verb that writes; run by hand.

    python tests/campaigns/kills.py 1000

A ledger of a few vehicles is copied for each kill. A child runs one command line in a process of
its own, says so when it has returned, and is killed at a moment drawn over the time that verb
takes. Then: what was acknowledged is there; an act is there whole or not at all; the ledger
verifies, contacts and kept columns with it; nothing half made has a final name; and the next
event can be written. Printed is a line a verb, and the last line is what all of them came to.
"""

import contextlib
import io
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import duckdb

from roadworn.columns.compare import compare_columns
from roadworn.columns.tables import CORE_TABLES
from roadworn.intake import Ledger, files, staged
from roadworn.model.kinds import KindRegistry
from roadworn.store import LedgerFile
from roadworn.store.verify import verify
from roadworn_cli.main import main

ROWS, STAGE = 400, 50
CASES = {
    "create": ("--ledger", "new.db", "create"),
    "enrol": ("enrol", "van-9", "--make", "Tarrow", "--odometer", "9,000 mi", "--parts", "unknown"),
    "record reading": ("record", "reading", "van-3", "98,900 mi"),
    "record inspection": ("record", "inspection", "van-3", "brake pads front 3 mm", "--rest",
                          "sound", "--odometer", "98,900 mi"),
    "record scan": ("record", "scan", "van-3", "P0420", "--lamp", "on"),
    "record replacement": ("record", "replacement", "van-3", "battery", "--reason", "failed",
                           "--odometer", "98,900 mi"),
    "record complaint": ("record", "complaint", "van-3", "horn is hoarse"),
    "import": ("import", "rows.ndjson"),
    "import in stages": ("import", "./rows.ndjson"),
    "plate": ("record", "profile", "van-3", "--plate", "XY 987 BC"),
    "undo": ("undo", "--yes"),
    "move": ("move", "last", "van-4", "--sure"),
    "retract": ("retract", "last", "--sure", "--reason", "typed twice"),
    "wheels": ("wheels", "van-3", "rotate", "front-to-rear"),
    "contact": ("contact", "OWNER-1", "--phone", "555 0199"),
    "contact erase": ("contact", "OWNER-1", "--erase"),
    "backup": ("backup", "copy.db"),
    "restore": ("--ledger", "back.db", "restore", "monday.db"),
    "head": ("head",),
    "verify": ("verify",),
    "vehicles": ("vehicles",),
    "export ndjson": ("export", "ndjson", "out"),
    "export parquet": ("export", "parquet", "out"),
}  # fmt: skip


def quiet(*words: str) -> int:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return main(words)


def prepare(folder: Path) -> None:
    """Fill a folder with the ledger that each kill begins from."""
    os.chdir(folder)
    quiet("create")
    for vehicle in ("van-3", "van-4"):
        quiet("enrol", vehicle, "--make", "Tarrow", "--odometer", "98,000 mi", "--parts", "unknown",
              "--owner", "OWNER-1")  # fmt: skip
    quiet("contact", "OWNER-1", "--name", "A. Person", "--phone", "555 0100")
    quiet("record", "profile", "van-3", "--plate", "ABC 123 XY")
    for at in range(20):
        quiet("record", "reading", "van-3", f"{98_100 + at} mi", "--sure")
    quiet("backup", "monday.db")
    quiet("vehicles")
    line = '{"vehicle_id":"van-4","kind":"odometer_reading","occurred_at":"2026-01-02",'
    rows = (f'{line}"odometer":{98_000 + at},"odometer_unit":"mi","payload":{{}}}}\n'
            for at in range(ROWS))  # fmt: skip
    (folder / "rows.ndjson").write_text("".join(rows))


def child(words: tuple[str, ...], folder: Path) -> tuple[int, int]:
    """Run a command line in a process of its own; returns its id and the end that it writes to."""
    heard, said = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(heard)
        os.chdir(folder)
        os.environ["ROADWORN_KEYS"] = str(folder / "keys")
        if words == CASES["import in stages"]:
            # As a large one when somebody else waits to write.
            files._STAGED_FROM_BYTES, staged.STAGE = 0, STAGE
            Ledger.others_wait = lambda _ledger: True
        code = quiet(*words)
        os.write(said, bytes([code]))
        os._exit(0)
    os.close(said)
    return pid, heard


def once(name: str, source: Path, folder: Path, wait: float) -> tuple[bool, list[str]]:
    """Kill one run after `wait` seconds; return whether it had answered, and what is wrong."""
    shutil.copytree(source, folder)
    os.environ["ROADWORN_KEYS"] = str(folder / "keys")
    before = verify(folder / "roadworn.db").size
    pid, heard = child(CASES[name], folder)
    time.sleep(wait)
    os.kill(pid, signal.SIGKILL)
    os.waitpid(pid, 0)
    answered = os.read(heard, 1) == b"\0"
    os.close(heard)
    return answered, wrongs(name, folder, before, answered)


def wrongs(name: str, folder: Path, before: int, answered: bool) -> list[str]:
    path, found = folder / "roadworn.db", []
    report = verify(path)
    found += [f"verify: {problem.code}" for problem in report.problems]
    added = {"import": ROWS, "move": 2, "enrol": 1, "undo": 1, "retract": 1, "wheels": 1}
    whole = added.get(name, 1 if name.startswith("record") else 0)
    grown = report.size - before
    if name == "import in stages":
        whole = ROWS
        if grown % STAGE:
            found.append(f"half: {grown} events of stages of {STAGE}")
    elif grown not in (0, whole):
        found.append(f"half: {grown} events of {whole}")
    if answered and grown != whole:
        found.append("lost: acknowledged and not there")
    with LedgerFile.open(path, writable=False) as ledger:
        found += [f"contacts: {problem.code}" for problem in ledger.contacts.problems()]
        found += [f"plates: {problem.code}" for problem in ledger.plates.problems()]
        old, new = "ABC 123 XY", "XY 987 BC"
        # Erasing the owner takes the plates of the owner's vehicles along.
        plates = {"plate": {old, new} - ({old} if answered else set()), "contact erase": {old, ""}}
        if (plate := ledger.plates.of("van-3")) not in plates.get(name, {old}):
            found.append(f"lost: the plate is {plate!r}")
        if name == "contact erase" and answered and ledger.contacts.references():
            found.append("lost: an erased contact is there")
    for file in folder.glob("*.db"):
        found += [f"{file.name}: {problem.code}" for problem in verify(file).problems]
    for file in folder.glob("out/**/*.parquet"):
        try:
            duckdb.sql(f"SELECT count(*) FROM '{file}'").fetchall()
        except duckdb.Error:
            found.append(f"half: {file.name}")
    columns = compare_columns(path, CORE_TABLES, KindRegistry())
    found += [f"columns: {problem.code}" for problem in columns]
    if quiet("--ledger", str(path), "record", "reading", "van-4", "99,000 mi", "--sure") != 0:
        found.append("the next event was refused")
    return found


def main_(count: int, seed: int) -> int:
    random.seed(seed)
    print(f"{count} kills over {len(CASES)} verbs, seed {seed}")
    total, bad = Counter(), Counter()
    with tempfile.TemporaryDirectory() as base:
        source = Path(base, "source")
        source.mkdir()
        os.environ["ROADWORN_KEYS"] = str(source / "keys")
        prepare(source)
        for number, name in enumerate(CASES):
            begun = time.perf_counter()
            shutil.copytree(source, Path(base, f"try-{number}"))
            pid, heard = child(CASES[name], Path(base, f"try-{number}"))
            os.waitpid(pid, 0)
            code = os.read(heard, 1)
            os.close(heard)
            takes = time.perf_counter() - begun
            answers, wrong = 0, Counter()
            share = count // len(CASES) + (number < count % len(CASES))
            for at in range(share):
                folder = Path(base, f"{number}-{at}")
                answered, found = once(name, source, folder, random.uniform(0, takes * 1.05))
                answers += answered
                wrong.update(found)
                shutil.rmtree(folder)
            total.update(kills=share, answered=answers)
            bad.update(wrong)
            told = ", ".join(f"{what} {n}" for what, n in wrong.items()) or "nothing"
            print(f"{name:20} exit {code[0]} in {takes:.2f} s; {share} kills, {answers} after the "
                  f"answer; wrong: {told}", flush=True)  # fmt: skip
    print(
        f"{total['kills']} kills, {total['answered']} after the answer: {sum(bad.values())} wrong"
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main_(int((sys.argv[1:] or ["1000"])[0]), int((sys.argv[2:] or ["1"])[0])))
