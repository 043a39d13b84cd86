"""Verify, proof, backup and export. The tree and its proofs are RFC 6962 (tests/ledger)."""

import json
import sqlite3
from dataclasses import astuple
from pathlib import Path

import duckdb
import pytest
from commandline import Run

from roadworn.store import LedgerFile
from roadworn.store.writer import Row


@pytest.fixture
def busy(shop: Run) -> Run:
    for figure in ("61,100 mi", "61,200 mi", "61,300 mi"):
        assert shop("record", "reading", "bus-7", figure).code == 0
    shop("record", "replacement", "bus-7", "radiator", "--reason", "failed", "--price", "84.50 USD")
    return shop


def root(run: Run, ledger: str = "roadworn.db") -> str:
    verified = run("--ledger", ledger, "verify", "--format", "json")
    assert verified.code == 0, verified.err
    return str(verified.json()["root"])  # type: ignore[index]


def test_an_altered_event_is_found_and_named(busy: Run, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "roadworn.db") as connection:
        (trigger,) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'events_no_update'"
        ).fetchone()
        connection.execute("DROP TRIGGER events_no_update")
        connection.execute("UPDATE events SET odometer = 1 WHERE seq = 3")
        connection.execute(trigger)
    connection.close()
    found = busy("verify", "--format", "json")
    assert found.code == 1
    report = found.json()
    assert any(problem["row"] == 3 for problem in report["problems"])  # type: ignore[index]
    assert "does not verify" in found.err


def test_in_full_every_payload_is_read_and_every_table_folded(busy: Run, tmp_path: Path) -> None:
    assert busy("verify", "--full").code == 0
    # Sealed as a program with other kinds would: the tree is whole, the payload is no reading.
    with LedgerFile.open(tmp_path / "roadworn.db") as ledger:
        (stored,) = [event for event in ledger.events() if event.seq == 3]
        row = Row(*astuple(stored)[1:])
        odd = row._replace(event_id="0" * 36, payload='{"wheels":5}').sealed()
        of_none = row._replace(event_id="1" * 36, kind="gone.word").sealed()
        with ledger.locked(lambda _: []) as writer:
            writer.add_unchecked([odd, of_none])
            writer.finish()
    assert busy("verify").code == 0
    found = busy("verify", "--full", "--format", "json")
    assert found.code == 1
    problems = found.json()["problems"]  # type: ignore[index]
    assert [(problem["code"], problem["row"]) for problem in problems] == [("undecodable", 6)]
    assert "event 7" in found.err


def test_a_proof_holds_against_the_printed_root_and_no_other(busy: Run, tmp_path: Path) -> None:
    event = busy("record", "reading", "bus-7", "61,400 mi").event
    printed = root(busy)
    busy("record", "reading", "bus-7", "61,500 mi")
    proof = busy("proof", event, "--size", "6")
    assert proof.code == 0, proof.err
    (tmp_path / "proof.json").write_text(proof.out, encoding="utf-8")
    assert busy("proof", "--check", "proof.json", "--root", printed).out == "holds\n"
    assert busy("proof", "--check", "proof.json", "--root", "00" * 32).code == 1
    forged = json.loads(proof.out)
    forged["event"]["odometer"] = 1.0
    assert busy("proof", "--check", "-", given=json.dumps(forged)).code == 1
    assert busy("proof", "--check", "-", given="[]").code == 2
    assert busy("proof", "--check", "none.json").code == 4


def test_a_ledger_that_only_grew(busy: Run) -> None:
    before = root(busy)
    busy("record", "reading", "bus-7", "61,400 mi")
    grown = busy("proof", "--since", "5")
    proof = grown.json()
    assert isinstance(proof, dict)
    assert (proof["old_root"], proof["root"]) == (before, root(busy))
    assert busy("proof", "--check", "-", "--root", before, given=grown.out).code == 0


def test_a_backup_is_whole_and_verifies(busy: Run, tmp_path: Path) -> None:
    done = busy("backup", "copy.db")
    assert done.code == 0, done.err
    assert done.out == "copy.db\n"
    assert root(busy, "copy.db") == root(busy)
    assert (tmp_path / "copy.db.checkpoint").exists()
    assert not (tmp_path / "copy.db-wal").exists()
    assert busy("--ledger", "copy.db", "record", "reading", "bus-7", "61,400 mi").code == 0


def test_no_backup_is_made_of_a_ledger_that_does_not_verify(busy: Run, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "roadworn.db") as connection:
        (trigger,) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'events_no_update'"
        ).fetchone()
        connection.execute("DROP TRIGGER events_no_update")
        connection.execute("UPDATE events SET recorded_by = 'someone' WHERE seq = 2")
        connection.execute(trigger)
    connection.close()
    done = busy("backup", "copy.db")
    assert done.code == 3
    assert "does not verify" in done.err
    assert not (tmp_path / "copy.db").exists()


def test_exported_events_give_the_same_root_again(busy: Run, tmp_path: Path) -> None:
    assert busy("export", "ndjson", "out").code == 0
    kept = json.loads((tmp_path / "out" / "checkpoint.json").read_text())
    assert kept["root"] == root(busy)
    busy("--ledger", "again.db", "create")
    done = busy("--ledger", "again.db", "import", "out/events.ndjson", "--allow-repeat")
    assert done.code == 0, done.err
    assert root(busy, "again.db") == root(busy)


def test_tables_as_parquet(busy: Run, tmp_path: Path) -> None:
    done = busy("export", "parquet", "out")
    assert done.code == 0, done.err
    counts = dict(line.split("\t") for line in done.out.splitlines())
    described = json.loads((tmp_path / "out" / "tables.json").read_text())
    assert {entry["table"] for entry in described} == set(counts)
    for entry in described:
        path = tmp_path / "out" / f"{entry['table']}.parquet"
        read = duckdb.connect().execute(f"SELECT * FROM '{path}'")
        assert [c[0] for c in read.description] == [c["name"] for c in entry["columns"]]
        assert len(read.fetchall()) == int(counts[entry["table"]])
    cost = duckdb.connect().execute(
        f"SELECT parts_cost, typeof(parts_cost) FROM '{tmp_path}/out/replacements.parquet'"
    )
    ((amount, kind),) = cost.fetchall()
    assert (str(amount), kind) == ("84.5000", "DECIMAL(18,4)")


def test_tables_as_one_database(busy: Run, tmp_path: Path) -> None:
    assert busy("export", "duckdb", "out").code == 0
    with duckdb.connect(str(tmp_path / "out" / "roadworn.duckdb"), read_only=True) as con:
        assert con.execute("SELECT count(*) FROM readings").fetchall() == [(4,)]
        ((comment,),) = con.execute(
            "SELECT comment FROM duckdb_columns() WHERE table_name = 'vehicles' "
            "AND column_name = 'vehicle_id'"
        ).fetchall()
        assert comment == "the vehicle"


def test_an_export_overwrites_nothing_and_says_of_which_day_it_is(
    busy: Run, tmp_path: Path
) -> None:
    assert busy("--as-of", "2026-05-02", "export", "parquet", "out").code == 0
    kept = json.loads((tmp_path / "out" / "checkpoint.json").read_text())
    assert (kept["as_of"], kept["known_by"]) == ("2026-05-02", "recorded")
    again = busy("export", "parquet", "out")
    assert again.code == 3
    assert "overwrites nothing" in again.err
    events = busy("--as-of", "2026-05-02", "export", "ndjson", "out")
    assert events.code == 2
    assert "leave out --as-of" in events.err
