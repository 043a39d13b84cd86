"""Bytes that a diagnostic socket answers with: status, readiness, faults of heavy vehicles.

Faults of heavy vehicles are those of SAE J1939-73, a parameter number and a failure mode.
Parameter (SPN) names are a licensed list and are not here; the shop types its own. Failure modes
are described in our own short words.
"""

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


MAX_SPN = 2**19 - 1
_COUNT_NOT_AVAILABLE = 127
FAILURE_MODES: tuple[str, ...] = (
    "above normal, most severe",
    "below normal, most severe",
    "erratic or incorrect",
    "voltage high or short to high",
    "voltage low or short to low",
    "current low or open",
    "current high or grounded",
    "mechanical part not responding or out of adjustment",
    "abnormal frequency, pulse width or period",
    "abnormal update rate",
    "abnormal rate of change",
    "cause not known",
    "bad device or component",
    "out of calibration",
    "special instructions",
    "above normal, least severe",
    "above normal, moderate",
    "below normal, least severe",
    "below normal, moderate",
    "received network data in error",
    "drifted high",
    "drifted low",
    *(["reserved"] * 9),
    "condition exists",
)
Lamp = Literal["off", "on", "reserved", "not_available"]
_LAMP_STATES: tuple[Lamp, ...] = ("off", "on", "reserved", "not_available")
LAMPS = ("malfunction", "red_stop", "amber_warning", "protect")


@dataclass(frozen=True, slots=True)
class HeavyFault:
    """One fault of four bytes.

    Attributes:
        spn: suspect parameter number, 0 to 524287.
        fmi: failure mode identifier, 0 to 31.
        count: occurrences, 0 to 126, or None when not available.
        conversion: the conversion bit; 1 means an older order of the SPN's bits.
    """

    spn: int
    fmi: int
    count: int | None
    conversion: int = 0

    @property
    def failure(self) -> str:
        """The failure mode in our own words."""
        return FAILURE_MODES[self.fmi]

    @property
    def caveat(self) -> str:
        """Why `spn` may be wrong, or an empty text."""
        if self.conversion == 0:
            return ""
        return "the conversion bit is set: the SPN's bit order cannot be known from the bytes alone"

    @property
    def is_no_fault(self) -> bool:
        """Whether the four bytes are a filler: all zeros, no fault; all ones, not available."""
        return self.encode() in {bytes(4), b"\xff" * 4}

    def encode(self) -> bytes:
        """Return the four bytes."""
        count = _COUNT_NOT_AVAILABLE if self.count is None else self.count
        return bytes(
            [
                self.spn & 0xFF,
                self.spn >> 8 & 0xFF,
                self.spn >> 16 << 5 | self.fmi,
                self.conversion << 7 | count,
            ]
        )

    def as_json(self) -> dict[str, Any]:
        """Return the `decode j1939` contract."""
        return {
            "spn": self.spn,
            "fmi": self.fmi,
            "count": self.count,
            "conversion": self.conversion,
        }


@dataclass(frozen=True, slots=True)
class HeavyMessage:
    """An active (DM1) or previously active (DM2) message: lamps, then faults."""

    lamps: dict[str, Lamp]
    faults: tuple[HeavyFault, ...]


def decode_j1939(given: str | bytes) -> HeavyFault:
    """Decode the four bytes of one fault, for instance ``B8 04 03 0A``.

    Raises:
        UsageError: not four bytes.
    """
    data = read_bytes(given, 4, "B8 04 03 0A") if isinstance(given, str) else given
    if len(data) != 4:
        raise UsageError(f"A fault has 4 bytes, not {len(data)}", "write them as B8 04 03 0A")
    count = data[3] & 0x7F
    return HeavyFault(
        spn=data[0] | data[1] << 8 | data[2] >> 5 << 16,
        fmi=data[2] & 0x1F,
        count=None if count == _COUNT_NOT_AVAILABLE else count,
        conversion=data[3] >> 7,
    )


def decode_message(text: str) -> HeavyMessage:
    """Decode a DM1 or DM2: two lamp bytes, then four bytes a fault; fillers are left out.

    Raises:
        UsageError: the length is not two plus a multiple of four.
    """
    data = read_bytes(text, None, "04 FF B8 04 03 0A")
    # A message of one frame is filled up to eight bytes with FF FF.
    if len(data) == 8 and data[6:] == b"\xff\xff":
        data = data[:6]
    if len(data) < 6 or len(data) % 4 != 2:
        raise UsageError(
            f"{len(data)} bytes are not two lamp bytes and four for each fault",
            "write them as 04 FF B8 04 03 0A",
        )
    faults = [decode_j1939(data[start : start + 4]) for start in range(2, len(data), 4)]
    lamps = {name: _LAMP_STATES[data[0] >> 6 - 2 * i & 3] for i, name in enumerate(LAMPS)}
    return HeavyMessage(lamps, tuple(fault for fault in faults if not fault.is_no_fault))
