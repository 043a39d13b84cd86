"""A large import in stages: others write in between, nothing is doubled, all of it is undone."""

import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing

import orjson
import pytest
from builders import enrolled, ledger_of

from roadworn.intake import Ledger, staged
from roadworn.intake import files as intake
from roadworn.intake.files import import_files
from roadworn.intake.undoing import import_of, last_import, take_back
from roadworn.model.errors import LedgerRefused
from roadworn.store.verify import verify
from roadworn.testing import event

ROWS = 95
STAGE = 20


def line(at, kind="odometer_reading", vehicle="bus-7", **payload):
    return orjson.dumps({
        "vehicle_id": vehicle, "kind": kind, "occurred_at": "2026-02-01", "odometer": at,
        "odometer_unit": "km", "payload": payload}) + b"\n"  # fmt: skip


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.setattr(intake, "_STAGED_FROM_BYTES", 0)
    monkeypatch.setattr(intake, "_STAGED_TABLE_FROM_BYTES", 0)
    monkeypatch.setattr(staged, "STAGE", STAGE)
    # As if somebody waited all the time: what is taken while nobody does is one transaction.
    monkeypatch.setattr(Ledger, "others_wait", lambda _ledger: True)
    return ledger_of(tmp_path / "shop.db", [enrolled("bus-7"), enrolled("bus-8")])


@pytest.fixture
def rows(tmp_path):
    file = tmp_path / "rows.ndjson"
    file.write_bytes(b"".join(line(at) for at in range(ROWS)))
    return file


def between(monkeypatch, do):
    """Let `do` be done after each stage, with the number of the stage."""
    count = iter(range(1, 1000))
    monkeypatch.setattr(Ledger, "let_others", lambda _ledger: do(next(count)))


def test_others_write_between_the_stages(path, rows, monkeypatch):
    seen = []

    def other(_stage):
        with Ledger.open(path) as second:
            seen.append(second.checkpoint().size)
            second.append(event("bus-8", "odometer_reading", "2026-02-01", odometer=7))

    between(monkeypatch, other)
    with Ledger.open(path) as ledger:
        report = import_files(ledger, [rows])
        assert (report.rows, report.added, report.problems) == (ROWS, ROWS, ())
        assert import_files(ledger, [rows]).already_there == ROWS
    # Each stage stood in the ledger when the other wrote behind it.
    assert seen == [22, 43, 64, 85, 101]
    assert verify(path).problems == ()


def test_a_stage_that_was_the_last_is_gone_on_from_and_all_is_undone(path, rows, monkeypatch):
    def end(stage):
        if stage == 2:
            raise KeyboardInterrupt

    with Ledger.open(path) as ledger:
        with monkeypatch.context() as patch:
            between(patch, end)
            with pytest.raises(KeyboardInterrupt):
                import_files(ledger, [rows])
        assert ledger.checkpoint().size == 2 + 2 * STAGE
        again = import_files(ledger, [rows])
        assert (again.added, again.already_there) == (ROWS - 2 * STAGE, 2 * STAGE)
        for left in (ROWS - 2 * STAGE, 2 * STAGE):
            found = last_import(ledger)
            assert (found.imported.file, len(found.events)) == ("rows.ndjson", left)
            take_back(ledger, found.events, "a test", "undo import", "2026-03-01")
        assert import_files(ledger, [rows]).added == ROWS
    assert verify(path).problems == ()


def test_what_others_wrote_in_between_is_not_of_the_import(path, rows, monkeypatch):
    other = []

    def write(_stage):
        with Ledger.open(path) as second:
            made = event("bus-8", "odometer_reading", "2026-02-01", odometer=7)
            other.append(second.append(made))

    between(monkeypatch, write)
    with Ledger.open(path) as ledger:
        import_files(ledger, [rows])
        assert import_of(ledger, other[0]) is None
        before = next(ledger.events(after=other[-1].seq - 2))
        assert import_of(ledger, before).file == "rows.ndjson"
        found = last_import(ledger)
        assert len(found.events) == ROWS
        assert {one.vehicle_id for one in found.events} == {"bus-7"}


def test_nothing_of_a_file_with_problems_is_taken_however_late_they_come(path, rows):
    rows.write_bytes(rows.read_bytes() + line(-1))
    with Ledger.open(path) as ledger:
        report = import_files(ledger, [rows])
        assert [(one.code, one.row) for one in report.problems] == [("out-of-range", ROWS + 1)]
        assert ledger.checkpoint().size == 2


def test_the_same_file_by_two_at_once_is_there_once(path, rows, monkeypatch):
    def other(stage):
        if stage == 1:
            monkeypatch.setattr(Ledger, "let_others", lambda _ledger: None)
            with Ledger.open(path) as second:
                assert import_files(second, [rows]).added == ROWS - STAGE

    between(monkeypatch, other)
    with Ledger.open(path) as ledger:
        report = import_files(ledger, [rows])
        assert (report.added, report.already_there) == (STAGE, ROWS - STAGE)
        assert ledger.checkpoint().size == 2 + ROWS
    assert verify(path).problems == ()


def test_what_others_wrote_meanwhile_is_judged(path, rows, monkeypatch):
    pads = {"component": "brake.pad", "reason": "failed", "position": "LF"}
    rows.write_bytes(rows.read_bytes() + line(900, "replacement", **pads))

    def other(stage):
        if stage == 2:
            with Ledger.open(path) as second:
                made = event("bus-7", "replacement", "2026-02-01", odometer=900, **pads)
                second.append(made.model_copy(update={"odometer_unit": "km"}))

    between(monkeypatch, other)
    with Ledger.open(path) as ledger:
        with pytest.raises(LedgerRefused, match="80 events of the file are in the ledger"):
            import_files(ledger, [rows])
        again = import_files(ledger, [rows])
        assert [(one.code, one.row) for one in again.problems] == [("entered-twice", ROWS + 1)]
        assert import_files(ledger, [rows], allow_repeat=True).added == ROWS - 4 * STAGE + 1
    assert verify(path).problems == ()


IMPORT = """
import sys
from roadworn.intake import Ledger, files, staged
files._STAGED_FROM_BYTES, staged.STAGE = 0, 20
Ledger.others_wait = lambda _ledger: True
with Ledger.open(sys.argv[1]) as ledger:
    print("go", flush=True)
    files.import_files(ledger, [sys.argv[2]])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")
def test_a_killed_one_leaves_whole_stages(path, rows):
    rows.write_bytes(b"".join(line(at) for at in range(3_000)))
    process = subprocess.Popen([sys.executable, "-c", IMPORT, path, rows], stdout=subprocess.PIPE)
    process.stdout.readline()
    size = 2
    with Ledger.open(path, writable=False) as ledger:
        until = time.monotonic() + 60
        while size < 2 + 10 * STAGE and time.monotonic() < until:
            size = ledger.checkpoint().size
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    with Ledger.open(path) as ledger:
        size = ledger.checkpoint().size
        assert 2 < size < 3_002
        assert (size - 2) % STAGE == 0
        assert import_files(ledger, [rows]).added == 3_002 - size
    assert verify(path).problems == ()


def commits(path):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT count(*) FROM checkpoints").fetchone()[0]


def test_while_nobody_waits_a_large_file_is_one_transaction(path, rows, monkeypatch):
    monkeypatch.undo()
    monkeypatch.setattr(intake, "_STAGED_FROM_BYTES", 0)
    before = commits(path)
    with Ledger.open(path) as ledger:
        assert import_files(ledger, [rows]).added == ROWS
    assert commits(path) == before + 1


def test_one_who_comes_midway_is_let_in_and_nothing_is_told_twice(path, rows, monkeypatch):
    # The last reading goes back, which is taken and doubted, once.
    rows.write_bytes(line(90_000) + rows.read_bytes())
    with Ledger.open(path) as ledger, ledger.copied() as copy:
        wanted = import_files(copy, [rows])
    assert wanted.doubts
    monkeypatch.setattr("roadworn.intake.ndjson._CHUNK_BYTES", 1_000)
    asked = iter((False, False, False, True))
    monkeypatch.setattr(Ledger, "others_wait", lambda _ledger: next(asked))
    with Ledger.open(path) as ledger:
        assert import_files(ledger, [rows]) == wanted
    assert commits(path) == 1 + 5
    assert verify(path).problems == ()


@pytest.mark.skipif(sys.platform == "win32", reason="nobody can tell there who waits")
def test_who_waits_is_seen_and_gone_when_it_has_written(path, monkeypatch):
    monkeypatch.undo()
    other = "from roadworn.intake import Ledger; from roadworn.testing import event; import sys\n"
    other += "with Ledger.open(sys.argv[1]) as ledger:\n"
    other += "    ledger.append(event('bus-8', 'odometer_reading', '2026-02-01', odometer=7))"
    with Ledger.open(path) as ledger:
        with ledger.writing():
            assert not ledger.others_wait()
            process = subprocess.Popen([sys.executable, "-c", other, path])
            until = time.monotonic() + 20
            while not (seen := ledger.others_wait()) and time.monotonic() < until:
                time.sleep(0.001)
        assert seen
        assert process.wait(timeout=60) == 0
        assert not ledger.others_wait()
        assert ledger.checkpoint().size == 3


MAP = """
kind = "maintenance"
[columns]
"Day" = "occurred_at"
"Bus" = "vehicle_id"
"Work" = "component"
[components]
"lube" = "{oil}"
"""


def test_the_rows_of_a_table_are_known_again(path, tmp_path):
    table, csv_map = tmp_path / "work.csv", tmp_path / "map.toml"
    days = [f"2026-{month:02}-{day:02}" for month in (1, 2, 3) for day in range(1, 20)]
    table.write_text("Day,Bus,Work\n" + "".join(f"{day},bus-7,lube\n" for day in days))
    csv_map.write_text(MAP.format(oil="engine.oil"))
    with Ledger.open(path) as ledger:
        assert import_files(ledger, [table], csv_map=csv_map).added == len(days)
        assert import_files(ledger, [table], csv_map=csv_map).already_there == len(days)
        csv_map.write_text(MAP.format(oil="air.filter"))
        mended = import_files(ledger, [table], csv_map=csv_map)
        assert (mended.replaced, mended.added) == (len(days), len(days))
        assert import_files(ledger, [table], csv_map=csv_map).replaced == 0
    assert verify(path).problems == ()
