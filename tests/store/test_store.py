"""The ledger's interface: what is written, what is refused, and that refusing changes nothing."""

import json
import sqlite3
import subprocess
import sys

import builders
import pytest
from builders import enrolled

from roadworn.intake import Ledger
from roadworn.model.errors import (
    EnvironmentFailure,
    LedgerBusy,
    LedgerDamaged,
    LedgerRefused,
    NotALedger,
    ProblemsFound,
    UnknownName,
    UsageError,
)
from roadworn.model.events import NewEvent
from roadworn.store import LedgerFile, schema
from roadworn.store.merkle import beside
from roadworn.store.verify import verify
from roadworn.testing import event


def reading(odometer, vehicle_id="bus-7", day="2026-02-01", **envelope):
    return builders.reading(vehicle_id, day, odometer).model_copy(update=envelope)


@pytest.fixture
def ledger(new_path):
    """A ledger with a vehicle: what holds of it holds of a file and on a server."""
    with Ledger.create(new_path) as made:
        made.append(enrolled("bus-7"))
        yield made


@pytest.fixture
def file_ledger(tmp_path):
    with Ledger.create(tmp_path / "shop.db") as made:
        made.append(enrolled("bus-7"))
        yield made


def codes(caught):
    return [problem.code for problem in caught.value.problems]


def test_what_is_appended_is_read_back(ledger):
    stored = ledger.append(reading(61250, recorded_by="bench A"))
    assert stored.seq == 2
    assert (stored.odometer, stored.odometer_unit, stored.recorded_by) == (61250.0, "mi", "bench A")
    assert stored.data() == {"how": "typed", "status": "unknown"}
    assert list(ledger.events()) == [ledger.event(enrol_id(ledger)), stored]
    assert list(ledger.events(after=1)) == [stored]
    assert next(iter(ledger.events(upto=1))).kind == "enrolment"


def enrol_id(ledger):
    return next(ledger.events()).event_id


def test_every_column_is_read_back_by_another_opening(ledger):
    stored = ledger.append(reading(1.5, intake_key="k", source="dyno"))
    with Ledger.open(ledger.path, writable=False) as again:
        assert again.event(stored.event_id) == stored
        assert again.checkpoint() == ledger.checkpoint()


def test_a_batch_is_all_or_nothing(ledger):
    before = ledger.checkpoint()
    with pytest.raises(ProblemsFound) as caught:
        ledger.append_many([reading(1), reading(2, vehicle_id="bus-8"), reading(3)])
    assert [(p.code, p.row, p.hint) for p in caught.value.problems] == [
        ("not-enrolled", 2, "did you mean bus-7?")
    ]
    assert ledger.checkpoint() == before
    receipt = ledger.append_many([reading(1), reading(2)])
    assert (receipt.added, receipt.already_there, receipt.checkpoint.size) == (2, 0, 3)


def test_an_exception_of_the_callers_generator_rolls_back(ledger):
    def broken():
        yield reading(1)
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        ledger.append_many(broken())
    assert ledger.checkpoint().size == 1
    ledger.append(reading(2))


def test_the_same_event_again_is_already_there(ledger):
    first = ledger.append(reading(5, event_id="0190a1b2-c3d4-7000-8000-000000000001"))
    assert ledger.append(reading(5, event_id=first.event_id)) == first
    assert ledger.append(reading(5, event_id=first.event_id, recorded_at=None)) == first
    with pytest.raises(ProblemsFound) as caught:
        ledger.append(reading(6, event_id=first.event_id))
    assert codes(caught) == ["event-id-taken"]
    assert ledger.checkpoint().size == 2


def test_the_same_intake_key_again_is_already_there(ledger):
    first = ledger.append(reading(5, intake_key="sheet 1, row 3"))
    receipt = ledger.append_many([reading(5, intake_key="sheet 1, row 3")])
    assert (receipt.added, receipt.already_there) == (0, 1)
    with pytest.raises(ProblemsFound) as caught:
        ledger.append(reading(6, intake_key="sheet 1, row 3"))
    assert codes(caught) == ["intake-key-taken"]
    assert str(first.seq) in caught.value.problems[0].message


def test_events_by_beginning_or_end_of_their_id(ledger):
    stored = ledger.append(reading(1))
    assert ledger.event(stored.event_id.upper()) == stored
    assert ledger.event(stored.event_id[:-1]) == stored
    assert ledger.event(stored.event_id[-12:]) == stored
    for text in ("", "zz", "019", "ffffffff", "%", stored.event_id + "0", "' OR 1=1"):
        with pytest.raises(UnknownName):
            ledger.event(text)
    twin = [f"aaaaaaaa-0000-7000-8000-00000000000{n}" for n in (1, 2)]
    ledger.append_many(reading(n, event_id=name) for n, name in enumerate(twin))
    with pytest.raises(UnknownName) as caught:
        ledger.event("aaaaaaaa")
    assert list(caught.value.near) == twin


def test_vehicles_by_name(ledger):
    ledger.append_many([enrolled("Bus-9"), enrolled("van-1"), enrolled("VAN-1")])
    assert ledger.vehicle_ids() == ["Bus-9", "VAN-1", "bus-7", "van-1"]
    assert ledger.require_vehicle("BUS-7") == "bus-7"
    assert ledger.require_vehicle("van-1") == "van-1"
    with pytest.raises(UnknownName) as caught:
        ledger.require_vehicle("Van-1")
    assert sorted(caught.value.near) == ["VAN-1", "van-1"]
    with pytest.raises(UnknownName) as caught:
        ledger.require_vehicle("bus7")
    assert "bus-7" in caught.value.near


def test_a_retracted_enrolment_no_longer_counts(ledger):
    wrong = ledger.append(enrolled("bus-8"))
    ledger.append(event("bus-8", "retraction", "2026-01-02", event=wrong.event_id, reason="typo"))
    assert not ledger.enrolled("bus-8")
    assert ledger.vehicle_ids() == ["bus-7"]


def test_create_never_touches_a_file_that_is_there(tmp_path):
    path = tmp_path / "x.db"
    path.write_text("precious")
    with pytest.raises(LedgerRefused):
        Ledger.create(path)
    assert path.read_text() == "precious"
    with pytest.raises(EnvironmentFailure):
        Ledger.create(tmp_path / "no" / "x.db")


@pytest.mark.parametrize("writable", [True, False])
def test_opening_something_else(tmp_path, writable):
    with pytest.raises(EnvironmentFailure, match="roadworn create"):
        Ledger.open(tmp_path / "none.db", writable=writable)
    with pytest.raises(NotALedger):
        Ledger.open(tmp_path, writable=writable)
    text = tmp_path / "text.db"
    text.write_text("these are my notes, " * 100)
    with pytest.raises(NotALedger):
        Ledger.open(text, writable=writable)
    other = tmp_path / "other.db"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE events (a)")
    connection.close()
    before = other.read_bytes()
    with pytest.raises(NotALedger):
        Ledger.open(other, writable=writable)
    assert other.read_bytes() == before
    assert text.read_text().startswith("these are my notes")


def test_a_file_of_a_newer_program(file_ledger):
    ledger = file_ledger
    ledger.close()
    connection = sqlite3.connect(ledger.path)
    connection.execute(f"PRAGMA user_version = {schema.SHAPE + 1}")
    connection.close()
    with pytest.raises(NotALedger, match="update"):
        Ledger.open(ledger.path)


def test_a_reader_does_not_write(ledger):
    with Ledger.open(ledger.path, writable=False) as reader:
        with pytest.raises(LedgerRefused):
            reader.append(reading(1))
        assert reader.checkpoint().size == 1


def test_a_reader_sees_commits_of_another_process(ledger):
    with Ledger.open(ledger.path, writable=False) as reader:
        ledger.append(reading(1))
        assert reader.checkpoint() == ledger.checkpoint()
        assert len(list(reader.events())) == 2


def test_a_busy_ledger_says_so(file_ledger, monkeypatch):
    ledger = file_ledger
    other = sqlite3.connect(ledger.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr("roadworn.store.schema.BUSY_SECONDS", 0.05)
    with pytest.raises(LedgerBusy, match="nothing was changed"):
        ledger.append(reading(1))
    other.execute("ROLLBACK")
    other.close()
    assert ledger.append(reading(1)).seq == 2


def test_a_full_disk_says_so(file_ledger):
    ledger = file_ledger
    (pages,) = ledger._connection.execute("PRAGMA page_count").fetchone()
    ledger._connection.execute(f"PRAGMA max_page_count = {pages + 2}")
    with pytest.raises(EnvironmentFailure, match="full"):
        ledger.append_many(reading(n, source="x" * 60) for n in range(2_000))
    assert ledger.checkpoint().size == 1
    ledger._connection.execute("PRAGMA max_page_count = 1000000")
    ledger.append(reading(1))
    assert verify(ledger.path).problems == ()


def test_the_newest_checkpoint_is_kept_beside_the_ledger(file_ledger):
    ledger = file_ledger
    ledger.append(reading(1))
    checkpoint = ledger.checkpoint()
    ledger.close()
    kept = json.loads(beside(ledger.path).read_text())
    assert (kept["size"], kept["root"]) == (checkpoint.size, checkpoint.root)
    assert [p.name for p in ledger.path.parent.iterdir() if "checkpoint" in p.name] == [
        "shop.db.checkpoint"
    ]


def test_guards_are_looked_for_at_every_opening(file_ledger):
    ledger = file_ledger
    ledger.close()
    connection = sqlite3.connect(ledger.path)
    connection.execute("DROP TRIGGER events_no_update")
    connection.close()
    for writable in (True, False):
        with pytest.raises(LedgerDamaged, match="events_no_update"):
            Ledger.open(ledger.path, writable=writable)


def test_contacts_can_be_erased_and_the_history_still_verifies(file_ledger):
    ledger = file_ledger
    ledger.append(enrolled("van-1", owner_reference="o-17"))
    ledger.contacts.set("o-17", name="Erasable Person", phone="555 0100")
    assert ledger.contacts.set("o-17", address="1 Shore Road").name == "Erasable Person"
    assert ledger.contacts.references() == ["o-17"]
    root = ledger.checkpoint().root
    assert ledger.contacts.erase("o-17")
    assert not ledger.contacts.erase("o-17")
    with pytest.raises(UnknownName):
        ledger.contacts.get("o-17")
    with pytest.raises(UsageError):
        ledger.contacts.set(" ")
    ledger.close()
    for file in ledger.path.parent.iterdir():
        assert b"Erasable" not in file.read_bytes(), file.name
    report = verify(ledger.path)
    assert (report.root, report.problems) == (root, ())


def test_erasing_says_so_when_a_reader_keeps_the_name_in_the_log(file_ledger, monkeypatch):
    ledger = file_ledger
    monkeypatch.setattr("roadworn.store.contacts._READERS_SECONDS", 0.1)
    ledger.contacts.set("o-17", name="Erasable Person")
    log = ledger.path.with_name("shop.db-wal")
    reader = sqlite3.connect(ledger.path, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM contacts").fetchall()
    with pytest.raises(EnvironmentFailure, match=r"still stands in .*-wal.*once more"):
        ledger.contacts.erase("o-17")
    reader.execute("COMMIT")
    assert not ledger.contacts.erase("o-17")  # gone already, and now from the log too
    # The reader is still there, so closing the ledger would not have done it.
    assert log.stat().st_size == 0
    assert b"Erasable" not in ledger.path.read_bytes()
    reader.close()


def test_what_a_contact_was_before_a_change_is_nowhere(file_ledger):
    ledger = file_ledger
    keeps_the_log = sqlite3.connect(ledger.path)
    keeps_the_log.execute("SELECT count(*) FROM events").fetchall()
    assert ledger.query("PRAGMA secure_delete") == [(1,)]
    ledger.contacts.set("o-17", name="Earlier Person")
    ledger.contacts.set("o-17", name="Later")
    for file in ledger.path.parent.iterdir():
        assert b"Earlier" not in file.read_bytes(), file.name
    keeps_the_log.close()


def test_hostile_text_is_stored_as_it_is(ledger):
    note = (
        "<script>alert(1)</script> =cmd() \u202etxt.exe 'DROP TABLE events' \x00\x1b[31m null NaN"
    )
    stored = ledger.append(event("bus-7", "complaint", "2026-03-01", complaint=note))
    assert ledger.event(stored.event_id).data()["complaint"] == note
    long = "x" * 10_000_000
    ledger.append(event("bus-7", "complaint", "2026-03-01", complaint=long))
    assert verify(ledger.path).problems == ()
    with pytest.raises(ProblemsFound):
        ledger.append(event("bus-7", "complaint", "2026-03-01", complaint="lone \ud800"))


def test_opening_and_appending_load_nothing_heavy(file_ledger):
    ledger = file_ledger
    ledger.close()
    program = (
        "import sys\n"
        "from roadworn.intake import Ledger\n"
        "from roadworn.model.events import NewEvent\n"
        f"with Ledger.open({str(ledger.path)!r}) as ledger:\n"
        "    ledger.append(NewEvent(vehicle_id='bus-7', kind='replacement', odometer=5.0,\n"
        "        odometer_unit='km', occurred_at='2026-02-02',\n"
        "        payload={'component': 'brake.pad', 'reason': 'failed'}))\n"
        "print(*{'sqlite_utils', 'numpy', 'duckdb', 'scipy', 'typer', 'rapidfuzz'}\n"
        "    .intersection(sys.modules))\n"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert (ran.returncode, ran.stdout.strip(), ran.stderr) == (0, "", "")


def test_a_new_ledger_waits_for_no_pandas(tmp_path):
    program = (
        "import sys\n"
        "from roadworn.intake import Ledger\n"
        f"Ledger.create({str(tmp_path / 'new.db')!r}).close()\n"
        "print('sqlite_utils' in sys.modules, 'pandas' in sys.modules)\n"
        "import pandas\n"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert (ran.returncode, ran.stdout.strip(), ran.stderr) == (0, "True False", "")


def test_recorded_at_is_now_in_utc_unless_given(ledger):
    new = NewEvent(
        vehicle_id="bus-7", kind="odometer_reading", occurred_at="2026-01-05", payload={}
    )
    stamped = ledger.append(new).recorded_at
    assert stamped.endswith("Z")
    assert stamped > "2026-01-05"
    given = ledger.append(new.model_copy(update={"recorded_at": "2026-01-06T10:00:00Z"}))
    assert given.recorded_at == "2026-01-06T10:00:00Z"


@pytest.mark.parametrize(
    ("mounts", "refused"),
    [
        ("host:/x {folder} nfs4 rw 0 0\n", True),
        ("//host/x {folder} cifs rw 0 0\n", True),
        ("/dev/sda1 / ext4 rw 0 0\nhost:/x {folder}/other nfs rw 0 0\n", False),
        ("host:/x / nfs rw 0 0\n/dev/sda1 {folder} ext4 rw 0 0\n", False),
        ("broken\n", False),
    ],
)
def test_a_network_file_system_is_refused_with_the_reason(tmp_path, monkeypatch, mounts, refused):
    path = tmp_path / "shop.db"
    LedgerFile.create(path).close()
    table = tmp_path / "mounts"
    table.write_text(mounts.format(folder=tmp_path))
    monkeypatch.setattr("roadworn.store.whole._MOUNTS", table)
    LedgerFile.open(path, writable=False).close()
    if not refused:
        LedgerFile.open(path).close()
        return
    with pytest.raises(EnvironmentFailure, match="network file system"):
        LedgerFile.open(path)
    with pytest.raises(EnvironmentFailure, match="network file system"):
        LedgerFile.create(tmp_path / "new.db")
    assert not (tmp_path / "new.db").exists()
