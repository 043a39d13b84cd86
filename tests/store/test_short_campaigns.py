"""The campaigns of docs/trust.md in a short form: each must end well."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CAMPAIGNS = Path(__file__).parents[1] / "campaigns"
#: Campaign -> its arguments here, and what it must say besides ending with 0.
SHORT = {
    "kills": (("21", "5"), "0 wrong"),
    "torn": (("40", "5"), "wrong: 0"),
    "changes": (("40", "5"), "unseen: 0"),
    "inputs": (("60", "5"), "0 wrong"),
    "faults": (("42", "5"), "0 wrong"),
    "clocks": (("5", "5"), "0 wrong"),
    "together": (("5",), "wrong: 0"),
}
NEED_A_COMPILER = frozenset({"faults", "clocks"})


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="kills, forks and shims are of Linux")
@pytest.mark.parametrize("name", sorted(SHORT))
def test_a_campaign_in_short(name: str, tmp_path: Path) -> None:
    if name in NEED_A_COMPILER and shutil.which("cc") is None:
        pytest.skip("a shim of C is compiled: there is no cc")
    words, said = SHORT[name]
    command = [sys.executable, str(CAMPAIGNS / f"{name}.py"), *words]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert said in done.stdout


def test_every_campaign_has_a_short_form() -> None:
    assert {one.stem for one in CAMPAIGNS.glob("*.py")} == SHORT.keys()
