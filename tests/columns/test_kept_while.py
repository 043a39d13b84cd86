"""What is kept while its questions are answered alike: taken then, and never otherwise.

Each is held against the same made afresh, over drawn changes of the ledger, of the day, of the
program and of what it rests on.
"""

from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of
from columns.made import history
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn import LedgerView, open_view
from roadworn.columns.kept import Codec
from roadworn.intake import Ledger
from roadworn.testing import event

CODEC = Codec()
NEW = {
    "reading": ("odometer_reading", {"odometer": 90_000}),
    "complaint": ("complaint", {"complaint": "pulls to the left"}),
    "work": ("replacement", {"component": "electrical.battery", "reason": "failed"}),
    "note": ("maintenance", {"component": "engine.oil", "action": "replaced"}),
}


class Model:
    """Counts complaints by rows and work by arrays, through one that another made of the view."""

    def __init__(self) -> None:
        self.made = 0

    def of(self, view: LedgerView, rests_on: Any = None) -> Any:
        def inner() -> list[Any]:
            asked = "SELECT count(*) FROM complaints WHERE occurred_on > ?"
            return view.sql(asked, ("2020-01-01",)).rows

        def make() -> Any:
            self.made += 1
            worked = view.arrays("SELECT component FROM replacements ORDER BY seq")["component"]
            return [view.kept(("inner",), inner), worked.tolist(), view.today, rests_on]

        return view.kept_while("model", rests_on, make, CODEC)


def append(path: Path, which: str, day: int) -> None:
    kind, more = NEW[which]
    with Ledger.open(path, writable=True) as ledger:
        ledger.append(event("bus-1", kind, f"2026-01-{day:02d}", **more))


CHANGES = [*NEW, "day", "program", "rests on", "nothing"]


@settings(max_examples=4)
@given(changes=st.lists(st.sampled_from(CHANGES), min_size=3, max_size=4))
def test_it_is_as_made_afresh_after_whatever_change(
    changes: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = ledger_of(tmp_path_factory.mktemp("shop") / "shop.db", list(history(2, 20)))
    day, program, rests_on, model = 1, "a", 0, Model()
    for turn, change in enumerate(["nothing", *changes]):
        if change in NEW:
            append(path, change, turn + 1)
        day += change == "day"
        program += "b" if change == "program" else ""
        rests_on += change == "rests on"
        made = model.made
        with open_view(path, as_of=f"2026-02-{day:02d}", keep=program) as view:
            found = model.of(view, rests_on)
        with open_view(path, as_of=view.today, keep="") as fresh:
            assert found == Model().of(fresh, rests_on)
        again = change in {"complaint", "work", "day", "program", "rests on"}
        assert model.made == made + (again or not turn)


def test_what_was_made_before_on_the_view_counts_among_what_it_rests_on(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(2, 20)))

    def asked(view: LedgerView) -> int:
        def inner() -> int:
            return int(view.sql("SELECT count(*) FROM complaints").rows[0][0])

        view.kept(("inner",), inner)
        return view.kept_while("n", None, lambda: view.kept(("inner",), inner), CODEC)

    counts = []
    for _ in range(2):
        with open_view(path, as_of="2026-02-01", keep="a") as view:
            counts.append(asked(view))
        append(path, "complaint", 20)
    assert counts[1] == counts[0] + 1


def test_it_asks_once_what_it_is_made_from_and_nothing_again_of_the_same_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(2, 20)))
    asked: list[str] = []
    run = LedgerView._run

    def counted(self: LedgerView, query: str, parameters: Any) -> Any:
        asked.append(query)
        return run(self, query, parameters)

    monkeypatch.setattr(LedgerView, "_run", counted)

    def times() -> int:
        asked.clear()
        with open_view(path, as_of="2026-02-01", keep="a") as view:
            Model().of(view)
        return len(asked)

    assert times() == 2
    assert times() == 0
    append(path, "reading", 20)
    assert times() == 2
    assert times() == 0


def test_what_is_of_no_kept_type_is_made_each_time(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(2, 5)))
    with open_view(path, as_of="2026-02-01", keep="a") as view:
        odd = object()
        assert view.kept_while("odd", None, lambda: odd, CODEC) is odd


def test_no_number_and_nothing_are_told_apart(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "shop.db", list(history(2, 5)))
    with open_view(path, as_of="2026-02-01", keep="a") as view:
        queries = [f"SELECT CAST({x} AS DOUBLE) AS x" for x in ("NULL", "'nan'", "'inf'", "1.5")]
        for kind in ("rows", "arrays"):
            told = [view.digest_of((kind, query, [])) for query in queries]
            # As arrays what is missing is no number: that is what whoever asks is handed.
            assert len(set(told)) == (4 if kind == "rows" else 3)
