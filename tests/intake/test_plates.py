"""Number plates that name the vehicles of a file are doubted: an event keeps them for good.

The plates and ids are invented; that a shop's own ids share their letters is common practice, no
source.
"""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.checks.identity import plates
from roadworn_cli.main import main

MAP = """
kind = "enrolment"
[columns]
{head} = "vehicle_id"
Day = "occurred_at"
"""


@pytest.mark.parametrize(
    ("head", "ids", "doubted"),
    [
        ("Unit", ("QXA4711", "7KTR208", "ZB-93-XW"), True),
        ("Plate", ("QXA4711",), True),
        ("Kennzeichen", ("QX-A-4711", "van-3"), True),
        ("Unit", ("BUS-101", "BUS-102", "BUS-103", "BUS-104"), False),
        ("Unit", ("van-1", "van-2", "car-9"), False),
        ("Unit", ("QXA4711",), False),
    ],
)
def test_plates_in_the_column_of_vehicles_are_said(
    head: str,
    ids: tuple[str, ...],
    doubted: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("fleet.csv").write_text(
        "\n".join([f"{head},Day", *(f"{one},2026-01-02" for one in ids)]), encoding="utf-8"
    )
    Path("fleet.toml").write_text(MAP.format(head=head), encoding="utf-8")
    assert main(["create"]) == 0
    # A dry run says it before anything is written.
    main(["import", "fleet.csv", "--map", "fleet.toml", "--dry-run"])
    said = "".join(capfd.readouterr())
    assert ("number plates" in said) is doubted, said
    assert ("give the column of plates as plate" in said) is doubted


@given(st.lists(st.from_regex(r"BUS-[1-9][0-9]{1,3}", fullmatch=True), min_size=1, unique=True))
def test_ids_of_a_shop_that_share_their_letters_are_never_doubted(ids: list[str]) -> None:
    assert plates(ids) is None
