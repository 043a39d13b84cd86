"""Whatever a plugin does, it is named, the rest works, and standard output holds data alone.

Each row is a plugin that somebody could write by mistake or on purpose. It is tried beside one
that works and the bundled ones, on the command line as a user would meet it.
"""

import importlib.metadata
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from commandline import Outcome, Run

from roadworn import (
    Analysis,
    Column,
    Command,
    DataFile,
    Decoder,
    Deferred,
    EventKind,
    Importer,
    Ledger,
    LedgerView,
    Money,
    Panel,
    Payload,
    PluginHost,
    Result,
    Settings,
    Table,
    TableSpec,
    hookimpl,
    open_view,
)
from roadworn.analysis import guarded
from roadworn.columns.spec import ViewSpec
from roadworn.testing import event


class Wash(Payload):
    """A wash."""

    litres: int
    note: str | None = None


class Paid(Wash):
    """A wash that was paid for."""

    paid: Money | None = None


class Needs(Settings):
    """A setting that must be given."""

    litres: int


def fine(_view: object, _settings: object) -> Result:
    return Result("fine", (Table("t", "T", (Column("a", "A"),), (("x",),)),))


def analysis(name: str = "bad-one", run: Any = fine, **more: Any) -> Analysis:
    return Analysis(name, more.pop("title", "Bad"), more.pop("question", "Bad?"), run, **more)


def table(name: str = "bad_washes", **more: Any) -> TableSpec:
    told: dict[str, Any] = {
        "comment": "a wash",
        "kinds": ("good.wash",),
        "columns": (("litres", "INTEGER", "how much"),),
        "select": "SELECT seq, CAST(payload->>'litres' AS INTEGER) AS litres FROM batch",
    }
    return TableSpec(name, **{**told, **more})


def view(name: str = "main.bad_days", sql: str = "SELECT 1 AS n", **more: Any) -> ViewSpec:
    return ViewSpec(name, "a day", (("n", "INTEGER", "number"),), sql, **more)


def plugin(**hooks: Any) -> object:
    """Return a plugin whose hooks give lists, or do what a function does."""
    return type("Plugin", (), {f"roadworn_{n}": _hook(given) for n, given in hooks.items()})()


def _hook(given: Any) -> Any:
    @hookimpl
    def hook(self: object) -> Any:
        return given() if callable(given) else given

    return hook


GOOD = plugin(
    analyses=[analysis("good-one")],
    event_kinds=[EventKind("good.wash", Wash)],
    tables=[table("good_washes")],
    views=[view("main.good_days", "SELECT count(*) AS n FROM good_washes")],
)


def raises(error: BaseException) -> Callable[[], Any]:
    def go(*_: object) -> Any:
        raise error

    return go


def prints(*_: object) -> list[Analysis]:
    print("PRINTED")
    os.write(1, b"WRITTEN\n")
    return [analysis("prints-not")]


def forever(*_: object) -> Any:
    threading.Event().wait(30)


class Unlookable:
    """Raises whenever it is looked at."""

    def __getattribute__(self, name: str) -> Any:
        if name == "__class__":
            return Unlookable
        raise RuntimeError("do not look")


#: What a hook brings or does -> a word of the sentence that names it.
BRINGS: dict[str, tuple[dict[str, Any], str]] = {
    "hook raises": ({"analyses": raises(ValueError("no coolant"))}, "no coolant"),
    "hook leaves": ({"analyses": raises(SystemExit(3))}, "SystemExit"),
    "hook never ends": ({"analyses": forever}, "took longer"),
    "hook gives None": ({"analyses": lambda: None}, "returned None"),
    "hook gives a text": ({"analyses": "part-lifespans"}, "returned a str"),
    "hook gives a mapping": ({"analyses": {"a": 1}}, "returned a dict"),
    "hook gives a number": ({"analyses": 7}, "returned an int"),
    "hook gives one analysis bare": ({"analyses": analysis()}, "an Analysis and not a list"),
    "hook gives what raises": ({"analyses": lambda: (1 // 0 for _ in "x")}, "ZeroDivision"),
    "no analysis": ({"analyses": [42]}, "no Analysis"),
    "a class for an analysis": ({"analyses": [Analysis]}, "no Analysis"),
    "cannot be looked at": ({"analyses": [Unlookable()]}, "no Analysis"),
    "title is no text": ({"analyses": [analysis(title=5)]}, "title"),
    "title is empty": ({"analyses": [analysis(title=" ")]}, "title"),
    "question is None": ({"analyses": [analysis(question=None)]}, "question"),
    "run is no function": ({"analyses": [analysis(run="run")]}, "no function"),
    "settings are no model": ({"analyses": [analysis(settings=dict)]}, "no model of Settings"),
    "settings are an instance": ({"analyses": [analysis(settings=Settings())]}, "no model"),
    "a setting must be given": ({"analyses": [analysis(settings=Needs)]}, "no default"),
    "name of a bundled one": ({"analyses": [analysis("next-repairs")]}, "'bundled' has"),
    "name of a sister": ({"analyses": [analysis("good-one")]}, "'good' has"),
    "twice its own": ({"analyses": [analysis(), analysis()]}, "already"),
    "deferred to nowhere": ({"analyses": [Deferred("x", "", "X")]}, "is no text"),
    "no kind": ({"event_kinds": [Wash]}, "no EventKind"),
    "kind without prefix": ({"event_kinds": [EventKind("wash", Wash)]}, "prefix"),
    "name of a core kind": ({"event_kinds": [EventKind("repair", Wash)]}, "prefix"),
    "kind named in SQL": ({"event_kinds": [EventKind("b.w'; DROP", Wash)]}, "prefix"),
    "kind called 5": ({"event_kinds": [EventKind(5, Wash)]}, "prefix"),  # type: ignore[arg-type]
    "model is no payload": ({"event_kinds": [EventKind("bad.w", dict)]}, "no Payload"),  # type: ignore[arg-type]
    "model is an instance": (
        {"event_kinds": [EventKind("bad.w", Wash(litres=1))]},  # type: ignore[arg-type]
        "no Payload",
    ),
    "version 0": ({"event_kinds": [EventKind("bad.w", Wash, 0)]}, "version"),
    "version True": ({"event_kinds": [EventKind("bad.w", Wash, True)]}, "version"),
    "a step is missing": ({"event_kinds": [EventKind("bad.w", Wash, 3, {1: dict})]}, "version 2"),
    "upcasts are a list": ({"event_kinds": [EventKind("bad.w", Wash, 2, [dict])]}, "no mapping"),  # type: ignore[arg-type]
    "kind of a sister": ({"event_kinds": [EventKind("good.wash", Wash)]}, "prefix of the plugin"),
    "prefix of a sister": ({"event_kinds": [EventKind("good.wax", Wash)]}, "prefix of the plugin"),
    "no table": ({"tables": ["washes"]}, "no TableSpec"),
    "table without prefix": ({"tables": [table("washes")]}, "prefix"),
    "name of a core table": ({"tables": [table("part_lives")]}, "taken"),
    "name of a core step": ({"tables": [table("reading_details")]}, "taken"),
    "core name in capitals": ({"tables": [table("Part_Lives")]}, "taken"),
    "table with a quote": ({"tables": [table('bad_"; DROP')]}, "prefix"),
    "table of a sister": ({"tables": [table("good_more")]}, "prefix of the plugin"),
    "table without columns": ({"tables": [table(columns=())]}, "without columns"),
    "column of two": ({"tables": [table(columns=(("a", "INTEGER"),))]}, "no (name, type, meaning)"),
    "column without meaning": ({"tables": [table(columns=(("a", "INTEGER", ""),))]}, "meaning"),
    "column of the core": ({"tables": [table(columns=(("seq", "BIGINT", "n"),))]}, "there already"),
    "columns twice": ({"tables": [table(columns=(("a", "INTEGER", "n"),) * 2)]}, "there already"),
    "column of a wrong type": ({"tables": [table(columns=(("litres", "LITRE", "n"),))]}, "LITRE"),
    "type that runs on": (
        {"tables": [table(columns=(("litres", "INTEGER); DROP TABLE raw.events; --", "n"),))]},
        "no type",
    ),
    "select is no SQL": ({"tables": [table(select="SELEC seq FROM batch")]}, "SELEC"),
    "select of nothing": ({"tables": [table(select="")]}, "single SELECT"),
    "select that deletes": ({"tables": [table(select="DELETE FROM raw.events")]}, "single SELECT"),
    "two statements": ({"tables": [table(select="SELECT 1; SELECT 2")]}, "single SELECT"),
    "select of what is not there": ({"tables": [table(select="SELECT x FROM nosuch")]}, "nosuch"),
    "select lacks a column": ({"tables": [table(select="SELECT seq FROM batch")]}, "litres"),
    "select is None": ({"tables": [table(select=None)]}, "no text"),
    "kinds are a text": ({"tables": [table(kinds="good.wash")]}, "no tuple"),
    "comment is None": ({"tables": [table(comment=None)]}, "comment"),
    "fails on an event": (
        {
            "tables": [
                table(select="SELECT seq, CAST(payload->>'note' AS INTEGER) AS litres FROM batch")
            ]
        },
        "at event number 2",
    ),
    "divides by nothing": (
        {"tables": [table(select="SELECT seq, error('no ' || seq) AS litres FROM batch")]},
        "no 2",
    ),
    "no view": ({"views": ["days"]}, "no ViewSpec"),
    "view of a step": ({"views": [view("base.bad_days")]}, "prefix"),
    "name of a core view": ({"views": [view("main.part_lives")]}, "taken"),
    "no data file": ({"data_files": ["hills"]}, "no DataFile"),
    "a file of no kind": ({"data_files": [DataFile("h", "poem", "H", str)]}, "'poem'"),  # type: ignore[arg-type]
    "a file of a bad name": ({"data_files": [DataFile("../h", "schedule", "H", str)]}, "type"),
    "a file that is no TOML": (
        {"data_files": [DataFile("h", "schedule", "H", lambda: "= 5")], "views": []},
        "cannot be read",
    ),
    "a file that says nothing": (
        {"data_files": [DataFile("h", "schedule", "H", lambda: "")], "views": []},
        "cannot be read",
    ),
    "no panel": ({"panels": [analysis()]}, "no Panel"),
    "panel of nothing": ({"panels": [Panel("p", "nosuch")]}, "not there"),
    "panel on the roof": ({"panels": [Panel("p", "good-one", ("roof",))]}, "vehicle or fleet"),  # type: ignore[arg-type]
    "importer reads with a text": ({"importers": [Importer("i", "I", "read")]}, "no function"),  # type: ignore[arg-type]
    "importer without title": ({"importers": [Importer("i", "", print)]}, "title"),  # type: ignore[arg-type]
    "decoder of a bad name": ({"decoders": [Decoder("My Pump", "P", dict)]}, "type"),  # type: ignore[arg-type]
    "command with bad settings": ({"commands": [Command("c", "C", fine, Needs)]}, "no default"),
    "sentence of no field": (
        {"event_kinds": [EventKind("bad.w", Wash, sentence="{gallons} in")]},
        "'gallons'",
    ),
    "short form of no field": (
        {"event_kinds": [EventKind("bad.w", Wash, short=("gallons",))]},
        "'gallons'",
    ),
    "sentence that is broken": (
        {"event_kinds": [EventKind("bad.w", Wash, sentence="{litres in")]},
        "roadworn_event_kinds",
    ),
    "a hook nobody calls": ({"analysis": [analysis()]}, "roadworn_analyses"),
}


@dataclass
class Installed:
    """Entry points as if distributions had been installed."""

    points: list[Any] = field(default_factory=list)

    def add(self, name: str, plugin: object, value: str = "", dist: str = "") -> None:
        load = plugin if isinstance(plugin, _Loading) else lambda: plugin
        self.points.append(
            SimpleNamespace(
                name=name,
                value=value or f"{name}_roadworn",
                dist=SimpleNamespace(name=dist or f"roadworn-{name}", version="1.0"),
                load=load,
            )
        )


class _Loading:
    """What runs when a plugin is imported."""

    def __init__(self, work: Callable[[], Any]) -> None:
        self.work = work

    def __call__(self) -> Any:
        return self.work()


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> Installed:
    """The bundled plugin and one that works, beside which others are put."""
    real = [e for e in importlib.metadata.entry_points(group="roadworn") if e.name == "bundled"]
    found = Installed(list(real))
    found.add("good", GOOD)
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda *, group: list(found.points))
    monkeypatch.setattr("roadworn.analysis.plugged.HOOK_LIMIT", 0.2)
    monkeypatch.setattr("roadworn.analysis.plugged.IMPORT_LIMIT", 0.3)
    return found


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A ledger with a wash of the good plugin, its second event."""
    path = tmp_path_factory.mktemp("shop") / "roadworn.db"
    host = PluginHost()
    host.register(GOOD, "good")
    with Ledger.create(path, kinds=host.kinds()) as ledger:
        ledger.append_many(
            [
                event("bus-1", "enrolment", "2026-01-05", odometer=100, vehicle_class="bus"),
                event("bus-1", "good.wash", "2026-02-05", litres=80, note="hot"),
                event("bus-1", "odometer_reading", "2026-03-05", odometer=900),
            ]
        )
    return path


@pytest.fixture
def shop(run: Run, written: Path, tmp_path: Path) -> Run:
    """A command line on a copy of that ledger."""
    shutil.copy(written, tmp_path)
    return run


def told(done: Outcome, name: str, words: str) -> None:
    """Hold that a plugin is named with words, and that nobody is blamed for it."""
    said = [line for line in done.err.splitlines() if f"plugin '{name}'" in line]
    assert any(words in line for line in said), done.err
    assert "fault in Roadworn" not in done.err
    assert "Traceback" not in done.err


@pytest.mark.parametrize("case", BRINGS)
def test_what_a_plugin_brings_is_checked_and_the_rest_goes_on(
    case: str, installed: Installed, shop: Run
) -> None:
    hooks, words = BRINGS[case]
    installed.add("rude", plugin(**hooks))
    done = shop("plugins", "--format", "json")
    if done.code == 0:
        # What does not show when it is received shows when it is tried, which takes longer.
        assert hooks.keys() & {"tables", "views"}, done.err
        done = shop("plugins", "--check", "--format", "json")
    told(done, "rude", words)
    assert done.code == 1
    brought = {row["plugin"]: row["brings"] for row in json.loads(done.out)}
    assert "next-repairs" in brought["bundled"]
    assert brought["good"] == "good-one, good.wash, good_washes, main.good_days"
    assert "rude" in brought
    # Only tables and views come to the ledger.
    if hooks.keys() & {"tables", "views"}:
        asked = shop("sql", "SELECT litres FROM good_washes", "--format", "json")
        assert (asked.code, json.loads(asked.out)) == (0, [{"litres": 80}])


#: What happens while a plugin is imported, and a word of the sentence that names it.
LOADS: dict[str, tuple[Callable[[], Any], str]] = {
    "raises": (raises(ImportError("no module washer")), "no module washer"),
    "leaves": (raises(SystemExit(0)), "SystemExit"),
    "never ends": (forever, "took longer"),
    "a syntax error": (raises(SyntaxError("invalid syntax")), "SyntaxError"),
    "runs out of stack": (raises(RecursionError("too deep")), "RecursionError"),
    "hook of a wrong shape": (
        type("P", (), {"roadworn_analyses": hookimpl(lambda self, ledger: [])}),
        "does not fit",
    ),
}


@pytest.mark.parametrize("case", LOADS)
def test_a_plugin_that_cannot_be_imported_is_named(
    case: str, installed: Installed, shop: Run
) -> None:
    work, words = LOADS[case]
    installed.add("rude", _Loading(work))
    done = shop("analyses", "--format", "json")
    told(done, "rude", words)
    names = {row["analysis"] for row in json.loads(done.out)}
    assert done.code == 0
    assert {"next-repairs", "good-one"} <= names
    assert shop("plugins").code == 1


def test_nobody_takes_the_name_of_the_bundled_one(installed: Installed, shop: Run) -> None:
    installed.add("bundled", plugin(analyses=[analysis()]), dist="roadworn-thief")
    done = shop("analyses", "--format", "json")
    told(done, "roadworn-thief/bundled", "only Roadworn's own")
    assert "next-repairs" in {row["analysis"] for row in json.loads(done.out)}


def test_two_packages_of_one_name_both_stay(installed: Installed, shop: Run) -> None:
    installed.add("good", plugin(analyses=[analysis("second-one")]), dist="roadworn-other")
    done = shop("analyses", "--format", "json")
    told(done, "roadworn-other/good", "has the name")
    brought = {row["analysis"]: row["plugin"] for row in json.loads(done.out)}
    assert (brought["good-one"], brought["second-one"]) == ("good", "roadworn-other/good")


def test_what_is_printed_is_no_data(installed: Installed, shop: Run) -> None:
    def run(_view: object, _settings: object) -> Result:
        prints()
        return fine(None, None)

    installed.add("loud", plugin(analyses=prints, event_kinds=lambda: prints() and []))
    installed.add("louder", _Loading(lambda: prints() and plugin(analyses=[analysis("x-y", run)])))
    done = shop("analyse", "x-y", "--format", "json")
    assert done.code == 0, done.err
    assert json.loads(done.out)["headline"] == "fine"
    assert "PRINTED" in done.err


def test_what_is_written_to_the_descriptor_is_no_data(capfd: pytest.CaptureFixture[str]) -> None:
    guarded.guarded(prints, 5)
    print("ours", flush=True)
    out, err = capfd.readouterr()
    assert out == "ours\n"
    assert {"PRINTED", "WRITTEN"} <= set(err.split())


def test_what_is_given_up_prints_no_data_later() -> None:
    go = threading.Event()

    def late() -> None:
        go.wait(10)
        print("LATE")

    import io

    before, out = sys.stdout, io.StringIO()
    try:
        sys.stdout = out
        with pytest.raises(guarded.TookTooLong):
            guarded.guarded(late, 0.02)
        print("ours")
        go.set()
        time.sleep(0.1)
        assert out.getvalue() == "ours\n"
    finally:
        sys.stdout = before


def leaves(*_: object) -> Any:
    raise SystemExit(0)


def writes(view: Any, _settings: object) -> Result:
    with Ledger.open(view.path) as ledger:
        ledger.append_many([event("bus-1", "odometer_reading", "2026-04-05", odometer=950)])
    return fine(None, None)


def asks(query: str) -> Callable[..., Result]:
    return lambda view, _settings: view.sql(query) and fine(view, None)


def result(*cells: Any, kind: str = "text", **more: Any) -> Callable[..., Result]:
    columns = (Column("a", "A", kind),)  # type: ignore[arg-type]
    rows = tuple((cell,) for cell in cells)
    return lambda *_: replace(Result("x", (Table("t", "T", columns, rows),)), **more)


#: What an analysis does when it is run, and a word of the sentence that names it.
RUNS: dict[str, tuple[Any, str]] = {
    "raises": (raises(KeyError("battery")), "KeyError"),
    "leaves": (leaves, "SystemExit"),
    "interrupts": (raises(KeyboardInterrupt()), "KeyboardInterrupt"),
    "returns nothing": (lambda *_: None, "NoneType"),
    "returns a mapping": (lambda *_: {"headline": "x"}, "dict instead of a Result"),
    "takes no settings": (lambda _view: fine(None, None), "TypeError"),
    "headline is a number": (lambda *_: Result(5), "headline"),  # type: ignore[arg-type]
    "tables are None": (lambda *_: Result("x", None), "tables"),  # type: ignore[arg-type]
    "a row for a table": (lambda *_: Result("x", (("a", 1),)), "tables with a tuple"),  # type: ignore[arg-type]
    "caveats are a text": (result("a", caveats="careful"), "caveats"),
    "a caveat is None": (result("a", caveats=(None,)), "caveats with a NoneType"),
    "estimates are texts": (result("a", estimates=("5",)), "estimates with a str"),
    "charts are numbers": (result("a", charts=(5,)), "charts with a int"),
    "a list in a cell": (result([1, 2]), "list in a cell"),
    "a class in a cell": (result(Wash), "in a cell"),
    "two tables of one name": (
        lambda *_: Result("x", fine(None, None).tables * 2),
        "two tables called 't'",
    ),
    "two columns of one name": (
        lambda *_: Result("x", (Table("t", "T", (Column("a", "A"),) * 2, ()),)),
        "two columns",
    ),
    "asks what is not there": (lambda v, _s: v.sql("SELECT * FROM nosuch"), "nosuch"),
    "deletes through the view": (asks("DELETE FROM raw.events"), "QueryError"),
    "drops a table": (asks("DROP TABLE raw.events"), "QueryError"),
    "makes a table": (asks("CREATE TABLE t AS SELECT 1"), "QueryError"),
    "copies out": (asks("COPY (SELECT 1) TO 'out.csv'"), "QueryError"),
    "attaches a file": (asks("ATTACH 'other.db'"), "QueryError"),
    "two statements": (asks("SELECT 1; DROP TABLE raw.events"), "QueryError"),
    "a job that keeps a function": (
        lambda _v, _s, job: job.cached("f", lambda: fine),
        "returned a function",
    ),
    "writes to the ledger": (writes, "may not write"),
}


@pytest.fixture(scope="module")
def opened(written: Path) -> Iterator[LedgerView]:
    """That ledger, opened once: to make its columns takes longer than all that is asked of them."""
    host = PluginHost()
    host.register(GOOD, "good")
    with open_view(written, kinds=host.kinds, tables=host.tables) as found:
        yield found


@pytest.mark.parametrize("case", RUNS)
def test_an_analysis_that_breaks_is_named_and_the_rest_goes_on(
    case: str,
    installed: Installed,
    shop: Run,
    written: Path,
    opened: LedgerView,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    run, words = RUNS[case]
    monkeypatch.setattr("roadworn_cli.context.State.open_view", lambda _state: nullcontext(opened))
    # Nothing of it is kept for the next case.
    installed.add("rude", plugin(analyses=[analysis(run=run, kept=False)]))
    done = shop("analyse", "bad-one", "--format", "json")
    assert (done.code, done.out) == (4, "")
    told(done, "rude", words)
    assert shop("analyse", "good-one").code == 0
    with sqlite3.connect(written) as con:
        assert con.execute("SELECT count(*) FROM events").fetchone() == (3,)


def test_what_goes_past_our_calls_is_seen_by_the_size_of_the_ledger(
    installed: Installed, shop: Run, tmp_path: Path
) -> None:
    """A process of the plugin's own writes; the answer says so and is not kept."""

    def past(_view: object, _settings: object) -> Result:
        words = ("record", "reading", "bus-1", "950 mi", "--on", "2026-04-05")
        program = "from roadworn_cli.main import run; run()"
        subprocess.run([sys.executable, "-c", program, *words], cwd=tmp_path, check=True)
        return fine(None, None)

    installed.add("rude", plugin(analyses=[analysis(run=past)]))
    done = shop("analyse", "bad-one", "--format", "json")
    assert done.code == 0, done.err
    assert "1 event was written" in json.loads(done.out)["caveats"][0]
    assert "written" not in shop("analyse", "good-one").err


def yields(*items: object) -> Callable[..., Any]:
    return lambda _path: iter(items)


_WASH = {"vehicle_id": "bus-1", "kind": "good.wash", "occurred_at": "2026-04-01"}


def breaks_off(_path: Path) -> Any:
    yield {**_WASH, "payload": {"litres": 5}}
    yield {**_WASH, "payload": {"litres": 6}, "intake_key": "ticket 41"}
    raise ValueError("no bay.")


#: What a plugin brings -> how a user meets it, a word of what is said of it, and the exit code.
USES: dict[str, tuple[dict[str, Any], tuple[str, ...], str, int]] = {
    **{
        f"importer {case}": (
            {"importers": [Importer("log", "Log", read)]},
            ("import", "log.txt", "--with", "log"),
            words,
            4,
        )
        for case, read, words in (
            (
                "raises",
                raises(ValueError("no bay")),
                "failed before the first event of log.txt with ValueError: no bay;",
            ),
            (
                "breaks off",
                breaks_off,
                "the last being bus-1 good.wash 2026-04-01 (ticket 41), with ValueError: no bay;",
            ),
            (
                "gives a Decimal",
                yields({**_WASH, "payload": {"litres": Decimal("80.5")}}),
                "litres is a Decimal: hand over float(...) where a number belongs, str(...) in an",
            ),
            ("leaves", raises(SystemExit(0)), "SystemExit"),
            ("gives nothing", lambda _path: None, "TypeError"),
            ("gives numbers", yields(5), "an int, which is no NewEvent"),
            ("gives lists", yields(["bus-1"]), "a list, which is no NewEvent"),
            ("gives what is no JSON", yields({**_WASH, "payload": fine}), "TypeError"),
            ("never ends", forever, "took longer"),
            ("opens what is not there", lambda path: path.with_name("no").open(), "FileNotFound"),
        )
    },
    **{
        f"decoder {case}": (
            {"decoders": [Decoder("pump", "Pump", decode)]},
            ("decode", "pump", "0417"),
            words,
            4,
        )
        for case, decode, words in (
            ("raises", raises(KeyError("island")), "island"),
            ("leaves", raises(SystemExit(0)), "SystemExit"),
            ("gives a number", lambda _text: 5, "TypeError"),
            ("never ends", forever, "took longer"),
        )
    },
    **{
        f"command {case}": (
            {"commands": [Command("bill", "Bill", act)]},
            ("rude", "bill"),
            words,
            4,
        )
        for case, act, words in (
            ("raises", raises(KeyError("price")), "price"),
            ("leaves", raises(SystemExit(0)), "SystemExit"),
            ("gives a number", lambda *_: 5, "no Result and no text"),
            ("gives a bad result", result([1]), "list in a cell"),
            ("writes", writes, "may not write"),
            ("never ends", forever, "took longer"),
        )
    },
    "sheet that cannot be read": (
        {"data_files": [DataFile("hills", "look-over sheet", "H", raises(OSError("no disk")))]},
        ("record", "inspection", "bus-1", "--sheet", "hills", "tires sound"),
        "no disk",
        4,
    ),
    "sheet that is a number": (
        {"data_files": [DataFile("hills", "look-over sheet", "H", lambda: 5)]},  # type: ignore[arg-type, return-value]
        ("sheets", "hills"),
        "an int and no text",
        4,
    ),
    "analysis imported from nowhere": (
        {"analyses": [Deferred("bad-one", "no_such_module", "BAD")]},
        ("analyses", "--format", "json"),
        "cannot be loaded",
        0,
    ),
    "panel that breaks": (
        {
            "analyses": [analysis(run=raises(KeyError("wheel")))],
            "panels": [Panel("bad-panel", "bad-one", ("fleet",))],
        },
        ("report", "fleet", "-o", "fleet.html"),
        "",
        0,
    ),
}


@pytest.mark.parametrize("case", USES)
def test_whatever_is_used_of_a_plugin_breaks_alone(
    case: str,
    installed: Installed,
    shop: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    hooks, asked, words, code = USES[case]
    for limit in ("_FILE_LIMIT", "_DECODE_LIMIT", "_COMMAND_LIMIT"):
        monkeypatch.setattr(f"roadworn_cli.brought.{limit}", 0.3 if "never" in case else 20.0)
    (tmp_path / "log.txt").write_text("bus-1\n")
    installed.add("rude", plugin(**hooks))
    done = shop(*asked)
    assert done.code == code, done.err
    if words:
        told(done, "rude", words)
    else:
        assert "plugin &#39;rude&#39;" in (tmp_path / "fleet.html").read_text(encoding="utf-8")
    if code:
        assert done.out == ""
    # The rest works: what needs no columns is asked, as making them for each case takes longest.
    assert shop("decode", "code", "P0420").code == 0
    with sqlite3.connect(tmp_path / "roadworn.db") as con:
        assert con.execute("SELECT count(*) FROM events").fetchone() == (3,)


def test_there_are_as_many_cases_as_were_promised() -> None:
    assert len(BRINGS) + len(LOADS) + len(RUNS) + len(USES) >= 60


def test_what_can_be_shown_is_no_fault(installed: Installed, shop: Run) -> None:
    cells = (float("nan"), Decimal("1.5"), 3, None, "a\x1b[31mb")
    installed.add("fair", plugin(analyses=[analysis("fair-one", result(*cells))]))
    for fmt in ("table", "json", "csv", "html"):
        done = shop("analyse", "fair-one", "--format", fmt)
        assert done.code == 0, done.err
        assert "\x1b[31m" not in done.out


def test_an_upcast_that_raises_drops_the_event_from_the_plugins_tables_only(
    installed: Installed, shop: Run
) -> None:
    def lift(_payload: dict[str, Any]) -> dict[str, Any]:
        raise KeyError("foam")

    installed.points = [one for one in installed.points if one.name != "good"]
    kinds = [EventKind("good.wash", Wash, 2, {1: lift})]
    installed.add("good", plugin(event_kinds=kinds, tables=[table("good_washes")]))
    done = shop("sql", "SELECT litres FROM good_washes", "--format", "json")
    assert (done.code, json.loads(done.out)) == (0, [])
    told(done, "good", "number 2")
    assert "foam" in done.err
    for words in (("vehicles",), ("history", "bus-1"), ("outlook", "bus-1")):
        assert shop(*words).code in {0, 1}, words
    counted = shop("sql", "SELECT count(*) AS n FROM events", "--format", "json")
    assert json.loads(counted.out) == [{"n": 3}]


def test_money_of_a_kind_that_nobody_tells_is_told_as_money(
    installed: Installed, shop: Run, tmp_path: Path
) -> None:
    del installed
    paid = EventKind("good.wash", Paid)
    host = PluginHost()
    host.register(plugin(event_kinds=[paid]), "good")
    with Ledger.open(tmp_path / "roadworn.db", kinds=host.kinds()) as ledger:
        price = {"amount": "4.50", "currency": "USD"}
        ledger.append_many([event("bus-1", "good.wash", "2026-04-05", litres=90, paid=price)])
    told = shop("--without", "good", "history", "bus-1")
    assert told.code == 0
    assert "paid: 4.50 USD" in told.out


def test_a_plugin_older_than_an_event_is_named(
    installed: Installed, shop: Run, tmp_path: Path
) -> None:
    newer = PluginHost()
    newer.register(plugin(event_kinds=[EventKind("good.wash", Wash, 2, {1: dict})]), "good")
    with Ledger.open(tmp_path / "roadworn.db", kinds=newer.kinds()) as ledger:
        ledger.append_many([event("bus-1", "good.wash", "2026-04-05", litres=90)])
    done = shop("sql", "SELECT litres FROM good_washes", "--format", "json")
    assert (done.code, json.loads(done.out)) == (0, [{"litres": 80}])
    told(done, "good", "version 2")
    assert shop("vehicles").code == 0
    assert shop("history", "bus-1").code == 0


def test_a_view_that_cannot_be_made_is_named_by_who_asks_it(
    installed: Installed, shop: Run
) -> None:
    installed.add("rude", plugin(views=[view(sql="SELECT n FROM nosuch")]))
    done = shop("sql", "SELECT * FROM bad_days")
    assert done.code == 2
    told(done, "rude", "nosuch")
    named = shop("sql", "SELECT table_name FROM information_schema.tables", "--format", "json")
    assert named.code == 0, named.err
    days = shop("sql", "SELECT n FROM good_days", "--format", "json")
    assert json.loads(days.out) == [{"n": 1}]


def test_a_prefix_is_that_of_the_plugin_of_its_name(installed: Installed, shop: Run) -> None:
    installed.add("early", plugin(event_kinds=[EventKind("good.wash", Wash)]))
    done = shop("plugins", "--format", "json")
    told(done, "early", "prefix of the plugin 'good'")
    brought = {row["plugin"]: row["brings"] for row in json.loads(done.out)}
    assert "good.wash" in brought["good"]


#: What names something of a plugin, by a variable or where it is typed.
NAMES: dict[str, tuple[str, ...]] = {
    "analysis": ("analyse", "good-one"),
    "kind": ("record", "other", "good.wash", "bus-1", "80"),
    "kind of a history": ("history", "bus-1", "--kind", "good.wash"),
    "table": ("tables", "good_washes"),
    "table asked": ("sql", "SELECT * FROM good_washes"),
    "word": ("good", "bill"),
    "decoder": ("decode", "pump", "0417"),
    "importer": ("import", "log.txt", "--with", "log"),
    "sheet": ("record", "inspection", "bus-1", "horn sound", "--sheet", "hills"),
    "sheet to copy": ("sheets", "hills"),
    "sheet kept": ("ROADWORN_SHEET=hills", "record", "inspection", "bus-1", "horn sound"),
    "rules": ("analyse", "inspection-outlook", "rules=hills"),
    "rules kept": ("ROADWORN_RULES=hills", "analyse", "inspection-outlook"),
    "schedule": ("analyse", "maintenance-due", "schedule=hills"),
    "schedule kept": ("ROADWORN_SCHEDULE=hills", "analyse", "maintenance-due"),
    "life model": ("ROADWORN_LIFE_MODEL=hills", "analyse", "next-repairs"),
    "words": ("ROADWORN_WORDS=hills", "record", "inspection", "bus-1", "frt blorps bad"),
    "language": ("report", "fleet", "--language", "fr", "-o", "-"),
    "instead": ("ROADWORN_INSTEAD=next-repairs=good-next", "analyse", "next-repairs"),
}


@pytest.mark.parametrize("case", NAMES)
def test_what_is_named_of_a_plugin_left_out_says_what_leaves_it_out(
    case: str,
    installed: Installed,
    shop: Run,
    opened: LedgerView,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    del installed
    words = NAMES[case]
    if "=" in words[0]:
        monkeypatch.setenv(*words[0].split("=", maxsplit=1))
        words = words[1:]
    if words[0] == "analyse":
        monkeypatch.setattr("roadworn_cli.context.State.open_view", lambda _: nullcontext(opened))
    (tmp_path / "log.txt").write_text("bus-1\n")
    typed = shop("--without", "good", *words)
    assert (typed.code, typed.out) == (2, "")
    said = "The plugin good, which may bring it, is left out by"
    assert f"{said} --without good." in typed.err
    monkeypatch.setenv("ROADWORN_PLUGINS", "off")
    kept = shop(*words)
    assert (kept.code, f"{said} ROADWORN_PLUGINS=off." in kept.err) == (2, True), kept.err


def test_nothing_is_said_of_plugins_left_out_where_none_is_installed(
    installed: Installed, shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_PLUGINS", "off")
    installed.points = [one for one in installed.points if one.name != "good"]
    for case in ("analysis", "kind", "word", "sheet to copy", "language"):
        done = shop(*NAMES[case])
        assert (done.code, "left out" in done.err) == (2, False), done.err


def test_a_plugin_is_left_out_by_the_users_word(
    installed: Installed, shop: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def names(*before: str) -> set[str]:
        return {r["plugin"] for r in json.loads(shop(*before, "plugins", "--format", "json").out)}

    assert names() == {"bundled", "good"}
    assert names("--without", "good") == {"bundled"}
    own = shop("--without", "good", "plugins", "good")
    assert (own.code, own.err) == (2, "The plugin good is left out by --without good.\n")
    done = shop("--without", "god", "plugins")
    assert (done.code, "did you mean good?" in done.err) == (2, True)
    monkeypatch.setenv("ROADWORN_PLUGINS", "off")
    assert names() == {"bundled"}
    monkeypatch.setenv("ROADWORN_PLUGINS", "none")
    other = shop("plugins")
    assert (other.code, other.out) == (2, "")
    assert "ROADWORN_PLUGINS is 'none': set it to off" in other.err
