"""A figure says what it rests on, can be asked again at that state, and is made again.

What an import claims of its `recorded_at` changes the answer as of a day that has passed; the
ledger's own record of what it took in when does not, and a root does not at all.
"""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from builders import enrolled, ledger_of, reading
from commandline import Run

from roadworn import open_view
from roadworn.intake import Ledger
from roadworn.testing import event
from roadworn_cli.redo import differences

COUNT = "SELECT count(*) AS n FROM events"


def counted(run: Run, *before: str) -> int:
    found = run(*before, "sql", COUNT, "--format", "json")
    assert found.code == 0, found.err
    return int(json.loads(found.out)[0]["n"])


@pytest.fixture
def late(run: Run, tmp_path: Path) -> tuple[Run, str]:
    """A ledger of two events taken in on 2026-03-01, and one on 2026-05-01 that claims January."""
    path = ledger_of(
        tmp_path / "roadworn.db", [enrolled("bus-1"), reading("bus-1", "2026-01-05", 9)]
    )
    with closing(sqlite3.connect(path)) as file:
        # The clock of the ledger cannot be set in a test, so its guard is taken off.
        guard = file.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'checkpoints_no_update'"
        ).fetchone()[0]
        file.execute("DROP TRIGGER checkpoints_no_update")
        file.execute("UPDATE checkpoints SET made_at = '2026-03-01T08:00:00Z'")
        file.execute(guard)
        file.commit()
        (root,) = file.execute("SELECT root FROM checkpoints").fetchone()
    with Ledger.open(path) as ledger:
        ledger.append(event("bus-1", "odometer_reading", "2026-01-20", odometer=20.0))
    return run, str(root)


def test_a_claim_changes_what_was_recorded_and_nothing_that_was_taken_in(
    late: tuple[Run, str],
) -> None:
    run, root = late
    day = ("--as-of", "2026-03-02")
    assert counted(run, *day) == 3
    assert counted(run, *day, "--known-by", "intake") == 2
    assert counted(run, "--as-of", "2026-02-28", "--known-by", "intake") == 0
    assert counted(run, "--known-by", "intake") == 3
    for at in ("2", root, root[:8]):
        assert counted(run, "--at", at) == 2
    told = run(*day, "sql", COUNT).err
    assert "only say that they are older" in told
    assert "only say" not in run("--as-of", "2026-12-01", "sql", COUNT).err


def test_what_is_pinned_speaks_of_the_day_it_was_made(late: tuple[Run, str]) -> None:
    run, root = late
    found = json.loads(run("--at", "2", "sql", COUNT, "--format", "result").out)
    assert found["ledger"] == {"size": 2, "root": root}
    assert found["today"] == "2026-03-01"
    assert found["as_of"] is None
    listed = json.loads(run("--at", root[:8], "vehicles", "--format", "json").out)
    assert [row["vehicle_id"] for row in listed] == ["bus-1"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--at", "1", "vehicles"), "at 2 events"),
        (("--at", "abcdef12", "vehicles"), "never at 'abcdef12'"),
        (("--at", "abc", "vehicles"), "8 digits"),
        (("vehicles", "--at", "2"), "before the verb"),
        (("--at", "2", "record", "reading", "bus-1", "9 mi"), "--at is for what reads"),
        (("--known-by", "heart", "vehicles"), "recorded, occurred or intake"),
    ],
)
def test_a_state_that_never_was_is_refused(
    late: tuple[Run, str], words: tuple[str, ...], told: str
) -> None:
    refused = late[0](*words)
    assert refused.code == 2
    assert told in refused.err


def test_a_view_set_back_stays_pinned(late: tuple[Run, str], tmp_path: Path) -> None:
    with open_view(tmp_path / "roadworn.db", at=2) as view:
        assert view.sql(COUNT).rows == [(2,)]
        with view.set_back("2026-02-01") as then:
            assert then.sql(COUNT).rows == [(2,)]
            assert then.checkpoint == view.checkpoint


@pytest.mark.parametrize(
    "words",
    [
        ("analyse", "odometer-audit", "--format", "json"),
        ("sql", "SELECT vehicle_id, $n AS n FROM readings", "--set", "n=1", "--format", "result"),
    ],
)
def test_a_result_is_made_again_whatever_came_since(
    late: tuple[Run, str], tmp_path: Path, words: tuple[str, ...]
) -> None:
    run, _root = late
    kept = run(*words)
    assert kept.code == 0, kept.err
    document = json.loads(kept.out)
    for name in ("roadworn", "ledger", "as_of", "known_by", "today"):
        assert name in document
    (tmp_path / "kept.json").write_text(kept.out)
    assert run("record", "reading", "bus-1", "30 mi", "--on", "2026-03-01").code == 0
    again = run("redo", "kept.json")
    assert again.code == 0, again.out + again.err
    assert "every figure is the same" in again.err
    altered = kept.out.replace('"bus-1"', '"bus-9"')
    assert altered != kept.out
    (tmp_path / "altered.json").write_text(altered)
    differs = run("redo", "altered.json", "--format", "json")
    assert differs.code == 1
    assert {"bus-9"} <= {row["before"] for row in json.loads(differs.out)}


def test_what_is_no_result_is_refused(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "no.json").write_text("[1]")
    assert shop("redo", "no.json").code == 2
    assert shop("redo", "gone.json").code == 4


#: Verbs that list, and whether what they list is the ledger's.
LISTING = {
    "vehicles": True,
    "history bus-7": True,
    "find bus-7": True,
    "today": True,
    "contact": True,
    "campaign": True,
    "wheels bus-7": True,
    "outlook bus-7": True,
    "tables": False,
    "tables vehicles": False,
    "analyses": False,
    "components pad": False,
}


@pytest.mark.parametrize("words", LISTING)
def test_a_list_says_what_it_rests_on(shop: Run, words: str) -> None:
    plain = shop(*words.split(), "--format", "json")
    kept = shop(*words.split(), "--format", "result")
    assert kept.code == plain.code == 0, kept.err
    document = json.loads(kept.out)
    # Who reads the plain list finds the same under one name; only how long it took may differ.
    found = list(differences(json.loads(plain.out), document["answer"]))
    assert [where for where, _, _ in found if not where.endswith("seconds")] == []
    for name in ("roadworn", "known_by", "today", "as_of", "claimed"):
        assert name in document
    with Ledger.open(Path("roadworn.db")) as ledger:
        checkpoint = ledger.checkpoint().as_json()
    assert document["ledger"] == (checkpoint if LISTING[words] else None)
    assert document["verb"] == words.split(maxsplit=1)[0]
    for word in words.split()[1:]:
        assert word in str(document["settings"])


def test_a_list_of_a_past_state_says_that_state(shop: Run) -> None:
    assert shop("record", "reading", "bus-7", "61,400 mi", "--on", "2026-06-01").code == 0
    document = json.loads(shop("--at", "1", "vehicles", "--format", "result").out)
    assert document["ledger"]["size"] == 1
    assert document["answer"][0]["odometer"] == 61_000
    day = json.loads(
        shop(
            *("--as-of", "2026-05-20", "--known-by", "occurred"),
            *("history", "bus-7", "--format", "result"),
        ).out
    )
    assert (day["as_of"], day["known_by"]) == ("2026-05-20", "occurred")
    assert len(day["answer"]) == 1
