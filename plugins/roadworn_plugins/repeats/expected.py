"""What each life of a ledger is expected to bring: by its age, the years, and what was found."""

from dataclasses import dataclass, replace

import numpy as np

from roadworn_plugins.lifedata import summed
from roadworn_plugins.repeats.chances import FAMILIES, OF_PARTS, Dispersion, dispersion
from roadworn_plugins.repeats.levels import (
    EARLY,
    STEP,
    Law,
    Lives,
    Years,
    by_year,
    law_of,
    numbered,
    of_others,
)
from roadworn_plugins.shared.grouped import Bools, Floats, Ints

_SMALL = 1e-9


@dataclass(eq=False)
class Of:
    """One component: its lives, their law, and what each life is expected to bring.

    Attributes:
        rows: which lives.
        law, fitted: the law, and the lives that it was fitted to.
        usual, early: expected failures by wear, and comebacks, of each life at the rate of the
            component.
        step, row, after: of lives that were there on a first day tried: number of that day,
            the life, and what is expected of it after that day.
        classes, kind: the classes of the lives, and the number of each life's among them.
    """

    rows: Ints
    law: Law | None
    usual: Floats
    early: Floats
    step: Ints
    row: Ints
    after: Floats
    classes: Ints
    kind: Ints


class Expected:
    """What each life is expected to bring."""

    def __init__(self, lives: Lives, least: int = 2, clock: int | None = None) -> None:
        """Fit the laws.

        Args:
            lives: of all components.
            least: fewer failures are not listed.
            clock: 0 or 1 for all; None for the likelier of each component.
        """
        self.lives, self.least, self.clock = lives, least, clock
        self.place = np.unique(lives.code("component", "vehicle", "position"), return_inverse=True)[
            1
        ]
        self.number = np.unique(lives.code("supplier", "number"), return_inverse=True)[1]
        # What findings have put into the expectation, of wear and of comebacks.
        self.boost, self.again = np.ones(lives.size), np.ones(lives.size)
        self.suspect = np.zeros(lives.size, dtype=bool)
        self.counted = np.zeros(lives.size, dtype=bool)
        known = np.isfinite(lives.first) & np.isfinite(lives.last)
        self.days = (
            np.arange(lives.first[known].min() + STEP, lives.last[known].max() - 30.0, STEP)
            if known.any()
            else np.zeros(0)
        )
        self.worn = lives.failed & ~lives.came_back
        self.fitted = np.array([event is not None for event in lives.started], dtype=bool)

        self.of: dict[int, Of] = {}
        self.years: dict[int, Years] = {}
        self.among = Dispersion()
        self.classes: dict[int, float] = {}
        for component in range(len(lives.names["component"])):
            rows = self._lives_of(component)
            if self.worn[rows].any():
                self.of[component] = self._expect(component, rows)
        self.years = self._years()
        self.of = {component: self._levelled(component, one) for component, one in self.of.items()}
        self.classes = self._classes()

    def _expect(self, component: int, rows: Ints) -> Of:
        lives = self.lives
        kept = rows[~self.suspect[rows]]
        # Without the suspect lives, unless hardly a failure is left then.
        if int(self.worn[kept].sum()) < 5:
            kept = rows
        name = lives.names["component"][component]
        law = law_of(
            name, lives.codes["class"][kept], lives.entry[:, kept], lives.leaving[:, kept],
            self.worn[kept], self.clock,
        )  # fmt: skip
        if law is None:
            none, no = np.zeros(0), np.zeros(0, dtype=int)
            return Of(no, None, none, none, no, no, none, no, no)
        entry, leaving = lives.entry[law.clock, rows], lives.leaving[law.clock, rows]
        good = np.isfinite(entry) & np.isfinite(leaving) & (leaving > entry)
        self.counted[rows] = good
        rows, entry, leaving = rows[good], entry[good], leaving[good]
        end = law.upto(leaving)
        boost = self.boost[rows]
        usual = (end - law.upto(entry)) * boost
        soon = np.minimum(leaving, EARLY[law.clock]) - np.minimum(entry, EARLY[law.clock])
        early = soon * self._early(kept, law.clock) * self.again[rows]
        first, last = lives.first[rows], lives.last[rows]
        known = np.isfinite(first) & np.isfinite(last) & (last > first)
        low = np.searchsorted(self.days, np.where(known, first, 0.0), side="right")
        high = np.searchsorted(self.days, np.where(known, last, 0.0), side="left")
        number = np.where(known, np.maximum(high - low, 0), 0)
        row = np.repeat(np.arange(rows.size), number)
        step = np.arange(row.size) - np.repeat(np.cumsum(number) - number, number) + low[row]
        part = (self.days[step] - first[row]) / (last - first)[row] if row.size else np.zeros(0)
        age = entry[row] + part * (leaving - entry)[row]
        after = (end[row] - law.upto(age)) * boost[row]
        kinds = numbered(lives.codes["class"][rows])
        return self._levelled(component, Of(rows, law, usual, early, step, row, after, *kinds))

    def _years(self) -> dict[int, Years]:
        """Return for each component the levels of the years by all others.

        A hard winter or a year of much work is no fault of the one component that is looked at.
        """
        lives = self.lives
        if not self.days.size:
            return {}
        begin, end = self.days[0] - STEP, float(np.nanmax(lives.last))
        edges = begin + 2.0 * STEP * np.arange(np.ceil((end - begin) / (2.0 * STEP)) + 1.0)
        found = {}
        for component, one in self.of.items():
            if one.law is not None:
                clock, rows = one.law.clock, one.rows
                ages = lives.entry[clock, rows], lives.leaving[clock, rows]
                days = lives.first[rows], lives.last[rows]
                found[component] = np.stack(by_year(edges, one.law, ages, days, self.worn[rows]))
        every = sum(found.values(), np.zeros((2, edges.size - 1)))
        return {c: Years.of(edges, *(every - own)) for c, own in found.items()}

    def _levelled(self, component: int, one: Of) -> Of:
        """Put the level of the years into what is expected."""
        years = self.years.get(component)
        if years is None:
            return one
        first, last = self.lives.first[one.rows], self.lives.last[one.rows]
        later = years.over(self.days[one.step], last[one.row])
        return replace(one, usual=one.usual * years.over(first, last), after=one.after * later)

    def _early(self, rows: Ints, clock: int) -> float:
        """Return the rate of comebacks in the first time of parts, drawn to that of all."""
        lives = self.lives

        def lived(entry: Floats, leaving: Floats) -> float:
            soon = np.minimum(leaving, EARLY[clock]) - np.minimum(entry, EARLY[clock])
            return float(np.nansum(np.maximum(soon, 0.0)))

        every = lived(lives.entry[clock], lives.leaving[clock])
        rate = (float(lives.came_back.sum()) + 0.5) / max(every, _SMALL)
        own = lived(lives.entry[clock, rows], lives.leaving[clock, rows])
        return float((lives.came_back[rows].sum() + 4.0) / (own + 4.0 / rate))

    def _classes(self) -> dict[int, float]:
        """Return how much classes differ, for each component by what the others show.

        A component that is weak on one class would itself say that classes differ.
        """
        cells: dict[int, tuple[Floats, Floats, Floats]] = {}
        for component, one in self.of.items():
            _kind, died, lived = self._kinds(one)
            if died.size > 1:
                every = (died.sum(), lived.sum())
                mean, doubt = of_others(died, lived, (died, lived), every, 0.0)
                good = np.isfinite(mean) & (mean > 0)
                cells[component] = (died[good], mean[good], doubt[good])
        found = {}
        for component in self.of:
            others = [cell for other, cell in cells.items() if other != component]
            if not others:
                found[component] = dispersion(*(np.zeros(0),) * 3)
                continue
            observed, mean, doubt = (np.concatenate(c) for c in zip(*others, strict=True))
            found[component] = dispersion(observed, mean, doubt, caution=0.5)
        return found

    def _alike(self, one: Of) -> float:
        """Return how much the classes of a component differ."""
        return (
            self.classes[int(self.lives.codes["component"][one.rows[0]])] if one.rows.size else 0.0
        )

    def _kinds(self, one: Of, family: str = "class") -> tuple[Ints, Floats, Floats]:
        """Return the class of each life, and failures and exposure of each class."""
        failed, usual = self._counted(one, family)
        kind, size = one.kind, one.classes.size
        return kind, summed(kind, failed, size), summed(kind, usual, size)

    def _counted(self, one: Of, family: str) -> tuple[Floats, Floats]:
        """Return failures and exposure of each life, as the family counts them."""
        failed = np.where(self.failed(family)[one.rows], 1.0, 0.0)
        counts = FAMILIES[family].counts
        lived = one.usual + one.early if counts == "both" else one.usual
        if counts == "comebacks":
            lived = one.early
        if family in OF_PARTS and self._several_sent(one):
            fitted = self.fitted[one.rows]
            return failed * fitted, lived * fitted
        return failed, lived

    def _several_sent(self, one: Of) -> bool:
        """Whether the parts fitted in work here are of several origins.

        Then what one sent is held against what the others did, and not against parts that the
        vehicle left the factory with: those come after no repair, so none of them comes back.
        """
        return np.unique(self.lives.codes["supplier"][one.rows][self.fitted[one.rows]]).size > 1

    def _lives_of(self, component: int) -> Ints:
        return np.flatnonzero(self.lives.codes["component"] == component)

    def failed(self, family: str) -> Bools:
        """Return which lives count as failed: by wear, as comebacks, or both."""
        counts = FAMILIES[family].counts
        if counts == "comebacks":
            return self.lives.failed & self.lives.came_back
        return self.lives.failed if counts == "both" else self.worn
