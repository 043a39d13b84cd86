"""Messages to values: what SAE J1979 services 01, 03, 07, 09 and 0A answer, as pure functions.

Lists of codes have two forms, for all three services alike. On CAN a count byte follows the
service byte; on older lines there is none, and each message holds exactly three codes, filled
up with ``00 00``. Taking one for the other shifts every code by a byte. Whatever is not in its
form is None, not read, which is never the same as an empty list.
"""

import re
from dataclasses import dataclass
from typing import Literal

Form = Literal["can11", "can29", "kwp", "older"]

#: The adapter's digit for the line it found -> how its frames are written (from memory, sure):
#: 1 and 2 J1850, 3 ISO 9141-2, 4 and 5 ISO 14230-4, 6 to 9 ISO 15765-4 with ids of 11 or 29 bits.
FORMS: dict[str, Form] = {
    **dict.fromkeys("123", "older"),
    **dict.fromkeys("45", "kwp"),
    **dict.fromkeys("68", "can11"),
    **dict.fromkeys("79", "can29"),
}
# What an adapter says instead of data. Words after NO DATA to ? are OBD practice; those from
# BUS BUSY on are from memory. Each is a failed read, whatever lines stand around it.
_REFUSALS: tuple[tuple[str, str], ...] = (
    (r"NO ?DATA", "the vehicle gave no answer (NO DATA)"),
    (r"UNABLE ?TO ?CONNECT", "no line to the vehicle was found (UNABLE TO CONNECT)"),
    (r"STOPPED", "the adapter was interrupted (STOPPED)"),
    (r"BUS ?INIT.*ERROR", "the line to the vehicle could not be started (BUS INIT: ERROR)"),
    (r"CAN ?ERROR", "the CAN line is disturbed or not connected (CAN ERROR)"),
    (r"\?", "the adapter does not know the request (?)"),
    (r"BUS ?BUSY", "the line to the vehicle is busy (BUS BUSY)"),
    (r"(?:BUS|FB) ?ERROR", "the line to the vehicle is disturbed (BUS ERROR)"),
    (r"BUFFER ?FULL", "the adapter could not keep up (BUFFER FULL)"),
    (r"(?:LV|LP|ACT) ?(?:RESET|ALERT)", "the adapter restarted: its voltage was too low"),
    (r"ERR ?\d\d", "the adapter has a fault of its own (ERR)"),
)
_REFUSAL = tuple((re.compile(pattern), why) for pattern, why in _REFUSALS)
NO_ANSWER = _REFUSALS[0][1]
SEARCHED = "the adapter searched and found no line to the vehicle (SEARCHING...)"
SILENT = "the adapter sent an empty answer"
# What it says while it works; data may follow on the same line.
_WORKING = re.compile(r"^(?:SEARCHING|BUS ?INIT:?)[. ]*(?:OK)?")
_HEX = re.compile(r"[0-9A-F]+")
_MAX_CAN, _MAX_OLDER = 8, 7


@dataclass(frozen=True, slots=True)
class Message:
    """A whole message; `module` is the address of its sender in hexadecimal digits."""

    module: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Broken:
    """What could not be read; `module` is empty when not even its sender is known."""

    module: str
    why: str


@dataclass(frozen=True, slots=True)
class Reply:
    """An answer of the adapter, taken apart.

    Attributes:
        messages: in the order they were complete.
        broken: lines and messages that could not be read.
        refusal: why this is no answer of the vehicle, or an empty text. Then nothing else
            counts: it may be a part of the truth.
    """

    messages: tuple[Message, ...] = ()
    broken: tuple[Broken, ...] = ()
    refusal: str = ""


def read_reply(text: str, form: Form) -> Reply:
    """Take the text of an answer apart.

    Args:
        text: lines without echo and prompt, with or without blanks between bytes.
        form: how frames are written on this line.
    """
    lines = []
    worked = False
    for raw in text.upper().splitlines():
        line = raw.strip()
        rest = _WORKING.sub("", line).strip()
        for pattern, why in _REFUSAL:
            # "<DATA ERROR" follows one bad line; a refusal stands at the start of its own.
            if pattern.match(line) or pattern.match(rest):
                return Reply(refusal=why)
        worked = worked or rest != line
        if rest:
            lines.append(rest)
    if not lines:
        return Reply(refusal=SEARCHED if worked else SILENT)
    frames = [_frame(line, form) for line in lines]
    if form in {"can11", "can29"}:
        return _join(frames)
    return Reply(
        tuple(frame for frame in frames if isinstance(frame, Message)),
        tuple(frame for frame in frames if isinstance(frame, Broken)),
    )


def _frame(line: str, form: Form) -> Message | Broken:
    digits = line.replace(" ", "")
    if not _HEX.fullmatch(digits):
        return Broken("", f"the line {line[:40]!r} is not bytes")
    header = 3 if form == "can11" else 8 if form == "can29" else 6
    module, rest = digits[:header], digits[header:]
    if not rest or len(rest) % 2:
        return Broken("", f"the line {line[:40]!r} is cut off")
    data = bytes.fromhex(rest)
    if form == "can11":
        known, longest = re.fullmatch(r"7E[89A-F]", module) is not None, _MAX_CAN
    elif form == "can29":
        known, longest = module.startswith("18DAF1"), _MAX_CAN
        module = module[6:]
    else:
        size, module, data = int(module[:2], 16) & 0x3F, module[4:], data[:-1]
        known, longest = form == "older" or size == len(data), _MAX_OLDER
    if not known or not 0 < len(data) <= longest:
        return Broken(module if known else "", f"the line {line[:40]!r} is no frame of this line")
    return Message(module, data)


@dataclass(slots=True)
class _Growing:
    """A message whose first frame has come."""

    size: int
    data: bytes
    following: int = 1


def _join(frames: list[Message | Broken]) -> Reply:
    """Join the frames of ISO 15765-2, module by module, since modules answer in between."""
    messages: list[Message] = []
    broken: list[Broken] = []
    growing: dict[str, _Growing] = {}
    for frame in frames:
        if isinstance(frame, Broken):
            broken.append(frame)
            continue
        kind, low = frame.data[0] >> 4, frame.data[0] & 0x0F
        if kind in {0, 1} and frame.module in growing:
            broken.append(_cut_off(frame.module, growing.pop(frame.module)))
        begun = growing.get(frame.module)
        if kind == 0 and 0 < low < len(frame.data):
            messages.append(Message(frame.module, frame.data[1 : 1 + low]))
        elif kind == 1 and len(frame.data) == _MAX_CAN and low << 8 | frame.data[1] >= _MAX_CAN:
            growing[frame.module] = _Growing(low << 8 | frame.data[1], frame.data[2:])
        elif kind == 2 and begun is not None and low == begun.following:
            begun.data += frame.data[1:]
            begun.following = (low + 1) % 16
        elif kind != 3:  # 3 is flow control and carries nothing
            growing.pop(frame.module, None)
            broken.append(Broken(frame.module, "a frame is missing, doubled or cut off"))
            continue
        begun = growing.get(frame.module)
        if begun is not None and len(begun.data) >= begun.size:
            messages.append(Message(frame.module, begun.data[: begun.size]))
            del growing[frame.module]
    broken += [_cut_off(module, begun) for module, begun in growing.items()]
    return Reply(tuple(messages), tuple(broken))


def _cut_off(module: str, begun: _Growing) -> Broken:
    return Broken(module, f"its message ends after {len(begun.data)} of {begun.size} bytes")
