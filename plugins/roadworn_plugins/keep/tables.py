"""How the plan, its sums and the ways on are laid out."""

from collections.abc import Sequence

from roadworn.analysis import Cell, Column, Holds, Mark, Marks, Table, Tells
from roadworn.model.messages import Says, Sentence, some_of
from roadworn_plugins.keep.jobs import Job, Stage, sum_of
from roadworn_plugins.keep.options import Option, Way

#: So many names stand in a cell, the others by their number.
_NAMED = 6
_say = Says(
    "keep-or-sell",
    {
        "plan-title": "What wants doing, the most pressing first",
        "sums-title": "What it comes to, jobs of an open cause by their chance",
        "ways-title": "The ways on over {months} {months:month|months}; a month all in is work "
        "now, repairs and lost value",
        "turns-title": "What would change the answer",
        "offered": "yes",
        "not-offered": "no",
        "because-failed": "failed",
        "because-asked-by": "{picture}",
        "because-inspection": "to pass",
        "because-wears-by-then": "worn out by its inspection",
        "because-brings-down": "brings down {part}",
        "because-comes-first": "may spare {part}",
        "because-stops": "leaves it standing",
        "because-far": "before a long trip",
        "because-wears-out": "likely to fail within {months:g} {months:month|months}",
        "because-overdue": "overdue",
        "because-along": "goes with {part}",
        "fleet-title": "Vehicles by what they cost above their class in the next 12 months",
        "per": "upkeep per {unit}",
        "turn-month": "What another vehicle costs a month is set against the cheapest way to keep "
        "this one that may be chosen: work now, to pass its inspection where it has one, repairs "
        "and lost value; fuel and insurance are in neither.",
        "fleet-sum": "The upkeep of {n} {n:vehicle|vehicles} comes to {whole:,.0f} {currency} "
        "within 12 months: failures {failures:,.0f}, services {services:,.0f}, work due now "
        "{due:,.0f}. Each is taken to stay, and who was not seen for over a year is left out; "
        "without what falls after vehicles leave the failures are the {budgeted:,.0f} of "
        "next-repairs.",
    },
)


def plan_table(jobs: Sequence[Job], currency: str) -> Table:
    """Return every job once, with what it is by itself in the order of doing."""
    return Table(
        name="plan",
        title=_say("plan-title"),
        columns=(
            Column("stage", "when", tells=Tells.STATE, brief=1),
            Column("what", "what", tells=Tells.NAME, brief=2),
            Column("price", "price", "money", currency, tells=Tells.VALUE, brief=3),
            Column("price_low", "low", "money", currency, detail=True, tells=Tells.LOW),
            Column("price_high", "high", "money", currency, detail=True, tells=Tells.HIGH),
            Column("chance", "chance it is needed", "chance", brief=4),
            Column("why", "why", tells=Tells.WHY, brief=5),
            Column("in_short", "in short", detail=True),
            Column("seen", "what was seen", "sentence", tells=Tells.SEEN, brief=6),
            Column("shared", "labour", "sentence", detail=True),
            Column("price_from", "price from", detail=True),
            Column("component", "component", "component", detail=True, tells=Tells.COMPONENT),
            Column("place", "where", detail=True, tells=Tells.PLACE),
            Column("worn_by", "worn out by", "date", detail=True),
            Column("in_sum", "in the sum", "money", currency, detail=True),
        ),
        rows=tuple(_job_row(job) for job in jobs),
        evidence=tuple(job.events for job in jobs),
        holds=Holds.PLAN,
        marks=tuple(Marks({job.stage.mark, *([Mark.SAFETY] * job.hurts)}) for job in jobs),
    )


def _job_row(job: Job) -> tuple[Cell, ...]:
    price = job.price
    amounts = (None, None, None) if price is None else (price.middle, price.low, price.high)
    return (
        job.stage.words,
        job.name,
        *(None if amount is None else round(amount, 2) for amount in amounts),
        job.chance,
        job.why,
        _because(job),
        job.seen,
        job.shared,
        "" if price is None else price.basis,
        job.component,
        job.position,
        job.worn_by,
        None if price is None else job.expected,
    )


def _because(job: Job) -> str:
    """Return why it stands in its stage in two or three words, for a line of many jobs."""
    if not isinstance(job.why, Sentence) or not job.component:
        return ""
    word = f"because-{job.why.code.partition('.')[2]}"
    return _say(word, **job.why.arguments) if word in _say.templates else ""


def sums_table(jobs: Sequence[Job], currency: str) -> Table:
    """Return what the jobs of each stage come to."""
    rows, evidence = [], []
    for stage in Stage:
        own = [job for job in jobs if job.stage is stage]
        whole = sum_of(own)
        amounts = (whole.expected, whole.low, whole.high)
        rows.append(
            (
                stage.words,
                whole.jobs,
                *(round(amount, 2) for amount in amounts),
                some_of(whole.unpriced, _NAMED),
            )
        )
        evidence.append(tuple(dict.fromkeys(event for job in own for event in job.events)))
    return Table(
        name="sums",
        title=_say("sums-title"),
        columns=(
            Column("stage", "when", tells=Tells.NAME, brief=1),
            Column("jobs", "jobs", "integer", brief=2),
            Column("sum", "sum", "money", currency, tells=Tells.VALUE, brief=3),
            Column("low", "low", "money", currency, tells=Tells.LOW, brief=4),
            Column("high", "high", "money", currency, tells=Tells.HIGH, brief=5),
            Column("unpriced", "without a price", brief=6),
        ),
        rows=tuple(rows),
        evidence=tuple(evidence),
        holds=Holds.SUMS,
        marks=tuple(Marks({stage.mark}) for stage in Stage),
    )


def ways_table(
    options: Sequence[Option], currency: str, events: tuple[str, ...], months: int
) -> Table:
    """Return the ways on, the narrowest first."""
    return Table(
        name="options",
        title=_say("ways-title", months=months),
        columns=(
            Column("option", "way", tells=Tells.NAME, brief=1),
            Column("at_once", "now", "money", currency, tells=Tells.VALUE, brief=2),
            Column("at_once_low", "low", "money", currency, detail=True, tells=Tells.LOW),
            Column("at_once_high", "high", "money", currency, detail=True, tells=Tells.HIGH),
            Column("monthly", "a month", "money", currency, brief=3),
            Column("low", "low", "money", currency),
            Column("high", "high", "money", currency),
            Column("risk", "chance it breaks down", "chance", brief=4),
            Column("offered", "offered", brief=5),
            Column("unsafe", "open, and safety hangs on it", "sentence", detail=True),
            Column("rest", "open besides", "sentence", detail=True),
            Column("done", "what is done now", "sentence", detail=True),
            Column("why_not", "why not", "sentence"),
            Column("left", "stays open", "sentence", brief=6),
            Column("note", "to be said", "sentence"),
            Column("in_short", "in short", detail=True),
            Column("unpriced", "without a price", "sentence"),
        ),
        rows=tuple(_way_row(option) for option in options),
        evidence=tuple(events for _option in options),
        holds=Holds.WAYS,
        marks=tuple(Marks({Mark.PASSES} if o.way is Way.THROUGH else ()) for o in options),
    )


def _way_row(o: Option) -> tuple[Cell, ...]:
    amounts = (o.at_once, o.at_once_low, o.at_once_high, o.monthly, o.low, o.high)
    return (
        o.way.words(o.situation.months),
        *(None if amount is None else round(amount, 2) for amount in amounts),
        o.risk,
        _say("offered") if o.offered else _say("not-offered"),
        o.unsafe,
        o.rest,
        o.done,
        o.why_not,
        o.left,
        o.note,
        o.note if o.short is None else o.short,
        o.unpriced,
    )


def turns_table(turns: Sequence[str]) -> Table:
    """Return what would change the answer, a sentence a row."""
    return Table(
        "turns",
        _say("turns-title"),
        (Column("turn", "turn"),),
        tuple((turn,) for turn in turns),
        holds=Holds.TURNS,
    )


def standings_table(
    rows: list[tuple[Cell, ...]], evidence: list[tuple[str, ...]], unit: str, currency: str
) -> Table:
    """Return what lies ahead of each vehicle of a fleet as a table, a row each."""
    return Table(
        name="vehicles",
        title=_say("fleet-title"),
        columns=(
            Column("vehicle", "vehicle", tells=Tells.VEHICLE),
            Column("say", "what to do", tells=Tells.STATE),
            Column("class", "class"),
            Column("rank", "rank in it", "integer", detail=True),
            Column("upkeep", "upkeep, 12 months", "money", currency, tells=Tells.VALUE),
            Column("low", "low", "money", currency, tells=Tells.LOW),
            Column("high", "high", "money", currency, tells=Tells.HIGH),
            Column("failures", "of it failures", "money", currency, detail=True),
            Column("services", "of it services", "money", currency, detail=True),
            Column("due", "of it due now", "money", currency, detail=True),
            Column("later", "upkeep, 24 months", "money", currency),
            Column("value", "value now", "money", currency),
            Column("loses", "loses in 12 months", "money", currency),
            Column("per_distance", _say("per", unit=unit), "number"),
            Column("times", "times its class", "number"),
            Column("against", "against its class"),
            Column("turn", "what would turn it", "sentence"),
        ),
        rows=tuple(rows),
        evidence=tuple(evidence),
        holds=Holds.UPKEEP,
    )


def fleet_notes(
    parts: Sequence[tuple[float, float, float]], budgeted: float, currency: str
) -> tuple[str, ...]:
    """Say what a month of another vehicle is held against, and what all vehicles come to.

    Args:
        parts: failures, services and what is due now of each vehicle, in the currency.
        budgeted: failures without what falls after vehicles leave.
        currency: of all of them.
    """
    failures, services, due = (sum(one) for one in zip(*parts, strict=True))
    whole = failures + services + due
    told = {
        "failures": failures,
        "services": services,
        "due": due,
        "whole": whole,
        "budgeted": budgeted,
    }
    return _say("turn-month"), _say("fleet-sum", n=len(parts), currency=currency, **told)
