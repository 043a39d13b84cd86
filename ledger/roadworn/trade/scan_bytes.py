"""Bytes that a diagnostic socket answers with: status, readiness, and what they must say."""

import re
from dataclasses import dataclass
from typing import Any, Literal

from roadworn.model.errors import UsageError

_MAX_TEXT = 400


def read_bytes(text: str, length: int | None, example: str) -> bytes:
    """Read hexadecimal bytes such as ``83 07 E5 41``, ``8307e541`` or ``0x83,0x07``.

    Args:
        text: as typed.
        length: how many bytes there must be, or None for any number from one.
        example: a well-formed text for the message.

    Raises:
        UsageError: another character, half a byte, or another number of bytes.
    """
    shown = repr(text.strip() if len(text) <= 60 else text[:60] + "…")
    digits = re.sub(r"0[xX]|[\s,:-]", "", text) if len(text) <= _MAX_TEXT else "?"
    if not re.fullmatch(r"(?:[0-9A-Fa-f]{2})+", digits):
        raise UsageError(f"{shown} is not bytes in hexadecimal", f"write them as {example}")
    found = bytes.fromhex(digits)
    if length is not None and len(found) != length:
        raise UsageError(
            f"{shown} has {len(found)} bytes, not {length}", f"write them as {example}"
        )
    return found


#: Bit 0 to bit 7, in the standard's own spelling.
BIT_NAMES = (
    "testFailed",
    "testFailedThisOperationCycle",
    "pendingDTC",
    "confirmedDTC",
    "testNotCompletedSinceLastClear",
    "testFailedSinceLastClear",
    "testNotCompletedThisOperationCycle",
    "warningIndicatorRequested",
)


@dataclass(frozen=True, slots=True)
class StatusByte:
    """A status byte; `value` is 0 to 255."""

    value: int

    def bit(self, name: str) -> bool:
        """Return one bit by its standard name.

        Raises:
            ValueError: there is no such bit.
        """
        return bool(self.value >> BIT_NAMES.index(name) & 1)

    @property
    def bits(self) -> dict[str, bool]:
        """All eight bits by name, bit 0 first."""
        return {name: self.bit(name) for name in BIT_NAMES}

    @property
    def repair_proved(self) -> bool:
        """Whether the test ran in this cycle and did not fail."""
        return not (
            self.bit("testNotCompletedThisOperationCycle")
            or self.bit("testFailedThisOperationCycle")
        )

    def as_json(self) -> dict[str, Any]:
        """Return the `decode status` contract."""
        return {"bits": self.bits}


def decode_status(given: str | int) -> StatusByte:
    """Decode a status byte, ``2F`` or ``0x2F`` as text or 0 to 255 as a number.

    Raises:
        UsageError: not one byte.
    """
    if isinstance(given, int):
        if not 0 <= given <= 0xFF:
            raise UsageError(f"{given} is not a byte", "give 0 to 255, or two hexadecimal digits")
        return StatusByte(given)
    return StatusByte(read_bytes(given, 1, "2F")[0])


Ignition = Literal["spark", "compression"]
MonitorState = Literal["ready", "not_ready", "not_supported"]

CONTINUOUS = ("misfire", "fuel_system", "components")
#: Bits 0 to 7 of bytes C and D. Bit 4 of spark engines meant the air conditioning's
#: refrigerant in older editions and the particulate filter in newer ones (from memory, fair).
SPARK = (
    "catalyst",
    "heated_catalyst",
    "evaporative_system",
    "secondary_air",
    "ac_refrigerant_or_particulate_filter",
    "oxygen_sensor",
    "oxygen_sensor_heater",
    "egr_or_vvt",
)
COMPRESSION = (
    "nmhc_catalyst",
    "nox_aftertreatment",
    "reserved_2",
    "boost_pressure",
    "reserved_4",
    "exhaust_gas_sensor",
    "particulate_filter",
    "egr_or_vvt",
)


@dataclass(frozen=True, slots=True)
class Monitor:
    """One self-test; `complete` means nothing while it is not supported."""

    name: str
    supported: bool
    complete: bool

    @property
    def state(self) -> MonitorState:
        """The state in the inspection's words."""
        if not self.supported:
            return "not_supported"
        return "ready" if self.complete else "not_ready"


@dataclass(frozen=True, slots=True)
class Readiness:
    """The four bytes, told apart.

    Attributes:
        lamp: whether the malfunction lamp is commanded on.
        codes: number of confirmed codes, 0 to 127.
        ignition: spark or compression; names the non-continuous monitors.
        monitors: three continuous ones, then eight by bit.
        reserved: bit 7 of byte B, kept so that nothing is lost.
    """

    lamp: bool
    codes: int
    ignition: Ignition
    monitors: tuple[Monitor, ...]
    reserved: bool = False

    @property
    def not_ready(self) -> tuple[str, ...]:
        """Supported non-continuous monitors that have not finished: those inspections count."""
        return tuple(m.name for m in self.monitors[3:] if m.state == "not_ready")

    @property
    def just_cleared(self) -> bool:
        """Whether no supported non-continuous monitor has finished: codes cleared recently."""
        supported = [m for m in self.monitors[3:] if m.supported]
        return bool(supported) and not any(m.complete for m in supported)

    def encode(self) -> bytes:
        """Return the four bytes."""
        continuous, others = self.monitors[:3], self.monitors[3:]
        b = sum(m.supported << i | (not m.complete) << i + 4 for i, m in enumerate(continuous))
        b |= (self.ignition == "compression") << 3 | self.reserved << 7
        c = sum(m.supported << i for i, m in enumerate(others))
        d = sum((not m.complete) << i for i, m in enumerate(others))
        return bytes([self.lamp << 7 | self.codes, b, c, d])

    def as_json(self) -> dict[str, Any]:
        """Return the `decode readiness` contract; reserved bits show only when set."""
        shown = [m for m in self.monitors if m.supported or not m.name.startswith("reserved")]
        return {
            "lamp": "on" if self.lamp else "off",
            "codes": self.codes,
            "ignition": self.ignition,
            "monitors": {m.name: m.state for m in shown},
            "not_ready": len(self.not_ready),
        }


def decode_readiness(given: str | bytes) -> Readiness:
    """Decode ``83 07 E5 41``, or the whole reply ``41 01 83 07 E5 41``.

    Raises:
        UsageError: not four bytes.
    """
    data = read_bytes(given, None, "83 07 E5 41") if isinstance(given, str) else given
    if len(data) == 6 and data[:2] == b"\x41\x01":
        data = data[2:]
    if len(data) != 4:
        raise UsageError(f"Readiness has 4 bytes, not {len(data)}", "write them as 83 07 E5 41")
    a, b, c, d = data
    ignition: Ignition = "compression" if b >> 3 & 1 else "spark"
    names = COMPRESSION if ignition == "compression" else SPARK
    continuous = [
        Monitor(name, bool(b >> i & 1), not b >> i + 4 & 1) for i, name in enumerate(CONTINUOUS)
    ]
    others = [Monitor(name, bool(c >> i & 1), not d >> i & 1) for i, name in enumerate(names)]
    return Readiness(bool(a >> 7), a & 0x7F, ignition, (*continuous, *others), bool(b >> 7))
