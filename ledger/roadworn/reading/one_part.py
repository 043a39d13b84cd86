"""A line of an estimate is about one part: one price, one answer, one piece of work.

"Pads and rotors front" is one job at the bench and two parts on the vehicle; read as pads, the
rotors would be neither priced nor answered nor done, and their finding would stay open.
"""

import re

from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UsageError

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
