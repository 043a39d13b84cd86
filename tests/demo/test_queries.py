"""The worked questions of docs/queries.md, each asked of the demo as it stands there.

Three are held against the events themselves, read from the ledger's file with the standard library.
"""

import json
import re
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from roadworn import LedgerView, Rows, open_view
from roadworn.columns.spec import Outside
from roadworn_demo import DEMO_TODAY

TEXT = (Path(__file__).parents[2] / "docs" / "queries.md").read_text(encoding="utf-8")
QUERIES = dict(re.findall(r"### ([\w-]+)\n.*?```sql\n(.*?)```", TEXT, re.DOTALL))
VALUES = {"part": "brake.pad", "word": "warranty"}


@pytest.fixture(scope="module")
def view(demo_ledger: Path, tmp_path_factory: pytest.TempPathFactory) -> LedgerView:
    own = tmp_path_factory.mktemp("own") / "prices.csv"
    own.write_text("component,price\nbrake.pad,10\n", encoding="utf-8")
    return open_view(demo_ledger, as_of=DEMO_TODAY, outside=Outside({"list": own}))


def asked(view: LedgerView, name: str) -> Rows:
    query = QUERIES[name]
    given = {key: value for key, value in VALUES.items() if f"${key}" in query}
    return view.analyst(query, parameters=given)


@pytest.fixture(scope="module")
def events(demo_ledger: Path) -> list[tuple[str, str, dict[str, Any]]]:
    """Kind, vehicle and payload of what was never taken back or replaced."""
    with closing(sqlite3.connect(demo_ledger)) as file:
        rows = file.execute("SELECT event_id, kind, vehicle_id, payload FROM events").fetchall()
    told = [(name, kind, vehicle, json.loads(payload)) for name, kind, vehicle, payload in rows]
    gone = {payload["event"] for _n, kind, _v, payload in told if kind == "retraction"}
    gone |= {payload["replaces"] for _n, _k, _v, payload in told if "replaces" in payload}
    return [(kind, vehicle, payload) for name, kind, vehicle, payload in told if name not in gone]


def test_there_are_as_many_as_promised() -> None:
    assert len(QUERIES) >= 25
    assert len(QUERIES) == TEXT.count("```sql") == TEXT.count("### ")


@pytest.mark.parametrize("name", QUERIES)
def test_a_worked_question_has_an_answer(view: LedgerView, name: str) -> None:
    found = asked(view, name)
    assert found.rows, name
    assert len(set(found.columns)) == len(found.columns)
    assert all(len(row) == len(found.columns) for row in found.rows)


def test_what_was_replaced_most_is_what_the_events_say(
    view: LedgerView, events: list[tuple[str, str, dict[str, Any]]]
) -> None:
    parts = [payload for kind, _v, payload in events if kind == "replacement"]
    times = Counter(payload["component"] for payload in parts)
    failed = Counter(payload["component"] for payload in parts if payload["reason"] == "failed")
    found = asked(view, "replaced-most").rows
    assert [row[1] for row in found] == sorted(times.values(), reverse=True)[:20]
    assert all((times[name], failed[name]) == (n, bad) for name, n, bad in found)


def test_the_lives_of_a_supplier_add_up(view: LedgerView) -> None:
    lives = asked(view, "lives-for-fit").rows
    by_supplier = asked(view, "failed-by-supplier").rows
    assert sum(row[1] for row in by_supplier) == sum(upper != float("inf") for *_x, upper in lives)
    km = sum(lower - entry for _group, entry, lower, _upper in lives)
    assert sum(row[3] for row in by_supplier) == pytest.approx(km, abs=len(by_supplier))
