"""The map file: TOML 1.0 (toml.io), read with the standard library; every mistake is a sentence."""

from pathlib import Path

import pytest

from roadworn.intake.csv_map import parse_csv_map, read_csv_map
from roadworn.model.errors import EnvironmentFailure, UsageError

GOOD = """
kind = "replacement"
[file]
delimiter = ";"
decimal_comma = true
date_order = "dmy"
[columns]
"Van" = "vehicle_id"
"Day" = "occurred_at"
"Part" = "component"
[constants]
reason = "unknown"
[units]
odometer = "mi"
[currency]
default = "usd"
[components]
"Fr.  PADS" = "brake.pad front"
[vehicles]
"The Old One" = "van-3"
[values.reason]
"Broke" = "failed"
"""


def test_a_whole_map() -> None:
    found = parse_csv_map(GOOD)
    assert found.columns["Van"] == "vehicle_id"
    assert found.currency == "USD"
    assert found.components == {"fr. pads": "brake.pad front"}
    assert found.vehicles == {"the old one": "van-3"}
    assert found.values["reason"] == {"broke": "failed"}
    assert found.header_of("component") == "Part"
    assert found.header_of("reason") == "reason"


def test_the_map_of_the_module_docstring_is_one() -> None:
    from roadworn.intake import csv_map

    text = csv_map.__doc__ or ""
    block = text.partition("::")[2]
    found = parse_csv_map("\n".join(line[4:] for line in block.splitlines()))
    assert found.date_order == "dmy"
    assert found.values["reason"] == {"broke": "failed"}


@pytest.mark.parametrize(
    ("before", "after", "remedy"),
    [
        ("[file]", "[files]", "did you mean file?"),
        ("delimiter =", "delimeter =", "did you mean delimiter?"),
        ('"dmy"', '"day first"', "dmy, mdy or ymd"),
        ('";"', '";;"', "one character"),
        ("= true", '= "yes"', "true or false"),
        ('"Van" = "vehicle_id"', '"Van" = "note"', "feeds no vehicle_id"),
        ('"Day" = "occurred_at"', '"Day" = "note"', "feeds no occurred_at"),
        ('"Part" = "component"', '"Part" = "vehicle_id"', "twice"),
        ('kind = "replacement"', "", "says no kind"),
        ('kind = "replacement"', "kind = 5", "kind is a text"),
        ('reason = "unknown"', "reason = [1]", "write it in quotes"),
        ('default = "usd"', 'code = "usd"', "unknown key of [currency]"),
        ('odometer = "mi"', "odometer = mi", "is no TOML"),
    ],
)
def test_each_mistake_is_one_sentence_with_its_remedy(before: str, after: str, remedy: str) -> None:
    assert before in GOOD
    with pytest.raises(UsageError) as caught:
        parse_csv_map(GOOD.replace(before, after), "shop.toml")
    assert remedy in caught.value.message
    assert "shop.toml" in caught.value.message


def test_a_map_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(EnvironmentFailure, match="cannot be read"):
        read_csv_map(tmp_path / "none.toml")
    path = tmp_path / "map.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError, match="UTF-8"):
        read_csv_map(path)
