"""A stand-in for adapter and vehicle on loopback or a pseudo-terminal: scripted, and bounded.

Ours alone, written for these tests. No real adapter and no real vehicle was tried with it.
"""

import os
import select
import socket
import threading
import time
import tty
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field

# The bytes of the trial noted in the project's adapter notes of 2026-11-25 (tried with a
# responder, no real vehicle): headers on, no blanks, CAN with 11-bit ids, two modules. 01 20 to
# 01 A6 are added here in the same form, so that an odometer is offered (SAE J1979, from memory).
CAN: Mapping[str, str] = {
    "ATZ": "ADAPTER 1",
    "ATDPN": "A6",
    "0100": "SEARCHING...\r7E8064100BE3FA813",
    "0101": "7E80641018307E541\r7E906410100000000",
    "03": "7E806430201230420\r7E9024300",
    "07": "7E80447010171\r7E9024700",
    "0A": "7E8044A010420\r7E9024A00",
    "0902": "7E81014490201314D38\r7E82147444D3941584B\r7E82250303432373838",
    "0120": "7E80641208001A001",  # 0121, 0130, 0131, 0133 and on to 0140
    "0140": "7E80641400004000155",  # 014E, and on to 0160; one byte of padding
    "0160": "7E806416000000001",
    "0180": "7E806418000000001",
    "01A0": "7E80641A004000000",  # 01A6
    "0121": "7E80441210023",
    "0130": "7E803413007",
    "0131": "7E80441310064",
    "014E": "7E804414E0123",
    "01A6": "7E80641A60012D687",
}
VIN = "1M8GDM9AXKP042788"  # a much-printed check-digit example

# An older line, ISO 9141-2. The frame of 07 is the one of the notes, its last byte as it
# stands there; VIN in five numbered messages from memory.
OLDER: Mapping[str, str] = {
    "ATZ": "ADAPTER 1",
    "ATDPN": "A3",
    "0100": "BUS INIT: ...OK\r48 6B 10 41 00 BE 3E A8 10 00",
    "0101": "48 6B 10 41 01 84 07 E5 41 00\r48 6B 18 41 01 00 04 00 00 00",
    "03": "48 6B 10 43 01 23 01 71 04 20 AA\r48 6B 10 43 03 00 00 00 00 00 AA\r"
    "48 6B 18 43 00 00 00 00 00 00 AA",
    "07": "48 6B 10 47 01 23 01 71 00 00 AA\r48 6B 18 47 00 00 00 00 00 00 AA",
    "0A": "NO DATA",
    "0902": "48 6B 10 49 02 01 00 00 00 31 AA\r48 6B 10 49 02 02 4D 38 47 44 AA\r"
    "48 6B 10 49 02 03 4D 39 41 58 AA\r48 6B 10 49 02 04 4B 50 30 34 AA\r"
    "48 6B 10 49 02 05 32 37 38 38 AA",
}


@dataclass
class Responder:
    """Answers commands as scripted.

    Attributes:
        script: command -> its answer without the prompt. AT commands not in it get OK, other
            requests NO DATA.
        pace: seconds between pieces of three bytes; 0 sends whole answers.
        silent: commands that get no answer at all.
        cut: command -> how many bytes of its answer are sent before the line is dropped.
        babble: command that is answered by text without end.
    """

    script: Mapping[str, str]
    pace: float = 0.0
    silent: frozenset[str] = frozenset()
    cut: Mapping[str, int] = field(default_factory=dict)
    babble: str = ""
    echo: bool = True
    received: list[str] = field(default_factory=list)
    closed_by_reader: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)

    @contextmanager
    def on_socket(self) -> Iterator[str]:
        """Serve one connection on loopback; yields its port text."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            server.settimeout(10)

            def serve() -> None:
                try:
                    connected, _address = server.accept()
                except OSError:
                    return
                with connected:
                    self._serve(connected.fileno())

            with self._thread(serve):
                yield f"socket://127.0.0.1:{server.getsockname()[1]}"

    @contextmanager
    def on_pty(self) -> Iterator[str]:
        """Serve a pseudo-terminal; yields the name of its device."""
        master, slave = os.openpty()
        tty.setraw(slave)

        def serve() -> None:
            try:
                self._serve(master)
            finally:
                os.close(master)

        try:
            with self._thread(serve):
                yield os.ttyname(slave)
        finally:
            os.close(slave)

    @contextmanager
    def _thread(self, serve: object) -> Iterator[None]:
        thread = threading.Thread(target=serve, daemon=True)  # type: ignore[arg-type]
        thread.start()
        try:
            yield
        finally:
            self._stop.set()
            thread.join(10)
            assert not thread.is_alive()

    def _serve(self, fd: int) -> None:
        end = time.monotonic() + 15
        heard = b""
        while not self._stop.is_set() and time.monotonic() < end:
            if not select.select([fd], [], [], 0.02)[0]:
                continue
            try:
                data = os.read(fd, 256)
            except OSError:
                data = b""
            if not data:
                self.closed_by_reader.set()
                return
            heard += data
            while b"\r" in heard:
                command, _, heard = heard.partition(b"\r")
                if not self._answer(fd, command.decode("ascii")):
                    return

    def _answer(self, fd: int, command: str) -> bool:
        """Send an answer; False when the line is to be dropped."""
        self.received.append(command)
        if command in self.silent:
            return True
        default = "OK" if command.startswith("AT") else "NO DATA"
        answer = self.script.get(command, default)
        echo = f"{command}\r" if self.echo else ""
        if command == "ATE0":
            self.echo = False
        wire = f"{echo}{answer}\r\r>".encode("latin-1")
        try:
            while command == self.babble and not self._stop.is_set():
                os.write(fd, b"7E8 06 41 00 BE 3F A8 13\r" * 100)
            if command in self.cut:
                os.write(fd, wire[: self.cut[command]])
                return False
            step = 3 if self.pace else len(wire)
            for start in range(0, len(wire), step):
                os.write(fd, wire[start : start + step])
                time.sleep(self.pace)
        except OSError:
            self.closed_by_reader.set()
            return False
        return True
