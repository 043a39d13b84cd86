"""The status byte of a trouble code, ISO 14229-1: eight facts about one code.

It tells a fault that is there now from one that was there once, and a repair that is proved
(the test ran again and did not fail) from one that is only hoped for.
"""

from dataclasses import dataclass
from typing import Any

from roadworn.errors import UsageError
from roadworn.trade.hexbytes import read_bytes

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
            raise UsageError(f"{given} is not a byte: give 0 to 255, or two hexadecimal digits.")
        return StatusByte(given)
    return StatusByte(read_bytes(given, 1, "2F")[0])
