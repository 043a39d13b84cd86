"""A line of an estimate is about one part: one price, one answer, one piece of work.

"Pads and rotors front" is one job at the bench and two parts on the vehicle; read as pads, the
rotors would be neither priced nor answered nor done, and their finding would stay open.
"""

import re
from collections.abc import Sequence

from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UsageError
from roadworn.model.places import read_position_words

#: Both sides in a word; of an axle's place, "pads rear both", it adds nothing.
_BOTH = re.compile(
    r"\b(?:both|each\s+side|l\s*/\s*r|r\s*/\s*l|l\s*[&+]\s*r|left\s+(?:and|&)\s+right"
    r"|right\s+(?:and|&)\s+left)\b",
    re.IGNORECASE,
)
_AXLES = frozenset({"front", "rear"})
_JOINED = re.compile(r"\s*(?:,\s*)?(?:and|y|&)\s+(?P<second>.+)", re.IGNORECASE)


def check_one_part(component: Component, position: str | None, rest: str, text: str) -> None:
    """Refuse a line that goes on with another part.

    Args:
        component: the part that was read.
        position: its place.
        rest: what follows it.
        text: the line as it was typed.

    Raises:
        UsageError: says how to write it.
    """
    _check_one_place(component, position, rest, text)
    found = _JOINED.fullmatch(rest)
    if found is None:
        return
    second = catalogue().resolve_phrase(found["second"], allow_other=False, near=False).part
    if not second or second[0] == component:
        return
    place = position or second[1] or ""
    one, other = (f"{part.name} {place}".strip() for part in (component, second[0]))
    raise UsageError(
        f"{text.strip()!r} names two parts, and a line has one price, one answer and one piece of "
        f"work",
        f"write a line for each, as '{one} 150.00' and '{other} 120.00'",
    )


def _check_one_place(component: Component, position: str | None, rest: str, text: str) -> None:
    """Refuse a line for two places of its part: the second would be charged and stay open.

    Raises:
        UsageError: says how to write it.
    """
    if component.positions == "none":
        return
    found = _JOINED.fullmatch(rest)
    second = _second_place(component, found["second"]) if found is not None else None
    places: tuple[str, ...] = (position or "", second) if second else ()
    if not places and position not in _AXLES and _BOTH.search(text.partition(",")[0]):
        side = read_position_words("l", component.positions)
        axle = "R" if re.search(r"\brear\b", text, re.IGNORECASE) else "F"
        level = re.search(r"\b(?:lower|upper)\b", text, re.IGNORECASE)
        behind = f"-{level[0].casefold()}" if level and component.positions == "wheel_ul" else ""
        places = ("L", "R") if side == "L" else (f"L{axle}{behind}", f"R{axle}{behind}")
    if not places or places[0] == places[1]:
        return
    one, other = (f"{component.name} {place}".strip() for place in places)
    axle = _axle_of(component, places)
    whole = f", or one for the axle, as '{component.name} {axle} 300.00'" if axle else ""
    raise UsageError(
        f"{text.strip()!r} is about two places, and a line has one price, one answer and one piece "
        "of work",
        f"write a line for each, as '{one} 150.00' and '{other} 150.00'{whole}",
    )


def _axle_of(component: Component, places: Sequence[str]) -> str:
    """Return the one place that two wheels of an axle are, of a part that is fitted by axles."""
    if component.positions != "axle":
        return ""
    return {"LF RF": "front", "LR RR": "rear"}.get(" ".join(sorted(places)), "")


def _second_place(component: Component, text: str) -> str | None:
    """Return the place that words begin with, alone or with the same part once more, or None."""
    again = catalogue().resolve_phrase(text, allow_other=False, near=False).part
    if again is not None and again[0] == component and again[1]:
        return again[1]
    words = re.split(r"[\s,;]+", text.casefold())
    for many in (3, 2, 1):
        place = read_position_words(" ".join(words[:many]), component.positions)
        if place:
            return place
    return None
