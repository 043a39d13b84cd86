"""Attacks on the file with nothing but SQL: each is refused, and changes nothing."""

import sqlite3

import pytest
from builders import enrolled, ledger_of, reading

from roadworn.intake import Ledger

MIDDLE = "vehicle_id, kind, version, occurred_at, recorded_at, recorded_by, source"
MIDDLE += ", odometer, odometer_unit, payload"


def copied(seq, event_id="event_id", intake_key="intake_key", of=2):
    """SELECT an existing row under another number, id or key."""
    return f"SELECT {seq}, {event_id}, {MIDDLE}, {intake_key}, leaf FROM events WHERE seq = {of}"


ATTACKS = [
    "UPDATE events SET payload = '{}' WHERE seq = 2",
    "UPDATE events SET seq = 99 WHERE seq = 3",
    "UPDATE OR REPLACE events SET seq = 2 WHERE seq = 3",
    "UPDATE OR IGNORE events SET kind = 'scan'",
    "DELETE FROM events",
    "DELETE FROM events WHERE seq = (SELECT max(seq) FROM events)",
    "INSERT OR REPLACE INTO events SELECT * FROM events WHERE seq = 2",
    "REPLACE INTO events SELECT * FROM events",
    # By event_id and by intake_key, under a new and next number.
    f"INSERT OR REPLACE INTO events {copied(4, intake_key='NULL')}",
    f"INSERT OR REPLACE INTO events {copied(4, event_id=repr('x'), of=3)}",
    f"INSERT OR IGNORE INTO events {copied(4)}",
    f"INSERT INTO events {copied(4)} ON CONFLICT (event_id) DO UPDATE SET kind = 'scan'",
    # Gaps, a number of SQLite's own choice, numbers below.
    f"INSERT INTO events {copied(6, repr('y'), 'NULL')}",
    f"INSERT INTO events {copied('NULL', repr('y'), 'NULL')}",
    f"INSERT INTO events {copied(-1, repr('y'), 'NULL')}",
    "UPDATE checkpoints SET root = 'x'",
    "DELETE FROM checkpoints",
    "INSERT OR REPLACE INTO checkpoints SELECT size, 'x', peaks, made_at FROM checkpoints",
    "INSERT INTO checkpoints VALUES (99, 'x', x'', '')",
]


@pytest.fixture
def path(tmp_path):
    path = ledger_of(tmp_path / "shop.db", [enrolled("bus-7")])
    with Ledger.open(path) as ledger:
        for at in (1, 2):
            made = reading("bus-7", "2026-02-01", at)
            ledger.append(made.model_copy(update={"intake_key": f"key {at}"}))
    return path


def dump(connection):
    return [
        connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()
        for table in ("events", "checkpoints")
    ]


@pytest.mark.parametrize("recursive", ["OFF", "ON"])
@pytest.mark.parametrize("attack", ATTACKS)
def test_refused(path, attack, recursive):
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"PRAGMA recursive_triggers = {recursive}")
    before = dump(connection)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(attack)
    assert dump(connection) == before
    connection.close()


def test_a_multi_row_insert_that_fails_half_way_leaves_no_gap(path):
    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(sqlite3.IntegrityError, match="append-only"):
        connection.execute(
            f"INSERT INTO events SELECT value, 'id' || value, {MIDDLE}, NULL, leaf "
            "FROM events, json_each('[4, 5, 7]') WHERE seq = 2"
        )
    numbers = [seq for (seq,) in connection.execute("SELECT seq FROM events ORDER BY seq")]
    assert numbers == list(range(1, len(numbers) + 1))
    connection.close()
