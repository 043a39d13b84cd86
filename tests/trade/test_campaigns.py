"""Campaign files: what they say, what is refused, and whom they concern."""

from pathlib import Path

import pytest

from roadworn.model.errors import UnknownName, UsageError
from roadworn.trade.campaigns import (
    Campaign,
    campaigns_in,
    example_campaign,
    in_vin_range,
    load_campaign,
)

WHOLE = """
[campaign]
title = "Hoses"
since = "2026-03-01"
[work]
component = "brake hose"
"""


def loaded(folder: Path, text: str) -> Campaign:
    (folder / "hoses.toml").write_text(text, encoding="utf-8")
    return load_campaign(folder, "hoses")


def test_the_example_is_a_campaign(tmp_path: Path) -> None:
    found = loaded(tmp_path, example_campaign())
    assert (found.name, found.component, found.places) == ("hoses", "brake.hose", ("LF", "RF"))
    assert len(found.concerns) == 3
    assert load_campaign(tmp_path, str(tmp_path / "hoses.toml")) == found
    assert load_campaign(tmp_path, "ho") == found
    assert campaigns_in(tmp_path).names() == ("hoses",)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (WHOLE, "concerns"),
        (WHOLE.replace("2026-03-01", "1 March") + "[[concerns]]\nmake='A'", "2026-05-04"),
        (WHOLE.replace("brake hose", "brake hoze pipe") + "[[concerns]]\nmake='A'", "component"),
        (WHOLE + "places = ['XX']\n[[concerns]]\nmake='A'", "places"),
        (WHOLE + "done_by = ['recal']\n[[concerns]]\nmake='A'", "did you mean recall"),
        (WHOLE + "[[concerns]]\nmaker='A'", "did you mean make"),
        (WHOLE + "[[concerns]]\n", "everybody"),
        (WHOLE + "[[concerns]]\nvin_from='FA1'", "go together"),
        (WHOLE + "[[concerns]]\nvin_from='FA1'\nvin_to='FA12'", "two lengths"),
        (WHOLE + "[[concerns]]\nvin_from='FA9'\nvin_to='FA1'", "lies behind"),
        (WHOLE + "[[concerns]]\nyear_from=2019\nyear_to=2014", "lies behind"),
        (WHOLE + "[[concerns]]\nfitted_from='soon'", "2026-05-04"),
        (WHOLE + "[[concerns]]\nyear_from='2014'", "whole number"),
        (WHOLE + "[extra]\na=1\n[[concerns]]\nmake='A'", "no such section"),
        ("title = ", "TOML"),
    ],
)
def test_a_slip_is_one_sentence_that_names_it(tmp_path: Path, text: str, told: str) -> None:
    with pytest.raises(UsageError) as refused:
        loaded(tmp_path, text)
    assert "hoses" in refused.value.message
    assert told in refused.value.message
    assert "\n" not in refused.value.message


def test_a_name_that_is_none_is_answered_with_those_there_are(tmp_path: Path) -> None:
    loaded(tmp_path, example_campaign())
    with pytest.raises(UnknownName, match="did you mean hoses"):
        load_campaign(tmp_path, "hosse")


# The check digit, the ninth character (49 CFR 565.15), says nothing of the order of two VINs.
@pytest.mark.parametrize(
    ("vin", "first", "last", "inside"),
    [
        ("1TVBR220XFA122000", "1TVBR2206FA120001", "1TVBR2201FA124500", True),
        ("1TVBR2200FA120000", "1TVBR2206FA120001", "1TVBR2201FA124500", False),
        ("1TVBR2200FA124501", "1TVBR2206FA120001", "1TVBR2201FA124500", False),
        ("1TVBR2209FA120001", "1TVBR2206FA120001", "1TVBR2201FA124500", True),
        ("1TVCR220XFA122000", "1TVBR2206FA120001", "1TVBR2201FA124500", False),
        ("1tvbr220xfa122000", "FA120001", "FA124500", True),
        ("1TVBR220XFA125000", "FA120001", "FA124500", False),
    ],
)
def test_a_range_of_vins(vin: str, first: str, last: str, *, inside: bool) -> None:
    assert in_vin_range(vin, first, last) is inside
