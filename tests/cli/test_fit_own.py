"""`fit` takes what `sql` writes: yes and no, Parquet, lives of length 0, its own event words."""

import json
from pathlib import Path

import pytest
from commandline import Run

MADE = (
    "SELECT 'a' AS group, age, age % 3 <> 0 AS failed FROM (SELECT unnest([2, 3, 5, 7, 9, 11]) "
    "AS age) ORDER BY age"
)


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_lives_as_sql_writes_them_are_fitted(shop: Run, tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"lives.{ending}"
    assert shop("sql", MADE.replace("AS group", 'AS "group"'), "-o", str(file)).code == 0
    found = shop("fit", "lives", str(file))
    assert found.code == 0, found.err
    (group,) = json.loads(found.out)["groups"]
    assert (group["n"], group["failures"], group["running"]) == (6, 4, 2)
    plain = tmp_path / "plain.csv"
    plain.write_text(
        "group,age,failed\n" + "".join(f"a,{t},{int(t % 3 != 0)}\n" for t in (2, 3, 5, 7, 9, 11))
    )
    assert json.loads(shop("fit", "lives", str(plain)).out)["groups"] == [group]


def test_a_life_of_length_0_is_left_out_and_said(run: Run, tmp_path: Path) -> None:
    rows = "age,failed,entry\n5,1,0\n0,1,0\n8,1,0\n9,0,0\n4,0,4\n"
    (tmp_path / "a.csv").write_text(rows)
    (tmp_path / "b.csv").write_text("age,failed,entry\n5,1,0\n8,1,0\n9,0,0\n")
    found, without = (run("fit", "lives", f"{name}.csv") for name in "ab")
    assert found.code == 0
    assert "2 rows left out (3, 6)" in found.err
    answer = json.loads(found.out)
    assert answer["left_out"]["rows"] == [2, 5]
    assert answer["groups"] == json.loads(without.out)["groups"]
    # One that ends before it began is a mistake, and named by its own row.
    (tmp_path / "c.csv").write_text(rows + "3,1,4\n")
    refused = run("fit", "lives", "c.csv")
    assert refused.code != 0
    assert "c.csv:7" in refused.err


def test_ends_that_are_infinite_are_still_running(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("lower,upper\n5,5\n8,inf\n6,7\n0,0\n")
    (group,) = json.loads(run("fit", "lives", "a.csv").out)["groups"]
    assert (group["n"], group["running"]) == (3, 1)


def test_events_have_the_words_of_the_tables(run: Run, tmp_path: Path) -> None:
    plain = "unit,age,event\nA,5,repair\nA,9,end\nB,2,start\nB,4,repair\nB,8,end\n"
    (tmp_path / "a.csv").write_text(plain)
    own = plain.replace("A,5,repair", "A,5,Replacement").replace("B,4,repair", "B,4,fail")
    (tmp_path / "b.csv").write_text(
        own.replace("start", "enrolment").replace("9,end", "9,retirement")
    )
    found, others = (run("fit", "repairs", f"{name}.csv") for name in "ab")
    assert found.code == others.code == 0, others.err
    assert found.out == others.out


def test_columns_that_are_not_used_are_said(run: Run, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("age,failed,depot\n5,1,north\n8,1,south\n9,0,south\n")
    told = run("fit", "lives", "a.csv", "--format", "table")
    assert "not used: depot" in told.err
    (tmp_path / "b.csv").write_text("unit,age,event,depot\na,4,repair,x\na,9,end,x\n")
    told = run("fit", "repairs", "b.csv")
    assert "not used: depot" in told.err
    assert json.loads(told.out)["ignored_columns"] == ["depot"]
    (tmp_path / "c.json").write_text("[]")
    told = run("fit", "lives", "c.json")
    assert (told.code, "CSV or Parquet" in told.err) == (2, True)
