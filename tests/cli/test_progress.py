"""Progress speaks only when something takes long."""

import io
import time

import pytest

from roadworn_cli.output import progress, told


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr("roadworn_cli.output.time.monotonic", made)
    return made


def test_nothing_is_said_about_quick_work(clock: Clock, capsys: pytest.CaptureFixture[str]) -> None:
    tell = progress("importing")
    clock.now = 0.5
    tell(5, 10)
    tell(10, 10)
    assert capsys.readouterr().err == ""


def test_a_log_gets_a_line_now_and_then(clock: Clock, capsys: pytest.CaptureFixture[str]) -> None:
    tell = progress("importing")
    for second in range(1, 26):
        clock.now = float(second)
        tell(second * 1000, 30_000)
    tell(30_000, 30_000)
    assert capsys.readouterr().err.splitlines() == [
        "importing: 1,000 of 30,000 (1 s)",
        "importing: 11,000 of 30,000 (11 s)",
        "importing: 21,000 of 30,000 (21 s)",
        "importing: 30,000 of 30,000 (25 s)",
    ]


def test_a_terminal_gets_one_line_that_is_renewed(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    tell = progress("importing")
    for done in (1, 2, 3):
        clock.now += 1.0
        tell(done, 0 if done < 3 else 3)
    assert terminal.getvalue().count("\n") == 1
    assert terminal.getvalue().count("\r") == 3


def test_what_is_computed_is_told_on_a_terminal_and_leaves_no_line(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setattr("sys.stderr", terminal)
    with told("quick"):
        pass
    assert terminal.getvalue() == ""
    monkeypatch.setattr("roadworn_cli.output._COMPUTING_PATIENCE", 0.02)
    with told("outlook of car-9"):
        time.sleep(0.2)
    assert terminal.getvalue() == "\routlook of car-9: 0 s\x1b[K\r\x1b[K"


def test_a_log_is_not_told_what_is_computed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("roadworn_cli.output._COMPUTING_PATIENCE", 0.02)
    with told("outlook of car-9"):
        time.sleep(0.1)
    assert capsys.readouterr().err == ""
