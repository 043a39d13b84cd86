"""No query changes what the next one reads, whoever wrote it: ours, a plugin's, a person's."""

from pathlib import Path

import pytest
from builders import enrolled, ledger_of, reading

from roadworn import LedgerView, open_view
from roadworn.model.errors import QueryError

WRITES = (
    "DELETE FROM raw.events",
    "WITH one AS (SELECT 1) DELETE FROM raw.events",
    "UPDATE raw.events SET odometer = 1",
    "INSERT INTO raw.events SELECT * FROM raw.events",
    "CREATE TABLE mine AS SELECT 1 AS one",
    "CREATE TEMP TABLE mine AS SELECT 1 AS one",
    "DROP VIEW main.events",
    "SELECT 1; DELETE FROM raw.events",
    "COMMIT",
    "SET threads = 2",
    "COPY (SELECT 1) TO 'out.csv'",
    "ATTACH 'other.duckdb'",
)


@pytest.fixture(scope="module")
def view(tmp_path_factory: pytest.TempPathFactory) -> LedgerView:
    events = [enrolled("bus-1", odometer=100.0), reading("bus-1", "2026-02-01", 900)]
    return open_view(ledger_of(tmp_path_factory.mktemp("read") / "a.db", events))


@pytest.mark.parametrize("query", WRITES)
def test_a_query_that_writes_is_refused_and_changes_nothing(view: LedgerView, query: str) -> None:
    before = view.sql("SELECT event_id, odometer FROM events ORDER BY seq")
    for ask in (view.sql, view.arrays, view.analyst):
        with pytest.raises(QueryError):
            ask(query)
    assert view.analyst("SELECT event_id, odometer FROM events ORDER BY seq") == before
    assert len(before.rows) == 2
    assert not Path("out.csv").exists()


def test_what_reads_is_asked_as_before(view: LedgerView) -> None:
    asked = "PIVOT events ON kind USING count(*) GROUP BY vehicle_id"
    assert view.analyst(asked).rows == [("bus-1", 1, 1)]
    assert view.sql("FROM vehicles SELECT vehicle_id").rows == [("bus-1",)]
    assert view.analyst("SHOW TABLES").rows
    # After an error, and with a view that was made only now.
    with pytest.raises(QueryError):
        view.sql("SELECT nothing FROM readings")
    assert view.sql("SELECT count(*) FROM part_lives").rows == [(0,)]
