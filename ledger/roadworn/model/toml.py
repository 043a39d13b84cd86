"""TOML of the user's own, read within bounds.

The library's parser takes time and memory with the square of a dotted key's length, and fails in
the middle of deep nesting. No map, sheet or terms need either, so both are refused before.
"""

import os
import re
import tomllib
from collections.abc import Callable
from typing import Any

_LONGEST = 1_000_000
_MOST_PARTS = 20
#: A key of more parts than that, wherever it stands.
_LONG_KEY = re.compile(
    r"""(?<![\w"'-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)"""
    rf"{{{_MOST_PARTS}}}"
)


def is_path(name: str) -> bool:
    """Return whether a name of a file of ours, of a plugin or of the user's own is a path.

    A path has a separator or an ending; a plain name is that of what ships or of what a plugin
    brings, whatever lies in the folder that one happens to stand in.
    """
    return any(one in name for one in (os.sep, os.altsep or os.sep, "."))


def read_toml(text: str, parse_float: Callable[[str], Any] = float) -> dict[str, Any]:
    """Return what a TOML text says.

    Args:
        text: at most a million characters, its keys of at most 20 parts.
        parse_float: makes a number of the text of one with a point.

    Raises:
        tomllib.TOMLDecodeError: it is no TOML, or out of all bounds; says the line where it can.
    """
    if len(text) > _LONGEST:
        raise tomllib.TOMLDecodeError(f"It has more than {_LONGEST:,} characters")
    if found := _LONG_KEY.search(text):
        line = text.count("\n", 0, found.start()) + 1
        raise tomllib.TOMLDecodeError(f"A key has more than {_MOST_PARTS} parts (at line {line})")
    try:
        return tomllib.loads(text, parse_float=parse_float)
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("Tables or lists are nested too deeply") from None
    except (ValueError, ArithmeticError):
        raise tomllib.TOMLDecodeError("A figure in it is out of all bounds") from None
