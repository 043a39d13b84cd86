"""Trouble codes in a raw reply of a control module."""

import re

from roadworn.model.messages import Problem
from roadworn.trade.codes import code_of_bytes
from roadworn.trade.scanned import ScannedCode, Status

_LISTS: dict[int, Status] = {0x43: "stored", 0x47: "pending", 0x4A: "permanent"}


_REPLY = re.compile(r"\s*(?:4[37A]|59\s?02)(?:\s?[0-9A-F]{2})+\s*>?\s*", re.IGNORECASE)


_OLDER = 6  # three codes of two bytes


_PADDING = bytes(2)


def is_raw(line: str) -> bool:
    """Whether a line is such a reply and nothing else."""
    return _REPLY.fullmatch(line) is not None


def raw_codes(line: str, module: str) -> list[ScannedCode] | Problem:
    """Return the codes of a raw reply, or why it was not taken.

    Args:
        line: one for which `is_raw` holds.
        module: who gave it.
    """
    data = bytes.fromhex(re.sub(r"[\s>]", "", line))
    if data[0] == 0x59:
        return _with_status(data[3:], module) if len(data) > 2 else _refused()
    body = data[1:]
    counted = len(body) == 1 + 2 * body[0]
    older = len(body) == _OLDER
    if counted == older:
        return _refused()
    listed = body[1:] if counted else body
    pairs = [listed[i : i + 2] for i in range(0, len(listed), 2)]
    status = _LISTS[data[0]]
    return [ScannedCode(code_of_bytes(p), status, module) for p in pairs if p != _PADDING]


def _with_status(data: bytes, module: str) -> list[ScannedCode] | Problem:
    if len(data) % 4:
        return _refused()
    return [
        ScannedCode(code_of_bytes(data[i : i + 3]), "stored", module, f"{data[i + 3]:02X}")
        for i in range(0, len(data), 4)
    ]


def _refused() -> Problem:
    return Problem.of(
        "scan-text",
        "These bytes are no whole list of codes",
        "paste the reply with all its lines joined, or type the codes",
        column="code",
    )
