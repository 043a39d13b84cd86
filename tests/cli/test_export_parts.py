"""Parquet by year, brought up to date, with its meaning inside, for every reader.

Rows are held against the view itself; the readers are DuckDB, polars, pandas and pyarrow.
"""

import json
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
from commandline import Run


def files(folder: Path) -> dict[str, int]:
    return {
        str(path.relative_to(folder)): path.stat().st_mtime_ns for path in folder.rglob("*.parquet")
    }


def test_an_update_writes_only_what_differs(shop: Run, tmp_path: Path) -> None:
    shop("record", "reading", "bus-7", "61,100 mi", "--on", "2026-05-03")
    assert shop("export", "parquet", "out", "--by-year").code == 0
    out = tmp_path / "out"
    before = files(out)
    assert "readings/year=2026/part.parquet" in before
    nothing = shop("export", "parquet", "out", "--by-year", "--update")
    assert nothing.code == 0, nothing.err
    assert nothing.out == ""
    assert files(out) == before
    event = shop("record", "complaint", "bus-7", "pulls to the left", "--on", "2026-06-04").event
    assert shop("export", "parquet", "out", "--by-year", "--update").code == 0
    after = files(out)
    changed = {name for name in after if before.get(name) != after[name]}
    assert "complaints/year=2026/part.parquet" in changed
    assert "readings/year=2026/part.parquet" not in changed
    # What was taken back has no file any more.
    assert shop("retract", event, "--reason", "another bus").code == 0
    # An update keeps the years of an export without being told, or readers of a year have nothing.
    assert shop("export", "parquet", "out", "--update").code == 0
    assert "readings/year=2026/part.parquet" in files(out)
    assert "readings.parquet" not in files(out)
    assert "complaints/year=2026/part.parquet" not in files(out)
    kept = json.loads((out / "checkpoint.json").read_text())
    assert kept["parts"].keys() == files(out).keys()
    refused = shop("export", "parquet", "none", "--update")
    assert refused.code == 3
    assert shop("export", "duckdb", "db", "--by-year").code == 2


def test_every_reader_has_the_same_types_and_the_meaning(shop: Run, tmp_path: Path) -> None:
    shop(
        "record", "replacement", "bus-7", "radiator", "--reason", "failed", "--on", "2026-05-20",
        "--odometer", "61,400 mi", "--price", "84.50 USD",
    )  # fmt: skip
    assert shop("export", "parquet", "out").code == 0
    path = tmp_path / "out" / "replacements.parquet"
    query = "SELECT vehicle_id, occurred_on, odometer_km, parts_cost FROM"
    (row,) = duckdb.sql(f"{query} '{path}'").fetchall()
    columns = ["vehicle_id", "occurred_on", "odometer_km", "parts_cost"]
    assert pl.read_parquet(path).select(columns).rows() == [row]
    frame = pd.read_parquet(path)[columns]
    assert tuple(frame.iloc[0]) == row
    table = pq.read_table(path)
    assert str(table.schema.field("parts_cost").type) == "decimal128(18, 4)"
    assert str(table.schema.field("occurred_on").type).startswith("date32")
    assert str(table.schema.field("occurred_at").type) == "timestamp[us]"
    said = json.loads(pq.read_metadata(path).metadata[b"roadworn"])
    assert said["table"] == "replacements"
    assert said["ledger"]["size"] == 2
    meanings = {column["name"]: column["meaning"] for column in said["columns"]}
    assert meanings["vehicle_id"] == "the vehicle"
    assert list(meanings) == table.column_names
