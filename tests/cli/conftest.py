"""A ledger with one vehicle in it, and its history, for the tests of the command line."""

from collections.abc import Callable

import pytest
from commandline import Run


@pytest.fixture
def shop(run: Run) -> Run:
    """A ledger `roadworn.db` in which bus-7 was enrolled at 61,000 mi on 2026-05-01."""
    assert run("create").code == 0
    enrolled = run(
        "enrol", "bus-7", "--make", "Acme", "--model", "Longbus", "--year", "2014",
        "--class", "community bus", "--odometer", "61,000 mi", "--on", "2026-05-01",
    )  # fmt: skip
    assert enrolled.code == 0
    return run


@pytest.fixture
def history(shop: Run) -> Callable[[], list[dict[str, object]]]:
    """The history of bus-7 as JSON rows, oldest first."""

    def tell() -> list[dict[str, object]]:
        told = shop("history", "bus-7", "--format", "json")
        assert told.code == 0, told.err
        rows = told.json()
        assert isinstance(rows, list)
        return rows

    return tell
