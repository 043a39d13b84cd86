"""A ledger with every kind, written by each earlier version, is read and continued by this one.

The files are made by the version that they are named after: the dump of its ledger, and what
that version said of it. They are never made anew.
"""

import json
import sqlite3
from collections import Counter
from pathlib import Path

import pytest

from roadworn import Ledger
from roadworn.model.kinds import CORE_KINDS
from roadworn.store.verify import verify
from roadworn.testing import event

HERE = Path(__file__).parent / "earlier_versions"
VERSIONS = sorted(HERE.glob("*.sql"))


@pytest.fixture(params=VERSIONS, ids=lambda path: path.stem)
def earlier(request, tmp_path: Path) -> tuple[Path, dict]:
    path = tmp_path / "roadworn.db"
    connection = sqlite3.connect(path)
    connection.executescript(request.param.read_text(encoding="utf-8"))
    connection.close()
    return path, json.loads(request.param.with_suffix(".json").read_text(encoding="utf-8"))


def test_it_verifies_to_the_same_root(earlier) -> None:
    path, told = earlier
    found = verify(path)
    assert found.problems == ()
    assert (found.size, found.root) == (told["size"], told["root"])


def test_it_holds_every_kind(earlier) -> None:
    path, _told = earlier
    with Ledger.open(path, writable=False) as ledger:
        assert {event.kind for event in ledger.events()} <= set(CORE_KINDS)


#: The same facts in other words since: as a mechanic would say them, thousands marked.
SINCE = {
    "readiness 0007E500": "monitors ready",
    "since clear": "since codes were cleared",
    "8200.00": "8,200.00",
    "4100.00": "4,100.00",
}


def said(screen: str) -> Counter[str]:
    """Return the words of a table, without its rules and the heading of a column without cells."""
    return Counter(w for w in screen.split() if set(w) - set("-─") and w != "standing")


def test_it_tells_the_same_history(earlier, monkeypatch, capsys) -> None:
    from roadworn_cli.main import main

    path, told = earlier
    monkeypatch.setenv("COLUMNS", "200")
    for vehicle, history in told["history"].items():
        assert main(["--ledger", str(path), "history", vehicle]) == 0
        wanted = history
        for then, now in SINCE.items():
            wanted = wanted.replace(then, now)
        # Word for word; how a table is laid out is the screen's.
        assert said(capsys.readouterr().out) == said(wanted)


def as_then(value: object, then: object) -> object:
    """Return a value as 0.1.0 told it: an infinity as nothing known, an amount as a text."""
    if value == "Infinity":
        return None
    return f"{value:.4f}" if isinstance(value, float) and isinstance(then, str) else value


def test_it_gives_the_same_tables(earlier, capsys) -> None:
    from roadworn_cli.main import main

    path, told = earlier
    for view, rows in told["views"].items():
        # Two lives of one axle set that was done at one visit were the fault of 0.1.0.
        where = "WHERE vehicle_id = 'van-3'" if view in ("part_lives", "open_findings") else ""
        query = f"SELECT * FROM {view} {where} ORDER BY ALL"
        words = ["--ledger", str(path), "--as-of", "2026-11-01", "sql", query, "--format", "json"]
        assert main(words) == 0
        found = json.loads(capsys.readouterr().out)
        told_then = [
            {key: as_then(row[key], value) for key, value in then.items()}
            for row, then in zip(found, rows, strict=True)
        ]
        assert told_then == rows


def test_it_takes_new_events(earlier) -> None:
    path, told = earlier
    with Ledger.open(path) as ledger:
        ledger.append(event("van-3", "odometer_reading", "2026-11-02", odometer=900.0))
    found = verify(path)
    assert (found.problems, found.size) == ((), told["size"] + 1)
