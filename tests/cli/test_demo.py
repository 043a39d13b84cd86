"""`roadworn demo`: the answer first, then the sheets, then commands that work as printed."""

import shlex
from pathlib import Path

import pytest

from roadworn_cli.main import main

README = Path(__file__).parents[2] / "README.md"


@pytest.mark.slow
def test_the_demo_and_everything_it_says_to_try(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "demo"
    assert main(["demo", "--into", str(folder)]) == 0
    said = capsys.readouterr().out
    assert said.index("STOP           outer tie rod end L") < said.index("Reports to print")
    assert "safe to drive" not in said
    # The README shows the answer as it is printed.
    shown = README.read_text(encoding="utf-8").split("```text\n")[1].split("```")[0]
    assert len(shown.splitlines()) == 16
    on_screen = set(said.splitlines())
    assert [line for line in shown.splitlines() if line not in on_screen] == []
    for name in ("vehicle.html", "fleet.html"):
        assert (folder / name).stat().st_size > 50_000
    tries = [line.strip() for line in said.split("Try next")[1].splitlines() if line.strip()]
    assert len(tries) >= 7
    for command in tries:
        assert main(shlex.split(command)[1:]) == 0, command
        shown = capsys.readouterr()
        assert shown.out or shown.err, command
