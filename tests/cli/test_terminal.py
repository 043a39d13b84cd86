"""The walk through a look-over sheet on a real (pseudo-)terminal, and what a terminal shows."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from commandline import Run

pty = pytest.importorskip("pty")

COMMAND = [sys.executable, "-c", "from roadworn_cli.main import run; run()"]


def on_terminal(folder: Path, words: list[str], keys: str) -> tuple[int, str, str]:
    """Run `roadworn` with its standard input on a terminal on which `keys` were typed."""
    ours, theirs = pty.openpty()
    try:
        os.write(ours, keys.encode())
        done = subprocess.run(
            [*COMMAND, *words], stdin=theirs, capture_output=True, text=True, cwd=folder, timeout=30
        )
    finally:
        os.close(ours)
        os.close(theirs)
    return done.returncode, done.stdout, done.stderr


def test_a_walk_that_is_broken_off_goes_on(shop: Run, tmp_path: Path) -> None:
    words = ["record", "inspection", "bus-7"]
    # Control-D ends the input, as when the terminal is closed.
    code, out, err = on_terminal(tmp_path, words, "s\nw smears\nnonsense\n\x04")
    assert (code, out) == (2, "")
    assert "1/54 inside: Horn" in err
    assert "'nonsense' says no condition" in err
    assert "run the same command again" in err
    assert (tmp_path / "roadworn.db.lookover-bus-7.json").exists()
    code, out, err = on_terminal(tmp_path, words, "b\nf smears badly\nq\n")
    assert code == 0, err
    assert "Going on with the look-over" in err
    assert "everything else not checked" in out
    assert not (tmp_path / "roadworn.db.lookover-bus-7.json").exists()
    payload = shop("history", "bus-7", "--format", "json").json()[-1]["payload"]  # type: ignore[index]
    assert payload["sheet"] == "light_vehicle"
    assert payload["sound"] == [{"component": "electrical.horn"}]
    assert payload["rest"] == "not_checked"
    (finding,) = payload["findings"]
    assert (finding["condition"], finding["note"]) == ("failed", "smears badly")


def test_another_sheet_and_everything_else_sound(shop: Run, tmp_path: Path) -> None:
    words = ["record", "inspection", "bus-7", "--sheet", "heavy-vehicle"]
    code, out, err = on_terminal(tmp_path, words, "a\n")
    assert code == 0, err
    assert "everything else sound" in out
    code, _, err = on_terminal(tmp_path, [*words[:-1], "boat"], "a\n")
    assert code == 2
    assert "There is no look-over sheet 'boat'" in err


def test_kept_answers_that_cannot_be_read_are_left_out(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "roadworn.db.lookover-bus-7.json").write_text("{", encoding="utf-8")
    code, _, err = on_terminal(tmp_path, ["record", "inspection", "bus-7"], "q\n")
    assert code == 0, err
    assert "begins anew" in err


def test_control_c_is_quiet_and_keeps_the_answers(shop: Run, tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [*COMMAND, "record", "inspection", "bus-7"],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path,
    )  # fmt: skip
    os.close(theirs)
    os.write(ours, b"s\n")
    assert child.stderr
    seen = ""
    while "2/54" not in seen:
        seen += child.stderr.read(1)
    child.send_signal(2)
    out, err = child.communicate(timeout=20)
    os.close(ours)
    assert child.returncode == 130
    assert out == ""
    assert "Traceback" not in err
    assert (tmp_path / "roadworn.db.lookover-bus-7.json").exists()


def test_a_table_on_a_terminal_shows_markup_as_text(shop: Run, tmp_path: Path) -> None:
    shop("record", "complaint", "bus-7", "[bold]loud[/bold] \x1b[31m knock")
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [*COMMAND, "history", "bus-7"],
        stdout=theirs, stderr=subprocess.PIPE, cwd=tmp_path,
        env={**os.environ, "COLUMNS": "160", "TERM": "xterm"},
    )  # fmt: skip
    os.close(theirs)
    shown = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:  # the way a terminal says that its other side is closed
            break
        if not piece:
            break
        shown += piece
    assert child.stderr
    assert child.stderr.read() == b""
    child.stderr.close()
    assert child.wait(20) == 0
    os.close(ours)
    text = shown.decode()
    assert "[bold]loud[/bold]" in text
    assert "\\x1b[31m" in text
