"""What each way of keeping a vehicle does now, and what that leaves for the time ahead."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says, some_of
from roadworn_plugins.ahead.due_now import DueItem, not_failed
from roadworn_plugins.inspection.tables import Told
from roadworn_plugins.keep.jobs import (
    LIKELY,
    Job,
    Stage,
    labour_once,
    rows_of,
    stopping,
    sum_of,
    with_part,
)
from roadworn_plugins.keep.options import (
    Facts,
    KeepOrSellSettings,
    Option,
    Situation,
    Way,
    Worth,
    keeping,
    letting_go,
)
from roadworn_plugins.likely_causes.words import trade_words
from roadworn_plugins.shared.costs_ahead import Band, money
from roadworn_plugins.shared.grouped import Floats, Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.projected import Projection, project, project_months
from roadworn_plugins.shared.settings import all_said
from roadworn_plugins.wear.chances import MeasuredParts

_say = Says(
    "keep-or-sell",
    {
        "must-pass": "an inspection has to be passed within the time",
        "runs-not": "it does not run as it stands",
        "brings": "brings about {value:,.0f} {currency}: {words}",
        "brings-about": "brings about {value:,.0f} {currency}",
        "value-none": "what it brings is not known",
        "not-looked": "not looked at: {items}",
        "unseen": "{n} {n:item|items} not looked at",
        "not-ready": "would be sent back until its monitors have finished",
        "planned": "planned with it, likely to fail within {months} {months:month|months}: {parts}",
    },
)
_NAMED = 6


def renewed(parts: PartsAhead, rows: Ints, spared: Ints, asked: Ints) -> PartsAhead:
    """Return the parts with some of them new today.

    Args:
        parts: what is fitted.
        rows: those that are new.
        spared: those whose failures had a cause that is put right: the record of their place
            speaks for them no longer.
        asked: those that the work was about: what was open of them is answered.
    """
    known, age, effect = parts.known.copy(), parts.age.copy(), parts.effect.copy()
    known[rows], age[rows] = True, 0.0
    effect[spared] = np.minimum(effect[spared], parts.vehicle_effect[spared])
    facts = parts.facts
    if facts is not None:
        facts = facts.without(np.union1d(asked, spared))
    return replace(parts, known=known, age=age, effect=effect, facts=facts)


@dataclass(frozen=True, eq=False)
class TimeAhead:
    """The fitted parts of one vehicle over the horizon.

    Attributes:
        parts: what is fitted.
        months: the horizon.
        measured: what of it wears by its own measurements.
        found: months -> projection as it stands.
        fine: parts that are not found failed.
    """

    parts: PartsAhead
    months: int
    measured: MeasuredParts
    found: dict[float, Projection]
    fine: Ints

    @classmethod
    def load(
        cls, view: LedgerView, parts: PartsAhead, due: list[DueItem], months: int, sooner: float
    ) -> "TimeAhead":
        """Project the parts to the horizon, and to a sooner one."""
        measured = MeasuredParts.load(view, parts)
        ends = sorted({float(months), sooner})
        worn = [measured.chances(m) for m in ends]
        found = project_months(parts, ends, measured=worn)
        return cls(parts, months, measured, found, not_failed(parts, due))

    def worn_by(self, months: float) -> Floats:
        """Return the chance of each part that its measured wear has it replaced by then."""
        chance = np.zeros(self.parts.size)
        if months > 0.0:
            weight = self.found[float(self.months)].weight
            for i, by_node in self.measured.chances(months).items():
                chance[i] = float(by_node[0] @ weight)  # below it stand its limits
        return chance

    def with_done(self, jobs: Sequence[Job]) -> "After":
        """Return what is ahead once these jobs are done."""
        done = {i for job in jobs if job.chance >= LIKELY for i in rows_of(self.parts, job)}
        rows = np.array(sorted(done), dtype=np.int64)
        parts, found = self.parts, self.found[float(self.months)]
        if rows.size:
            asked = {i for job in jobs for i in rows_of(self.parts, job)}
            parts = renewed(parts, rows, self._spared(jobs), np.array(sorted(asked)))
            worn = self.measured.chances(self.months)
            left = {i: chances for i, chances in worn.items() if i not in done}
            found = project(parts, self.months, measured=left)
        ahead = np.union1d(self.fine, rows)
        return After(parts, found, ahead)

    def _spared(self, jobs: Sequence[Job]) -> Ints:
        """Return the parts that something brings down which these jobs put right."""
        brings = trade_words().brings_down
        below = {name for job in jobs for name in brings.get(job.component, ())}
        rows = [i for i, component in enumerate(self.parts.component) if component in below]
        return np.array(rows, dtype=np.int64)

    def likely(self, jobs: Sequence[Job]) -> list[Job]:
        """Return jobs for the parts that are likely to fail within the horizon, in no plan yet."""
        planned = {i for job in jobs for i in rows_of(self.parts, job)}
        chance = self.found[float(self.months)].chance
        return [
            Job(
                self.parts.component[i],
                self.parts.position[i],
                Stage.CAN_WAIT,
                "",
                "",
                with_part(self.parts.price[i]),
                1.0,
                tuple(filter(None, (self.parts.started_by[i],))),
            )
            for i in self.fine.tolist()
            if i not in planned and chance[i] >= LIKELY
        ]

    def worn_out(self, job: Job) -> bool:
        """Whether the part of a job is likely to fail within the horizon."""
        chance = self.found[float(self.months)].chance
        return any(chance[i] >= LIKELY for i in rows_of(self.parts, job))


@dataclass(frozen=True, eq=False)
class After:
    """What is ahead of a vehicle after some work: its parts, their projection, those that count."""

    parts: PartsAhead
    found: Projection
    ahead: Ints

    def repairs(self) -> Band:
        """Return what repairs cost over the horizon."""
        return money(self.parts, self.found, self.ahead)

    def standing_still(self, left: Sequence[Job]) -> float:
        """Return the chance that the vehicle stands still within the horizon.

        At least one part fails so that it stops, at the distances and hazards that all parts
        share; what is left failed counts like a failure, and so does an open cause, by its chance,
        of which no fitted part is known.

        Args:
            left: jobs that are not done.
        """
        stops = stopping()
        rows = np.array([i for i in self.ahead if self.parts.component[i] in stops], dtype=np.int64)
        share = np.array([stops[self.parts.component[i]] for i in rows], dtype=np.float64)
        stays = np.array([np.prod(1.0 - share * c.at_least_one()[rows]) for c in self.found.counts])
        runs = float(self.found.weight @ stays)
        for job in left:
            # What is not found failed has today's chance among the parts already.
            known = not job.failed and bool(rows_of(self.parts, job))
            if job.component in stops and not known and (job.failed or job.chance < 1.0):
                runs *= 1.0 - stops[job.component] * job.chance
        return 1.0 - runs


@dataclass(frozen=True, slots=True)
class Work:
    """The work that one way does now, in the order of doing, and what it leaves open."""

    done: tuple[Job, ...]
    left: tuple[Job, ...]

    @classmethod
    def of(cls, jobs: Sequence[Job], chosen: Sequence[Job], rate: float | None) -> "Work":
        """Split jobs into those chosen and the rest, labour that two share told once."""
        names = {id(job) for job in chosen}
        left = tuple(job for job in jobs if id(job) not in names)
        return cls(tuple(labour_once(chosen, rate)), left)

    @property
    def price(self) -> tuple[float, float, float]:
        """What it costs now: low, expected, high."""
        whole = sum_of(self.done)
        return whole.low, whole.expected, whole.high


@dataclass(frozen=True, eq=False)
class Case:
    """All that the answer for one vehicle is made from.

    `official` is whether the result of an official inspection is on record.
    """

    settings: KeepOrSellSettings
    vehicle: str
    parts: PartsAhead
    due: list[DueItem]
    jobs: list[Job]
    told: Told | None
    time: TimeAhead
    worth: Worth
    usual: float
    facts: Facts
    official: bool

    @property
    def must_pass(self) -> bool:
        """Whether an inspection has to be passed within the horizon."""
        said, facts = self.settings.must_pass, self.facts
        if said is not None:
            return said
        return facts.asked and (bool(facts.inspected_by) or self.official)

    @property
    def currency(self) -> str:
        """Currency of all figures."""
        return self.worth.currency or self.parts.prices.currency

    @property
    def rate(self) -> float | None:
        """Price of an hour of the shop."""
        return self.parts.prices.labour_rate


def ways_of(case: Case) -> tuple[list[Option], list[After]]:
    """Return the ways on, the narrowest first, with what is ahead after those that keep it."""
    settings, told = case.settings, case.told
    must = [job for job in case.jobs if job.stage is Stage.MUST]
    # Nobody keeps a vehicle as it is with a part failed that leaves it standing.
    stops = stopping()
    least = [job for job in case.jobs if job in must or (job.failed and job.component in stops)]
    to_pass = [job for job in case.jobs if job.inspected or job in least]
    wide = [job for job in case.jobs if job.stage is not Stage.CAN_WAIT or case.time.worn_out(job)]
    wide = [job for job in case.jobs if job in wide or job in least]
    planned = case.time.likely(case.jobs)
    narrow = Way.FAILED if len(least) > len(must) else Way.SAFETY if must else Way.KEEP
    chosen = [(narrow, least), (Way.LASTING, [*wide, *planned])]
    if told is not None:
        chosen.insert(1, (Way.THROUGH, to_pass))
    options, afters = [], []
    for way, jobs in chosen:
        work = Work.of([*case.jobs], jobs, case.rate)
        after = case.time.with_done(work.done)
        afters.append(after)
        why_not = ""
        if way is narrow and case.must_pass and len(to_pass) > len(least):
            why_not = _say("must-pass")
        elif way is not Way.LASTING and narrow is not Way.FAILED and not settings.runs:
            why_not = _say("runs-not")
        notes: tuple[tuple[str, ...], tuple[str, ...]] = ((), ())
        if way is Way.THROUGH and told is not None:
            notes = (_open_at(told), _open_at(told, short=True))
        elif way is Way.LASTING and planned:
            names = [job.name for job in planned]
            long, short = (some_of(names, most) for most in (_NAMED, 1))
            notes = (
                (_say("planned", months=settings.months, parts=long),),
                (_say("planned", months=settings.months, parts=short),),
            )
        note, short_note = (Joined(said, "; ") for said in notes)
        kept = _kept(case, way, work, after, why_not, note)
        options.append(replace(kept, short=short_note))
    gone = _let_go(case, options[-1])
    if case.facts.use == "to_be_sold":
        return [*gone, *options], afters
    return [*options, *gone], afters


def _open_at(told: Told, *, short: bool = False) -> tuple[str, ...]:
    """Return what else the inspection says: what is not ready, and what nobody looked at."""
    unseen = [item.name for item in told.items if item.outcome == "not known"]
    return all_said(
        _say.when(any(item.outcome == "reject" for item in told.items), "not-ready"),
        _say.some(len(unseen), "unseen")
        if short
        else _say.when(unseen, "not-looked", items=some_of(unseen, _NAMED)),
    )


def _kept(case: Case, way: Way, work: Work, after: After, why_not: str, note: str) -> Option:
    band, low, price, high = after.repairs(), *work.price
    situation = _situation(case, way, work.price, (band.low, band.expected, band.high))
    monthly = keeping(situation) if case.worth.now is not None else (None, None, None)
    return Option(
        way,
        situation,
        monthly[1],
        monthly[0],
        monthly[2],
        price,
        low,
        high,
        after.standing_still(work.left),
        some_of([job.name for job in work.left], _NAMED),
        note,
        why_not,
        some_of(sum_of(work.done).unpriced, _NAMED),
    )


def _situation(
    case: Case, way: Way, fix: tuple[float, float, float], running: tuple[float, float, float]
) -> Situation:
    settings, months = case.settings, case.settings.months
    value = case.worth.now or 0.0
    fixed = value if settings.value_fixed is None else settings.value_fixed
    return Situation(
        months=months,
        yearly_rate=settings.yearly_rate,
        value=value,
        value_fixed=fixed if way in (Way.LASTING, Way.FIX_AND_LET_GO) else value,
        value_then=(1.0 - case.worth.yearly_loss) ** (months / 12.0),
        fix=fix,
        running=running,
        other_price=settings.replacement_price,
        other_then=(1.0 - settings.replacement_loss) ** (months / 12.0),
        other_running=(
            case.usual if settings.replacement_repairs is None else settings.replacement_repairs
        ),
    )


def _let_go(case: Case, widest: Option) -> list[Option]:
    """Return letting it go as it stands, and repaired where that brings more than it costs."""
    value, price = case.worth.now, case.settings.replacement_price
    note, short = _say("value-none"), None
    if value is not None:
        short = _say("brings-about", value=value, currency=case.currency)
        note = _say("brings", value=value, currency=case.currency, words=case.worth.words)
    left = some_of([job.name for job in case.jobs], _NAMED)
    s = replace(widest.situation, value_fixed=widest.situation.value)
    known = value is not None and price is not None
    monthly = letting_go(s, fixed=False) if known else None
    at_once = price - value if price is not None and value is not None else None
    gone = Option(Way.LET_GO, s, monthly, monthly, monthly, at_once, left=left, note=note)
    found = [replace(gone, short=short)]
    s = widest.situation
    if known and price is not None and s.value_fixed - s.value > s.fix[1] > 0.0:
        monthly = letting_go(s, fixed=True)
        at_once = price + s.fix[1] - s.value_fixed
        found.append(Option(Way.FIX_AND_LET_GO, s, monthly, monthly, monthly, at_once))
    return found
