"""Rows that are kept for the next vehicle: as they came, narrowed as the query would, or none.

What is taken from the file is held against the same query asked with nothing kept.
"""

from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of
from columns.made import history
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn import LedgerView, open_view
from roadworn.columns.kept import Kept
from roadworn.columns.kept_rows import KeptRows
from roadworn.columns.spec import Rows
from roadworn.intake import Ledger
from roadworn.testing import event

COLUMNS = {
    "text": st.text(max_size=6),
    "whole": st.integers(-(2**70), 2**70),
    "number": st.floats(),
    "truth": st.booleans(),
    "day": st.dates(),
    "moment": st.datetimes().map(lambda one: one.replace(fold=0)),
    "money": st.decimals(allow_nan=False, allow_infinity=False, places=2),
    "list": st.lists(st.text(max_size=3) | st.floats(allow_nan=False), max_size=3),
    "days": st.lists(st.dates(), max_size=2),
}
CELLS = st.tuples(*(st.none() | cell for cell in COLUMNS.values()))


def kept_in(folder: Path, state: str = "one") -> KeptRows:
    return KeptRows(Kept(folder, state, 0o600))


@settings(max_examples=150)
@given(rows=st.lists(CELLS, max_size=4), columns=st.sets(st.sampled_from(sorted(COLUMNS))))
def test_what_is_read_is_what_was_written_or_nothing(
    rows: list[tuple[Any, ...]], columns: set[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("kept")
    at = [number for number, name in enumerate(COLUMNS) if name in columns]
    given_rows = Rows(
        tuple(sorted(columns)), [tuple(row[number] for number in at) for row in rows if at]
    )
    writing = kept_in(folder)
    writing.put("asked", given_rows)
    writing.save()
    found = kept_in(folder).get("asked")
    assert found is None or repr(found) == repr(given_rows)
    assert kept_in(folder).get("asked otherwise") is None
    assert kept_in(folder, "another").get("asked") is None


def test_rows_of_types_that_queries_bring_are_kept(tmp_path: Path) -> None:
    rows = Rows(
        ("a", "b", "c", "d", "e", "f"),
        [
            (
                "x",
                1,
                2.5,
                date(2026, 1, 2),
                datetime.fromisoformat("2026-01-02 03:04:05.000006"),
                Decimal("1.50"),
            ),
            (None, None, None, None, None, None),
        ],
    )
    writing = kept_in(tmp_path)
    writing.put("one", rows)
    writing.put("none", Rows(("a",), []))
    writing.save()
    # Who comes later adds to them.
    later = kept_in(tmp_path)
    later.put("two", Rows(("a",), [([1.5, None],)]))
    later.save()
    reading = kept_in(tmp_path)
    assert reading.get("one") == rows
    assert reading.get("none") == Rows(("a",), [])
    assert reading.get("two") == Rows(("a",), [([1.5, None],)])


@pytest.mark.parametrize("at", [3, 60, 180, -60, -3])
def test_a_damaged_file_counts_as_none(at: int, tmp_path: Path) -> None:
    rows = Rows(("a",), [("plain words " * 8,)])
    writing = kept_in(tmp_path)
    writing.put("one", rows)
    writing.save()
    [file] = tmp_path.glob("*.rows")
    content = bytearray(file.read_bytes())
    content[at] ^= 1
    file.write_bytes(content)
    assert kept_in(tmp_path).get("one") is None
    file.write_bytes(content[: len(content) // 2])
    assert kept_in(tmp_path).get("one") is None
    # What is asked anew takes its place.
    mended = kept_in(tmp_path)
    mended.put("one", rows)
    mended.save()
    assert kept_in(tmp_path).get("one") == rows


QUERIES = (
    "SELECT vehicle_id, max(true_km) FROM readings WHERE ONLY(vehicle_id) GROUP BY vehicle_id",
    """SELECT v.vehicle_id, l.component, l.upper_km FROM part_lives AS l
       JOIN vehicles AS v USING (vehicle_id) WHERE ONLY(v.vehicle_id) AND l.upper_km > ?
       ORDER BY l.component, l.upper_km""",
)


def asked(view: LedgerView, vehicle: str | None) -> list[Any]:
    first, second = QUERIES
    return [view.of_vehicle(first, vehicle).rows, view.of_vehicle(second, vehicle, (1.0,)).rows]


@settings(max_examples=4)
@given(changes=st.lists(st.sampled_from(["reading", "day", "program", "none"]), max_size=3))
def test_the_next_vehicle_finds_its_rows_and_those_of_no_other_state(
    changes: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = ledger_of(tmp_path_factory.mktemp("shop") / "shop.db", list(history(3, 30)))
    day, program = 1, "a"
    for turn, change in enumerate(["none", *changes]):
        if change == "reading":
            with Ledger.open(path, writable=True) as ledger:
                ledger.append(
                    event("bus-1", "odometer_reading", "2026-01-05", odometer=90_000 + turn)
                )
        day += change == "day"
        program += "b" if change == "program" else ""
        with open_view(path, as_of=f"2026-02-{day:02d}", keep=program) as view:
            asked(view, "bus-0")
        with open_view(path, as_of=f"2026-02-{day:02d}", keep=program) as view:
            found = asked(view, "bus-1")
            assert view._opened is None
        with open_view(path, as_of=f"2026-02-{day:02d}", keep="") as fresh:
            assert found == asked(fresh, "bus-1")
            assert found[1]
            everyone = asked(fresh, None)
        assert [row for row in everyone[1] if row[0] == "bus-1"] == found[1]


def test_a_name_with_a_quote_is_only_a_name(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(1, 3)))
    for keep in ("a", ""):
        with open_view(path, as_of="2026-02-01", keep=keep) as view:
            assert asked(view, "bus-0' OR 'a' = 'a") == [[], []]
