"""Read only: service 04, which clears codes, never leaves this reader, whatever it is told."""

import inspect

import pytest
from adapter.responder import CAN, OLDER
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.adapter import Timing, channel, reader
from roadworn.adapter.allowed import ALLOWED, wire_bytes
from roadworn.adapter.channel import Channel
from roadworn.adapter.line import Line
from roadworn.adapter.reader import converse
from roadworn.model.errors import EnvironmentFailure, RoadwornError, UsageError

QUICK = Timing(0.2, 0.2, 0.2, 0.2, 0.2)


class Recorder(Channel):
    """A channel that keeps what is written and answers from a list or a script."""

    def __init__(self, answers: dict[str, str], others: list[str] | None = None) -> None:
        super().__init__("recorder")
        self.written: list[bytes] = []
        self.answers = answers
        self.others = others or []
        self.waiting = b""
        self.closed = 0

    def _write(self, data: bytes) -> None:
        self.written.append(data)
        command = data.decode().strip()
        answer = self.answers.get(command)
        if answer is None:
            answer = "OK" if command.startswith("AT") else "NO DATA"
            if self.others and not command.startswith("AT"):
                answer = self.others.pop(0)
        self.waiting = answer.encode("latin-1", errors="replace") + b"\r\r>"

    def _read(self, seconds: float) -> bytes:
        data, self.waiting = self.waiting, b""
        if not data and seconds > 0:
            raise ConnectionError("nothing more")
        return data

    def close(self) -> None:
        self.closed += 1


def harmless(written: list[bytes]) -> bool:
    services = ("01", "03", "07", "0902", "0A")
    return all(
        data.endswith(b"\r")
        and data.count(b"\r") == 1
        and data.strip()
        and data.decode().strip() in ALLOWED
        and data.startswith(tuple(service.encode() for service in (*services, "AT")))
        for data in written
    )


def test_the_list_holds_reading_services_and_settings_only() -> None:
    services = {command[:2] for command in ALLOWED if not command.startswith("AT")}
    assert services == {"01", "03", "07", "09", "0A"}
    assert not any(" " in command or "\r" in command or not command for command in ALLOWED)
    # An adapter takes these for a request to clear: 04 with or without more digits.
    assert not any(command.startswith("04") for command in ALLOWED)


@pytest.mark.parametrize(
    "text",
    ["04", "4", "04\r", "0 4", " 04", "0404", "03\r04", "03\n04", "ATZ\r04", "ATSH7E0", "", "\r",
     "14FFFFFF", "0101\r", "at z", "ATZ ", "02", "08", "0105", "ATRV"],
)  # fmt: skip
def test_anything_else_is_refused_before_a_byte_is_written(text: str) -> None:
    recorder = Recorder({})
    with pytest.raises(UsageError, match="only read from"):
        wire_bytes(text)
    with pytest.raises(UsageError):
        recorder.send(text)
    with pytest.raises(UsageError):
        Line(recorder).ask(text, 0.1)
    assert recorder.written == []


@given(st.text(alphabet="0479A1 \r\nTZ", max_size=8) | st.text() | st.sampled_from(sorted(ALLOWED)))
def test_no_text_becomes_anything_that_is_not_listed(text: str) -> None:
    recorder = Recorder({})
    for say in (recorder.send, lambda words: Line(recorder).ask(words, 0.1)):
        try:
            say(text)
        except UsageError:
            assert text not in ALLOWED
    assert harmless(recorder.written)
    assert bool(recorder.written) == (text in ALLOWED)


_HEX_LINES = st.lists(
    st.sampled_from(["7E8", "7E9", "48 6B 10 ", "", "18DAF110"]).flatmap(
        lambda head: st.binary(max_size=9).map(lambda data: head + data.hex(" "))
    ),
    max_size=4,
).map("\r".join)
_ANSWERS = st.text(max_size=60) | _HEX_LINES | st.sampled_from(sorted({*CAN.values(), "?", "04"}))


@settings(max_examples=200)
@given(
    first=st.sampled_from([CAN["0100"], OLDER["0100"]]) | _ANSWERS,
    form=st.sampled_from(["A6", "A7", "A3", "A5", "A1", "AA", "?", "04"]),
    others=st.lists(_ANSWERS, max_size=25),
)
def test_nothing_a_vehicle_or_adapter_says_makes_it_send_more(
    first: str, form: str, others: list[str]
) -> None:
    recorder = Recorder({"0100": first, "ATDPN": form}, others)
    try:
        scan = converse(Line(recorder), QUICK)
    except EnvironmentFailure:
        scan = None
    assert recorder.written
    assert harmless(recorder.written)
    if scan is not None:
        # Garbage is never told as an empty list: whoever is called clear has said so.
        for module in scan.modules:
            if module.stored == ():
                said = scan.raw.replace(" ", "").upper()
                assert "0243" + "00" in said or "43" + "00" * 6 in said
        assert scan.modules or scan.problems


def test_there_is_one_place_that_writes() -> None:
    # Only `Channel.send` calls `_write`, and it takes a command, not bytes.
    text = "".join(inspect.getsource(module) for module in (channel, reader))
    assert text.count("._write(") == 1
    assert text.count(".sendall(") == 1
    assert text.count("_port.write(") == 1
    assert "self._write(wire)" in inspect.getsource(Channel.send)
    assert "wire_bytes(command)" in inspect.getsource(Channel.send)


@given(port=st.text(max_size=20) | st.text(max_size=12).map(lambda t: f"socket://{t}"))
def test_any_text_for_a_port_is_told_in_a_sentence(port: str) -> None:
    import socket
    from unittest.mock import patch

    with (
        patch.object(socket, "create_connection", side_effect=ConnectionRefusedError(111, "no")),
        patch.object(channel.importlib, "import_module", side_effect=ModuleNotFoundError),
        pytest.raises(RoadwornError) as told,
    ):
        channel.open_channel(port)
    assert told.value.message.endswith(".")
