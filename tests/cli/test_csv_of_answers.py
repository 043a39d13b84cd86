"""CSV of an answer with several tables: one of them, the same one whatever is on record.

Read back with the standard library's csv.
"""

import csv
import io

import pytest
from commandline import Run

from roadworn.analysis import Analysis, Column, Ran, Result, Settings, Table
from roadworn.model.errors import UsageError
from roadworn_cli.results import show


def table(name: str, *rows: int) -> Table:
    return Table(name, name, (Column("n", "n", "integer"),), tuple((row,) for row in rows))


def answer(*tables: Table) -> Ran:
    result = Result("Found.", tables=tables)
    analysis = Analysis("next-thing", "t", "q?", lambda _view, _settings: result)
    return Ran(analysis, "made", Settings(), result)


def read(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


@pytest.mark.parametrize(
    "tables",
    [
        (table("due", 7), table("next_thing", 1, 2)),
        (table("next_thing", 1, 2), table("other", 9)),
        (table("next_thing", 1, 2),),
    ],
    ids=["not first", "first", "alone"],
)
def test_the_main_table_comes_whatever_stands_before_it(
    tables: tuple[Table, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    show(answer(*tables), fmt="csv")
    said = capsys.readouterr()
    assert read(said.out) == [["n"], ["1"], ["2"]]
    others = [one.name for one in tables if one.name != "next_thing"]
    assert all(name in said.err for name in others)
    assert ("--table" in said.err) == bool(others)


def test_a_named_table_comes_alone_in_every_form(capsys: pytest.CaptureFixture[str]) -> None:
    ran = answer(table("next_thing", 1), table("other", 9, 8))
    show(ran, fmt="csv", table="other")
    said = capsys.readouterr()
    assert (read(said.out), said.err) == ([["n"], ["9"], ["8"]], "")
    show(ran, fmt="table", table="other")
    said = capsys.readouterr()
    assert "other" in said.out
    assert "next_thing" not in said.out
    assert said.err == ""


def test_an_unknown_table_is_refused_by_naming_those_there_are() -> None:
    with pytest.raises(UsageError, match="it has next_thing, other"):
        show(answer(table("next_thing", 1), table("other", 9)), fmt="csv", table="tiers")
    with pytest.raises(UsageError, match="it has none"):
        show(answer(), fmt="csv", table="tiers")


def test_no_table_is_no_row_and_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    show(answer(), fmt="csv")
    said = capsys.readouterr()
    assert said.out == ""
    assert "Found." in said.err


def test_by_the_command(shop: Run) -> None:
    """A stay of a part that still runs has no failure, so there is one table and no figure."""
    replaced = shop(
        "record", "replacement", "bus-7", "alternator", "--reason", "preventive",
        "--odometer", "62000", "--on", "2026-06-01",
    )  # fmt: skip
    assert replaced.code == 0, replaced.err
    later = shop("record", "reading", "bus-7", "64000", "--on", "2026-07-01")
    assert later.code == 0, later.err
    told = shop("analyse", "part-lifespans", "--format", "csv")
    assert told.code == 0, told.err
    assert [row["running"] for row in csv.DictReader(io.StringIO(told.out))] == ["1"]
    refused = shop("analyse", "part-lifespans", "--format", "csv", "--table", "lifespans")
    assert refused.code == 2
    assert "part_lifespans" in refused.err
    page = shop("analyse", "part-lifespans", "--format", "html", "--table", "part_lifespans")
    assert page.code == 2
