"""A query of a person is stopped at a bound, or by hand, in a sentence."""

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from commandline import Run

ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT max(i) FROM n"
GREEDY = "SELECT list(i) FROM range(40000000000) t(i)"
MANY_ROWS = "SELECT i, i::VARCHAR FROM range(300000000) t(i)"


def test_a_query_without_end_is_stopped(shop: Run) -> None:
    began = time.monotonic()
    stopped = shop("sql", "--seconds", "0.5", ENDLESS)
    assert stopped.code == 2
    assert "took longer than 0.5 seconds" in stopped.err
    assert time.monotonic() - began < 20
    assert shop("sql", "SELECT count(*) AS n FROM vehicles", "--seconds", "0").code == 0


@pytest.mark.parametrize("query", [GREEDY, MANY_ROWS])
@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="the system does not tell")
def test_a_query_that_takes_all_memory_is_stopped(shop: Run, query: str) -> None:
    stopped = shop("sql", query, "--memory", "100")
    assert stopped.code == 2
    assert "took more memory than 100 MB" in stopped.err


def test_a_bound_may_stand_in_the_environment(shop: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROADWORN_SQL_SECONDS", "0.3")
    assert "0.3 seconds" in shop("sql", ENDLESS).err


@pytest.mark.skipif(sys.platform == "win32", reason="no such signal there")
def test_ctrl_c_is_no_fault(shop: Run, tmp_path: Path) -> None:
    code = "import sys; from roadworn_cli.main import main; sys.exit(main(sys.argv[1:]))"
    ledger = str(tmp_path / "roadworn.db")
    shop("sql", "SELECT 1 AS one")
    asked = subprocess.Popen(
        [sys.executable, "-c", code, "--ledger", ledger, "sql", ENDLESS],
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    time.sleep(6)
    for _press in range(6):
        # On a busy machine it may not be asking yet: whoever waits presses again.
        asked.send_signal(signal.SIGINT)
        try:
            _out, told = asked.communicate(timeout=20)
            break
        except subprocess.TimeoutExpired:
            continue
    else:
        asked.kill()
    assert asked.returncode == 130
    assert told.strip() == "The query was stopped; nothing was changed."
