"""Wheels that change their places: rotated among them, or a whole set for another."""

from typing import Annotated, Literal

from roadworn.model.payloads import Note, Part, Payload, Position, ShortText, about


class WheelMove(Part):
    """A wheel with its tire that went from one place to another."""

    from_place: Position
    to_place: Position


class Wheels(Payload):
    """Wheels were rotated, or a set was put on in the place of another.

    `moves` of a rotation are a permutation of places. Of a swap `fitted` names the set that went
    on and `stored` the one that came off, whose tires have no distance while they lie.
    """

    action: Annotated[Literal["rotated", "swapped"], about("What was done.")]
    moves: Annotated[tuple[WheelMove, ...], about("Which wheel went where.")] = ()
    fitted: Annotated[ShortText | None, about("Name of the set that went on.", shown="SET")] = None
    stored: Annotated[ShortText | None, about("Name of the set that came off.", shown="SET")] = None
    storage: Annotated[ShortText | None, about("Where that one lies.", shown="PLACE")] = None
    note: Note = None
