"""Typed bytes: what a person copies off a screen, as bytes or as a plain refusal."""

import re

from roadworn.errors import UsageError

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
        raise UsageError(f"{shown} is not bytes in hexadecimal: write them as {example}.")
    found = bytes.fromhex(digits)
    if length is not None and len(found) != length:
        raise UsageError(f"{shown} has {len(found)} bytes, not {length}: write them as {example}.")
    return found


def show_bytes(data: bytes) -> str:
    """Return bytes as they are printed: ``83 07 E5 41``."""
    return data.hex(" ").upper()
