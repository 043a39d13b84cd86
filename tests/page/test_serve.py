"""`serve` as it is started: what it refuses in a sentence, and that nobody else pays for it."""

import socket
import subprocess
import sys

import pytest
from commandline import Run


@pytest.fixture
def shop(run: Run) -> Run:
    assert run("create").code == 0
    return run


def test_without_the_extra_it_says_what_to_install(
    shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "uvicorn", None)
    done = shop("serve")
    assert done.code == 4
    assert "roadworn[page]" in done.err


def test_what_cannot_be_served_is_said(shop: Run) -> None:
    assert "goes with its private key" in shop("serve", "--certificate", "a.pem").err
    assert "a.pem is not there" in shop("serve", "--certificate", "a.pem", "--key", "b.pem").err
    looking_back = shop("--as-of", "2026-01-01", "serve")
    assert looking_back.code == 2
    assert "--as-of" in looking_back.err
    assert shop("--ledger", "none.db", "serve").code == 4


def test_a_port_that_is_taken_is_said(shop: Run) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        done = shop("serve", "--port", str(other.getsockname()[1]))
    assert done.code == 4
    assert "--port" in done.err


@pytest.mark.parametrize("words", [["--help"], ["record", "reading", "van-3", "12 mi"]])
def test_no_other_verb_imports_the_server(shop: Run, words: list[str]) -> None:
    assert shop("enrol", "van-3", "--odometer", "10 mi").code == 0
    script = (
        "import sys\n"
        "from roadworn_cli.main import main\n"
        f"main({words!r})\n"
        "heavy = {'starlette', 'uvicorn', 'jinja2', 'PIL', 'roadworn_cli.page'}\n"
        "print('HEAVY', sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.stdout.rstrip().endswith("HEAVY []"), done.stdout + done.stderr
