"""Every failure is one plain sentence with its remedy and the contracted exit code.

0 fine, 1 findings or problems, 2 usage, 3 refused by the ledger, 4 environment.
"""

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from commandline import Run

WRONG = [
    (["frobnicate"], 2, "There is no `roadworn frobnicate`"),
    (["vehicle"], 2, "did you mean vehicles"),
    (["record", "replacemen"], 2, "did you mean replacement"),
    (["record", "reading"], 2, "Missing argument 'VEHICLE'. See `roadworn record reading --help`."),
    (["record", "replacement", "bus-7", "radiator"], 2, "--reason"),
    (["vehicles", "--ledger", "x.db"], 2, "--ledger stands before the verb"),
    (["vehicles", "--colour"], 2, "No such option: --colour"),
    (["vehicles", "--format", "xml"], 2, "table, json or csv"),
    (["analyse", "part-lifespans", "by=depot"], 2,
     "cannot be 'depot': write one or more of component"),
    (["--as-of", "soon", "vehicles"], 2, "2026-05-04"),
    (["--known-by", "heart", "vehicles"], 2, "recorded, occurred or intake"),
    (["record", "reading", "bus-8", "5 mi"], 2, "did you mean bus-7?"),
    (["history", "bus-8"], 2, "did you mean bus-7?"),
    (["record", "reading", "bus-7", "lots"], 2, "61,250 mi"),
    (["record", "reading", "bus-7", "5 V"], 2, "miles as mi"),
    (["record", "reading", "bus-7", "5 mi", "--on", "04.05.2026"], 2, "2026-05-04"),
    (["record", "reading", "bus-7", "5 mi", "--on", "2099-01-01"], 1, "correct the date"),
    (["record", "reading", "bus-7", "5 mi", "--on", "2026-02-30"], 2, "2026-05-04"),
    (["record", "reading", "bus-7", "5 mi", "--by", "x" * 61], 1, "at most 60 characters"),
    (["record", "reading", "bus-7", "5 mi", "--how", "guess"], 2, "dash, module, typed"),
    (["record", "replacement", "bus-7", "flux thing", "--reason", "failed"], 2, "other.flux_thing"),
    (["record", "replacement", "bus-7", "radiator", "--reason", "vanished"], 2, "worn-out"),
    (["record", "replacement", "bus-7", "radiator", "--reason", "failed", "--price", "5"], 2,
     "--currency USD"),
    (["record", "replacement", "bus-7", "radiator", "--reason", "failed", "--new", "--used"], 2,
     "keep one of them"),
    (["record", "inspection", "bus-7"], 2, "in a terminal to walk through a sheet"),
    (["record", "inspection", "bus-7", "--rest", "not-checked"], 2, "--rest sound"),
    (["record", "scan", "bus-7"], 2, "--no-codes"),
    (["record", "authorisation", "bus-7", "last", "1=approved"], 2, "record estimate bus-7"),
    (["record", "profile", "bus-7"], 2, "say what did"),
    (["record", "profile", "bus-7", "--year", "14"], 2, "four digits"),
    (["record", "exchange", "bus-7", "--old", "5 mi", "--new", "5 km"], 2, "in one unit"),
    (["enrol", "bus seven"], 1, "a short name without spaces"),
    (["enrol", "BUS-7"], 3, "differs in letter case only"),
    (["enrol", "bus-7"], 1, "enrolled already"),
    (["create"], 3, "exists already"),
    (["retract", "ffff", "--reason", "x"], 2, "history --evidence"),
    (["correct", "ffff", "position=LF"], 2, "history --evidence"),
    (["import", "none.csv"], 4, "There is no file none.csv"),
    (["sql", "DROP TABLE vehicles"], 2, "one SELECT"),
    (["sql", "SELECT * FROM vehicels"], 2, "vehicels"),
    (["sql", ""], 2, "SELECT * FROM vehicles"),
    (["tables", "vehicle"], 2, "did you mean vehicles"),
    (["export", "xml", "out"], 2, "parquet, ndjson, duckdb"),
    (["proof"], 2, "Name one thing to prove"),
    (["backup", "roadworn.db"], 3, "never overwritten"),
    (["backup", "none/copy.db"], 4, "check that its folder exists"),
    (["decode", "code", "PO420"], 2, "letter O"),
    (["decode", "readiness", "83"], 2, "83 07 E5 41"),
    (["--as-of", "2026-05-01", "record", "reading", "bus-7", "5 mi"], 2, "say with --on"),
    (["record", "complaint", "bus-7", "caf\udce9"], 2, "type it in UTF-8"),
    (["record", "inspection", "bus-7", "horn sound", "--sheet", "boat"], 2, "light_vehicle"),
    (["--ledger", "none.db", "vehicles"], 4, "roadworn create"),
    (["--ledger", "none.db", "record", "reading", "bus-7", "5 mi"], 4, "roadworn create"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "code", "remedy"), WRONG, ids=[ascii(" ".join(w)) for w, *_ in WRONG]
)
def test_wrong_words(shop: Run, words: list[str], code: int, remedy: str) -> None:
    found = shop(*words)
    assert found.code == code, found
    assert remedy in " ".join(found.err.split())
    assert found.out == ""
    assert "Traceback" not in found.err
    assert len(found.err.strip().splitlines()) == 1


def test_nothing_was_written_by_any_of_them(shop: Run) -> None:
    for words, *_ in WRONG:
        shop(*words)
    assert len(shop("history", "bus-7", "--format", "json").json()) == 1  # type: ignore[arg-type]


def test_a_file_that_is_no_ledger(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not a database at all, but longer than its header " * 9)
    for words in (["vehicles"], ["record", "reading", "bus-7", "5 mi"], ["verify"]):
        found = shop("--ledger", "notes.txt", *words)
        assert found.code == 3, found
        assert "is not a ledger" in found.err


def test_a_ledger_without_its_guards(shop: Run, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "roadworn.db") as connection:
        connection.execute("DROP TRIGGER events_no_update")
    connection.close()
    found = shop("record", "reading", "bus-7", "5 mi")
    assert found.code == 3
    assert "append-only guards" in found.err
    verified = shop("verify", "--format", "json")
    assert verified.code == 1
    assert verified.json()["problems"]  # type: ignore[index]


def test_another_program_that_keeps_writing(
    shop: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("roadworn.store.schema.BUSY_SECONDS", 0.1)
    other = sqlite3.connect(tmp_path / "roadworn.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    found = shop("record", "reading", "bus-7", "61,250 mi")
    other.execute("ROLLBACK")
    other.close()
    assert found.code == 3
    assert "wait for it to finish" in found.err
    assert "nothing was changed" in found.err
    assert shop("record", "reading", "bus-7", "61,250 mi").code == 0


def test_a_fault_of_our_own_is_told_without_a_traceback(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("planted for this test")

    monkeypatch.setattr("roadworn_cli.history.check_format", broken)
    found = shop("vehicles")
    assert found.code == 4
    assert found.err.startswith("This is a fault in Roadworn: ZeroDivisionError: planted")
    assert "ROADWORN_DEBUG=1" in found.err
    assert "Traceback" not in found.err
    monkeypatch.setenv("ROADWORN_DEBUG", "1")
    assert "Traceback" in shop("vehicles").err


def test_a_reader_that_goes_away_is_no_error(shop: Run, tmp_path: Path) -> None:
    child = subprocess.Popen(
        [sys.executable, "-c", "from roadworn_cli.main import run; run()", "components"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
    )
    assert child.stdout
    assert child.stderr
    child.stdout.close()
    assert child.stderr.read() == b""
    child.stderr.close()
    child.wait(20)


def test_a_terminal_that_knows_only_ascii_is_no_fault(shop: Run, tmp_path: Path) -> None:
    shop("record", "reading", "bus-7", "61,250 mi", "--note", "Müllers Öl")
    done = subprocess.run(
        [sys.executable, "-c", "from roadworn_cli.main import run; run()", "history", "bus-7"],
        capture_output=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert done.returncode == 0, done.stderr
    assert b"llers" in done.stdout
    assert b"fault" not in done.stderr
