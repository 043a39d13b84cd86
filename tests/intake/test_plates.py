"""Number plates that name the vehicles of a file are doubted: an event keeps them for good.

The plates and ids are invented; that a shop's own ids share their letters is common practice, no
source.
"""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.checks.identity import plates
from roadworn.intake import Ledger
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


FLEET = "".join(
    f'{{"vehicle_id":"van-{n}","kind":"enrolment","occurred_at":"2026-01-02","payload":{{}}}}\n'
    for n in range(1, 41)
)


@pytest.fixture
def fleet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Forty vehicles, one of them with a plate."""
    monkeypatch.chdir(tmp_path)
    Path("fleet.ndjson").write_text(FLEET, encoding="utf-8")
    assert main(["create"]) == 0
    assert main(["import", "fleet.ndjson"]) == 0
    assert main(["record", "profile", "van-40", "--plate", "QXA 4740"]) == 0


def plates_of() -> dict[str, str]:
    with Ledger.open(Path("roadworn.db")) as ledger:
        return ledger.plates.all()


@pytest.mark.usefixtures("fleet")
def test_plates_of_forty_vehicles_come_in_at_once(capfd: pytest.CaptureFixture[str]) -> None:
    rows = [f"VAN-{n};qxa {4700 + n}" for n in range(1, 41)]
    Path("plates.csv").write_text("\n".join(["Unit;License plate", *rows]), encoding="utf-8")
    capfd.readouterr()
    assert main(["contact", "--plates", "plates.csv"]) == 0
    assert "40 number plates kept" in "".join(capfd.readouterr())
    assert plates_of() == {f"van-{n}": f"QXA {4700 + n}" for n in range(1, 41)}
    # No event carries one.
    with Ledger.open(Path("roadworn.db")) as ledger:
        assert len(ledger.query("SELECT 1 FROM events")) == 40
        assert not ledger.query("SELECT 1 FROM events WHERE payload LIKE '%QXA%'")


@pytest.mark.usefixtures("fleet")
@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("van-99,ZB 93", "plates.csv:3:vehicle: There is no vehicle van-99"),
        ("van-2,", "plates.csv:3:plate: The row has no number plate"),
        (",ZB 93", "plates.csv:3:vehicle: The row names no vehicle"),
        ("van-2,---", "plates.csv:3:plate: That is no number plate"),
        ("van-1,ZB 93", "van-1 stands in line 2 with another plate"),
        ("van-2,ab-1", "The plate stands in line 2 for van-1"),
        ("van-2,QXA4740", "The plate is kept for van-40 already"),
    ],
)
def test_of_a_table_with_a_fault_no_plate_is_kept(
    row: str, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    Path("plates.csv").write_text(f"vehicle,plate\nvan-1,AB 1\n{row}\n", encoding="utf-8")
    capfd.readouterr()
    assert main(["contact", "--plates", "plates.csv"]) == 1
    assert said in capfd.readouterr().err
    assert plates_of() == {"van-40": "QXA 4740"}


@pytest.mark.usefixtures("fleet")
def test_a_table_without_plates_is_refused(capfd: pytest.CaptureFixture[str]) -> None:
    Path("plates.csv").write_text("vehicle,day\nvan-1,2026-01-02\n", encoding="utf-8")
    assert main(["contact", "--plates", "plates.csv"]) == 2
    assert "name them vehicle and plate" in capfd.readouterr().err
