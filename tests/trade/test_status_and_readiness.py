"""Status bytes (ISO 14229-1) and readiness (SAE J1979), see tests/reference/trade."""

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.trade.scan_bytes import (
    BIT_NAMES,
    Monitor,
    Readiness,
    decode_readiness,
    decode_status,
)
from roadworn_plugins.inspection.outcomes import LastScan, judge_socket
from roadworn_plugins.shared.rule_sets import load_rules

REFERENCE = Path(__file__).parents[1] / "reference/trade"
TODAY = date(2026, 6, 1)


def inspected(readiness, model_year, rules=None, permanent=0):
    """What the inspection says of a read-out of today, by the federal rules as they ship."""
    scan = LastScan(TODAY, "e", None, readiness, None, permanent)
    return judge_socket(scan, model_year, None, rules or load_rules(), TODAY, 90).outcome


def rows(name):
    return list(csv.DictReader((REFERENCE / name).read_text().splitlines()))


@pytest.mark.parametrize("row", rows("status_bytes.csv"), ids=lambda r: r["byte"])
def test_printed_status_bytes(row):
    expected = set(row["set_bits"].split(";"))
    assert {name for name, is_set in decode_status(row["byte"]).bits.items() if is_set} == expected


def test_every_status_byte_is_its_bits():
    for value in range(256):
        bits = decode_status(value).bits
        assert list(bits) == list(BIT_NAMES)
        assert sum(is_set << i for i, is_set in enumerate(bits.values())) == value
        assert decode_status(f"{value:02x}") == decode_status(value)


def test_a_repair_is_proved_when_the_test_ran_and_did_not_fail():
    # Bit 6 = 0 and bit 1 = 0 (service texts that agree).
    assert decode_status("28").repair_proved
    assert not decode_status("2A").repair_proved
    assert not decode_status("68").repair_proved


def test_status_contract():
    assert decode_status("0x2F").as_json() == {"bits": decode_status(0x2F).bits}


@pytest.mark.parametrize("typed", ["", "2", "2F2F", "G1", "256", -1, 256])
def test_no_status_byte(typed):
    with pytest.raises(UsageError):
        decode_status(typed)


@pytest.mark.parametrize("row", rows("readiness.csv"), ids=lambda r: r["bytes"])
def test_printed_readiness(row):
    found = decode_readiness(row["bytes"])
    answer = found.as_json()
    others = {m.name for m in found.monitors[3:] if m.supported}
    assert answer["lamp"] == row["lamp"]
    assert answer["codes"] == int(row["codes"])
    assert answer["ignition"] == row["ignition"]
    assert others == set(row["supported"].split(";"))
    assert set(found.not_ready) == set(filter(None, row["not_complete"].split(";")))
    assert answer["not_ready"] == len(found.not_ready)
    unfinished = {m.name for m in found.monitors[:3] if m.state == "not_ready"}
    assert unfinished == set(filter(None, row["continuous_not_complete"].split(";")))


def test_misfire_is_not_supported_by_the_printed_diesel():
    answer = decode_readiness("00 0E EB 20").as_json()
    assert answer["monitors"]["misfire"] == "not_supported"
    assert not [name for name in answer["monitors"] if name.startswith("reserved")]


def test_json_contract():
    answer = decode_readiness("41 01 83 07 E5 41").as_json()
    assert list(answer) == ["lamp", "codes", "ignition", "monitors", "not_ready"]
    assert answer["monitors"]["catalyst"] == "not_ready"
    assert answer["monitors"]["egr_or_vvt"] == "ready"
    assert answer["monitors"]["heated_catalyst"] == "not_supported"


@given(st.binary(min_size=4, max_size=4))
def test_bytes_go_there_and_back(data):
    found = decode_readiness(data)
    assert found.encode() == data
    assert decode_readiness(data.hex()) == found
    assert decode_readiness(b"\x41\x01" + data) == found
    # A completion bit counts only with its support bit.
    assert {m.state for m in found.monitors if not m.supported} <= {"not_supported"}


def test_every_structure_of_the_four_bytes_goes_there_and_back():
    """The bytes mean nothing to each other but for the ignition bit of B and the pair C, D.

    So all 2^32 are covered by every A, every B, and every pair of C and D under both ignitions.
    """
    for value in range(256):
        for data in (bytes([value, 7, 0xE5, 0x41]), bytes([0x83, value, 0xE5, 0x41])):
            found = decode_readiness(data)
            assert found.encode() == data
            assert (found.lamp, found.codes) == (bool(data[0] & 0x80), data[0] & 0x7F)
            assert found.ignition == ("compression" if data[1] & 8 else "spark")
    for b in (0x07, 0x0F):
        for supported in range(256):
            for unfinished in range(256):
                data = bytes([0, b, supported, unfinished])
                found = decode_readiness(data)
                assert found.encode() == data
                # A bit in D counts only if its bit in C is 1.
                assert len(found.not_ready) == (supported & unfinished).bit_count()


@given(
    lamp=st.booleans(),
    count=st.integers(0, 127),
    ignition=st.sampled_from(["spark", "compression"]),
    states=st.lists(st.tuples(st.booleans(), st.booleans()), min_size=11, max_size=11),
)
def test_structure_goes_there_and_back(lamp, count, ignition, states):
    blank = decode_readiness("00 08 00 00" if ignition == "compression" else "00 00 00 00")
    names = [monitor.name for monitor in blank.monitors]
    monitors = tuple(Monitor(n, *state) for n, state in zip(names, states, strict=True))
    built = Readiness(lamp, count, ignition, monitors)
    assert decode_readiness(built.encode()) == built


@pytest.mark.parametrize("typed", ["", "83 07 E5", "83 07 E5 41 00", "83 07 E5 4", "83 07 G5 41"])
def test_no_readiness(typed):
    with pytest.raises(UsageError, match="83 07 E5 41"):
        decode_readiness(typed)


@pytest.mark.parametrize(
    ("model_year", "not_ready", "outcome"),
    # 66 FR 18155 and EPA420-R-01-015 (second party and memory): two for 1996-2000, one after.
    [(2000, 2, "pass"), (2000, 3, "reject"), (2001, 1, "pass"), (2001, 2, "reject")],
)
def test_unfinished_monitors_exactly_at_the_limit(model_year, not_ready, outcome):
    unfinished = (1 << not_ready) - 1
    four_bytes = bytes([0, 7, 0xFF, unfinished])
    assert len(decode_readiness(four_bytes).not_ready) == not_ready
    assert inspected(four_bytes.hex(), model_year) == outcome


def test_the_lamp_commanded_on_fails_and_a_code_alone_does_not():
    # 40 CFR 85.2207(c), read in the rule.
    assert inspected("81 07 65 04", 2010) == "fail"
    assert inspected("01 07 65 04", 2010) == "pass"


def test_cleared_just_before_is_rejected_not_passed():
    assert decode_readiness("00 07 E5 E5").just_cleared
    assert inspected("00 07 E5 E5", 2010) == "reject"


def test_state_settings():
    rules = load_rules()
    none_left = tuple(replace(one, not_ready=0) for one in rules.allowances)
    strict = replace(rules, fail_on_permanent=True, allowances=none_left)
    assert inspected("00 07 A1 00", 2010, permanent=1) == "pass"
    assert inspected("00 07 A1 00", 2010, strict, permanent=1) == "fail"
    assert inspected("00 07 A1 01", 2010) == "pass"
    assert inspected("00 07 A1 01", 2010, strict) == "reject"
    assert inspected("00 07 A1 00", 1995) == "not tested"
