"""All comparisons of a ledger: what each life is expected to bring, and against what it is held."""

from dataclasses import dataclass

import numpy as np

from roadworn_plugins.lifedata import summed
from roadworn_plugins.repeats.levels import (
    EARLY,
    FAMILIES,
    FAMILY,
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
)
from roadworn_plugins.shared.grouped import Bools, Floats, Ints

#: What is told apart by the origin of parts.
OF_PARTS = ("supplier", "part", "batch")
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
    """

    rows: Ints
    law: Law | None
    usual: Floats
    early: Floats
    step: Ints
    row: Ints
    after: Floats


class Comparisons:
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

        self.of: dict[int, Of] = {}
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
            none = np.zeros(0)
            return Of(rows[:0], None, none, none, none.astype(int), none.astype(int), none)
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
        return Of(rows, law, usual, early, step, row, after)

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
        classes, kind = np.unique(self.lives.codes["class"][one.rows], return_inverse=True)
        failed, usual = self._counted(one, family)
        return kind, summed(kind, failed, classes.size), summed(kind, usual, classes.size)

    def _counted(self, one: Of, family: str) -> tuple[Floats, Floats]:
        """Return failures and exposure of each life: of parts by their origin comebacks as well."""
        if family in OF_PARTS:
            return np.where(self.lives.failed[one.rows], 1.0, 0.0), one.usual + one.early
        return np.where(self.worn[one.rows], 1.0, 0.0), one.usual

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

    def _whole(self, family: str, code: Ints, one: Of) -> Entries:
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
            self._alike(one),
        )
        good = np.isfinite(mean)
        n = idents.size
        observed = summed(of[good], own[good], n)
        total = summed(of[good], mean[good], n)
        return Entries.of(
            family, idents, observed, total, summed(of[good], doubt[good], n),
            total**2 * _crowding(group, usual, n) if family != "place" else total**2,
        )  # fmt: skip

    def _batches(self, one: Of, named: Bools) -> Entries:
        """Compare what each supplier sent since each half-year with all others of the component."""
        kind, *kinds = self._kinds(one, "batch")
        every = (kinds[0].sum(), kinds[1].sum())
        failed, usual = self._counted(one, "batch")
        lives, rows = self.lives, one.rows
        # An original part has no day of fitting here.
        clock = 0 if one.law is None else one.law.clock
        first = np.where(lives.entry[clock, rows] == 0.0, lives.first[rows], np.nan)
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
            own, lived, (kinds[0][None, :, None], kinds[1][None, :, None]), every,
            self._alike(one),
        )  # fmt: skip
        total = np.nansum(mean, axis=1)
        # New parts are young: what ages do is uncertain where few failures tell.
        unsure = np.nansum(doubt, axis=1) + 2.0 * total**2 / (every[0] + 2.0)
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
            unsure[pick], np.nan_to_num(spread)[pick], step - 1,
        )  # fmt: skip

    def _after(self, one: Of, code: Ints, size: int, weight: Floats) -> tuple[Floats, ...]:
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

    def _since(self, one: Of) -> list[Entries]:
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
                )
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
                for place, cell in enumerate(self._after(one, code, n, weight)):
                    past[place] += cell
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

    def _lives_of(self, component: int) -> Ints:
        return np.flatnonzero(self.lives.codes["component"] == component)

    def failed(self, family: str) -> Bools:
        """Return which lives count as failed: comebacks only where parts are told apart."""
        return self.lives.failed if family in OF_PARTS else self.worn


def find(entries: Entries, entry: tuple[int, int, int]) -> int | None:
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
    return np.asarray(np.minimum(2.0 * squares / np.maximum(total, 1e-12) ** 2, 1.0))
