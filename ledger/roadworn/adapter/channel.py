"""The way bytes come and go: a TCP socket or a serial port, both with a time limit on all.

A channel takes commands, never bytes, so that the guard of `ALLOWED` stands before every write
there is. A `Line` is a conversation over a channel: one question, one answer.
"""

import importlib
import os
import socket
import time
from abc import ABC, abstractmethod
from collections.abc import Mapping
from types import MappingProxyType, TracebackType
from typing import Protocol, Self
from urllib.parse import urlsplit

from roadworn.model.errors import EnvironmentFailure, UsageError

#: Settings of the adapter itself; none of them reaches the vehicle, but for the search of ATSP0
#: that the next request starts. ATZ restart, E0 no echo, L0 no line feeds, M0 keep nothing in
#: its memory, H1 show who answers, AT0 and ST96 wait 0.6 s for every module, SP0 find the line
#: by itself, DPN say which it was.
SETUP = ("ATZ", "ATE0", "ATL0", "ATM0", "ATH1", "ATAT0", "ATST96", "ATSP0", "ATDPN")
#: SAE J1979 service 01: which parameters there are, status and readiness, distance with the
#: lamp on, warm-ups, distance and minutes since codes were cleared, odometer.
CURRENT_DATA = (
    *("0100", "0120", "0140", "0160", "0180", "01A0"),
    *("0101", "0121", "0130", "0131", "014E", "01A6"),
)
#: Services 03, 07 and 0A: stored, pending and permanent codes; 09 02: the VIN.
LISTS = ("03", "07", "0A")
VIN = "0902"

# Each with the carriage return that ends it. There is no bare carriage return on purpose: an
# adapter answers it by sending its last command once more, and that may be another program's.
_WIRE: Mapping[str, bytes] = MappingProxyType(
    {command: f"{command}\r".encode("ascii") for command in (*SETUP, *CURRENT_DATA, *LISTS, VIN)}
)
ALLOWED = frozenset(_WIRE)


def wire_bytes(command: str) -> bytes:
    """Return the bytes of an allowed command, carriage return and all.

    Raises:
        UsageError: the command is not in the list; the vehicle sees nothing of it.
    """
    found = _WIRE.get(command)
    if found is None:
        raise UsageError(
            f"The adapter is only read from, so {command[:20]!r} is not sent: use one of "
            f"{', '.join((*LISTS, VIN))}, a listed parameter of service 01 or a setting."
        )
    return found


#: Common speed of adapters on a serial port, bits per second (common practice, no source).
DEFAULT_BAUD = 38_400
_CHUNK = 4096
_SCHEME = "socket://"


class Channel(ABC):
    """An open way to an adapter; `name` is the port as the user gave it."""

    def __init__(self, name: str) -> None:
        self.name = name

    def send(self, command: str) -> None:
        """Send one allowed command.

        Raises:
            UsageError: the command is not allowed; nothing is sent.
            EnvironmentFailure: the port takes no more.
        """
        wire = wire_bytes(command)
        try:
            self._write(wire)
        except OSError as error:
            raise self._cut(error) from None

    def receive(self, seconds: float) -> bytes:
        """Return what has come, waiting at most `seconds`; nothing when nothing came.

        Raises:
            EnvironmentFailure: the other end is gone.
        """
        try:
            return self._read(max(seconds, 0.0))
        except OSError as error:
            raise self._cut(error) from None

    def _cut(self, error: OSError) -> EnvironmentFailure:
        return EnvironmentFailure(
            f"The connection to the adapter at {self.name} ended ({_reason(error)}): plug it in "
            "again and repeat the whole read."
        )

    @abstractmethod
    def _write(self, data: bytes) -> None: ...

    @abstractmethod
    def _read(self, seconds: float) -> bytes:
        """Return bytes, or none after `seconds`; OSError when the other end is gone."""

    @abstractmethod
    def close(self) -> None:
        """Close the port; harmless when done twice."""


class SocketChannel(Channel):
    """A TCP connection, as adapters on a wireless network offer it."""

    def __init__(self, name: str, connected: socket.socket, write_seconds: float) -> None:
        super().__init__(name)
        self._socket = connected
        self._write_seconds = write_seconds

    def _write(self, data: bytes) -> None:
        self._socket.settimeout(self._write_seconds)
        self._socket.sendall(data)

    def _read(self, seconds: float) -> bytes:
        # 0 would mean non-blocking, which reports "nothing yet" by another exception.
        self._socket.settimeout(max(seconds, 0.001))
        try:
            data = self._socket.recv(_CHUNK)
        except TimeoutError:
            return b""
        if not data:
            raise ConnectionError("closed by the other side")
        return data

    def close(self) -> None:
        """Close the connection."""
        self._socket.close()


class _SerialPort(Protocol):
    """What is used of a port of pyserial, which comes without types."""

    timeout: float | None

    @property
    def in_waiting(self) -> int: ...

    def read(self, size: int) -> bytes: ...

    def write(self, data: bytes) -> int | None: ...

    def close(self) -> None: ...


class SerialChannel(Channel):
    """A serial port through pyserial, which also knows ports that are no POSIX terminals."""

    def __init__(self, name: str, port: _SerialPort) -> None:
        super().__init__(name)
        self._port = port

    def _write(self, data: bytes) -> None:
        self._port.write(data)

    def _read(self, seconds: float) -> bytes:
        self._port.timeout = seconds
        first = self._port.read(1)
        return first + self._port.read(min(self._port.in_waiting, _CHUNK)) if first else b""

    def close(self) -> None:
        """Close the port."""
        self._port.close()


def open_channel(port: str, *, baud: int = DEFAULT_BAUD, seconds: float = 5.0) -> Channel:
    """Open a port.

    Args:
        port: ``socket://HOST:PORT``, or the name of a serial device.
        baud: speed of a serial device in bits per second. Speeds are never tried out: at a
            wrong one an adapter reads something else than was sent.
        seconds: how long to wait for a connection, and for any write.

    Raises:
        UsageError: the text names no port.
        EnvironmentFailure: it cannot be opened, or the extra is missing.
    """
    if port.startswith(_SCHEME):
        return _open_socket(port, seconds)
    if "://" in port or not port.strip() or "\0" in port:
        raise UsageError(
            f"{port!r} is no port: give socket://HOST:PORT, or the name of a serial device."
        )
    return _open_serial(port, baud, seconds)


def _open_socket(port: str, seconds: float) -> Channel:
    try:
        parts = urlsplit(port)
        host, number = parts.hostname, parts.port
    except ValueError:
        host = number = None
    if not host or not number or port[len(_SCHEME) :] != parts.netloc or "@" in parts.netloc:
        raise UsageError(f"{port!r} is no address: write it as socket://HOST:PORT.")
    try:
        connected = socket.create_connection((host, number), timeout=seconds)
    except (OSError, UnicodeError) as error:
        raise EnvironmentFailure(
            f"Nothing answers at {port} ({_reason(error)}): check that the adapter has power and "
            "that this computer is on its network."
        ) from None
    return SocketChannel(port, connected, seconds)


def _open_serial(port: str, baud: int, seconds: float) -> Channel:
    try:
        serial = importlib.import_module("serial")
    except ModuleNotFoundError:
        raise EnvironmentFailure(
            "Reading from a serial port needs an extra: python -m pip install 'roadworn[adapter]'."
        ) from None
    failures: tuple[type[Exception], ...] = (OSError, ValueError, *_terminal_errors())
    try:
        opened = serial.Serial(port, baud, timeout=seconds, write_timeout=seconds, exclusive=True)
    except failures as error:
        raise EnvironmentFailure(
            f"The port {port} cannot be opened ({_reason(error)}): check its name, that you may "
            "use it, that no other program does, and the speed."
        ) from None
    return SerialChannel(port, opened)


def _terminal_errors() -> tuple[type[Exception], ...]:
    """Return what the terminal settings raise, which is no OSError where it exists."""
    try:
        import termios
    except ModuleNotFoundError:
        return ()
    return (termios.error,)


def _reason(error: Exception) -> str:
    # The library's own sentences repeat the port's name; the system's word is enough.
    number = getattr(error, "errno", None)
    return os.strerror(number).lower() if number else str(error).strip(".")[:120]


#: An adapter ends each answer with it. When it does not come in time, question and answer may be
#: out of step for good, so the read is given up as a whole instead of going on.
PROMPT = b">"
#: No honest answer is longer: 127 codes from each of eight modules are under 20,000 characters.
MAX_REPLY = 100_000


class Line:
    """A conversation with an adapter over an open channel, which it closes at the end."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._said: list[str] = []

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the port, whatever happened, an interrupt from the keyboard too."""
        self._channel.close()

    @property
    def dialogue(self) -> str:
        """What was asked and answered so far, the bytes of the vehicle as they came."""
        return "\n".join(self._said)

    def ask(self, command: str, seconds: float) -> str:
        """Send a command and return the lines of its answer, without echo and prompt.

        Args:
            command: one of `ALLOWED`.
            seconds: how long the whole answer may take.

        Raises:
            UsageError: the command is not allowed; nothing is sent.
            EnvironmentFailure: no prompt in time, too much text, or the other end is gone.
        """
        self._discard()
        self._channel.send(command)
        lines = _lines(self._until_prompt(command, time.monotonic() + seconds, seconds))
        if lines and lines[0].replace(" ", "").upper() == command:
            del lines[0]  # echo is on until ATE0 is understood, and after it on some adapters
        self._said += [f"> {command}", *lines]
        return "\n".join(lines)

    def _discard(self) -> None:
        # What came unasked, or too late, is no answer to the next question.
        dropped = 0
        while dropped < MAX_REPLY and (stale := self._channel.receive(0.0)):
            dropped += len(stale)

    def _until_prompt(self, command: str, deadline: float, seconds: float) -> bytes:
        reply = bytearray()
        while PROMPT not in reply:
            left = deadline - time.monotonic()
            if left <= 0:
                heard = "stopped in the middle of its answer" if reply else "did not answer"
                raise EnvironmentFailure(
                    f"The adapter at {self._channel.name} {heard} to {command} within "
                    f"{seconds:g} s: check its power, the speed of the port and that it is an "
                    "adapter, then repeat the whole read."
                )
            reply += self._channel.receive(left)
            if len(reply) > MAX_REPLY:
                raise EnvironmentFailure(
                    f"The adapter at {self._channel.name} sends without end in answer to "
                    f"{command}: unplug it, plug it in again and repeat the whole read."
                )
        return bytes(reply.partition(PROMPT)[0])


def _lines(reply: bytes) -> list[str]:
    # Adapters are known to slip in NUL bytes; everything else that is not printable is shown.
    text = reply.replace(b"\0", b"").decode("ascii", errors="replace").replace("\r", "\n")
    shown = "".join(
        c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text
    )
    return [line.strip() for line in shown.split("\n") if line.strip()]
