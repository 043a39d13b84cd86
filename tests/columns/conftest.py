"""A ledger of a few lines, and its view, for the tests of the read model."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from roadworn.columns.view import LedgerView, open_view
from roadworn.intake import Ledger
from roadworn.model.events import NewEvent

Written = Callable[..., LedgerView]


@pytest.fixture
def view_of(tmp_path: Path) -> Iterator[Written]:
    """Write events to a fresh ledger and open it; keywords go to `open_view`."""
    with ExitStack() as stack:
        number = 0

        def write(events: list[NewEvent], **options: Any) -> LedgerView:
            nonlocal number
            number += 1
            path = tmp_path / f"{number}.db"
            with Ledger.create(path, kinds=options.get("kinds")) as ledger:
                ledger.append_many(events)
            options.setdefault("as_of", "2026-06-30")
            return stack.enter_context(open_view(path, **options))

        yield write
