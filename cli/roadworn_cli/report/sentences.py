"""Translates sentences that an analysis fills in: a template for each, in the language file.

Analyses speak English. A language file may hold templates as `"About {n} mi" = "Unas {n} mi"`;
a text that fits one is said in that language, its places told by the sheet (names of parts,
numbers, days). A text of several sentences is translated whole or not at all: half a sentence
in each language would help nobody.
"""

import re
from collections.abc import Callable, Mapping

_PLACE = re.compile(r"\{(\w+)\}")
#: What a place may hold, by its name; any other holds any text.
_COUNT, _FIGURE, _DAY = r"[\d,]+", r"[\d,.]+%?", r"\d{4}-\d\d-\d\d"
_HOLDS = {
    **dict.fromkeys(
        ("n", "every", "months", "days", "due", "soon", "year", "done", "lost"), _COUNT
    ),
    **dict.fromkeys(("value", "low", "high", "share", "usual", "given", "came"), _FIGURE),
    "day": _DAY,
}
_PART = re.compile("; ")
_END = re.compile(r"(?<=[.]) (?=[A-Z0-9])")


class Templates:
    """The templates of one language.

    Args:
        given: English template -> template of the language, with the same places.
        tell: writes what stands in a place in the language.
    """

    def __init__(self, given: Mapping[str, str], tell: Callable[[str], str]) -> None:
        self._tell = tell
        self._templates = [(_pattern(source), target) for source, target in given.items()]

    def say(self, text: str) -> str | None:
        """Return a text in the language, None where no template fits all of it."""
        for end, joint in ((_END, " "), (_PART, "; ")):
            parts = end.split(text)
            told = [self._one(part) for part in parts] if len(parts) > 1 else [None]
            found = [part for part in told if part is not None]
            if len(found) == len(told):
                return joint.join(found)
        return self._one(text)

    def _one(self, text: str) -> str | None:
        for pattern, target in self._templates:
            match = pattern.fullmatch(text)
            if match is not None:
                places = {name: self._tell(value) for name, value in match.groupdict().items()}
                return target.format(**places)
        return None


def _pattern(source: str) -> re.Pattern[str]:
    """Return what a template matches; a place is at least one character, and never a line."""
    parts = _PLACE.split(source)
    text = "".join(
        f"(?P<{part}>{_HOLDS.get(part, '.+?')})" if number % 2 else re.escape(part)
        for number, part in enumerate(parts)
    )
    return re.compile(text)
