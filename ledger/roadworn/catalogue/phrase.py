"""Bench text into component, place and the rest: ``brake pads LF 3 mm wearing``.

People at a vehicle say all of it in one breath and in any order, so the place may stand
before or after the part. What follows (a measurement, a condition) is handed back unread.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from roadworn.catalogue.components import Component
from roadworn.catalogue.positions import read_position_words
from roadworn.units import unit_words

if TYPE_CHECKING:
    from roadworn.catalogue.lookup import Catalogue

_LONGEST_NAME = 9
_LONGEST_PLACE = 4
_COUNTED = frozenset({"cylinder", "bank"})


@dataclass(frozen=True, slots=True)
class PhraseResolution:
    """What a bench phrase was found to mean.

    Attributes:
        component: the component, or None when nothing certain was found.
        position: canonical place, or None when none was given.
        rest: the words after component and place, as written.
        suggestions: nearest components when `component` is None or was a typing mistake.
        exact: whether the component's words were exact.
    """

    component: Component | None
    position: str | None
    rest: str
    suggestions: tuple[Component, ...] = ()
    exact: bool = False


def resolve_phrase(
    catalogue: "Catalogue", text: str, *, allow_other: bool = False
) -> PhraseResolution:
    """Split `text` into component, position and the rest; see `Catalogue.resolve_phrase`."""
    tokens = text.split()
    for exact in (True, False):
        found = _component(catalogue, tokens, exact=exact, allow_other=allow_other)
        if found is None:
            continue
        component, start, end, suggestions = found
        before = " ".join(tokens[:start]).casefold()
        position = read_position_words(before, component.positions) if before else None
        after = tokens[end:]
        if position is None:
            position, used = _place(after, component.positions)
            after = after[used:]
        return PhraseResolution(component, position, " ".join(after), suggestions, exact)
    named = tokens[: _head_length(tokens)]
    head = " ".join(t for t in named if read_position_words(t.casefold(), "axle") is None)
    return PhraseResolution(None, None, text.strip(), catalogue.resolve(head).suggestions)


def _component(
    catalogue: "Catalogue", tokens: Sequence[str], *, exact: bool, allow_other: bool
) -> tuple[Component, int, int, tuple[Component, ...]] | None:
    """Return the component with the longest run of words, the leftmost of equals.

    Only a place may stand before it: "axle 2 left slack adjuster" is no axle.
    """
    stop = len(tokens) if exact else _head_length(tokens)
    best: tuple[Component, int, int, tuple[Component, ...]] | None = None
    for start in range(min(_LONGEST_PLACE, stop)):
        before = " ".join(tokens[:start]).casefold()
        for end in range(min(stop, start + _LONGEST_NAME), start, -1):
            if best is not None and end - start <= best[2] - best[1]:
                break
            words = " ".join(tokens[start:end])
            if not any(c.isalpha() for c in words):
                continue
            found = catalogue.resolve(words, allow_other=allow_other, near=not exact)
            if found.component is None:
                continue
            if before and read_position_words(before, found.component.positions) is None:
                continue
            best = (found.component, start, end, found.suggestions)
    return best


def _place(tokens: Sequence[str], scheme: str) -> tuple[str | None, int]:
    for length in range(min(_LONGEST_PLACE, len(tokens)), 0, -1):
        words = " ".join(tokens[:length]).casefold()
        if words.isdigit() and not _counts(tokens, scheme):
            continue
        place = read_position_words(words, scheme)
        if place is not None:
            return place, length
    return None, 0


def _counts(tokens: Sequence[str], scheme: str) -> bool:
    """Whether a bare number is a cylinder or bank rather than the start of a measurement."""
    if scheme not in _COUNTED:
        return False
    return len(tokens) == 1 or not (
        tokens[1].casefold() in unit_words() or tokens[1].startswith("/") or tokens[1][0].isdigit()
    )


def _head_length(tokens: Sequence[str]) -> int:
    """Return how many leading words can belong to a name: up to the first measured figure."""
    for index, token in enumerate(tokens):
        if index and token[0].isdigit() and tokens[0].casefold() not in {"axle", "bank"}:
            return index
    return len(tokens)
