"""How many days vehicles are in service, what keeps them out of it, and which stand most."""

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Annotated, Literal

from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Column, Result, Settings, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.lifedata import tail
from roadworn_plugins.lifedata.special import ndtri
from roadworn_plugins.shared.grouped import NOT_RECORDED
from roadworn_plugins.shared.settings import Level, MostRows, OnlyVehicle, all_said, rounded

_BY = Literal["class", "depot", "vehicle"]
#: A vehicle without any record for so many days is taken to have been watched until its last one
#: (common practice, no source).
_UNSEEN = 183
_FROM_THREE = 3
ABOUT = """\
Question: What share of its days is a vehicle in service, and what keeps it out?

Method: Each vehicle is watched from its enrolment, or from the first day on which anybody in this
ledger wrote a standstill down, to its last record. Days out of service are those of the view
standstills; where two of one vehicle overlap, the days count once, for the cause that was there
first. The share in service is one less days out over days watched, all vehicles of a group
together; its limits come from how much the vehicles of the group differ.

Assumptions: A standstill that nobody wrote down counts as service. A vehicle that changes its depot
counts for each by its days there. Days are calendar days, weekends among them.

Reading: 0.94 in service, limits 0.92 to 0.96: of 100 days six were lost.

Reference: availability as in ISO 14224:2016, annex C.2.3 (up time over up and down time, from
memory). Limits of a ratio: Cochran, Sampling Techniques (Wiley, 1977), section 6.4, from memory.
"""
_say = Says(
    "availability",
    {
        "none": "Nobody has written down yet that a vehicle was out of service.",
        "record": "Say so: record out-of-service VEHICLE repair --days 3, or without days and then "
        "record back-in-service VEHICLE.",
        "headline": "In service {share:.1%} of the days since {since}, {vehicles} "
        "{vehicles:vehicle|vehicles} together: {down:,.0f} of {watched:,.0f} days were lost.",
        "cause": "Most went to {cause}: {days:,.0f} days.",
        "most": "{vehicle} stood most, {days:,.0f} days.",
        "open": "{n} {n:vehicle stands|vehicles stand} still with no end written down, the longest "
        "since {since}: {vehicle}.",
        "unwritten": "Days out of service that nobody wrote down count as service.",
        "overlap": "{days:,.1f} days were written down twice and count once.",
        "not-shown": "{n} {n:row is|rows are} not shown; raise the setting most.",
    },
)


class AvailabilitySettings(Settings):
    """Since when, and by what."""

    by: Annotated[_BY, Field(description="what vehicles are put together by")] = "class"
    since: Annotated[
        date | None, Field(description="first day looked at; else the first standstill on record")
    ] = None
    vehicle: OnlyVehicle = None
    level: Level = 0.95
    most: MostRows = 20


@dataclass(frozen=True, slots=True)
class Spell:
    """A standstill in days from 1970, clipped to what is watched and to what no earlier one holds.

    `days` are its own days, `counted` those that no standstill before it has.
    """

    vehicle: str
    cause: str
    start: float
    end: float
    counted: float
    open: bool
    event: str

    @property
    def days(self) -> float:
        """Its own length."""
        return self.end - self.start


@dataclass(slots=True)
class Watched:
    """Days of one vehicle, or of one while it was in one group; from and to in days from 1970."""

    vehicle: str
    group: str
    start: float
    end: float
    spells: list[Spell] = field(default_factory=list)

    @property
    def days(self) -> float:
        """Days watched."""
        return self.end - self.start

    @property
    def down(self) -> float:
        """Days out of service, overlapping ones once."""
        return sum(one.counted for one in self.spells)


def clipped(spells: Iterable[Spell], start: float, end: float) -> list[Spell]:
    """Return the parts of a vehicle's spells within a time, what overlaps counted once.

    Args:
        spells: of one vehicle; `counted` is not read.
        start: first day, from 1970.
        end: last day.
    """
    made, reached = [], start
    for one in sorted(spells, key=lambda s: (s.start, s.event)):
        first, last = max(one.start, start), min(one.end, end)
        if last <= first:
            continue
        counted = max(last - max(first, reached), 0.0)
        reached = max(reached, last)
        made.append(Spell(one.vehicle, one.cause, first, last, counted, one.open, one.event))
    return made


def times_down(spells: Sequence[Spell]) -> int:
    """Return how often a vehicle went out of service: spells that touch are one time."""
    times, reached = 0, -math.inf
    for one in sorted(spells, key=lambda s: s.start):
        times += one.start > reached
        reached = max(reached, one.end)
    return times


def share_in_service(
    parts: Sequence[Watched], level: float
) -> tuple[float, float | None, float | None]:
    """Return the share of days in service of several vehicles with its limits.

    The limits of a ratio of sums over vehicles; None with fewer than three vehicles.
    """
    watched: dict[str, float] = defaultdict(float)
    down: dict[str, float] = defaultdict(float)
    for one in parts:
        watched[one.vehicle] += one.days
        down[one.vehicle] += one.down
    whole, n = sum(watched.values()), len(watched)
    lost = sum(down.values()) / whole
    if n < _FROM_THREE:
        return 1.0 - lost, None, None
    squares = sum((down[v] - lost * watched[v]) ** 2 for v in watched)
    half = -float(ndtri(tail(level))) * (n / (n - 1.0) * squares) ** 0.5 / whole
    return 1.0 - lost, max(1.0 - lost - half, 0.0), min(1.0 - lost + half, 1.0)


def run(view: LedgerView, settings: AvailabilitySettings) -> Result:
    """Count days in service and out of it."""
    spells = _spells(view, settings.vehicle)
    if not spells:
        return Result(_say("none"), caveats=(_say("record"),))
    since = settings.since or _day(min(one.start for one in spells))
    parts = _watched(view, settings, since, spells)
    whole = [one for one in parts if one.days > 0.0]
    if not whole:
        return Result(_say("none"), caveats=(_say("record"),))
    per_vehicle = _grouped(whole, lambda one: one.vehicle)
    by_cause: dict[str, list[Spell]] = defaultdict(list)
    for one in whole:
        for spell in one.spells:
            by_cause[spell.cause].append(spell)
    groups = _grouped(whole, lambda one: one.group)
    order = sorted(groups, key=lambda g: (share_in_service(groups[g], 0.95)[0], g))
    stand = sorted(per_vehicle, key=lambda v: (-_down(per_vehicle[v]), v))
    stand = [vehicle for vehicle in stand if _down(per_vehicle[vehicle]) > 0.0]
    shown = order[: settings.most]
    tables = (
        Table(
            "availability",
            "Share of days in service, the lowest first",
            (Column("group", settings.by, tells=Tells.NAME), *_GROUP_COLUMNS),
            tuple((name, *_row(groups[name], settings.level)) for name in shown),
            tuple(_events(groups[name]) for name in shown),
        ),
        _causes(by_cause),
        _standing(per_vehicle, stand[: settings.most]),
    )
    down = sum(one.down for one in whole)
    twice = sum(s.days for one in whole for s in one.spells) - down
    return Result(
        _headline(whole, since, by_cause, per_vehicle, stand),
        tables,
        caveats=all_said(
            _open(whole),
            _say("unwritten"),
            _say.when(twice > 0.05, "overlap", days=twice),
            _say.some(len(order) - len(shown), "not-shown"),
        ),
    )


_FIRST = date(1970, 1, 1)


def _number(day: date) -> float:
    return float((day - _FIRST).days)


def _day(number: float) -> date:
    return _FIRST + timedelta(days=math.floor(number))


def _down(parts: Iterable[Watched]) -> float:
    return sum(one.down for one in parts)


def _events(parts: Iterable[Watched]) -> tuple[str, ...]:
    return tuple(sorted({spell.event for one in parts for spell in one.spells}))


def _grouped(parts: Iterable[Watched], key: Callable[[Watched], str]) -> dict[str, list[Watched]]:
    found: dict[str, list[Watched]] = defaultdict(list)
    for one in parts:
        found[key(one)].append(one)
    return found


def _spells(view: LedgerView, vehicle: str | None) -> list[Spell]:
    rows = view.sql(
        """SELECT vehicle_id, cause, epoch(from_at) / 86400, epoch(until_at) / 86400, 0.0, open,
                  event_id FROM standstills
           WHERE vehicle_id = coalesce(?, vehicle_id) ORDER BY from_at, event_id""",
        (vehicle,),
    ).rows
    return [Spell(*row) for row in rows]


def _watched(
    view: LedgerView, settings: AvailabilitySettings, since: date, spells: Sequence[Spell]
) -> list[Watched]:
    """Return what was watched of every vehicle, by group, with its standstills."""
    of: dict[str, list[Spell]] = defaultdict(list)
    for one in spells:
        of[one.vehicle].append(one)
    based: dict[str, list[tuple[date, date | None, str]]] = defaultdict(list)
    if settings.by == "depot":
        for vehicle, depot, start, end in view.sql(
            "SELECT vehicle_id, depot, from_on, until_on FROM depot_spans ORDER BY from_on"
        ).rows:
            based[vehicle].append((start, end, depot))
    found = []
    for vehicle, group, enrolled, retired, seen in view.sql(
        """SELECT vehicle_id, vehicle_class, enrolled_on, retired_on, last_seen_on FROM vehicles
           WHERE vehicle_id = coalesce(?, vehicle_id) ORDER BY vehicle_id""",
        (settings.vehicle,),
    ).rows:
        ends = [_day(one.end) for one in of[vehicle]]
        last = max([seen or enrolled, *ends])
        if (view.today - last).days <= _UNSEEN:
            last = view.today
        first, last = max(enrolled, since), retired or last
        for start, end, name in _pieces(first, last, based[vehicle], settings.by, group, vehicle):
            begin, until = _number(start), _number(end)
            part = Watched(vehicle, name, begin, until)
            part.spells = clipped(of[vehicle], begin, until)
            found.append(part)
    return found


def _pieces(
    first: date,
    last: date,
    based: Sequence[tuple[date, date | None, str]],
    by: str,
    group: str,
    vehicle: str,
) -> Iterable[tuple[date, date, str]]:
    """Yield a vehicle's time in pieces, one for each group that it was in."""
    if by != "depot":
        yield first, last, vehicle if by == "vehicle" else group
        return
    reached = first
    for start, end, depot in based:
        if start > reached:
            yield reached, min(start, last), NOT_RECORDED
        yield max(start, first), min(end or last, last), depot
        reached = max(reached, end or last)
    if reached < last:
        yield reached, last, NOT_RECORDED


def _row(parts: Sequence[Watched], level: float) -> tuple[Cell, ...]:
    share, low, high = share_in_service(parts, level)
    times = sum(times_down(one.spells) for one in parts)
    down = _down(parts)
    return (
        len({one.vehicle for one in parts}),
        round(sum(one.days for one in parts)),
        round(down, 1),
        rounded(share, 4),
        rounded(low, 4),
        rounded(high, 4),
        times,
        round(down / times, 1) if times else None,
    )


_GROUP_COLUMNS = (
    Column("vehicles", "vehicles", "integer"),
    Column("watched", "days watched", "integer"),
    Column("down", "days out", "number"),
    Column("share", "in service", "chance", tells=Tells.VALUE),
    Column("low", "low", "chance", tells=Tells.LOW),
    Column("high", "high", "chance", tells=Tells.HIGH),
    Column("times", "times out", "integer"),
    Column("mean", "mean days out", "number"),
)


def _causes(by_cause: Mapping[str, Sequence[Spell]]) -> Table:
    lost = {cause: sum(s.counted for s in spells) for cause, spells in by_cause.items()}
    whole = sum(lost.values()) or 1.0
    order = sorted(lost, key=lambda cause: (-lost[cause], cause))
    return Table(
        "causes",
        "What keeps vehicles out of service",
        (
            Column("cause", "cause", tells=Tells.NAME),
            Column("times", "times out", "integer"),
            Column("days", "days out", "number", tells=Tells.VALUE),
            Column("share", "share of all days out", "chance"),
            Column("mean", "mean days out", "number"),
        ),
        tuple(
            (
                _cause(cause),
                len({one.event for one in by_cause[cause]}),
                round(lost[cause], 1),
                round(lost[cause] / whole, 4),
                round(
                    sum(s.days for s in by_cause[cause])
                    / len({one.event for one in by_cause[cause]}),
                    1,
                ),
            )
            for cause in order
        ),
        tuple(tuple(sorted({s.event for s in by_cause[cause]})) for cause in order),
    )


def _cause(word: str) -> str:
    return word.replace("_", " ")


def _standing(per_vehicle: Mapping[str, Sequence[Watched]], vehicles: Sequence[str]) -> Table:
    rows = []
    for vehicle in vehicles:
        parts = per_vehicle[vehicle]
        spells = [spell for one in parts for spell in one.spells]
        lost: dict[str, float] = defaultdict(float)
        for one in spells:
            lost[one.cause] += one.counted
        share = share_in_service(parts, 0.95)[0]
        still = [_day(one.start) for one in spells if one.open]
        worst = _cause(max(sorted(lost), key=lambda cause: lost[cause]))
        row = (vehicle, round(_down(parts), 1), rounded(share, 4), len(spells), worst)
        rows.append((*row, max(still) if still else None))
    return Table(
        "standing",
        "Vehicles that stood most",
        (
            Column("vehicle", "vehicle", tells=Tells.VEHICLE),
            Column("down", "days out", "number", tells=Tells.VALUE),
            Column("share", "in service", "chance"),
            Column("times", "times out", "integer"),
            Column("cause", "most of it", tells=Tells.WHY),
            Column("open", "out since", "date", tells=Tells.SINCE),
        ),
        tuple(rows),
        tuple(_events(per_vehicle[vehicle]) for vehicle in vehicles),
    )


def _headline(
    whole: Sequence[Watched],
    since: date,
    by_cause: Mapping[str, Sequence[Spell]],
    per_vehicle: Mapping[str, Sequence[Watched]],
    stand: Sequence[str],
) -> str:
    watched, down = sum(one.days for one in whole), _down(whole)
    told: list[Sentence] = [
        _say("headline", share=1.0 - down / watched, since=since, vehicles=len(per_vehicle),
             down=down, watched=watched)
    ]  # fmt: skip
    if by_cause and len(per_vehicle) > 1:
        lost = {cause: sum(s.counted for s in spells) for cause, spells in by_cause.items()}
        most = max(sorted(lost), key=lambda cause: lost[cause])
        told.append(_say("cause", cause=_cause(most), days=lost[most]))
    if stand and len(per_vehicle) > 1:
        told.append(_say("most", vehicle=stand[0], days=_down(per_vehicle[stand[0]])))
    return Joined(told, " ")


def _open(whole: Sequence[Watched]) -> str:
    still = {one.vehicle: _day(one.start) for part in whole for one in part.spells if one.open}
    if not still:
        return ""
    longest = min(sorted(still), key=lambda vehicle: still[vehicle])
    return _say("open", n=len(still), since=still[longest], vehicle=longest)


AVAILABILITY = Analysis(
    name="availability",
    title="Days in service",
    question="What share of its days is a vehicle in service, and what keeps it out?",
    run=run,
    settings=AvailabilitySettings,
    about=ABOUT,
    answers=Answers.IN_SERVICE,
)
