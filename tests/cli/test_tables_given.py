"""Plain tables for `fit`, codes for `decode` and queries for `sql`, with mistakes in them."""

from pathlib import Path

import pytest
from commandline import Run


def test_rows_are_counted_as_lines_and_all_bad_ones_are_named(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("age,failed\n100,1\nx,1\n200,2\n-5,0\n300,0\n")
    found = run("fit", "lives", "a.csv")
    assert found.code == 1
    assert [row in found.err for row in ("a.csv:3:age", "a.csv:4:failed", "a.csv:5")] == [True] * 3
    assert "3 problems" in found.err
    (tmp_path / "c.csv").write_text("age,failed\n100,1\n200\n300,0,1\n")
    found = run("fit", "lives", "c.csv")
    assert found.code == 2
    assert "rows 3, 4 have another number of cells" in found.err
    (tmp_path / "e.csv").write_text("unit,age,event\nu,5,repair\nu,x,end\nu,7,sold\n")
    found = run("fit", "repairs", "e.csv")
    assert "e.csv:3:age" in found.err
    assert "e.csv:4:event" in found.err


def test_missing_columns_are_a_matter_of_usage(run: Run, tmp_path: Path) -> None:
    (tmp_path / "d.csv").write_text("age,group\n100,1\n")
    assert run("fit", "lives", "d.csv").code == 2


def test_semicolons_and_decimal_commas_are_read_by_options(run: Run, tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_text("age;failed\n100,5;1\n200,25;0\n150;1\n")
    refused = run("fit", "lives", "b.csv")
    assert refused.code == 2
    assert "--delimiter ';'" in refused.err
    assert "--decimal-comma" in refused.err
    read = run("fit", "lives", "b.csv", "--delimiter", ";", "--decimal-comma")
    assert read.code == 0, read.err
    (tmp_path / "p.csv").write_text("age,failed\n100.5,1\n200.25,0\n150,1\n")
    assert read.json() == run("fit", "lives", "p.csv").json()
    assert run("fit", "lives", "b.csv", "--delimiter", "--").code == 2


def test_an_unknown_table_is_answered_with_our_own(shop: Run) -> None:
    near = shop("sql", "SELECT * FROM vehicels")
    assert near.code == 2
    assert "did you mean vehicles" in near.err
    far = shop("sql", "SELECT * FROM zzz")
    assert "`roadworn tables` lists them" in far.err
    assert not any(word in near.err + far.err for word in ("pg_", "duckdb", "sqlite"))


def test_several_codes_are_decoded_at_once(run: Run) -> None:
    told = run("decode", "code", "P0420", "P0171", "--format", "json").json()
    assert isinstance(told, list)
    assert [code["code"] for code in told] == ["P0420", "P0171"]
    table = run("decode", "code", "P0420", "P0171").out
    assert {line.split()[0] for line in table.splitlines()[2:]} == {"P0420", "P0171"}
    alone = run("decode", "code", "P0420", "--format", "json").json()
    assert alone == told[0]


@pytest.mark.parametrize(
    "words", [["history"], ["outlook"], ["report", "vehicle"], ["record", "inspection"], ["import"]]
)
def test_the_words_of_a_usage_line_are_alike(run: Run, words: list[str]) -> None:
    usage = run(*words, "--help").out.split("\n\n")[0]
    assert "[[" not in usage
    assert "...}" not in usage
    assert "{vehicle}" not in usage
