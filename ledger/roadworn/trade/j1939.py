"""Trouble codes of heavy vehicles, SAE J1939-73: a parameter number and a failure mode.

Parameter (SPN) names are a licensed list and are not here; the shop types its own. Failure
modes are described in our own short words.
"""

from dataclasses import dataclass
from typing import Any, Literal

from roadworn.model.errors import UsageError
from roadworn.trade.scan_bytes import read_bytes

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
