"""The walk through a look-over sheet on a real (pseudo-)terminal, and what a terminal shows."""

import os
import signal
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


def typed_live(folder: Path, words: list[str], keys: str) -> tuple[int, str, str]:
    """Run `roadworn` and type `keys` only once it has asked its first question."""
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [*COMMAND, *words],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=folder,
    )  # fmt: skip
    os.close(theirs)
    assert child.stderr
    seen = ""
    while "1/55" not in seen:
        seen += child.stderr.read(1)
    os.write(ours, keys.encode())
    out, err = child.communicate(timeout=30)
    os.close(ours)
    return child.returncode, out, seen + err


#: A test run in the background ignores Ctrl-C, and its children would inherit that.
_HEED = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
HEEDING = [*COMMAND[:-1], _HEED + COMMAND[-1]]


def test_control_c_says_that_the_walk_is_kept(shop: Run, tmp_path: Path) -> None:
    ours, theirs = pty.openpty()
    child = subprocess.Popen(
        [*HEEDING, "record", "inspection", "bus-7"],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path,
    )  # fmt: skip
    os.close(theirs)
    assert child.stderr
    os.write(ours, b"s")
    seen = ""
    while "2/55" not in seen:
        seen += child.stderr.read(1)
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=30)
    os.close(ours)
    assert (child.returncode, out) == (130, "")
    assert "is kept: run the same command again" in err
    assert "Traceback" not in err
    assert (tmp_path / "roadworn.db.lookover-bus-7.json").exists()


def test_a_walk_knows_the_words_of_the_shop(
    shop: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "ours.toml"
    own.write_text('[conditions]\nyodelling = "wearing"\n"on the hook" = "failed"\n', "utf-8")
    monkeypatch.setenv("ROADWORN_WORDS", str(own))
    keys = "yodelling when cold\non the hook\nq\n"
    code, _out, err = on_terminal(tmp_path, ["record", "inspection", "bus-7"], keys)
    assert code == 0, err
    payload = shop("history", "bus-7", "--format", "json").json()[-1]["payload"]  # type: ignore[index]
    assert [(f["component"], f["condition"]) for f in payload["findings"]] == [
        ("electrical.horn", "wearing"),
        ("body.wiper_blade", "failed"),
    ]
    assert "yodelling when cold" in payload["findings"][0]["note"]


def test_a_walk_that_is_broken_off_goes_on(shop: Run, tmp_path: Path) -> None:
    words = ["record", "inspection", "bus-7"]
    # Control-D ends the input, as when the terminal is closed.
    code, out, err = on_terminal(tmp_path, words, "s\nw smears\nrubbish\n\x04")
    assert (code, out) == (2, "")
    assert "1/55 inside: Horn" in err
    assert "'rubbish' says no condition" in err
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


def test_single_keys_take_no_enter(shop: Run, tmp_path: Path) -> None:
    # Sound, not checked, one back and sound; a failed one with words and a slip mended by
    # Backspace; then everything else sound, which does take Enter.
    keys = "snbsf smeeeears\x7fs\x1b[D\na\n"
    code, _, err = typed_live(tmp_path, ["record", "inspection", "bus-7"], keys)
    assert code == 0, err
    payload = shop("history", "bus-7", "--format", "json").json()[-1]["payload"]  # type: ignore[index]
    assert [ref["component"] for ref in payload["sound"]] == [
        "electrical.horn",
        "body.wiper_blade",
    ]
    (finding,) = payload["findings"]
    assert (finding["component"], finding["condition"]) == ("body.wiper_motor", "failed")
    assert finding["note"] == "smeeeears"
    assert payload["rest"] == "sound"


def test_a_blank_goes_on_with_a_single_key(shop: Run, tmp_path: Path) -> None:
    """s alone answers the item; what is typed after it belongs to that item all the same."""
    to_mirrors = "s" * 3
    keys = f"{to_mirrors}s L; f R cracked\nq\n"
    code, _, err = on_terminal(tmp_path, ["record", "inspection", "bus-7"], keys)
    assert code == 0, err
    assert "Taken for: 4/55 inside: Mirrors" in err
    payload = shop("history", "bus-7", "--format", "json").json()[-1]["payload"]  # type: ignore[index]
    (finding,) = payload["findings"]
    assert (finding["component"], finding["position"]) == ("body.mirror", "R")
    assert {"component": "body.mirror", "position": "L"} in payload["sound"]
    assert "restraint.seat_belt" not in str(payload)


def test_one_slip_of_the_finger_calls_nothing_else_sound(shop: Run, tmp_path: Path) -> None:
    code, _, err = on_terminal(tmp_path, ["record", "inspection", "bus-7"], "sab\n\x04")
    assert code == 2
    assert "'ab' says no condition" in err
    assert "Everything else" not in err


def test_a_kept_walk_through_a_sheet_that_was_changed_begins_anew(
    shop: Run, tmp_path: Path
) -> None:
    sheet = tmp_path / "ours.toml"
    item = '[[item]]\nname = "{}"\ncomponent = "{}"\n'
    head = '[sheet]\ntitle = "Ours"\n'
    horn, mirrors = item.format("Horn", "electrical.horn"), item.format("Mirrors", "body.mirror")
    sheet.write_text(head + horn + mirrors)
    words = ["record", "inspection", "bus-7", "--sheet", "ours.toml"]
    code, _, err = on_terminal(tmp_path, words, "s\x04")
    assert (code, "2/2 Mirrors" in err) == (2, True), err
    sheet.write_text(head + mirrors + horn)
    code, _, err = on_terminal(tmp_path, words, "f cracked\ns")
    assert code == 0, err
    assert "begins anew" in err
    payload = shop("history", "bus-7", "--format", "json").json()[-1]["payload"]  # type: ignore[index]
    assert payload["sheet"] == "ours"
    assert payload["findings"][0]["component"] == "body.mirror"


def test_a_size_is_asked_once_and_used_from_then_on(shop: Run, tmp_path: Path) -> None:
    """49 CFR 570.7 Table 1: 18 in steering wheel, 2 1/4 in of free play, at the limit passes."""
    sheet = tmp_path / "play.toml"
    sheet.write_text(
        '[sheet]\ntitle = "Play"\n[[item]]\nname = "Free play"\ncomponent = "steering.column"\n'
        'measurement = "free play"\nunit = "in"\ndirection = "max"\ntable = "steering_play"\n'
    )
    words = ["record", "inspection", "bus-7", "--sheet", "play.toml"]
    code, out, err = on_terminal(tmp_path, words, "2 1/4 in\n18 in\n\n")
    assert code == 0, err
    assert "the limit depends on the steering wheel diameter" in err
    assert "sound" in out
    code, out, err = on_terminal(tmp_path, words, "2.3 in\n\n")
    assert code == 0, err
    assert "depends on" not in err
    assert "more than the limit of 2.25 in" in err
    assert "failed" in out


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
        [*HEEDING, "record", "inspection", "bus-7"],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path,
    )  # fmt: skip
    os.close(theirs)
    os.write(ours, b"s\n")
    assert child.stderr
    seen = ""
    while "2/55" not in seen:
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
