"""Replies taken apart: the trial's bytes, frames of an independent library, and disturbed lines."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roadworn.adapter.framing import (
    NO_ANSWER,
    SEARCHED,
    SILENT,
    Form,
    Message,
    Reply,
    read_reply,
)

REFERENCE = Path(__file__).parents[1] / "reference" / "adapter" / "isotp_frames.csv"
FORMS: tuple[Form, ...] = ("can11", "can29", "kwp", "older")
HEADERS = {"can11": "7E8", "can29": "18DAF110"}


def rows() -> list[dict[str, str]]:
    with REFERENCE.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("form", ["can11", "can29"])
@pytest.mark.parametrize("blank", ["", " "])
def test_frames_of_an_independent_library_are_joined(form: Form, blank: str) -> None:
    # Source: can-isotp 2.0.7, see the README beside the file.
    assert len(rows()) == 33
    for row in rows():
        text = "\n".join(
            HEADERS[form] + blank + bytes.fromhex(frame).hex(blank or ":").replace(":", "").upper()
            for frame in row["frames"].split()
        )
        module = "7E8" if form == "can11" else "10"
        assert read_reply(text, form) == Reply((Message(module, bytes.fromhex(row["payload"])),)), (
            row
        )


# Source: the adapter notes of 2026-11-25 (tried with a responder, no real vehicle).
@pytest.mark.parametrize(
    "text, form, expected",
    [
        ("7E8064100BE3FA813", "can11", [("7E8", "4100BE3FA813")]),
        (
            "7E80641018307E541\n7E906410100000000",
            "can11",
            [("7E8", "41018307E541"), ("7E9", "410100000000")],
        ),
        ("7E806430201230420\n7E9024300", "can11", [("7E8", "430201230420"), ("7E9", "4300")]),
        (
            "7E81014490201314D38\n7E82147444D3941584B\n7E82250303432373838",
            "can11",
            [("7E8", "490201" + b"1M8GDM9AXKP042788".hex())],
        ),
        ("48 6B 10 47 01 23 01 71 00 00 AA", "older", [("10", "47012301710000")]),
        # ISO 14230-4: the low bits of the first byte count the data (from memory, sure).
        ("87 F1 10 47 01 23 01 71 00 00 AA", "kwp", [("10", "47012301710000")]),
    ],
)
def test_the_bytes_of_the_trial(text: str, form: Form, expected: list[tuple[str, str]]) -> None:
    reply = read_reply(text, form)
    assert [(m.module, m.data.hex()) for m in reply.messages] == [
        (module, data.lower()) for module, data in expected
    ]
    assert (reply.broken, reply.refusal) == ((), "")


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(
    "text, refusal",
    [
        ("NO DATA", NO_ANSWER),
        ("SEARCHING...", SEARCHED),
        ("SEARCHING...UNABLE TO CONNECT", "UNABLE TO CONNECT"),
        ("SEARCHING...\nUNABLE TO CONNECT", "UNABLE TO CONNECT"),
        ("STOPPED", "STOPPED"),
        ("BUS INIT: ...ERROR", "BUS INIT: ERROR"),
        ("BUS INIT: ERROR", "BUS INIT: ERROR"),
        ("CAN ERROR", "CAN ERROR"),
        ("?", "(?)"),
        ("", SILENT),
        ("7E8064302", "is cut off"),
    ],
)
def test_what_is_no_answer_gives_no_message(text: str, refusal: str, form: Form) -> None:
    # The words are those of the adapter notes, section 5; the last one stands for a cut line.
    reply = read_reply(text, form)
    if text.startswith("7E8"):
        assert reply.messages == ()
        assert reply.broken
    else:
        assert reply.messages == ()
        assert refusal in reply.refusal


def test_data_before_a_refusal_does_not_count() -> None:
    reply = read_reply("7E9024300\nSTOPPED", "can11")
    assert reply.messages == ()
    assert "STOPPED" in reply.refusal


@pytest.mark.parametrize("form", FORMS)
def test_data_after_the_search_counts(form: Form) -> None:
    data = {
        "can11": "7E8 02 43 00",
        "can29": "18 DA F1 10 02 43 00",
        "kwp": "82 F1 10 43 00 AA",
        "older": "48 6B 10 43 00 AA",
    }[form]
    for words in ("SEARCHING...", "SEARCHING...\n", "BUS INIT: OK\n", "BUS INIT: ...OK\n"):
        reply = read_reply(words + data, form)
        assert [m.data for m in reply.messages] == [b"\x43\x00"], words


@pytest.mark.parametrize(
    "text",
    [
        "7E81014490201314D38\n7E82250303432373838",  # one lost
        "7E81014490201314D38\n7E82147444D3941584B",  # the last lost
        "7E82147444D3941584B\n7E82250303432373838",  # the first lost
        "7E81014490201314D38\n7E82147444D3941584B\n7E82147444D3941584B",  # doubled
        "7E81014490201314D38\n7E82250303432373838\n7E82147444D3941584B",  # out of turn
        "7E81014490201314D38\n7E8024300",  # another message in the middle
        "7E81014490201314D38\n7E81008430301230420\n7E8210171",  # and a longer one
    ],
)
def test_a_message_with_a_frame_missing_is_broken(text: str) -> None:
    reply = read_reply(text, "can11")
    assert b"\x49\x02\x01" not in {m.data[:3] for m in reply.messages}
    assert {broken.module for broken in reply.broken} == {"7E8"}


@pytest.mark.parametrize(
    "text",
    ["7E8 09 43", "7E8 00", "7E8 07 43 00", "7E8 10 05 43 00 00 00 00 00", "7E8 40 00",
     "123 02 43 00", "7E8 08 43 00 00 00 00 00 00 00", "7E8 02 43 00 <DATA ERROR",
     "7E8 02 43 0G", "7E8 02 43 00 7E9 02 43 00"],
)  # fmt: skip
def test_a_frame_that_is_none_is_broken(text: str) -> None:
    reply = read_reply(text, "can11")
    assert reply.messages == ()
    assert len(reply.broken) == 1


def test_a_length_that_does_not_fit_breaks_a_frame() -> None:
    # ISO 14230-4: the low six bits of the first byte count the data (from memory, sure).
    assert read_reply("86 F1 10 47 01 23 01 71 00 00 AA", "kwp").messages == ()
    assert read_reply("88 F1 10 47 01 23 01 71 00 00 AA", "kwp").broken


def frames_of(module: str, payload: bytes, padding: int | None) -> list[str]:
    """Write a message as ISO 15765-2 has it, apart from the code under test."""
    if len(payload) <= 7:
        frames = [bytes([len(payload)]) + payload]
    else:
        frames = [bytes([0x10 | len(payload) >> 8, len(payload) & 0xFF]) + payload[:6]]
        rest = payload[6:]
        for number, start in enumerate(range(0, len(rest), 7), start=1):
            frames.append(bytes([0x20 | number % 16]) + rest[start : start + 7])
    if padding is not None:
        frames = [frame.ljust(8, bytes([padding])) for frame in frames]
    return [module + frame.hex().upper() for frame in frames]


@given(
    payloads=st.dictionaries(
        st.sampled_from([f"7E{digit}" for digit in "89ABCDEF"]),
        st.binary(min_size=1, max_size=300),
        min_size=1,
    ),
    padding=st.sampled_from([None, 0x00, 0x55, 0xAA]),
    dice=st.randoms(use_true_random=False),
)
def test_modules_that_answer_in_between_are_told_apart(
    payloads: dict[str, bytes], padding: int | None, dice: object
) -> None:
    waiting = {module: frames_of(module, data, padding) for module, data in payloads.items()}
    lines = []
    while waiting:
        module = dice.choice(sorted(waiting))  # type: ignore[attr-defined]
        lines.append(waiting[module].pop(0))
        if not waiting[module]:
            del waiting[module]
    reply = read_reply("\n".join(lines), "can11")
    assert {m.module: m.data for m in reply.messages} == payloads
    assert (reply.broken, reply.refusal) == ((), "")


@given(payload=st.binary(min_size=8, max_size=200), data=st.data())
def test_a_lost_frame_never_goes_unseen(payload: bytes, data: st.DataObject) -> None:
    lines = frames_of("7E8", payload, None)
    del lines[data.draw(st.integers(0, len(lines) - 1))]
    reply = read_reply("\n".join(lines), "can11")
    assert reply.messages == ()
    assert reply.broken


@given(
    source=st.integers(0, 255),
    payload=st.binary(min_size=1, max_size=7),
    checksum=st.integers(0, 255),
    blank=st.booleans(),
)
def test_older_messages_come_back(source: int, payload: bytes, checksum: int, blank: bool) -> None:
    for form, first, second in (("older", 0x48, 0x6B), ("kwp", 0x80 | len(payload), 0xF1)):
        line = bytes([first, second, source, *payload, checksum])
        text = line.hex(" ") if blank else line.hex()
        assert read_reply(text, form) == Reply((Message(f"{source:02X}", payload),))  # type: ignore[arg-type]


@given(text=st.text(alphabet="0123456789ABCDEF7E8 \n?>.GZ:", max_size=120) | st.text(max_size=80))
def test_any_text_is_told_as_something(text: str) -> None:
    for form in FORMS:
        reply = read_reply(text, form)
        assert reply.messages or reply.broken or reply.refusal
        assert not (reply.refusal and reply.messages)
