"""Two hosts in one process do not see each other's things, in whatever order they came.

What a plugin brings to be found by its name, a look-over sheet or how a kind is told, is its
host's, and that host's only for as long as it is the one in use.
"""

import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from roadworn import (
    Analysis,
    DataFile,
    EventKind,
    Payload,
    PluginHost,
    Result,
    Settings,
    hookimpl,
)
from roadworn.analysis.guarded import guarded
from roadworn.model import in_use, using
from roadworn.model.errors import UnknownName
from roadworn.say.telling import describe
from roadworn.testing import event, view_of
from roadworn.trade.limits import SHEETS, load_sheet

WASH = {"litres": 80, "note": "hot"}


class Wash(Payload):
    litres: int
    note: str = ""


class Shop:
    """A plugin that says of itself whose it is in all that it brings."""

    def __init__(self, who: str) -> None:
        self.who = who

    @hookimpl
    def roadworn_event_kinds(self) -> list[EventKind]:
        return [EventKind("myshop.wash", Wash, sentence=f"{self.who} washed with {{litres}} l")]

    @hookimpl
    def roadworn_data_files(self) -> list[DataFile]:
        def read() -> str:
            return SHEETS.text("light").replace('title = "', f'title = "{self.who} ', 1)

        return [DataFile("bay", "look-over sheet", "Bay", read)]

    @hookimpl
    def roadworn_analyses(self) -> list[Analysis]:
        def run(_view: object, _settings: Settings) -> Result:
            return Result(f"{load_sheet('bay').title}; {describe('myshop.wash', WASH)}")

        return [Analysis("myshop-say", "Say", "Whose is it?", run, kept=False)]


def host_of(who: str) -> PluginHost:
    host = PluginHost()
    host.register(Shop(who), "myshop")
    assert "myshop.wash" in host.kinds()
    assert host.told_of("myshop.wash") is not None
    assert list(host.data_files("look-over sheet")) == ["bay"]
    return host


def nobodys() -> None:
    """Hold that no plugin is in use here."""
    assert describe("myshop.wash", WASH) == "litres: 80, note: hot"
    with pytest.raises(UnknownName):
        load_sheet("bay")


def test_nothing_is_left_of_a_host_that_is_not_in_use() -> None:
    host = host_of("Ann")
    nobodys()
    with using(lambda: host):
        assert describe("myshop.wash", WASH) == "Ann washed with 80 l"
        assert load_sheet("bay").title.startswith("Ann ")
    nobodys()


def test_each_analysis_finds_what_its_own_host_brings(tmp_path: Path) -> None:
    one, two = host_of("Ann"), host_of("Ben")
    with view_of([event("van-1", "enrolment", "2026-05-04")], tmp_path, host=one) as view:
        told = [host.run("myshop-say", view).result.headline for host in (one, two, one)]
    assert [text.split()[0] for text in told] == ["Ann", "Ben", "Ann"]
    assert [text.partition("; ")[2].split()[0] for text in told] == ["Ann", "Ben", "Ann"]
    nobodys()


def test_a_thread_of_its_own_sees_the_host_that_it_was_started_under() -> None:
    one, two = host_of("Ann"), host_of("Ben")
    seen: dict[str, str] = {}
    both = threading.Barrier(2)

    def work(name: str, host: PluginHost) -> None:
        with using(lambda: host):
            both.wait(5)
            seen[name] = guarded(lambda: describe("myshop.wash", WASH), 5.0)

    threads = [threading.Thread(target=work, args=pair) for pair in (("a", one), ("b", two))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert seen == {"a": "Ann washed with 80 l", "b": "Ben washed with 80 l"}
    nobodys()


def test_plugins_are_loaded_only_by_a_name_that_does_not_ship() -> None:
    asked: list[str] = []

    def load() -> PluginHost:
        asked.append("asked")
        return host_of("Ann")

    with using(load):
        load_sheet("light_vehicle")
        describe("odometer_reading", {})
        assert asked == []
        assert load_sheet("bay").title.startswith("Ann ")
    assert asked == ["asked"]


def test_a_plugin_that_is_asked_sees_its_own_host() -> None:
    seen: list[Callable[[], object]] = []

    class Looks:
        @hookimpl
        def roadworn_analyses(self) -> list[Analysis]:
            seen.append(in_use)
            assert in_use() is host
            return []

    host = PluginHost()
    host.register(Looks(), "looks")
    assert host.names() == []
    assert seen
    assert host.problems == []
