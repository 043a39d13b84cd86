"""How long parts last, by component and whatever else they are told apart by."""

from collections import Counter

import numpy as np

from roadworn.analysis import Analysis, Answers, Column, Result, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined
from roadworn_plugins.lifespans.charts import at_risk_table, charts
from roadworn_plugins.lifespans.figures import COLUMNS, Figures, Group, PartLifespansSettings, say
from roadworn_plugins.lifespans.hours_lives import counted_by_hours, load_by_hours
from roadworn_plugins.maintenance.schedule import EngineHours
from roadworn_plugins.shared.grouped import load
from roadworn_plugins.shared.settings import all_said, in_unit, left_out_why, pool_path

ABOUT = """\
Question: How long do these parts last, and how sure is that?

Method: Each stay of a part on a vehicle is one life. Kaplan-Meier with late entry gives the
median that the record itself shows; a Weibull fit by maximum likelihood (exact, interval and
right-censored lives, late entry) gives B10, the age by which a tenth has failed, and B50. Their
limits are conditional ones, which hold their level with five failures. Where parts are replaced
as failed and as worn out, the shares gone by each are Aalen and Johansen's cumulative incidence.
Each curve is held against its lives: counted by the failures it expects they must come evenly,
which Anderson and Darling's statistic judges, the fitted shape allowed for (`fit`, from six
failures; false in 1 of 100).

With clock=hours ages are hours of the engine, by the readings of its hour meter, evenly between
two of them: equipment without an odometer is counted by them alone.

Assumptions: A part replaced for wear or failure failed; one replaced beforehand was still
running. Parts of unknown age when the vehicle came are left out.

Reading: B10 45,000 mi (31,000 to 58,000): one part in ten is gone by about 45,000 miles. Too
few to tell means that there is no figure, not that the part is good.

Reference: Meeker and Escobar, Statistical Methods for Reliability Data (Wiley, 1998); Lawless,
Technometrics 20 (1978) 355-364 for the limits; Aalen and Johansen, Scand. J. Statist. 5 (1978)
141-150.
"""


def run(view: LedgerView, settings: PartLifespansSettings) -> Result:
    """Estimate lifetimes for every group of the chosen kind."""
    by = ("component", *(key for key in dict.fromkeys(settings.by) if key != "component"))
    by_hours = None
    if settings.clock == "hours":
        by_hours = load_by_hours(view, by, settings.component)
        lives = by_hours.lives
    else:
        lives = load(view, by, component=settings.component, clock=settings.clock)
    every = len(lives.labels)
    if not every:
        return Result(say("none"), caveats=_nothing(view, settings))
    figures = Figures.of(view, lives, settings, by_hours)
    failed = figures.counts[1]
    order = sorted(range(every), key=lambda g: (-int(failed[g]), lives.labels[g]))
    groups = [Group(figures, g) for g in order[: settings.most]]
    told = [group for group in groups if group.tells]
    unit = figures.shown.word
    keys = tuple(
        Column(
            key.replace("-", "_"),
            key.replace("-", " "),
            "component" if key == "component" else "text",
            tells=Tells.COMPONENT if key == "component" else None,
        )
        for key in by
    )
    table = Table(
        "part_lifespans",
        say("title", unit=unit),
        (*keys, *in_unit(COLUMNS, unit)),
        tuple(group.row() for group in groups),
        tuple(group.evidence for group in groups),
    )
    with_pool, pool_words = _with_pool(view, figures)
    return Result(
        headline=_headline(figures, told),
        tables=(table, *at_risk_table(figures, told, keys), *with_pool),
        estimates=tuple(estimate for group in told for estimate in group.estimates()),
        charts=charts(figures, told),
        caveats=(
            *pool_words,
            *_caveats(figures, every - len(groups)),
            *_hours(view, settings),
        ),
    )


def _with_pool(view: LedgerView, figures: Figures) -> tuple[tuple[Table, ...], tuple[str, ...]]:
    """Return what a pool of other shops makes of the lives, and the words for it; none unnamed."""
    settings = figures.settings
    path = pool_path(settings.pool)
    if not path or settings.clock == "hours":
        return (), ()
    # Whoever names no pool does not wait for the laws of all components.
    from roadworn_plugins.shared.fleet_lives import ComponentLives
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers
    from roadworn_plugins.shared.pool_said import pool_caveats, pool_table

    pool = PoolOfOthers.of(view, path)
    every = ComponentLives.of(view, pool)
    models = {
        label[0]: clocked
        for label in figures.lives.labels
        if (clocked := every.get(label[0])) is not None
    }
    words = pool_caveats(pool, models)
    return pool_table(models, figures.shown, settings.level), words


def _hours(view: LedgerView, settings: PartLifespansSettings) -> tuple[str, ...]:
    """Say of what has no odometer that hours of the engine would count it."""
    if settings.clock != "distance":
        return ()
    return all_said(say.some(counted_by_hours(view, settings.component), "by-hours"))


def _nothing(view: LedgerView, settings: PartLifespansSettings) -> tuple[str, ...]:
    """Return why there is no life, where there are stays, and what to do about it."""
    rows = view.sql(
        """SELECT why, count(*) FROM part_lives_left_out
           WHERE component = coalesce(?, component) GROUP BY 1""",
        (settings.component,),
    ).rows
    whys = Counter({str(why): int(number) for why, number in rows})
    no_hours = settings.clock == "hours" and not EngineHours.of(view).known()
    return (
        *_left_out(whys),
        *all_said(say.when(not whys, "record"), say.when(no_hours, "no-hours")),
        *_hours(view, settings),
    )


def _left_out(whys: Counter[str]) -> tuple[str, ...]:
    return all_said(
        say.some(whys.total(), "left-out", whys=left_out_why(sorted(whys.items()))),
        say.some(whys["ended before it came under observation"], "early"),
    )


def _headline(figures: Figures, told: list[Group]) -> str:
    every = len(figures.lives.labels)
    if not told:
        return say("all-too-few", n=every)
    first = told[0]
    low, high = (None if end is None else figures.said(end, unit=False) for end in first.b50_ci)
    return say(
        "headline",
        n=len(told),
        every=every,
        name=Joined((part_name(first.label[0]), *first.label[1:])),
        age=figures.said(first.b50),
        band=say.when(low is not None and high is not None, "band", low=low, high=high),
        failed=first.failed,
        running=first.running,
    )


def _caveats(figures: Figures, hidden: int) -> tuple[str, ...]:
    lives = figures.lives
    # Groups that share what is left out (suppliers of one component) must not add it up twice.
    shared = {"supplier", "part-number"} & set(lives.by)
    once = {
        label[:1] if shared else label: found
        for label, found in zip(lives.labels, figures.left_out, strict=True)
    }
    whys = Counter[str]()
    for found in once.values():
        whys.update(found)
    told = np.array([figures.tells(g) for g in range(len(lives.labels))])
    narrow = told & ~figures.conditional & (figures.fit.failures < 20)
    return _left_out(whys) + all_said(
        say.some(figures.unrecorded[0], "unrecorded", years=figures.unrecorded[1]),
        say.some(int(np.sum(lives.entry > 0)), "late"),
        say.some(int(lives.interval.sum()), "between"),
        say.when(
            figures.settings.limits == "conditional" and narrow.any(),
            "too-narrow",
            n=int(narrow.sum()),
        ),
        say.some(sum(map(figures.misfit, range(len(lives.labels)))), "misfit"),
        say.some(hidden, "not-shown"),
    )


PART_LIFESPANS = Analysis(
    name="part-lifespans",
    title="How long parts last",
    question="How long do these parts last, and how sure is that?",
    run=run,
    settings=PartLifespansSettings,
    about=ABOUT,
    answers=Answers.LIFESPANS,
)
