"""`sql`: values and files of one's own, every form written by the database, a prompt."""

import csv
import json
from io import StringIO
from pathlib import Path

import duckdb
import pytest
from commandline import Run

from roadworn_cli import prompt as prompting
from roadworn_cli.context import State
from roadworn_cli.sql import _outside, _tables

ODD = (
    "SELECT 1/0.0 AS a, 1 AS a, '=HYPERLINK(1)' AS run, 'a;=b' AS parted, true AS yes, "
    "CAST(NULL AS VARCHAR) AS none, 'x\u202ey' || chr(10) || 'z' AS odd, [1, 2] AS many, "
    "TIMESTAMP '2026-01-02 03:04:05' AS moment -- and a remark"
)


def test_values_come_in_by_name(shop: Run) -> None:
    asked = "SELECT vehicle_id FROM vehicles WHERE vehicle_id = $v AND enrolled_on >= $day"
    found = shop("sql", asked, "--set", "v=bus-7", "--set", "day=2026-05-01", "--format", "ndjson")
    assert json.loads(found.out) == {"vehicle_id": "bus-7"}
    # What would be SQL is a value all the same.
    none = shop("sql", asked, "--set", "v=x' OR '1'='1", "--set", "day=2026-05-01")
    assert "bus-7" not in none.out
    for words, told in (((), "v"), (("--set", "w=1"), "w"), (("--set", "v"), "NAME=VALUE")):
        refused = shop("sql", "SELECT $v", *words)
        assert refused.code == 2
        assert told in refused.err


def test_own_files_stand_beside_the_tables(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("vehicle,price\nbus-7,1200.50\n")
    con = duckdb.connect()
    con.execute("COPY (SELECT 'bus-7' AS vehicle, 3 AS n) TO 'own.parquet' (FORMAT parquet)")
    asked = (
        "SELECT vehicle_id, price, n FROM vehicles JOIN prices ON prices.vehicle = vehicle_id "
        "JOIN numbers ON numbers.vehicle = vehicle_id"
    )
    files = ("--with", "prices=own.csv", "--with", "numbers=own.parquet")
    assert shop("sql", asked, *files, "--format", "csv").out.split() == [
        '"vehicle_id",price,n',
        '"bus-7",1200.5,3',
    ]
    for given, told in (
        ("vehicles=own.csv", "vehicles already"),
        ("a=gone.csv", "gone.csv is not there"),
        ("a b=own.csv", "no name of a table"),
        ("a=roadworn.db", "by its ending"),
    ):
        refused = shop("sql", "SELECT 1", "--with", given)
        assert refused.code in (2, 4)
        assert told in refused.err
    # The files are tables by then: no query opens one.
    assert shop("sql", "SELECT * FROM read_csv('own.csv')", *files).code == 2


def test_what_a_query_lacks_is_said_with_the_remedy(shop: Run, tmp_path: Path) -> None:
    wanted = {
        ("SELECT * FROM vehicles WHERE vehicle_id = $v",): "--set NAME=VALUE",
        ("SELECT count(*) FROM codes JOIN vehicles USING (code)",): "`roadworn tables TABLE` lists",
        ("SELECT nothing FROM vehicles",): "`roadworn tables TABLE` lists",
        ("SELECT 1", "-o", str(tmp_path / "a.xlsx")): "end it in .csv, .json, .ndjson, .parquet",
    }
    for words, remedy in wanted.items():
        told = shop("sql", *words)
        assert told.code == 2
        assert remedy in " ".join(told.err.split())


def test_a_file_may_be_markdown_a_result_or_lines(shop: Run, tmp_path: Path) -> None:
    asked = "SELECT vehicle_id FROM vehicles"
    for name in ("a.md", "a.jsonl"):
        assert shop("sql", asked, "-o", name).code == 0
    assert (tmp_path / "a.md").read_text() == "| vehicle_id |\n| --- |\n| bus-7 |\n"
    assert json.loads((tmp_path / "a.jsonl").read_text()) == {"vehicle_id": "bus-7"}
    assert shop("sql", asked, "-o", "kept.json", "--format", "result").code == 0
    assert json.loads((tmp_path / "kept.json").read_text())["rows"] == [["bus-7"]]
    assert shop("redo", "kept.json").code == 0
    # A result brings its day and root: another one beside it would be heeded by nobody.
    assert "leave out --as-of" in shop("--as-of", "2026-05-04", "redo", "kept.json").err
    assert shop("sql", asked, "-o", "a.md").code == 3


def test_an_export_by_year_is_read_back_as_one_table(shop: Run) -> None:
    shop("record", "reading", "bus-7", "61,100 mi", "--on", "2026-05-03")
    assert shop("export", "parquet", "out", "--by-year").code == 0
    asked = "SELECT year, count(*) AS n FROM mine GROUP BY 1"
    told = shop("sql", asked, "--with", "mine=out/readings", "--format", "ndjson")
    here = shop("sql", "SELECT count(*) AS n FROM readings", "--format", "ndjson")
    assert json.loads(told.out) == {"year": 2026, **json.loads(here.out)}
    empty = shop("sql", "SELECT 1", "--with", "mine=out/none")
    assert (empty.code, "is not there" in empty.err) == (4, True)


def test_a_slip_is_said_with_what_was_meant(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "own.csv").write_text("component,list_price\nbrake.pad,40\n")
    wanted = {
        ("SELECT sum(cost) FROM replacements",): "did you mean labour_cost or other_cost or",
        ("SELECT r.componnent FROM replacements r",): "did you mean component",
        ("SELECT price FROM own", "--with", "own=own.csv"): "did you mean list_price?",
        ('SELECT * FROM vehicles WHERE vehicle_id = "b-7"',): "in single quotes: 'b-7'",
        ("SELECT $v", "--set", "v=1", "--set", "w=1"): "it has no $w: name it there",
        ("SELECT $v + 1", "--set", "v=1"): "CAST($n AS DOUBLE).",
        ("SELECT * FROM 'own.csv'",): "--with NAME=FILE",
        ("SELECT vehicle_id\nFROM vehicles\nWHERE WHERE",): "in line 3.",
    }
    for words, told in wanted.items():
        refused = shop("sql", *words)
        assert refused.code == 2
        assert told in " ".join(refused.err.split()), refused.err
    # Which columns there are is no remedy for a GROUP BY.
    grouped = shop("sql", "SELECT make, count(*) FROM vehicles").err
    assert "GROUP BY" in grouped
    assert "roadworn tables" not in grouped


def test_json_keeps_every_column_and_infinity(shop: Run) -> None:
    (row,) = json.loads(shop("sql", ODD, "--format", "json").out)
    assert row["a"] == "Infinity"
    assert row["a_1"] == 1
    assert row["none"] is None
    assert row["odd"] == "x\u202ey\nz"
    assert row["many"] == [1, 2]
    (line,) = shop("sql", ODD, "--format", "ndjson").out.splitlines()
    assert json.loads(line) == row
    assert "\u202e" not in line


def test_csv_runs_nothing_and_loses_nothing(shop: Run) -> None:
    heading, row = csv.reader(StringIO(shop("sql", ODD, "--format", "csv").out))
    found = dict(zip(heading, row, strict=True))
    assert found["run"] == "'=HYPERLINK(1)"
    assert found["parted"] == "a;=b"
    assert (found["a"], found["a_1"], found["yes"], found["none"]) == ("inf", "1", "yes", "")
    assert found["odd"] == "x\\u202ey\nz"
    assert found["moment"] == "2026-01-02T03:04:05"


@pytest.mark.parametrize("form", ["csv", "json", "ndjson", "parquet"])
def test_a_file_is_written_once_and_whole(shop: Run, tmp_path: Path, form: str) -> None:
    target = tmp_path / f"out.{form}"
    asked = "SELECT i, i::VARCHAR AS t FROM range(5000) r(i) ORDER BY i DESC"
    written = shop("sql", asked, "-o", str(target))
    assert written.code == 0, written.err
    assert "5,000 rows" in written.err
    reader = {"ndjson": "read_json", "json": "read_json"}.get(form, f"read_{form}")
    found = duckdb.sql(f"SELECT CAST(i AS BIGINT), t FROM {reader}('{target}')").fetchall()
    assert [row[0] for row in found] == list(range(4999, -1, -1))
    again = shop("sql", asked, "-o", str(target))
    assert again.code == 3
    assert "nothing is overwritten" in again.err


def test_parquet_says_what_it_rests_on(shop: Run, tmp_path: Path) -> None:
    target = tmp_path / "out.parquet"
    shop("sql", "SELECT $n AS n", "--set", "n=1", "-o", str(target))
    query = f"SELECT decode(value) FROM parquet_kv_metadata('{target}') WHERE key = 'roadworn'"
    ((text,),) = duckdb.sql(query).fetchall()
    said = json.loads(text)
    assert said["query"] == "SELECT $n AS n"
    assert said["parameters"] == {"n": "1"}
    assert said["ledger"]["size"] == 1
    assert len(said["ledger"]["root"]) == 64


def test_markdown_and_files_of_queries(shop: Run, tmp_path: Path) -> None:
    (tmp_path / "q.sql").write_text("SELECT 'a|b' AS x,\n  true AS y;\n")
    told = shop("sql", "--file", "q.sql", "--format", "markdown").out
    assert told == "| x | y |\n| --- | --- |\n| a\\|b | yes |\n"
    assert shop("sql", "SELECT 1", "--file", "q.sql").code == 2
    assert shop("sql", "--file", "gone.sql").code == 4


def test_every_answer_says_its_root(shop: Run) -> None:
    root = json.loads(shop("sql", "SELECT 1 AS n", "--format", "result").out)["ledger"]["root"]
    for form in ("table", "csv", "json", "ndjson", "markdown"):
        assert f"root {root[:16]}" in shop("sql", "SELECT 1 AS n", "--format", form).err


def test_the_prompt_answers_until_somebody_leaves(
    shop: Run, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ROADWORN_SQL_HISTORY", str(tmp_path / "lines"))
    state = State(tmp_path / "roadworn.db")
    typed: list[object] = [
        "SELECT count(*) AS many", KeyboardInterrupt, "SELECT vehicle_id", "FROM vehicles;",
        "SELECT nothing FROM vehicles;", "DELETE FROM vehicles;", ".tables", "quit;",
    ]  # fmt: skip

    def ask(_prompt: str) -> str:
        line = typed.pop(0)
        if isinstance(line, str):
            return line
        raise KeyboardInterrupt

    prompting.prompt(state, _outside({}, None), _tables(state), 10, 0, ask)
    told = capsys.readouterr()
    assert "bus-7" in told.out
    assert "part_lives" in told.out
    assert "cannot be run" in told.err
    assert "Only one SELECT" in told.err
    assert not typed
    assert prompting.completed(["vehicles", "vin"], "ve", 0) == "vehicles"
    assert prompting.completed(["vehicles", "vin"], "ve", 1) is None
