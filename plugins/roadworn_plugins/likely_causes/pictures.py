"""Pictures from the ledger: what was there when a cause was found, and what is there now.

A case is a work or a diagnosis with what was seen shortly before it. A work after which the code
came back, or the same complaint, is no case but evidence against its part. A fact belongs to
the part that it names, or that its code points to, where several were done on one day.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from roadworn.columns.view import LedgerView
from roadworn.model.units import KM_PER_MILE
from roadworn.trade.codes import told_code
from roadworn_plugins.codes.cases import CodeOutcomesSettings, load_cases
from roadworn_plugins.likely_causes.chances import Case, kind_of
from roadworn_plugins.likely_causes.words import clauses, expected, is_general
from roadworn_plugins.likely_causes.works import Work, complaints_of, unanswered, works_of

#: What was seen so long before the work belongs to it (common practice, no source).
_SEEN_BEFORE, _SAID_BEFORE = timedelta(days=60), timedelta(days=45)
#: Work of so long before that did not help is held against its part; the very same fault is back
#: within so long, not there anew (common practice, no source).
_TRIED_BEFORE, _BACK_WITHIN = timedelta(days=180), timedelta(days=120)
#: The work that a diagnosed complaint speaks of is written down within so many days.
_SAME_WORK = timedelta(days=14)
#: Ends of the bands of distance in miles.
_BANDS = (30_000, 60_000, 90_000, 120_000, 160_000)


@dataclass(frozen=True, slots=True)
class Seen:
    """A fact on a vehicle.

    Attributes:
        name: ``code:P0420``, ``symptom:hum``, ``failed:brake.hose``.
        on: the day.
        event: id behind it.
        place: position where it was seen, or an empty text.
        group: facts of one clause, scan or finding have the same.
        owner: component it was found to come from, or an empty text.
        words: the clause as typed, or an empty text.
    """

    name: str
    on: date
    event: str
    place: str = ""
    group: str = ""
    owner: str = ""
    words: str = ""

    @property
    def leads(self) -> bool:
        """Whether somebody asks for its cause."""
        return kind_of(self.name) in {"code", "symptom", "failed"} and not is_general(self.name)


@dataclass(slots=True)
class _Vehicle:
    kind: str = ""
    said: list[Seen] = field(default_factory=list)
    scans: dict[tuple[date, int, str], list[Seen]] = field(
        default_factory=lambda: defaultdict(list)
    )
    found: list[Seen] = field(default_factory=list)
    works: list[Work] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Ledgered:
    """All that the ledger says of causes.

    Attributes:
        cases: with known causes, in order of time.
        against: vehicle -> (component, day, event, code) of work after which a code came back.
    """

    cases: tuple[Case, ...]
    against: dict[str, list[tuple[str, date, str, str]]]


def band(km: float | None) -> str | None:
    """Return the fact of a distance, ``band:60000`` from that many miles on."""
    if km is None:
        return None
    return f"band:{max((b for b in (0, *_BANDS) if b <= km / KM_PER_MILE), default=0)}"


def load_pictures(view: LedgerView) -> Ledgered:
    """Read every case, and the work that did not help."""
    vehicles = _vehicles(view)
    by_event = {work.event: work for one in vehicles.values() for work in one.works}
    helped = set[str]()
    against: dict[str, list[tuple[str, date, str, str]]] = defaultdict(list)
    for attempt in load_cases(view, CodeOutcomesSettings()):
        done = [by_event[e] for e in attempt.events if e in by_event]
        if attempt.ending == "stayed away":
            # Of work on several days the last made it stay away.
            helped.update(w.event for w in done if w.on == max(work.on for work in done))
        elif attempt.ending == "came back":
            against[attempt.vehicle] += [(w.component, w.on, w.event, attempt.code) for w in done]
    cases: list[tuple[date, Case]] = []
    for name, one in vehicles.items():
        against[name] += [*_said_again(one), *_read_again(one), *_done_again(one)]
        cases += _cases(name, one, helped, against[name])
    cases.sort(key=lambda pair: (pair[0], pair[1].vehicle, pair[1].cause))
    return Ledgered(tuple(case for _day, case in cases), dict(against))


def open_facts(view: LedgerView, vehicle: str | None) -> dict[str, list[Seen]]:
    """Return what is open on each vehicle that has not left: codes, findings, complaints."""
    found: dict[str, list[Seen]] = defaultdict(list)
    wanted = """x.vehicle_id IN (SELECT vehicle_id FROM vehicles WHERE retired_on IS NULL)
                AND ONLY(x.vehicle_id)"""
    works = works_of(view)
    for name, code, last, seq, first, event in view.of_vehicle(
        f"""SELECT x.vehicle_id, x.code, x.occurred_on, x.seq, x.first_seen_on, x.event_id
            FROM active_codes AS x
            WHERE x.status <> 'permanent' AND {wanted} ORDER BY x.vehicle_id, x.code""",
        vehicle,
    ).rows:
        # What was worked on since the last scan waits for the next one, not for a cause.
        since = [w for w in works.get(name, ()) if w.seq > seq and w.on >= last]
        read = Seen(f"code:{code}", last, event)
        if not any(_nearest(read, since, _code_steps(code), others=False)):
            found[name].append(Seen(f"code:{code}", first, event, _place_of_code(code), f"c{code}"))
    for name, component, place, condition, day, event in view.of_vehicle(
        f"""SELECT x.vehicle_id, x.component, coalesce(x.position, ''), x.condition,
                   x.occurred_on, x.event_id
            FROM open_findings AS x WHERE {wanted}
            ORDER BY x.vehicle_id, x.component, x.position""",
        vehicle,
    ).rows:
        found[name].append(
            Seen(f"{condition}:{component}", day, event, place, f"f{component}{place}")
        )
    for one in unanswered(view, vehicle):
        if not one.cause:
            found[one.vehicle] += _said(one.text, one.on, one.event)
    return dict(found)


def _said(text: str | None, day: date, event: str, owner: str = "") -> Iterator[Seen]:
    for number, (clause, facts) in enumerate(clauses(text)):
        for fact in sorted(facts):
            yield Seen(fact, day, event, "", f"s{event}{number}", owner, clause)


def _place_of_code(code: str) -> str:
    """Return the cylinder of a misfire code (SAE J2012: P0301 to P0312), else an empty text."""
    if (
        len(code) == 5
        and code.startswith("P03")
        and code[3:].isdigit()
        and 1 <= int(code[3:]) <= 12
    ):
        return str(int(code[3:]))
    return ""


def _vehicles(view: LedgerView) -> dict[str, _Vehicle]:
    return view.kept((_Vehicle,), lambda: _read_vehicles(view))


def _read_vehicles(view: LedgerView) -> dict[str, _Vehicle]:
    found: dict[str, _Vehicle] = defaultdict(_Vehicle)
    for name, kind in view.sql(
        "SELECT vehicle_id, vehicle_class FROM vehicles ORDER BY vehicle_id"
    ).rows:
        found[name].kind = kind or ""
    for name, day, _seq, _km, event, text, known in complaints_of(view):
        found[name].said += _said(text, day, event, known)
    for name, works in works_of(view).items():
        found[name].works += works
    for name, day, seq, event, code in view.sql(
        """SELECT s.vehicle_id, s.occurred_on, s.seq, s.event_id, c.code
           FROM (SELECT DISTINCT vehicle_id, occurred_on, seq, event_id FROM scans
                 WHERE active_read) AS s
           LEFT JOIN codes AS c ON c.seq = s.seq AND c.status <> 'previous'
           ORDER BY s.seq, c.code"""
    ).rows:
        scan = found[name].scans[day, seq, event]
        if code is not None:
            scan.append(Seen(f"code:{code}", day, event, _place_of_code(code)))
    for name, day, event, component, place, condition in view.sql(
        """SELECT vehicle_id, occurred_on, event_id, component, coalesce(position, ''), condition
           FROM findings WHERE condition IN ('failed', 'wearing') ORDER BY seq"""
    ).rows:
        found[name].found.append(Seen(f"{condition}:{component}", day, event, place))
    return found


def _said_again(one: _Vehicle) -> Iterator[tuple[str, date, str, str]]:
    """Yield work after which the same was said again, or soon what points to the same parts."""
    for first in (telling := [seen for seen in one.said if seen.leads]):
        late = [s for s in telling if first.on < s.on <= first.on + _BACK_WITHIN]
        again = [
            seen
            for seen in late
            if seen.name == first.name
            or (seen.on <= first.on + _SAID_BEFORE and _alike(first.name, seen.name))
        ]
        if not again:
            continue
        for work in one.works:
            if first.on <= work.on < again[0].on and work.event != first.event:
                yield work.component, work.on, work.event, again[0].name


def _alike(*facts: str) -> bool:
    """Return whether facts point to a part in common."""
    pointed = expected(facts)
    return bool(set.intersection(*(set(pointed.get(fact, ())) for fact in facts)))


def _done_again(one: _Vehicle) -> Iterator[tuple[str, date, str, str]]:
    """Yield work after which it came in again and another part of the same picture was done."""
    faults = sorted((w for w in one.works if w.fault), key=lambda work: (work.on, work.seq))
    shown = [*one.said, *(seen for codes in one.scans.values() for seen in codes)]
    for first, later in ((a, b) for a in faults for b in faults if a.on < b.on):
        if later.on > first.on + _SAID_BEFORE or first.component == later.component:
            continue
        back = [seen for seen in shown if first.on < seen.on <= later.on]
        before = [seen for seen in shown if first.on - _SAID_BEFORE <= seen.on <= first.on]
        both = {first.component, later.component}
        facts = {seen.name for seen in (*before, *back) if seen.leads}
        tied = any(both <= set(points) for points in expected(facts).values())
        if back and before and tied:
            yield first.component, first.on, first.event, min(before, key=lambda s: s.on).name


def _read_again(one: _Vehicle) -> Iterator[tuple[str, date, str, str]]:
    """Yield work for a code after which a scan soon showed it again, whatever the system."""
    faults = [work for work in one.works if work.fault]
    shown: dict[str, list[date]] = defaultdict(list)
    for (day, _seq, _event), codes in one.scans.items():
        for seen in codes:
            shown[seen.name].append(day)
    for codes in one.scans.values():
        for seen in codes:
            code = seen.name.removeprefix("code:")
            for _seen, work in _nearest(seen, faults, _code_steps(code)):
                if any(work.on < day <= work.on + _SEEN_BEFORE for day in shown[seen.name]):
                    yield work.component, work.on, work.event, code


def _cases(
    name: str,
    one: _Vehicle,
    helped: set[str],
    against: Sequence[tuple[str, date, str, str]],
) -> Iterator[tuple[date, Case]]:
    """Yield the cases of a vehicle with their days."""
    failed_tries = {event for _component, _on, event, _what in against} - helped
    cures = sorted(
        (
            w
            for w in one.works
            if (w.fault or w.worn or w.event in helped) and w.event not in failed_tries
        ),
        key=lambda w: (w.on, w.seq),
    )
    asked: dict[tuple[str, date], list[Seen]] = defaultdict(list)
    for seen, cure in _attributed(one, cures):
        asked[cure.component, cure.on].append(seen)
    done: dict[str, date] = {}
    for (component, day), own in sorted(asked.items(), key=lambda item: (item[0][1], item[0][0])):
        # A complaint with its cause and the work that it speaks of are one case.
        if component in done and day - done[component] <= _SAME_WORK:
            continue
        together = [
            w for w in cures if w.component == component and day <= w.on <= day + _SAME_WORK
        ]
        later = [s for (c, d), more in asked.items() if c == component and d > day for s in more]
        facts = [*own, *(s for s in later if s.on <= day + _SAME_WORK)]
        if not any(seen.name != f"failed:{component}" for seen in facts):
            continue
        done[component] = day
        facts += [s for s in _looked(one, day) if s.name != f"failed:{component}"]
        names = {seen.name for seen in facts}
        begun = min(seen.on for seen in facts)
        what = names | {seen.name.removeprefix("code:") for seen in facts}
        tried = [
            (part, event)
            for part, on, event, fact in against
            if fact in what and part != component and min(begun, day - _TRIED_BEFORE) <= on <= day
        ]
        travelled = band(together[0].km)
        events = [s.event for s in facts] + [e for _c, e in tried] + [w.event for w in together]
        yield (
            day,
            Case(
                component,
                one.kind,
                frozenset(names | ({travelled} if travelled else set())),
                frozenset(part for part, _event in tried),
                name,
                tuple(dict.fromkeys(events)),
                bool(tried) or any(w.event in helped or w.told for w in together),
            ),
        )


def _attributed(one: _Vehicle, cures: Sequence[Work]) -> Iterator[tuple[Seen, Work]]:
    """Yield each fact that asks for a cause with the work that answered it.

    Of the work within its time the nearest in meaning counts: the part that it names, one that
    it points to, one of the same system; of those the first day.
    """
    for work in cures:
        for seen in _said(work.text, work.on, work.event):
            yield seen, work
    last = max(one.scans, default=None)
    still = {seen.name for seen in one.scans[last]} if last else set[str]()
    for (day, _seq, _event), codes in one.scans.items():
        for seen in codes:
            # A code that is still there, or that nobody read again, was cured by no other system.
            gone = seen.name not in still and last is not None and last[0] > day
            steps = _code_steps(seen.name.removeprefix("code:"))
            yield from _nearest(seen, cures, steps, others=gone)
    for seen in one.found:
        if kind_of(seen.name) == "failed":
            yield from _nearest(seen, cures, _found_steps(seen.name.removeprefix("failed:")))
    spoken: dict[str, list[Seen]] = defaultdict(list)
    for seen in one.said:
        spoken[seen.event].append(seen)
    for said in spoken.values():
        yield from _answered(said, cures)


def _answered(said: Sequence[Seen], cures: Sequence[Work]) -> Iterator[tuple[Seen, Work]]:
    """Yield the facts of one complaint with the work: clause by clause, the vague ones with all."""
    if said[0].owner:
        named = [w for w in _within(said[0], cures) if w.component == said[0].owner]
        for seen in said if named else ():
            yield seen, named[0]
        return
    answers: dict[str, list[Work]] = {}
    for seen in said:
        if seen.leads:
            works = [w for _s, w in _nearest(seen, cures, _said_steps(seen.name))]
            answers.setdefault(seen.group, []).extend(works)
    everything = [work for works in answers.values() for work in works]
    if not answers:
        # Nothing that the trade has a word for: the first work after it answers.
        everything = [w for _s, w in _nearest(said[0], cures, ())]
    for seen in said:
        for work in dict.fromkeys(answers.get(seen.group, everything)):
            yield seen, work


def _within(seen: Seen, cures: Sequence[Work]) -> list[Work]:
    span = _SAID_BEFORE if kind_of(seen.name) in {"symptom", "word"} else _SEEN_BEFORE
    return [work for work in cures if seen.on <= work.on <= seen.on + span]


def _nearest(
    seen: Seen, cures: Sequence[Work], steps: Sequence[frozenset[str]], *, others: bool = True
) -> Iterator[tuple[Seen, Work]]:
    """Yield the fact with the work of the first step that has any, all of the first such day.

    `others` lets the only work that was done answer, whatever the system.
    """
    works = _within(seen, cures)
    for step in steps:
        meant = [w for w in works if w.component in step or w.component.partition(".")[0] in step]
        if meant:
            break
    else:
        # What wore out by and by answers only what names it.
        works = [work for work in works if not work.worn]
        meant = works if len({work.component for work in works}) == 1 or not steps else []
        if kind_of(seen.name) == "failed" or (steps and not others):
            return
    for work in meant:
        if work.on == meant[0].on:
            yield seen, work


def _code_steps(code: str) -> tuple[frozenset[str], ...]:
    points_to = told_code(code)[1]
    if not points_to:
        return ()
    return frozenset(points_to), frozenset(part.partition(".")[0] for part in points_to)


def _said_steps(name: str) -> tuple[frozenset[str], ...]:
    points_to = expected((name,)).get(name, {})
    return (frozenset(points_to), frozenset(part.partition(".")[0] for part in points_to))


def _found_steps(component: str) -> tuple[frozenset[str], ...]:
    near = expected((f"failed:{component}",))[f"failed:{component}"]
    return (frozenset({component}), frozenset(near), frozenset({component.partition(".")[0]}))


def _looked(one: _Vehicle, day: date) -> Iterator[Seen]:
    """Yield what was found at each place shortly before a day and not seen to at any time near."""
    last: dict[tuple[str, str], Seen] = {}
    for seen in one.found:
        if day - _SEEN_BEFORE <= seen.on <= day:
            last[seen.name.partition(":")[2], seen.place] = seen
    for (component, _place), seen in last.items():
        own = (w for w in one.works if w.component == component and seen.on <= w.on)
        if not any(w.on < day or kind_of(seen.name) == "failed" for w in own):
            yield seen
