"""Results kept on disk: as computed afresh after whatever change, and never computed twice.

Each change is made to a ledger whose answers were kept before it, and what is then answered is
held against the same question put with nothing kept.
"""

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from builders import ledger_of, replaced, usd
from columns.made import history
from commandline import Run

from roadworn import LedgerView, PluginHost, open_view
from roadworn.analysis import RESULT_TYPES
from roadworn.columns.kept import Codec, nothing
from roadworn.model.errors import PluginFailure
from roadworn.testing import event

CODEC = Codec(RESULT_TYPES)
OWN = """
from pathlib import Path
from typing import Annotated
from pydantic import Field
from roadworn import Analysis, Result, Settings, hookimpl

class Own(Settings):
    file: Annotated[str, Field(description="a file")] = ""
    unit: Annotated[str, Field(description="a unit")] = "mi"
    vehicle: Annotated[str | None, Field(description="a vehicle")] = None

def run(view, settings):
    with open({log!r}, "a") as log:
        log.write("x")
    content = Path(settings.file).read_text() if settings.file else ""
    n = view.sql("SELECT count(*) FROM effective_events").rows[0][0]
    return Result(f"{{n}} {{content}} {{settings.unit}} {{view.today}} {word}")

def breaks(view, settings):
    run(view, settings)
    raise {error}("the parts do not fit")

@hookimpl
def roadworn_analyses():
    return [
        Analysis("own-broken", "Broken", "Why?", breaks, Own),
        Analysis("own", "Own", "What?", run, Own),
        Analysis("own-clock", "Clock", "When?", run, Own, kept=False),
    ]
"""


class Shop:
    """A ledger, and a plugin that writes down how often it was run."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "log"
        self.log.touch()
        self.version = "1"
        events = [event("bus-1", "enrolment", "2025-01-01", odometer=100, vehicle_class="bus")]
        self.ledger = ledger_of(folder / "shop.db", events)
        self.write("first")

    def write(self, word: str, error: str = "KeyError") -> None:
        text = OWN.format(log=str(self.log), word=word, error=error)
        (self.folder / "own_plugin.py").write_text(text)

    def ask(self, name: str = "own", as_of: str = "2026-06-30", **settings: Any) -> str:
        sys.modules.pop("own_plugin", None)
        sys.path.insert(0, str(self.folder))
        try:
            plugin = __import__("own_plugin")
            host = PluginHost()
            host.register(plugin, "own", self.version)
            with open_view(self.ledger, as_of=as_of, keep=host.keep_by()) as view:
                return str(host.run(name, view, settings).result.headline)
        finally:
            sys.path.remove(str(self.folder))

    @property
    def runs(self) -> int:
        return len(self.log.read_text())


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    yield Shop(tmp_path)
    sys.modules.pop("own_plugin", None)


def test_the_same_question_is_computed_once(shop: Shop) -> None:
    first = shop.ask()
    assert first == "1  mi 2026-06-30 first"
    assert shop.ask() == first
    assert shop.runs == 1


def test_one_that_says_so_is_never_kept(shop: Shop) -> None:
    assert shop.ask("own-clock") == shop.ask("own-clock")
    assert shop.runs == 2


def broken(shop: Shop) -> str:
    with pytest.raises(PluginFailure) as failure:
        shop.ask("own-broken")
    return failure.value.message


def test_one_that_breaks_is_not_run_again_on_the_same_state(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = broken(shop)
    assert "KeyError" in first
    assert broken(shop) == first
    assert shop.runs == 1
    appended(shop)
    assert broken(shop) == first
    assert shop.runs == 2
    monkeypatch.setenv("ROADWORN_DEBUG", "1")
    broken(shop)
    assert shop.runs == 3
    monkeypatch.delenv("ROADWORN_DEBUG")
    shop.write("mended", error="ValueError")
    assert "ValueError" in broken(shop)


@pytest.mark.parametrize("error", ["OSError", "MemoryError", "SystemExit"])
def test_one_that_breaks_by_the_hour_is_run_again(shop: Shop, error: str) -> None:
    shop.write("other", error=error)
    assert broken(shop) == broken(shop)
    assert shop.runs == 2


def appended(shop: Shop) -> dict[str, Any]:
    from roadworn.intake import Ledger

    with Ledger.open(shop.ledger, writable=True) as ledger:
        ledger.append(event("bus-1", "odometer_reading", "2026-01-01", odometer=200))
    return {}


def renewed(shop: Shop) -> dict[str, Any]:
    shop.version = "2"
    return {}


def rewritten(shop: Shop) -> dict[str, Any]:
    shop.write("other")
    return {}


def on_another_day(shop: Shop) -> dict[str, Any]:
    del shop
    return {"as_of": "2026-06-29"}


def otherwise_set(shop: Shop) -> dict[str, Any]:
    del shop
    return {"unit": "km"}


@pytest.mark.parametrize("change", [appended, renewed, rewritten, on_another_day, otherwise_set])
def test_whatever_changes_is_computed_afresh(
    change: Callable[[Shop], dict[str, Any]], shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop.ask()
    asked = change(shop)
    found = shop.ask(**asked)
    assert shop.runs == 2
    monkeypatch.setenv("ROADWORN_KEPT", "off")
    assert shop.ask(**asked) == found
    assert shop.runs == 3


def test_a_file_that_a_setting_names_is_read_again_when_it_changes(shop: Shop) -> None:
    named = shop.folder / "named.txt"
    named.write_text("one")
    assert "one" in shop.ask(file=str(named))
    named.write_text("two")
    assert "two" in shop.ask(file=str(named))
    assert "two" in shop.ask(file=str(named))
    assert shop.runs == 2


def test_what_the_environment_sets_counts(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    rules = shop.folder / "rules.toml"
    shop.ask()
    for number, content in ((2, "a"), (3, "b")):
        rules.write_text(content)
        monkeypatch.setenv("ROADWORN_RULES", str(rules))
        shop.ask()
        shop.ask()
        assert shop.runs == number


def test_nothing_is_kept_when_it_is_switched_off(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_KEPT", "off")
    shop.ask()
    shop.ask()
    assert shop.runs == 2
    assert not (shop.folder / "shop.db.columns").exists()


def test_a_plugin_that_is_no_file_keeps_nothing() -> None:
    host = PluginHost()
    host.register(type("Loose", (), {"__module__": "nowhere"})(), "loose")
    assert host.keep_by() == ""


# --- the whole of it, by the command line -------------------------------------------------


WORDS = (
    ("outlook", "bus-1"),
    ("outlook", "bus-2"),
    ("vehicles",),
    ("history", "bus-1"),
    ("analyse", "repeat-failures", "--format", "json"),
    ("analyse", "next-repairs", "--vehicle", "bus-0"),
)


def told(run: Run, *before: str) -> list[str]:
    """Return what the commands print, run times left out."""
    found = []
    for words in WORDS:
        done = run("--ledger", "shop.db", *before, *words)
        assert done.code == 0, done.err
        found.append("\n".join(line for line in done.out.splitlines() if '"seconds"' not in line))
    return found


@pytest.mark.slow
def test_the_command_line_tells_the_same_kept_and_afresh(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger_of(tmp_path / "shop.db", list(history(4, 120)))
    steps: tuple[Callable[[], object], ...] = (
        lambda: None,
        lambda: run("record", "replacement", "bus-1", "alternator", "--reason", "failed"),
        lambda: run(
            "retract", run("record", "reading", "bus-1", "999,000 km").event, "--reason", "slip"
        ),
        lambda: monkeypatch.setenv("ROADWORN_UNIT", "km"),
    )
    monkeypatch.setenv("ROADWORN_LEDGER", "shop.db")
    for step in steps:
        step()
        for before in (
            (),
            ("--as-of", "2024-12-31"),
            ("--as-of", "2024-12-31", "--known-by", "occurred"),
        ):
            kept = [told(run, *before), told(run, *before)]
            with monkeypatch.context() as off:
                off.setenv("ROADWORN_KEPT", "off")
                fresh = told(run, *before)
            assert kept == [fresh, fresh]


@pytest.mark.slow
def test_every_analysis_of_the_demo_is_kept_exactly(
    demo_view: LedgerView, host: PluginHost
) -> None:
    """Reading gives back what was written: figures, sentences with their arguments, marks."""
    import orjson

    for name in host.names():
        settings = {} if name == "projection-backtest" else {"vehicle": "car-9"}
        result = host.run(name, demo_view, also=settings).result
        read = CODEC.made(orjson.loads(orjson.dumps(CODEC.plain(result))))
        assert read == result
        assert repr(read) == repr(result).replace("np.float64(", "(") or CODEC.plain(
            read
        ) == CODEC.plain(result)


def test_the_lives_of_the_fleet_outlive_what_leaves_them_as_they_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from roadworn.intake import Ledger
    from roadworn_plugins.shared import fleet_lives

    path = ledger_of(tmp_path / "shop.db", list(history(4, 160)))
    fitted: list[int] = []
    fit = fleet_lives.ComponentLives._fit

    def counted(self: Any, *given: Any) -> None:
        fitted.append(1)
        fit(self, *given)

    monkeypatch.setattr(fleet_lives.ComponentLives, "_fit", counted)

    def lives(keep: str) -> Any:
        with open_view(path, as_of="2026-01-31", keep=keep) as view:
            found = fleet_lives.ComponentLives(view)
            names = (*fleet_lives._FITTED, "leaving")
            return fleet_lives._KEPT.plain([getattr(found, name) for name in names])

    def append(kind: str, **more: Any) -> None:
        with Ledger.open(path, writable=True) as ledger:
            ledger.append(event("bus-1", kind, "2026-01-20", **more))

    first = lives("this program")
    assert len(first[1][1]) > 3
    assert lives("this program") == first
    append("valuation", value=usd("2000"), source="shop")
    assert lives("this program") == first == lives("")
    assert len(fitted) == 2
    assert lives("another program") == first
    assert len(fitted) == 3
    last = json.loads(json.dumps(first))
    append("replacement", component="electrical.alternator", reason="failed")
    assert lives("this program") != last
    assert lives("this program") == lives("")
    assert len(fitted) == 5


WARM = """
import sys
from roadworn_cli.main import main
code = main(sys.argv[1:])
# Plates are no events: who opens the ledger for them knows its kinds.
kinds = [] if sys.argv[1] == "vehicles" else ["roadworn.model.payloads"]
heavy = ["duckdb", "numpy", "scipy", *kinds]
print([name for name in heavy if name in sys.modules], file=sys.stderr)
sys.exit(code)
"""


@pytest.mark.slow
@pytest.mark.parametrize("words", [("outlook", "bus-1"), ("vehicles",), ("history", "bus-1")])
def test_what_is_kept_is_told_without_the_libraries_that_compute(
    words: tuple[str, ...], tmp_path: Path
) -> None:
    ledger_of(
        tmp_path / "roadworn.db", [*history(4, 60), replaced("bus-1", "2025-05-01", "brake.pad")]
    )
    environment = {name: value for name, value in os.environ.items() if "ROADWORN" not in name}

    def asked() -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", WARM, *words],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        )

    first, again = asked(), asked()
    assert again.stdout == first.stdout
    assert first.stderr.splitlines()[-1] != "[]"
    assert again.stderr.splitlines()[-1] == "[]"


@pytest.mark.slow
def test_the_next_vehicle_is_told_as_afresh_and_without_the_database(
    demo_ledger: Path, tmp_path: Path
) -> None:
    """Whatever vehicle was asked about before, with the rows that were asked for it."""
    environment = {name: value for name, value in os.environ.items() if "ROADWORN" not in name}
    shutil.copytree(demo_ledger.parent, tmp_path / "demo")
    shutil.rmtree(tmp_path / "demo" / "roadworn.db.columns" / "kept", ignore_errors=True)

    def asked(vehicle: str, **more: str) -> tuple[str, str]:
        words = ["--ledger", "demo/roadworn.db", "--as-of", "2026-11-20", "outlook", vehicle]
        done = subprocess.run(
            [sys.executable, "-c", WARM, *words, "--more"],
            cwd=tmp_path,
            env=environment | more,
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout, done.stderr.splitlines()[-1]

    asked("car-4")
    for vehicle in ("car-9", "bus-3", "van-5"):
        told, imported = asked(vehicle)
        assert told == asked(vehicle, ROADWORN_KEPT="off")[0]
        assert "duckdb" not in imported


def test_a_view_stays_with_the_events_it_was_opened_at(tmp_path: Path) -> None:
    """It opens its tables when it is first asked, and others may have written since."""
    from roadworn.intake import Ledger

    path = ledger_of(tmp_path / "shop.db", [event("bus-1", "enrolment", "2025-01-01")])
    with open_view(path, keep="a") as view:
        with Ledger.open(path, writable=True) as ledger:
            ledger.append(event("bus-2", "enrolment", "2025-01-02"))
        assert view.sql("SELECT vehicle_id FROM vehicles").rows == [("bus-1",)]
        assert view.answered(["sql", "SELECT 1", []], CODEC) is nothing
    with open_view(path, keep="a") as view:
        assert len(view.sql("SELECT vehicle_id FROM vehicles").rows) == 2


def test_a_kept_result_says_where_it_is_from(run: Run, tmp_path: Path) -> None:
    ledger_of(tmp_path / "roadworn.db", list(history(4, 40)))
    words = ("analyse", "odometer-audit", "--format", "json")
    first, again = (json.loads(run(*words).out) for _ in range(2))
    assert {**first, "seconds": 0} == {**again, "seconds": 0}
