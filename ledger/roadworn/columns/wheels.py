"""Where a tire sits now that something is on record of: tires move, and their histories with them.

Wheels are rotated and whole sets changed with the season. What was fitted, found and measured at a
place then belongs to the tire that sat there, so in every table a tire's place is where it sits on
the view's day, and its distance is without what it missed in storage. Vehicles without such a
change are not touched.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Change(NamedTuple):
    """One rotation or swap.

    Attributes:
        seq: its event.
        true_km: distance the vehicle had gone, or None.
        moves: from place -> to place.
        fitted: name of the set that went on, empty for a rotation.
        stored: name of the set that came off, empty where it was not said.
    """

    seq: int
    true_km: float | None
    moves: dict[str, str]
    fitted: str
    stored: str


class Said(NamedTuple):
    """Something said of a place.

    Attributes:
        seq: its event.
        position: the place then.
        true_km: distance the vehicle had gone then, or None.
    """

    seq: int
    position: str
    true_km: float | None


class Now(NamedTuple):
    """Where what was said of a place is now.

    Attributes:
        seq: its event.
        said: the place then.
        place: the place now; behind it the name of the set where that is stored.
        missed_km: distance that the vehicle has gone since while it was stored.
    """

    seq: int
    said: str
    place: str
    missed_km: float


class Ends(NamedTuple):
    """A place now, and how the tire there began.

    Attributes:
        place: as `Now.place`.
        stored_km: distance that the vehicle went in all while that set was stored.
        first: the set is the one that the vehicle came with.
    """

    place: str
    stored_km: float
    first: bool


def follow(order: Sequence[Change | Said], last_km: float | None) -> tuple[list[Now], list[Ends]]:
    """Return where everything said of a vehicle's places is now, and how each set began.

    Args:
        order: changes and what was said, in the order they happened.
        last_km: distance the vehicle has gone at last.

    Returns:
        One `Now` for each `Said`; and `Ends` of the places that were ever spoken of.
    """
    sets, on = [""], 0
    ons: list[int] = []
    for one in order:
        if isinstance(one, Change) and one.fitted:
            if one.stored and not sets[on]:
                sets[on] = one.stored
            if one.fitted not in sets:
                sets.append(one.fitted)
            ons.append(on)
            on = sets.index(one.fitted)
    fitted_now = on
    maps: list[dict[str, str]] = [{} for _ in sets]
    missed = [0.0 for _ in sets]
    until = last_km
    found: list[Now] = []
    for one in reversed(order):
        if isinstance(one, Said):
            place = maps[on].get(one.position, one.position)
            found.append(
                Now(one.seq, one.position, _label(place, sets, on, fitted_now), missed[on])
            )
        elif one.fitted:
            if one.true_km is not None and until is not None:
                for other in range(len(sets)):
                    missed[other] += max(0.0, until - one.true_km) * (other != on)
                until = one.true_km
            on = ons.pop()
        if isinstance(one, Change) and one.moves:
            back = maps[on]
            maps[on] = back | {old: back.get(new, new) for old, new in one.moves.items()}
    # Before the first change the set that the vehicle came with was on, from the beginning.
    for other in range(1, len(sets)):
        missed[other] += max(0.0, until or 0.0)
    return found[::-1], _ends(found, order, maps, sets, missed, fitted_now)


def _ends(
    found: Iterable[Now],
    order: Sequence[Change | Said],
    maps: Sequence[dict[str, str]],
    sets: Sequence[str],
    missed: Sequence[float],
    fitted_now: int,
) -> list[Ends]:
    places = {one.said for one in found}
    for one in order:
        if isinstance(one, Change):
            places |= one.moves.keys()
    return [
        Ends(_label(maps[at].get(place, place), sets, at, fitted_now), missed[at], at == 0)
        for at in range(len(sets))
        for place in sorted(places | {"LF", "RF", "LR", "RR"})
    ]


def _label(place: str, sets: Sequence[str], at: int, fitted_now: int) -> str:
    return place if at == fitted_now else f"{place} {sets[at] or 'first set'}"
