"""One whole job, typed as a mechanic types it: at most nine commands, and none refused.

The way of such a job and what a bay writes down of it: common practice, no source.
"""

from pathlib import Path
from typing import Any

import pytest
from commandline import Outcome, Run

#: Twelve findings of a look-over, as a bay writes them.
FINDINGS = (
    *("frt pads 2mm worn", "rotors front scored worn", "loose tie rod end L", "horn ok"),
    *("tires rear 4/32 low", "tires front 7/32 ok", "wiper blades torn", "battery 12.5 V ok"),
    *("coolant ok", "valve cover gasket leaking", "shock LR ok", "headlight bulb L out"),
)
JOB: tuple[tuple[str, ...], ...] = (
    ("record", "complaint", "van-3", "grinds when braking, pulls left", "-o", "143.2k"),
    ("record", "inspection", "van-3", *FINDINGS, "--rest", "not-checked"),
    ("record", "scan", "van-3", "P0301", "P0171 pend", "--lamp", "on", "--since-clear", "340"),
    (
        *("record", "estimate", "van-3"),
        "frt pads 1.8 h x 140 + part 96",
        "tie rod end L 1.2 h x 140 + part 64",
        "coil 1 0.5 h x 140 + part 70",
        "diag 1.0 h x 140",
        "tires rear 0.8 h x 140 + part 110 x 2",
    ),
    ("record", "authorisation", "van-3", "last", "1-4=ok", "5=later"),
    (
        *("done", "van-3", "all", "1 part 101.50 number BP-220 from Harbour Parts"),
        *("2 clock 1.4", "--done-by", "JK", "--warranty", "12/12", "-o", "143210"),
    ),
    ("record", "test", "van-3", "test drive ok", "leak check ok"),
    ("report", "vehicle", "van-3", "-o", "van-3.html"),
)


@pytest.fixture
def shop(run: Run, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("ROADWORN_UNIT", "mi")
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    assert run("create").code == 0
    assert run("enrol", "van-3", "-o", "142,000", "--on", "2026-06-01").code == 0
    return run


def typed(shop: Run, *commands: tuple[str, ...]) -> list[Outcome]:
    """Type commands; each is taken."""
    outcomes = [shop(*words) for words in commands]
    for words, done in zip(commands, outcomes, strict=True):
        assert done.code == 0, (words, done.err)
    return outcomes


def events(shop: Run, *kinds: str) -> list[dict[str, Any]]:
    rows: Any = shop("history", "van-3", "--format", "json").json()
    return [row for row in rows if row["kind"] in kinds]


def work(shop: Run) -> list[dict[str, Any]]:
    return [row["payload"] for row in events(shop, "replacement", "repair", "maintenance")]


def test_a_whole_job_takes_at_most_nine_commands(shop: Run) -> None:
    assert len(JOB) <= 9
    outcomes = typed(shop, *JOB)
    assert Path("van-3.html").stat().st_size > 0
    (looked,) = events(shop, "inspection")
    assert len(looked["payload"]["findings"]) >= 12

    done = {row["component"]: row for row in work(shop)}
    assert set(done) == {"brake.pad", "steering.tie_rod_outer", "ignition.coil", "other.diagnosis"}
    pads, rod, coil = done["brake.pad"], done["steering.tie_rod_outer"], done["ignition.coil"]
    # Why is read from the finding and the code; what differed is what was typed.
    assert (pads["reason"], rod["reason"], coil["reason"]) == ("worn_out", "failed", "failed")
    assert pads["parts_cost"] == {"amount": "101.50", "currency": "USD"}
    assert (pads["part_number"], pads["supplier"]) == ("BP-220", "Harbour Parts")
    assert (rod["clocked_hours"], rod["labour_hours"]) == (1.4, 1.2)
    assert {row["done_by"] for row in done.values()} == {"JK"}
    assert pads["warranty_months"] == 12
    assert pads["warranty_distance"] == 12_000
    assert done["other.diagnosis"]["action"] == "inspected"
    assert [row["estimate_line"] for row in done.values()] == [1, 2, 3, 4]

    said = outcomes[5].err
    assert "pump the pedal" in said
    assert "test drive" in said
    assert "wheel torque" in said
    assert "wheel torque" in outcomes[6].err
    assert "To try before it leaves: test drive" not in outcomes[6].err


def test_a_new_customer_still_fits_in_nine(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ROADWORN_UNIT", "mi")
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    assert run("create").code == 0
    enrolled = ("enrol", "van-3", "--make", "Tarrow", "--model", "Carrier", "-o", "143.2k")
    assert len([enrolled, *JOB]) <= 9
    typed(run, enrolled, *JOB)
