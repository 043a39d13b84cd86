"""Heavy vehicle faults, SAE J1939-73 (tests/reference/trade/j1939.csv)."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.errors import UsageError
from roadworn.trade.scan_bytes import (
    FAILURE_MODES,
    MAX_SPN,
    HeavyFault,
    decode_j1939,
    decode_message,
)

ROWS = list(
    csv.DictReader(
        (Path(__file__).parents[1] / "reference/trade/j1939.csv").read_text().splitlines()
    )
)


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["bytes"])
def test_printed_faults(row):
    found = decode_j1939(row["bytes"])
    assert (found.spn, found.fmi, found.count) == tuple(
        int(row[k]) for k in ("spn", "fmi", "count")
    )
    assert found.conversion == 0
    assert found.encode() == bytes.fromhex(row["bytes"])


def test_the_filler_is_no_fault():
    assert decode_j1939("00 00 00 00").is_no_fault
    assert not decode_j1939("00 00 00 01").is_no_fault


@given(st.binary(min_size=4, max_size=4))
def test_bytes_go_there_and_back(data):
    found = decode_j1939(data)
    assert found.encode() == data
    assert 0 <= found.spn <= MAX_SPN
    assert decode_j1939(data.hex(" ")) == found
    assert bool(found.caveat) == (data[3] >= 0x80)


def test_every_structure_of_the_four_bytes_goes_there_and_back():
    """Every pair of bytes 1 and 2, every byte 3 and every byte 4: all 2^32 are made of these."""
    for word in range(0x10000):
        data = bytes([word & 0xFF, word >> 8, 0x43, 0x0A])
        found = decode_j1939(data)
        assert found.encode() == data
        assert (found.spn, found.fmi) == (word | 2 << 16, 3)
    for value in range(256):
        third, fourth = bytes([1, 2, value, 4]), bytes([1, 2, 3, value])
        assert decode_j1939(third).encode() == third
        assert (decode_j1939(third).spn >> 16, decode_j1939(third).fmi) == divmod(value, 32)
        assert decode_j1939(fourth).encode() == fourth
        assert decode_j1939(fourth).conversion == value >> 7


@given(
    st.integers(0, MAX_SPN),
    st.integers(0, 31),
    st.none() | st.integers(0, 126),
    st.integers(0, 1),
)
def test_structure_goes_there_and_back(spn, fmi, count, conversion):
    built = HeavyFault(spn, fmi, count, conversion)
    assert decode_j1939(built.encode()) == built


def test_failure_modes():
    # Own short words; 3 and 4 in this order, one printed page has a slip (second party).
    assert len(FAILURE_MODES) == 32
    assert "high" in FAILURE_MODES[3]
    assert "low" in FAILURE_MODES[4]
    assert decode_j1939("B8 04 03 0A").failure == FAILURE_MODES[3]


def test_json_contract():
    assert decode_j1939("B8 04 03 0A").as_json() == {
        "spn": 1208,
        "fmi": 3,
        "count": 10,
        "conversion": 0,
    }
    assert decode_j1939("B8 04 03 7F").as_json()["count"] is None


def test_a_message_with_lamps():
    # Lamp bits by the standard (from memory): amber 01 at bits 4-3, others off.
    found = decode_message("04 FF B8 04 03 0A 6E 00 00 01")
    assert found.lamps == {
        "malfunction": "off",
        "red_stop": "off",
        "amber_warning": "on",
        "protect": "off",
    }
    assert [fault.spn for fault in found.faults] == [1208, 110]
    assert decode_message("00 FF 00 00 00 00 FF FF").faults == ()


@pytest.mark.parametrize("typed", ["", "B8 04 03", "B8 04 03 0A 00", "zz", "B80403 0"])
def test_no_fault_bytes(typed):
    with pytest.raises(UsageError):
        decode_j1939(typed)


@pytest.mark.parametrize("typed", ["04 FF", "04 FF B8", "B8 04 03 0A"])
def test_no_message(typed):
    with pytest.raises(UsageError):
        decode_message(typed)
