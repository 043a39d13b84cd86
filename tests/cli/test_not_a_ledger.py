"""A path that is no ledger is said to be none by every verb, and is left as it was."""

import sqlite3
from pathlib import Path

import pytest
from commandline import Run

VERBS = [
    ["vehicles"],
    ["history", "bus-7"],
    ["sql", "SELECT 1"],
    ["record", "reading", "bus-7", "61,250 mi"],
    ["verify"],
    ["export", "ndjson", "out"],
    ["contact"],
]


@pytest.mark.parametrize("words", VERBS, ids=lambda words: words[0])
def test_empty_files_foreign_databases_and_folders(
    run: Run, tmp_path: Path, words: list[str]
) -> None:
    (tmp_path / "empty.db").touch()
    (tmp_path / "folder").mkdir()
    with sqlite3.connect(tmp_path / "foreign.db") as connection:
        connection.execute("CREATE TABLE t (a)")
    connection.close()
    before = (tmp_path / "foreign.db").read_bytes()
    for name, remedy in (
        ("empty.db", "roadworn create"),
        ("foreign.db", "name the right file with --ledger"),
        ("folder", "--ledger folder/roadworn.db"),
    ):
        found = run("--ledger", name, *words)
        assert found.code == 3, found
        assert "not a ledger" in found.err
        assert remedy in found.err
        assert len(found.err.splitlines()) == 1
    assert (tmp_path / "empty.db").stat().st_size == 0
    assert (tmp_path / "foreign.db").read_bytes() == before


def test_verify_of_a_cut_file_does_not_send_back_to_verify(shop: Run, tmp_path: Path) -> None:
    whole = (tmp_path / "roadworn.db").read_bytes()
    for size in (60, 4096, 20_000):
        (tmp_path / "cut.db").write_bytes(whole[:size])
        found = shop("--ledger", "cut.db", "verify")
        assert found.code in {1, 3}
        assert "roadworn verify" not in found.err
        assert "a backup that verifies" in found.err
