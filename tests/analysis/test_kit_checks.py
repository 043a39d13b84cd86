"""The strict checks of the kit: a fault that an author can make is caught, sound work is not."""

import sqlite3
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pytest
from pydantic import Field

from roadworn import (
    Analysis,
    Column,
    DataFile,
    Estimate,
    EventKind,
    Money,
    Payload,
    Result,
    Table,
    TableSpec,
    about,
    hookimpl,
)
from roadworn.testing import (
    check_analysis,
    check_data_file,
    check_kind,
    check_plugin,
    check_table,
    event,
    made_fleet,
    view_of,
)

EVENTS = [
    event("bus-1", "enrolment", "2025-01-01", odometer=100, vehicle_class="bus"),
    event("bus-2", "enrolment", "2025-06-20", odometer=100, vehicle_class="bus"),
]


def of(kind: str, *cells: Any, unit: str = "") -> Callable[..., Result]:
    column = Column("a", "A", kind, unit)  # type: ignore[arg-type]
    return lambda *_: Result("x", (Table("t", "T", (column,), tuple((c,) for c in cells)),))


def printing(*_: object) -> Result:
    print("loud")
    return Result("x")


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (of("number", "many"), "kind 'number' and has a str"),
        (of("integer", 1.5), "has a float"),
        (of("integer", True), "has a bool"),
        (of("date", "2025-01-01"), "has a str"),
        (of("component", 7), "has a int"),
        (of("distance", 7.0), "without a unit"),
        (of("money", Decimal(7)), "no column tells the currency"),
        (printing, "prints"),
        (lambda *_: Result("x", estimates=(Estimate("e", 1.0, "mi"),) * 2), "two estimates"),
    ],
)
def test_a_fault_is_caught(run: Any, words: str, tmp_path: Path) -> None:
    with view_of(EVENTS, tmp_path) as view, pytest.raises(AssertionError, match=words):
        check_analysis(Analysis("odd", "O", "O?", run), view)


@pytest.mark.parametrize(
    "run",
    [
        of("number", float("nan"), 1, Decimal("2.5"), None, np.float64(3)),
        of("distance", 7.0, unit="mi"),
        of("text", "x", 5, None),
    ],
)
def test_sound_work_is_not(run: Any, tmp_path: Path) -> None:
    with view_of(EVENTS, tmp_path) as view:
        check_analysis(Analysis("odd", "O", "O?", run), view)


def test_what_is_written_past_the_program_is_seen_in_the_file(tmp_path: Path) -> None:
    heads = iter(("before", "after"))
    with view_of(EVENTS, tmp_path) as view, pytest.MonkeyPatch.context() as patch:
        patch.setattr("roadworn.columns.build.head_of", lambda _path: next(heads))
        with pytest.raises(AssertionError, match="wrote to the ledger"):
            check_analysis(Analysis("odd", "O", "O?", lambda *_: Result("x")), view)


class Fill(Payload):
    """A fill of the tank."""

    litres: Annotated[float, about("How much went in.")]
    paid: Annotated[Money | None, about("What it cost.")] = None


class Plain(Payload):
    """Money as no file can give it."""

    paid: Annotated[Decimal, Field(description="What it cost.")]


class Mute(Payload):
    """Says not what its field is."""

    litres: float


FILL = EventKind("fuel.fill", Fill)
GALLONS = EventKind("fuel.fill", Fill, 2, {1: lambda old: {"litres": old["gallons"] * 3.785411784}})
FILLS = TableSpec(
    "fuel_fills",
    "a fill of the tank",
    ("fuel.fill",),
    (("litres", "DOUBLE", "how much went in"),),
    "SELECT seq, CAST(payload->>'litres' AS DOUBLE) AS litres FROM batch",
)
FILLED = [*EVENTS, *(event("bus-1", "fuel.fill", f"2025-07-0{n}", litres=float(n)) for n in (1, 2))]


def test_a_sound_kind_and_table_pass() -> None:
    check_kind(FILL, {"litres": 40.5, "paid": {"amount": "61.20", "currency": "USD"}})
    check_kind(GALLONS, {"litres": 40.5}, older={1: [{"gallons": 10.0}]})
    assert check_table(FILLS, FILLED, [FILL]) == [(1.0,), (2.0,)]


@pytest.mark.parametrize(
    ("kind", "payload", "older", "words"),
    [
        (EventKind("fuel.fill", Plain), {"paid": "1"}, {}, "use Money"),
        (EventKind("fuel.fill", Mute), {"litres": 1.0}, {}, "says not what it is"),
        (EventKind("fill", Fill), {"litres": 1.0}, {}, "prefix"),
        (FILL, {"litres": "many"}, {}, "cannot be written"),
        (GALLONS, {"litres": 1.0}, {1: [{"litre": 1.0}]}, "not lifted"),
    ],
)
def test_a_fault_of_a_kind_is_caught(kind: Any, payload: Any, older: Any, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        check_kind(kind, payload, older=older)


@pytest.mark.parametrize(
    ("select", "words"),
    [
        ("SELECT max(seq) AS seq, sum(1) AS litres FROM batch", "more than one event at a time"),
        ("SELECT seq, nosuch AS litres FROM batch", "nosuch"),
    ],
)
def test_a_fault_of_a_table_is_caught(select: str, words: str) -> None:
    spec = TableSpec("fuel_fills", "a fill", ("fuel.fill",), FILLS.columns, select)
    with pytest.raises(AssertionError, match=words):
        check_table(spec, FILLED, [FILL])


class Tried:
    """A plugin of one analysis."""

    def __init__(self, run: Any) -> None:
        self.run = run

    @hookimpl
    def roadworn_analyses(self) -> list[Analysis]:
        return [Analysis("fuel-use", "Use", "How much?", self.run)]


def counts(view: Any, _settings: object) -> Result:
    ((n,),) = view.sql("SELECT count(*) FROM vehicles").rows
    return Result(f"{n} vehicles", (Table("t", "T", (Column("n", "N", "integer"),), ((n,),)),))


def divides(view: Any, _settings: object) -> Result:
    return Result(f"{1 / view.sql('SELECT count(*) FROM vehicles').rows[0][0]}")


def looks_ahead(view: Any, _settings: object) -> Result:
    with sqlite3.connect(view.path) as con:
        return Result(f"{con.execute('SELECT count(*) FROM events').fetchone()} events")


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (divides, "breaks on 0 events: ZeroDivisionError"),
        (looks_ahead, "knows of what was recorded later"),
        (printing, "prints"),
    ],
)
def test_a_fault_of_a_plugin_is_caught(run: Any, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        check_plugin(Tried(run), EVENTS, as_of="2025-02-01")


def test_a_sound_plugin_passes() -> None:
    host = check_plugin(Tried(counts), EVENTS, as_of="2025-02-01")
    assert list(host.analyses()) == ["fuel-use"]


def test_the_truth_of_a_made_fleet_is_in_its_ledger(tmp_path: Path) -> None:
    """An estimate by the moments of the truth comes back within what chance allows."""
    fleet = made_fleet(7, vehicles=40, shape=3.0, scale_km=50_000)
    spans = np.array([to - since for _vehicle, since, to in fleet.lives])
    assert len(spans) > 40
    assert 0.7 * 50_000 < spans.mean() < 1.1 * 50_000
    with view_of(fleet.events, tmp_path, as_of=fleet.last_day) as view:
        (row,) = view.sql("SELECT count(*) FROM replacements").rows
        assert row == (len(fleet.lives),)
        lives = view.sql("SELECT count(*) FROM part_lives").rows[0][0]
        # What fails again within its warranty is a comeback and no life of its own.
        assert len(fleet.lives) + len(fleet.running) - 3 <= lives
        assert lives <= len(fleet.lives) + len(fleet.running)
    assert made_fleet(7).lives == made_fleet(7).lives
    assert made_fleet(7).lives != made_fleet(8).lives


def test_pytest_knows_the_fixtures(
    roadworn_run: Any, roadworn_ledger: Any, roadworn_view: Any, roadworn_host: Any
) -> None:
    roadworn_ledger(EVENTS)
    listed = roadworn_run("vehicles", "--format", "json")
    assert (listed.code, len(listed.json())) == (0, 2)
    assert "bundled" in roadworn_host.plugin_names()
    with roadworn_view(EVENTS, as_of="2025-02-01") as view:
        assert view.sql("SELECT count(*) FROM vehicles").rows == [(1,)]


def test_a_data_file_is_read_as_those_of_its_kind() -> None:
    from roadworn.trade.limits import SHEETS

    kind: Any = "look-over sheet"
    check_data_file(DataFile("ours", kind, "Ours", lambda: SHEETS.text("light_vehicle")))
    with pytest.raises(AssertionError, match="cannot be used"):
        check_data_file(DataFile("ours", kind, "Ours", lambda: "title = 'x'"))
