"""Every table, view and column says what it is, and is what it says."""

import pytest
from columns.made import history

from roadworn.columns.session import all_views
from roadworn.columns.tables import CORE_TABLES
from roadworn.columns.view import TableSpec, dictionary
from roadworn.model.errors import QueryError, UsageError

PROMISED = (
    *("events", "vehicles", "readings", "exchanges", "findings", "measurements", "codes", "scans"),
    *("monitors", "replacements", "repairs", "maintenance_done", "estimate_lines", "complaints"),
    "estimates",
    *("authorisations", "valuations", "inspection_results", "retirements", "effective_events"),
    *("true_distance", "part_lives", "part_lives_left_out", "open_findings", "active_codes"),
    *("part_prices", "usage_rates"),
)


def test_every_promised_table_is_there():
    assert set(PROMISED) <= {info.name for info in dictionary()}


def test_every_table_and_column_is_explained():
    for view in all_views(CORE_TABLES, "TRUE").values():
        assert len(view.comment) > 10, view.name
        for name, kind, meaning in view.columns:
            assert name == name.lower()
            assert kind.isupper()
            assert len(meaning) >= 4, (view.name, name)


def test_the_database_carries_the_same_comments_and_types(view_of):
    view = view_of(list(history(5, 40)))
    view.analyst("SHOW TABLES")
    comments = dict(
        view.sql(
            "SELECT table_name, comment FROM duckdb_tables() WHERE schema_name = 'main' UNION ALL "
            "SELECT view_name, comment FROM duckdb_views() WHERE schema_name = 'main' "
            "AND NOT internal"
        ).rows
    )
    columns = view.sql(
        "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() "
        "WHERE schema_name = 'main' AND NOT internal ORDER BY table_name, column_index"
    ).rows
    for info in dictionary():
        assert comments[info.name] == info.comment
        found = [tuple(row[1:]) for row in columns if row[0] == info.name]
        assert found == [tuple(column) for column in info.columns]


def test_tables_held_for_few_events_are_those_computed_each_time(view_of, monkeypatch):
    events = list(history(7, 60))
    held = view_of(events)
    monkeypatch.setattr("roadworn.columns.build.ROW_GROUP", 0)
    computed = view_of(events)
    for info in dictionary():
        # Payloads are fetched for the query that asks for them, before or after.
        query = f"SELECT {', '.join(name for name, _, _ in info.columns)} FROM {info.name}"
        told = [sorted(view.sql(query).rows, key=repr) for view in (held, computed)]
        assert told[0] == told[1], info.name
    payloads = "SELECT payload FROM effective_events ORDER BY seq"
    assert all(row[0] for row in held.sql(payloads).rows)


def test_rows_asked_for_twice_are_a_list_for_each(view_of):
    view = view_of(list(history(3, 20)))
    query = "SELECT seq, ? AS given FROM events ORDER BY seq"
    first = view.sql(query, (1,))
    whole = list(first.rows)
    first.rows.clear()
    assert view.sql(query, (1,)).rows == whole
    assert [type(view.sql(query, (one,)).rows[0][1]) for one in (1, 1.0, True)] == [
        int,
        float,
        bool,
    ]
    assert view.sql("SELECT len(?)", ([1, 2],)).rows == [(2,)]


def test_a_plugins_table_is_in_the_dictionary_with_the_common_columns(view_of):
    spec = TableSpec(
        "myshop_notes",
        "one row for each complaint",
        ("complaint",),
        (("words", "INTEGER", "number of words"),),
        "SELECT seq, len(string_split(json_extract_string(payload, '$.complaint'), ' ')) AS words "
        "FROM batch",
    )
    (info,) = [info for info in dictionary((spec,)) if info.name == "myshop_notes"]
    assert (info.kind, info.columns[-1][0]) == ("table", "words")
    view = view_of(list(history(5, 60)), tables=(spec,))
    assert {row[0] for row in view.sql("SELECT words FROM myshop_notes").rows} == {2}


def test_a_broken_plugin_table_is_named(view_of):
    spec = TableSpec("myshop_bad", "broken", (), (("x", "INTEGER", "nothing"),), "SELECT 1 AS y")
    told = []
    view = view_of(list(history(5, 10)), tables=(spec,), tell=told.append)
    assert "'myshop_bad'" in told[0].message
    with pytest.raises(QueryError, match="The plugin 'myshop' brings a table 'myshop_bad'"):
        view.sql("SELECT x FROM myshop_bad")
    assert view.sql("SELECT count(*) FROM events").rows[0][0] > 0


def test_the_views_keep_to_what_two_engines_take():
    """No QUALIFY, list lambda or double-colon cast, which not every SQL engine knows."""
    for view in all_views(CORE_TABLES, "TRUE").values():
        lowered = view.sql.lower()
        assert "qualify" not in lowered
        assert "lambda" not in lowered
        assert "::" not in lowered
        assert " ilike " not in lowered


ATTACKS = (
    "COPY vehicles TO '{out}'",
    "EXPLAIN ANALYZE COPY (SELECT 1) TO '{out}'",
    "SELECT * FROM read_text('{ledger}')",
    "SELECT * FROM read_blob('{ledger}')",
    "SELECT * FROM read_csv('/etc/passwd')",
    "SELECT * FROM '{ledger}'",
    "SELECT * FROM glob('/*')",
    "SELECT * FROM sniff_csv('/etc/passwd')",
    "ATTACH '{out}' AS other",
    "INSTALL httpfs",
    "LOAD httpfs",
    "SET enable_external_access = true",
    "RESET lock_configuration",
    "PRAGMA enable_profiling",
    "CREATE TABLE mine (x INTEGER)",
    "CREATE VIEW mine AS SELECT 1",
    "DELETE FROM raw.events",
    "EXPLAIN ANALYZE DELETE FROM raw.events",
    "WITH gone AS (DELETE FROM raw.events RETURNING *) SELECT * FROM gone",
    "UPDATE raw.events SET kind = 'x'",
    "DROP SCHEMA raw CASCADE",
    "SELECT 1; DELETE FROM raw.events",
    "EXPORT DATABASE '{out}'",
    "SELECT * FROM query('DELETE FROM raw.events')",
    "",
    "SELECT",
    "SELECT nothing FROM vehicles",
    "SELECT * FROM nowhere",
    "SELECT 1/'x'",
)


@pytest.mark.parametrize("attack", ATTACKS)
def test_an_analyst_reads_tables_and_nothing_else(view_of, tmp_path, attack):
    view = view_of(list(history(5, 30)))
    number = view.sql("SELECT count(*) FROM events").rows
    out = tmp_path / "out.txt"
    with pytest.raises(UsageError) as refused:
        view.analyst(attack.format(out=out, ledger=view.path))
    message = str(refused.value)
    assert "\n" not in message
    assert message.endswith(".")
    assert not out.exists()
    assert view.sql("SELECT count(*) FROM events").rows == number


def test_an_analyst_gets_rows_and_the_meaning_of_columns(view_of):
    view = view_of(list(history(5, 30)))
    found = view.analyst("SELECT vehicle_id FROM vehicles ORDER BY vehicle_id")
    assert (found.columns, found.rows) == (("vehicle_id",), [("bus-0",), ("bus-1",), ("bus-2",)])
    assert view.analyst("DESCRIBE part_lives").rows
    assert (
        view.analyst("SELECT count(*) FROM part_lives").rows
        == view.sql("SELECT count(*) FROM part_lives").rows
    )


def test_arrays_have_nan_for_missing_numbers_and_none_for_missing_texts(view_of):
    import numpy as np

    view = view_of(list(history(5, 30)))
    found = view.arrays(
        "SELECT CAST(NULL AS DOUBLE) AS x, CAST(NULL AS INTEGER) AS i, CAST(NULL AS VARCHAR) AS t, "
        "CAST(NULL AS DATE) AS d, 2.5 AS m, TRUE AS b"
    )
    assert np.isnan(found["x"][0])
    assert np.isnan(found["i"][0])
    assert found["t"][0] is None
    assert np.isnat(found["d"][0])
    assert found["m"][0] == 2.5
    assert found["b"].dtype == bool


def test_payloads_are_there_when_asked_for(view_of):
    import orjson

    view = view_of(list(history(5, 30)))
    payloads = view.sql("SELECT payload FROM events").rows
    assert len(payloads) == 30
    assert all(isinstance(orjson.loads(payload), dict) for (payload,) in payloads)
    view = view_of(list(history(5, 30)))
    rows = view.sql("SELECT * FROM effective_events LIMIT 1")
    assert rows.rows[0][rows.columns.index("payload")] is not None
