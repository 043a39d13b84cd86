"""Who is concerned by a campaign, who is done, who is open and who has left."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

from roadworn.model.places import AXLES, covers
from roadworn.trade.campaigns import Campaign

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

State = Literal["open", "unclear", "done", "left"]
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Concerned:
    """How one vehicle stands by a campaign.

    Attributes:
        vehicle: its row of the view `vehicles`.
        state: open, unclear, done, or left before it was done.
        places: where work is still to be done, of an open one; empty where any place serves.
        missing: what is not on record, of an unclear one.
        on: day of the work that finished it, or on which it left.
        events: the work, or the fittings that concern it.
    """

    vehicle: Row
    state: State
    places: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    on: date | None = None
    events: tuple[str, ...] = ()


def concerned_by(view: "LedgerView", campaign: Campaign, vehicle: str = "") -> list[Concerned]:
    """Return the vehicles that a campaign concerns or may concern; open ones first.

    Args:
        view: the ledger as of a day.
        campaign: from `roadworn.trade.campaigns`.
        vehicle: only this one; empty for all.
    """
    profiles = _rows(
        view,
        """SELECT vehicle_id, label, vin, make, model, model_year, vehicle_class, owner_reference,
                  last_seen_on, retired_on
           FROM vehicles WHERE ? IN ('', vehicle_id) ORDER BY vehicle_id""",
        vehicle,
    )
    fitted = _by_vehicle(
        _rows(
            view,
            """SELECT vehicle_id, position, part_number, supplier, maker, occurred_on, seq, event_id
               FROM replacements WHERE component = ? AND ? IN ('', vehicle_id)
               ORDER BY vehicle_id, occurred_on, seq""",
            campaign.component,
            vehicle,
        )
    )
    work = _by_vehicle(
        _rows(
            view,
            """SELECT vehicle_id, position, kind, how, occurred_on, seq, event_id
               FROM work_done
               WHERE component = ? AND ? IN ('', vehicle_id) AND how IS DISTINCT FROM 'inspected'
               ORDER BY vehicle_id, occurred_on, seq""",
            campaign.component,
            vehicle,
        )
    )
    found = []
    for profile in profiles:
        name = profile["vehicle_id"]
        one = _standing(campaign, profile, fitted.get(name, []), work.get(name, []))
        if one is not None:
            found.append(one)
    order = ("open", "unclear", "done", "left")
    return sorted(found, key=lambda one: (order.index(one.state), one.vehicle["vehicle_id"]))


def _rows(view: "LedgerView", query: str, *parameters: str) -> list[dict[str, Any]]:
    found = view.sql(query, parameters)
    return [dict(zip(found.columns, row, strict=True)) for row in found.rows]


def _by_vehicle(rows: Sequence[dict[str, Any]]) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(row["vehicle_id"], []).append(row)
    return found


def _standing(
    campaign: Campaign, profile: Row, fitted: Sequence[Row], work: Sequence[Row]
) -> Concerned | None:
    """Return how a vehicle stands, None where it is not concerned."""
    counting = list(_counting(campaign, work))
    wanted = _sides(campaign.places)
    ends: dict[str, Row | None] = {}
    missing: dict[str, None] = {}
    named: list[str] = []
    for concern in campaign.concerns:
        of_vehicle = concern.of_vehicle(profile)
        if of_vehicle.holds is False:
            continue
        if not concern.part:
            missing |= dict.fromkeys(of_vehicle.missing)
            for place in wanted or ("",) if of_vehicle.holds else ():
                _put(ends, place, _at(counting, place))
            continue
        for at, part in enumerate(fitted):
            of_part = concern.of_part(part)
            places = _sides((part["position"] or "",))
            places = tuple(p for p in places if not p or not wanted or p in wanted)
            lacking = (*of_vehicle.missing, *of_part.missing)
            for place in places if of_part.holds is not False else ():
                # A part that went out is done, whatever it went out for.
                gone = _at(fitted[at + 1 :], place, anywhere=False)
                if lacking:
                    missing |= {} if gone else dict.fromkeys(lacking)
                    continue
                later = [one for one in counting if one["seq"] > part["seq"]]
                _put(ends, place, gone or _at(later, place))
                named.append(part["event_id"])
    left = profile["retired_on"]
    if not ends:
        return None if left or not missing else Concerned(profile, "unclear", (), tuple(missing))
    still = tuple(place for place, end in ends.items() if end is None)
    if not still:
        last = [end for end in ends.values() if end is not None]
        events = tuple(dict.fromkeys(end["event_id"] for end in last))
        day = max(end["occurred_on"] for end in last)
        return Concerned(profile, "done", on=day, events=events)
    places = tuple(filter(None, still))
    return Concerned(
        profile, "left" if left else "open", places, on=left, events=tuple(dict.fromkeys(named))
    )


def _put(ends: dict[str, Row | None], place: str, end: Row | None) -> None:
    """Keep what ended a place; asked for twice it is done when both are."""
    if ends.get(place, end) is not None or place not in ends:
        ends[place] = end


def _sides(places: Sequence[str]) -> tuple[str, ...]:
    """Return places with an axle as its two sides: each of them must be done."""
    return tuple(dict.fromkeys(side for place in places for side in AXLES.get(place, (place,))))


def _counting(campaign: Campaign, work: Sequence[Row]) -> Iterator[Row]:
    """Yield the work that the campaign takes as done."""
    for one in work:
        said = {one["kind"], "recall" if one["how"] == "recall" else one["kind"]}
        if one["occurred_on"] >= campaign.since and said & set(campaign.done_by):
            yield one


def _at(work: Sequence[Row], place: str, *, anywhere: bool = True) -> Row | None:
    """Return the first work at a place, None where there is none.

    Work without a place is not taken for this one: that a side was forgotten costs more than to
    ask once too often.

    Args:
        work: oldest first.
        place: a side; empty where any place serves, or where nobody said which.
        anywhere: work at any place serves where the place is not known.
    """
    for one in work:
        where = one["position"] or ""
        if where == place or (covers(where, place) if where and place else anywhere and not place):
            return one
    return None
