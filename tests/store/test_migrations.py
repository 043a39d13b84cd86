"""Ledgers of every earlier shape open, verify and go on; a new one has the documented shape."""

import sqlite3
from pathlib import Path

import pytest

from roadworn.intake import Ledger
from roadworn.model.errors import NotALedger
from roadworn.store import schema
from roadworn.store.verify import verify
from roadworn.testing import event

SHAPES = Path(__file__).parent / "earlier_shapes"
ROOT_OF_SHAPE_1 = "246d7415fd6a56405a57f1256a5fbf9aedbc89df1bdb0bda2f1bf1bd32027ce8"


def restored(shape, folder):
    path = folder / "old.db"
    connection = sqlite3.connect(path)
    connection.executescript((SHAPES / f"shape{shape}.sql").read_text())
    connection.close()
    return path


def test_there_is_a_ledger_of_every_shape():
    assert {file.name for file in SHAPES.iterdir()} == {
        f"shape{shape}.sql" for shape in range(1, schema.SHAPE + 1)
    }


@pytest.mark.parametrize("shape", range(1, schema.SHAPE + 1))
def test_an_earlier_shape(shape, tmp_path):
    path = restored(shape, tmp_path)
    with Ledger.open(path) as ledger:
        assert ledger.checkpoint().root == ROOT_OF_SHAPE_1
        kinds = [stored.kind for stored in ledger.events()]
        assert kinds == ["enrolment", "odometer_reading", "replacement", "complaint"]
        assert [stored.data() for stored in ledger.events(after=3)] == [
            {"complaint": 'it\'s "loud" – ünd'}
        ]
        assert ledger.contacts.get("o-17").name == "Nobody Inparticular"
        ledger.append(event("bus-7", "odometer_reading", "2026-04-01", odometer=61500))
    report = verify(path)
    assert (report.size, report.problems) == (5, ())
    connection = sqlite3.connect(path)
    assert schema.shape_of(connection) == schema.SHAPE
    connection.close()


def test_a_new_ledger_has_the_columns_of_its_shape(tmp_path):
    Ledger.create(tmp_path / "new.db").close()
    new = sqlite3.connect(tmp_path / "new.db")
    old = sqlite3.connect(restored(schema.SHAPE, tmp_path))
    query = "SELECT type, name, sql FROM sqlite_master ORDER BY type, name"
    assert new.execute(query).fetchall() == old.execute(query).fetchall()
    columns = [row[1] for row in new.execute("PRAGMA table_info(events)")]
    assert tuple(columns) == schema.EVENT_COLUMNS
    new.close()
    old.close()


def test_an_upgrade_that_was_stopped_midway_goes_on(tmp_path):
    path = restored(1, tmp_path)
    connection = sqlite3.connect(path)
    columns = '"vehicle_id" TEXT PRIMARY KEY,\n   "plate" TEXT NOT NULL'
    connection.execute(f'CREATE TABLE "plates" (\n   {columns}\n) STRICT')
    connection.commit()
    connection.close()
    with Ledger.open(path) as ledger:
        assert ledger.plates.set("bus-7", "abc 1 xy") == "ABC 1 XY"
    assert verify(path).problems == ()


def test_a_reader_takes_the_first_shape_as_it_stands(tmp_path):
    path = restored(1, tmp_path)
    before = path.read_bytes()
    with Ledger.open(path, writable=False) as ledger:
        assert ledger.plates.all() == {}
        assert ledger.imports.latest() == []
    assert path.read_bytes() == before


def test_an_older_shape_is_not_changed_by_a_reader(tmp_path):
    path = restored(1, tmp_path)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 0")
    connection.close()
    with pytest.raises(NotALedger, match="older"):
        Ledger.open(path, writable=False)


def test_an_interrupted_making_leaves_no_ledger_behind(tmp_path, monkeypatch):
    def full(*_):
        raise sqlite3.OperationalError("simulated")

    monkeypatch.setattr("roadworn.store.shapes.upgrade", full)
    with pytest.raises(Exception, match=r"new\.db"):
        Ledger.create(tmp_path / "new.db")
    assert list(tmp_path.iterdir()) == []
