"""Whole reads against the responder, over a socket and a pseudo-terminal, in good and bad weather.

No real adapter or vehicle was tried; bytes and their meaning are those of the adapter notes.
"""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing
from pathlib import Path

import orjson
import pytest
from adapter.responder import CAN, OLDER, VIN, Responder

from roadworn.adapter import AdapterScan, Timing, channel, read_scan
from roadworn.adapter.channel import Channel
from roadworn.adapter.line import Line
from roadworn.intake import Ledger
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.model.events import NewEvent
from roadworn.model.payloads import Scan

# Long enough for a busy machine; only a silent responder makes anyone wait that long.
QUICK = Timing(connect=5, restart=5, setting=5, search=5, request=5)
IMPATIENT = Timing(connect=5, restart=0.7, setting=0.7, search=0.7, request=0.7)
ROOT = Path(__file__).parents[2]


def over(way: str, responder: Responder) -> AbstractContextManager[str]:
    if way == "pty":
        pytest.importorskip("serial", reason="the extra roadworn[adapter] is not installed")
        return responder.on_pty()
    return responder.on_socket()


@pytest.fixture(params=["socket", "pty"])
def read(request: pytest.FixtureRequest) -> Callable[[Responder], AdapterScan]:
    def through(responder: Responder) -> AdapterScan:
        with over(request.param, responder) as port:
            scan = read_scan(port, timing=QUICK)
            # An open end of a pseudo-terminal cannot be told from a closed one on this side.
            if request.param == "socket":
                assert responder.closed_by_reader.wait(5)
        Scan.model_validate_json(orjson.dumps(scan.payload()))
        return scan

    return through


def changed(script: dict[str, str] | None = None, **answers: str) -> dict[str, str]:
    return {**(CAN if script is None else script), **{k.lstrip("_"): v for k, v in answers.items()}}


def test_a_vehicle_on_can(read: Callable[[Responder], AdapterScan]) -> None:
    scan = read(Responder(CAN))
    assert scan.vin == VIN
    engine, second = scan.modules
    assert (engine.name, engine.address) == ("engine", "7E8")
    assert engine.stored == ("P0123", "P0420")
    assert engine.pending == ("P0171",)
    assert engine.permanent == ("P0420",)
    assert (second.stored, second.pending, second.permanent) == ((), (), ())
    assert scan.lamp == "on"
    assert scan.readiness == "8307E541"
    assert [m.readiness for m in scan.modules] == ["8307E541", "00000000"]
    assert (scan.distance_since_clear_km, scan.warm_ups) == (100, 7)
    assert scan.odometer == (123456.7, "km")
    # The status counts 3 codes and service 03 gives 2: noted in the adapter notes, section 3.
    assert [problem.code for problem in scan.problems] == ["scan-count"]
    assert not scan.failed
    assert scan.other_vehicle(None) is None
    assert scan.other_vehicle(f" {VIN.lower()} ") is None
    other = scan.other_vehicle("WP0ZZZ99ZTS390000")
    assert other is not None
    assert VIN in other.message
    assert scan.payload()["modules"][1] == {"name": "7E9", "outcome": "read", "codes": []}
    assert "7E82147444D3941584B" in scan.raw


def test_a_vehicle_on_an_older_line(read: Callable[[Responder], AdapterScan]) -> None:
    scan = read(Responder(OLDER))
    assert scan.vin == VIN
    engine, second = scan.modules
    assert (engine.name, second.name) == ("engine", "18")
    assert engine.stored == ("P0123", "P0171", "P0420", "P0300")
    assert engine.pending == ("P0123", "P0171")  # never P2301 and C3100, shifted by a byte
    assert engine.permanent is None
    assert second.stored == ()
    assert scan.problems == ()
    assert scan.remarks == ("Permanent codes are not offered by this vehicle.",)
    assert scan.odometer is None
    assert "distance_unit" not in scan.payload()


def test_what_is_sent_in_which_order(read: Callable[[Responder], AdapterScan]) -> None:
    responder = Responder(CAN)
    read(responder)
    settings = [command for command in responder.received if command.startswith("AT")]
    assert settings[0] == "ATZ"
    assert set(responder.received) - set(settings) == {
        *("0100", "0101", "0120", "0121", "0130", "0131", "0140", "014E", "0160", "0180", "01A0"),
        *("01A6", "03", "07", "0A", "0902"),
    }


def test_a_slow_adapter_is_waited_for(read: Callable[[Responder], AdapterScan]) -> None:
    scan = read(Responder(CAN, pace=0.004))
    assert scan.vin == VIN
    assert len(scan.modules) == 2


def test_an_echo_that_stays_on_is_no_data() -> None:
    responder = Responder({**CAN, "ATE0": "?"})
    with responder.on_socket() as port:
        responder.echo = True
        original = responder._answer

        def stubborn(fd: int, command: str) -> bool:
            responder.echo = True
            return original(fd, command)

        responder._answer = stubborn  # type: ignore[method-assign]
        assert read_scan(port, timing=QUICK).modules[0].stored == ("P0123", "P0420")


WORDS = {
    "NO DATA": "no answer",
    "SEARCHING...": "searched",
    "UNABLE TO CONNECT": "no line",
    "STOPPED": "interrupted",
    "BUS INIT: ...ERROR": "could not be started",
    "CAN ERROR": "disturbed",
    "?": "does not know",
}


@pytest.mark.parametrize("words", WORDS)
def test_a_vehicle_that_does_not_answer_is_a_failed_read(words: str) -> None:
    responder = Responder({**CAN, "0100": words})
    with responder.on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.failed
    assert scan.modules == ()
    assert scan.lamp is None
    assert [problem.code for problem in scan.problems] == ["scan-failed"]
    assert WORDS[words] in scan.problems[0].message
    assert scan.payload()["modules"] == [{"name": "engine", "outcome": "failed", "codes": []}]
    assert WORDS[words] in scan.payload()["note"]
    assert "03" not in responder.received


@pytest.mark.parametrize("words", WORDS)
@pytest.mark.parametrize("request_", ["03", "07"])
def test_a_list_that_is_not_answered_is_not_an_empty_list(words: str, request_: str) -> None:
    with Responder({**CAN, request_: words}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    engine = scan.modules[0]
    assert (engine.stored if request_ == "03" else engine.pending) is None
    assert scan.failed == (request_ == "03")
    assert engine.outcome == ("failed" if request_ == "03" else "read")
    assert any(WORDS[words] in problem.message for problem in scan.problems)


def test_no_permanent_list_is_a_remark_and_a_disturbed_one_a_problem() -> None:
    with Responder({**CAN, "0A": "NO DATA"}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.modules[0].permanent is None
    assert [problem.code for problem in scan.problems] == ["scan-count"]
    assert scan.remarks == ("Permanent codes are not offered by this vehicle.",)
    with Responder({**CAN, "0A": "CAN ERROR"}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert any("permanent codes" in problem.message for problem in scan.problems)
    assert scan.remarks == ()


def test_a_module_that_stays_silent_alone_is_failed_alone() -> None:
    with Responder({**CAN, "03": "7E806430201230420"}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert [module.outcome for module in scan.modules] == ["read", "failed"]
    assert any("7E9 gave no readable list of stored" in p.message for p in scan.problems)


def test_the_lamp_may_be_commanded_by_any_module() -> None:
    other = {
        **CAN,
        "0101": "7E80641010007E500\r7E906410181000000",
        "03": "7E8024300\r7E90443010700",
    }
    with Responder(other).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.lamp == "on"
    assert scan.readiness == "0007E500"  # the engine's all the same
    assert scan.modules[1].stored == ("P0700",)
    assert scan.problems == ()


def test_the_lamp_is_unknown_while_a_module_has_not_said() -> None:
    both = {"0100": "7E8064100BE3FA813\r7E906410080000000"}
    for status, lamp, missing in (
        ("7E80641010007E500\r7E906410100000000", "off", False),
        ("7E80641010007E500", None, True),
        ("7E80641010007E500\r7E906418100000000", None, True),
        ("7E80641010007E500\r7E9064101", None, True),
        ("7E80641018107E500", "on", True),
        ("NO DATA", None, True),
    ):
        with Responder({**CAN, **both, "0101": status}).on_socket() as port:
            scan = read_scan(port, timing=QUICK)
        assert scan.lamp == lamp, status
        told = any("lamp and readiness" in problem.message for problem in scan.problems)
        assert told == missing, status


@pytest.mark.parametrize(
    "garbled",
    [
        "7E806430201230420\r7E90243",  # cut
        "7E806430201230420\r7E9024\xb300",  # not ASCII
        "7E806430201230420\r7E902 43 00 <DATA ERROR",
        "7E806430201230420\r7E90443030123",  # counts three, holds one
        "7E806430201230420\r7E9100E43060123012401",  # a first frame and nothing more
        "7E806430201230420\r7E9024300\r7E9210123",  # a whole list, and a piece of another
    ],
)
def test_a_garbled_answer_spoils_its_own_module_only(garbled: str) -> None:
    responder = Responder({**CAN, "03": garbled})
    with responder.on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.modules[0].stored == ("P0123", "P0420")
    assert scan.modules[1].stored is None
    assert scan.modules[1].outcome == "failed"
    assert len(scan.problems) >= 2
    # The odd one out is well framed and says something impossible; asking again is of no use.
    assert responder.received.count("03") == (1 if garbled.endswith("43030123") else 2)


def test_a_lost_line_on_an_older_line_spoils_the_list() -> None:
    # Lines are not numbered there, so a shorter list could not be told from a whole one.
    text = OLDER["03"].replace("48 6B 10 43 03 00", "48 6B 10 4? 03 00")
    with Responder({**OLDER, "03": text}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert [module.stored for module in scan.modules] == [None, None]
    assert scan.failed


@pytest.mark.parametrize(
    "command, word, times",
    [
        ("03", "BUS BUSY", 2),
        ("0101", "7E8064101830 7E5", 2),
        ("ATZ", "STOPPED", 2),
        ("ATZ", "?", 2),
    ],
)
def test_a_disturbance_that_passes_is_asked_over(command: str, word: str, times: int) -> None:
    # STOPPED or ? to the first ATZ: what another program left half typed or running.
    responder = Responder(CAN)
    original = responder._answer
    disturbed = iter([word])

    def once(fd: int, heard: str) -> bool:
        if heard == command and (said := next(disturbed, "")):
            responder.received.append(heard)
            os.write(fd, f"{said}\r\r>".encode())
            return True
        return original(fd, heard)

    responder._answer = once  # type: ignore[method-assign]
    with responder.on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.modules[0].stored == ("P0123", "P0420")
    assert scan.lamp == "on"
    assert [problem.code for problem in scan.problems] == ["scan-count"]
    assert responder.received.count(command) == times


@pytest.mark.parametrize(
    "way, command",
    [("socket", "ATZ"), ("socket", "0100"), ("socket", "01A6"), ("pty", "ATH1"), ("pty", "07")],
)
def test_a_silent_adapter_ends_the_read_in_time(way: str, command: str) -> None:
    with over(way, Responder(CAN, silent=frozenset({command}))) as port:
        started = time.monotonic()
        with pytest.raises(EnvironmentFailure, match=f"did not answer to {command} within 0.7 s"):
            read_scan(port, timing=IMPATIENT)
        assert time.monotonic() - started < 4


@pytest.mark.parametrize("way", ["socket", "pty"])
@pytest.mark.parametrize("after", [0, 8])
def test_a_connection_that_is_cut_off_ends_the_read(way: str, after: int) -> None:
    with (
        over(way, Responder(CAN, cut={"03": after})) as port,
        pytest.raises(EnvironmentFailure, match=r"ended|middle of its answer"),
    ):
        read_scan(port, timing=QUICK)


def test_an_adapter_that_sends_without_end_is_given_up() -> None:
    with (
        Responder(CAN, babble="0101").on_socket() as port,
        pytest.raises(EnvironmentFailure, match="without end"),
    ):
        read_scan(port, timing=QUICK)


class Late(Channel):
    """A channel whose answer to 03 comes when the next question is already due."""

    def __init__(self) -> None:
        super().__init__("late")
        self.pieces: list[bytes] = []
        self.after = b""

    def _write(self, data: bytes) -> None:
        left = [self.after] if self.after else []
        self.after = b""
        if data == b"03\r":
            self.pieces, self.after = [b"\r>"], b"7E8024300\r\r>"
        else:
            self.pieces = [*left, b"7E80447010171\r\r>"]

    def _read(self, seconds: float) -> bytes:
        if self.pieces:
            return self.pieces.pop(0)
        late, self.after = self.after, b""
        return late

    def close(self) -> None:
        """Nothing is open."""


def test_a_late_answer_is_not_taken_for_the_next() -> None:
    line = Line(Late())
    assert line.ask("03", 1) == ""
    assert line.ask("07", 1) == "7E80447010171"


def test_even_an_answer_out_of_step_is_not_taken_for_the_next() -> None:
    with Responder({**CAN, "03": CAN["07"], "07": CAN["03"]}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert [(m.stored, m.pending) for m in scan.modules] == [(None, None), (None, None)]


def test_a_module_that_was_only_heard_broken_is_written_down_as_failed() -> None:
    engine = {request: answer.split("\r7E9")[0] for request, answer in CAN.items()}
    with Responder({**engine, "03": CAN["03"].replace("7E902", "7E905")}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert [(m.name, m.outcome) for m in scan.modules] == [("engine", "read"), ("7E9", "failed")]


def test_a_list_that_is_declined_is_no_disturbance_but_for_the_stored_one() -> None:
    # ISO 14229-1: 7F, the service, 11 for not supported (from memory, sure).
    for request, told in (("07", False), ("0A", False), ("03", True)):
        declined = CAN[request].split("\r")[0] + f"\r7E9037F{request}11"
        with Responder({**CAN, request: declined}).on_socket() as port:
            scan = read_scan(port, timing=QUICK)
        assert any("7E9" in problem.message for problem in scan.problems) == told, request
    everybody = "7E8037F0A11\r7E9037F0A11"
    with Responder({**CAN, "0A": everybody}).on_socket() as port:
        assert "Permanent codes are not offered" in read_scan(port, timing=QUICK).remarks[0]


def test_what_was_read_is_kept_when_asking_again_gives_less() -> None:
    responder = Responder({**CAN, "03": "7E806430201230420\r7E90243"})
    original = responder._answer

    def worse(fd: int, heard: str) -> bool:
        if responder.received.count("03") == 1 and heard == "03":
            responder.script = {**CAN, "03": "STOPPED"}
        return original(fd, heard)

    responder._answer = worse  # type: ignore[method-assign]
    with responder.on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert [module.stored for module in scan.modules] == [("P0123", "P0420"), None]


def test_modules_must_be_told_apart() -> None:
    with (
        Responder({**CAN, "ATH1": "?"}).on_socket() as port,
        pytest.raises(EnvironmentFailure, match="try another adapter"),
    ):
        read_scan(port, timing=QUICK)


@pytest.mark.parametrize(
    "line, words", [("AA", "J1939"), ("A0", "which line"), ("?", "which line")]
)
def test_a_line_that_is_not_read_here_is_a_failed_read(line: str, words: str) -> None:
    with Responder({**CAN, "ATDPN": line}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.failed
    assert words in scan.problems[0].message


@pytest.mark.parametrize(
    "answer, code, vin",
    [
        ("NO DATA", None, None),
        ("7E81014490201314D38\r7E82147444D3941584B", "scan-line", None),
        # One digit changed: the check digit of a market that requires it says so, and it stays.
        (
            "7E81014490201314D38\r7E82147444D3941584B\r7E82250303432373839",
            "vin-check-digit",
            "1M8GDM9AXKP042789",
        ),
        ("7E81014490201314D38\r7E82147444D3941584B\r7E8225030343237384F", "vin-character", None),
        (
            f"{CAN['0902']}\r7E910144902014A4832\r7E9215243333630354D\r7E9224D313031353831",
            "scan-vin",
            VIN,
        ),
        # European: ISO 3779 leaves position 9 free, so nothing is wrong with it.
        (
            "7E8101449020157" + "5030\r7E821" + b"ZZZ99ZT".hex() + "\r7E822" + b"S390000".hex(),
            None,
            "WP0ZZZ99ZTS390000",
        ),
    ],
)
def test_vins(answer: str, code: str | None, vin: str | None) -> None:
    with Responder({**CAN, "0902": answer}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    assert scan.vin == vin
    codes = [problem.code for problem in scan.problems if problem.code != "scan-count"]
    assert codes[:1] == ([code] if code else [])


def test_progress_is_told_in_words() -> None:
    told: list[str] = []
    with Responder(CAN).on_socket() as port:
        read_scan(port, timing=QUICK, progress=told.append)
    assert "stored codes" in told
    assert told[0].startswith("setting")


@pytest.mark.parametrize(
    "port",
    ["socket://", "socket://host", "socket://host:0", "socket://host:99999", "socket://h:1/path",
     "socket://user@h:1", "socket://[::1", "rfc2217://h:1", "http://h", "", "  "],
)  # fmt: skip
def test_a_text_that_names_no_port(port: str) -> None:
    with pytest.raises(UsageError, match="HOST:PORT"):
        read_scan(port)


def test_ports_that_cannot_be_opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(EnvironmentFailure, match=r"refused.*has power"):
        read_scan("socket://127.0.0.1:1")
    pytest.importorskip("serial", reason="the extra roadworn[adapter] is not installed")
    file = tmp_path / "file"
    file.write_text("kept")
    for port in (str(tmp_path / "none"), str(tmp_path), str(file)):
        with pytest.raises(EnvironmentFailure, match=r"cannot be opened.*check its name"):
            read_scan(port)
    assert file.read_text() == "kept"
    with Responder(CAN).on_pty() as device, pytest.raises(EnvironmentFailure, match="speed"):
        read_scan(device, baud=-1)
    with (
        Responder(CAN).on_pty() as device,
        closing(channel.open_channel(device)),
        pytest.raises(EnvironmentFailure, match="no other program"),
    ):
        read_scan(device)


def test_without_the_extra_the_remedy_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(EnvironmentFailure, match=r"pip install 'roadworn\[adapter\]'"):
        channel.open_channel("ttyUSB0")


def test_an_interrupt_leaves_the_port_closed() -> None:
    def interrupt(word: str) -> None:
        if word == "stored codes":
            raise KeyboardInterrupt

    responder = Responder(CAN)
    with responder.on_socket() as port:
        with pytest.raises(KeyboardInterrupt):
            read_scan(port, timing=QUICK, progress=interrupt)
        assert responder.closed_by_reader.wait(5)
    assert "03" not in responder.received


@pytest.mark.parametrize(
    "answers, outcomes",
    [
        ({}, ["read", "read"]),
        ({"0100": "UNABLE TO CONNECT"}, ["failed"]),
        ({"03": "STOPPED"}, ["failed", "failed"]),  # with pending codes all the same
    ],
)
def test_the_ledger_takes_what_was_read_and_what_was_not(
    tmp_path: Path, answers: dict[str, str], outcomes: list[str]
) -> None:
    with Responder({**CAN, **answers}).on_socket() as port:
        scan = read_scan(port, timing=QUICK)
    with Ledger.create(tmp_path / "ledger.db") as ledger:
        for kind, payload in (("enrolment", {"vin": VIN}), ("scan", scan.payload())):
            event = NewEvent(
                vehicle_id="van-1", kind=kind, occurred_at="2026-11-25", payload=payload
            )
            stored = ledger.append(event)
        taken = ledger.event(stored.event_id).data()
    assert [module["outcome"] for module in taken["modules"]] == outcomes
    assert taken["raw"] == scan.raw


def test_importing_the_reader_does_not_import_the_extra() -> None:
    script = "import sys, roadworn.adapter; sys.exit('serial' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script]).returncode == 0


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    before = threading.active_count()
    yield
    assert threading.active_count() == before
