"""A conversation with the adapter, a command and its lines at a time."""

import time
from types import TracebackType
from typing import Self

from roadworn.adapter.channel import Channel
from roadworn.model.errors import EnvironmentFailure

#: An adapter ends each answer with it. When it does not come in time, question and answer may be
#: out of step for good, so the read is given up as a whole instead of going on.
PROMPT = b">"


#: No honest answer is longer: 127 codes from each of eight modules are under 20,000 characters.
MAX_REPLY = 100_000


class Line:
    """A conversation with an adapter over an open channel, which it closes at the end."""

    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._said: list[str] = []

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the port, whatever happened, an interrupt from the keyboard too."""
        self._channel.close()

    @property
    def dialogue(self) -> str:
        """What was asked and answered so far, the bytes of the vehicle as they came."""
        return "\n".join(self._said)

    def ask(self, command: str, seconds: float) -> str:
        """Send a command and return the lines of its answer, without echo and prompt.

        Args:
            command: one of `ALLOWED`.
            seconds: how long the whole answer may take.

        Raises:
            UsageError: the command is not allowed; nothing is sent.
            EnvironmentFailure: no prompt in time, too much text, or the other end is gone.
        """
        self._discard()
        self._channel.send(command)
        lines = _lines(self._until_prompt(command, time.monotonic() + seconds, seconds))
        if lines and lines[0].replace(" ", "").upper() == command:
            del lines[0]  # echo is on until ATE0 is understood, and after it on some adapters
        self._said += [f"> {command}", *lines]
        return "\n".join(lines)

    def _discard(self) -> None:
        # What came unasked, or too late, is no answer to the next question.
        dropped = 0
        while dropped < MAX_REPLY and (stale := self._channel.receive(0.0)):
            dropped += len(stale)

    def _until_prompt(self, command: str, deadline: float, seconds: float) -> bytes:
        reply = bytearray()
        while PROMPT not in reply:
            left = deadline - time.monotonic()
            if left <= 0:
                heard = "stopped in the middle of its answer" if reply else "did not answer"
                raise EnvironmentFailure(
                    f"The adapter at {self._channel.name} {heard} to {command} within "
                    f"{seconds:g} s: check its power, the speed of the port and that it is an "
                    "adapter, then repeat the whole read."
                )
            reply += self._channel.receive(left)
            if len(reply) > MAX_REPLY:
                raise EnvironmentFailure(
                    f"The adapter at {self._channel.name} sends without end in answer to "
                    f"{command}: unplug it, plug it in again and repeat the whole read."
                )
        return bytes(reply.partition(PROMPT)[0])


def _lines(reply: bytes) -> list[str]:
    # Adapters are known to slip in NUL bytes; everything else that is not printable is shown.
    text = reply.replace(b"\0", b"").decode("ascii", errors="replace").replace("\r", "\n")
    shown = "".join(
        c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text
    )
    return [line.strip() for line in shown.split("\n") if line.strip()]
