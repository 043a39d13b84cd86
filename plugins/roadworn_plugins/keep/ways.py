"""What each way of keeping a vehicle does now, and what that leaves for the time ahead."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Joined, Says, some_of
from roadworn_plugins.inspection.tables import Told
from roadworn_plugins.keep.case import After, Case
from roadworn_plugins.keep.jobs import Job, Stage, labour_once, stopping, sum_of
from roadworn_plugins.keep.options import Option, Situation, Way, keeping, letting_go
from roadworn_plugins.shared.settings import all_said

_say = Says(
    "keep-or-sell",
    {
        "must-pass": "an inspection has to be passed within the time",
        "runs-not": "it does not run as it stands",
        "counted": "{part}: {price:,.0f}",
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


def ways_of(case: Case, *, bands: bool = True) -> tuple[list[Option], list[After]]:
    """Return the ways on, the narrowest first, with what is ahead after those that keep it.

    Args:
        case: the vehicle.
        bands: whether the ranges are asked for.
    """
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
    made: dict[frozenset[int], After] = {}  # two ways may do the same work
    for way, jobs in chosen:
        work = Work.of([*case.jobs], jobs, case.rate)
        alike = frozenset(map(id, jobs))
        if alike not in made:
            made[alike] = case.time.with_done(work.done)
        after = made[alike]
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
        kept = _kept(case, way, work, after, why_not, note, bands=bands)
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


def _kept(
    case: Case, way: Way, work: Work, after: After, why_not: str, note: str, *, bands: bool
) -> Option:
    band, low, price, high = after.repairs(band=bands), *work.price
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
        done=_counted(work.done),
        unsafe=Joined(job.name for job in work.left if _unsafe(job)),
        rest=some_of([job.name for job in work.left if not _unsafe(job)], _NAMED),
    )


def _counted(jobs: Sequence[Job]) -> str:
    """Return each job with what of its price is in the sum: they add up to it."""
    return Joined(
        (
            _say("counted", part=job.name, price=job.expected)
            for job in jobs
            if job.price is not None
        ),
        "; ",
    )


def _unsafe(job: Job) -> bool:
    """Return whether a job that should be done is on what people's safety hangs on."""
    known = catalogue().find(job.component)
    critical = known is not None and known.safety_critical
    return job.hurts or (critical and job.stage is not Stage.CAN_WAIT)


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
