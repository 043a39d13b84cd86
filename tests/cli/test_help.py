"""Help is there for every command and option, and costs no library that it does not need."""

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer
from commandline import Run

from roadworn_cli.lazy import LazyGroup, load
from roadworn_cli.main import VERBS, app, main

HEAVY = ("duckdb", "numpy", "scipy", "sqlite_utils", "pydantic", "rapidfuzz", "sqlite3", "rich")


def commands() -> Iterator[tuple[str, object]]:
    for verb in VERBS:
        command = load(verb)
        yield verb.name, command
        if isinstance(command, LazyGroup):
            for inner in type(command).verbs:
                yield f"{verb.name} {inner.name}", load(inner)


COMMANDS = dict(commands())


@pytest.mark.parametrize("path", COMMANDS)
def test_every_command_and_option_has_help(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    command = COMMANDS[path]
    assert command.help, path  # type: ignore[attr-defined]
    for parameter in command.params:  # type: ignore[attr-defined]
        assert getattr(parameter, "help", "") or parameter.name == "help", parameter.name
    assert main([*path.split(), "--help"]) == 0
    assert "Usage: roadworn" in capsys.readouterr().out


def test_the_first_page_lists_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    page = capsys.readouterr().out
    for verb in VERBS:
        assert f"  {verb.name}" in page
        assert verb.help in " ".join(page.split())


def test_every_option_of_the_first_page_has_help() -> None:
    for parameter in typer.main.get_command(app).params:
        assert getattr(parameter, "help", ""), parameter.name


@pytest.mark.parametrize("words", [["--help"], ["--version"], []])
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    code = (
        "import sys; from roadworn_cli.main import main; main(sys.argv[1:]); "
        f"print([name for name in {HEAVY!r} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_writing_one_event_loads_no_column_library(shop: Run, tmp_path: Path) -> None:
    # typer itself needs pydantic to read the words of a command, so only the others count.
    heavy = [name for name in HEAVY if name not in {"pydantic", "sqlite3"}]
    code = (
        "import sys; from roadworn_cli.main import main\n"
        "main(['record', 'reading', 'bus-7', '61,250 mi'])\n"
        "main(['record', 'replacement', 'bus-7', 'radiator', '--reason', 'failed'])\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_no_words_at_all_is_a_usage_error_that_shows_the_help(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main([]) == 2
    assert "Usage: roadworn" in capsys.readouterr().err


#: What help must not say, and the word of DEVELOPERS.md, "Words", that it says instead.
SYNONYMS = {
    r"put(s|ting)? off|postpone": "declined or deferred",
    r"lookover|walk-?around|check-?up": "look-over",
    r"roadworthiness|\bMOT\b": "official inspection",
    r"owner'?s page|fleet sheet|vehicle sheet|sheet to print": "report",
    r"\bspares?\b": "part",
    r"(?<!by its )\bmileage\b": "odometer figure or distance",
    r"\bservic(e|ing) (book|item)": "service",
}
#: A type of Python, or what typer makes of one.
TYPES = re.compile(r"<|list\[|\b(str|int|float|bool|path|integer|text\.\.\.)\b(?! )|\bINTEGER\b")


@pytest.mark.parametrize("path", ["", *COMMANDS])
def test_help_is_in_plain_words(path: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*path.split(), "--help"]) == 0
    page = capsys.readouterr().out
    assert TYPES.search(page) is None, TYPES.search(page)
    told = " ".join(page.split())
    for synonym, word in SYNONYMS.items():
        assert re.search(synonym, told, re.IGNORECASE) is None, f"{synonym}: say {word}"


@pytest.mark.parametrize("path", COMMANDS)
def test_what_stands_for_a_value_is_a_plain_word(path: str) -> None:
    for parameter in COMMANDS[path].params:  # type: ignore[attr-defined]
        if not getattr(parameter, "is_flag", False):
            assert parameter.metavar, (path, parameter.name)
            assert parameter.metavar.casefold() not in {"str", "int", "float", "path", "integer"}


def test_short_names_mean_one_thing_in_a_command() -> None:
    """`-o` is the odometer in what is written down, and the file to write in a report."""
    for path, command in COMMANDS.items():
        for parameter in command.params:  # type: ignore[attr-defined]
            if "-o" in parameter.opts:
                wanted = (
                    "--output"
                    if path.startswith(("pool", "report", "sheets", "sql"))
                    else "--odometer"
                )
                assert wanted in parameter.opts, path
