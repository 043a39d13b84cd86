"""Whether a change of part, oil, supplier or practice made parts last longer from its day on."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Column,
    Estimate,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Says
from roadworn.model.places import axle_of
from roadworn_plugins.lifedata import Bools, Floats, LifeDataError, tail
from roadworn_plugins.lifedata.counts import LogRank, false_discovery, log_rank
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import WeibullFit
from roadworn_plugins.lifedata.regression import weibull_aft
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.lifedata.special import chdtrc, ndtri
from roadworn_plugins.shared.grouped import NOT_RECORDED
from roadworn_plugins.shared.settings import (
    ByClock,
    Level,
    OnlyComponent,
    Shown,
    ShownUnit,
    all_said,
    in_unit,
    require,
    rounded,
    vehicle_classes,
)

#: A life longer by less than this is not worth a programme (common practice, no source).
_WORTH = 1.25
_POWER = 0.8
_LEAST = 2
ABOUT = """\
Question: Did parts last longer from the day on which something was changed?

Method: Parts that were fitted before the day are held against those fitted from it on. Each life
counts from when it was watched to its failure, or to the last look at one that still runs, so that
young parts are not taken for good ones. A log-rank test within classes and depots says whether the
two differ beyond chance; the ratio of lives is that of two Weibull laws of one shape, with limits.
What else changed at that time stands beside it: classes, depots and suppliers whose share differs.

Assumptions: Parts that the vehicle left the factory with are left out, unless originals=true.
Several lives on one vehicle count as if they were on several. What changed at the same time and
stands in no field of the ledger cannot be told from the change.

Reading: lives 1.8 times as long (1.4 to 2.3): works. Limits from 0.8 to 1.6: cannot be told yet.

Reference: Klein and Moeschberger, Survival Analysis (Springer, 2003), chapters 7 and 12. How many
failures are wanted: Schoenfeld, Biometrika 68 (1981) 316-319, from memory.
"""
_say = Says(
    "programme-effect",
    {
        "ask": "Name the part and the day of the change: -s component='wheel bearing' "
        "-s since=2025-03-01.",
        "few": "Cannot be told yet: {before} {before:part|parts} fitted before {since} and {after} "
        "from then on can be compared, of which {failed} failed.",
        "never": "Cannot be told: no parts of one class and depot were watched at like ages before "
        "and after {since}.",
        "works": "It works: {part} lasts {ratio:.2f} times as long since {since} ({low:.2f} to "
        "{high:.2f}), beyond chance.",
        "worse": "No, it got worse: {part} lasts {ratio:.2f} times as long since {since} "
        "({low:.2f} to {high:.2f}), beyond chance.",
        "no": "No: {part} lasts as long as before {since}, a quarter longer at most is ruled out "
        "({low:.2f} to {high:.2f}).",
        "not-yet": "Cannot be told yet: {part} lasts {ratio:.2f} times as long since {since}, but "
        "the limits are {low:.2f} to {high:.2f}.",
        "before": "before",
        "after": "since then",
        "ratio": "life since {since} over life before",
        "hazard": "failures since {since} over those before at like ages",
        "method": "Weibull accelerated life, one shape",
        "partial": "partial likelihood within classes and depots, likelihood-ratio limits",
        "wanted": "About {n} {n:failure|failures} in all would show a life a quarter longer in "
        "four of five cases; there are {failed}.",
        "mixed": "At the same time the share of {kind} {name} went from {before:.0%} to "
        "{after:.0%}: that may be the cause as well.",
        "originals": "{n} original {n:part is|parts are} left out; originals=true counts them as "
        "before.",
        "one-vehicle": "Several lives on one vehicle count as if they were on several.",
    },
)


class ProgrammeEffectSettings(Settings):
    """What was changed, and when."""

    component: OnlyComponent = None
    since: Annotated[date | None, Field(description="first day of the change")] = None
    vehicle_class: Annotated[str | None, Field(description="only this class")] = None
    depot: Annotated[str | None, Field(description="only this depot")] = None
    position: Annotated[
        str | None, Field(description="only this place, as front or LF; an axle has its sides")
    ] = None
    supplier: Annotated[str | None, Field(description="since then only parts of this supplier")] = (
        None
    )
    originals: Annotated[
        bool, Field(description="count parts it left the factory with as before")
    ] = False
    clock: ByClock = "distance"
    unit: ShownUnit = None
    level: Level = 0.95


@dataclass(frozen=True, eq=False)
class Compared:
    """Lives fitted after a day against those fitted before.

    Attributes:
        test: log-rank, the lives after first; None when never at risk together.
        ratio: life after over life before, with its limits; None where it cannot be had.
        wanted: failures in all that would show a life a quarter longer.
    """

    test: LogRank | None
    ratio: tuple[float, float, float] | None
    wanted: int


def compare(
    entry: Floats,
    leaving: Floats,
    failed: Bools,
    after: Bools,
    strata: Sequence[str],
    level: float = 0.95,
) -> Compared:
    """Compare lives before and after.

    Args:
        entry: age at which each life came under watch, in any unit, shape (lives,).
        leaving: age at failure or at the last look.
        failed: whether it ended in failure.
        after: whether the part was fitted after the change.
        strata: within which lives are compared by the log-rank test, one a life.
        level: of the limits.
    """
    labels = np.unique(np.asarray(strata), return_inverse=True)[1]
    test, ratio, shape = None, None, 1.0
    try:
        test = log_rank(after, entry, leaving, failed, stratum=labels, level=level)
        fit = weibull_aft(entry, leaving, failed, after[:, None].astype(np.float64))
    except LifeDataError:
        pass
    else:
        half = -float(ndtri(tail(level))) * float(fit.se[1])
        middle, shape = float(fit.coefficients[1]), fit.shape
        low, value, high = np.exp([middle - half, middle, middle + half])
        ratio = (float(value), float(low), float(high))
    share = float(np.mean(after))
    z = float(ndtri(1.0 - tail(level)) + ndtri(_POWER))
    spread = max(share * (1.0 - share), 1e-6) * (shape * np.log(_WORTH)) ** 2
    return Compared(test, ratio, int(np.ceil(z**2 / spread)))


def verdict(found: Compared, level: float = 0.95) -> str:
    """Return ``works``, ``worse``, ``no``, ``not-yet``, or ``never`` where nothing compares.

    The test and the limits of the ratio must agree before anything is said to work.
    """
    if found.test is None or found.ratio is None:
        return "never"
    ratio, low, high = found.ratio
    beyond = found.test.p <= 1.0 - level
    if beyond and ratio > 1.0 and found.test.hazard_ratio < 1.0 and low > 1.0:
        return "works"
    if beyond and ratio < 1.0 and found.test.hazard_ratio > 1.0 and high < 1.0:
        return "worse"
    return "no" if high < _WORTH and low > 1.0 / _WORTH else "not-yet"


def run(view: LedgerView, settings: ProgrammeEffectSettings) -> Result:
    """Hold parts fitted before a day against those fitted from it on."""
    if settings.component is None or settings.since is None:
        return Result(_say("ask"))
    lives, originals = _read(view, settings)
    since, part = settings.since, part_name(settings.component)
    after = np.array([one["after"] for one in lives], dtype=bool)
    failed = np.array([one["failed"] for one in lives], dtype=bool)
    kept_out = _say.some(originals, "originals") if not settings.originals else ""
    sides = int(np.sum(~after)), int(np.sum(after))
    if min(sides) == 0 or failed.sum() < _LEAST:
        told = _say("few", before=sides[0], after=sides[1], since=since, failed=int(failed.sum()))
        return Result(told, caveats=all_said(kept_out))
    scale = 1000.0 if settings.clock == "distance" else 365.25
    entry = np.array([one["entry"] for one in lives]) / scale
    leaving = np.array([one["leaving"] for one in lives]) / scale
    strata = [f"{one['class']}\t{one['depot']}" for one in lives]
    found = compare(entry, leaving, failed, after, strata, settings.level)
    word = verdict(found, settings.level)
    figures: dict[str, Any] = {"since": since}
    if found.ratio is not None and word != "never":
        ratio, low, high = found.ratio
        figures |= {"part": part, "low": low, "high": high}
        figures |= {} if word == "no" else {"ratio": ratio}
    fit = fit_small(
        Lives.from_ages(leaving, failed, entry=entry, group=after.astype(np.int64), n_groups=2),
        level=settings.level,
    )[0]
    shown = Shown(settings.unit or view.usual_unit(), settings.clock)
    mixes = _mixes(lives)
    return Result(
        _say(word, **figures),
        (_sides(lives, after, failed, fit, found.test, shown), _mix_table(mixes)),
        _estimates(found, lives, settings, failed),
        caveats=all_said(
            *(
                _say("mixed", kind=kind, name=name, before=one, after=two)
                for kind, name, one, two, chance in mixes
                if chance <= 1.0 - settings.level
            ),
            _say("wanted", n=found.wanted, failed=int(failed.sum())) if word == "not-yet" else "",
            kept_out,
            _say("one-vehicle"),
        ),
    )


def _read(view: LedgerView, settings: ProgrammeEffectSettings) -> tuple[list[dict[str, Any]], int]:
    """Return the lives to compare, and how many original parts there are beside them."""
    if settings.vehicle_class is not None:
        require(settings.vehicle_class, vehicle_classes(view), "class")
    unit = "km" if settings.clock == "distance" else "days"
    rows = view.sql(
        f"""SELECT l.started_by, l.ended_by, l.started_on, l.entry_{unit}, l.lower_{unit},
                   l.upper_{unit}, l.failed, l.running, l.vehicle_class,
                   coalesce(w.depot, d.depot, '{NOT_RECORDED}') AS depot,
                   coalesce(l.supplier, '{NOT_RECORDED}') AS supplier, l.position
            FROM part_lives AS l LEFT JOIN fleet_work AS w ON w.event_id = l.started_by
            LEFT JOIN (SELECT vehicle_id, min_by(depot, from_on) AS depot FROM depot_spans
                       GROUP BY vehicle_id) AS d ON d.vehicle_id = l.vehicle_id
            WHERE l.component = ? AND l.vehicle_class = coalesce(?, l.vehicle_class)
              AND (l.failed OR l.lower_{unit} > l.entry_{unit})
              AND l.entry_{unit} IS NOT NULL AND l.lower_{unit} IS NOT NULL
            ORDER BY l.vehicle_id, l.started_on, l.started_by, l.position""",
        (settings.component, settings.vehicle_class),
    ).rows
    lives, originals = [], 0
    for *row, depot, supplier, place in rows:
        start, end, on, entry, lower, upper, failed, running, kind = row
        if settings.position is not None and settings.position not in (place, axle_of(place)):
            continue
        after = start is not None and on is not None and on >= settings.since
        if settings.depot is not None and depot != settings.depot:
            continue
        if after and settings.supplier is not None and supplier != settings.supplier:
            continue
        if start is None:
            originals += 1
            if not settings.originals:
                continue
        leaving = (lower + upper) / 2.0 if failed else lower
        if not leaving > entry:
            continue
        events = tuple(filter(None, (start, end)))
        named = {"class": kind, "depot": depot, "supplier": supplier}
        at = {"entry": entry, "leaving": leaving, "failed": failed, "running": running}
        lives.append({**at, **named, "after": after, "events": events})
    return lives, originals


def _mixes(lives: Sequence[dict[str, Any]]) -> list[tuple[str, str, float, float, float]]:
    """Return (kind, name, share before, share after, adjusted chance), the largest shift first."""
    found: list[tuple[str, str, float, float, float]] = []
    sides = [[one for one in lives if bool(one["after"]) is side] for side in (False, True)]
    n = [len(side) for side in sides]
    for kind in ("class", "depot", "supplier"):
        counts = [Counter(str(one[kind]) for one in side) for side in sides]
        for name in sorted(set(counts[0]) | set(counts[1])):
            one, two = (counts[i][name] / n[i] for i in (0, 1))
            whole = (counts[0][name] + counts[1][name]) / sum(n)
            spread = whole * (1.0 - whole) * (1.0 / n[0] + 1.0 / n[1])
            chance = float(chdtrc(1, (one - two) ** 2 / spread)) if spread > 0.0 else 1.0
            found.append((kind, name, one, two, chance))
    adjusted = false_discovery([row[-1] for row in found])
    rows = [(*row[:-1], float(q)) for row, q in zip(found, adjusted, strict=True)]
    return sorted(rows, key=lambda row: (-abs(row[3] - row[2]), row[0], row[1]))


def _sides(
    lives: Sequence[dict[str, Any]],
    after: Bools,
    failed: Bools,
    fit: WeibullFit,
    test: LogRank | None,
    shown: Shown,
) -> Table:
    running = np.array([one["running"] for one in lives], dtype=bool)
    mean = fit.mean()
    rows: list[tuple[Cell, ...]] = []
    for side, word in enumerate(("before", "after")):
        mine = after == bool(side)
        figures: tuple[float | None, ...] = (None,) * 4
        if fit.fitted[side]:
            low, high = fit.scale_ci[side] / fit.scale[side] * mean[side]
            ages = (float(mean[side]), low, high, float(fit.quantiles[0.5][side]))
            figures = tuple(shown.age(age) for age in ages)
        expected = None if test is None else round(test.expected[1 - side], 1)
        counted = (int(mine.sum()), int(np.sum(failed & mine)), expected)
        rows.append((_say(word), *counted, int(np.sum(running & mine)), *figures))
    evidence = tuple(
        tuple(sorted({e for one, m in zip(lives, after, strict=True) if m == side
                      for e in one["events"]}))
        for side in (False, True)
    )  # fmt: skip
    columns = (
        Column("side", "fitted", tells=Tells.NAME),
        Column("lives", "lives", "integer"),
        Column("failed", "failed", "integer"),
        Column("expected", "expected", "number"),
        Column("running", "running", "integer"),
        Column("mean", "mean life", "distance", tells=Tells.VALUE),
        Column("low", "low", "distance", tells=Tells.LOW),
        Column("high", "high", "distance", tells=Tells.HIGH),
        Column("b50", "half gone by", "distance"),
    )
    title = "Lives of parts fitted before and since"
    return Table("programme_effect", title, in_unit(columns, shown.word), tuple(rows), evidence)


def _mix_table(mixes: Sequence[tuple[str, str, float, float, float]]) -> Table:
    return Table(
        "mix",
        "What else changed at that time, the largest shift first",
        (
            Column("kind", "of"),
            Column("name", "name", tells=Tells.NAME),
            Column("before", "share before", "chance"),
            Column("after", "share since", "chance", tells=Tells.VALUE),
            Column("adjusted", "adjusted chance", "chance", detail=True),
        ),
        tuple((kind, name, round(one, 4), round(two, 4), q) for kind, name, one, two, q in mixes),
    )


def _estimates(
    found: Compared,
    lives: Sequence[dict[str, Any]],
    settings: ProgrammeEffectSettings,
    failed: Bools,
) -> tuple[Estimate, ...]:
    made = []
    evidence = tuple(sorted({event for one in lives for event in one["events"]}))
    died, on = int(failed.sum()), sum(bool(one["running"]) for one in lives)
    if found.ratio is not None:
        name, method = _say("ratio", since=settings.since), _say("method")
        made.append(Estimate(name, found.ratio[0], "", found.ratio[1], found.ratio[2],
                             settings.level, method, died, on, evidence=evidence))  # fmt: skip
    if found.test is not None:
        ends = (found.test.hazard_ratio, found.test.lower, found.test.upper)
        value, low, high = map(rounded, ends, (6, 6, 6))
        name, method = _say("hazard", since=settings.since), _say("partial")
        on_it = (settings.level, method, died, on)
        made.append(Estimate(name, value, "", low, high, *on_it, evidence=evidence))
    return tuple(made)


PROGRAMME_EFFECT = Analysis(
    name="programme-effect",
    title="Does a change work",
    question="Did parts last longer from the day on which something was changed?",
    run=run,
    settings=ProgrammeEffectSettings,
    about=ABOUT,
    answers=Answers.PROGRAMME,
)
