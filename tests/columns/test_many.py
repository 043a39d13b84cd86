"""Analyses over exported columns: of one ledger as by itself, of several with vehicles apart.

DuckDB over the ledger is what both engines are held against. Spark is tried where Java and pyspark
are there (`pip install ".[spark]"`); what it is told is tried everywhere.
"""

import importlib.util
import json
import math
import shutil
import sys
from pathlib import Path

import pytest
from analyses import small_shop
from builders import ledger_of
from commandline import Run

from roadworn import PluginHost, open_view
from roadworn.analysis import Result
from roadworn.columns.export import export_tables
from roadworn.columns.many import ColumnsView, open_columns
from roadworn.columns.spark import translated
from roadworn.columns.spec import Outside
from roadworn.columns.view import LedgerView, dictionary
from roadworn.model.errors import QueryError, UsageError
from roadworn_demo import DEMO_TODAY

ASKED = {
    "part-lifespans": {"by": "component,class"},
    "repeat-failures": {},
    "next-repairs": {"past_days": "0"},
}
HAS_SPARK = importlib.util.find_spec("pyspark") is not None and shutil.which("java") is not None


def exported(ledger: Path, day: str, into: Path) -> Path:
    """Return the columns of a ledger as of a day."""
    with open_view(ledger, as_of=day, outside=Outside(into=into)) as view:
        export_tables(view, dictionary(), into, "parquet")
    return into


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return ledger_of(tmp_path_factory.mktemp("shop") / "shop.db", list(small_shop.events()))


@pytest.fixture(scope="module")
def columns(ledger: Path) -> Path:
    return exported(ledger, small_shop.TODAY, ledger.parent / "north")


def same(one: Result, other: Result) -> None:
    """Refuse two results that are not the same to 1e-9."""
    assert one.headline == other.headline
    assert [table.name for table in one.tables] == [table.name for table in other.tables]
    for a, b in zip(one.tables, other.tables, strict=True):
        assert len(a.rows) == len(b.rows)
        for number, rows in enumerate(zip(a.rows, b.rows, strict=True)):
            for x, y in zip(*rows, strict=True):
                if isinstance(x, float) and isinstance(y, float):
                    assert math.isclose(x, y, rel_tol=1e-9, abs_tol=1e-9), (a.name, number)
                else:
                    assert x == y, (a.name, number)
        assert a.evidence == b.evidence, a.name


def asked(host: PluginHost, view: LedgerView) -> dict[str, Result]:
    return {name: host.run(name, view, given).result for name, given in ASKED.items()}


def test_the_columns_of_a_ledger_answer_as_the_ledger(
    host: PluginHost, ledger: Path, columns: Path
) -> None:
    with open_view(ledger, as_of=small_shop.TODAY) as own, open_columns([columns]) as other:
        assert other.checkpoint == own.checkpoint
        found = asked(host, other)
        for name, result in asked(host, own).items():
            same(result, found[name])


def test_vehicles_of_two_ledgers_are_apart(host: PluginHost, columns: Path, tmp_path: Path) -> None:
    second = ledger_of(tmp_path / "south.db", list(small_shop.events()))
    south = exported(second, small_shop.TODAY, tmp_path / "south")
    with open_columns([columns, south]) as both, open_columns([columns]) as one:
        ids = [row[0] for row in both.sql("SELECT vehicle_id FROM vehicles ORDER BY 1").rows]
        assert len(ids) == len(set(ids)) == 36
        assert {text.partition("/")[0] for text in ids} == {"north", "south"}
        (twice,) = both.sql("SELECT count(*), count(DISTINCT seq) FROM events").rows
        assert twice[0] == twice[1] == 2 * one.sql("SELECT count(*) FROM events").rows[0][0]
        lives = host.run("part-lifespans", both).result.table("part_lifespans").records()
        alone = host.run("part-lifespans", one).result.table("part_lifespans").records()
    assert [row["lives"] for row in lives] == [2 * row["lives"] for row in alone]
    assert [row["median"] for row in lives] == [row["median"] for row in alone]
    assert all(
        a["b50"] == pytest.approx(b["b50"], abs=100)
        for a, b in zip(lives, alone, strict=True)
        if a["b50"]
    )


def test_columns_cannot_be_written_or_left(columns: Path) -> None:
    with open_columns([columns]) as view:
        with pytest.raises(QueryError, match="Only one SELECT"):
            view.sql("DROP VIEW vehicles")
        with pytest.raises(QueryError):
            view.sql("SELECT * FROM read_text('/etc/hostname')")
        with pytest.raises(UsageError, match="cannot be set back"):
            view.set_back("2024-01-01")


def test_the_command_asks_columns(run: Run, columns: Path, tmp_path: Path) -> None:
    told = run("analyse", "next-repairs", "--columns", str(columns), "--format", "json")
    assert told.code == 0, told.err
    found = told.json()
    assert found["engine"] == "duckdb"
    assert found["columns"][0]["root"] == found["ledger"]["root"]
    refused = {
        ("--engine", "spark"): "add --columns DIR",
        ("--columns", str(tmp_path / "nothing")): "holds no exported columns",
        ("--columns", str(columns), "--columns", str(columns)): "named twice",
        ("--columns", str(columns), "--engine", "abacus"): "The engine",
    }
    for words, sentence in refused.items():
        outcome = run("analyse", "part-lifespans", *words)
        assert outcome.code in (2, 4)
        assert sentence in outcome.err
        assert len(outcome.err.splitlines()) == 1
    outcome = run("--as-of", "2024-01-01", "analyse", "part-lifespans", "--columns", str(columns))
    assert outcome.code == 2
    assert "the day they were exported with" in outcome.err


def test_columns_of_different_days_are_not_put_together(
    columns: Path, ledger: Path, tmp_path: Path
) -> None:
    other = tmp_path / "south"
    shutil.copytree(columns, other)
    told = json.loads((other / "checkpoint.json").read_text())
    told["root"] = "0" * 64
    (other / "checkpoint.json").write_text(json.dumps({**told, "today": "2024-01-01"}))
    with pytest.raises(UsageError, match="different days"):
        open_columns([columns, other])
    (other / "checkpoint.json").write_text(json.dumps(told))
    (other / "vehicles.parquet").write_bytes(b"PAR1")
    with pytest.raises(UsageError, match="export them anew"):
        open_columns([columns, other])


def test_every_query_can_be_said_to_spark(
    host: PluginHost, columns: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever writes a query that Spark cannot be told finds out here, without Spark."""
    seen: list[tuple[str, list[object]]] = []
    plain = ColumnsView._run

    def noted(view, query, parameters):
        seen.append((query, list(parameters)))
        return plain(view, query, parameters)

    monkeypatch.setattr(ColumnsView, "_run", noted)
    with open_columns([columns]) as view:
        asked(host, view)
    assert len(seen) > 50
    for query, parameters in seen:
        text = translated(query, parameters)
        assert "?" not in text
        assert "PERCENTILE_CONT(" not in text


def test_an_order_within_a_list_is_kept_or_refused() -> None:
    text = translated("SELECT list(x ORDER BY y DESC, x)[1:3] FROM t")
    assert "ARRAY_SORT(COLLECT_LIST(STRUCT(y AS k0, x AS k1, x AS v))" in text
    assert "WHEN r.k0 < l.k0 THEN -1" in text
    with pytest.raises(QueryError, match="orders within an aggregate"):
        translated("SELECT string_agg(x, ',' ORDER BY y) FROM t")
    with pytest.raises(QueryError, match="a value is missing"):
        translated("SELECT * FROM t WHERE x = ?")


def test_a_missing_spark_is_said_in_a_sentence(
    run: Run, columns: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in list(sys.modules):
        if name == "pyspark" or name.startswith("pyspark."):
            monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "pyspark", None)
    outcome = run("analyse", "part-lifespans", "--columns", str(columns), "--engine", "spark")
    assert outcome.code == 4
    assert 'install Java 17 and the extra: pip install "roadworn[spark]"' in outcome.err


@pytest.mark.slow
@pytest.mark.skipif(not HAS_SPARK, reason="Java or pyspark is missing: pip install '.[spark]'")
@pytest.mark.filterwarnings("ignore")
def test_spark_answers_as_duckdb_on_the_demo(
    host: PluginHost, demo_ledger: Path, tmp_path: Path
) -> None:
    columns = exported(demo_ledger, DEMO_TODAY, tmp_path / "demo")
    with open_columns([columns]) as one, open_columns([columns], "spark") as other:
        found = asked(host, other)
        for name, result in asked(host, one).items():
            same(result, found[name])
