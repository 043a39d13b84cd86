"""What is odd about a figure, a day or a name is asked about before it is written, anywhere."""

import os
import pty
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from commandline import Run


def tomorrow() -> str:
    return (datetime.now(UTC).astimezone().date() + timedelta(days=1)).isoformat()


@pytest.fixture
def driven(shop: Run) -> Run:
    assert shop("record", "reading", "bus-7", "64,000 mi", "--on", "2026-07-01").code == 0
    return shop


DOORS = [
    # Figures of the odometer, whatever comes with them.
    (["reading", "bus-7", "63,000 mi", "--on", "2026-07-02"], "lower than the last reading"),
    (["inspection", "bus-7", "horn sound", "-o", "640,000 mi", "--on", "2026-07-02"], "further"),
    (["repair", "bus-7", "horn", "-o", "6,400 mi", "--on", "2026-07-02"], "lower"),
    # Work of an earlier day, beside the reading after it.
    (["repair", "bus-7", "horn", "-o", "64,900 mi", "--on", "2026-06-01"], "higher than"),
    (["replacement", "bus-7", "horn", "--reason", "failed", "-o", "60,100 mi", "--on",
      "2026-06-01"], "lower"),
    # Days that are still to come.
    (["complaint", "bus-7", "squeals", "--on", tomorrow()], "still to come"),
    (["maintenance", "bus-7", "engine oil", "--on", tomorrow()], "still to come"),
    # Who somebody is.
    (["complaint", "bus-7", "ring 555 0100 first"], "roadworn contact"),
    (["repair", "bus-7", "horn", "--note", "ask Mr. Venn"], "roadworn contact"),
    (["inspection", "bus-7", "horn sound", "--note", "to orla@example.org"], "roadworn contact"),
    (["profile", "bus-7", "--label", "Mrs. Venn's"], "roadworn contact"),
    (["repair", "bus-7", "horn", "--done-by", "Bob 330-555-0199"], "roadworn contact"),
    (["complaint", "bus-7", "squeals", "--by", "Bob 330-555-0199"], "roadworn contact"),
]  # fmt: skip


@pytest.mark.parametrize(("words", "said"), DOORS)
def test_nothing_is_written_before_it_is_said(driven: Run, words: list[str], said: str) -> None:
    before = driven("verify", "--format", "json").json()
    asked = driven("record", *words)
    assert asked.code in (1, 3), asked.out
    assert said in asked.err
    assert driven("verify", "--format", "json").json() == before
    if asked.code == 1:
        assert "add --sure" in asked.err
        sure = driven("record", *words, "--sure")
        assert sure.code == 0, sure.err
        assert driven("verify", "--format", "json").json()["size"] == before["size"] + 1


def test_enrolling_correcting_and_taking_back_ask_as_well(driven: Run) -> None:
    size = driven("verify", "--format", "json").json()["size"]
    for words in (
        ["enrol", "van-2", "--note", "of Mr. Venn", "--on", "2026-01-01"],
        ["enrol", "van-2", "--odometer", "61.250 mi", "--on", "2026-01-01"],
        ["correct", "last", "bus-7", "odometer=6,400 mi"],
        ["correct", "last", "bus-7", "note=ring 555 0100"],
        ["retract", "last", "bus-7", "--reason", "Mr. Venn said so"],
    ):
        asked = driven(*words)
        assert asked.code == 1, words
        assert "add --sure" in asked.err
    assert driven("verify", "--format", "json").json()["size"] == size
    # What is not changed is not asked about again.
    driven(
        "record", "repair", "bus-7", "horn", "--note", "Mr. Venn", "--on", "2026-07-02", "--sure"
    )
    assert driven("correct", "last", "bus-7", "component=wiper").code == 0


def test_an_older_figure_that_fits_is_taken_without_a_word(driven: Run) -> None:
    fits = driven("record", "repair", "bus-7", "horn", "-o", "62,000 mi", "--on", "2026-06-01")
    assert (fits.code, fits.err) == (0, "")


def test_an_exchange_between_is_no_doubt(driven: Run) -> None:
    driven(
        "record", "exchange", "bus-7", "--old", "64,100 mi", "--new", "5 mi", "--on", "2026-07-03"
    )
    driven("record", "reading", "bus-7", "90 mi", "--on", "2026-07-09")
    old = driven("record", "repair", "bus-7", "horn", "-o", "64,050 mi", "--on", "2026-07-02")
    assert (old.code, old.err) == (0, "")


def test_an_import_groups_them_and_a_dry_run_shows_them(driven: Run, tmp_path: Path) -> None:
    line = ('{{"vehicle_id":"bus-7","kind":"complaint","occurred_at":"{}","odometer":{},'
            '"odometer_unit":"mi","payload":{{"complaint":"{}"}}}}\n')  # fmt: skip
    (tmp_path / "in.ndjson").write_text(
        line.format("2026-07-05", 64100, "squeals")
        + line.format("2026-07-06", 6420, "squeals again")
        + line.format("2026-07-07", 64300, "ring 555 0100")
    )
    dry = driven("import", "in.ndjson", "--dry-run")
    assert "2 doubts" in dry.out
    for said in ("lower than", "telephone"):
        assert said in dry.err
    assert driven("verify", "--format", "json").json()["size"] == 2


@pytest.mark.parametrize(("answer", "written"), [("y", 1), ("n", 0)])
def test_on_a_terminal_it_asks(driven: Run, tmp_path: Path, answer: str, written: int) -> None:
    ours, theirs = pty.openpty()
    program = "from roadworn_cli.main import run; run()"
    words = ["record", "reading", "bus-7", "6,400 mi", "--on", "2026-07-02"]
    with subprocess.Popen(
        [sys.executable, "-c", program, *words], cwd=tmp_path,
        stdin=theirs, stdout=subprocess.PIPE, stderr=theirs,
    ) as going:  # fmt: skip
        os.write(ours, f"{answer}\n".encode())
        going.wait(timeout=60)
    os.close(theirs)
    os.close(ours)
    assert going.returncode == (0 if written else 1)
    assert driven("verify", "--format", "json").json()["size"] == 2 + written
