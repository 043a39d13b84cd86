"""Signs as the ledger has them: what was found, read and said, from its first day to its end.

A sign is a part found wearing, a code, a complaint without a cause yet, or something open that is
known to bring other parts down. Each stands from the day it was first seen to a failure, to a look
that no longer finds it, or to work that was no failure; what is seen to on its first day was never
open.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import place_of, sides_of
from roadworn.trade.codes import told_code
from roadworn_plugins.lifedata import Floats
from roadworn_plugins.likely_causes.words import clauses, expected, trade_words
from roadworn_plugins.shared.grouped import DAYS_PER_MONTH

#: A vehicle seen on a bench or by a reader so lately would have shown its signs.
LOOKED_DAYS = 400
_DAY = "date_diff('day', DATE '1970-01-01', occurred_on)"
Where = tuple[str, str]


@lru_cache(maxsize=8192)
def sides(component: str, place: str) -> frozenset[str]:
    """Return the places that a place means; see `sides_of`."""
    return sides_of(component, place)


def touches(component: str, one: str, other: str) -> bool:
    """Return whether what is said of one place holds for the other; no place is any."""
    return not one or not other or not sides(component, one).isdisjoint(sides(component, other))


@dataclass(frozen=True, slots=True)
class Work:
    """Work on a part, and whether it was done because the part had failed."""

    day: int
    place: str
    failed: bool
    event: str


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign, from its first day to its end.

    Attributes:
        kind: as `signs.PRIORS` has them.
        group: component that it is about.
        vehicle, place: where.
        day: number of its first day from 1970.
        months: how long it stood, or stands.
        ended: "failed", "gone", "done" by work that was no failure, or an empty text while open.
        events: first and latest that saw it.
        name: the code, or the part upstream.
        note: what was noted last.
        targets: components that it speaks of.
        since: first day of what stands upstream, which may have brought a part down since.
    """

    kind: str
    group: str
    vehicle: str
    place: str
    day: int
    months: float
    ended: str
    events: tuple[str, ...]
    name: str = ""
    note: str = ""
    targets: tuple[str, ...] = ()
    since: int | None = None


@dataclass(frozen=True, eq=False)
class Rates:
    """How often components fail whatever is seen: by failures and the time under watch."""

    failures: dict[str, int]
    months: float
    fitted: dict[str, float]

    def exposure(self, component: str) -> float:
        """Return the months that its parts were watched."""
        return max(self.months * self.fitted.get(component, 1.0), 1.0)

    def on_vehicle(self, component: str) -> float:
        """Return failures a month of a component on a vehicle."""
        return self.failures.get(component, 0) / max(self.months, 1.0)

    def at_place(self, component: str) -> float:
        """Return failures a month at a place."""
        return self.failures.get(component, 0) / self.exposure(component)


class SignReading:
    """The looks and works of a ledger, read once."""

    def __init__(self, view: LedgerView) -> None:
        self._view = view
        self.works: dict[Where, list[Work]] = defaultdict(list)
        self.visits: dict[str, list[tuple[int, str]]] = defaultdict(list)
        self._led: dict[tuple[str, str, str], float] = {}
        today = (view.today - date(1970, 1, 1)).days
        self._here = {
            name: (first, today if left is None else min(left, today))
            for name, first, left in view.sql(
                """SELECT vehicle_id, date_diff('day', DATE '1970-01-01', enrolled_on),
                          date_diff('day', DATE '1970-01-01', retired_on) FROM vehicles"""
            ).rows
        }
        for _seq, vehicle, component, place, day, failed, fault, event in view.sql(
            f"""SELECT seq, vehicle_id, component, coalesce(position, ''), {_DAY},
                       reason IN ('failed', 'worn_out') AND along_with IS NULL, TRUE, event_id
                FROM replacements
                UNION ALL
                SELECT seq, vehicle_id, component, coalesce(position, ''), {_DAY}, FALSE, TRUE,
                       event_id FROM repairs
                UNION ALL
                SELECT seq, vehicle_id, component, coalesce(position, ''), {_DAY}, FALSE, FALSE,
                       event_id FROM maintenance_done WHERE action <> 'inspected'
                ORDER BY 5, 1, 3, 4"""
        ).rows:
            self.works[vehicle, component].append(Work(day, place, failed, event))
            if fault:
                self.visits[vehicle].append((day, component))
        self.looks: dict[str, list[int]] = defaultdict(list)
        for vehicle, day in view.sql(
            f"""SELECT DISTINCT vehicle_id, {_DAY} AS day FROM findings
                UNION SELECT DISTINCT vehicle_id, {_DAY} FROM scans WHERE active_read
                ORDER BY 1, 2"""
        ).rows:
            self.looks[vehicle].append(day)

    def _months(self, first: int, last: int) -> float:
        return (last - first) / DAYS_PER_MONTH

    def _first(
        self, vehicle: str, components: Sequence[str], first: int, last: int, *, tell: bool = True
    ) -> Work | None:
        """Return the first failure of any of these parts after a day and up to another."""
        found: Work | None = None
        for component in components:
            works = self.works.get((vehicle, component), ())
            for work in works[bisect_left(works, first + 1, key=_day_of) :]:
                if work.day > last or (found is not None and work.day >= found.day):
                    break
                if work.failed:
                    found = work
                    if tell:
                        self._tell(vehicle, component, work, first)
                    break
        return found

    def _tell(self, vehicle: str, component: str, work: Work, first: int) -> None:
        """Keep for how long a failure had been announced."""
        key = vehicle, component, work.event
        self._led[key] = max(self._led.get(key, 0.0), self._months(first, work.day))

    def runs(self) -> Iterator[Sign]:
        """Yield what was found wearing, and what stood open upstream."""
        rows = self._view.sql(
            f"""SELECT vehicle_id, component, coalesce(position, ''), {_DAY}, condition, event_id,
                       coalesce(note, '')
                FROM findings WHERE condition <> 'not_checked' AND (vehicle_id, component) IN (
                  SELECT (vehicle_id, component) FROM findings
                  WHERE condition IN ('wearing', 'failed'))
                ORDER BY occurred_at, seq, 2, 3"""
        ).rows
        looks: dict[tuple[str, str, str], list[tuple[int, str, str, str]]] = defaultdict(list)
        for vehicle, component, place, *look in rows:
            looks[vehicle, component, _axle(component, place)].append(
                (look[0], look[1], look[2], look[3])
            )
        for (vehicle, component, place), seen in looks.items():
            if all(condition == "sound" for _day, condition, _event, _note in seen):
                continue
            works = [
                w
                for w in self.works.get((vehicle, component), ())
                if touches(component, place, w.place)
            ]
            for run in _runs(seen, works, self._here[vehicle][1]):
                yield from self._of_run(vehicle, component, place, run)

    def _of_run(self, vehicle: str, component: str, place: str, run: "_Run") -> Iterator[Sign]:
        events = tuple(dict.fromkeys((run.events[0], run.events[-1])))
        if run.wearing is not None and (run.last > run.wearing or not run.ended):
            if run.work is not None and run.ended == "failed":
                self._tell(vehicle, component, run.work, run.wearing)
            if run.ended or run.condition == "wearing":
                months = self._months(run.wearing, run.last)
                yield Sign(
                    "wearing", component, vehicle, place, run.wearing, months, run.ended, events
                )
        for below in trade_words().brings_down.get(component, ()):
            first: int | None = run.first
            while first is not None and (first < run.last or not run.ended):
                failure = self._first(vehicle, (below,), first, run.last, tell=False)
                last = failure.day if failure else run.last
                yield Sign(
                    "upstream",
                    f"{component} {below}",
                    vehicle,
                    place,
                    first,
                    self._months(first, last),
                    "failed" if failure else "done" if run.ended else "",
                    events,
                    component,
                    run.note,
                    (below,),
                    run.first,
                )
                # It may bring down the next one too.
                first = failure.day if failure else None

    def codes(self) -> Iterator[Sign]:
        """Yield the runs of codes, each to the scan that no longer has it."""
        rows = self._view.sql(
            f"""SELECT s.vehicle_id, s.module, s.day, s.event_id, list(c.code ORDER BY c.code),
                       list(c.status ORDER BY c.code)
                FROM (SELECT vehicle_id, module, {_DAY} AS day, event_id, seq, occurred_at
                      FROM scans WHERE active_read) AS s
                LEFT JOIN codes AS c ON c.seq = s.seq AND c.module = s.module
                                    AND c.status NOT IN ('previous', 'permanent')
                GROUP BY s.vehicle_id, s.module, s.day, s.event_id, s.seq, s.occurred_at
                ORDER BY s.occurred_at, s.seq, s.module"""
        ).rows
        standing: dict[tuple[str, str], dict[str, tuple[int, str, str]]] = defaultdict(dict)
        for vehicle, module, day, event, codes, states in rows:
            here = standing[vehicle, module]
            given = {
                code: state for code, state in zip(codes, states, strict=True) if code is not None
            }
            for code in [code for code in here if code not in given]:
                first, state, seen_in = here.pop(code)
                yield from self._of_code(vehicle, code, state, first, day, seen_in, ended="gone")
            for code, state in given.items():
                first, _state, seen_in = here.get(code, (day, state, event))
                here[code] = (first, state, seen_in)
        for (vehicle, _module), here in standing.items():
            for code, (first, state, seen_in) in here.items():
                yield from self._of_code(
                    vehicle, code, state, first, self._here[vehicle][1], seen_in, ended=""
                )

    def _of_code(
        self, vehicle: str, code: str, state: str, first: int, last: int, event: str, *, ended: str
    ) -> Iterator[Sign]:
        targets = points_to(code)
        failure = self._first(vehicle, targets, first, last)
        last = failure.day if failure else last
        if last > first or not (ended or failure):
            yield Sign(
                "pending" if state == "pending" else "stored",
                targets[0] if targets else code,
                vehicle,
                "",
                first,
                self._months(first, last),
                "failed" if failure else ended,
                (event,),
                code,
                targets=targets,
            )

    def complaints(self) -> Iterator[Sign]:
        """Yield what was said and had no cause yet, to the first work on the vehicle."""
        for vehicle, day, event, text in self._view.sql(
            f"""SELECT vehicle_id, {_DAY}, event_id, complaint FROM complaints
                WHERE correction IS NULL AND cause IS NULL ORDER BY seq"""
        ).rows:
            facts = [
                f for _c, own in clauses(text) for f in own if f.partition(":")[0] == "symptom"
            ]
            weights = expected(facts)
            targets = tuple(dict.fromkeys(c for fact in facts for c in weights.get(fact, ())))
            visits = self.visits.get(vehicle, [])
            after = visits[bisect_left(visits, (day, "")) :]
            last = after[0][0] if after else self._here[vehicle][1]
            failure = self._first(vehicle, targets, day, last)
            if targets and (last > day or not after):
                ended = "failed" if failure else "gone" if after else ""
                yield Sign(
                    "said",
                    targets[0],
                    vehicle,
                    "",
                    day,
                    self._months(day, last),
                    ended,
                    (event,),
                    targets=targets,
                )

    def _was_looked_at(self, vehicle: str, day: int) -> bool:
        looks = self.looks.get(vehicle, [])
        before = bisect_left(looks, day)
        return before > 0 and day - looks[before - 1] <= LOOKED_DAYS

    def announced(self) -> dict[str, Floats]:
        """Return component -> months before each failure that a sign of it had stood."""
        found: dict[str, list[float]] = defaultdict(list)
        for (vehicle, component), works in self.works.items():
            for work in works:
                if work.failed and self._was_looked_at(vehicle, work.day):
                    found[component].append(self._led.get((vehicle, component, work.event), 0.0))
        return {component: np.array(before) for component, before in found.items()}

    def rates(self) -> "Rates":
        """Return how often each component failed on vehicles looked at, sign or none."""
        days = 0
        for vehicle, looks in self.looks.items():
            ends = [*looks[1:], self._here[vehicle][1]]
            days += sum(max(0, min(b - a, LOOKED_DAYS)) for a, b in zip(looks, ends, strict=True))
        failures = {component: 0 for _vehicle, component in self.works}
        for (vehicle, component), works in self.works.items():
            failures[component] += sum(
                work.failed and self._was_looked_at(vehicle, work.day) for work in works
            )
        fitted = {
            component: float(places) / max(len(self._here), 1)
            for component, places in self._view.sql(
                """SELECT component, count(*) FROM (
                     SELECT component FROM part_lives WHERE running
                     UNION ALL SELECT component FROM unknown_parts) AS p GROUP BY component"""
            ).rows
        }
        return Rates(failures, days / DAYS_PER_MONTH, fitted)


def _day_of(work: Work) -> int:
    return work.day


@lru_cache(maxsize=8192)
def _axle(component: str, place: str) -> str:
    return place_of(component, place)


@lru_cache(maxsize=2048)
def points_to(code: str) -> tuple[str, ...]:
    """Return the components that a code points to by its standard."""
    return told_code(code)[1]


@dataclass(slots=True)
class _Run:
    """A stretch in which a place was found wearing or failed, without work in between."""

    first: int
    wearing: int | None
    condition: str
    events: list[str]
    note: str
    last: int = 0
    ended: str = ""
    work: Work | None = None


def _runs(
    seen: Sequence[tuple[int, str, str, str]], works: Sequence[Work], until: int
) -> Iterator[_Run]:
    """Yield the runs of one place; what is done on the day of a look comes after it."""
    steps: list[tuple[int, int, Any]] = [(look[0], 0, look) for look in seen]
    steps += [(work.day, 1, work) for work in works]
    steps.sort(key=lambda step: step[:2])
    run: _Run | None = None
    for day, _order, what in steps:
        if isinstance(what, Work):
            if run is not None:
                run.last, run.work = day, what
                run.ended = "failed" if what.failed else "done"
                yield run
            run = None
            continue
        _day, condition, event, note = what
        if condition == "sound":
            if run is not None:
                run.last, run.ended = day, "gone"
                yield run
            run = None
            continue
        if run is None:
            run = _Run(day, None, condition, [], note)
        if condition == "wearing" and run.wearing is None:
            run.wearing = day
        run.condition, run.note = condition, note
        run.events.append(event)
    if run is not None:
        run.last = until
        yield run
