"""What many analyses say alike: of so many things, if there are any, and of long lists."""

from collections.abc import Sequence

from roadworn.model.messages import Joined, Sentence


def if_any(n: int, code: str, template: str, **arguments: object) -> str:
    """Return a sentence about ``{n}`` things, an empty text where there are none."""
    return Sentence(code, template, n=n, **arguments) if n > 0 else ""


def all_said(*sentences: str) -> tuple[str, ...]:
    """Return the sentences that are not empty."""
    return tuple(filter(None, sentences))


def first_of(names: Sequence[str], most: int = 5) -> str:
    """Return the first names of a list, and whether there are others."""
    told = Joined(names[:most])
    return Sentence("and-others", "{names} and others", names=told) if names[most:] else told


def on_vehicle(vehicle: str | None) -> str:
    """Return on which vehicle, as part of a sentence; an empty text where all are meant."""
    return Sentence("on-vehicle", " on {vehicle}", vehicle=vehicle) if vehicle else ""
