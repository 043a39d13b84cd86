"""Trouble codes against SAE J2012 / ISO 15031-6 (tests/reference/trade/code_*.csv)."""

import csv
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.trade import codes

REFERENCE = Path(__file__).parents[1] / "reference/trade"
LISTED = Path(codes.__file__).with_name("dtc.csv")


def rows(path):
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", rows(REFERENCE / "code_bytes.csv"), ids=lambda r: r["code"])
def test_printed_byte_pairs(row):
    assert codes.code_from_bytes(*bytes.fromhex(row["bytes"])) == row["code"]
    assert codes.encode_code(row["code"]).hex().upper() == row["bytes"]


def test_all_65536_codes_go_there_and_back():
    seen = set()
    for word in range(0x10000):
        data = word.to_bytes(2, "big")
        code = codes.code_from_bytes(*data)
        assert codes.encode_code(code) == data
        assert codes.split_code(code) == (code, None)
        assert codes.owner_of(code) in {"standard", "maker", "reserved"}
        seen.add(code)
    assert len(seen) == 0x10000


@pytest.mark.parametrize("row", rows(REFERENCE / "code_owners.csv"), ids=lambda r: r["code"])
def test_owners(row):
    assert codes.owner_of(row["code"]) == row["owner"]


def test_the_list_agrees_with_itself_and_with_the_catalogue():
    listed = rows(LISTED)
    assert len(listed) == 177
    for row in listed:
        assert codes.encode_code(row["code"]).hex().upper() == row["bytes"], row["code"]
        found = codes.decode_code(row["code"])
        assert found.owner == "standard"
        assert found.points_to[0] == row["component"]
        assert all(part in catalogue() for part in found.points_to), row["code"]
        assert not re.search(r"\breplace(?!ment)\b", found.description), row["code"]


@pytest.mark.parametrize(
    ("code", "component", "word"),
    # Meanings compared with a second list; the component is common practice, no source.
    [
        ("P0420", "emission.catalyst", "Catalyst"),
        ("P0301", "ignition.coil", "cylinder 1"),
        ("P0171", "air.intake_duct", "lean"),
        ("U0100", "engine.control_module", "No messages"),
        ("C0031", "brake.wheel_speed_sensor", "Left front"),  # number from memory, fair
    ],
)
def test_well_known_codes(code, component, word):
    found = codes.decode_code(code)
    assert found.points_to[0] == component
    assert word in found.description


def test_a_standard_code_outside_the_list_points_by_its_family():
    found = codes.decode_code("P0305")
    assert found.description == "Misfire, cylinder 5"
    family = codes.decode_code("P0312")
    assert "ignition or misfire" in family.description
    assert "ignition.coil" in family.points_to


def test_a_makers_code_is_not_given_a_meaning():
    found = codes.decode_code("P1ABC")
    assert found.owner == "maker"
    assert "service information" in found.description
    assert found.points_to == ()


def test_three_bytes():
    found = codes.decode_code("p0123-11")
    assert found.bytes == bytes.fromhex("012311")
    assert found.failure == "short to ground"  # from memory, fair
    assert found.as_json()["failure_type"] == "11"
    assert codes.decode_code("P0123-7A").failure == "see the maker's service information"


def test_json_contract():
    answer = codes.decode_code("P0420").as_json()
    assert list(answer) == ["code", "bytes", "owner", "description", "points_to"]
    assert (answer["code"], answer["bytes"], answer["owner"]) == ("P0420", "0420", "standard")


@pytest.mark.parametrize("code", ["P0A80", "p0a80", " P0A80 ", "P0FFF"])
def test_hexadecimal_digits_are_legal(code):
    assert codes.decode_code(code).code == code.strip().upper()


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        ("PO420", "letter O; if the digit 0 was meant, so P0420, type it so"),
        ("P042O", "letter O"),
        ("P0I71", "letter I"),
        ("S110", "letter S; if the digit 5 was meant"),  # found by the campaign of inputs
        ("P0G80", "'G' is not a hexadecimal digit"),
        ("P0G80", "it may be P0680 or P0980"),
        ("P042", "4 characters"),
        ("P04200", "6 characters where a code has 5; it may be P0420"),
        ("P301", "4 characters where a code has 5; it may be P0301"),
        ("0420", "letter in front"),
        ("P4420", "0, 1, 2 or 3"),
        ("X0420", "'X' is not"),
        ("", "not a hexadecimal digit"),
        ("P0\ufb001", "not a hexadecimal digit"),  # a ligature whose capital is FF
        ("P0123-1", "failure type after the hyphen is two"),
        ("P0123-1O", "if P0123-10 was meant"),
        ("P012311", "with a failure type it is P0123-11"),
        ("P0420" * 1_000_000, "not a hexadecimal digit"),
    ],
)
def test_nearly_a_code_is_refused_with_a_hint(typed, hint):
    with pytest.raises(UsageError) as caught:
        codes.decode_code(typed)
    assert hint in caught.value.message
    assert len(caught.value.message) < 200


@given(st.text(max_size=12))
def test_any_text_is_a_code_or_refused(text):
    try:
        found = codes.decode_code(text)
    except UsageError:
        assert codes.code_problem(text) is not None
        return
    assert codes.code_problem(text) is None
    # Nothing but case and blanks around may differ from what was typed.
    assert text.strip().upper().startswith(found.code)


def test_every_failure_type_of_every_kind_of_code_goes_there_and_back():
    # Third byte: 256; the two bytes before it are all gone through above.
    for code in ("P0123", "C1ABC", "B2F00", "U3FFF"):
        for failure in range(256):
            typed = f"{code}-{failure:02X}"
            assert codes.split_code(typed) == (code, f"{failure:02X}")
            assert codes.decode_code(typed).bytes == codes.encode_code(code) + bytes([failure])


@pytest.mark.parametrize(
    ("code", "words", "points_to"),
    [
        ("P0420", "Catalyst", "emission.catalyst"),
        ("P1ABC", "Maker's own code", ""),
        # SAE J1939-73: FMI 3 is voltage high or short to high.
        ("SPN 1208 FMI 3", "parameter 1208: voltage high or short to high", ""),
        ("E-17", "no code of a published standard", ""),
    ],
)
def test_any_code_on_record_is_told(code: str, words: str, points_to: str) -> None:
    meaning, components = codes.told_code(code)
    assert words in meaning
    assert points_to in "".join(components[:1])


@given(st.text(max_size=30))
def test_telling_a_code_refuses_nothing(text: str) -> None:
    assert codes.told_code(text)[0]
