"""Single keys read from a terminal."""

import codecs
import os
import sys
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Self

import typer

_BACK = "\b\x7f"


_KILL = "\x15"


#: Control-D; typed before the terminal handed over single keys, it comes as a zero.
_END = "\x04\0"


_ESCAPE = "\x1b"


class Answers:
    """A terminal that hands over each key while it is open, and is as before afterwards.

    Attributes:
        single: whether it does; else lines are read.
        goes_on: whether the last answer takes the place of the one before it.
    """

    def __init__(self) -> None:
        self.single = False
        self.goes_on = False
        self._pressed = ""  # the single key that was the whole answer before
        self._before: list[Any] = []
        self._keys = _keys()

    def __enter__(self) -> Self:
        try:
            import termios
            import tty
        except ImportError:  # a system without terminals of this kind: lines do
            return self
        try:
            self._before = termios.tcgetattr(sys.stdin.fileno())
            # Draining and not flushing: what was typed ahead counts.
            tty.setcbreak(sys.stdin.fileno(), termios.TCSADRAIN)
        except (termios.error, OSError, ValueError):
            return self
        self.single = True
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.single:
            import termios

            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)

    def read(self, at_once: str, may_go_on: str = "") -> str | None:
        """Read one answer.

        Args:
            at_once: keys that are a whole answer when pressed first.
            may_go_on: those of them that a blank goes on with.

        Returns:
            The answer without its line end, or None when the input ended.
        """
        if self.single:
            return self._typed(at_once, may_go_on)
        line = sys.stdin.readline()
        return line.rstrip("\r\n") if line else None

    def _typed(self, at_once: str, may_go_on: str) -> str | None:
        text = ""
        pressed, self._pressed, self.goes_on = self._pressed, "", False
        for key in self._keys:
            if key in "\r\n":
                _show("\n")
                self.goes_on = bool(pressed) and text.startswith(" ") and bool(text.strip())
                return f"{pressed}{text}" if self.goes_on else text
            if not text and key in at_once:
                _show(f"{key}\n")
                self._pressed = key if key in may_go_on else ""
                return key
            if key in _END:
                if not text:
                    break
            elif key in _BACK:
                _show("\b \b" if text else "")
                text = text[:-1]
            elif key == _KILL:
                _show("\b \b" * len(text))
                text = ""
            elif key.isprintable():
                _show(key)
                text += key
        _show("\n")
        return None


def _keys() -> Iterator[str]:
    """Yield characters as they are typed; arrows and other sequences are left out."""
    decoder = codecs.getincrementaldecoder("utf-8")("replace")
    sequence = ""
    while True:
        try:
            raw = os.read(sys.stdin.fileno(), 1)
        except OSError:  # the terminal was closed
            return
        if not raw:
            return
        for key in decoder.decode(raw):
            if sequence:
                # ESC [ or ESC O, parameters, and a letter or ~ at the end; ESC and one letter.
                ends = key.isalpha() or key == "~"
                opens = sequence == _ESCAPE and key in "[O"
                sequence = "" if ends and not opens else sequence + key
            elif key == _ESCAPE:
                sequence = key
            else:
                yield key


def _show(text: str) -> None:
    if text:
        typer.echo(text, nl=False, err=True)
