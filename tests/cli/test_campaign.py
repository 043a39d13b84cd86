"""`roadworn campaign`: files beside the ledger, who is open, exit codes, and the outlook's line."""

from pathlib import Path

import pytest
from commandline import Run

FILE = """
[campaign]
title = "Front brake hoses"
since = "2026-03-01"
say = "Free of charge."
[work]
component = "brake hose"
places = ["LF", "RF"]
[[concerns]]
make = "Acme"
year_from = 2012
year_to = 2016
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of campaigns beside the ledger, with one in it."""
    made = tmp_path / "roadworn.campaigns"
    made.mkdir()
    (made / "brake-hoses.toml").write_text(FILE, encoding="utf-8")
    return made


def test_one_by_name_says_who_is_open(shop: Run, folder: Path) -> None:
    said = shop("campaign", "brake-hoses")
    assert said.code == 1
    assert "Front brake hoses" in said.out
    assert "since 2026-03-01, 1 vehicle: 1 open, 0 unclear, 0 done, 0 left" in said.out
    assert "Free of charge." in said.out
    assert "to do: LF, RF" in said.out
    assert shop("campaign", "brake").out == said.out
    assert shop("campaign", str(folder / "brake-hoses.toml")).out == said.out


def test_done_it_is_no_finding_any_more(shop: Run, folder: Path) -> None:
    del folder
    for place in ("LF", "RF"):
        work = ("record", "replacement", "bus-7", f"brake hose {place}", "--reason", "recall")
        assert shop(*work, "--on", "2026-05-04").code == 0
    said = shop("campaign", "brake-hoses")
    assert said.code == 0
    assert "1 done" in said.out
    assert "--all" in said.err
    assert "done on 2026-05-04" in shop("campaign", "brake-hoses", "--all").out
    rows = shop("campaign", "brake-hoses", "--format", "json").json()
    assert isinstance(rows, list)
    assert [(row["vehicle_id"], row["state"], row["on"]) for row in rows] == [
        ("bus-7", "done", "2026-05-04")
    ]
    # As of the day before it was open still.
    before = shop("--as-of", "2026-05-03", "--known-by", "occurred", "campaign", "brake-hoses")
    assert before.code == 1


def test_alone_it_lists_every_file(shop: Run, folder: Path) -> None:
    (folder / "nobody.toml").write_text(FILE.replace("Acme", "Brackwell"), encoding="utf-8")
    (folder / "broken.toml").write_text("[campaign]\ntitle = 3\n", encoding="utf-8")
    said = shop("campaign", "--format", "csv")
    assert said.code == 1
    assert said.out.splitlines()[1:] == [
        "brake-hoses,Front brake hoses,2026-03-01,1,0,0,0",
        "nobody,Front brake hoses,2026-03-01,0,0,0,0",
    ]
    assert "broken" in said.err
    (folder / "broken.toml").unlink()
    (folder / "brake-hoses.toml").unlink()
    assert shop("campaign").code == 0


def test_without_any_it_says_how_to_begin(shop: Run, tmp_path: Path) -> None:
    said = shop("campaign")
    assert said.code == 0
    assert "roadworn campaign --example" in said.err
    unknown = shop("campaign", "hoses")
    assert unknown.code == 2
    assert "campaign --example" in unknown.err
    example = shop("campaign", "--example")
    assert example.code == 0
    (tmp_path / "ours.toml").write_text(example.out, encoding="utf-8")
    assert shop("campaign", "ours.toml").code == 0
    assert "no vehicle of this ledger is concerned" in shop("campaign", "ours.toml").err


def test_owners_only_when_asked(shop: Run, folder: Path) -> None:
    del folder
    assert shop("contact", "OWNER-1", "--name", "R. Vale", "--phone", "555 0123").code == 0
    assert shop("record", "profile", "bus-7", "--owner", "OWNER-1").code == 0
    assert "Vale" not in shop("campaign", "brake-hoses").out
    assert "R. Vale, 555 0123" in shop("campaign", "brake-hoses", "--contacts").out
    assert "R. Vale" in shop("campaign", "brake-hoses", "--contacts", "--format", "csv").out


def test_the_folder_may_be_named(
    shop: Run, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder.rename(tmp_path / "elsewhere")
    monkeypatch.setenv("ROADWORN_CAMPAIGNS", str(tmp_path / "elsewhere"))
    assert shop("campaign", "brake-hoses").code == 1


def test_the_outlook_says_it_where_there_is_room(shop: Run, folder: Path) -> None:
    told = "Campaign       Front brake hoses: brake hose LF, RF to do (brake-hoses)"
    assert told in shop("outlook", "bus-7").out
    found = shop("outlook", "bus-7", "--format", "json").json()
    assert isinstance(found, dict)
    assert len(found["campaigns"]) == 1
    (folder / "brake-hoses.toml").write_text("broken", encoding="utf-8")
    assert shop("outlook", "bus-7").code == 0
    (folder / "brake-hoses.toml").unlink()
    assert "Campaign" not in shop("outlook", "bus-7").out
