"""Event ids: UUID version 7 of RFC 9562, so that ids sort by the time they were made.

Sorted ids keep the index of a growing ledger growing at one end, which is what makes a bulk
import fast. Ids of one process never go backwards, also within a millisecond or when the
clock is set back: the 12 bits after the version count, as RFC 9562 section 6.2 (method 1)
describes, and the last 62 bits are random, or count up from a random number.
"""

import time
from random import SystemRandom
from threading import Lock

_COUNTER_END = 1 << 12
_TAIL_BITS = 62
_VARIANT = 0b10 << _TAIL_BITS
#: The last group of an id, which counts up within a batch.
_NODE_DIGITS = 12
_NODE_START = (1 << 47) - 1


def format_uuid7(milliseconds: int, counter: int, tail: int) -> str:
    """Return the text form of a version 7 UUID.

    Args:
        milliseconds: Unix time, 48 bits.
        counter: 12 bits.
        tail: 62 random bits.
    """
    tail_text = f"{_VARIANT | tail:016x}"
    return f"{_time_prefix(milliseconds)}{counter:03x}-{tail_text[:4]}-{tail_text[4:]}"


class IdSource:
    """Makes ids that are unique everywhere and increase within this source; thread-safe."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._last = 0
        self._counter = 0
        self._random = SystemRandom()

    def next(self, milliseconds: int | None = None) -> str:
        """Return a new id for now, or for a given Unix time in milliseconds."""
        with self._lock:
            now = time.time_ns() // 1_000_000 if milliseconds is None else milliseconds
            if now > self._last:
                self._last, self._counter = now, 0
            else:
                self._counter += 1
                if self._counter == _COUNTER_END:
                    self._last, self._counter = self._last + 1, 0
            return format_uuid7(self._last, self._counter, self._random.getrandbits(_TAIL_BITS))

    def batch(self, count: int) -> list[str]:
        """Return `count` new ids for now; several times faster than one by one.

        The tail is drawn once and then counts up (RFC 9562 section 6.2, method 2), so that an
        id costs no more than writing it down.
        """
        with self._lock:
            now = time.time_ns() // 1_000_000
            milliseconds, counter = self._last, self._counter + 1
            if now > milliseconds or counter == _COUNTER_END:
                milliseconds, counter = max(now, milliseconds + 1), 0
            self._last, self._counter = milliseconds, counter
            first = format_uuid7(milliseconds, counter, self._random.getrandbits(_TAIL_BITS))
            head, start = first[:-_NODE_DIGITS], int(first[-_NODE_DIGITS:], 16)
            # The upper bit of what counts is left clear, so that it cannot run over.
            start &= _NODE_START
            return [f"{head}{node:012x}" for node in range(start, start + count)]


def _time_prefix(milliseconds: int) -> str:
    """Return the id's text up to and with the version digit."""
    text = f"{milliseconds:012x}"
    return f"{text[:8]}-{text[8:]}-7"


_source = IdSource()


def new_event_id() -> str:
    """Return a new event id from this process's source."""
    return _source.next()


def new_event_ids(count: int) -> list[str]:
    """Return `count` new event ids from this process's source."""
    return _source.batch(count)
