"""Errors of a disk while a verb writes: full, an error, a short write, a sync that fails; by hand.

    python tests/campaigns/faults.py 1000

A shim of C (`faults.c`, compiled here) stands between the program and the system and lets a write
or sync of the ledger's folder fail: one, a few, or all from some moment on. Each verb that writes
is run so, its moment drawn over all of its writes and syncs. It must answer or refuse in a
sentence, never with a fault of ours; then all that `kills.py` asks is asked: what was acknowledged
is there, an act is whole or not at all, ledger, contacts and kept columns verify, nothing half
made has a final name, and the next event is taken. As a control, verbs must have met the faults.
"""

import contextlib
import io
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

from kills import CASES, prepare, wrongs

from roadworn.store.verify import verify
from roadworn_cli.main import main

HOW = ("full", "error", "short", "sync")
#: How a child ends that said that it was its own fault.
FAULT = 99


def shim(folder: Path) -> Path:
    """Compile the shim."""
    made = folder / "faults.so"
    source = Path(__file__).with_suffix(".c")
    command = ["cc", "-shared", "-fPIC", "-O1", "-Wall", "-o", str(made), str(source), "-ldl"]
    subprocess.run(command, check=True)
    return made


def run(name: str, folder: Path, faults: dict[str, str]) -> int:
    """Run a verb with faults in a process of its own; return its exit code."""
    pid = os.fork()
    if pid == 0:
        os.chdir(folder)
        os.environ.update(faults, ROADWORN_KEYS=str(folder / "keys"))
        told = io.StringIO()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(told):
            code = main(CASES[name])
        said = told.getvalue()
        if "This is a fault" in said:
            os.environ.pop("FAULTS_HOW")
            sys.__stdout__.write(f"  {name}: {said.strip()[:300]}\n")
            sys.__stdout__.flush()
            code = FAULT
        os._exit(code)
    _, status = os.waitpid(pid, 0)
    return os.waitstatus_to_exitcode(status)


def once(name: str, source: Path, folder: Path, faults: dict[str, str]) -> tuple[int, list[str]]:
    """Return the exit code of a verb that met faults, and what is wrong after it."""
    shutil.copytree(source, folder)
    os.environ["ROADWORN_KEYS"] = str(folder / "keys")
    before = verify(folder / "roadworn.db").size
    code = run(name, folder, faults)
    found = [f"exit {code}"] if code == FAULT or code < 0 else []
    try:
        found += wrongs(name, folder, before, code == 0)
    except Exception as error:  # noqa: BLE001  # what is sought
        found.append(f"{type(error).__name__}: {str(error).replace(str(folder), '')[:100]}")
    return code, found


def calls(name: str, source: Path, folder: Path, how: str, log: Path) -> int:
    """Return how many writes or syncs a verb makes that such a fault may meet."""
    shutil.copytree(source, folder)
    run(name, folder, {"FAULTS_HOW": how, "FAULTS_COUNT": "1", "FAULTS_LOG": str(log)})
    shutil.rmtree(folder)
    met = log.stat().st_size if log.exists() else 0
    log.unlink(missing_ok=True)
    return met


def main_(count: int, seed: int) -> int:
    random.seed(seed)
    print(f"{count} faults over {len(CASES)} verbs, seed {seed}")
    total, bad = Counter(), Counter()
    with tempfile.TemporaryDirectory() as base:
        source, log = Path(base, "source"), Path(base, "met")
        source.mkdir()
        os.environ["ROADWORN_KEYS"] = str(source / "keys")
        prepare(source)
        for number, name in enumerate(CASES):
            share = count // len(CASES) + (number < count % len(CASES))
            ends, wrong, met = Counter(), Counter(), 0
            most = {how: calls(name, source, Path(base, f"faulty-{how}"), how, log) for how in HOW}
            for at in range(share):
                how = random.choice([how for how in HOW if most[how]] or ["full"])
                folder = Path(base, f"faulty-{number}-{at}")
                code, found = once(name, source, folder, {
                    "FAULTS_HOW": how, "FAULTS_LOG": str(log),
                    "FAULTS_AFTER": str(random.randrange(max(most[how], 1))),
                    "FAULTS_MANY": random.choice(("1", "1", "3", "0")),
                })  # fmt: skip
                met += log.exists()
                log.unlink(missing_ok=True)
                ends["answered" if code == 0 else "refused"] += 1
                wrong.update(f"{how}: {one}" for one in found)
                shutil.rmtree(folder)
            total.update(ends, faults=share, met=met)
            bad.update(wrong)
            told = ", ".join(f"{what} {n}" for what, n in wrong.items()) or "nothing"
            print(f"{name:20} {share} runs, {met} met a fault, {ends['answered']} answered, "
                  f"{ends['refused']} refused; wrong: {told}", flush=True)  # fmt: skip
    print(f"{total['faults']} runs, {total['met']} met a fault, {total['refused']} refused: "
          f"{sum(bad.values())} wrong")  # fmt: skip
    return 1 if bad or not total["met"] else 0


if __name__ == "__main__":
    if "FAULTS_ON" not in os.environ:
        with tempfile.TemporaryDirectory() as made_in:
            asked = {**os.environ, "FAULTS_ON": "/faulty-", "LD_PRELOAD": str(shim(Path(made_in)))}
            sys.exit(subprocess.run([sys.executable, *sys.argv], env=asked, check=False).returncode)
    sys.exit(main_(int((sys.argv[1:] or ["1000"])[0]), int((sys.argv[2:] or ["1"])[0])))
