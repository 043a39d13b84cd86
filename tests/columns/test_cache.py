"""The cache beside the ledger: used when it fits, noticed when it does not, never in the way."""

import hashlib
import shutil
import sqlite3
import threading
from pathlib import Path

import duckdb
import orjson
import pytest
from builders import ledger_of
from columns.made import history

from roadworn.columns import build as cache
from roadworn.columns.build import build
from roadworn.columns.compare import compare_columns
from roadworn.columns.tables import CORE_TABLES
from roadworn.columns.view import open_view
from roadworn.intake import Ledger
from roadworn.model.kinds import KindRegistry
from roadworn.store.verify import verify

QUERY = "SELECT count(*), sum(true_km), count(DISTINCT event_id) FROM effective_events"


@pytest.fixture
def ledger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(cache, "WORTH_KEEPING", 20)
    path = tmp_path / "roadworn.db"
    return ledger_of(path, history(1, 60), allow_repeat=True)


def look(path: Path, **options: bool):
    with open_view(path, as_of="2026-06-30", **options) as view:
        return view.sql(QUERY).rows


def loaded(path: Path, monkeypatch: pytest.MonkeyPatch) -> int:
    """Return how many events come from the cache when the ledger is opened."""
    counts: list[int] = []
    load = cache.Cache.load

    def counted(self, con, has):
        counts.append(load(self, con, has))
        return counts[-1]

    with monkeypatch.context() as patch:
        patch.setattr(cache.Cache, "load", counted)
        look(path)
    return counts[0]


def segments(path: Path) -> list[Path]:
    return [p for p in cache.folder_of(path).iterdir() if p.is_dir()]


def test_a_cache_is_made_used_and_added_to(ledger, monkeypatch):
    expected = look(ledger, cache=False)
    assert look(ledger) == expected
    assert loaded(ledger, monkeypatch) == 60
    assert look(ledger) == expected
    with Ledger.open(ledger) as opened:
        opened.append_many(list(history(1, 65))[60:], allow_repeat=True)
    assert loaded(ledger, monkeypatch) == 60
    assert look(ledger) == look(ledger, cache=False)


@pytest.mark.slow
def test_segments_stay_few(tmp_path, monkeypatch):
    monkeypatch.setattr(cache, "WORTH_KEEPING", 5)
    path = tmp_path / "roadworn.db"
    events = list(history(3, 100))
    Ledger.create(path).close()
    for first in range(0, 100, 5):
        with Ledger.open(path) as opened:
            opened.append_many(events[first : first + 5], allow_repeat=True)
        look(path)
    made = cache.Cache(path, *_tables())
    _checkpoint, kept = made._read_manifest()
    assert len(kept) <= 6
    assert [s.after for s in kept[1:]] == [s.upto for s in kept[:-1]]
    assert kept[-1].upto == 100
    assert look(path) == look(path, cache=False)


def _tables():
    from roadworn.columns.tables import CORE_TABLES
    from roadworn.model.kinds import KindRegistry

    return CORE_TABLES, KindRegistry()


@pytest.mark.parametrize("name", ["*.json", "*/events.parquet", "*/findings.parquet"])
@pytest.mark.parametrize("place", [0.0, 0.5, 1.0])
def test_any_flipped_byte_is_noticed(ledger, monkeypatch, name, place):
    expected = look(ledger)
    (path,) = cache.folder_of(ledger).glob(name)
    content = bytearray(path.read_bytes())
    content[int(place * (len(content) - 1))] ^= 0x01
    path.write_bytes(bytes(content))
    assert loaded(ledger, monkeypatch) == 0
    assert look(ledger) == expected
    # It was made again, and is used from then on.
    assert loaded(ledger, monkeypatch) == 60


def test_a_missing_file_is_noticed(ledger, monkeypatch):
    expected = look(ledger)
    (segments(ledger)[0] / "events.parquet").unlink()
    assert loaded(ledger, monkeypatch) == 0
    assert look(ledger) == expected


def test_the_cache_of_another_ledger_is_not_used(ledger, tmp_path, monkeypatch):
    look(ledger)
    other = tmp_path / "other.db"
    ledger_of(other, history(2, 60), allow_repeat=True)
    shutil.copytree(cache.folder_of(ledger), cache.folder_of(other))
    assert loaded(other, monkeypatch) == 0
    assert look(other) == look(other, cache=False) != look(ledger)


def test_the_cache_of_a_longer_history_is_not_used(ledger, tmp_path, monkeypatch):
    look(ledger)
    short = tmp_path / "short.db"
    ledger_of(short, list(history(1, 60))[:40], allow_repeat=True)
    shutil.copytree(cache.folder_of(ledger), cache.folder_of(short))
    assert loaded(short, monkeypatch) == 0
    assert look(short)[0][0] <= 40


def test_a_plugins_table_has_a_cache_of_its_own(ledger):
    from roadworn.columns.view import TableSpec

    spec = TableSpec(
        "myshop_lamps",
        "lamps",
        ("scan",),
        (("lamp", "VARCHAR", "on or off"),),
        "SELECT seq, json_extract_string(payload, '$.lamp') AS lamp FROM batch",
    )
    look(ledger)
    for _ in range(2):
        with open_view(ledger, as_of="2026-06-30", tables=(spec,)) as view:
            lamps = view.sql("SELECT count(*) FROM myshop_lamps WHERE lamp = 'on'").rows
            assert lamps == view.sql("SELECT count(*) FROM scans").rows
    assert len(list(cache.folder_of(ledger).glob("*.json"))) == 2


def test_a_folder_that_cannot_be_written_works_without_a_cache(ledger, monkeypatch):
    def refuse(*_args, **_options):
        raise PermissionError("read-only")

    expected = look(ledger, cache=False)
    monkeypatch.setattr(Path, "mkdir", refuse)
    assert look(ledger) == expected
    assert not cache.folder_of(ledger).exists()


def test_a_half_made_segment_is_left_out_and_removed_later(ledger, monkeypatch):
    look(ledger)
    mark = cache.Cache(ledger, *_tables()).mark
    half = cache.folder_of(ledger) / f"{mark}-0-60-deadbeef.making"
    half.mkdir()
    (half / "events.parquet").write_bytes(b"half")
    assert loaded(ledger, monkeypatch) == 60
    monkeypatch.setattr(cache, "_SECONDS_BEFORE_REMOVAL", -1.0)
    with Ledger.open(ledger) as opened:
        opened.append_many(list(history(1, 90))[60:], allow_repeat=True)
    look(ledger)
    assert not half.exists()
    assert len(segments(ledger)) == 1


def test_readers_at_once_agree(ledger):
    answers: list[object] = []
    threads = [threading.Thread(target=lambda: answers.append(look(ledger))) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(answers) == 6
    assert all(answer == answers[0] for answer in answers)


def test_build_says_where_there_is_no_ledger(tmp_path):
    import duckdb

    from roadworn.model.errors import EnvironmentFailure

    with pytest.raises(EnvironmentFailure, match="roadworn create"):
        build(
            duckdb.connect(),
            tmp_path / "none.db",
            *_tables(),
            use_cache=True,
            progress=None,
        )


def in_all(path: Path):
    with open_view(path) as view:
        return view.sql("SELECT sum(odometer) FROM events").rows


def test_a_cache_rewritten_with_its_digests_is_used_and_found_when_folded_anew(ledger):
    """Whoever can write the files can write their digests: only the ledger tells."""
    look(ledger)
    honest = in_all(ledger)
    assert compare_columns(ledger, CORE_TABLES, KindRegistry()) == []
    (manifest,) = cache.folder_of(ledger).glob("*.json")
    content = orjson.loads(manifest.read_bytes())
    (segment,) = content["body"]["segments"]
    file = cache.folder_of(ledger) / segment["name"] / "events.parquet"
    with duckdb.connect() as con:
        con.execute("CREATE TABLE t AS SELECT * FROM read_parquet(?)", [str(file)])
        con.execute("UPDATE t SET odometer = odometer + 2000000 WHERE seq >= 7 AND odometer > 0")
        (first,) = con.execute("SELECT min(seq) FROM t WHERE odometer > 2000000").fetchall()[0]
        con.execute(f"COPY t TO '{file}' (FORMAT parquet)")
    segment["files"]["events"] = hashlib.sha256(file.read_bytes()).hexdigest()
    content["sha256"] = hashlib.sha256(orjson.dumps(content["body"])).hexdigest()
    manifest.write_bytes(orjson.dumps(content))
    assert in_all(ledger) != honest
    assert verify(ledger).problems == ()
    (found,) = compare_columns(ledger, CORE_TABLES, KindRegistry())
    assert (found.code, found.row) == ("columns-changed", first)
    shutil.rmtree(cache.folder_of(ledger))
    assert compare_columns(ledger, CORE_TABLES, KindRegistry()) == []
    assert in_all(ledger) == honest


def test_events_that_cannot_be_folded_are_told_and_raise_nothing(ledger):
    con = sqlite3.connect(ledger, isolation_level=None)
    con.execute("DROP TRIGGER events_no_update")
    con.execute("UPDATE events SET occurred_at = 'once' WHERE seq = 9")
    con.close()
    (found,) = compare_columns(ledger, CORE_TABLES, KindRegistry())
    assert found.code == "cannot-fold"
