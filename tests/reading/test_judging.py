"""What is noted at the moment of intake: figures against limits, counts, model years."""

import pytest

from roadworn.model.errors import UsageError
from roadworn.reading import read_findings, read_judged_finding
from roadworn.reading.scans import read_scan
from roadworn.trade.limits import load_sheet
from roadworn.trade.scan_text import parse_scan_text
from roadworn.trade.vin import decode_vin, year_problem


@pytest.mark.parametrize(
    ("text", "sheet", "condition"),
    [
        # 49 CFR 570.9(a): tread not less than 2/32 in; at the limit passes, and 2/32 is wearing
        # by common practice (4/32, no source). 1.5875 mm is 2/32 in exactly.
        ("tire LF 2/32 in", "", "wearing"),
        ("tire LF 1.5875 mm", "", "wearing"),
        ("tire LF 1.5 mm", "", "failed"),
        ("tire LF 1/32 in", "", "failed"),
        ("tire LF 5 32nds", "", "sound"),
        # 49 CFR 570.5, from memory: 1/32 in = 0.79375 mm over the shoe.
        ("brake pads front 0.79375 mm", "", "wearing"),
        ("brake pads front 0.79 mm", "", "failed"),
        ("brake pads front 0.4 in", "", "sound"),
        # 49 CFR 570.7(b): play at the tread not over 1/4 in.
        ("outer tie rod end L 1/4 in", "", "sound"),
        ("outer tie rod end L 0.26 in", "", "failed"),
        # A condition that was typed stands.
        ("brake pads front 3 mm failed", "", "failed"),
        ("tire LF 1/32 in wearing", "", "wearing"),
    ],
)
def test_a_figure_alone_is_judged_by_the_limit(text: str, sheet: str, condition: str) -> None:
    found = read_judged_finding(text, sheet)
    assert found.finding["condition"] == condition
    assert found.finding.get("safety", False) == (condition == "failed")


@pytest.mark.parametrize(
    ("text", "condition"),
    [
        # 49 CFR 393.75(b), 4/32 in, and 393.47(d)(2), 1/4 in, from a second party: exactly at the
        # limit passes, and is wearing (the band is common practice, no source).
        ("tire 1L 4/32 in", "wearing"),
        ("tire 1L 6/32 in", "wearing"),
        ("tire 1L 7/32 in", "sound"),
        ("tire 1L 3.9 32nds", "failed"),
        ("tire 2L 2/32 in", "wearing"),
        ("brake shoe 2L 1/4 in", "wearing"),
        ("brake shoe 2L 3/8 in", "sound"),
        ("brake shoe 2L 6.3 mm", "failed"),
        ("brake shoe 1L two pads 1/4 in", "wearing"),
    ],
)
def test_at_a_limit_a_heavy_vehicle_is_wearing(text: str, condition: str) -> None:
    said = text.replace("two pads", "lining kind two pads")
    found = read_judged_finding(said, load_sheet("heavy_vehicle"))
    assert found.finding["condition"] == condition


def test_a_figure_that_fails_at_every_size_needs_none() -> None:
    # 49 CFR 570.7 Table 1: no more than 2 3/4 in at the largest diameter, 22 in.
    found = read_judged_finding("steering column 2.8 in")
    assert found.finding["condition"] == "failed"
    assert "2.75 in at any steering wheel diameter" in found.remark
    assert read_judged_finding("steering column 2 in").finding["condition"] == "sound"
    with pytest.raises(UsageError, match="depends on the steering wheel diameter"):
        read_judged_finding("steering column 2.01 in")


def test_the_person_is_told_what_decided() -> None:
    assert "570.9(a)" in read_judged_finding("tire LF 1/32 in").remark
    assert "less than the limit" in read_judged_finding("tire LF 1/32 in").remark
    assert read_judged_finding("tire LF 8/32 in sound").remark == ""


@pytest.mark.parametrize(
    "text",
    [
        # A rotor has its limit stamped on it; the steering wheel's diameter is not said; a horn
        # is not measured; under load the battery's temperature is asked for.
        "battery 9.0 V under load",
        "brake rotor LF 22 mm",
        "steering column 2.1 in",
        "horn",
        "tire LF rubs at 2 mm",
    ],
)
def test_what_one_limit_does_not_settle_needs_a_word(text: str) -> None:
    with pytest.raises(UsageError):
        read_judged_finding(text)


def test_the_count_of_the_bytes_is_held_against_the_list() -> None:
    """83 07 E5 41: lamp on, three codes (SAE J1979, service 01 parameter 01)."""
    _, three = read_scan(["P0420", "P0301", "P0171"], readiness="83 07 E5 41")
    assert three.remarks == ()
    _, two = read_scan(["P0420", "P0301", "P0171 pending"], readiness="83 07 E5 41")
    assert [remark.code for remark in two.remarks] == ["scan-count"]
    assert "count 3 codes, the list holds 2" in two.remarks[0].message


def test_the_lamp_is_held_against_its_bit() -> None:
    _, typed = read_scan(["P0420"], lamp="off", readiness="81 07 E5 00")
    assert [remark.code for remark in typed.remarks] == ["scan-lamp"]
    pasted = parse_scan_text("P0420\nlamp off\nreadiness 81 07 E5 00")
    assert [remark.code for remark in pasted.remarks] == ["scan-lamp"]


@pytest.mark.parametrize(
    ("vin", "year", "told"),
    [
        # Worked examples of 49 CFR 565.15: position 10 A with a letter at 7 is 2010 if light,
        # 1980 lies before the rule; K is 1989 or 2019.
        ("1J9RP1A36A1644345", 2010, None),
        ("1J9RP1A36A1644345", 2011, "2010"),
        ("1M8GDM9AXKP042788", 1989, None),
        ("1M8GDM9AXKP042788", 2019, None),
        ("1M8GDM9AXKP042788", 2003, "1989 or 2019"),
        ("1M8GDM9AXKP042788", None, None),
    ],
)
def test_the_year_of_the_vin_and_the_year_recorded(
    vin: str, year: int | None, told: str | None
) -> None:
    problem = year_problem(decode_vin(vin, latest=2027), year)
    assert (problem is None) == (told is None)
    if problem is not None:
        assert told is not None
        assert f"gives model year {told}, but {year} is recorded" in problem.message


@pytest.mark.parametrize(("character", "meant"), [("I", "1"), ("O", "0"), ("Q", "0")])
def test_letters_a_vin_never_holds_are_hinted_at_and_never_corrected(
    character: str, meant: str
) -> None:
    """49 CFR 565.13: no I, O or Q."""
    typed = f"1M8GDM9AXKP04278{character}"
    decoded = decode_vin(typed)
    assert decoded.vin == typed
    assert f"it may be {meant}" in decoded.problems[0].hint


def test_where_position_nine_is_free_it_is_not_used_and_not_wrong() -> None:
    decoded = decode_vin("WP0ZZZ99ZTS390000")
    assert (decoded.check_digit, decoded.problems) == ("not_used", ())


@pytest.mark.parametrize(
    ("text", "way", "condition"),
    [
        # 12.24 V at rest is half charged; common practice, no source.
        ("battery 11.9v", "voltage at rest", "wearing"),
        ("battery 11.9v at rest", "voltage at rest", "wearing"),
        ("battery at rest 11.9v", "voltage at rest", "wearing"),
        ("battery 11.9 V under load", "voltage under load", "sound"),
        ("battery cranking 9.8 V sound", "voltage under load", "sound"),
    ],
)
def test_a_voltage_is_one_at_rest_unless_it_is_said(text: str, way: str, condition: str) -> None:
    ((finding, remark),) = read_findings(text)
    assert (finding["condition"], finding["measurements"][0]["name"]) == (condition, way)
    assert ("the usual" in remark) == (text == "battery 11.9v")
