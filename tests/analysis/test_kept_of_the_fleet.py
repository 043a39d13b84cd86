"""What an outlook keeps of the whole fleet: as computed afresh after any sequence of changes.

Drawn events of a made history, corrections and late entries among them, days and programs follow
each other; after each the fleet's laws, prices and causes are held against the same with nothing
kept. Results of whole analyses are held so in `test_kept_results`.
"""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of, usd
from columns.made import history
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn import LedgerView, open_view
from roadworn.columns.kept import Codec
from roadworn.intake import Ledger
from roadworn.testing import event
from roadworn_plugins import likely_causes
from roadworn_plugins.shared import fleet_lives
from roadworn_plugins.shared.fleet_lives import ComponentLives
from roadworn_plugins.shared.prices import Prices

_FIRST = 150
_PAID: dict[str, Any] = {
    "component": "electrical.alternator",
    "reason": "failed",
    "parts_cost": usd("120"),
    "labour_hours": 1.0,
    "labour_rate": usd("90"),
}


def fleet(view: LedgerView) -> Any:
    """Return in plain text what analyses of this view find of the fleet."""
    lives = ComponentLives.of(view)
    fitted = [getattr(lives, name) for name in (*fleet_lives._FITTED, "leaving")]
    prices = Prices.load(view)
    asked = [
        prices.of(component, kind)
        for component in ("electrical.alternator", "electrical.battery", "brake.pad")
        for kind in ("bus", "van", None)
    ]
    told = [repr(asked), repr(prices.kept), repr(prices.odd), repr(prices.comebacks)]
    table = repr(likely_causes._scores(view).rows)
    return json.loads(json.dumps([fleet_lives._KEPT.plain(fitted), told, table]))


@settings(max_examples=2)
@given(data=st.data())
def test_it_is_as_computed_afresh_after_any_changes(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    events = list(history(4, _FIRST + 12))
    path = ledger_of(tmp_path_factory.mktemp("shop") / "shop.db", events[:_FIRST])
    coming = iter(events[_FIRST:])
    day, program = 1, "program"
    for turn in range(3):
        change = data.draw(st.sampled_from(["events", "reading", "paid", "day", "program", "none"]))
        with Ledger.open(path, writable=True) as ledger:
            if change == "events":
                for one in [next(coming) for _ in range(data.draw(st.integers(1, 3)))]:
                    ledger.append(one)
            elif change == "reading":
                figure = 150_000.0 + 10 * turn
                ledger.append(event("bus-1", "odometer_reading", "2025-12-01", odometer=figure))
            elif change == "paid":
                on = f"2025-12-{2 + turn:02d}"
                ledger.append(event("bus-2", "replacement", on, **_PAID))
        day += change == "day"
        program += "x" if change == "program" else ""
        as_of = f"2026-01-{day:02d}"
        with open_view(path, as_of=as_of) as fresh:
            afresh = fleet(fresh)
        # The second is asked of the same state: nothing is gathered for it any more.
        for _ in range(2):
            with open_view(path, as_of=as_of, keep=program) as view:
                assert fleet(view) == afresh


CODEC = Codec()


@contextmanager
def asking(path: Path) -> Iterator[tuple[LedgerView, list[str]]]:
    """Open a view with what it is asked of its tables."""
    asked: list[str] = []
    with pytest.MonkeyPatch.context() as patch:
        run = LedgerView._run

        def noted(self: LedgerView, query: str, parameters: Any) -> Any:
            asked.append(query)
            return run(self, query, parameters)

        patch.setattr(LedgerView, "_run", noted)
        with open_view(path, as_of="2026-02-01", keep="a") as view:
            yield view, asked


def complaints(view: LedgerView) -> int:
    return int(view.sql("SELECT count(*) FROM complaints").rows[0][0])


def appended(path: Path) -> None:
    with Ledger.open(path, writable=True) as ledger:
        ledger.append(event("bus-1", "complaint", "2026-01-20", complaint="pulls to the left"))


def test_it_is_gathered_once_a_state_and_made_again_only_from_something_else(
    tmp_path: Path,
) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(2, 20)))
    made: list[int] = []

    def found(view: LedgerView) -> int:
        def make(number: int) -> int:
            made.append(number)
            return number * 2

        return view.kept_from("twice", lambda: complaints(view), make, CODEC)

    with asking(path) as (view, asked):
        first = found(view)
        assert len(asked) == 1
    with asking(path) as (view, asked):
        assert found(view) == first
        assert not asked
    with Ledger.open(path, writable=True) as ledger:
        ledger.append(event("bus-1", "odometer_reading", "2026-01-20", odometer=90_000))
    with asking(path) as (view, asked):
        assert found(view) == first
        assert len(asked) == len(made) == 1
    appended(path)
    with asking(path) as (view, _asked):
        assert found(view) == first + 2


def test_what_was_gathered_counts_among_what_something_greater_rests_on(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(2, 20)))

    def found(view: LedgerView) -> int:
        def inner() -> int:
            return view.kept_from("inner", lambda: complaints(view), int, CODEC)

        return view.kept_while("outer", None, lambda: view.kept(("inner",), inner), CODEC)

    counts = []
    for _ in range(2):
        with open_view(path, as_of="2026-02-01", keep="a") as view:
            # It is kept for this state before something greater asks for it.
            view.kept_from("inner", partial(complaints, view), int, CODEC)
        with open_view(path, as_of="2026-02-01", keep="a") as view:
            counts.append(found(view))
        appended(path)
    assert counts[1] == counts[0] + 1
