"""Photographs go with a backup and come back with it; `verify` says which are gone or changed."""

from hashlib import sha256
from pathlib import Path

import pytest
from builders import ledger_of
from commandline import Run

from roadworn.model.events import NewEvent
from roadworn.store.photographs import Photographs
from roadworn.testing import event

#: A JPEG begins so (ISO/IEC 10918-1, annex B); nothing here looks further into one.
FIRST, SECOND, ERASED = (b"\xff\xd8\xff\xe0" + text for text in (b"one", b"two", b"erased"))


def taken(data: bytes, day: str, event_id: str) -> NewEvent:
    file = {"digest": sha256(data).hexdigest(), "media": "image/jpeg", "size": len(data)}
    return event("van-3", "photograph", day, **file).model_copy(update={"event_id": event_id})


@pytest.fixture
def pictured(run: Run, tmp_path: Path) -> Run:
    """Three photographs, one of them erased on request."""
    ids = [f"0190a000-0000-7000-8000-00000000000{n}" for n in range(3)]
    days = ("2026-01-05", "2026-01-06", "2026-01-07")
    ledger = ledger_of(
        tmp_path / "roadworn.db",
        [
            event("van-3", "enrolment", "2026-01-04", odometer=90_000, make="Tarrow"),
            *(
                taken(d, day, i)
                for d, day, i in zip((FIRST, SECOND, ERASED), days, ids, strict=True)
            ),
            event("van-3", "retraction", "2026-01-08", event=ids[2], reason="erased on request"),
        ],
    )
    store = Photographs(ledger)
    for data in (FIRST, SECOND):
        store.put(data)
    return run


def names(ledger: str, tmp_path: Path) -> set[str]:
    return {path.stem for path in (tmp_path / f"{ledger}.photographs").iterdir()}


def test_a_backup_carries_them_and_a_restore_brings_them_back(
    pictured: Run, tmp_path: Path
) -> None:
    there = {sha256(data).hexdigest() for data in (FIRST, SECOND)}
    done = pictured("backup", "monday.db")
    assert done.code == 0
    assert "2 photographs copied beside it into monday.db.photographs." in done.err
    assert names("monday.db", tmp_path) == there
    folder = tmp_path / "monday.db.photographs"
    assert {path.stat().st_mode & 0o077 for path in (folder, *folder.iterdir())} == {0}
    assert pictured("--ledger", "monday.db", "verify").code == 0
    back = pictured("--ledger", "again.db", "restore", "monday.db")
    assert "2 photographs copied" in back.err
    assert names("again.db", tmp_path) == there


def test_verify_says_which_are_missing_or_changed(pictured: Run, tmp_path: Path) -> None:
    assert pictured("verify").code == 0
    store = Photographs(tmp_path / "roadworn.db")
    store.erase(sha256(FIRST).hexdigest())
    changed = store.folder / f"{sha256(SECOND).hexdigest()}.jpg"
    changed.write_bytes(FIRST)
    found = pictured("verify", "--format", "json")
    assert found.code == 1
    told = [(one["code"], one["row"]) for one in found.json()["problems"]]  # type: ignore[index]
    assert told == [("photograph-missing", 2), ("photograph-changed", 3)]
    # The events are as they were, and that is said.
    said = pictured("verify").err
    assert "nothing was altered" in said
    assert "2 photographs beside it missing or changed" in said
    copied = pictured("backup", "monday.db")
    assert copied.code == 0
    assert "2 photographs that events name are missing or changed and not in the copy" in copied.err
    assert not (tmp_path / "monday.db.photographs").exists()
