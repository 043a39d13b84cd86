"""Attacks on the file itself: verify names the event that was touched, and never fails."""

import sqlite3
from hashlib import sha256

import builders
import orjson
import pytest
from builders import enrolled
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn.model.errors import EnvironmentFailure, LedgerDamaged, NotALedger, RoadwornError
from roadworn.store.merkle import beside
from roadworn.store.schema import EVENT_COLUMNS, GUARDS, SHAPE
from roadworn.store.stored_rows import StoredRows
from roadworn.store.verify import verify
from roadworn.store.writer import Row

EVENTS = 40


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A ledger of 40 events: 25 in one batch, the others one by one; and its bytes."""
    path = tmp_path_factory.mktemp("sound") / "shop.db"
    with Ledger.create(path) as ledger:
        ledger.append(enrolled("bus-7", label="Blue bus"))
        ledger.append_many(reading(at) for at in range(2, 27))
        for at in range(27, EVENTS + 1):
            ledger.append(reading(at))
    return Sound(path)


class Sound:
    """A ledger kept for comparison (with a short repr, for hypothesis)."""

    def __init__(self, path):
        self.path = path
        self.bytes = path.read_bytes()
        self.beside = beside(path).read_bytes()

    def copy_to(self, folder, offset=None, flip=0):
        """Put a copy into a folder, one byte of it flipped."""
        copy = folder / "shop.db"
        data = bytearray(self.bytes)
        if offset is not None:
            data[offset] ^= flip
        copy.write_bytes(data)
        beside(copy).write_bytes(self.beside)
        return copy


def reading(at):
    made = builders.reading("bus-7", "2026-02-01", at * 10, note=f"note {at}")
    return made.model_copy(update={"intake_key": f"key {at}", "recorded_by": f"bench {at}"})


@pytest.fixture
def path(sound, tmp_path):
    return sound.copy_to(tmp_path)


def attack(path, *statements):
    """Run SQL with the guards taken away, and put them back."""
    connection = sqlite3.connect(path, isolation_level=None)
    for name in GUARDS:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(*statement) if isinstance(statement, tuple) else connection.execute(
            statement
        )
    for sql in GUARDS.values():
        connection.execute(sql)
    connection.close()


def found(path):
    return [(problem.code, problem.row) for problem in verify(path).problems]


def test_a_sound_ledger(path):
    report = verify(path)
    with Ledger.open(path) as ledger:
        assert (report.size, report.root) == (EVENTS, ledger.checkpoint().root)
    assert (report.problems, report.notes) == ((), ())


def test_an_empty_ledger(tmp_path):
    Ledger.create(tmp_path / "new.db").close()
    report = verify(tmp_path / "new.db")
    # SHA-256 of nothing, FIPS 180-4; RFC 6962 section 2.1 takes it as the empty tree's root.
    assert report.root == sha256(b"").hexdigest()
    assert (report.size, report.problems, report.notes) == (0, (), ())


@pytest.mark.parametrize("seq", [1, 2, 13, 26, 27, 39, EVENTS])
@pytest.mark.parametrize("column", EVENT_COLUMNS[1:])
def test_a_changed_column_names_its_event(path, column, seq):
    value = {"version": 2, "odometer": 0.5, "leaf": bytes(32), "odometer_unit": "km"}
    attack(path, (f"UPDATE events SET {column} = ? WHERE seq = ?", (value.get(column, "x"), seq)))
    assert ("altered", seq) in found(path)
    assert {row for code, row in found(path) if code == "altered"} == {seq}


def test_a_changed_event_with_a_leaf_to_match_is_named_by_its_commit(path):
    for seq, row, which in ((39, 39, "Event 39 "), (12, 2, "One of the events 2 to 26 ")):
        before = path.read_bytes()
        rewrite(path, seq)
        report = verify(path)
        assert [(p.code, p.row) for p in report.problems] == [("replaced", row)]
        assert report.problems[0].message.startswith(which)
        path.write_bytes(before)


def rewrite(path, seq, note="forged"):
    """Change an event and compute its leaf anew, as somebody with the source code could."""
    connection = sqlite3.connect(path)
    row = dict(
        zip(
            EVENT_COLUMNS,
            connection.execute("SELECT * FROM events WHERE seq = ?", (seq,)).fetchone(),
            strict=True,
        )
    )
    connection.close()
    row["payload"] = f'{{"note":"{note}"}}'
    order = [name for name in EVENT_COLUMNS if name not in ("seq", "leaf", "payload", "intake_key")]
    array = [row[name] for name in order] + [row["intake_key"], row["payload"]]
    leaf = sha256(b"\x00" + orjson.dumps(array)).digest()
    attack(
        path,
        ("UPDATE events SET payload = ?, leaf = ? WHERE seq = ?", (row["payload"], leaf, seq)),
    )
    return leaf


def test_rewriting_the_checkpoints_as_well_is_seen_from_beside(path):
    rewrite(path, 39)
    leaves = leaves_of(path)
    from roadworn.store.merkle import CompactRange

    statements = []
    for size in (39, 40):
        edge = CompactRange()
        edge.extend(leaves[:size])
        statements.append(
            (
                "UPDATE checkpoints SET root = ?, peaks = ? WHERE size = ?",
                (edge.root().hex(), edge.serialise(), size),
            )
        )
    attack(path, *statements)
    assert found(path) == [("other-history", 40)]
    # The file beside is evidence: going on writing does not replace it.
    kept = beside(path).read_bytes()
    with Ledger.open(path) as ledger:
        ledger.append(reading(41))
    assert beside(path).read_bytes() == kept
    assert found(path) == [("other-history", 40)]


def leaves_of(path):
    connection = sqlite3.connect(path)
    leaves = [leaf for (leaf,) in connection.execute("SELECT leaf FROM events ORDER BY seq")]
    connection.close()
    return leaves


def test_a_cut_off_tail(path):
    attack(path, "DELETE FROM events WHERE seq > 30", "DELETE FROM checkpoints WHERE size > 30")
    assert found(path) == [("cut-off", 31)]
    with Ledger.open(path) as ledger:
        for at in range(31, 50):
            ledger.append(reading(at))
    # It grew beyond the old size, and the two histories still differ.
    assert found(path) == [("other-history", 40)]


def test_a_cut_off_tail_with_its_checkpoints_left(path):
    attack(path, "DELETE FROM events WHERE seq > 30")
    assert ("missing", 31) in found(path)
    assert "Events 31 to 40 are missing." in [p.message for p in verify(path).problems]
    with pytest.raises(RoadwornError, match="verify"), Ledger.open(path) as ledger:
        ledger.append(reading(41))


def test_without_the_file_beside_it_there_is_a_note(path):
    beside(path).unlink()
    report = verify(path)
    assert report.problems == ()
    assert "cut-off tail" in report.notes[0]


@pytest.mark.parametrize(
    "content", ["", "[]", '{"size": "40"}', '{"size": -1, "root": ""}', "\xff"]
)
def test_an_unreadable_checkpoint_beside(path, content):
    beside(path).write_bytes(content.encode("latin-1"))
    assert found(path) == [("checkpoint-unreadable", 0)]


@pytest.mark.parametrize("gone", [[1], [5], [26], [27], [40], [7, 8, 9], [39, 40]])
def test_missing_events(path, gone):
    attack(path, f"DELETE FROM events WHERE seq IN ({', '.join(map(str, gone))})")
    missing = [row for code, row in found(path) if code == "missing"]
    assert missing == [gone[0]]
    assert not [row for code, row in found(path) if code == "altered"]


def test_an_event_slipped_in_without_a_checkpoint(path):
    attack(
        path,
        "INSERT INTO events SELECT 41, 'x', vehicle_id, kind, version, occurred_at, recorded_at, "
        "recorded_by, source, odometer, odometer_unit, payload, NULL, leaf FROM events "
        "WHERE seq = 5",
    )
    assert found(path) == [("altered", 41), ("no-checkpoint", 41)]


def test_two_events_exchanged(path):
    attack(
        path,
        "UPDATE events SET seq = 99 WHERE seq = 33",
        "UPDATE events SET seq = 33 WHERE seq = 34",
        "UPDATE events SET seq = 34 WHERE seq = 99",
    )
    assert found(path) == [("replaced", 33), ("replaced", 34)]


@pytest.mark.parametrize("name", GUARDS)
def test_a_removed_or_changed_guard(path, name):
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"DROP TRIGGER {name}")
    assert found(path) == [("guard-missing", 0)]
    table = "events" if name.startswith("events") else "checkpoints"
    connection.execute(f"CREATE TRIGGER {name} BEFORE UPDATE ON {table} BEGIN SELECT 1; END")
    connection.close()
    assert found(path) == [("guard-missing", 0)]
    assert name in verify(path).problems[0].message


@pytest.mark.parametrize("column,value", [("root", "00"), ("peaks", b"x"), ("peaks", bytes(32))])
def test_an_altered_checkpoint(path, column, value):
    attack(path, (f"UPDATE checkpoints SET {column} = ? WHERE size = 32", (value,)))
    assert found(path) == [("checkpoint-altered", 32)]


@pytest.mark.parametrize("value", ["9e999", "-9e999"])
def test_an_infinite_reading_is_not_the_one_that_was_left_out(path, value):
    attack(path, "UPDATE events SET odometer = NULL WHERE seq = 1")
    before = found(path)
    attack(path, f"UPDATE events SET odometer = {value} WHERE seq = 1")
    assert before == []
    assert ("altered", 1) in found(path)


@pytest.mark.parametrize("value", [float("inf"), float("-inf"), float("nan")])
def test_what_is_not_finite_is_never_hashed(value):
    row = Row("id", "v", "k", 1, "2026-01-01", "2026-01-01", "", "", value, "mi", "{}", None)
    with pytest.raises(ValueError, match="no reading"):
        row.sealed()


ODD_SCHEMAS = {
    "schema-extra": (
        "CREATE TRIGGER copied AFTER UPDATE ON contacts BEGIN SELECT 1; END",
        "CREATE TRIGGER eaten BEFORE INSERT ON events BEGIN SELECT RAISE(IGNORE); END",
        "CREATE TABLE taken (name TEXT)",
        "CREATE VIEW seen AS SELECT * FROM contacts",
        "CREATE INDEX more ON events(kind)",
    ),
    "schema-missing": (
        "DROP INDEX events_event_id",
        "DROP INDEX events_intake_key",
        "DROP INDEX events_retraction",
        "DROP TABLE contacts",
    ),
    "schema-changed": (
        "DROP TABLE contacts; CREATE TABLE contacts (reference TEXT PRIMARY KEY, name TEXT)",
        "DROP INDEX events_event_id; CREATE INDEX events_event_id ON events(event_id)",
        "PRAGMA writable_schema = 1; UPDATE sqlite_master SET sql = replace(sql, ' STRICT', '')",
    ),
}


@pytest.mark.parametrize(
    "code,script", [(code, script) for code, scripts in ODD_SCHEMAS.items() for script in scripts]
)
def test_whatever_is_not_as_a_new_ledger_has_it(path, code, script):
    connection = sqlite3.connect(path, isolation_level=None)
    connection.executescript(script)
    connection.close()
    assert code in {problem for problem, _ in found(path)}


def test_a_trigger_that_swallows_events_stops_the_writer_before_it_loses_one(path):
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(ODD_SCHEMAS["schema-extra"][1])
    connection.close()
    with pytest.raises(LedgerDamaged, match="eaten"):
        Ledger.open(path)
    with Ledger.open(path, writable=False) as ledger:
        assert ledger.checkpoint().size == EVENTS


def test_a_newer_shape_is_refused_in_a_sentence_by_every_reader(path):
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"PRAGMA user_version = {SHAPE + 8}")
    connection.close()
    for reader in (verify, open_view, Ledger.open):
        with pytest.raises(NotALedger, match="newer Roadworn"):
            reader(path)


@pytest.mark.parametrize("shape", range(SHAPE))
def test_a_number_of_an_older_shape_hides_no_plate(path, shape):
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-7", "ABC 123 XY")
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(f"PRAGMA user_version = {shape}")
    connection.close()
    assert [problem for problem, _ in found(path)] == ["schema-changed"]


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM checkpoints WHERE size = 32",
        "UPDATE checkpoints SET made_at = '2020-01-01T00:00:00Z' WHERE size = 26",
        "DELETE FROM checkpoints WHERE size < 30",
    ],
)
def test_a_middle_checkpoint_taken_out_or_dated_back(path, statement):
    attack(path, statement)
    assert found(path) == [("checkpoints-changed", EVENTS)]
    with Ledger.open(path) as ledger:
        ledger.append(reading(EVENTS + 1))
    assert found(path) == [("checkpoints-changed", EVENTS + 1)]


def test_the_checkpoint_beside_an_earlier_ledger_says_nothing_of_the_middle(path):
    told = orjson.loads(beside(path).read_bytes())
    del told["checkpoints"]
    beside(path).write_bytes(orjson.dumps(told))
    assert found(path) == []
    with Ledger.open(path) as ledger:
        ledger.append(reading(EVENTS + 1))
    assert "checkpoints" in orjson.loads(beside(path).read_bytes())
    assert found(path) == []


def test_what_is_written_while_it_verifies_is_no_alarm(path, monkeypatch):
    def another_writes(*arguments, **more):
        with Ledger.open(path) as ledger:
            ledger.append(reading(ledger.checkpoint().size + 1))
        return StoredRows(*arguments, **more)

    monkeypatch.setattr("roadworn.store.verify.StoredRows", another_writes)
    report = verify(path)
    assert (report.problems, report.size) == ((), EVENTS)
    assert (verify(path).problems, verify(path).size) == ((), EVENTS + 2)


def stored(path):
    """Return all rows as SQLite reads them, or None when it cannot."""
    connection = sqlite3.connect(path)
    connection.text_factory = bytes
    try:
        return connection.execute("SELECT * FROM events ORDER BY seq").fetchall()
    except sqlite3.DatabaseError:
        return None
    finally:
        connection.close()


@settings(max_examples=120, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    seq=st.integers(2, EVENTS), where=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255)
)
def test_a_flipped_byte_inside_a_record(sound, tmp_path, seq, where, flip):
    row = stored(sound.path)[seq - 1]
    event_id, leaf = row[1], row[-1]
    # The record's body begins with the event id and ends with the leaf, 32 bytes.
    start = sound.bytes.index(event_id + b"bus-7")
    end = sound.bytes.index(leaf, start) + 32
    offset = start + int(where * (end - start))
    problems = verify(sound.copy_to(tmp_path, offset, flip)).problems
    altered = [problem for problem in problems if problem.code == "altered"]
    assert [problem.row for problem in altered] == [seq]
    if offset >= start + 36:
        assert event_id.decode() in altered[0].message


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(where=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_a_flipped_byte_anywhere_is_named_or_changes_nothing(sound, tmp_path, where, flip):
    path = sound.copy_to(tmp_path, int(where * len(sound.bytes)), flip)
    try:
        problems = verify(path).problems
    except RoadwornError:
        # The file's header: SQLite no longer takes it for a database, or not for a ledger.
        return
    assert problems or stored(path) == stored(sound.path)


@pytest.mark.parametrize("keep", [0.0, 0.1, 0.5, 0.9])
def test_a_file_cut_short(path, keep):
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    try:
        problems = verify(path).problems
    except RoadwornError:
        problems = ["refused in one sentence"]
    assert problems


def test_a_page_of_zeros(path):
    data = bytearray(path.read_bytes())
    page = data.index(b'"note":"note 5"') // 4096
    data[page * 4096 : (page + 1) * 4096] = bytes(4096)
    path.write_bytes(data)
    report = verify(path)
    # The index still knows their ids.
    with Ledger.open(path, writable=False) as ledger:
        ledger.checkpoint()
    unreadable = [problem for problem in report.problems if problem.code == "unreadable"]
    assert 5 in {problem.row for problem in unreadable}
    assert all("(0" in problem.message for problem in unreadable)


def test_what_is_no_ledger(tmp_path):
    with pytest.raises(EnvironmentFailure):
        verify(tmp_path / "none.db")
    text = tmp_path / "x.db"
    text.write_text("a letter, not a ledger " * 99)
    with pytest.raises(NotALedger):
        verify(text)
