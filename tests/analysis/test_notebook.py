"""A ledger in a notebook: relations, frames, answers, and the notebook of the demo from end to end.

Frames are held against the rows that the view itself gives.
"""

import inspect
from pathlib import Path

import pytest
from builders import enrolled, ledger_of, reading

import roadworn
from roadworn import Book
from roadworn.model.errors import QueryError, UnknownName, UsageError

NOTEBOOK = Path(__file__).parents[2] / "demo_ledger" / "analyst.ipynb"


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> Book:
    folder = tmp_path_factory.mktemp("book")
    events = [
        enrolled("bus-1"),
        reading("bus-1", "2026-01-05", 90),
        reading("bus-1", "2026-02-05", 9),
    ]
    (folder / "own.csv").write_text("vehicle_id,price\nbus-1,5\n")
    path = ledger_of(folder / "a.db", events)
    return roadworn.open(path, as_of="2026-06-30", files={"mine": folder / "own.csv"})


def test_a_table_is_a_relation_that_becomes_any_frame(book: Book) -> None:
    rows = book.view.sql("SELECT odometer, unit, occurred_on FROM readings ORDER BY seq").rows
    relation = book.readings.select("odometer, unit, occurred_on")
    assert relation.fetchall() == rows
    frame = relation.df()
    assert list(zip(frame.odometer, frame.unit, strict=True)) == [row[:2] for row in rows]
    assert relation.pl().rows() == rows
    assert relation.arrow().read_all().to_pylist()[0]["occurred_on"] == rows[0][2]
    assert "part_lives" in dir(book)
    assert set(book.tables) <= set(dir(book))
    joined = book.mine.join(book.vehicles, "vehicle_id").select("vehicle_id, price")
    assert joined.fetchall() == [("bus-1", 5)]


def test_named_values_and_refusals(book: Book) -> None:
    found = book.sql("SELECT odometer FROM readings WHERE odometer > $least", least=10)
    assert found.fetchall() == [(90.0,)]
    for query in ("DELETE FROM raw.events", "SELECT 1; SELECT 2", "SELECT nothing FROM readings"):
        with pytest.raises(QueryError):
            book.sql(query)
    with pytest.raises(Exception, match="read-only"):
        book.readings.create("main.mine_too")
    assert len(book.readings.fetchall()) == 2
    with pytest.raises(UnknownName, match="readings"):
        book.table("reading")
    with pytest.raises(AttributeError, match="did you mean readings"):
        book.reading  # noqa: B018
    # The remedy is one that a script can follow.
    with pytest.raises(QueryError, match="in Python by NAME=VALUE"):
        book.sql("SELECT odometer FROM readings WHERE odometer > $least")


def test_an_analysis_is_a_function_with_its_settings(book: Book) -> None:
    ask = book.analyses.odometer_audit
    _plugin, analysis = book.host.analysis("odometer-audit")
    assert list(inspect.signature(ask).parameters) == list(analysis.settings.model_fields)
    assert analysis.question in str(ask.__doc__)
    answer = ask()
    assert answer.headline == book.host.run("odometer-audit", book.view).result.headline
    table = answer.table()
    assert [tuple(row) for row in answer.pl().rows()] == [tuple(row) for row in table.rows]
    assert list(answer.df().columns) == [column.name for column in table.columns]
    assert answer.arrow().num_rows == len(table.rows)
    assert answer.origin["ledger"] == book.origin["ledger"]
    assert answer.headline[:20] in answer._repr_html_()
    with pytest.raises(UsageError, match="no setting"):
        ask(nothing=1)
    with pytest.raises(UsageError, match=r"by name, as in odometer_audit\("):
        ask("bus-7")
    with pytest.raises(UnknownName):
        answer.table("nothing")
    assert "odometer_audit" in dir(book.analyses)


def test_the_notebook_of_the_demo_runs(demo_ledger: Path, tmp_path: Path) -> None:
    import nbformat
    from nbclient import NotebookClient

    (tmp_path / "roadworn.db").write_bytes(demo_ledger.read_bytes())
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(tmp_path)}}).execute()
    shown = {
        cell["id"]: "".join(str(out.get("data", "")) for out in cell.get("outputs", ()))
        for cell in notebook.cells
    }
    assert "13" in shown["c01"]
    assert "root" in shown["c03"]
    assert "wheel.tire" in shown["c06"]
    assert "iframe" in shown["c09"]
    # What is kept in the repository has no outputs: they would hold somebody's state.
    assert not any(cell.get("outputs") for cell in nbformat.read(NOTEBOOK, as_version=4).cells)
