"""The figures of one group in the unit shown, and what they mean in words."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from roadworn.analysis.result import Cell, Column, Estimate
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Joined, PartName, Sentence
from roadworn_plugins.lifedata.parametric import WeibullFit
from roadworn_plugins.lifedata.survival import (
    CumulativeIncidence,
    KaplanMeier,
    cumulative_incidence,
)
from roadworn_plugins.shared.grouped import Floats, GroupedLives, Unit, shown_distance
from roadworn_plugins.shared.life_model import trade_range

FAILED, WORN = 0, 1


@dataclass(frozen=True, slots=True)
class Shares:
    """Share gone by each reason up to an age, with limits.

    Attributes:
        age: the age spoken of, in thousand km or years.
        failed, worn: share gone by failing and by wear.
        failed_ci, worn_ci: their limits.
    """

    age: float
    failed: float
    worn: float
    failed_ci: tuple[float, float]
    worn_ci: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Reasons:
    """Cumulative incidence of all groups; `both` says where both reasons occur."""

    curves: CumulativeIncidence
    both: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]

    @classmethod
    def of(cls, lives: GroupedLives, level: float) -> "Reasons":
        """Share the parts gone out between the reasons; an interval counts at its middle."""
        worn = np.zeros(lives.failed.size, dtype=bool) if lives.worn is None else lives.worn
        reason = np.where(worn, WORN, FAILED)
        n = len(lives.labels)
        curves = cumulative_incidence(lives.exact_lives(), reason, n_reasons=2, level=level)
        counts = [
            np.bincount(lives.group[lives.failed & (worn == kind)], minlength=n)
            for kind in (False, True)
        ]
        return cls(curves, np.asarray((counts[0] > 0) & (counts[1] > 0)))

    def at(self, g: int, age: float) -> Shares | None:
        """Return the shares of group `g` up to an age, None when only one reason occurs."""
        if not self.both[g] or not np.isfinite(age):
            return None
        rows = self.curves.group_slice(g)
        step = int(np.searchsorted(self.curves.age[rows], age, side="right")) - 1
        if step < 0:
            return None
        i = rows.start + step
        share = self.curves.incidence[i]

        def limits(kind: int) -> tuple[float, float]:
            low, high = float(self.curves.lower[i, kind]), float(self.curves.upper[i, kind])
            return (low, high) if np.isfinite(low) else (0.0, 0.0)

        return Shares(
            float(age), float(share[FAILED]), float(share[WORN]), limits(FAILED), limits(WORN)
        )

    def steps(self, g: int) -> tuple[Floats, Floats]:
        """Return ages and shares gone by each reason of group `g`, for a chart."""
        rows = self.curves.group_slice(g)
        return self.curves.age[rows], self.curves.incidence[rows]


COLUMNS = (
    Column("lives", "lives", "integer", detail=True),
    Column("failed", "failed", "integer"),
    Column("running", "running", "integer"),
    Column("left_out", "left out", "integer"),
    Column("median", "median", "distance", detail=True),
    Column("b10", "B10", "distance"),
    Column("b10_low", "low", "distance"),
    Column("b10_high", "high", "distance"),
    Column("b50", "B50", "distance"),
    Column("b50_low", "low", "distance"),
    Column("b50_high", "high", "distance"),
    Column("shape", "shape", "number", detail=True),
    Column("failed_share", "gone by failing at the median", "chance", detail=True),
    Column("worn_share", "gone by wear at the median", "chance", detail=True),
    Column("words", "in words", "sentence"),
)
_TOLD = 10  # cells that only a group with enough failures fills


@dataclass(frozen=True, eq=False)
class Shown:
    """How figures are shown: unit of distance, clock, fewest failures, level."""

    unit: Unit
    clock: str
    least: int
    level: float

    @property
    def word(self) -> str:
        """Return the unit of age as written in a heading."""
        return self.unit if self.clock == "distance" else "years"

    def age(self, value: float) -> float | None:
        """Return an age in the unit shown, or None where it is not reached."""
        if not np.isfinite(value):
            return None
        if self.clock == "age":
            return round(float(value), 2)
        return float(np.round(shown_distance(float(value), self.unit), -2))

    def exact(self, value: float) -> float:
        """Return an age in the unit shown without rounding, for a curve."""
        if self.clock == "age":
            return float(value)
        return float(shown_distance(float(value), self.unit))

    def stored(self, shown: float) -> float:
        """Return an age as the lives hold it: thousand km or years."""
        return shown / self.exact(1.0)

    def text(self, value: float) -> str:
        """Return an age in thousand km or years with the unit shown, for a sentence."""
        return self.said(self.age(value))

    def said(self, shown: float | None, unit: bool = True) -> str:
        """Return a figure of the table for a sentence."""
        if shown is None:
            return Sentence("part-lifespans.not-reached", "an age not reached")
        number = "{value:,.0f}" if self.clock == "distance" else "{value:.1f}"
        if not unit:
            return Sentence(f"part-lifespans.{self.clock}", number, value=shown)
        return Sentence(
            f"part-lifespans.{self.clock}-unit", f"{number} {{unit}}", value=shown, unit=self.word
        )


@dataclass(frozen=True, eq=False)
class Figures:
    """What is known of every group at once."""

    lives: GroupedLives
    curve: KaplanMeier
    fit: WeibullFit
    conditional: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    reasons: Reasons
    medians: Floats
    oldest: Floats
    use: Floats
    left_out: list[dict[str, int]]
    evidence: list[tuple[str, ...]]
    shown: Shown

    def group(self, g: int) -> "Group":
        """Return the figures of one group."""
        return Group(self, g)


class Group:
    """The figures of one group."""

    def __init__(self, figures: Figures, g: int) -> None:
        n, failed, running = figures.lives.counts()
        self.figures, self.g, self.shown = figures, g, figures.shown
        self.label = figures.lives.labels[g]
        self.name = Joined((PartName(self.label[0], self.label[0]), *self.label[1:]))
        self.n, self.failed, self.running = int(n[g]), int(failed[g]), int(running[g])
        self.why_out = figures.left_out[g]
        self.left_out = sum(self.why_out.values())
        self.evidence = figures.evidence[g]
        fit = figures.fit
        self.tells = self.failed >= self.shown.least and bool(np.isfinite(fit.shape[g]))
        age = self.shown.age
        self.median = age(figures.medians[g])
        self.b10, self.b50 = (age(fit.quantiles[p][g]) for p in (0.1, 0.5))
        self.b10_ci, self.b50_ci = (
            tuple(age(limit) for limit in fit.quantile_ci[p][g]) for p in (0.1, 0.5)
        )
        self.shares = figures.reasons.at(g, float(figures.medians[g])) if self.tells else None

    def words(self) -> str:
        """Say what the figures mean, or that there are too few."""
        failed, use = self.failed, self.figures.use[self.g]
        said: list[str] = []
        if not self.tells:
            said.append(
                Sentence("part-lifespans.too-few", "too few to tell ({n} failed)", n=failed)
            )
            if failed >= self.shown.least:
                said.append(self.figures.fit.status_word(self.g))
            elif failed == 0:
                said.append(
                    Sentence(
                        "part-lifespans.none-failed",
                        "none failed in {use} of use",
                        use=self.shown.text(float(use)),
                    )
                )
        oldest = float(self.figures.oldest[self.g])
        if self.tells and self.figures.fit.quantiles[0.5][self.g] > oldest:
            said.append(
                Sentence(
                    "part-lifespans.beyond",
                    "B50 lies beyond the oldest part seen, {oldest}",
                    oldest=self.shown.text(oldest),
                )
            )
        said += self._trade()
        if self.shares is not None:
            said.append(_in_words(self.shares, self.shown))
        return Joined(said, "; ")

    def _trade(self) -> list[str]:
        span = trade_range(catalogue().find(self.label[0]))
        if span is None or self.shown.clock != "distance":
            return []
        low, high = (float(shown_distance(x, self.shown.unit)) for x in span)
        trade = Sentence(
            "part-lifespans.trade-range",
            "trade range {low:,.0f} to {high:,.0f} (common practice, no source)",
            low=low,
            high=high,
        )
        if not self.tells or self.b50 is None:
            return [trade]
        # A limit on the same side is what makes a difference more than chance.
        least, most = (np.nan if x is None else x for x in self.b50_ci)
        if self.b50 < low:
            side = "below" if most < low else "perhaps below"
        elif self.b50 > high:
            side = "above" if least > high else "perhaps above"
        else:
            side = "within"
        code = f"part-lifespans.{side.replace(' ', '-')}"
        return [Sentence(code, f"{side} the {{trade}}", trade=trade)]

    def row(self) -> tuple[Cell, ...]:
        """Return the cells in the order of the table."""
        told: tuple[Cell, ...] = (None,) * _TOLD
        if self.tells:
            shape = round(float(self.figures.fit.shape[self.g]), 2)
            shares = (None, None) if self.shares is None else (self.shares.failed, self.shares.worn)
            told = (self.median, self.b10, *self.b10_ci, self.b50, *self.b50_ci, shape, *shares)
        return (*self.label, self.n, self.failed, self.running, self.left_out, *told, self.words())

    def estimates(self) -> tuple[Estimate, ...]:
        """Return B10 and B50 with all that they rest on."""
        limits = "conditional" if self.figures.conditional[self.g] else "likelihood-ratio"
        if self.figures.fit.interval == "wald":
            limits = "Wald"
        return tuple(
            Estimate(
                name=Sentence(
                    "part-lifespans.quantile", "{quantile} of {name}", quantile=name, name=self.name
                ),
                value=value,
                unit=self.shown.word,
                low=ends[0],
                high=ends[1],
                level=self.shown.level,
                method=f"Weibull, maximum likelihood, {limits} limits",
                failures=self.failed,
                running=self.running,
                left_out=self.left_out,
                why_left_out=Joined(left_out_why(self.why_out.items()), "; "),
                words=self.words(),
                evidence=self.evidence,
            )
            for name, value, ends in (
                ("B50", self.b50, self.b50_ci),
                ("B10", self.b10, self.b10_ci),
            )
        )


def _in_words(shares: Shares, shown: Shown) -> str:
    return Sentence(
        "part-lifespans.shares",
        "by {age} about {failed:.0%} have failed ({failed_low:.0%} to {failed_high:.0%}) and "
        "{worn:.0%} are worn out ({worn_low:.0%} to {worn_high:.0%})",
        age=shown.text(shares.age),
        failed=shares.failed,
        failed_low=shares.failed_ci[0],
        failed_high=shares.failed_ci[1],
        worn=shares.worn,
        worn_low=shares.worn_ci[0],
        worn_high=shares.worn_ci[1],
    )


def left_out_why(whys: Iterable[tuple[str, int]]) -> list[Sentence]:
    """Say how many stays of a part are left out, by why."""
    return [Sentence("left-out-why", "{n} {why}", n=n, why=why) for why, n in whys]
