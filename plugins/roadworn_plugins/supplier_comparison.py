"""Whose parts last longer, and what a distance of life costs from each supplier."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis import (
    Analysis,
    Answers,
    Cell,
    Column,
    Estimate,
    Holds,
    Mark,
    Marks,
    Result,
    Settings,
    Table,
    Tells,
)
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.lifedata.counts import LogRank, false_discovery
from roadworn_plugins.lifedata.parametric import WeibullFit
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.grouped import NOT_RECORDED, GroupedLives, Ints, coded, log_rank_of
from roadworn_plugins.shared.prices import PartPrice, part_prices
from roadworn_plugins.shared.settings import (
    ByClock,
    Level,
    MostRows,
    OnlyComponent,
    Shown,
    ShownUnit,
    all_said,
    group_name,
    in_unit,
    named_alike,
    rounded,
)

#: Fewer failures than this on both sides together: too few to tell.
_LEAST = 5
_LEAST_FOR_LIFE = 3
_UNSURE = Marks({Mark.NOT_KNOWN})

_COLUMNS = (
    Column("component", "component", "component", tells=Tells.COMPONENT),
    Column("supplier", "supplier", tells=Tells.NAME),
    Column("part_number", "part number"),
    Column("lives", "lives", "integer", detail=True),
    Column("failed", "failed", "integer"),
    Column("running", "running", "integer"),
    Column("comebacks", "came back", "integer"),
    Column("expected", "expected if all were alike", "number"),
    Column("hazard_ratio", "rate of failing (others 1)", "number", tells=Tells.VALUE),
    Column("hazard_low", "low", "number", tells=Tells.LOW),
    Column("hazard_high", "high", "number", tells=Tells.HIGH),
    Column("told_apart", "beyond chance"),
    Column("log_rank", "log-rank chance", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("b50", "half gone by", "distance"),
    Column("price", "price of the part", "money"),
    Column("per_distance", "price per 1,000", "money"),
    Column("per_distance_low", "low", "money", detail=True, tells=Tells.LOW),
    Column("per_distance_high", "high", "money", detail=True, tells=Tells.HIGH),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("words", "in words", "sentence"),
)
ABOUT = """\
Question: Do one supplier's parts last longer than another's, and are they worth their price?

Method: The lives of one supplier's part are compared with those of all other recorded suppliers
of the same component, within each class of vehicle: stratified log-rank test and hazard ratio
with likelihood-ratio limits. The chances of all comparisons are adjusted by Benjamini and
Hochberg. Price per distance is the usual price of the part over its mean life by a Weibull fit,
with limits from those of the fit's scale.

Assumptions: Within a class, who supplied a part does not go with how hard it is used. Parts
whose supplier nobody wrote down, most originals among them, are left out.

A part that came back (view comebacks) is no life, and is counted beside them against its supplier,
unless the work or the customer's own part was said to be at fault.

Reading: rate of failing 2.0 (1.2 to 3.4): at every age twice as many fail as of the others' parts;
the textbooks say hazard ratio.

Reference: Klein and Moeschberger, Survival Analysis (Springer, 2003), chapters 7 and 9.
"""
_say = Says(
    "supplier-comparison",
    {
        "none": "No component has parts of two recorded suppliers to compare.",
        "record": "Record the supplier and part number of each replacement.",
        "alike": "No supplier's parts differ from the others' beyond chance, of {n} compared.",
        "headline": "{n} of {every} {n:differs|differ} beyond chance; first {part} of {origin} "
        "{lasts}: {failed:.0f} failed of all its part numbers, {ratio:.1f} times as fast as the "
        "others'.",
        "headline-alone": "{n} of {every} {n:differs|differ} beyond chance; first {part} of "
        "{origin} {lasts}: {failed:.0f} failed, and none of the others'.",
        "lasts-less": "lasts less",
        "lasts-longer": "lasts longer",
        "too-few": "too few to tell",
        "apart": "yes",
        "not-apart": "no",
        "apart-alone": "apart taken alone, but not beyond chance among all that were compared",
        "no-difference": "no difference shown; a small one cannot be ruled out",
        "longer": "lasts longer than the others' on the same classes",
        "less": "lasts less than the others' on the same classes",
        "per-distance": "price per 1,000 {unit}",
        "ratio": "rate of failing of {name} against the others",
        "one-number": "Counted are all part numbers of a supplier; repeat-failures counts one part "
        "number or delivery by itself, against what the others' alone would come to, so that its "
        "figures are others.",
        "rate": "A rate of failing of 2 says that at every age twice as many fail as of the "
        "others' parts (the hazard ratio of the textbooks); 1 is alike.",
        "method": "partial likelihood within classes, likelihood-ratio limits",
        "compared": (
            "{n} pair of suppliers was compared.",
            "{n} pairs of suppliers were compared and judged together.",
        ),
        "one-vehicle": "Several lives on one vehicle count as if they were on several.",
        "unknown": "{n} {n:life|lives} of parts without a recorded supplier {n:is|are} left out.",
        "not-shown": (
            "{n} comparison is not shown; raise the setting most.",
            "{n} comparisons are not shown; raise the setting most.",
        ),
    },
)


class SupplierComparisonSettings(Settings):
    """Which component, told apart by whom."""

    component: OnlyComponent = None
    by: Annotated[
        Literal["supplier", "part-number"],
        Field(description="tell suppliers apart, or part numbers of each supplier"),
    ] = "supplier"
    aliases: Annotated[
        str, Field(description='other names of one supplier: "Quay = Quay Parts; QP = Quay Parts"')
    ] = ""
    clock: ByClock = "distance"
    unit: ShownUnit = None
    level: Level = 0.95
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="adjusted chance below which a difference is named")
    ] = 0.05
    most: MostRows = 40


@dataclass(frozen=True, eq=False)
class _Compared:
    """One origin against the others of its component.

    Attributes:
        label: component, supplier, and part number when those are told apart.
        number: its group number.
        test: the comparison; None when there are too few failures for one, or when it was
            never at risk together with the others.
        adjusted: its chance, adjusted for all that were compared.
    """

    label: tuple[str, ...]
    number: int
    test: LogRank | None
    adjusted: float = 1.0


@dataclass(frozen=True, eq=False)
class _Rows:
    """Everything that the rows are made from."""

    fit: WeibullFit
    lives: GroupedLives
    member: Ints
    prices: dict[tuple[str, ...], PartPrice]
    comebacks: dict[tuple[str, ...], int]
    shown: Shown
    settings: SupplierComparisonSettings

    def row(self, item: _Compared) -> tuple[Cell, ...]:
        """Return the cells in the order of the table."""
        mine = self.member == item.number
        failed = int(np.sum(self.lives.failed & mine))
        figures: tuple[Cell, ...] = (*(None,) * 4, _say("too-few"), None, None)
        test = item.test
        if test is not None:
            ratio = map(rounded, (test.hazard_ratio, test.lower, test.upper))
            apart = _say("apart" if _told_apart(item, self.settings) else "not-apart")
            figures = (round(test.expected[0], 1), *ratio, apart, test.p, item.adjusted)
        b50: float | None = None
        per: tuple[float | None, ...] = (None, None, None)
        price = self.prices.get(item.label)
        if failed >= _LEAST_FOR_LIFE and self.fit.fitted[item.number]:
            b50 = self.shown.age(float(self.fit.quantiles[0.5][item.number]))
            per = per if price is None else self._per_distance(item.number, price.middle)
        return (
            *item.label,
            *[""] * (3 - len(item.label)),
            int(mine.sum()),
            failed,
            int(np.sum(self.lives.running & mine)),
            self.comebacks.get(item.label, 0),
            *figures,
            b50,
            None if price is None else round(price.middle, 2),
            *per,
            "" if price is None else price.currency,
            self._words(item),
        )

    def _per_distance(self, number: int, price: float) -> tuple[float | None, ...]:
        """Return price per 1,000 of the unit, or per year, with limits from those of the scale."""
        mean = float(self.fit.mean()[number])
        low, high = self.fit.scale_ci[number] / self.fit.scale[number] * mean
        step = 1.0 if self.shown.clock == "age" else 1000.0 / self.shown.exact(1.0)
        return tuple(
            round(price * step / life, 2) if np.isfinite(life) and life > 0 else None
            for life in (mean, high, low)
        )

    def _words(self, item: _Compared) -> Sentence:
        test = item.test
        if test is None:
            return _say("too-few")
        if _told_apart(item, self.settings):
            return _say("longer" if test.observed[0] < test.expected[0] else "less")
        return _say("apart-alone" if test.p <= self.settings.false_discovery else "no-difference")

    def estimate(self, item: _Compared, test: LogRank, evidence: tuple[str, ...]) -> Estimate:
        """Return the hazard ratio with all that it rests on."""
        value, low, high = (
            x if np.isfinite(x) else None for x in (test.hazard_ratio, test.lower, test.upper)
        )
        return Estimate(
            name=_say("ratio", name=group_name(item.label)),
            value=value,
            unit="",
            low=low,
            high=high,
            level=self.settings.level,
            method=_say("method"),
            failures=int(sum(test.observed)),
            running=int(np.sum(self.lives.running & (self.member == item.number))),
            evidence=evidence,
        )


def _told_apart(item: _Compared, settings: SupplierComparisonSettings) -> bool:
    """Say whether an origin differs beyond chance among all that were compared."""
    return item.test is not None and item.adjusted <= settings.false_discovery


def run(view: LedgerView, settings: SupplierComparisonSettings) -> Result:
    """Compare every supplier of a component with the others."""
    keys = ("supplier",) if settings.by == "supplier" else ("supplier", "part-number")
    by = ("component", *keys)
    lives = lives_of.load(view, (*by, "class"), component=settings.component, clock=settings.clock)
    one_name = _namer(lives, len(keys), settings.aliases)
    lives = replace(lives, labels=[one_name(label) for label in lives.labels])
    origins, labels = coded(lives.labels, *range(len(by)))
    member = origins[lives.group] if lives.labels else lives.group
    compared = _compare(lives, member, labels, settings.level)
    if not compared:
        return Result(_say("none"), caveats=(_say("record"),))
    compared.sort(key=lambda one: (one.test is None, one.adjusted, _chance(one), one.label))
    listed = compared[: settings.most]
    unit = settings.unit or view.usual_unit()
    shown = Shown(unit, settings.clock)
    # The lives of each origin are fitted all classes together.
    fit = fit_small(replace(lives, group=member).lives(len(labels)), level=settings.level)[0]
    prices: dict[tuple[str, ...], PartPrice] = {}
    for label, price in part_prices(view, by_number=len(keys) == 2).items():
        name = one_name(label)
        if name not in prices or prices[name].number < price.number:
            prices[name] = price
    back: dict[tuple[str, ...], int] = {}
    for label, number in _comebacks(view, len(keys)).items():
        back[one_name(label)] = back.get(one_name(label), 0) + number
    rows = _Rows(fit, lives, member, prices, back, shown, settings)
    events: dict[tuple[str, ...], tuple[str, ...]] = {}
    for label, ids in lives_of.failure_events(view, by, settings.component).items():
        name = one_name(label)
        events[name] = (*events.get(name, ()), *ids)
    per = "price per year" if settings.clock == "age" else _say("per-distance", unit=unit)
    table = Table(
        "supplier_comparison",
        "Suppliers of the same component, clearest difference first",
        tuple(
            replace(column, title=per) if column.name == "per_distance" else column
            for column in in_unit(_COLUMNS, shown.word)
        ),
        tuple(rows.row(item) for item in listed),
        tuple(events.get(item.label, ()) for item in listed),
        Holds.SUPPLIERS,
        # A picture of what chance explains among so many would look as clear as the rest.
        tuple(Marks() if _told_apart(one, settings) else _UNSURE for one in listed),
    )
    named = [
        (item, item.test)
        for item in listed
        if item.test is not None and _told_apart(item, settings)
    ]
    unknown = view.sql(
        """SELECT count(*) FROM part_lives
           WHERE supplier IS NULL AND component = coalesce(?, component)""",
        (settings.component,),
    ).rows[0][0]
    return Result(
        headline=_headline(named, len(compared)),
        tables=(table,),
        estimates=tuple(
            rows.estimate(item, test, events.get(item.label, ())) for item, test in named
        ),
        caveats=all_said(
            _say("rate"),
            _say.when(settings.by == "supplier", "one-number"),
            _say("compared", n=len(compared)),
            _say("one-vehicle"),
            _say.some(unknown, "unknown"),
            _say.some(len(compared) - len(listed), "not-shown"),
        ),
    )


def _comebacks(view: LedgerView, told_by: int) -> dict[tuple[str, ...], int]:
    """Return (component, supplier, part number when `told_by` is 2) -> parts that came back."""
    found: dict[tuple[str, ...], int] = {}
    for *label, number in view.sql(
        f"""SELECT component, coalesce(supplier, '{NOT_RECORDED}'),
                   coalesce(part_number, '{NOT_RECORDED}'), count(*)
            FROM comebacks WHERE left_out AND cause NOT IN ('workmanship', 'customer_part')
            GROUP BY ALL"""
    ).rows:
        key = tuple(label[: 1 + told_by])
        found[key] = found.get(key, 0) + number
    return found


def _namer(
    lives: GroupedLives, keys: int, aliases: str
) -> Callable[[tuple[str, ...]], tuple[str, ...]]:
    """Return what gives each label the one name of its supplier, and of its part number."""
    many = lives.counts()[0].tolist()
    shown = []
    for place in range(1, keys + 1):
        spelled = (label[place] for label in lives.labels)
        every = (name for name, n in zip(spelled, many, strict=True) for _ in range(n))
        shown.append(named_alike(every, aliases if place == 1 else ""))

    def named(label: tuple[str, ...]) -> tuple[str, ...]:
        parts = (names.get(label[i + 1], label[i + 1]) for i, names in enumerate(shown))
        return (label[0], *parts, *label[keys + 1 :])

    return named


def _chance(item: _Compared) -> float:
    return 1.0 if item.test is None else item.test.p


def _compare(
    lives: GroupedLives, member: Ints, labels: list[tuple[str, ...]], level: float
) -> list[_Compared]:
    """Compare each recorded origin with the other recorded ones of its component."""
    of_component: dict[str, list[int]] = {}
    for number, label in enumerate(labels):
        if label[1] != NOT_RECORDED:
            of_component.setdefault(label[0], []).append(number)
    classes, _ = coded(lives.labels, len(lives.by) - 1)
    found = []
    for numbers in of_component.values():
        if len(numbers) < 2:
            continue
        rows = np.flatnonzero(np.isin(member, numbers))
        for number in numbers:
            test = log_rank_of(lives, rows, member == number, classes, level)
            told = test is not None and sum(test.observed) >= _LEAST
            found.append(_Compared(labels[number], number, test if told else None))
    adjusted = false_discovery([_chance(item) for item in found])
    return [replace(item, adjusted=float(q)) for item, q in zip(found, adjusted, strict=True)]


def _headline(named: list[tuple[_Compared, LogRank]], number: int) -> str:
    if not named:
        return _say("alike", n=number)
    (first, test), *_ = named
    # What would be expected were all alike is no usual figure: the ratio is told, as in the table.
    alone = not np.isfinite(test.hazard_ratio)
    return _say(
        "headline-alone" if alone else "headline",
        n=len(named),
        every=number,
        part=part_name(first.label[0]),
        origin=Joined(first.label[1:]),
        lasts=_say("lasts-less" if test.observed[0] > test.expected[0] else "lasts-longer"),
        failed=float(test.observed[0]),
        ratio=float(test.hazard_ratio),
    )


SUPPLIER_COMPARISON = Analysis(
    name="supplier-comparison",
    title="Suppliers compared",
    question="Do one supplier's parts last longer than another's, and are they worth their price?",
    run=run,
    settings=SupplierComparisonSettings,
    about=ABOUT,
    answers=Answers.SUPPLIERS,
)
