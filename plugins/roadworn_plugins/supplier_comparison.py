"""Whose parts last longer, and what a distance of life costs from each supplier."""

from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis.result import Analysis, Cell, Column, Estimate, Result, Settings, Table
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, PartName, Sentence
from roadworn_plugins.lifedata.checked import LifeDataError
from roadworn_plugins.lifedata.counts import benjamini_hochberg
from roadworn_plugins.lifedata.log_rank import LogRank, log_rank
from roadworn_plugins.lifedata.parametric_fits import WeibullFit
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.shared import grouped as lives_of
from roadworn_plugins.shared.excess import coded
from roadworn_plugins.shared.grouped import (
    NOT_RECORDED,
    Clock,
    GroupedLives,
    Ints,
    Unit,
    shown_distance,
)
from roadworn_plugins.shared.prices import PartPrice, part_prices
from roadworn_plugins.shared.said import all_said, if_any

#: Fewer failures than this on both sides together: too few to tell.
_LEAST = 5
_LEAST_FOR_LIFE = 3

COLUMNS = (
    Column("component", "component", "component"),
    Column("supplier", "supplier"),
    Column("part_number", "part number"),
    Column("lives", "lives", "integer", detail=True),
    Column("failed", "failed", "integer"),
    Column("running", "running", "integer"),
    Column("expected", "expected", "number"),
    Column("hazard_ratio", "hazard ratio", "number"),
    Column("hazard_low", "low", "number"),
    Column("hazard_high", "high", "number"),
    Column("log_rank", "log-rank chance", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("b50", "B50", "distance"),
    Column("price", "price of the part", "money"),
    Column("per_distance", "price per 1,000", "money"),
    Column("per_distance_low", "low", "money", detail=True),
    Column("per_distance_high", "high", "money", detail=True),
    Column("currency", "currency", detail=True),
    Column("words", "in words", "sentence"),
)


@dataclass(frozen=True, slots=True)
class ShownAs:
    """How figures are shown and judged."""

    clock: Clock
    unit: Unit
    level: float
    false_discovery: float


@dataclass(frozen=True, eq=False)
class Compared:
    """One origin against the others of its component.

    Attributes:
        label: component, supplier, and part number when those are told apart.
        number: its group number.
        test: the comparison; None when it was never at risk together with the others.
    """

    label: tuple[str, ...]
    number: int
    test: LogRank | None

    @property
    def tells(self) -> bool:
        """Whether there are failures enough for a comparison."""
        return self.test is not None and sum(self.test.observed) >= _LEAST


def column_of(column: Column, shown: str) -> Column:
    """Return the column with the unit that is shown in its heading."""
    if column.kind == "distance":
        return Column(column.name, column.title, column.kind, shown, column.detail)
    if column.name == "per_distance":
        title = "price per 1,000" if shown != "years" else "price per year"
        return Column(
            column.name, f"{title} {shown}" if shown != "years" else title, column.kind, "",
        )  # fmt: skip
    return column


@dataclass(frozen=True, eq=False)
class Rows:
    """Everything that the rows are made from."""

    fit: WeibullFit
    lives: GroupedLives
    origins: Ints
    prices: dict[tuple[str, ...], PartPrice]
    shown: ShownAs

    def row(self, item: Compared, adjusted: float) -> tuple[Cell, ...]:
        """Return the cells in the order of the table."""
        mine = self.origins[self.lives.group] == item.number
        failed = int(np.sum(self.lives.failed & mine))
        test = item.test if item.tells else None
        figures: tuple[Cell, ...] = (None,) * 6
        if test is not None:
            ratio = (test.hazard_ratio, test.lower, test.upper)
            figures = (
                round(test.expected[0], 1),
                *(round(x, 2) if np.isfinite(x) else None for x in ratio),
                test.p,
                adjusted,
            )
        b50 = price = None
        per: tuple[float | None, ...] = (None, None, None)
        found = self.prices.get(item.label)
        if found is not None:
            price = round(found.middle, 2)
        if failed >= _LEAST_FOR_LIFE and self.fit.fitted[item.number]:
            b50 = self._age(float(self.fit.quantiles[0.5][item.number]))
            if found is not None:
                per = self._per_distance(item.number, found.middle)
        return (
            item.label[0],
            item.label[1],
            item.label[2] if len(item.label) > 2 else "",
            int(mine.sum()),
            failed,
            int(np.sum(self.lives.running & mine)),
            *figures,
            b50,
            price,
            *per,
            "" if found is None else found.currency,
            self._words(item, adjusted),
        )

    def estimate(self, item: Compared, evidence: tuple[str, ...]) -> Estimate:
        """Return the hazard ratio with all that it rests on."""
        test = item.test
        assert test is not None  # noqa: S101  only compared items with a test come here
        mine = self.origins[self.lives.group] == item.number
        ends = [x if np.isfinite(x) else None for x in (test.hazard_ratio, test.lower, test.upper)]
        return Estimate(
            name=Sentence(
                "supplier-comparison.ratio",
                "hazard ratio of {name}",
                name=Joined((PartName(item.label[0], item.label[0]), *item.label[1:])),
            ),
            value=ends[0],
            unit="",
            low=ends[1],
            high=ends[2],
            level=self.shown.level,
            method="partial likelihood within classes, likelihood-ratio limits",
            failures=int(sum(test.observed)),
            running=int(np.sum(self.lives.running & mine)),
            evidence=evidence,
        )

    def _age(self, value: float) -> float | None:
        if not np.isfinite(value):
            return None
        if self.shown.clock == "age":
            return round(value, 2)
        return float(np.round(shown_distance(value, self.shown.unit), -2))

    def _per_distance(self, number: int, price: float) -> tuple[float | None, ...]:
        """Return price per 1,000 of the unit, or per year, with limits from those of the scale."""
        mean = float(self.fit.mean()[number])
        low, high = self.fit.scale_ci[number] / self.fit.scale[number] * mean
        step = (
            1.0
            if self.shown.clock == "age"
            else 1000.0 / float(shown_distance(1.0, self.shown.unit))
        )
        return tuple(
            round(price * step / life, 2) if np.isfinite(life) and life > 0 else None
            for life in (mean, high, low)
        )

    def _words(self, item: Compared, adjusted: float) -> str:
        if not item.tells or item.test is None:
            return Sentence("supplier-comparison.too-few", "too few to tell")
        test = item.test
        if adjusted > self.shown.false_discovery:
            if test.p <= self.shown.false_discovery:
                return Sentence(
                    "supplier-comparison.apart-alone",
                    "apart taken alone, but not beyond chance among all that were compared",
                )
            return Sentence(
                "supplier-comparison.no-difference",
                "no difference shown; a small one cannot be ruled out",
            )
        if test.observed[0] < test.expected[0]:
            return Sentence(
                "supplier-comparison.longer", "lasts longer than the others' on the same classes"
            )
        return Sentence(
            "supplier-comparison.less", "lasts less than the others' on the same classes"
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

Reading: hazard ratio 2.0 (1.2 to 3.4): at every age twice as many fail as of the others' parts.

Reference: Klein and Moeschberger, Survival Analysis (Springer, 2003), chapters 7 and 9.
"""


class SupplierComparisonSettings(Settings):
    """Which component, told apart by whom."""

    component: Annotated[str | None, Field(description="only this component")] = None
    by: Annotated[
        Literal["supplier", "part-number"],
        Field(description="tell suppliers apart, or part numbers of each supplier"),
    ] = "supplier"
    clock: Annotated[Literal["distance", "age"], Field(description="miles or years")] = "distance"
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    level: Annotated[float, Field(gt=0.5, lt=1, description="level of the limits")] = 0.95
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="adjusted chance below which a difference is named")
    ] = 0.05
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 40


def run(view: LedgerView, settings: SupplierComparisonSettings) -> Result:
    """Compare every supplier of a component with the others."""
    keys = ("supplier",) if settings.by == "supplier" else ("supplier", "part-number")
    lives = lives_of.load(
        view, ("component", *keys, "class"), component=settings.component, clock=settings.clock
    )
    origins, labels = coded(lives.labels, *range(1 + len(keys)))
    compared = _compare(lives, origins, labels, settings.level)
    if not compared:
        return Result(
            headline=Sentence(
                "supplier-comparison.none",
                "No component has parts of two recorded suppliers to compare.",
            ),
            caveats=(
                Sentence(
                    "supplier-comparison.record",
                    "Record the supplier and part number of each replacement.",
                ),
            ),
        )
    tests = [item.test.p if item.test is not None and item.tells else 1.0 for item in compared]
    adjusted = benjamini_hochberg(np.array(tests))
    fit = _fit(lives, origins, len(labels), settings.level)
    unit = settings.unit or lives_of.preferred_unit(view)
    prices = part_prices(view, by_number=len(keys) == 2)
    how = ShownAs(settings.clock, unit, settings.level, settings.false_discovery)
    rows = Rows(fit, lives, origins, prices, how)
    order = sorted(
        range(len(compared)),
        key=lambda i: (not compared[i].tells, adjusted[i], tests[i], compared[i].label),
    )[: settings.most]
    events = lives_of.failure_events(view, ("component", *keys), settings.component)
    shown = unit if settings.clock == "distance" else "years"
    table = Table(
        name="supplier_comparison",
        title="Suppliers of the same component, clearest difference first",
        columns=tuple(column_of(column, shown) for column in COLUMNS),
        rows=tuple(rows.row(compared[i], float(adjusted[i])) for i in order),
        evidence=tuple(events.get(compared[i].label, ()) for i in order),
    )
    named = [i for i in order if compared[i].tells and adjusted[i] <= settings.false_discovery]
    return Result(
        headline=_headline([compared[i] for i in named], len(compared)),
        tables=(table,),
        estimates=tuple(
            rows.estimate(compared[i], events.get(compared[i].label, ())) for i in named
        ),
        caveats=_caveats(view, settings, len(compared), len(compared) - len(order)),
    )


def _compare(
    lives: GroupedLives, origins: lives_of.Ints, labels: list[tuple[str, ...]], level: float
) -> list[Compared]:
    """Compare each recorded origin with the other recorded ones of its component."""
    recorded = [label[1] != NOT_RECORDED for label in labels]
    of_component: dict[str, list[int]] = {}
    for number, label in enumerate(labels):
        if recorded[number]:
            of_component.setdefault(label[0], []).append(number)
    classes, _ = coded(lives.labels, len(lives.by) - 1)
    member = origins[lives.group] if lives.labels else lives.group
    found = []
    for numbers in of_component.values():
        if len(numbers) < 2:
            continue
        rows = np.flatnonzero(np.isin(member, numbers))
        for number in numbers:
            try:
                test = log_rank(
                    member[rows] == number,
                    lives.entry[rows],
                    lives.exit_age[rows],
                    lives.failed[rows],
                    stratum=classes[lives.group[rows]],
                    level=level,
                )
            except LifeDataError:
                test = None  # never at risk together when one failed
            found.append(Compared(labels[number], number, test))
    return found


def _fit(lives: GroupedLives, origins: lives_of.Ints, n: int, level: float) -> WeibullFit:
    """Fit the lives of each origin, all classes together."""
    by_origin = GroupedLives(
        lives.by,
        lives.labels,
        origins[lives.group],
        lives.entry,
        lives.lower,
        lives.upper,
        lives.failed,
        lives.running,
    )
    return fit_small(by_origin.lives(n), level=level)[0]


def _headline(named: list[Compared], number: int) -> str:
    if not named or named[0].test is None:
        return Sentence(
            "supplier-comparison.alike",
            "No supplier's parts differ from the others' beyond chance, of {n} compared.",
            n=number,
        )
    label, test = named[0].label, named[0].test
    lasts = (
        Sentence("supplier-comparison.lasts-less", "lasts less")
        if test.observed[0] > test.expected[0]
        else Sentence("supplier-comparison.lasts-longer", "lasts longer")
    )
    return Sentence(
        "supplier-comparison.headline",
        "{n} of {every} differ beyond chance; first {part} of {origin} {lasts}: {failed:.0f} "
        "failed where {expected:.1f} would be usual.",
        n=len(named),
        every=number,
        part=part_name(label[0]),
        origin=Joined(label[1:]),
        lasts=lasts,
        failed=float(test.observed[0]),
        expected=float(test.expected[0]),
    )


def _caveats(
    view: LedgerView, settings: SupplierComparisonSettings, number: int, hidden: int
) -> tuple[str, ...]:
    condition = " AND component = ?" if settings.component else ""
    unknown = view.sql(
        f"SELECT count(*) FROM part_lives WHERE supplier IS NULL{condition}",
        (settings.component,) if settings.component else (),
    ).rows[0][0]
    return all_said(
        Sentence(
            "supplier-comparison.compared",
            "{n} comparisons were made and adjusted together.",
            n=number,
        ),
        Sentence(
            "supplier-comparison.one-vehicle",
            "Several lives on one vehicle count as if they were on several.",
        ),
        if_any(
            unknown,
            "supplier-comparison.unknown",
            "{n} lives of parts without a recorded supplier are left out.",
        ),
        if_any(
            hidden,
            "supplier-comparison.not-shown",
            "{n} comparisons are not shown; raise most.",
        ),
    )


SUPPLIER_COMPARISON = Analysis(
    name="supplier-comparison",
    title="Suppliers compared",
    question="Do one supplier's parts last longer than another's, and are they worth their price?",
    run=run,
    settings=SupplierComparisonSettings,
    about=ABOUT,
)
