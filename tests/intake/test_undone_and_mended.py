"""Whatever is imported, undone and imported by mended maps: each row counts once, as last read."""

import tempfile
from collections import Counter
from pathlib import Path

from builders import enrolled, ledger_of
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.intake import Ledger
from roadworn.intake.again import UNDONE
from roadworn.intake.files import import_files
from roadworn.intake.undoing import last_import, take_back
from roadworn.model.errors import LedgerRefused
from roadworn.store.verify import verify

PARTS = ("engine.oil", "cooling.coolant", "air.filter")
MAP = """
kind = "maintenance"
[columns]
"Day" = "occurred_at"
"Bus" = "vehicle_id"
"Work" = "component"
[components]
"a" = "{}"
"b" = "brake.pad"
"""
ROWS = st.lists(
    st.tuples(st.integers(1, 9), st.sampled_from(["van-1", "van-2"]), st.sampled_from("ab")),
    min_size=1,
    max_size=8,
)
ACTS = st.lists(st.one_of(st.sampled_from(PARTS), st.just("undo")), min_size=1, max_size=6)


@settings(max_examples=40)
@given(ROWS, ACTS)
def test_each_row_counts_once_as_it_was_read_last(
    rows: list[tuple[int, str, str]], acts: list[str]
) -> None:
    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder)
        lines = [f"2026-03-0{day},{bus},{work}" for day, bus, work in rows]
        (where / "w.csv").write_text("Day,Bus,Work\n" + "\n".join(lines) + "\n")
        path = ledger_of(where / "l.db", [enrolled("van-1"), enrolled("van-2")])
        expected: Counter[tuple[str, str, str]] = Counter()
        with Ledger.open(path) as ledger:
            for act in acts:
                if act == "undo":
                    try:
                        found = last_import(ledger)
                    except LedgerRefused:
                        continue
                    take_back(ledger, found.events, "wrong", UNDONE, "2026-04-01")
                    for event in found.events:
                        expected[_said(event)] -= 1
                else:
                    (where / "m.toml").write_text(MAP.format(act))
                    report = import_files(ledger, [where / "w.csv"], csv_map=where / "m.toml")
                    assert not report.problems
                    expected = Counter(
                        (bus, f"2026-03-0{day}", act if work == "a" else "brake.pad")
                        for day, bus, work in rows
                    )
                counts = Counter(
                    _said(event)
                    for event in ledger.events()
                    if event.kind == "maintenance" and ledger.facts.amendment_of(event) is None
                )
                assert counts == +expected
        assert not verify(path).problems


def _said(event):
    return event.vehicle_id, event.occurred_at, event.data()["component"]


def test_a_row_that_says_after_mending_what_another_said_before_counts(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text("Day,Bus,Work\n2026-03-01,van-1,a\n2026-03-01,van-1,b\n")
    path = ledger_of(tmp_path / "l.db", [enrolled("van-1")])
    mapped = MAP.replace('"b" = "brake.pad"', '"b" = "engine.oil"')
    with Ledger.open(path) as ledger:
        for part in ("engine.oil", "air.filter"):
            (tmp_path / "m.toml").write_text(mapped.format(part))
            assert not import_files(
                ledger, [tmp_path / "w.csv"], csv_map=tmp_path / "m.toml"
            ).problems
        counts = Counter(
            event.data()["component"]
            for event in ledger.events()
            if event.kind == "maintenance" and ledger.facts.amendment_of(event) is None
        )
    assert counts == Counter(["air.filter", "engine.oil"])
