"""Fixtures that pytest knows wherever Roadworn is installed, for the tests of plugins.

Nothing heavy is imported before a test asks for one of them.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from roadworn import LedgerView, NewEvent, PluginHost


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command line left behind: its exit code, its data, its talk."""

    code: int
    out: str
    err: str

    def json(self) -> Any:  # noqa: ANN401
        """Return the data of ``--format json``.

        Raises:
            AssertionError: there is none; it says what the command said.
        """
        import orjson

        if not self.out:
            raise AssertionError(f"no data, exit code {self.code}: {self.err}")
        return orjson.loads(self.out)


@pytest.fixture(scope="session")
def roadworn_host() -> "PluginHost":
    """The installed plugins."""
    from roadworn import PluginHost

    return PluginHost.load()


@pytest.fixture
def roadworn_ledger(
    tmp_path: Path, roadworn_host: "PluginHost"
) -> "Callable[[Sequence[NewEvent]], Path]":
    """Write events to a new ledger, ``roadworn.db`` in `tmp_path`, and return its path."""

    def write(events: "Sequence[NewEvent]") -> Path:
        from roadworn import Ledger

        path = tmp_path / "roadworn.db"
        with Ledger.create(path, kinds=roadworn_host.kinds()) as ledger:
            ledger.append_many(events)
        return path

    return write


@pytest.fixture
def roadworn_view(
    tmp_path_factory: pytest.TempPathFactory, roadworn_host: "PluginHost"
) -> "Iterator[Callable[..., LedgerView]]":
    """Write events to a new ledger and open a view of it; `as_of` may be given."""
    from roadworn.testing import view_of

    with ExitStack() as stack:

        def look(events: "Sequence[NewEvent]", as_of: str | None = None) -> "LedgerView":
            folder = tmp_path_factory.mktemp("ledger")
            return stack.enter_context(view_of(events, folder, as_of=as_of, host=roadworn_host))

        yield look


@pytest.fixture
def roadworn_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Outcome]:
    """Run `roadworn` with some words in `tmp_path`, in this process."""
    from roadworn_cli.main import main

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "1000")

    def go(*words: str) -> Outcome:
        code = main(words)
        captured = capsys.readouterr()
        return Outcome(code, captured.out, captured.err)

    return go
