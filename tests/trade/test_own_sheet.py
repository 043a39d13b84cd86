"""A shop's own look-over sheet: read from a path, and refused in one sentence when it is wrong."""

from decimal import Decimal
from pathlib import Path

import pytest

from roadworn.model.errors import UnknownName, UsageError
from roadworn.trade.judging import judge
from roadworn.trade.limits import SHEETS, load_sheet

OWN = """
[sheet]
title = "Our look-over"
[[item]]
name = "Tire tread"
component = "wheel.tire"
measurement = "tread depth"
unit = "mm"
limit = 1.6
direction = "min"
[[item]]
name = "Horn"
component = "electrical.horn"
"""


def written(text: str, folder: Path) -> str:
    path = folder / "ours.toml"
    path.write_text(text)
    return str(path)


def test_a_sheet_from_a_path_says_whose_figure_it_is(tmp_path: Path) -> None:
    sheet = load_sheet(written(OWN, tmp_path))
    assert sheet.name == "ours"  # a path of somebody's machine never enters the ledger
    tread, horn = sheet.items
    # A figure without quotes is as exact as one with: 1.6 and not the binary neighbour.
    assert tread.limit == Decimal("1.6")
    assert (tread.citation, horn.citation) == (
        "set by the shop, no source",
        "common practice, no source",
    )
    assert judge(tread, Decimal("1.6"), "mm").condition == "sound"
    assert judge(tread, Decimal("1.59"), "mm").condition == "failed"


@pytest.mark.parametrize("name", SHEETS.names())
def test_a_copy_of_a_packaged_sheet_reads_as_the_packaged_one(name: str, tmp_path: Path) -> None:
    copied = load_sheet(written(SHEETS.text(name), tmp_path))
    assert copied.items == load_sheet(name).items


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("limit", "limt"), "item 1 (Tire tread): 'limt' is no key here (did you mean limit?)"),
        (("wheel.tire", "wheel.tier"), "(did you mean wheel.tire?)"),
        (('unit = "mm"\n', ""), "the key 'unit' is missing: measurement and unit go together"),
        (('"mm"', '"millimeeters"'), "unit: 'millimeeters' is not a unit"),
        (('direction = "min"\n', ""), "the key 'direction' is missing"),
        (('"min"', '"at least"'), "direction cannot be 'at least': use one of min, max"),
        (("1.6", "nan"), "limit cannot be Decimal"),
        (('measurement = "tread depth"\nunit = "mm"\n', ""), "says not what is measured"),
        (("Horn", "tire tread"), "two items have this name"),
        (("[sheet]", "[sheets]"), "[sheets]: there is no such section (did you mean sheet?)"),
        (('title = "Our look-over"', ""), "the key 'title' is missing"),
        (('component = "electrical.horn"', ""), "item 2 (Horn): the key 'component' is missing"),
        (('"Our look-over"', '"Our'), "is no TOML"),
    ],
)
def test_a_slip_is_named_with_what_was_meant(
    change: tuple[str, str], said: str, tmp_path: Path
) -> None:
    assert change[0] in OWN
    path = written(OWN.replace(*change), tmp_path)
    with pytest.raises(UsageError) as caught:
        load_sheet(path)
    assert said in caught.value.message
    assert "ours.toml" in caught.value.message
    assert "\n" not in caught.value.message


def test_what_is_no_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="There is no file"):
        load_sheet(str(tmp_path / "none.toml"))
    with pytest.raises(UsageError, match="cannot be read"):
        load_sheet(str(_folder(tmp_path)))
    latin = tmp_path / "latin.toml"
    latin.write_bytes("[sheet]\ntitle = 'é'\n".encode("latin-1"))
    with pytest.raises(UsageError, match="UTF-8"):
        load_sheet(str(latin))
    with pytest.raises(UnknownName) as caught:
        load_sheet("light_vehicel")
    assert "did you mean light_vehicle?" in caught.value.message


def _folder(where: Path) -> Path:
    folder = where / "folder.toml"
    folder.mkdir()
    return folder


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("light", "light_vehicle"),
        ("Heavy", "heavy_vehicle"),
        ("van-or-light", "van_or_light_truck"),
    ],
)
def test_the_beginning_of_a_name_is_enough(typed: str, meant: str) -> None:
    assert load_sheet(typed).name == meant
