"""How long a code has been there: its present unbroken run, worked out by hand and by a walk."""

import random
from collections.abc import Callable
from datetime import date, timedelta
from functools import partial

import pytest
from builders import enrolled, scanned

from roadworn.columns.view import LedgerView
from roadworn.model.events import NewEvent
from roadworn.testing import event

Written = Callable[..., LedgerView]

QUERY = (
    "SELECT module, code, first_seen_on, times_seen, first_ever_on FROM active_codes "
    "ORDER BY module, code"
)
BUS = enrolled("bus")
scan = partial(scanned, "bus")


def day(text: str) -> date:
    return date.fromisoformat(f"2026-{text}")


@pytest.mark.parametrize(
    ("scans", "first", "times", "ever"),
    [
        pytest.param([scan("2026-02-01", "P0420")], "02-01", 1, "02-01", id="once"),
        pytest.param(
            [scan("2026-02-01", "P0420"), scan("2026-03-01", "P0420", "P0171")],
            "02-01", 2, "02-01", id="still-there",
        ),
        pytest.param(
            [scan("2026-02-01", "P0420"), scan("2026-03-01"), scan("2026-04-01", "P0420")],
            "04-01", 1, "02-01", id="a-clear-scan-ends-the-run",
        ),
        pytest.param(
            [
                scan("2026-02-01", "P0420"),
                scan("2026-03-01", "P0171"),
                scan("2026-04-01", "P0420"),
                scan("2026-05-01", "P0420"),
            ],
            "04-01", 2, "02-01", id="a-scan-with-another-code-ends-it-too",
        ),
        pytest.param(
            [
                scan("2026-02-01", "P0420"),
                scan("2026-03-01", outcome="failed"),
                scan("2026-04-01", "P0420"),
            ],
            "02-01", 2, "02-01", id="a-failed-read-does-not",
        ),
        pytest.param(
            [
                scan("2026-02-01", "P0420"),
                scan("2026-03-01", module="brakes"),
                scan("2026-04-01", "P0420"),
            ],
            "02-01", 2, "02-01", id="another-module-does-not",
        ),
        pytest.param(
            # Written down late, but it happened between the two others.
            [scan("2026-02-01", "P0420"), scan("2026-04-01", "P0420"), scan("2026-03-01")],
            "04-01", 1, "02-01", id="by-the-day-it-happened",
        ),
        pytest.param(
            [scan("2026-04-01", "P0420"), scan("2026-04-01"), scan("2026-04-01", "P0420")],
            "04-01", 1, "04-01", id="three-scans-of-one-day",
        ),
    ],
)  # fmt: skip
def test_the_first_day_of_the_present_run(
    view_of: Written, scans: list[NewEvent], first: str, times: int, ever: str
) -> None:
    rows = [row for row in view_of([BUS, *scans]).sql(QUERY).rows if row[1] == "P0420"]
    assert rows == [("engine", "P0420", day(first), times, day(ever))]


def test_a_code_in_two_lists_of_one_scan_is_one_sight(view_of: Written) -> None:
    both = [{"code": "P0420", "status": "stored"}, {"code": "P0420", "status": "permanent"}]
    twice = event("bus", "scan", "2026-03-01", modules=[{"codes": both}])
    rows = view_of([BUS, scan("2026-02-01", "P0420"), twice]).sql(QUERY).rows
    assert rows == [("engine", "P0420", day("02-01"), 2, day("02-01"))] * 2


@pytest.mark.parametrize("seed", range(12))
def test_any_history_agrees_with_a_walk_through_it(view_of: Written, seed: int) -> None:
    dice = random.Random(seed)
    runs: dict[tuple[str, str], tuple[date, int]] = {}
    ever: dict[tuple[str, str], date] = {}
    scans = []
    for number in range(25):
        on = date(2026, 1, 2) + timedelta(days=7 * number)
        module = dice.choice(("engine", "brakes"))
        codes = [code for code in ("P0420", "P0171", "C0035") if dice.random() < 0.6]
        if dice.random() < 0.25:
            scans.append(scan(on.isoformat(), outcome="failed", module=module))
            continue
        scans.append(scan(on.isoformat(), *codes, module=module))
        for key in [key for key in runs if key[0] == module and key[1] not in codes]:
            del runs[key]
        for code in codes:
            start, times = runs.get((module, code), (on, 0))
            runs[module, code] = (start, times + 1)
            ever.setdefault((module, code), on)
    found = view_of([BUS, *scans], as_of="2026-12-31").sql(QUERY).rows
    assert found == [(*key, *runs[key], ever[key]) for key in sorted(runs)]


def test_a_code_previously_active_is_not_active_and_ends_its_run(view_of: Written) -> None:
    """SAE J1939-73: DM2 lists what was active before; the status byte is that of ISO 14229-1."""

    def scanned(day: str, *codes: dict[str, object]) -> NewEvent:
        return event("truck", "scan", day, modules=[{"name": "engine", "codes": list(codes)}])

    code = "SPN 110 FMI 0"
    view = view_of(
        [
            event("truck", "enrolment", "2025-01-01"),
            scanned("2025-02-01", {"code": code}),
            scanned("2025-03-01", {"code": code, "status": "previous"}),
            scanned("2025-04-01", {"code": code}, {"code": "P0300", "status_byte": "28"}),
        ]
    )
    rows = view.sql(
        "SELECT code, CAST(first_seen_on AS VARCHAR), times_seen, failing_now, repair_proved "
        "FROM active_codes ORDER BY code"
    ).rows
    # 28 = 0010 1000: confirmed, failed since clear; not failing now, and its test ran.
    assert rows == [("P0300", "2025-04-01", 1, False, True), (code, "2025-04-01", 1, None, None)]


def test_a_read_of_what_was_active_before_ends_no_run(view_of: Written) -> None:
    """SAE J1939-73: DM2 alone says nothing of what is active now."""
    code = {"code": "SPN 1208 FMI 3", "words": "rail pressure"}
    before = {"code": "SPN 110 FMI 0", "status": "previous"}
    view = view_of(
        [
            event("truck", "enrolment", "2025-01-01"),
            event("truck", "scan", "2025-02-01", modules=[{"name": "engine", "codes": [code]}]),
            event(
                "truck",
                "scan",
                "2025-03-01",
                modules=[{"name": "engine", "codes": [before], "lists": ["previous"]}],
            ),
        ]
    )
    assert view.sql("SELECT code, words FROM active_codes").rows == [
        ("SPN 1208 FMI 3", "rail pressure")
    ]
    assert view.sql("SELECT active_read FROM scans ORDER BY seq").rows == [(True,), (False,)]
