"""The strongest fact is found, put into the expectation, and it is looked again.

One vehicle whose parts all fail twice as often shows in many places, a bad batch in its supplier,
its part and every month since. What explains the most is one finding; once it is expected,
what was only a part of it is nothing unusual any more.
"""

from dataclasses import dataclass, replace

import numpy as np

from roadworn_plugins.lifedata import summed
from roadworn_plugins.repeats.along_time import Places, cusum, places_of
from roadworn_plugins.repeats.levels import (
    EARLY,
    FAMILIES,
    FAMILY,
    A_YEAR,
    OVERLAP,
    STEP,
    Dispersion,
    Entries,
    Law,
    Lives,
    Reach,
    dispersion,
    law_of,
    of_others,
    of_past,
    tail,
)
from roadworn_plugins.shared.grouped import Bools, Floats, Ints

_NAMES = tuple(FAMILIES)
_MONTH = 365.25 / 12.0
# What is told apart by its parts; and up to how many by chance it is worth a second look.
OF_PARTS = ("supplier", "part", "batch")
_OF_PARTS = frozenset(FAMILY[name] for name in OF_PARTS)
_WORTH = 6.0
#: Above this chance by the other clock an excess is no finding, where the clocks are in doubt.
CLOCK_ALPHA = 0.05
#: Findings at the most: a ledger that has more has other troubles.
MOST = 60


@dataclass(frozen=True, eq=False)
class Finding:
    """One fact.

    Attributes:
        family: key of `FAMILIES`.
        component: code of its component; -1 for a vehicle as a whole.
        ident: code of the place, vehicle, class, supplier or number.
        since: day it began, since 1970-01-01; None where it holds for the whole record.
        rows: its lives.
        observed, mean, variance: failures, those expected at the ages its parts had, and the
            variance of that mean.
        chance: of so many if it were like the others.
        adjusted: alarms of chance at that height in the whole search, as a share of the list.
        alarms_a_year: alarms a year that chance would raise at that height, over all that is
            watched; None for what is not held against its own past.
        places: where it is watched, and what would have been usual there, by component.
    """

    family: str
    component: int
    ident: int
    since: float | None
    rows: Bools
    observed: float
    mean: float
    variance: float
    chance: float
    adjusted: float
    alarms_a_year: float | None
    places: dict[int, Places]

    @property
    def usual(self) -> float:
        """Return how many failures would have been usual, renewals counted."""
        return float(sum(one.usual.sum() for one in self.places.values()))

    @property
    def at_age(self) -> float:
        """Return how many would have been usual at the ages that its parts had."""
        return sum(one.at_age for one in self.places.values())


@dataclass(eq=False)
class _Of:
    """One component: its lives, their law, and what each life is expected to bring.

    Attributes:
        rows: which lives.
        law, fitted: the law, and the lives that it was fitted to.
        usual, early: expected failures by wear, and comebacks, of each life at the rate of the
            component.
        step, row, after: of lives that were there on a first day tried: number of that day,
            the life, and what is expected of it after that day.
    """

    rows: Ints
    law: Law | None
    usual: Floats
    early: Floats
    step: Ints
    row: Ints
    after: Floats


class Search:
    """The comparisons of a ledger, made again after each finding."""

    def __init__(self, lives: Lives, least: int = 2, clock: int | None = None) -> None:
        """Fit the laws and make all comparisons once.

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
        self.boost = np.ones(lives.size)
        self.suspect = np.zeros(lives.size, dtype=bool)
        self.counted = np.zeros(lives.size, dtype=bool)
        known = np.isfinite(lives.first) & np.isfinite(lives.last)
        self.days = (
            np.arange(lives.first[known].min() + STEP, lives.last[known].max() - 30.0, STEP)
            if known.any()
            else np.zeros(0)
        )
        self.worn = lives.failed & ~lives.came_back

        self.of: dict[int, _Of] = {}
        self.among = Dispersion()
        self.classes: dict[int, float] = {}
        for component in range(len(lives.names["component"])):
            rows = self._lives_of(component)
            if self.worn[rows].any():
                self.of[component] = self._expect(component, rows)
        self.classes = self._classes()
        self.entries = {component: self._compare(component) for component in self.of}
        self.vehicles = self._vehicles()
        self.among = self._dispersion()
        self.reach = self._reach()
        self.apart: dict[tuple[int, tuple[int, int, int]], float] = {}
        self.done: set[tuple[int, int, int, int]] = set()

    @property
    def compared(self) -> int:
        """Return how many comparisons are made."""
        return sum(e.family.size for e in self.entries.values()) + self.vehicles.family.size

    # What is expected

    def _expect(self, component: int, rows: Ints) -> _Of:
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
            none = np.zeros(0)
            return _Of(rows[:0], None, none, none, none.astype(int), none.astype(int), none)
        entry, leaving = lives.entry[law.clock, rows], lives.leaving[law.clock, rows]
        good = np.isfinite(entry) & np.isfinite(leaving) & (leaving > entry)
        self.counted[rows] = good
        rows, entry, leaving = rows[good], entry[good], leaving[good]
        end = law.upto(leaving)
        boost = self.boost[rows]
        usual = (end - law.upto(entry)) * boost
        soon = np.minimum(leaving, EARLY[law.clock]) - np.minimum(entry, EARLY[law.clock])
        early = soon * self._early(kept, law.clock) * boost
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
        return _Of(rows, law, usual, early, step, row, after)

    def _early(self, rows: Ints, clock: int) -> float:
        """Return the rate of comebacks in the first time of parts, drawn to that of all."""
        lives = self.lives

        def lived(entry: Floats, leaving: Floats) -> float:
            soon = np.minimum(leaving, EARLY[clock]) - np.minimum(entry, EARLY[clock])
            return float(np.nansum(np.maximum(soon, 0.0)))

        every = lived(lives.entry[clock], lives.leaving[clock])
        rate = (float(lives.came_back.sum()) + 0.5) / max(every, _SMALL)
        own = lived(lives.entry[clock, rows], lives.leaving[clock, rows])
        return (float(lives.came_back[rows].sum()) + 4.0) / (own + 4.0 / rate)

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
            columns = [np.concatenate(c) for c in zip(*others, strict=True)] or [np.zeros(0)] * 3
            found[component] = dispersion(*columns)
        return found

    def _alike(self, one: _Of) -> float:
        """Return how much the classes of a component differ."""
        return self.classes[int(self.lives.codes["component"][one.rows[0]])] if one.rows.size else 0.0

    def _kinds(self, one: _Of, family: str = "class") -> tuple[Ints, Floats, Floats]:
        """Return the class of each life, and failures and exposure of each class."""
        classes, kind = np.unique(self.lives.codes["class"][one.rows], return_inverse=True)
        failed, usual = self._counted(one, family)
        return kind, summed(kind, failed, classes.size), summed(kind, usual, classes.size)

    def _counted(self, one: _Of, family: str) -> tuple[Floats, Floats]:
        """Return failures and exposure of each life: of parts by their origin comebacks as well."""
        if family in OF_PARTS:
            return self.lives.failed[one.rows] * 1.0, one.usual + one.early
        return self.worn[one.rows] * 1.0, one.usual

    # What is compared

    def _compare(self, component: int) -> Entries:
        one, lives = self.of[component], self.lives
        rows = one.rows
        if rows.size == 0:
            return Entries.joined([])
        parts = [
            self._whole(family, code[rows], one)
            for family, code in (("place", self.place), ("class", lives.codes["class"]))
        ]
        supplier = lives.codes["supplier"][rows]
        named = np.array([bool(name) for name in lives.names["supplier"]])
        pairs = np.unique(np.stack((supplier, self.number[rows])), axis=1)
        several = np.bincount(pairs[0], minlength=named.size) > 1
        whole = self._whole("supplier", supplier, one)
        # A supplier of one part number is that part; testing both would count it twice.
        parts.append(_where(whole, (named & several)[whole.ident]))
        whole = self._whole("part", self.number[rows], one)
        of_number = np.zeros(int(self.number.max()) + 1, dtype=np.int64)
        of_number[self.number] = lives.codes["supplier"]
        has = np.zeros(of_number.size, dtype=bool)
        has[self.number] = (
            named[lives.codes["supplier"]]
            | np.array([bool(name) for name in lives.names["number"]])[lives.codes["number"]]
        )
        parts.append(_where(whole, has[whole.ident]))
        if self.days.size:
            parts.append(self._batches(one, named))
            parts += self._since(one)
        return Entries.joined(parts)

    def _whole(self, family: str, code: Ints, one: _Of) -> Entries:
        """Compare groups of lives over the whole record with the others of their classes."""
        kind, *kinds = self._kinds(one, family)
        every = (kinds[0].sum(), kinds[1].sum())
        failed, usual = self._counted(one, family)
        idents, group = np.unique(code, return_inverse=True)
        width = kinds[0].size
        pairs, cell = np.unique(group * width + kind, return_inverse=True)
        own = summed(cell, failed, pairs.size)
        lived = summed(cell, usual, pairs.size)
        of, stratum = pairs // width, pairs % width
        mean, doubt = of_others(
            own,
            lived,
            (kinds[0][stratum], kinds[1][stratum]),
            every,
            self._alike(one),  # type: ignore[arg-type]
        )
        good = np.isfinite(mean)
        n = idents.size
        observed = summed(of[good], own[good], n)
        total = summed(of[good], mean[good], n)
        return Entries.of(
            family, idents, observed, total, summed(of[good], doubt[good], n),
            total**2 * _crowding(group, usual, n) if family != "place" else total**2,
        )  # fmt: skip

    def _batches(self, one: _Of, named: Bools) -> Entries:
        """Compare what each supplier sent since each half-year with all others of the component."""
        kind, *kinds = self._kinds(one, "batch")
        every = (kinds[0].sum(), kinds[1].sum())
        failed, usual = self._counted(one, "batch")
        lives, rows = self.lives, one.rows
        # An original part has no day of fitting here.
        first = np.where(lives.entry[one.law.clock, rows] == 0.0, lives.first[rows], np.nan)  # type: ignore[union-attr]
        supplier = lives.codes["supplier"][rows]
        kept = np.isfinite(first) & named[supplier]
        kept &= np.array([one is not None for one in lives.started[rows]], dtype=bool)
        if not kept.any():
            return Entries.joined([])
        idents, group = np.unique(supplier[kept], return_inverse=True)
        width, steps = kinds[0].size, self.days.size + 1
        at = np.searchsorted(self.days, first[kept], side="right")
        cell = (group * width + kind[kept]) * steps + at
        shape = (idents.size, width, steps)

        def since(values: Floats) -> Floats:
            found = summed(cell, values, int(np.prod(shape))).reshape(shape)
            return np.cumsum(found[:, :, ::-1], axis=2)[:, :, ::-1]

        own, lived = since(failed[kept]), since(usual[kept])
        squares = since(usual[kept] ** 2).sum(axis=1)
        mean, doubt = of_others(
            own, lived, (kinds[0][None, :, None], kinds[1][None, :, None]), every,  # type: ignore[arg-type]
            self._alike(one),
        )  # fmt: skip
        total = np.nansum(mean, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = 2.0 * squares / lived.sum(axis=1) ** 2 * total**2
        # The first step is everything, which the supplier is tested for already; a step that
        # adds no fitting is the same comparison as the one before it.
        number = summed(group * steps + at, np.ones(at.size), shape[0] * steps).reshape(-1, steps)
        new = np.ones(total.shape, dtype=bool)
        new[:, 1:] = number[:, :-1] > 0
        new[:, 0] = False
        ident, step = np.nonzero(new & (total > 0))
        pick = (ident, step)
        return Entries.of(
            "batch", idents[ident], own.sum(axis=1)[pick], total[pick],
            np.nansum(doubt, axis=1)[pick], np.nan_to_num(spread)[pick], step - 1,
        )  # fmt: skip

    def _after(self, one: _Of, code: Ints, size: int, weight: Floats) -> tuple[Floats, ...]:
        """Return failures and exposure after and before each first day, shape (size, days)."""
        lives, rows, steps = self.lives, one.rows, self.days.size
        known = np.isfinite(lives.first[rows]) & np.isfinite(lives.last[rows])
        failed = self.worn[rows] & known
        at = np.searchsorted(self.days, lives.first[rows][known], side="right")
        end = np.searchsorted(self.days, lives.last[rows][failed], side="left")

        def later(cell: Ints, values: Floats) -> Floats:
            found = summed(cell, values, size * (steps + 1)).reshape(size, steps + 1)
            total = np.cumsum(found[:, ::-1], axis=1)[:, ::-1]
            return total[:, 1:]

        usual = one.usual * weight
        after = later(code[known] * (steps + 1) + at, usual[known])
        inside = summed(
            code[one.row] * steps + one.step, one.after * weight[one.row], size * steps
        ).reshape(size, steps)
        died = later(code[failed] * (steps + 1) + end, np.ones(end.size))
        all_died = summed(code[failed], np.ones(end.size), size)[:, None]
        all_lived = summed(code[known], usual[known], size)[:, None]
        after = after + inside
        return died, after, all_died - died, np.maximum(all_lived - after, 0.0)

    def _since(self, one: _Of) -> list[Entries]:
        """Hold the component, over all and on each class, against its own past."""
        kind, *kinds = self._kinds(one)
        weight = ((kinds[0] + 2.0) / (kinds[1] + 2.0))[kind]
        width = kinds[0].size
        cells = self._after(one, kind, width, weight)
        classes = np.unique(self.lives.codes["class"][one.rows])
        found = []
        for family, (later, after, sooner, before), idents in (
            (
                "fleet since",
                tuple(cell.sum(axis=0, keepdims=True) for cell in cells),
                np.zeros(1, int),
            ),
            ("class since", cells, classes),
        ):
            if family == "class since" and width < 2:
                continue
            mean, doubt = of_past(after, sooner, before)
            # What ages do is itself uncertain, and ages and days go together in a fleet.
            doubt = doubt + mean**2 / (kinds[0].sum() + 2.0)
            ident, step = np.nonzero(mean > 0)
            pick = (ident, step)
            found.append(
                Entries.of(
                    family,
                    idents[ident],
                    later[pick],
                    mean[pick],
                    doubt[pick],
                    np.zeros(ident.size),
                    step,
                )  # fmt: skip
            )
        return found

    def _vehicles(self) -> Entries:
        """Compare each vehicle over all its components with others, and with its own past."""
        lives, n, steps = self.lives, len(self.lives.names["vehicle"]), self.days.size
        observed, mean, doubt, number = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
        past = [np.zeros((n, steps)) for _ in range(4)]
        for one in self.of.values():
            if not one.rows.size:
                continue
            code = lives.codes["vehicle"][one.rows]
            found = self._whole("vehicle", code, one)
            observed[found.ident] += found.observed
            mean[found.ident] += found.mean
            doubt[found.ident] += found.doubt
            number[found.ident] += 1
            own = summed(code, one.usual, n)
            rate = np.zeros(n)
            rate[found.ident] = found.mean
            weight = np.divide(rate, own, out=np.zeros(n), where=own > 0)[code]
            if steps:
                for total, cell in zip(past, self._after(one, code, n, weight), strict=True):
                    total += cell
        # One component alone is the place or the class, not the vehicle.
        mean = np.where(number > 1, mean, 0.0)
        every = Entries.of("vehicle", np.arange(n), observed, mean, doubt, mean**2)
        if not steps:
            return every
        later, after, sooner, before = past
        usual, unsure = of_past(after, sooner, before)
        usual = np.where((number > 1)[:, None], usual, 0.0)
        ident, step = np.nonzero(usual > 0)
        pick = (ident, step)
        since = Entries.of(
            "vehicle since", ident, later[pick], usual[pick], unsure[pick],
            np.zeros(ident.size), step,
        )  # fmt: skip
        return Entries.joined([every, since])

    def _dispersion(self) -> Dispersion:
        joined = Entries.joined(list(self.entries.values()))
        values = []
        for entries, family in ((self.vehicles, "vehicle"), (joined, "place")):
            some = entries.family == FAMILY[family]
            values.append(
                dispersion(entries.observed[some], entries.mean[some], entries.doubt[some])
            )
        return Dispersion(values[0], values[1])

    def _reach(self) -> list[Reach]:
        every = Entries.joined([*self.entries.values(), self.vehicles])
        variance = every.variance(self.among)
        reaches = []
        for number in range(len(FAMILIES)):
            some = every.family == number
            scanned = bool(np.any(every.since[some] >= 0))
            share = OVERLAP if scanned else 1.0
            reaches.append(Reach(every.mean[some], variance[some], self.least, share))
        return reaches

    # What is found

    def findings(self, rate: float) -> tuple[list[Finding], list[tuple[Finding, float]]]:
        """Return the findings in the order of their strength, and what went by the other clock.

        Args:
            rate: share of the list that may be chance.
        """
        found: list[Finding] = []
        set_aside: list[tuple[Finding, float]] = []
        while len(found) < MOST:
            best = self._strongest(rate)
            if best is None or best[0] > rate:
                break
            adjusted, component, entry = best
            finding = self._finding(adjusted, component, entry)
            law = self.of[component].law if component >= 0 else None
            if law is not None and not law.sure and self.clock is None:
                usual, chance = self._by(finding, 1 - law.clock)
                if chance > CLOCK_ALPHA:
                    set_aside.append((finding, usual))
                    continue
            found.append(self._expected_now(finding))
        return found, set_aside

    def _strongest(self, rate: float) -> tuple[float, int, tuple[int, int, int]] | None:
        """Return the comparison that chance explains least: its height, component and entry.

        Args:
            rate: height above which none is of interest.
        """
        least: dict[tuple[int, int], tuple[float, float, int, tuple[int, int, int]]] = {}
        for component, entries in (*self.entries.items(), (-1, self.vehicles)):
            p = entries.chance(self.among)
            some = (p <= 0.02) & (entries.observed >= self.least)
            some &= entries.observed > entries.mean
            for i in np.flatnonzero(some).tolist():
                entry = (int(entries.family[i]), int(entries.ident[i]), int(entries.since[i]))
                # Where two are as unlikely, the one with more failures.
                rank = (float(p[i]), -float(entries.observed[i]), component, entry)
                key = (component if entry[0] in _OF_PARTS else -1, entry[0])
                best = least.get(key)
                if (best is None or rank < best) and (component, *entry) not in self.done:
                    least[key] = rank
        found = None
        for p, more, component, entry in least.values():
            share, reach = FAMILIES[_NAMES[entry[0]]], self.reach[entry[0]]
            parts = entry[0] in _OF_PARTS
            # What can be shown is seldom a small part of what any chance would be.
            if reach.most(p) / share > (500.0 if parts else 50.0) * rate:
                continue
            if parts and reach.expected(p) < _WORTH:
                p = self._apart(component, entry)
            rank = (reach.expected(p) / share, p, more, component, entry)
            if found is None or rank < found:
                found = rank
        return None if found is None else (found[0], found[3], found[4])

    def _apart(self, component: int, entry: tuple[int, int, int]) -> float:
        """Return the chance of a comparison of parts, the law fitted without them.

        New parts are few: those of a bad batch would make all young parts seem to fail.
        """
        if (component, entry) in self.apart:
            return self.apart[component, entry]
        family, ident, step = entry
        since = None if step < 0 else float(self.days[step])
        rows = self.rows_of(_NAMES[family], component, ident, since)
        kept = self.suspect, self.of[component]
        try:
            self.suspect = self.suspect | rows
            self.of[component] = self._expect(component, self._lives_of(component))
            entries = self._compare(component)
        finally:
            self.suspect, self.of[component] = kept
        i = _find(entries, entry)
        p = float(entries.chance(self.among)[i]) if i is not None else 1.0
        self.apart[component, entry] = p
        return p

    def _lives_of(self, component: int) -> Ints:
        return np.flatnonzero(self.lives.codes["component"] == component)

    def _finding(self, adjusted: float, component: int, entry: tuple[int, int, int]) -> Finding:
        family, ident, step = entry
        self.done.add((component, *entry))
        entries = self.vehicles if component < 0 else self.entries[component]
        i = _find(entries, entry)
        assert i is not None  # it was found among them
        variance = float(entries.variance(self.among)[i])
        name = _NAMES[family]
        observed, mean = float(entries.observed[i]), float(entries.mean[i])
        since, alarms = None, None
        if step >= 0:
            since = self._began(name, component, ident, step, observed / mean)
            alarms = adjusted * FAMILIES[name] * A_YEAR
        rows = self.rows_of(name, component, ident, since)
        return Finding(
            name, component, ident, since, rows, float(self.failed(name)[rows].sum()), mean, variance,
            float(tail(*(np.array([x]) for x in (observed, mean, variance)))[0]),
            adjusted, alarms, {},
        )  # fmt: skip

    def failed(self, family: str) -> Bools:
        """Return which lives count as failed: comebacks only where parts are told apart."""
        return self.lives.failed if family in OF_PARTS else self.worn

    def rows_of(self, family: str, component: int, ident: int, since: float | None) -> Bools:
        """Return which lives a comparison is about.

        Args:
            family: key of `FAMILIES`.
            component: its code, -1 for a vehicle as a whole.
            ident: code of what is compared.
            since: first day; of a batch that of its fitting, else what ended after it.
        """
        lives = self.lives
        code = {
            "place": self.place, "part": self.number, "supplier": lives.codes["supplier"],
            "batch": lives.codes["supplier"], "class": lives.codes["class"],
            "class since": lives.codes["class"],
        }.get(family, lives.codes["vehicle"])  # fmt: skip
        rows = self.counted.copy() if family == "fleet since" else self.counted & (code == ident)
        if component >= 0:
            rows = rows & (lives.codes["component"] == component)
        if since is not None:
            day = lives.first if family == "batch" else lives.last
            fitted = (
                np.array([one is not None for one in lives.started]) if family == "batch" else True
            )
            with np.errstate(invalid="ignore"):
                rows = rows & (day >= since) & fitted
        return rows

    def _began(self, family: str, component: int, ident: int, step: int, ratio: float) -> float:
        """Return the day it began: from which a CUSUM for its ratio has risen without a fall."""
        lives = self.lives
        rows = np.flatnonzero(self.rows_of(family, component, ident, None))
        ones = [self.of[component]] if component >= 0 else list(self.of.values())
        fails, waits, when = [], [], []
        for one in ones:
            mine = np.isin(one.rows, rows)
            first, last = lives.first[one.rows], lives.last[one.rows]
            mine &= np.isfinite(first) & np.isfinite(last)
            at, died = one.rows[mine], self.failed(family)[one.rows][mine]
            if family == "batch":
                when += [first[mine]]
                fails += [died * 1.0]
                waits += [(one.usual + one.early)[mine]]
                continue
            # The exposure of a life is laid evenly over its days, month by month.
            pieces = np.maximum(np.ceil((last[mine] - first[mine]) / _MONTH), 1).astype(int)
            piece = np.repeat(np.arange(at.size), pieces)
            turn = np.arange(piece.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
            days = (
                first[mine][piece]
                + (turn + 0.5) / pieces[piece] * (last[mine] - first[mine])[piece]
            )
            when += [days, last[mine][died]]
            fails += [np.zeros(days.size), np.ones(int(died.sum()))]
            waits += [(one.usual[mine] / pieces)[piece], np.zeros(int(died.sum()))]
        day = np.concatenate(when)
        start = day.min()
        month = ((day - start) // _MONTH).astype(np.int64)
        n = int(month.max()) + 1
        failed = summed(month, np.concatenate(fails), n)
        usual = summed(month, np.concatenate(waits), n)
        # The level before it is its own: nothing else may make it seem to begin sooner.
        early = int(max((self.days[step] - start) // _MONTH, 1))
        before = (failed[:early].sum() + 1.0) / (usual[:early].sum() + 1.0)
        if family == "batch":
            before = 1.0
        # It is sought within the half-years beside the one that stood out.
        low = max(int((self.days[step] - STEP - start) // _MONTH), 0)
        high = int((self.days[step] + STEP - start) // _MONTH)
        onset = low + cusum(failed[low:], usual[low:] * before, max(ratio, 1.3)).began
        return float(start + min(onset, high) * _MONTH)

    def _by(self, finding: Finding, clock: int) -> tuple[float, float]:
        """Return expected failures and chance of a finding by the other clock."""
        lives, component = self.lives, finding.component
        kept = self.clock, self.of[component]
        self.clock = clock
        try:
            self.of[component] = self._expect(component, self._lives_of(component))
            entries = self._compare(component)
        finally:
            self.clock, self.of[component] = kept
        some = (entries.family == FAMILY[finding.family]) & (entries.ident == finding.ident)
        if not some.any():
            return 0.0, 0.0
        i = np.flatnonzero(some)
        p = entries.chance(self.among)[i]
        near = i[np.argmin(p)]
        return float(entries.mean[near]), float(p.min())

    def _expected_now(self, finding: Finding) -> Finding:
        """Put a finding into the expectation of its lives, and return it with its places."""
        self.suspect |= finding.rows
        touched = list(self.of) if finding.component < 0 else [finding.component]
        places: dict[int, Places] = {}
        for component in touched:
            one = self._expect(component, self._lives_of(component))
            self.of[component] = one
            mine = finding.rows[one.rows]
            if one.law is not None and mine.any():
                places[component] = places_of(
                    self.lives, one.rows, self.place[one.rows], one.law, mine,
                    self._rates(one, mine, finding),
                    None if finding.family == "batch" else finding.since,
                    self.boost[one.rows], one.early if finding.family in OF_PARTS else None,
                )  # fmt: skip
        finding = replace(finding, places=places)
        if finding.family == "vehicle since":
            # Its own past has a level of its own.
            level = finding.mean / max(finding.at_age, _SMALL)
            places = {
                component: replace(one, usual=one.usual * level, at_age=one.at_age * level)
                for component, one in places.items()
            }
            finding = replace(finding, places=places)
        ratio = (finding.observed + 0.5) / (finding.at_age + 0.5)
        self.boost[finding.rows] *= ratio
        for component in touched:
            one = self.of[component]
            times = np.where(finding.rows[one.rows], ratio, 1.0)
            self.of[component] = replace(
                one,
                usual=one.usual * times,
                early=one.early * times,
                after=one.after * times[one.row],
            )
            self.entries[component] = self._compare(component)
            self.apart = {key: p for key, p in self.apart.items() if key[0] != component}
        self.vehicles = self._vehicles()
        return finding

    def _rates(self, one: _Of, mine: Bools, finding: Finding) -> Floats:
        """Return the rate of each life, times its law, by those that a finding was held against."""
        kind, died, lived = self._kinds(one, finding.family)
        failed, usual = self._counted(one, finding.family)
        if finding.family in ("fleet since", "class since"):
            first, last = self.lives.first[one.rows], self.lives.last[one.rows]
            with np.errstate(invalid="ignore", divide="ignore"):
                part = np.clip((finding.since - first) / (last - first), 0.0, 1.0)  # type: ignore[operator]
            sooner = summed(kind, np.where(last < finding.since, failed, 0.0), died.size)
            before = summed(kind, np.nan_to_num(part) * usual, died.size)
            level = (sooner.sum() + 0.5) / max(before.sum(), _SMALL)
            return ((sooner + 2.0 * level) / (before + 2.0))[kind]
        own = summed(kind, np.where(mine, failed, 0.0), died.size)
        exposed = summed(kind, np.where(mine, usual, 0.0), died.size)
        mean, _doubt = of_others(
            own, exposed, (died, lived), (died.sum(), lived.sum()), self._alike(one)
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = mean / exposed
        return np.where(np.isfinite(rate), rate, 1.0)[kind]


_SMALL = 1e-9


def _find(entries: Entries, entry: tuple[int, int, int]) -> int | None:
    """Return where a comparison stands by its family, what it is of, and its first day."""
    family, ident, since = entry
    some = (entries.family == family) & (entries.ident == ident) & (entries.since == since)
    found = np.flatnonzero(some)
    return int(found[0]) if found.size else None


def _where(entries: Entries, rows: Bools) -> Entries:
    return Entries(**{name: getattr(entries, name)[rows] for name in Entries.__dataclass_fields__})


def _crowding(group: Ints, usual: Floats, n: int) -> Floats:
    """Return one over the number of lives that carry a group's expectation; vehicles have two."""
    total = summed(group, usual, n)
    squares = summed(group, usual**2, n)
    return np.minimum(2.0 * squares / np.maximum(total, 1e-12) ** 2, 1.0)
