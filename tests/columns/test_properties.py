"""What must hold for any ledger: the past stays as it was, and folding in parts is folding."""

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from columns.made import history
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.columns import build
from roadworn.columns import build as cache
from roadworn.columns.view import LedgerView, dictionary, open_view
from roadworn.intake import Ledger

NAMES = [info.name for info in dictionary()]


def write(path: Path, events: list[Any]) -> None:
    with Ledger.open(path) if path.exists() else Ledger.create(path) as ledger:
        ledger.append_many(events, allow_repeat=True)


def all_rows(view: LedgerView) -> dict[str, list[tuple[Any, ...]]]:
    """Return every public table, its rows in an order of their own."""
    return {
        name: sorted(view.sql(f"SELECT * FROM {name}").rows, key=lambda row: tuple(map(str, row)))
        for name in NAMES
    }


@pytest.mark.slow
@settings(max_examples=8)
@given(st.integers(0, 2**32), st.integers(5, 60), st.integers(1, 40))
def test_later_events_change_nothing_as_of_an_earlier_day(seed, number, more):
    events = list(history(seed, number + more))
    day = events[number - 1].recorded_at[:10]
    before = [made for made in events if made.recorded_at[:10] <= day]
    with TemporaryDirectory() as folder:
        first, second = Path(folder, "first.db"), Path(folder, "second.db")
        write(first, before)
        write(second, events)
        with (
            open_view(first, as_of=day, cache=False) as then,
            open_view(second, as_of=day, cache=False) as now,
        ):
            assert all_rows(then) == all_rows(now)


@pytest.mark.slow
@settings(max_examples=5)
@given(st.integers(0, 2**32), st.lists(st.integers(1, 40), min_size=2, max_size=5))
def test_folding_in_parts_with_a_cache_is_folding_all_at_once(seed, sizes):
    events = list(history(seed, sum(sizes) + 3))
    patch = pytest.MonkeyPatch()
    patch.setattr(cache, "WORTH_KEEPING", 10)
    with TemporaryDirectory() as folder, patch.context():
        path = Path(folder, "parts.db")
        done = 0
        for size in (3, *sizes):
            write(path, events[done : done + size])
            done += size
            open_view(path, as_of="2026-06-30").close()
        with (
            open_view(path, as_of="2026-06-30") as parts,
            open_view(path, as_of="2026-06-30", cache=False) as whole,
        ):
            assert all_rows(parts) == all_rows(whole)
    patch.undo()


NASTY = st.text(st.characters(codec="utf-8"), max_size=60)


@pytest.mark.slow
@settings(max_examples=10)
@given(
    st.lists(
        st.tuples(NASTY, NASTY, st.floats(0, 1e7, allow_nan=False) | st.integers(0, 10**7)),
        min_size=1,
        max_size=8,
    )
)
def test_the_fast_way_carries_what_the_slow_way_carries(rows):
    events = list(history(1, 3))
    for number, (by, note, figure) in enumerate(rows):
        update = {
            "event_id": f"ffffffff-0000-7000-8000-{number:012x}",
            "kind": "odometer_reading",
            "recorded_by": by,
            "payload": {"note": note} if note else {},
            "odometer": float(figure),
            "odometer_unit": "km",
        }
        events.append(events[0].model_copy(update=update))
    patch = pytest.MonkeyPatch()
    query = "SELECT seq, recorded_by, source, odometer, payload FROM events ORDER BY seq"
    with TemporaryDirectory() as folder:
        path = Path(folder, "ledger.db")
        write(path, events)
        found = []
        for least in (0, 1_000):
            patch.setattr(build, "BULK_ROWS", least)
            with open_view(path, cache=False) as view:
                found.append((view.sql(query).rows, all_rows(view)))
        patch.undo()
    assert found[0] == found[1]
    assert [row[1] for row in found[0][0][3:]] == [by for by, _, _ in rows]
    assert [row[3] for row in found[0][0][3:]] == [float(figure) for _, _, figure in rows]
