"""The plugin host: one broken plugin is named and the others go on."""

import importlib.metadata
import sys
import time
from collections.abc import Sequence
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Annotated, Any

import pytest
from pydantic import Field

from roadworn import (
    Analysis,
    Answers,
    Column,
    Deferred,
    EventKind,
    LedgerView,
    Mark,
    Payload,
    PluginHost,
    Result,
    Settings,
    Table,
    Tells,
    hookimpl,
)
from roadworn.analysis import Marks
from roadworn.columns.kept import nothing
from roadworn.model.errors import PluginFailure, QueryError, UnknownName, UsageError
from roadworn.testing import event, view_of

VIEW: Any = SimpleNamespace(
    checkpoint=SimpleNamespace(size=3, root="ab" * 32),
    answered=lambda *_: nothing,
    keep=lambda _question, answer, _codec: answer,
    working=nullcontext,
    give_up=lambda _thread: None,
)


class Bounds(Settings):
    most: Annotated[int, Field(ge=1, description="rows")] = 2


def answer(view: object, settings: Bounds) -> Result:
    rows = tuple((f"row {i}",) for i in range(settings.most))
    return Result("two rows", (Table("t", "T", (Column("a", "A"),), rows),))


GOOD = Analysis("good", "Good", "Does it work?", answer, Bounds)


def plugin(analyses: Any = (), kinds: Any = ()) -> object:
    class Plugin:
        @hookimpl
        def roadworn_analyses(self) -> Sequence[Analysis]:
            return analyses() if callable(analyses) else analyses

        @hookimpl
        def roadworn_event_kinds(self) -> Sequence[EventKind]:
            return kinds

    return Plugin()


def raising() -> Sequence[Analysis]:
    raise RuntimeError("no battery in the meter")


def host_with(**plugins: object) -> PluginHost:
    host = PluginHost()
    for name, item in plugins.items():
        host.register(item, name)
    return host


def test_a_plugin_that_raises_is_named_and_the_others_go_on() -> None:
    host = host_with(bad=plugin(raising), fine=plugin([GOOD]))
    assert list(host.analyses()) == ["good"]
    assert [(p.code, "'bad'" in p.message, "no battery" in p.message) for p in host.problems] == [
        ("broken-plugin", True, True)
    ]


def test_an_entry_point_that_cannot_be_imported_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = importlib.metadata.EntryPoint("broken", "no_such_module_here", "roadworn")
    real = importlib.metadata.entry_points

    def entry_points(*, group: str) -> list[importlib.metadata.EntryPoint]:
        return [broken, *real(group=group)]

    monkeypatch.setattr(importlib.metadata, "entry_points", entry_points)
    host = PluginHost.load()
    assert "repeat-failures" in host.analyses()
    assert "'broken'" in host.problems[0].message
    assert "no_such_module_here" in host.problems[0].message


def test_the_bundled_analyses_come_in_by_an_entry_point() -> None:
    found = importlib.metadata.entry_points(group="roadworn")
    assert "bundled" in {entry.name for entry in found}
    host = PluginHost.load()
    assert {plugin for plugin, _analysis in host.analyses().values()} == {"bundled"}


def test_what_is_no_analysis_is_named() -> None:
    host = host_with(odd=plugin(["part-lifespans"]))
    assert dict(host.analyses()) == {}
    assert "no Analysis" in host.problems[0].message


def test_of_two_analyses_of_one_name_the_second_is_left_out() -> None:
    second = Analysis("good", "Other", "Other?", answer)
    host = host_with(one=plugin([GOOD]), two=plugin([second]))
    assert host.analyses()["good"] == ("one", GOOD)
    assert "'two'" in host.problems[0].message


def test_a_hook_of_a_wrong_shape_is_named() -> None:
    class Wrong:
        @hookimpl
        def roadworn_analyses(self, ledger: object) -> list[Analysis]:
            return []

    host = host_with(wrong=Wrong(), fine=plugin([GOOD]))
    assert list(host.analyses()) == ["good"]
    assert "'wrong'" in host.problems[0].message


def test_results_are_given_with_where_they_are_from() -> None:
    ran = host_with(fine=plugin([GOOD])).run("good", VIEW, {"most": "3"})
    assert (ran.plugin, ran.ledger_size, len(ran.result.tables[0].rows)) == ("fine", 3, 3)


@pytest.mark.parametrize(
    ("settings", "words"),
    [({"most": "0"}, "write at least 1"), ({"mots": 2}, "it has: most")],
)
def test_a_setting_that_does_not_fit_says_what_would(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        host_with(fine=plugin([GOOD])).run("good", VIEW, settings)


def test_an_unknown_name_carries_the_nearest() -> None:
    with pytest.raises(UnknownName) as caught:
        host_with(fine=plugin([GOOD])).run("god", VIEW)
    assert caught.value.near == ("good",)


def test_an_analysis_that_raises_is_a_plugin_failure() -> None:
    def fails(view: object, settings: Settings) -> Result:
        raise ZeroDivisionError("no distance")

    host = host_with(odd=plugin([Analysis("fails", "F", "F?", fails)]))
    with pytest.raises(PluginFailure, match=r"'fails'.*'odd'.*ZeroDivisionError: no distance"):
        host.run("fails", VIEW)


def test_an_analysis_that_never_ends_is_given_up() -> None:
    def slow(view: object, settings: Settings) -> Result:
        time.sleep(5)
        return Result("late")

    host = host_with(odd=plugin([Analysis("slow", "S", "S?", slow)]))
    with pytest.raises(PluginFailure, match=r"longer than 0\.05 s"):
        host.run("slow", VIEW, time_limit=0.05)


def test_who_asks_after_one_that_was_given_up_is_answered(tmp_path: Path) -> None:
    endless = "SELECT max(a.range * b.range % 7) FROM range(20000000) AS a, range(1000) AS b"
    told: list[str] = []

    def slow(view: LedgerView, settings: Settings) -> Result:
        try:
            view.sql(endless)
        except UsageError as error:
            told.append(str(error))
        # Whoever goes on after that is in nobody's way.
        with pytest.raises(UsageError, match="given up"):
            view.sql("SELECT 1")
        told.append("out")
        return Result("late")

    def quick(view: LedgerView, settings: Settings) -> Result:
        return Result(str(view.sql("SELECT count(*) FROM vehicles").rows[0][0]))

    analyses = [Analysis("slow", "S", "S?", slow), Analysis("quick", "Q", "Q?", quick)]
    host = host_with(odd=plugin(analyses))
    with view_of([event("van-1", "enrolment", "2026-01-02")], tmp_path) as view:
        for _turn in range(2):
            with pytest.raises(PluginFailure, match="given up"):
                host.run("slow", view, time_limit=0.2)
            assert host.run("quick", view).result.headline == "1"
    deadline = time.monotonic() + 10.0
    while told.count("out") < 2 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert told.count("out") == 2


def test_an_analysis_that_returns_something_else_is_a_plugin_failure() -> None:
    def wrong(view: object, settings: Settings) -> Any:
        return {"headline": "x"}

    host = host_with(odd=plugin([Analysis("wrong", "W", "W?", wrong)]))
    with pytest.raises(PluginFailure, match="returned a dict"):
        host.run("wrong", VIEW)


def test_event_kinds_need_a_prefix() -> None:
    class Wash(Payload):
        """A wash."""

    kinds = [EventKind("garage.wash", Wash), EventKind("wash", Wash)]
    host = host_with(odd=plugin(kinds=kinds))
    registry = host.kinds()
    assert "garage.wash" in registry
    assert "wash" not in registry
    assert "prefix" in host.problems[0].message


def test_a_table_refuses_rows_of_another_width() -> None:
    with pytest.raises(ValueError, match="Row 1 of table 't' has 2 cells for 1 columns"):
        Table("t", "T", (Column("a", "A"),), (("x", "y"),))


def test_a_plugin_that_ends_the_program_when_imported_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "leaving_plugin.py").write_text("import sys\nsys.exit(3)\n")
    monkeypatch.syspath_prepend(tmp_path)
    leaving = importlib.metadata.EntryPoint("leaving", "leaving_plugin", "roadworn")
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda *, group: [leaving])
    host = PluginHost.load()
    assert "'leaving'" in host.problems[0].message


def test_a_query_that_cannot_be_run_is_the_plugins_fault() -> None:
    def asks(view: object, settings: Settings) -> Result:
        raise QueryError("The query cannot be run: there is no table nosuch.")

    host = host_with(odd=plugin([Analysis("asks", "A", "A?", asks)]))
    with pytest.raises(PluginFailure, match=r"'asks' of plugin 'odd' failed.*no table nosuch"):
        host.run("asks", VIEW)


class Parts(Settings):
    component: Annotated[str | None, Field(description="only this one")] = None


def echo(view: object, settings: Parts) -> Result:
    return Result(str(settings.component))


def test_a_component_is_named_in_words_of_the_trade() -> None:
    host = host_with(fine=plugin([Analysis("echo", "E", "E?", echo, Parts)]))
    said = host.run("echo", VIEW, {"component": "alternator"}).result.headline
    assert said == "electrical.alternator"
    with pytest.raises(UnknownName, match="No component is known by 'nonsense'"):
        host.run("echo", VIEW, {"component": "nonsense"})


def test_names_and_kinds_that_nobody_could_type_or_show_are_refused() -> None:
    with pytest.raises(ValueError, match="cannot be called 'Lamps Often!'"):
        Analysis("Lamps Often!", "L", "L?", echo)
    with pytest.raises(ValueError, match="kind 'bogus'"):
        Table("t", "T", (Column("a", "A", "bogus"),), ())  # type: ignore[arg-type]


def test_a_deferred_analysis_is_imported_when_it_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "later_shop.py").write_text(
        "from roadworn import Analysis, Result\n"
        "LATER = Analysis('later', 'Later', 'When?', lambda view, settings: Result('now'))\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    host = host_with(one=plugin([Deferred("later", "later_shop", "LATER"), GOOD]))
    assert host.run("good", VIEW).result.headline == "two rows"
    assert "later_shop" not in sys.modules
    assert host.run("later", VIEW).result.headline == "now"
    assert list(host.analyses()) == ["good", "later"]


@pytest.mark.parametrize(
    ("deferred", "why"),
    [
        (Deferred("good", "no_such_shop", "GOOD"), "no_such_shop"),
        (Deferred("another", __name__, "GOOD"), "is no analysis 'another'"),
        (Deferred("good", __name__, "VIEW"), "is no analysis 'good'"),
    ],
)
def test_a_deferred_analysis_that_is_not_there_is_named_and_left_out(
    deferred: Deferred, why: str
) -> None:
    host = host_with(one=plugin([deferred]))
    assert dict(host.analyses()) == {}
    (problem,) = host.problems
    assert (problem.code, "'one'" in problem.message) == ("broken-plugin", True)
    assert why in problem.message
    with pytest.raises(UnknownName):
        host.run(deferred.name, VIEW)


def test_an_analysis_is_found_by_what_it_answers_and_the_bundled_one_goes_first() -> None:
    own = replace(GOOD, name="our-outlook", answers=Answers.PASSES)
    assert host_with(one=plugin([GOOD])).answering(Answers.PASSES) == "inspection-outlook"
    assert host_with(one=plugin([GOOD, own])).answering(Answers.PASSES) == "our-outlook"
    bundled = replace(GOOD, name="inspection-outlook", answers=Answers.PASSES)
    assert host_with(one=plugin([own, bundled])).answering(Answers.PASSES) == "inspection-outlook"


def test_every_bundled_analysis_answers_what_it_is_named_after() -> None:
    told = {one.answers: name for name, (_plugin, one) in PluginHost.load().analyses().items()}
    assert told == {answers: answers.value for answers in Answers}


def test_marks_are_one_for_each_row_or_none() -> None:
    columns = (Column("a", "A", tells=Tells.NAME), Column("b", "B"))
    table = Table("t", "T", columns, (("x", 1), ("y", 2)), marks=(Marks({Mark.SAFETY}), Marks()))
    assert table.marked() == [(("x", 1), {Mark.SAFETY}), (("y", 2), frozenset())]
    assert (table.cells(Tells.NAME), table.cells(Tells.VALUE)) == (["x", "y"], [None, None])
    assert replace(table, marks=()).marked() == [(("x", 1), frozenset()), (("y", 2), frozenset())]
    with pytest.raises(ValueError, match="one set of marks for each row"):
        replace(table, marks=(Marks(),))
