"""Messages to values, against the published byte forms of codes, VINs and readiness."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.adapter.framing import Form, Message, read_reply
from roadworn.adapter.services import (
    LIST_SERVICES,
    answers_to,
    codes_of,
    module_name,
    number_of,
    offered,
    vin_of,
)

TRADE = Path(__file__).parents[1] / "reference" / "trade"
SERVICES = sorted(LIST_SERVICES.values())


def read(name: str) -> list[dict[str, str]]:
    with (TRADE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


PUBLISHED = [row for row in read("code_bytes.csv") if row["code"].startswith(("P", "C", "B", "U"))]
_FILLED = b"\0\0\0" + b"1M8GDM9AXKP042788"
VINS = [row["vin"] for row in read("vins.csv")]


def read_list(service: str, text: str, form: Form, module: str) -> tuple[str, ...] | None:
    return codes_of(answers_to(service, read_reply(text, form).messages).bodies[module], form)


@pytest.mark.parametrize("service", SERVICES)
def test_both_forms_of_a_list_for_all_three_services(service: str) -> None:
    # Source: the adapter notes, section 5.3: a reader that inserts a count byte on older lines
    # for service 03 only gives P2301 and C3100 for 07 and 0A, shifted by a byte.
    positive = f"{0x40 + int(service, 16):02X}"
    older = f"48 6B 10 {positive} 01 23 01 71 00 00 AA"
    assert read_list(service, older, "older", "10") == ("P0123", "P0171")
    kwp = f"87 F1 10 {positive} 01 23 01 71 00 00 AA"
    assert read_list(service, kwp, "kwp", "10") == ("P0123", "P0171")
    assert read_list(service, f"7E806{positive}0201230171", "can11", "7E8") == ("P0123", "P0171")
    can29 = f"18DAF11006{positive}0201230171"
    assert read_list(service, can29, "can29", "10") == ("P0123", "P0171")


@pytest.mark.parametrize("service", SERVICES)
def test_an_empty_list_is_a_list(service: str) -> None:
    positive = f"{0x40 + int(service, 16):02X}"
    assert read_list(service, f"7E902{positive}00", "can11", "7E9") == ()
    assert read_list(service, f"486B10{positive}000000000000AA", "older", "10") == ()


@pytest.mark.parametrize("service", SERVICES)
def test_every_published_code_is_read_from_both_forms(service: str) -> None:
    # Source: reference/trade/code_bytes.csv (SAE J2012, ISO 15031-6).
    assert len(PUBLISHED) > 8
    expected = tuple(row["code"] for row in PUBLISHED)
    words = b"".join(bytes.fromhex(row["bytes"]) for row in PUBLISHED)
    can = bytes([len(PUBLISHED)]) + words
    assert codes_of([can], "can11") == expected
    padded = words + b"\0\0" * (-len(PUBLISHED) % 3)
    older = [padded[i : i + 6] for i in range(0, len(padded), 6)]
    assert codes_of(older, "older") == expected


@pytest.mark.parametrize(
    "bodies, form",
    [
        ([], "can11"),
        ([b""], "can11"),
        ([b"\x02\x01\x23"], "can11"),  # counts two, holds one
        ([b"\x01\x01\x23\x04\x20"], "can11"),  # counts one, holds two
        ([b"\x01\x23\x01\x71\x00\x00"], "can11"),  # the older form on CAN
        ([], "older"),
        ([b""], "older"),
        ([b"\x02\x01\x23\x04\x20"], "older"),  # the form of CAN on an older line
        ([b"\x01\x23\x01\x71\x00\x00\x00"], "older"),
        ([b"\0\0\0\0\0\0", b"\0\0\0\0"], "older"),
    ],
)
def test_a_list_out_of_its_form_is_not_read(bodies: list[bytes], form: Form) -> None:
    assert codes_of(bodies, form) is None


@given(
    codes=st.lists(st.integers(1, 0xFFFF), max_size=127, unique=True),
    service=st.sampled_from(SERVICES),
)
def test_a_list_of_any_length_comes_back(codes: list[int], service: str) -> None:
    words = b"".join(code.to_bytes(2, "big") for code in codes)
    can = codes_of([bytes([len(codes)]) + words], "can29")
    padded = words + b"\0\0" * (-len(codes) % 3) or b"\0" * 6
    older = codes_of([padded[i : i + 6] for i in range(0, len(padded), 6)], "kwp")
    assert can == older
    assert can is not None
    assert len(can) == len(codes)
    letters = ["PCBU"[code >> 14] + f"{code & 0x3FFF:04X}" for code in codes]
    assert list(can) == letters


@pytest.mark.parametrize("vin", VINS)
def test_published_vins_come_whole_over_both_families(vin: str) -> None:
    # Source: reference/trade/vins.csv. They begin and end with 0, 1 and 2 among others, the
    # characters that a reader which strips by value loses.
    assert vin_of([b"\x01" + vin.encode()], "can11") == vin.encode()
    filled = b"\0\0\0" + vin.encode()
    older = [bytes([i + 1]) + filled[4 * i : 4 * i + 4] for i in range(5)]
    assert vin_of(older, "older") == vin.encode()


def test_the_vins_of_the_test_above_can_fail() -> None:
    assert any(vin[0] in "12" for vin in VINS)
    assert any(vin[-1] in "012" for vin in VINS)


@given(st.text(alphabet="0123456789ABCDEFGHJKLMNPRSTUVWXYZ", min_size=17, max_size=17))
def test_no_character_of_a_vin_is_ever_lost(vin: str) -> None:
    assert vin_of([b"\x01" + vin.encode()], "can29") == vin.encode()
    assert vin_of([b"\x01\0\0\0" + vin.encode()], "can29") == vin.encode()


@pytest.mark.parametrize(
    "bodies, form",
    [
        ([], "can11"),
        ([b"\x01" + b"1" * 16], "can11"),
        ([b"\x01" + b"1" * 18], "can11"),
        ([b"\x01" + b"1" * 17] * 2, "can11"),
        ([b"\x01\0\0\0" + b"1", b"\x02" + b"1" * 4], "older"),
        ([bytes([i]) + b"1111" for i in (1, 2, 3, 4, 5)], "older"),  # 20 characters
        ([bytes([i]) + _FILLED[4 * i - 4 : 4 * i] for i in (1, 2, 4, 3, 5)], "older"),
        ([bytes([i]) + _FILLED[4 * i - 4 : 4 * i] for i in (1, 2, 2, 4, 5)], "older"),
    ],
)
def test_a_vin_that_is_not_whole_is_none(bodies: list[bytes], form: Form) -> None:
    assert vin_of(bodies, form) is None


def test_answers_to_something_else_are_not_taken() -> None:
    messages = [
        Message("7E8", b"\x43\x00"),
        Message("7E9", b"\x47\x00"),
        Message("7EA", b"\x7f\x07\x11"),
        Message("7EB", b"\x7f\x07\x78"),
        Message("7EC", b"\x7f\x07\x22"),
    ]
    answers = answers_to("07", messages)
    assert answers.bodies == {"7E9": [b"\x00"]}
    assert answers.declined == {"7EA"}
    assert answers.stray == {"7E8", "7EC"}
    assert answers_to("0131", [Message("7E8", b"\x41\x30\x07")]).bodies == {}


def test_parameters_offered() -> None:
    # BE 3F A8 13 by hand: 1011 1110 0011 1111 1010 1000 0001 0011, bit 1 first.
    expected = {1, 3, 4, 5, 6, 7, 11, 12, 13, 14, 15, 16, 17, 19, 21, 28, 31, 32}
    assert offered(0x00, [bytes.fromhex("BE3FA813")]) == expected
    assert offered(0xA0, [bytes.fromhex("04000000")]) == {0xA6}
    assert offered(0x00, [b"\0\0\0"]) is None


def test_figures() -> None:
    # Source: the adapter notes, `7E80441310064`: 100 km since codes were cleared.
    assert number_of([bytes.fromhex("0064")], 2) == 100
    assert number_of([bytes.fromhex("64")], 2) is None
    assert number_of([b"\0\x64", b"\0\x64"], 2) is None


def test_names() -> None:
    assert [module_name(a) for a in ("7E8", "10", "7E9", "18")] == ["engine", "engine", "7E9", "18"]
