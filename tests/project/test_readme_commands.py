"""The commands of the README, typed one after the other into an empty folder."""

import re
import shlex
from pathlib import Path

import pytest

from roadworn_cli.main import main

README = Path(__file__).parents[2] / "README.md"
# The spreadsheet that the README speaks of, in the reader's place.
WORK = "Day;Job;Why;Miles;Price\n03.02.2026;front brake pads;worn;98600;61,40\n"


def map_of_the_readme() -> str:
    found = re.search(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


def commands() -> list[str]:
    blocks = re.findall(r"```sh\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    return [line for line in lines if line.startswith("roadworn ")]


def redirected(words: list[str]) -> tuple[list[str], str]:
    """Return the words before a ``>``, and the file that is named after it."""
    at = words.index(">") if ">" in words else len(words)
    return words[:at], "".join(words[at + 1 :])


@pytest.mark.slow
def test_every_command_works(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "work.csv").write_text(WORK, encoding="utf-8")
    (tmp_path / "work.map.toml").write_text(map_of_the_readme(), encoding="utf-8")
    found = commands()
    assert len(found) > 10
    failed = {}
    for command in found:
        words, into = redirected(shlex.split(command, comments=True))
        code = main(words[1:])
        out = capsys.readouterr()
        if into:
            # The reader fills in one cell of the look-over: condition, the eighth, of the horn.
            told = out.out.replace("Horn,electrical.horn,,,,,,,", "Horn,electrical.horn,,,,,,s,")
            (tmp_path / into).write_text(told, encoding="utf-8")
        if code != 0 or not (out.out or out.err):
            failed[command] = (code, out.err)
    assert failed == {}


def test_the_readme_opens_with_the_job_and_then_the_two_commands() -> None:
    text = README.read_text(encoding="utf-8")
    title, job, between, block = text.split("\n\n")[:4]
    assert title == "# Roadworn"
    assert job.startswith("A mechanic with returning customers")
    assert between.startswith("On a machine with nothing but Python 3.11 and pip")
    assert "python -m pip install uv && python -m uv run roadworn demo" in block
    assert "python -m pip install uv && python -m uv run pytest" in block
