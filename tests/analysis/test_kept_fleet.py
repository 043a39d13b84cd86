"""What analyses keep of the whole fleet is what they would compute, whatever is written next.

Drawn histories grow by drawn events, late ones and wrong ones among them; after each the answers
with what was kept before are held against the same computed afresh.
"""

from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of
from columns.made import history
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn import PluginHost, open_view
from roadworn.analysis import RESULT_TYPES
from roadworn.columns.kept import Codec
from roadworn.intake import Ledger

CODEC = Codec(RESULT_TYPES)
ASKED: tuple[tuple[str, dict[str, Any]], ...] = (
    ("repeat-failures", {"vehicle": "bus-1"}),
    ("repeat-failures", {"vehicle": "bus-0", "least_failures": 1}),
    ("repeat-failures", {}),
    ("next-repairs", {"vehicle": "bus-1"}),
)


@pytest.fixture(scope="module")
def host() -> PluginHost:
    return PluginHost.load()


def answers(host: PluginHost, path: Path, keep: str, day: str) -> list[Any]:
    """Return the answers, each from a view of its own, as a command has it."""
    told = []
    for name, chosen in ASKED:
        with open_view(path, as_of=day, kinds=host.kinds, tables=host.tables, keep=keep) as view:
            told.append(CODEC.plain(host.run(name, view, chosen).result))
    return told


@settings(max_examples=2)
@given(seed=st.integers(0, 2**20), step=st.integers(1, 6), later=st.booleans())
def test_kept_and_fresh_are_the_same_after_whatever_is_written(
    seed: int, step: int, later: bool, host: PluginHost, tmp_path_factory: pytest.TempPathFactory
) -> None:
    waiting = history(seed, 100)
    folder = tmp_path_factory.mktemp("shop")
    path = ledger_of(folder / "shop.db", list(islice(waiting, 90)))
    answers(host, path, "this program", "2026-01-31")
    with Ledger.open(path) as ledger:
        ledger.append_many(islice(waiting, step), allow_repeat=True)
    day = "2026-02-01" if later else "2026-01-31"
    assert answers(host, path, "this program", day) == answers(host, path, "", day)
