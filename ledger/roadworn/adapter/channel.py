"""The way bytes come and go: a TCP socket or a serial port, both with a time limit on all.

A channel takes commands, never bytes, so that the guard of `ALLOWED` stands before every write
there is. A `Line` is a conversation over a channel: one question, one answer.
"""

import importlib
import os
import socket
from abc import ABC, abstractmethod
from typing import Protocol
from urllib.parse import urlsplit

from roadworn.adapter.allowed import wire_bytes
from roadworn.model.errors import EnvironmentFailure, UsageError

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
