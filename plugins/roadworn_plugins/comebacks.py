"""Which depot, technician, supplier or component has more comebacks than chance alone gives."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Column, Result, Settings, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.trade.warranty import WINDOW_DAYS
from roadworn_plugins.lifedata import Floats
from roadworn_plugins.lifedata.counts import binomial_chance, false_discovery
from roadworn_plugins.lifedata.shrinkage import fit_prior
from roadworn_plugins.lifedata.special import betainc, gammaincinv, ndtr, ndtri
from roadworn_plugins.shared.settings import (
    Level,
    MostRows,
    OnlyComponent,
    all_said,
    named_alike,
    rounded,
)

#: A component's usual share leans on that of all work with the weight of so many jobs (common
#: practice, no source).
_LEAN = 20.0
#: Groups from which on their own spread is told from chance; with fewer it cannot be.
_FOR_SPREAD = 10
#: Of so large a share of groups at either end the most distant are taken in before that.
_TAKEN_IN = 0.1
_BY = Literal["depot", "technician", "supplier", "component"]
_COLUMN = {
    "depot": "depot",
    "technician": "done_by",
    "supplier": "supplier",
    "component": "component",
}
#: What was said to be at fault that is no fault of the one that is looked at.
_NOT_ITS_FAULT = {
    "technician": ("part", "customer_part"),
    "supplier": ("workmanship", "customer_part"),
}
ABOUT = """\
Question: Where do jobs come back more often than elsewhere, and what do they cost?

Method: Each depot (or technician, supplier, component) is held against all the others on the same
mix of components. The usual share has funnel limits from the binomial distribution: small numbers
are allowed to lie further off. From ten groups on, a spread that all of them have is allowed for
too. The chances of all are judged together by Benjamini and Hochberg; one that stands out is taken
out of what is usual for the others. The share after shrinkage is pulled to the usual one by a Gamma
prior that all groups set together: 1 of 3 says little, 30 of 300 says much.

Assumptions: A comeback is one by the rules of the view comebacks. Jobs that are younger than the
days within which one would count are left out. Work belongs to the depot that is named with it,
else to the vehicle's depot of that day. Where the cause was said, a bad part does not count
against a technician, nor bad work against a supplier, nor a customer's own part against either.

Reading: 42 of 250 came back, usual 4.1 %, limits 1.8 to 6.8 %: beyond the limits and named.

Reference: Spiegelhalter, Funnel plots for comparing institutional performance, Statistics in
Medicine 24 (2005) 1185-1202. Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300.
"""
_say = Says(
    "comebacks",
    {
        "none": "No two {by} have jobs to compare.",
        "record-depot": "Say where each vehicle is based: record profile VEHICLE --depot NAME --on "
        "the first day there; or with the work itself, --depot.",
        "record-technician": "Say with each job who did it: --done-by.",
        "record-supplier": "Say with each part who sold it: --supplier.",
        "record-component": "Record the work that was done.",
        "alike": "Of {every} {by} none stands out beyond chance: {back} of {jobs} {jobs:job|jobs} "
        "came back.",
        "headline": "{name} stands out: {back} of {jobs} {jobs:job|jobs} came back, {share:.1%}, "
        "where {usual:.1%} would be usual.",
        "others": "{n} {n:other stands|others stand} out too.",
        "cost": "Its comebacks cost {amount:,.0f} {currency}.",
        "more": "more come back than elsewhere on like work, beyond chance",
        "fewer": "fewer come back than elsewhere on like work, beyond chance",
        "apart-alone": "apart taken alone, but not beyond chance among all",
        "usual": "as usual; a small difference cannot be ruled out",
        "few": "too few jobs to tell",
        "unnamed": "{n} {n:job says|jobs say} nothing here and {n:is|are} left out.",
        "young": "{n} {n:job is|jobs are} too young to judge and {n:is|are} left out.",
        "not-shown": "{n} {n:row is|rows are} not shown; raise the setting most.",
        "spread": "The groups differ among themselves more than chance gives, by a factor of "
        "{factor:.1f} in the variance; that was allowed for.",
    },
)
_WORDS = {
    "depot": "depots",
    "technician": "technicians",
    "supplier": "suppliers",
    "component": "components",
}


class ComebacksSettings(Settings):
    """Held against each other by what."""

    by: Annotated[_BY, Field(description="what is held against the others")] = "depot"
    component: OnlyComponent = None
    aliases: Annotated[
        str, Field(description='other names of one: "N yard = North; JK = J. K."')
    ] = ""
    days: Annotated[int, Field(ge=0, description="age in days from which a job is judged")] = (
        WINDOW_DAYS
    )
    level: Level = 0.95
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="adjusted chance below which one is named")
    ] = 0.05
    most: MostRows = 40


@dataclass(slots=True)
class Group:
    """The jobs of one group: all and those that came back, by component."""

    name: str
    jobs: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    back: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    paid: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    events: list[str] = field(default_factory=list)

    @property
    def n(self) -> int:
        """Jobs in all."""
        return sum(self.jobs.values())

    @property
    def hits(self) -> int:
        """Those that came back."""
        return sum(self.back.values())


@dataclass(frozen=True, eq=False)
class Judged:
    """The groups against each other; one entry each.

    Attributes:
        usual: share that would be usual on its mix of work.
        chance: two-sided, of so many or so few if it were usual.
        adjusted: that, for all together.
        spread: variance of the groups over that of chance alone, at least 1.
        named: stands out, with more or with fewer.
    """

    usual: Floats
    chance: Floats
    adjusted: Floats
    spread: float
    named: frozenset[int]


def funnel_limits(jobs: int, usual: float, level: float) -> tuple[float, float]:
    """Return the limits of the share of `jobs` that chance alone gives around `usual`.

    Interpolated between counts (Spiegelhalter 2005, appendix A.1.1), so that they are smooth.

    Args:
        jobs: how many, from 1.
        usual: share, above 0 and below 1.
        level: two-sided.
    """

    def below(count: float) -> float:
        if count < 0:
            return 0.0
        return 1.0 if count >= jobs else float(betainc(jobs - count, count + 1.0, 1.0 - usual))

    def at(p: float) -> float:
        count = next(r for r in range(jobs + 1) if below(r) >= p)
        part = (below(count) - p) / (below(count) - below(count - 1))
        return min(max((count - part) / jobs, 0.0), 1.0)

    side = (1.0 - level) / 2.0
    return at(side), at(1.0 - side)


def judge(groups: Sequence[Group], least: float, *, mixed: bool = True) -> Judged:
    """Hold every group against the others, one that stands out against none of them.

    Args:
        groups: at least two.
        least: adjusted chance below which one is named.
        mixed: whether to hold them against each other on the same mix of components.
    """
    named: list[int] = []
    while True:
        usual = np.array([_usual(groups, i, named, mixed=mixed) for i in range(len(groups))])
        chance = np.array(
            [
                binomial_chance(one.hits, one.n, share)
                for one, share in zip(groups, usual, strict=True)
            ]
        )
        spread = _spread(groups, usual, named)
        if spread > 1.0:
            chance = 2.0 * ndtr(-np.abs(ndtri(np.maximum(chance, 1e-300) / 2.0)) / spread**0.5)
        adjusted = false_discovery(chance)
        beyond = [i for i in range(len(groups)) if adjusted[i] <= least and i not in named]
        # What is usual must rest on something: half of the groups at most stand out.
        if not beyond or len(named) + 1 > len(groups) / 2:
            return Judged(usual, chance, adjusted, spread, frozenset(named))
        named.append(min(beyond, key=lambda i: (chance[i], i)))


def _usual(groups: Sequence[Group], at: int, named: Sequence[int], *, mixed: bool) -> float:
    """Return the share of the other groups on the mix of work of one."""
    others = [one for i, one in enumerate(groups) if i != at and i not in named]
    jobs, back = sum(one.n for one in others), sum(one.hits for one in others)
    whole = (back + 0.5) / (jobs + 1.0)
    if not mixed:
        return whole
    mine = groups[at]
    expected = 0.0
    for component, n in mine.jobs.items():
        of = sum(one.jobs.get(component, 0) for one in others)
        came = sum(one.back.get(component, 0) for one in others)
        expected += n * (came + _LEAN * whole) / (of + _LEAN)
    return expected / mine.n


def _spread(groups: Sequence[Group], usual: Floats, named: Sequence[int]) -> float:
    """Return how much more than chance the groups differ among themselves, 1 with few of them."""
    rows = [i for i in range(len(groups)) if i not in named]
    if len(rows) < _FOR_SPREAD:
        return 1.0
    n = np.array([groups[i].n for i in rows], dtype=np.float64)
    hits = np.array([groups[i].hits for i in rows], dtype=np.float64)
    shift = np.arcsin(np.sqrt(hits / n)) - np.arcsin(np.sqrt(usual[rows]))
    z = np.sort(2.0 * np.sqrt(n) * shift)
    ends = max(int(_TAKEN_IN * z.size), 1)
    z = np.clip(z, z[ends], z[-ends - 1])
    return max(float(np.mean(z**2)), 1.0)


def run(view: LedgerView, settings: ComebacksSettings) -> Result:
    """Hold the depots, technicians, suppliers or components against each other."""
    groups, young, unnamed = _read(view, settings)
    by = _WORDS[settings.by]
    if len(groups) < 2:
        return Result(_say("none", by=by), caveats=(_say(f"record-{settings.by}"),))
    found = judge(groups, settings.false_discovery, mixed=settings.by != "component")
    expected = found.usual * np.array([one.n for one in groups])
    prior = fit_prior([one.hits for one in groups], expected)
    order = sorted(
        range(len(groups)), key=lambda i: (i not in found.named, found.chance[i], groups[i].name)
    )
    rows, evidence = [], []
    side = (1.0 - settings.level) / 2.0
    for i in order[: settings.most]:
        one, usual = groups[i], float(found.usual[i])
        a, b = prior.a + one.hits, prior.b + float(expected[i])
        drawn, low, high = (
            min(float(x) / b * usual, 1.0)
            for x in (a, gammaincinv(a, side), gammaincinv(a, 1.0 - side))
        )
        limits = funnel_limits(one.n, usual, settings.level)
        currency = max(one.paid, key=lambda c: one.paid[c]) if one.paid else ""
        shares = map(rounded, (one.hits / one.n, usual, *limits, drawn, low, high), [4] * 7)
        cells: tuple[Cell, ...] = (
            one.name,
            one.n,
            one.hits,
            *shares,
            float(found.chance[i]),
            float(found.adjusted[i]),
            round(one.paid[currency], 2) if one.paid else None,
            currency,
            _words(one, i, found, settings.false_discovery),
        )
        rows.append(cells)
        evidence.append(tuple(one.events))
    table = Table("comebacks", _TITLES[settings.by], _columns(settings.by), tuple(rows),
                  tuple(evidence))  # fmt: skip
    return Result(
        _headline(groups, found, order, by, settings.by),
        (table,),
        caveats=all_said(
            _say.some(unnamed, "unnamed"),
            _say.some(young, "young"),
            _say("spread", factor=found.spread) if found.spread > 1.05 else "",
            _say.some(len(groups) - len(rows), "not-shown"),
        ),
    )


def _read(view: LedgerView, settings: ComebacksSettings) -> tuple[list[Group], int, int]:
    """Return the groups, and how many jobs are too young, or say nothing of the group."""
    column = _COLUMN[settings.by]
    jobs = view.sql(
        f"""SELECT event_id, component, {column} AS who, occurred_on
            FROM fleet_work WHERE kind <> 'maintenance' AND component = coalesce(?, component)
              AND (? <> 'supplier' OR kind = 'replacement') ORDER BY seq""",
        (settings.component, settings.by),
    ).rows
    fault = _NOT_ITS_FAULT.get(settings.by, ())
    back: dict[str, list[tuple[str, float | None, str]]] = defaultdict(list)
    for of, event, paid, currency, cause in view.sql(
        "SELECT of_event, event_id, paid, currency, cause FROM comebacks WHERE of_event IS NOT NULL"
    ).rows:
        if cause not in fault:
            back[of].append((event, None if paid is None else float(paid), currency or ""))
    names = named_alike((str(who) for _, _, who, _ in jobs if who), settings.aliases)
    groups: dict[str, Group] = {}
    young = unnamed = 0
    for event, component, who, day in jobs:
        if who is None:
            unnamed += 1
        elif (view.today - day).days < settings.days:
            young += 1
        else:
            name = names[str(who)]
            one = groups.setdefault(name, Group(name))
            one.jobs[component] += 1
            if event in back:
                one.back[component] += 1
                _add(one, back[event], event)
    return [groups[name] for name in sorted(groups)], young, unnamed


def _add(one: Group, came: Sequence[tuple[str, float | None, str]], job: str) -> None:
    one.events += [job, *(event for event, _, _ in came)]
    for _, paid, currency in came:
        if paid is not None:
            one.paid[currency] += paid


def _words(one: Group, at: int, found: Judged, least: float) -> Sentence:
    if at in found.named:
        return _say("more" if one.hits > found.usual[at] * one.n else "fewer")
    if found.chance[at] <= least:
        return _say("apart-alone")
    # With so few jobs not even twice the usual share would be seen.
    return _say("few" if found.usual[at] * one.n < 2.0 and one.n < 30 else "usual")


def _headline(
    groups: Sequence[Group], found: Judged, order: Sequence[int], by: str, kind: str
) -> str:
    worse = [i for i in order if i in found.named and groups[i].hits > found.usual[i] * groups[i].n]
    jobs, back = sum(one.n for one in groups), sum(one.hits for one in groups)
    if not worse:
        return _say("alike", every=len(groups), by=by, back=back, jobs=jobs)
    first, *others = worse
    one = groups[first]
    name = part_name(one.name) if kind == "component" else one.name
    told: list[str] = [
        _say("headline", name=name, back=one.hits, jobs=one.n, share=one.hits / one.n,
             usual=float(found.usual[first]))
    ]  # fmt: skip
    if one.paid:
        currency = max(one.paid, key=lambda c: one.paid[c])
        told.append(_say("cost", amount=one.paid[currency], currency=currency))
    told.append(_say.some(len(others), "others"))
    return Joined(told, " ")


_TITLES: Mapping[str, str] = {by: f"Comebacks by {by}, clearest difference first" for by in _COLUMN}


def _columns(by: str) -> tuple[Column, ...]:
    first = (
        Column("component", "component", "component", tells=Tells.COMPONENT)
        if by == "component"
        else Column(by, by, tells=Tells.NAME)
    )
    return (
        first,
        Column("jobs", "jobs", "integer"),
        Column("came_back", "came back", "integer"),
        Column("share", "share", "chance"),
        Column("usual", "usual", "chance"),
        Column("usual_low", "limit below", "chance"),
        Column("usual_high", "limit above", "chance"),
        Column("shrunk", "share, chance allowed for", "chance", tells=Tells.VALUE),
        Column("low", "low", "chance", tells=Tells.LOW),
        Column("high", "high", "chance", tells=Tells.HIGH),
        Column("chance", "chance", "chance", detail=True),
        Column("adjusted", "adjusted chance", "chance", detail=True),
        Column("paid", "cost of comebacks", "money"),
        Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
        Column("words", "in words", "sentence"),
    )


COMEBACKS = Analysis(
    name="comebacks",
    title="Comebacks compared",
    question="Where do jobs come back more often than elsewhere, and what do they cost?",
    run=run,
    settings=ComebacksSettings,
    about=ABOUT,
    answers=Answers.COMES_BACK,
)
