"""What the user has set on this machine changes no test of the command line."""

import os

import pytest

# Every setting that the README and the help name, and one that is yet to come.
SETTINGS = (
    "LEDGER", "CURRENCY", "UNIT", "TERMS", "SHEET", "RULES", "SCHEDULE", "LANGUAGE", "DATES",
    "PAPER", "DEBUG", "NOT_YET_THERE",
)  # fmt: skip


@pytest.fixture
def the_users_own(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in SETTINGS:
        monkeypatch.setenv(f"ROADWORN_{name}", "the user's own")
    monkeypatch.setenv("ROADWORN_AXE", "what the tests themselves ask for")


def test_no_setting_of_the_user_reaches_a_command(the_users_own, run) -> None:
    left = {name for name in os.environ if name.startswith("ROADWORN_")}
    assert left & {f"ROADWORN_{name}" for name in SETTINGS} == set()
    assert "ROADWORN_AXE" in left
    # The ledger of the user is not the one that is made, and no sheet of his is asked for.
    assert run("create").code == 0
    assert run("enrol", "bus-7", "--odometer", "61,000 mi", "--on", "2026-05-01").code == 0
    assert run("record", "inspection", "bus-7", "horn sound", "--on", "2026-05-02").code == 0
