"""Views of a large ledger kept as files: the same rows, and none but of this very state."""

from pathlib import Path

import pytest
from analyses import small_shop
from builders import ledger_of

from roadworn import open_view
from roadworn.columns.view import LedgerView
from roadworn.model.errors import QueryError

QUERY = "SELECT * FROM part_lives ORDER BY ALL"


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return ledger_of(tmp_path_factory.mktemp("kept") / "shop.db", list(small_shop.events()))


@pytest.fixture
def ledger(shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A ledger of its own that counts as a large one."""
    monkeypatch.setattr("roadworn.columns.build.ROW_GROUP", 0)
    path = tmp_path / "shop.db"
    path.write_bytes(shop.read_bytes())
    return path


def lives(
    path: Path, keep: str = "program", day: str = small_shop.TODAY
) -> list[tuple[object, ...]]:
    """Return the lives as the database has them, not as an answer that was kept."""
    with open_view(path, as_of=day, keep=keep) as view:
        return view._fetched(QUERY, ()).rows


def files(path: Path) -> list[Path]:
    return sorted((path.with_name("shop.db.columns") / "views").glob("part_lives-*.parquet"))


def test_what_is_kept_is_what_would_be_made(ledger: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = lives(ledger, keep="")
    assert not files(ledger)
    assert lives(ledger) == plain
    (kept,) = files(ledger)
    monkeypatch.setattr("roadworn.columns.session.Session._make_verdicts", broken)
    assert lives(ledger) == plain
    assert files(ledger) == [kept]


def broken(*_: object) -> None:
    raise AssertionError("the lives were made again")


@pytest.mark.parametrize("change", ["day", "program", "events"])
def test_whatever_changes_it_is_made_anew(ledger: Path, change: str) -> None:
    lives(ledger)
    (first,) = files(ledger)
    if change == "day":
        assert lives(ledger, day="2023-05-01") == lives(ledger, keep="", day="2023-05-01")
    elif change == "program":
        lives(ledger, keep="another")
    else:
        from roadworn.intake import Ledger
        from roadworn.testing import event

        with Ledger.open(ledger) as open_:
            open_.append_many([event("van-1", "odometer_reading", "2025-01-10", odometer=120_000)])
        assert lives(ledger) == lives(ledger, keep="")
    assert first in files(ledger)
    assert len(files(ledger)) == 2


@pytest.mark.parametrize("damage", [b"PAR1", None])
def test_a_damaged_file_counts_as_none(ledger: Path, damage: bytes | None) -> None:
    plain = lives(ledger)
    (kept,) = files(ledger)
    content = kept.read_bytes()
    kept.write_bytes(damage or content[:200] + bytes([content[200] ^ 1]) + content[201:])
    assert lives(ledger) == plain
    assert kept.read_bytes() == content


def test_nothing_else_can_be_reached(ledger: Path) -> None:
    with open_view(ledger, as_of=small_shop.TODAY, keep="program") as view:
        view._fetched(QUERY, ())
        assert isinstance(view, LedgerView)
        for other in (ledger, files(ledger)[0].with_suffix(".sha256")):
            with pytest.raises(QueryError):
                view._fetched(f"SELECT * FROM read_text('{other}')", ())
