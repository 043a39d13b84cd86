"""Who is concerned by a campaign, by hand: open, unclear, done, left."""

from collections.abc import Callable
from pathlib import Path

import pytest
from builders import enrolled, replaced

from roadworn.analysis.campaigns import concerned_by
from roadworn.columns.view import LedgerView
from roadworn.model.events import NewEvent
from roadworn.testing import event
from roadworn.trade.campaigns import load_campaign

Written = Callable[..., LedgerView]
HOSE = "brake.hose"
HEAD = """
[campaign]
title = "Hoses"
since = "2026-03-01"
[work]
component = "brake hose"
"""
BOTH = HEAD + 'places = ["LF", "RF"]\n'
MADE = '[[concerns]]\nmake = "Tarrow"\nmodel = "carrier"\nyear_from = 2014\nyear_to = 2017\n'
PART = '[[concerns]]\npart_numbers = ["bh 2207*"]\nfitted_from = "2025-03-01"\n'


def van(vehicle: str = "van", year: int | None = 2015, **more: object) -> NewEvent:
    known = {"make": "Tarrow", "model": "Carrier", "model_year": year} | more
    told = {key: value for key, value in known.items() if value is not None}
    return enrolled(vehicle, "2024-01-02", odometer=90_000, unit="mi", **told)


def hose(day: str, position: str | None, **more: object) -> NewEvent:
    place = {"position": position} if position else {}
    return replaced("van", day, HOSE, **place, **more)


def told(view: LedgerView, folder: Path, text: str) -> list[tuple[object, ...]]:
    (folder / "hoses.toml").write_text(text, encoding="utf-8")
    found = concerned_by(view, load_campaign(folder, "hoses"))
    return [(one.vehicle["vehicle_id"], one.state, one.places or one.missing) for one in found]


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ([], ("open", ("LF", "RF"))),
        # Before its day, for another reason, and of one side.
        ([hose("2026-02-01", "LF", reason="recall")], ("open", ("LF", "RF"))),
        ([hose("2026-04-01", "LF", reason="failed")], ("open", ("LF", "RF"))),
        ([hose("2026-04-01", "LF", reason="recall")], ("open", ("RF",))),
        # A side that nobody wrote down is asked for once too often rather than forgotten.
        ([hose("2026-04-01", None, reason="recall")], ("open", ("LF", "RF"))),
        (
            [hose("2026-04-01", "LF", reason="recall"), hose("2026-04-02", "RF", reason="recall")],
            ("done", ()),
        ),
        ([event("van", "retirement", "2026-04-01", reason="sold")], ("left", ("LF", "RF"))),
    ],
)
def test_a_recall_of_vehicles(
    view_of: Written, tmp_path: Path, events: list[NewEvent], state: tuple[object, ...]
) -> None:
    assert told(view_of([van(), *events]), tmp_path, BOTH + MADE) == [("van", *state)]


def test_what_is_not_on_record_is_said_and_what_does_not_fit_is_left_out(
    view_of: Written, tmp_path: Path
) -> None:
    view = view_of(
        [
            van("fits"), van("no-year", year=None), van("too-young", year=2019),
            van("other", year=None, make="Brackwell"), van("no-make", make=None, year=None),
        ]
    )  # fmt: skip
    assert told(view, tmp_path, HEAD + MADE) == [
        ("fits", "open", ()),
        ("no-make", "unclear", ("make", "model year")),
        ("no-year", "unclear", ("model year",)),
    ]


def test_other_work_counts_where_the_file_says_so(view_of: Written, tmp_path: Path) -> None:
    moved = event("van", "repair", "2026-04-01", component=HOSE, correction="led another way")
    view = view_of([van(), moved])
    assert told(view, tmp_path, HEAD + MADE) == [("van", "open", ())]
    assert told(view, tmp_path, f'{HEAD}done_by = ["repair"]\n{MADE}') == [("van", "done", ())]


BAD, GOOD = {"part_number": "BH-2207 A"}, {"part_number": "BH-2300"}


@pytest.mark.parametrize(
    ("events", "state"),
    [
        ([hose("2025-04-01", "LF", **BAD)], [("van", "open", ("LF",))]),
        ([hose("2025-02-01", "LF", **BAD)], []),
        ([hose("2025-04-01", "LF", **GOOD)], []),
        # Out again, whatever for and whenever: it is not in the vehicle any more.
        ([hose("2025-04-01", "LF", **BAD), hose("2025-09-01", "LF", **GOOD)],
         [("van", "done", ())]),
        # Out for another of them.
        ([hose("2025-04-01", "LF", **BAD), hose("2025-09-01", "LF", **BAD)],
         [("van", "open", ("LF",))]),
        # The other side was done.
        ([hose("2025-04-01", "LF", **BAD), hose("2025-04-01", "RF", **BAD),
          hose("2026-04-01", "RF", reason="recall", **GOOD)], [("van", "open", ("LF",))]),
        # Nobody wrote the number down.
        ([hose("2025-04-01", "LF")], [("van", "unclear", ("part number",))]),
        ([hose("2025-04-01", "LF"), hose("2025-09-01", "LF", **GOOD)], []),
    ],
)  # fmt: skip
def test_a_recall_of_parts(
    view_of: Written, tmp_path: Path, events: list[NewEvent], state: object
) -> None:
    assert told(view_of([van(), *events]), tmp_path, HEAD + PART) == state


def test_what_is_done_by_the_axle_is_done_on_both_sides(view_of: Written, tmp_path: Path) -> None:
    pads = HEAD.replace("brake hose", "brake pads") + 'places = ["front"]\n' + MADE
    one = replaced("van", "2026-04-01", "brake.pad", position="LF", reason="recall")
    assert told(view_of([van(), one]), tmp_path, pads) == [("van", "open", ("RF",))]
    axle = replaced("van", "2026-04-01", "brake.pad", position="front", reason="recall")
    assert told(view_of([van(), axle]), tmp_path, pads) == [("van", "done", ())]
