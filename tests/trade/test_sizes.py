"""Sizes that a limit hangs on, said once and used from then on; limits as published."""

from typing import Any

import pytest

from roadworn.model.errors import UsageError
from roadworn.reading import read_judged_finding
from roadworn.trade.judging import KnownSizes, put_sizes, size_in, take_sizes
from roadworn.trade.limits import limit_tables, load_sheet

HEAVY, LIGHT = load_sheet("heavy_vehicle"), load_sheet("light_vehicle")


@pytest.mark.parametrize(
    ("text", "left", "key", "size", "unit"),
    [
        ("column 2 in, steering wheel diameter 18 in", "column 2 in", "steering wheel diameter",
         "18", "in"),
        ("steering wheel diameter 457.2 mm", "", "steering wheel diameter", "457.2", "mm"),
        ("rim diameter 22 1/2 in sound", "sound", "rim diameter", "22.5", "in"),
        ("rim diameter 22.5", "", "rim diameter", "22.5", "in"),
        ("chamber 1L 1.8 in (chamber type 30l) leaks", "chamber 1L 1.8 in leaks", "chamber type",
         "30L", ""),
        ("chamber type 24LL", "", "chamber type", "24LL", ""),
        ("shoes 1 1/4 in, lining kind two  pads", "shoes 1 1/4 in", "lining kind", "TWO PADS", ""),
        ("battery 9.6 V, battery temperature 70 °F", "battery 9.6 V", "battery temperature",
         "70", "°F"),
    ],
)  # fmt: skip
def test_a_size_is_taken_out_of_a_finding(
    text: str, left: str, key: str, size: str, unit: str
) -> None:
    plain, (found,) = take_sizes(text)
    assert (plain, found) == (left, (key, size, unit))
    finding: dict[str, Any] = {"component": "x"}
    put_sizes(finding, [found])
    table = next(t for t in limit_tables().values() if t.key == key)
    told = size_in(finding, table)
    # 457.2 mm is 18 in exactly: 25.4 mm to the inch.
    assert told == ("18" if unit == "mm" else size)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("steering wheel diameter big", "names the steering wheel diameter without it"),
        ("chamber type 31", "write it as 'chamber type 12', one of 12, 16, 20, 24, 30"),
    ],
)
def test_a_size_that_is_none_is_refused(text: str, said: str) -> None:
    with pytest.raises(UsageError) as caught:
        take_sizes(text)
    assert said in caught.value.message


@pytest.mark.parametrize(
    ("text", "sheet", "condition"),
    [
        # 49 CFR 570.7 Table 1: 18 in, 2 1/4 in; 17 in takes the stricter 2 in of 16.
        ("steering column 2 1/4 in, steering wheel diameter 18 in", LIGHT, "sound"),
        ("steering column 2.26 in, steering wheel diameter 18 in", LIGHT, "failed"),
        ("steering column 2 1/4 in, steering wheel diameter 17 in", LIGHT, "failed"),
        # 49 CFR 570.60 Table 3: rim of 16.01 to 18 in 3/8, of 18.01 or more 1/2 in.
        ("tie rod end L 1/2 in, rim diameter 22.5 in", HEAVY, "sound"),
        ("tie rod end L 1/2 in, rim diameter 18 in", HEAVY, "failed"),
        # 49 CFR 393.47(e), clamp type, from memory, to be checked: 30 has 2 in, 30L 2 1/2 in.
        ("air brake chamber 2L 2 in, chamber type 30", HEAVY, "sound"),
        ("air brake chamber 2L 2 1/8 in, chamber type 30", HEAVY, "failed"),
        ("air brake chamber 2L 2 1/8 in, chamber type 30L", HEAVY, "sound"),
        # 49 CFR 393.47(d)(1): steer axle, air drum: strip 3/16, two pads 1/4 in.
        ("brake shoes axle 1 3/16 in, lining kind strip", HEAVY, "wearing"),
        ("brake shoes axle 1 3/16 in, lining kind two pads", HEAVY, "failed"),
        # Service texts: 9.6 V at 70 °F.
        ("battery 9.5 V, battery temperature 70 °F failed", LIGHT, "failed"),
        # 49 CFR 393.75(b) and (c): steer axle 4/32, others 2/32 in.
        ("tire 1L 4/32 in", HEAVY, "wearing"),
        ("tire 1L 3.9 32nds", HEAVY, "failed"),
        ("tire LF 3/32 in", HEAVY, "failed"),
        ("tire 2L-outer 2/32 in", HEAVY, "wearing"),
        ("tire 2R-inner 1.9 32nds", HEAVY, "failed"),
        # 49 CFR 393.47(d)(2): other axles, air drum 1/4 in.
        ("brake shoes axle 2 1/4 in", HEAVY, "wearing"),
        ("brake shoes axle 3 6 mm", HEAVY, "failed"),
        # 49 CFR 393.51, from memory, to be checked: warns by about 55 psi.
        ("low air pressure warning 55 psi", HEAVY, "sound"),
        ("low air pressure warning 54 psi", HEAVY, "failed"),
    ],
)
def test_a_size_settles_the_limit(text: str, sheet: Any, condition: str) -> None:
    finding = read_judged_finding(text, sheet).finding
    assert finding["condition"] == condition


@pytest.mark.parametrize(
    ("text", "said"),
    [
        # Between front (4/32) and the rest (2/32) only the place decides.
        ("tire 3/32 in", "Tire tread, steer axle: failed; Tire tread, other axles: wearing"),
        # Air disc 1/8 in, hydraulic 1/16 in: the kind of brake is nowhere on record.
        ("brake pads axle 1 0.1 in", "the limits differ"),
        ("air brake chamber 2L 2 in", "depends on the chamber type: add it, as 'chamber type 12'"),
        ("brake shoes axle 1 0.2 in", "depends on the lining kind"),
        ("brake rotor LF 24 mm", "says no condition"),
    ],
)
def test_what_the_limits_do_not_settle_is_asked_for(text: str, said: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_judged_finding(text, HEAVY)
    assert said in caught.value.message


def test_limits_that_agree_settle_it_together() -> None:
    # Manual 2 in and power 4 1/4 in (49 CFR 393.209(b)) both pass 1 3/4 in at 16 in.
    text = "steering column 1 3/4 in, steering wheel diameter 16 in"
    assert read_judged_finding(text, HEAVY).finding["condition"] == "sound"
    with pytest.raises(UsageError, match="the limits differ"):
        read_judged_finding("steering column 3 in, steering wheel diameter 16 in", HEAVY)


def test_a_size_alone_says_nothing_of_the_part() -> None:
    for text in ("steering wheel diameter 18 in", "steering column, steering wheel diameter 18 in"):
        finding = read_judged_finding(text).finding
        assert finding["component"] == "steering.column"
        assert finding["condition"] == "not_checked"
        assert finding["measurements"] == [
            {"value": 18.0, "unit": "in", "name": "steering wheel diameter"}
        ]


def test_what_was_said_of_the_vehicle_holds_and_a_type_only_at_its_place() -> None:
    known = KnownSizes()
    read_judged_finding("steering wheel diameter 18 in", HEAVY, known)
    read_judged_finding("air brake chamber 2L, chamber type 30", HEAVY, known)
    kept = read_judged_finding("steering column 2.2 in", LIGHT, known).finding
    assert kept["condition"] == "sound"
    assert read_judged_finding("air brake chamber 2L 2 in", HEAVY, known).finding["condition"] == (
        "sound"
    )
    with pytest.raises(UsageError, match="chamber type"):
        read_judged_finding("air brake chamber 1L 2 in", HEAVY, known)


def test_what_was_said_of_an_axle_holds_for_both_ends() -> None:
    known = KnownSizes()
    read_judged_finding("brake shoes axle 1, lining kind strip", HEAVY, known)
    # 49 CFR 393.47(d)(1): continuous strip 3/16 in.
    for place in ("1L", "1R", "axle 1"):
        finding = read_judged_finding(f"brake shoes {place} 3/16 in", HEAVY, known).finding
        assert finding["condition"] == "wearing"


def test_a_temperature_holds_for_one_look_only() -> None:
    known = KnownSizes()
    read_judged_finding("battery 9.8 V sound, battery temperature 70 °F", LIGHT, known)
    assert known == KnownSizes()


def test_the_newest_size_on_record_holds() -> None:
    findings = [
        {"measurements": [{"name": "rim diameter", "value": 22.5, "unit": "in"}]},
        {"measurements": [{"name": "rim diameter", "value": 16.0, "unit": "in"}]},
    ]
    table = limit_tables()["linkage_play"]
    assert KnownSizes.of_findings(findings).size_for(table, "L") == "22.5"
