"""A messy export through the command line: looked at, asked, taken in, mended."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from commandline import Run
from messy import table, text

from roadworn.intake import Ledger

History = Callable[[], list[dict[str, object]]]


@pytest.fixture
def book(shop: Run, tmp_path: Path) -> Path:
    rows = table(unit=lambda job: f"BUS {job.unit:03}", supplier=lambda _job: "Lowmoor")
    rows[2][4], rows[3][4] = "PM A", "PM A"
    (tmp_path / "work.csv").write_bytes(text([["Haldersey"], [""], *rows, ["Total", "", ""]]))
    return tmp_path


def on_terminal(folder: Path, words: list[str], keys: str) -> tuple[int, str, str]:
    """Run `roadworn` with its standard input on a terminal on which `keys` were typed."""
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-c", "from roadworn_cli.main import run; run()", *words]
    try:
        os.write(ours, keys.encode())
        done = subprocess.run(
            command, stdin=theirs, capture_output=True, text=True, cwd=folder, timeout=60
        )
    finally:
        os.close(ours)
        os.close(theirs)
    return done.returncode, done.stdout, done.stderr


def answered(path: Path, **lines: str) -> None:
    """Fill in a file as a person does: take the # away, write the answer."""
    said = path.read_text("utf-8")
    for before, after in (pair.split(" -> ") for pair in lines.values()):
        assert before in said, said
        said = said.replace(before, after)
    path.write_text(said, "utf-8")


def test_a_look_leaves_its_questions_in_the_files_and_a_mended_map_replaces(
    shop: Run, history: History, book: Path
) -> None:
    look = shop("import", "--look", "work.csv")
    assert look.code == 0, look.err
    assert look.out.split() == ["work.map.toml", "work.aliases.toml"]
    assert "The headings stand in line 3." in look.err
    assert "Next: roadworn import work.csv --map work.map.toml --dry-run" in look.err
    assert "--set-back" not in look.err
    new = shop("import", "work.vehicles.ndjson")
    assert new.out.startswith("2 rows: 2 added")
    refused = shop("import", "work.csv", "--map", "work.map.toml")
    assert refused.code == 2
    assert "question open: All lines of a work order" in refused.err
    dry = shop("import", "work.csv", "--map", "work.map.toml", "--dry-run")
    assert dry.code == 1
    assert "The job 'PM A' is open" in dry.err
    assert dry.err.count("PM A") <= 2
    answered(
        book / "work.map.toml",
        currency='# default = "" -> default = "USD"',
        unit='# odometer = "mi" -> odometer = "mi"',
    )
    said = (book / "work.map.toml").read_text("utf-8")
    kept = [line for line in said.splitlines() if not line.startswith("open = ")]
    (book / "work.map.toml").write_text("\n".join(kept), "utf-8")
    answered(
        book / "work.aliases.toml",
        job='# "pm a" = "other.general_service" -> "pm a" = "maintenance engine.oil"',
    )
    taken = shop("import", "work.csv", "--map", "work.map.toml")
    assert taken.code == 0, taken.err
    assert taken.out.startswith("7 rows: 7 added, 0 there already, 0 problems")
    answered(book / "work.aliases.toml", job='"maintenance engine.oil" -> "none"')
    mended = shop("import", "work.csv", "--map", "work.map.toml")
    assert mended.code == 0, mended.err
    assert "5 rows: 0 added, 5 there already" in mended.out
    assert "2 events of the same rows were taken back first" in mended.out


def test_a_look_leaves_a_map_that_is_there_as_it_is(shop: Run, book: Path) -> None:
    (book / "work.map.toml").write_text("mine", "utf-8")
    refused = shop("import", "--look", "work.csv")
    assert refused.code == 2
    assert "is there already and is left as it is" in refused.err
    assert (book / "work.map.toml").read_text("utf-8") == "mine"
    assert not (book / "work.aliases.toml").exists()


def test_a_look_is_for_tables(shop: Run, book: Path) -> None:
    (book / "a.ndjson").write_text("", "utf-8")
    assert shop("import", "--look", "a.ndjson").code == 2
    (book / "empty.csv").write_text("", "utf-8")
    empty = shop("import", "--look", "empty.csv")
    assert (empty.code, "there is no table in it" in empty.err) == (2, True)


def test_a_walk_asks_on_a_terminal(shop: Run, book: Path) -> None:
    # The unit by its number, the currency in letters, each line its own amount, no known reason;
    # the job is typed.
    keys = "1usd\n23maintenance engine.oil\n"
    code, out, err = on_terminal(book, ["import", "--look", "work.csv"], keys)
    assert code == 0, err
    assert "In which unit is 'Odometer'?" in err
    assert "left, of up to" not in err
    said = (book / "work.map.toml").read_text("utf-8")
    assert "ASKED" not in said
    assert '"odometer" = "mi"' in said
    assert '"pm a" = "maintenance engine.oil"' in (book / "work.aliases.toml").read_text("utf-8")
    shop("import", "work.vehicles.ndjson")
    taken = shop("import", "work.csv", "--map", "work.map.toml")
    assert taken.out.startswith("7 rows: 7 added, 0 there already, 0 problems")
    assert out.split() == ["work.map.toml", "work.aliases.toml"]


def test_a_dry_run_waits_for_nobody_and_holds_nobody_up(shop: Run, book: Path) -> None:
    (book / "m.toml").write_text(
        'kind = "odometer_reading"\n[file]\nheader = 3\nskip = "total*"\n[columns]\n'
        '"Unit" = "vehicle_id"\n"Date" = "occurred_at"\n"Odometer" = "odometer"\n'
        '[units]\nodometer = "mi"\n[patterns.vehicle_id]\n"bus {n}" = "bus-7"\n',
        "utf-8",
    )
    with Ledger.open(book / "roadworn.db") as ledger, ledger.writing():
        dry = shop("import", "work.csv", "--map", "m.toml", "--dry-run")
    assert dry.code == 0, dry.err
    assert dry.out.startswith("7 rows: 7 would be added")


def test_problems_of_one_cause_are_one_with_its_rows(shop: Run, book: Path) -> None:
    rows = "".join(f"2026-05-{day:02},bus-7,flux thing\n" for day in range(1, 29))
    (book / "flux.csv").write_text(f"Day,Bus,Work\n{rows}", "utf-8")
    (book / "m.toml").write_text(
        'kind = "maintenance"\n[columns]\n"Day" = "occurred_at"\n"Bus" = "vehicle_id"\n'
        '"Work" = "component"\n',
        "utf-8",
    )
    dry = shop("import", "flux.csv", "--map", "m.toml", "--dry-run")
    assert dry.err.count("flux thing") == 1
    assert "In 27 more rows the same: 3, 4, 5, 6, 7, 8, …." in dry.err
    assert dry.out == "28 rows: 0 would be added, 0 there already, 28 problems of 1 cause\n"
