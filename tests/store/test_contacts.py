"""Contacts sealed with a key each: what erasing reaches, and what another program cannot do."""

import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import closing, contextmanager

import pytest
from builders import enrolled, ledger_of

from roadworn.intake import Ledger
from roadworn.model.errors import EnvironmentFailure, LedgerDamaged, UnknownName
from roadworn.store import keeping
from roadworn.store.backup import back_up
from roadworn.testing import event

NAME, PHONE = "Erasable Person", "555 0100"


@pytest.fixture
def path(tmp_path, monkeypatch):
    """A ledger with a key and two contacts."""
    monkeypatch.setenv(keeping.KEYS, str(tmp_path / "keys"))
    path = ledger_of(tmp_path / "a.db")
    keeping.make_key(path)
    with Ledger.open(path) as ledger:
        ledger.contacts.set("o-1", name=NAME, phone=PHONE)
        ledger.contacts.set("o-2", name="Other Person", address="1 Shore Road")
    return path


def change(path, sql, *values):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(sql, values)


def problems(path):
    with Ledger.open(path, writable=False) as ledger:
        return [(found.code, found.message.split()[2]) for found in ledger.contacts.problems()]


def test_what_is_kept_stands_nowhere_in_plain_text(path, tmp_path):
    with Ledger.open(path) as ledger:
        assert ledger.contacts.get("o-1").phone == PHONE
        assert ledger.contacts.set("o-1", note="rings twice").name == NAME
        assert [one.name for one in ledger.contacts.all()] == [NAME, "Other Person"]
    back_up(path, tmp_path / "copy.db")
    for file in tmp_path.rglob("*"):
        if file.is_file():
            assert NAME.encode() not in file.read_bytes()
            assert PHONE.encode() not in file.read_bytes()


def test_erasing_reaches_every_copy(path, tmp_path):
    copy = tmp_path / "copy.db"
    back_up(path, copy)
    with Ledger.open(path) as ledger:
        assert ledger.contacts.erase("o-1")
        assert not ledger.contacts.erase("o-1")
        assert ledger.contacts.references() == ["o-2"]
    shutil.move(copy, path)  # the backup is put back
    with Ledger.open(path) as ledger:
        assert ledger.contacts.references() == ["o-2"]
        with pytest.raises(UnknownName):
            ledger.contacts.get("o-1")
        # The reference may be used again, for somebody else.
        assert ledger.contacts.set("o-1", phone="555 0199").name is None


def test_where_the_keys_are_not_nothing_is_read_nor_written(path, monkeypatch, tmp_path):
    monkeypatch.setenv(keeping.KEYS, str(tmp_path / "elsewhere"))
    with Ledger.open(path) as ledger:
        assert (ledger.contacts.get("o-1").name, ledger.contacts.get("o-1").sealed) == (None, True)
        with pytest.raises(EnvironmentFailure, match="ROADWORN_KEYS"):
            ledger.contacts.set("o-3", name="New Person")
        assert ledger.contacts.erase("o-2")  # what cannot be read can still be erased


@pytest.mark.parametrize(
    ("sql", "found"),
    [
        ("UPDATE contacts SET name = 'Somebody' WHERE reference = 'o-1'", "contact-changed"),
        ("DELETE FROM contacts WHERE reference = 'o-1'", "contact-changed"),
        ("UPDATE contacts SET phone = NULL WHERE reference = 'o-1'", "contact-changed"),
        ("UPDATE contacts SET phone = name WHERE reference = 'o-1'", "contact-changed"),
        ("INSERT INTO contacts (reference, name) VALUES ('o-1x', 'Somebody')", "contact-plain"),
    ],
)
def test_what_another_program_does_to_a_contact_is_found(path, sql, found):
    assert problems(path) == []
    change(path, sql)
    assert [code for code, _ in problems(path)] == [found]


def test_a_sealed_text_is_bound_to_its_place(path):
    change(
        path,
        "UPDATE contacts SET name = (SELECT name FROM contacts WHERE reference = 'o-2') "
        "WHERE reference = 'o-1'",
    )
    with Ledger.open(path) as ledger, pytest.raises(LedgerDamaged, match="o-1 was changed"):
        ledger.contacts.get("o-1")


def test_a_program_killed_while_it_writes_a_contact_raises_no_alarm(path, monkeypatch):
    from roadworn.store.sealing import Vault

    monkeypatch.setattr(Vault, "settle", lambda *_: 1 / 0)
    with Ledger.open(path) as ledger, pytest.raises(ZeroDivisionError):
        ledger.contacts.set("o-1", name="Later")
    assert problems(path) == []
    # Killed before the row was written: the row of before is expected as well.
    monkeypatch.setattr("roadworn.store.contacts.Contacts._put", lambda *_: 1 / 0)
    for reference in ("o-2", "o-3"):
        with Ledger.open(path) as ledger, pytest.raises(ZeroDivisionError):
            ledger.contacts.set(reference, name="Later")
    assert problems(path) == []


def test_an_older_ledger_is_sealed_when_it_gets_a_key(tmp_path, monkeypatch):
    monkeypatch.setenv(keeping.KEYS, str(tmp_path / "keys"))
    path = ledger_of(tmp_path / "a.db")
    with Ledger.open(path) as ledger:
        ledger.contacts.set("o-1", name=NAME)
        assert ledger.contacts.seal() == 0
        keeping.make_key(path)
        assert [found.code for found in ledger.contacts.problems()] == ["contact-plain"]
        assert ledger.contacts.seal() == 1
        assert (ledger.contacts.get("o-1").name, ledger.contacts.problems()) == (NAME, [])
    assert NAME.encode() not in path.read_bytes()


@contextmanager
def reading(path):
    """Read a ledger as it is now, until the end."""
    with closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM contacts").fetchall()
        yield
        reader.execute("COMMIT")


def test_what_was_sealed_is_erased_at_once_whoever_reads(path, monkeypatch):
    """To wait for readers keeps everybody from writing: two seconds of eight writers' time."""
    monkeypatch.setattr("roadworn.store.contacts._READERS_SECONDS", 60)
    with Ledger.open(path) as ledger:
        ledger.contacts.set("o-1", note="rings twice")
        with reading(path):
            assert ledger.contacts.erase("o-1")
        assert ledger.contacts.references() == ["o-2"]
        for file in path.parent.iterdir():
            assert not file.is_file() or NAME.encode() not in file.read_bytes()


def test_others_write_while_erasing_waits_for_a_reader(tmp_path):
    path = ledger_of(tmp_path / "plain.db", [enrolled("bus-7")])
    erasing = """
import sys
from roadworn.intake import Ledger
from roadworn.store import contacts
contacts._READERS_SECONDS = 2
with Ledger.open(sys.argv[1]) as ledger:
    ledger.contacts.set("o-1", name="Erasable Person")
    print("begins", flush=True)
    ledger.contacts.erase("o-1")
"""
    with reading(path), Ledger.open(path) as ledger:
        command = [sys.executable, "-c", erasing, path]
        erased = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        erased.stdout.readline()
        longest = 0.0
        while erased.poll() is None:
            began = time.monotonic()
            ledger.append(event("bus-7", "odometer_reading", "2026-02-01", odometer=7))
            longest = max(longest, time.monotonic() - began)
        assert "still stands in" in erased.communicate()[1]
    assert 0 < longest < 1.5


def test_sealing_says_so_when_a_reader_keeps_plain_text_in_the_log(tmp_path, monkeypatch):
    monkeypatch.setenv(keeping.KEYS, str(tmp_path / "keys"))
    monkeypatch.setattr("roadworn.store.contacts._READERS_SECONDS", 0.1)
    path = ledger_of(tmp_path / "a.db")
    with Ledger.open(path) as ledger:
        ledger.contacts.set("o-1", name=NAME)
        keeping.make_key(path)
        with (
            reading(path),
            pytest.raises(EnvironmentFailure, match=r"stands in a.db-wal.*empties the log"),
        ):
            ledger.contacts.seal()
        assert ledger.contacts.problems() == []
    assert not any(NAME.encode() in file.read_bytes() for file in tmp_path.glob("a.db*"))


PLATE = "ERS 123 XY"


def plate_problems(path):
    with Ledger.open(path, writable=False) as ledger:
        return [found.code for found in ledger.plates.problems()]


def test_a_plate_stands_nowhere_in_plain_text_and_is_erased_in_every_copy(path, tmp_path):
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-7", PLATE)
        assert ledger.plates.set("bus-8", "DEF 1") == "DEF 1"
        assert ledger.plates.all() == {"bus-7": PLATE, "bus-8": "DEF 1"}
        assert ledger.plates.vehicles() == {"ERS123XY": "bus-7", "DEF1": "bus-8"}
    copy = tmp_path / "copy.db"
    back_up(path, copy)
    assert not any(
        PLATE.encode() in file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()
    )
    with Ledger.open(path) as ledger:
        assert ledger.plates.erase(["bus-7", "bus-9"]) == 1
    shutil.move(copy, path)  # the backup is put back
    with Ledger.open(path) as ledger:
        assert ledger.plates.all() == {"bus-8": "DEF 1"}
        ledger.plates.seal()
        assert ledger.plates.set("bus-7", "NEW 1") == ledger.plates.of("bus-7") == "NEW 1"
    assert plate_problems(path) == []


@pytest.mark.parametrize(
    ("sql", "found"),
    [
        ("UPDATE plates SET plate = 'DEF 1' WHERE vehicle_id = 'bus-7'", "plate-changed"),
        ("DELETE FROM plates WHERE vehicle_id = 'bus-7'", "plate-changed"),
        ("UPDATE plates SET vehicle_id = 'bus-9' WHERE vehicle_id = 'bus-7'", "plate-changed"),
        ("INSERT INTO plates VALUES ('bus-9', 'DEF 1')", "plate-plain"),
    ],
)
def test_what_another_program_does_to_a_plate_is_found(path, sql, found):
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-7", PLATE)
    assert plate_problems(path) == []
    change(path, sql)
    assert plate_problems(path) == [found]
    with Ledger.open(path) as ledger:
        ledger.plates.erase(["bus-9"])
        ledger.plates.set("bus-7", PLATE)
    assert plate_problems(path) == []


def test_a_plate_exchanged_with_another_is_not_shown(path):
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-7", PLATE)
        ledger.plates.set("bus-8", "DEF 1")
    change(
        path,
        "UPDATE plates SET plate = (SELECT plate FROM plates WHERE vehicle_id = 'bus-8') "
        "WHERE vehicle_id = 'bus-7'",
    )
    with Ledger.open(path) as ledger:
        assert ledger.plates.all() == {"bus-8": "DEF 1"}


def test_plates_of_an_older_ledger_are_sealed_with_the_next_one(path):
    change(path, "INSERT INTO plates VALUES ('bus-7', ?)", PLATE)
    assert plate_problems(path) == []
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-8", "DEF 1")
        assert ledger.plates.all() == {"bus-7": PLATE, "bus-8": "DEF 1"}
    assert plate_problems(path) == []
    assert PLATE.encode() not in path.read_bytes()


def test_where_the_keys_are_not_no_plate_is_read_nor_written(path, monkeypatch, tmp_path):
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-7", PLATE)
    monkeypatch.setenv(keeping.KEYS, str(tmp_path / "elsewhere"))
    with Ledger.open(path) as ledger:
        assert ledger.plates.all() == {}
        with pytest.raises(EnvironmentFailure, match=r"number plates of .* ROADWORN_KEYS"):
            ledger.plates.set("bus-8", "DEF 1")
        assert ledger.plates.erase(["bus-7"]) == 1


WRITER = """
import sys
from roadworn.intake import Ledger
path, name = sys.argv[1:]
for at in range(15):
    with Ledger.open(path) as ledger:
        ledger.contacts.set(f"{name}-{at}", name=f"{name} {at}")
        ledger.plates.set(f"{name}-{at}", f"{name} {at}")
"""


def test_several_who_write_contacts_at_once_lose_no_key(path):
    """A key made by another between reading the keys and writing them was lost before."""
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, path, f"P{at}"]) for at in range(4)]
    assert [writer.wait(timeout=120) for writer in writers] == [0] * 4
    with Ledger.open(path) as ledger:
        assert len(ledger.contacts.all()) == 2 + 4 * 15
        assert len(ledger.plates.all()) == 4 * 15
    assert problems(path) == plate_problems(path) == []


def test_a_plate_put_in_by_another_program_is_not_sealed_by_the_next_one_written(path):
    with Ledger.open(path) as ledger:
        ledger.plates.set("bus-7", PLATE)
        change(path, "INSERT INTO plates VALUES ('bus-9', 'DEF 1')")
        ledger.plates.set("bus-8", "DEF 2")
    assert plate_problems(path) == ["plate-plain"]
