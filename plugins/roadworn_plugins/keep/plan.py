"""The plan: every open matter of a vehicle as one job, in the order in which it wants doing.

What an estimate, a finding and a code say of one place is one job. Must is what somebody can get
hurt by. Should is what has failed, what a code or a complaint points to, what brings something
else down or stops the vehicle, what the inspection fails on, what wears out within months, and
services overdue by the shop's own record. The rest can wait.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from roadworn.model.catalogue import part_name, place_of
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.ahead.due_now import DueItem, State
from roadworn_plugins.keep.jobs import (
    LIKELY,
    Job,
    Known,
    Stage,
    along_with,
    as_told,
    critical,
    hurts,
    in_order,
    merged,
    rows_of,
    stopping,
    with_part,
    worn_out,
)
from roadworn_plugins.likely_causes.asking import Picture, chance_in, place_in
from roadworn_plugins.likely_causes.chances import kind_of
from roadworn_plugins.likely_causes.said import first_check
from roadworn_plugins.likely_causes.words import trade_words

#: A cause less likely than this is no job.
_LEAST_CHANCE = 0.1
#: What wears out within so many months should be done now.
SOON_MONTHS = 12.0
_MOST_CAUSES = 3
#: Fewer like cases say nothing of what holds the road: one is no rule.
_LEAST_LIKE = 3
#: What is used near home stands still at little cost.
_NEAR = ("errands", "weekend")
#: Where a complaint is about these, what it points to can hurt somebody.
_HOLDS_THE_ROAD = ("brake.", "steering.", "suspension.", "wheel.")
_say = Says(
    "keep-or-sell",
    {
        "points": "{picture} points to {part}, {chance:.0%}",
        "points-priced": "{picture} points to {part}, {chance:.0%}, {price:,.0f} if it is that",
        "points-here": "{picture} points to it",
        "points-here-chance": "{picture} points to it, {chance:.0%}",
        "points-first": "{said}; first {check}",
        "quoted": "“{words}”",
        "no-cause": "{picture}: its cause is not found yet",
        "find-first": "find the cause of {picture} before it is driven on",
        "find": "find the cause of {picture}",
        "hurts": "somebody can get hurt",
        "failed": "failed",
        "looked-for": "its cause is asked for",
        "asked-by": "{picture} asks for its cause",
        "inspection": "the next inspection fails on it",
        "wears-by-then": "reaches its limit before the next inspection on {day}",
        "brings-down": "brings down {part}",
        "stops": "its failure stops the vehicle",
        "comes-first": "what stands behind {part}: done first it may spare it",
        "far": "somebody can get hurt once it fails, and it goes far",
        "wears-out": "wears out within {months:g} {months:month|months} ({chance:.0%})",
        "overdue": "overdue by the shop's own record",
        "not-passed": "an official inspection was not passed",
        "waits": "neither failed nor asked for by an inspection",
    },
)


def plan_of(vehicle: str, kind: str, known: Known) -> list[Job]:
    """Return the jobs of a vehicle, the most pressing first; each place once, each by itself.

    Args:
        vehicle: which.
        kind: its class.
        known: what is known of it.
    """
    return _Planning(vehicle, kind, known).jobs()


@dataclass(frozen=True, slots=True)
class _Planning:
    vehicle: str
    kind: str
    known: Known

    def jobs(self) -> list[Job]:
        known, found = self.known, self._asked(self._found())
        found += worn_out(known.parts, known.soon, known.by_then, known.due, found)
        found = self._to_pass(found)
        found = [self._staged(job, found) for job in found]
        found += along_with(found, known.prices, self.kind, self.vehicle)
        return in_order(replace(job, price=as_told(job.price)) for job in found)

    def _found(self) -> list[Job]:
        """Return what somebody found, declined or put off, and services, each place once."""
        found: list[Job] = []
        for item in self.known.due:
            if item.state in (State.CODE, State.COMPLAINT, State.NOT_PASSED):
                continue
            place = place_of(item.component, item.position)
            job = Job(
                item.component,
                place,
                self._first_stage(item),
                item.seen,
                self._first_why(item),
                with_part(item.price),
                1.0,
                tuple(filter(None, item.events)),
                failed=item.failed,
                hurts=hurts(item),
            )
            at = next((i for i, one in enumerate(found) if one.at(job.component, place)), None)
            if at is None:
                found.append(job)
            else:
                found[at] = merged(found[at], job)
        return found

    def _first_stage(self, item: DueItem) -> Stage:
        if hurts(item):
            return Stage.MUST
        overdue = item.state is State.SERVICE and item.overdue
        return Stage.SHOULD if item.failed or overdue else Stage.CAN_WAIT

    def _first_why(self, item: DueItem) -> str:
        if hurts(item):
            return _say("hurts")
        if item.failed:
            return _say("failed")
        return _say.when(item.state is State.SERVICE and item.overdue, "overdue")

    def _asked(self, found: list[Job]) -> list[Job]:
        """Add what the open codes and complaints point to, and those that point nowhere."""
        jobs = list(found)
        events, codes = set[str](), set[str]()
        for of, picture in enumerate(self.known.pictures):
            asking = [one for one in picture.seen if kind_of(one.name) in ("code", "symptom")]
            if not asking:
                continue
            events.update(one.event for one in picture.seen)
            codes.update(one.name.partition(":")[2] for one in asking)
            jobs = self._pointed(jobs, of, picture)
        for item in self.known.due:
            covered = item.position in codes or bool(events.intersection(item.events))
            if item.state is State.NOT_PASSED or (
                item.state in (State.CODE, State.COMPLAINT) and not covered
            ):
                jobs.append(self._nowhere(item))
        for item in self.known.due:
            if item.danger:
                jobs = self._looked_at_first(jobs, item)
        return jobs

    def _looked_at_first(self, jobs: list[Job], item: DueItem) -> list[Job]:
        """Put the look for the cause of such words first, where nobody knows the cause.

        What is found worn beside it, or was it once before, need not be the cause: known it is
        where what it points to is a must already.
        """
        must = [job for job in jobs if job.stage is Stage.MUST]
        if any(job.at(item.component, item.position) for job in must if item.component):
            return jobs
        left, check, same = list(item.danger), "", {str(_find(item.seen))}
        for picture in self.known.pictures:
            words = {one.words for one in picture.seen if one.words}
            likely = [
                (name, place_of(name, place_in(picture, name)))
                for name, _chance in self._likely(picture)
            ]
            if any(job.at(*part) for job in must for part in likely):
                left = [one for one in left if one not in words]
            elif words and words <= set(left):
                same.add(str(_find(_told(picture))))
                check = check or next(filter(None, (first_check(name) for name, _ in likely)), "")
        if not left:
            return jobs
        quoted = _say("quoted", words=Joined(left))
        said = _say("no-cause", picture=quoted)
        first = Job(
            "",
            "",
            Stage.MUST,
            _say("points-first", said=said, check=check) if check else said,
            _say("hurts"),
            None,
            1.0,
            item.events,
            hurts=True,
            what=_say("find-first", picture=quoted),
            asked=True,
        )
        return [*(job for job in jobs if job.component or str(job.what) not in same), first]

    def _nowhere(self, item: DueItem) -> Job:
        """Return the job of what points nowhere: its cause is to be found, so without a price."""
        passed = item.state is State.NOT_PASSED
        harm = item.state is State.COMPLAINT and critical(item.component)
        what = item.position if item.state is State.CODE else item.seen
        return Job(
            "",
            "",
            Stage.MUST if harm else Stage.SHOULD,
            item.seen,
            _say("hurts") if harm else _say("not-passed" if passed else "looked-for"),
            None,
            1.0,
            tuple(filter(None, item.events)),
            hurts=harm,
            inspected=passed,
            what=item.name if passed else _find(what),
            asked=True,
        )

    def _pointed(self, jobs: list[Job], of: int, picture: Picture) -> list[Job]:
        """Add the causes of a picture, or what it says of a job that stands there already."""
        whole, like = _told(picture), bool(picture.like)
        events = tuple(dict.fromkeys(one.event for one in picture.seen))
        made, met = list(jobs), False
        likely = self._likely(picture)
        for name, chance in likely:
            place, told = place_of(name, place_in(picture, name)), self._told_of(picture, name)
            at = next((n for n, job in enumerate(made) if job.at(name, place)), None)
            harm = _harms(picture, name, chance)
            if at is not None:
                met = True
                word = "points-here-chance" if like else "points-here"
                said = _say(word, picture=told, chance=chance)
                made[at] = replace(
                    made[at],
                    seen=Joined((made[at].seen, said), "; "),
                    stage=min(
                        made[at].stage, Stage.MUST if harm else Stage.SHOULD, key=list(Stage).index
                    ),
                    why=_say("hurts") if harm else made[at].why or _say("asked-by", picture=told),
                    hurts=made[at].hurts or harm,
                    events=tuple(dict.fromkeys((*made[at].events, *events))),
                    asked=True,
                )
            elif like:
                met = True
                made.append(self._cause(of, picture, name, place, chance))
        if not met:
            check = next((first_check(name) for name, _chance in likely), "")
            said = _say("no-cause", picture=whole)
            said = _say("points-first", said=said, check=check) if check else said
            what, asked = _find(whole), _say("asked-by", picture=whole)
            made.append(Job("", "", Stage.SHOULD, said, asked, None, 1.0, events, what=what))
        return made

    def _likely(self, picture: Picture) -> list[tuple[str, float]]:
        """Return the likely causes, the likeliest first; without a like case the one pointed to."""
        causes = self.known.causes
        order = np.argsort(-picture.chances, kind="stable")[:_MOST_CAUSES].tolist()
        found = [(i, chance_in(picture, i)) for i in order]
        if picture.like:
            # What each code may be of itself, if it does not come with the other.
            alone = dict(picture.apart.values())
            found = [(i, max(chance, alone.pop(i, 0.0))) for i, chance in found]
            found += alone.items()
            return [(causes.names[i], chance) for i, chance in found if chance >= _LEAST_CHANCE]
        expected = [causes.trade[fact] for fact in picture.facts if fact in causes.trade]
        return [(causes.names[i], c) for i, c in found if any(e[i] > 0.0 for e in expected)][:1]

    def _cause(self, of: int, picture: Picture, name: str, place: str, chance: float) -> Job:
        price = with_part(self.known.prices.of(name, self.kind, self.vehicle, place))
        word = "points" if price is None else "points-priced"
        told = self._told_of(picture, name)
        said = _say(
            word,
            picture=told,
            part=part_name(name, place),
            chance=chance,
            price=0.0 if price is None else price.middle,
        )
        check = first_check(name)
        said = _say("points-first", said=said, check=check) if check else said
        harm = _harms(picture, name, chance)
        events = tuple(dict.fromkeys(one.event for one in picture.seen))
        return Job(
            name,
            place,
            Stage.MUST if harm else Stage.SHOULD,
            said,
            _say("hurts") if harm else _say("asked-by", picture=told),
            price,
            chance,
            events,
            of=of,
            hurts=harm,
            asked=True,
        )

    def _told_of(self, picture: Picture, name: str) -> Joined:
        """Return those codes of a picture that point to a cause; where none does, all of them."""
        causes = self.known.causes
        at, apart = causes.names.index(name), picture.apart
        pointing = [
            one
            for one in picture.seen
            if (one.name in causes.trade and causes.trade[one.name][at] > 0.0)
            or apart.get(one.name.partition(":")[2], (-1, 0.0))[0] == at
        ]
        codes = [one for one in pointing if kind_of(one.name) == "code"]
        return _told(replace(picture, seen=tuple(codes)) if codes else picture)

    def _to_pass(self, jobs: list[Job]) -> list[Job]:
        """Mark what the next inspection fails on; what it names and nobody listed is added."""
        told = self.known.told
        if told is None:
            return jobs
        made = list(jobs)
        for item in told.items:
            if item.outcome != "fail":
                continue
            for component, place in item.failed:
                hit = [i for i, job in enumerate(made) if job.at(component, place)]
                for i in hit:
                    made[i] = replace(made[i], inspected=True)
                if not hit:
                    price = self.known.prices.of(component, self.kind, self.vehicle, place)
                    harm = critical(component)
                    made.append(
                        Job(
                            component,
                            place_of(component, place),
                            Stage.MUST if harm else Stage.SHOULD,
                            item.detail,
                            _say("hurts" if harm else "inspection"),
                            with_part(price),
                            1.0,
                            item.evidence,
                            hurts=harm,
                            inspected=True,
                        )
                    )
            if not item.failed:
                made = self._lamp(made, item.name, item.detail, item.points_to, item.evidence)
        return self._behind([self._worn_by_then(job) for job in made])

    def _behind(self, jobs: list[Job]) -> list[Job]:
        """Mark what failed and brings down what the inspection asks for: undone it undoes that."""
        first = [
            chain.first
            for chain in self.known.chains
            if any(job.inspected and job.at(*chain.part) for job in jobs)
        ]
        return [
            replace(job, inspected=True)
            if job.failed and any(job.at(*part) for part in first)
            else job
            for job in jobs
        ]

    def _lamp(
        self,
        jobs: list[Job],
        name: str,
        detail: str,
        points_to: Iterable[str],
        events: tuple[str, ...],
    ) -> list[Job]:
        """Mark the causes of what the lamp is on for."""
        wanted = set(points_to)
        seen = set(events)
        pictures = {
            job.of
            for job in jobs
            if job.of >= 0 and (job.component in wanted or seen & set(job.events))
        }
        lit = [
            i
            for i, job in enumerate(jobs)
            if job.of in pictures
            or (job.component in wanted and seen & set(job.events))
            or (not job.component and seen & set(job.events))
        ]
        if lit:
            return [replace(j, inspected=j.inspected or i in lit) for i, j in enumerate(jobs)]
        found = Job(
            "", "", Stage.SHOULD, detail, _say("inspection"), None, 1.0, events,
            inspected=True, what=_find(name),
        )  # fmt: skip
        return [*jobs, found]

    def _worn_by_then(self, job: Job) -> Job:
        told = self.known.told
        if job.inspected or not job.component or told is None or told.vehicle.due is None:
            return job
        rows = rows_of(self.known.parts, job)
        if not rows or max(float(self.known.by_then[i]) for i in rows) < LIKELY:
            return job
        day = told.vehicle.due
        words = _say("wears-by-then", day=day)
        return replace(job, inspected=True, worn_by=day, why=job.why or words)

    def _staged(self, job: Job, jobs: Sequence[Job]) -> Job:
        """Raise a job that can wait to those that should be done, where something says so."""
        if job.stage is not Stage.CAN_WAIT:
            return job if job.why else replace(job, why=_say("looked-for"))
        why = next(self._whys(job, jobs), "")
        return replace(job, stage=Stage.SHOULD, why=why) if why else replace(job, why=_say("waits"))

    def _whys(self, job: Job, jobs: Sequence[Job]) -> Iterator[str]:
        if job.inspected:
            yield job.why or _say("inspection")
        below = set(trade_words().brings_down.get(job.component, ()))
        for other in jobs:
            if other.component in below and (other.chance < 1.0 or other.why):
                yield _say("brings-down", part=other.name)
        for chain in self.known.chains:
            if job.at(*chain.first):
                yield _say("comes-first", part=part_name(*chain.part))
        chance = max(
            (float(self.known.soon[i]) for i in rows_of(self.known.parts, job)), default=0.0
        )
        if chance >= LIKELY:
            yield _say("wears-out", months=SOON_MONTHS, chance=chance)
        if job.component in stopping() and self.known.use not in _NEAR:
            yield _say("stops")
        if self.known.use == "long_trips" and critical(job.component):
            yield _say("far")


def _told(picture: Picture) -> Joined:
    """Return the codes of a picture, or the words of the complaint where it has none."""
    codes = [one.name.partition(":")[2] for one in picture.seen if kind_of(one.name) == "code"]
    words = [f"“{one.words}”" for one in picture.seen if one.words]
    return Joined(dict.fromkeys(codes or words))


def _find(picture: object) -> Sentence:
    return _say("find", picture=picture)


def _harms(picture: Picture, name: str, chance: float) -> bool:
    """Return whether what was said points, by like cases, to what somebody can get hurt by."""
    said = any(one.words for one in picture.seen) and len(picture.like) >= _LEAST_LIKE
    return said and chance >= LIKELY and name.startswith(_HOLDS_THE_ROAD)
