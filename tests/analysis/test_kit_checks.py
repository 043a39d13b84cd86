"""The strict checks of the kit: a fault that an author can make is caught, sound work is not."""

import sqlite3
from collections.abc import Callable
from dataclasses import replace
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
    Early,
    Estimate,
    EventKind,
    LifeLaw,
    LifeModel,
    Money,
    Payload,
    PluginHost,
    Prior,
    Result,
    Table,
    TableSpec,
    about,
    hookimpl,
)
from roadworn.testing import (
    Made,
    check_analysis,
    check_data_file,
    check_kind,
    check_life_model,
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


def test_what_cannot_be_shown_in_every_form_is_caught(tmp_path: Path) -> None:
    """A place of a sentence that is not filled breaks a page, and no table."""

    class Odd(str):
        def __format__(self, form: str) -> str:
            raise RuntimeError("not to be written")

    with (
        view_of(EVENTS, tmp_path) as view,
        pytest.raises(AssertionError, match=r"cannot be (shown|kept)"),
    ):
        check_analysis(Analysis("odd", "O", "O?", of("text", Odd("x"))), view)


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


class Tank(Payload):
    """A tank that is not always told."""

    litres: Annotated[float, about("How much went in.")]
    of: Annotated[float | None, about("How much it holds.")] = None


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
        (
            EventKind("fuel.fill", Fill, sentence="{litres:d} litres"),
            {"litres": 1.5},
            {},
            "does not fit",
        ),
        (
            EventKind("fuel.fill", Tank, sentence="{litres:g} of {of:g}"),
            {"litres": 1.5, "of": 2.0},
            {},
            "does not fit {'litres': 1.5}",
        ),
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


def test_the_author_sets_what_is_true_of_a_made_fleet(tmp_path: Path) -> None:
    def fills(made: Made) -> list[Any]:
        days = sorted(made.chance.sample(range(1, made.days), 3))
        return [
            event(made.name, "fuel.fill", made.day(n), odometer=made.km(n), unit="km", litres=40.0)
            for n in days
        ]

    plain = made_fleet(7, vehicles=12)
    fleet = made_fleet(
        7, vehicles=12, odd={"made-3": 0.3}, unread=0.5, fields={"supplier": "Quay"}, also=fills
    )
    before = {"made-1", "made-2"}
    of_others = [life for life in fleet.lives if life[0] in before]
    assert [life for life in plain.lives if life[0] in before] == of_others
    spans = {
        name: [to - since for v, since, to in fleet.lives if v == name] for name in ("made-3",)
    }
    assert np.mean(spans["made-3"]) < 0.6 * 60_000
    replaced = [one for one in fleet.events if one.kind == "replacement"]
    assert {one.payload["supplier"] for one in replaced} == {"Quay"}
    assert 0.2 < sum(one.odometer is None for one in replaced) / len(replaced) < 0.8
    with view_of(fleet.events, tmp_path, host=check_plugin(Fuel(), fleet.events)) as view:
        assert view.sql("SELECT count(*) FROM fuel_fills").rows == [(36,)]


class Fuel:
    """A plugin of a kind and its table."""

    @hookimpl
    def roadworn_event_kinds(self) -> list[EventKind]:
        return [FILL]

    @hookimpl
    def roadworn_tables(self) -> list[TableSpec]:
        return [FILLS]


def steady(lives: Any, priors: Any) -> list[LifeLaw]:
    return [LifeLaw.of_shape(one, prior, 1.0) for one, prior in zip(lives, priors, strict=True)]


def test_the_bundled_life_model_and_a_sound_one_pass() -> None:
    bundled = dict(PluginHost.load().received("roadworn_life_models"))["bundled"]
    laws = check_life_model(bundled)["four hundred lives, one of its class"]
    # The lives are drawn with a shape of 2.5; a fit that wears finds it, within what chance allows.
    assert 1.8 < laws[1].wear.shape < 3.3
    check_life_model(LifeModel("steady", "By chance", steady))


def torn(lives: Any, _priors: Any) -> list[LifeLaw]:
    return [1 / one.failed.sum() for one in lives]


def few(lives: Any, priors: Any) -> list[LifeLaw]:
    return steady(lives[:1], priors[:1])


def unlike(lives: Any, priors: Any) -> list[LifeLaw]:
    shape = 1.0 + float(np.random.default_rng().random())
    return [LifeLaw.of_shape(one, prior, shape) for one, prior in zip(lives, priors, strict=True)]


def meddles(lives: Any, priors: Any) -> list[LifeLaw]:
    for one in lives:
        one.leaving[:] = one.leaving + 1.0
    return steady(lives, priors) and [LifeLaw.of_shape(one, _PRIOR, 1.0) for one in lives]


def loud(lives: Any, priors: Any) -> list[LifeLaw]:
    print("fitting")
    return steady(lives, priors)


def falling(lives: Any, priors: Any) -> list[LifeLaw]:
    return [replace(law, early=Early(-1.0, 1.0)) for law in steady(lives, priors)]


_PRIOR = Prior(1.0, 0.5, None)


@pytest.mark.parametrize(
    ("fit", "words"),
    [
        (torn, "of one part that still runs, failed with"),
        (few, "gave 1 laws of 2 components"),
        (unlike, "two different laws"),
        (meddles, r"changed the lives|two different laws"),
        (loud, "prints"),
        (falling, "early share"),
        (lambda _l, _p: None, "gave None of no components"),
    ],
)
def test_a_fault_of_a_life_model_is_caught(fit: Any, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        check_life_model(LifeModel("odd", "Odd", fit))
