"""`head`, `witness`, `restore`, and `verify` against what was kept elsewhere."""

import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from commandline import Run

from roadworn.store import keeping
from roadworn.store.merkle import Checkpoint

SCRIPT = Path(__file__).parents[2] / "docs" / "check_head.py"
ENROL = ("enrol", "van-3", "--make", "Tarrow", "--odometer", "98,400 mi", "--parts", "unknown")


@pytest.fixture
def garage(run: Run, monkeypatch, tmp_path):
    """A ledger with a key, a vehicle and two readings."""
    monkeypatch.setenv("ROADWORN_KEYS", str(tmp_path / "keys"))
    assert run("create", "--name", "garage.example/1").code == 0
    assert run(*ENROL).code == 0
    assert run("record", "reading", "van-3", "98,500 mi").code == 0
    return tmp_path


def keep(garage: Path, name: str, outcome) -> str:
    assert outcome.code == 0, outcome.err
    (garage / name).write_text(outcome.out, encoding="utf-8")
    return name


def test_a_stranger_checks_a_head_and_an_event_with_the_page_of_a_script(run, garage):
    names = [
        keep(garage, "head", run("head")),
        keep(garage, "key", run("head", "--key")),
        keep(garage, "proof", run("proof", "last", "--size", "2")),
    ]
    words = [sys.executable, "-I", str(SCRIPT), *names]
    done = subprocess.run(words, capture_output=True, text=True, encoding="utf-8")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("signed: garage.example/1 had 2 events\nin it: event ")
    text = (garage / "proof").read_text()
    (garage / "proof").write_text(text.replace("98500", "98501"))
    done = subprocess.run(words, capture_output=True, text=True, encoding="utf-8")
    assert (done.returncode, done.stderr) == (1, "the event of the proof was NOT in that ledger\n")


def test_an_older_copy_with_its_own_checkpoint_is_found_by_the_head_that_was_signed(run, garage):
    assert run("backup", "monday.db").code == 0
    assert run("record", "reading", "van-3", "98,600 mi").code == 0
    assert run("verify").code == 0  # signs the head of three events
    for name in ("roadworn.db", "roadworn.db.checkpoint"):
        shutil.copy(garage / name.replace("roadworn", "monday"), garage / name)
    for name in ("roadworn.db-wal", "roadworn.db-shm"):
        (garage / name).unlink(missing_ok=True)
    done = run("verify", "--format", "json")
    assert done.code == 1
    assert [problem["code"] for problem in done.json()["problems"]] == ["older-copy"]
    refused = run("head")
    assert refused.code != 0
    assert "--accept" in refused.err
    assert run("head", "--accept").code == 0
    assert run("verify").code == 0


def test_a_restored_backup_says_what_it_lacks(run, garage):
    assert run("backup", "monday.db").code == 0
    assert run("record", "reading", "van-3", "98,600 mi").code == 0
    assert run("head").code == 0
    assert run("restore", "monday.db").code == 3  # the ledger is there
    for file in garage.glob("roadworn.db*"):
        if file.suffix != ".vkey":
            file.unlink()
    done = run("restore", "monday.db")
    assert done.code == 1
    assert "1 event written after the backup are lost" not in done.err
    assert "1 event written after the backup is lost" in done.err
    assert run("vehicles", "--format", "csv").out.count("van-3") == 1
    assert "no ledger" in run("restore", "nothing.db").err


def test_an_older_backup_is_no_alarm_where_it_stands_and_can_be_put_back_elsewhere(run, garage):
    run("contact", "OWNER-1", "--name", "A. Person")
    assert run("backup", "monday.db").code == 0
    assert run("record", "reading", "van-3", "98,600 mi").code == 0
    assert run("verify").code == 0
    done = run("--ledger", "monday.db", "verify")
    assert (done.code, "a copy from before" in done.err) == (0, True)
    assert run("--ledger", "elsewhere.db", "restore", "monday.db").code == 1
    assert "A. Person" in run("--ledger", "elsewhere.db", "contact").out
    done = run("--ledger", "elsewhere.db", "verify", "--format", "json")
    assert [problem["code"] for problem in done.json()["problems"]] == ["older-copy"]
    assert run("--ledger", "elsewhere.db", "head", "--accept").code == 0
    assert run("--ledger", "elsewhere.db", "verify").code == 0


def test_where_a_head_was_promised_none_is_a_problem(run, garage, monkeypatch):
    head = keep(garage, "head", run("head"))
    monkeypatch.setenv("ROADWORN_KEYS", str(garage / "elsewhere"))
    done = run("verify", "--format", "json")
    assert (done.code, [p["code"] for p in done.json()["problems"]]) == (1, ["head-missing"])
    assert run("verify", "--against", head).code == 0
    refused = run("head")
    assert (refused.code, "ROADWORN_KEYS" in refused.err) == (4, True)


def test_taking_the_public_key_away_is_seen_where_the_key_is(run, garage):
    (garage / "roadworn.db.vkey").unlink()
    done = run("verify", "--format", "json")
    assert (done.code, [p["code"] for p in done.json()["problems"]]) == (1, ["key-missing"])


def test_a_head_of_somebody_else_does_not_count(run, garage):
    head = keep(garage, "head", run("head"))
    changed = (garage / head).read_text(encoding="utf-8").replace("\n2\n", "\n1\n")
    (garage / head).write_text(changed, encoding="utf-8")
    done = run("verify", "--against", head, "--format", "json")
    assert {p["code"] for p in done.json()["problems"]} == {"head-not-signed", "resealed"}


def test_a_witness_on_a_second_machine_adds_its_name(run, garage, monkeypatch):
    key = run("head", "--key").out.strip()
    first = keep(garage, "first", run("head"))
    assert run("record", "reading", "van-3", "98,600 mi").code == 0
    second = keep(garage, "second", run("head", "--since", "2"))
    monkeypatch.setenv("ROADWORN_KEYS", str(garage / "stick"))
    assert "--key" in run("witness", first).err
    assert run("witness", first, "--key", key, "--name", "stick").code == 0
    seen = keep(garage, "seen", run("witness", second, "--name", "stick"))
    own = run("witness", "-", "--public", "--name", "stick").out.strip()
    monkeypatch.setenv("ROADWORN_KEYS", str(garage / "keys"))
    assert run("verify", "--against", seen, "--key", own).code == 0
    assert run("verify", "--against", second, "--key", own).code == 1


def test_a_ledger_without_a_key_says_what_cannot_be_excluded(run, tmp_path):
    assert run("create", "--without-key").code == 0
    assert run(*ENROL).code == 0
    done = run("verify")
    assert (done.code, "older copy" in done.err) == (0, True)
    assert "--make-key" in run("head").err
    assert run("head", "--make-key").code == 0
    assert "older copy" not in run("verify").err


def test_a_folder_of_keys_that_cannot_be_made_leaves_a_ledger(run, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("ROADWORN_KEYS", str(tmp_path / "file" / "keys"))
    done = run("create")
    assert (done.code, "without a key" in done.err) == (0, True)
    assert run("head", "--make-key").code == 4


@pytest.mark.parametrize("content", ["", "garage\n", "\x00\xff"])
def test_what_is_no_head_is_said_so(run, garage, content):
    (garage / "x").write_bytes(content.encode("latin-1"))
    for words in (("verify", "--against", "x"), ("witness", "x")):
        done = run(*words)
        assert (done.code, done.err.count("\n")) == (2, 1)


def test_a_history_written_anew_is_never_signed(run, garage):
    assert run("head").code == 0
    with sqlite3.connect(garage / "roadworn.db") as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE events SET odometer = 90000 WHERE seq = 2")
    assert run("verify").code == 1
    assert "90000" not in run("head").out


def test_contacts_are_verified_too_and_a_person_is_told_everything(run, garage):
    run("record", "profile", "van-3", "--owner", "OWNER-12", "--plate", "ABC 123 XY")
    run("contact", "OWNER-12", "--name", "A. Person", "--phone", "555 0100")
    kept = run("contact", "OWNER-12", "--everything").json()
    assert (kept["contact"]["name"], kept["plates"]) == ("A. Person", {"van-3": "ABC 123 XY"})
    assert kept["events"][0]["kind"] == "enrolment"
    assert "OWNER-12 --everything" in run("contact", "--everything").err
    assert run("verify").code == 0
    with sqlite3.connect(garage / "roadworn.db") as connection:
        connection.execute("UPDATE contacts SET phone = NULL")
    done = run("verify", "--format", "json")
    assert (done.code, [p["code"] for p in done.json()["problems"]]) == (1, ["contact-changed"])


def test_a_sheet_carries_a_head_that_a_stranger_can_check(run, garage):
    assert run("report", "vehicle", "van-3", "-o", "sheet.html").code == 0
    page = (garage / "sheet.html").read_text(encoding="utf-8")
    (garage / "head").write_text(page.split("<pre>")[1].split("</pre>")[0], encoding="utf-8")
    keep(garage, "key", run("head", "--key"))
    words = [sys.executable, "-I", str(SCRIPT), "head", "key"]
    done = subprocess.run(words, capture_output=True, text=True, encoding="utf-8")
    assert (done.returncode, done.stderr) == (0, "")
    # What the head signed last does not lead to is not signed.
    kept = keeping.kept_of(garage / "roadworn.db")
    kept.sign(Checkpoint(2, "cd" * 32))
    assert keeping.head_to_hand_over(garage / "roadworn.db", Checkpoint(2, "ab" * 32)) is None
