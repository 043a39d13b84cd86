"""What is planted in a made fleet is found: the short form of `tests/simulations/planted.py`.

The fleet is invented and holds what real ones do; its truth is known, so it can say whether the
answers find it. It is no check of a published figure.
"""

from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from roadworn.columns.view import open_view

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def planted() -> Iterator[Any]:
    """Return the simulation."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(Path(__file__).parents[1] / "simulations"))
        yield import_module("planted")


@pytest.fixture(scope="module")
def asked(planted: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    setting = replace(planted.PLANTED, vehicles=60, years=8, turned_back=0.05)
    path, truth = planted.made(2, setting, tmp_path_factory.mktemp("planted"))
    day = 8 * planted.YEAR
    with open_view(path, as_of=planted.on(day), cache=False) as view:
        yield planted.Asked(view, truth, day, 2)


@pytest.mark.parametrize("fact", ["depot", "turned_back", "winter", "programme"])
def test_a_planted_fact_is_found_with_its_figure(planted: Any, asked: Any, fact: str) -> None:
    told = list(getattr(planted, fact)(asked))
    assert told
    # Chance alone names another part by the season in one fleet of twenty.
    sure = [one for one in told if not one.name.startswith("no other part")]
    assert [one for one in sure if not one.found] == []
