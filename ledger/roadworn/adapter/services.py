"""What the services of a vehicle's control modules answer, in messages put together."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from roadworn.adapter.framing import Form, Message
from roadworn.trade.codes import code_from_bytes
from roadworn.trade.vin import LENGTH as VIN_LENGTH

ListName = Literal["stored", "pending", "permanent"]


LIST_SERVICES: Mapping[ListName, str] = {"stored": "03", "pending": "07", "permanent": "0A"}


_POSITIVE = 0x40


_NEGATIVE = 0x7F


_PENDING = 0x78  # ISO 14229-1: the real answer follows


# ISO 14229-1: service, subfunction not supported; request out of range.
_NOT_SUPPORTED = frozenset({0x11, 0x12, 0x31})


_PADDING = b"\0\0"


_OLDER_LIST = 6  # three codes of two bytes


_OLDER_VIN = 5  # messages of four bytes


@dataclass(slots=True)
class Answers:
    """What modules answered to one request.

    Attributes:
        bodies: by module, its messages without the bytes that repeat the request.
        declined: modules that said they do not offer it.
        stray: modules that said something else.
    """

    bodies: dict[str, list[bytes]] = field(default_factory=dict)
    declined: set[str] = field(default_factory=set)
    stray: set[str] = field(default_factory=set)


def answers_to(request: str, messages: Iterable[Message]) -> Answers:
    """Sort messages by module, and take only those that answer this request.

    Args:
        request: as sent: ``03``, or service and parameter such as ``0101``.
        messages: of one reply.
    """
    asked = bytes.fromhex(request)
    expected = bytes([asked[0] + _POSITIVE]) + asked[1:]
    answers = Answers()
    for message in messages:
        if message.data.startswith(expected):
            body = message.data[len(expected) :]
            answers.bodies.setdefault(message.module, []).append(body)
        elif message.data[:2] == bytes([_NEGATIVE, asked[0]]) and len(message.data) > 2:
            if message.data[2] in _NOT_SUPPORTED:
                answers.declined.add(message.module)
            elif message.data[2] != _PENDING:
                answers.stray.add(message.module)
        else:
            answers.stray.add(message.module)
    return answers


def codes_of(bodies: Sequence[bytes], form: Form) -> tuple[str, ...] | None:
    """Return the codes of one module's list, each once; None when it is not in its form."""
    pairs: list[bytes] = []
    for body in bodies:
        if form in {"can11", "can29"}:
            if not body or len(body) != 1 + 2 * body[0]:
                return None
            listed = body[1:]
        else:
            if len(body) != _OLDER_LIST:
                return None
            listed = body
        pairs += [listed[i : i + 2] for i in range(0, len(listed), 2)]
    if not bodies:
        return None
    codes = (code_from_bytes(pair[0], pair[1]) for pair in pairs if pair != _PADDING)
    return tuple(dict.fromkeys(codes))


def vin_of(bodies: Sequence[bytes], form: Form) -> bytes | None:
    """Return the 17 bytes of a VIN; None when they are not whole.

    Only fill bytes ``00`` in front are taken off, and only as many as there are too many: a
    VIN may begin or end with any character, so nothing is stripped by its value. The older
    form, five numbered messages of four bytes, is from memory.
    """
    if form in {"can11", "can29"}:
        if len(bodies) != 1 or not bodies[0]:
            return None
        data = bodies[0][1:]  # after the count of items
    else:
        numbered = [body[:1] for body in bodies]
        if numbered != [bytes([i]) for i in range(1, _OLDER_VIN + 1)]:
            return None
        data = b"".join(body[1:] for body in bodies)
    fill, vin = data[:-VIN_LENGTH], data[-VIN_LENGTH:]
    return vin if len(vin) == VIN_LENGTH and not any(fill) else None


def offered(first: int, bodies: Sequence[bytes]) -> frozenset[int] | None:
    """Return the parameters that a module says it offers.

    Args:
        first: the parameter asked, 0x00, 0x20 and so on: its 32 bits stand for the next 32.
        bodies: of one module.
    """
    if len(bodies) != 1 or len(bodies[0]) != 4:
        return None
    bits = int.from_bytes(bodies[0], "big")
    return frozenset(first + 1 + i for i in range(32) if bits >> (31 - i) & 1)


def number_of(bodies: Sequence[bytes], length: int) -> int | None:
    """Return a value of `length` bytes, the highest first; None when it is not in its form."""
    if len(bodies) != 1 or len(bodies[0]) != length:
        return None
    return int.from_bytes(bodies[0], "big")


def module_name(address: str) -> str:
    """Return the name a module is written down by: its address, but for the engine's.

    Address 7E8, or 10 where there are source addresses, is the engine's (ISO 15765-4 and
    SAE J2178, from memory, sure for most vehicles).
    """
    return "engine" if address in {"7E8", "10"} else address
