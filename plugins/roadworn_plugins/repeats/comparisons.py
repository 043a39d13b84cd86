"""All comparisons of a ledger: what each life is expected to bring, and against what it is held."""

import numpy as np

from roadworn_plugins.lifedata import summed
from roadworn_plugins.repeats.chances import (
    BATCHES,
    FAMILIES,
    FAMILY,
    OF_PLACES,
    Dispersion,
    Entries,
    Reach,
    dispersion,
)
from roadworn_plugins.repeats.expected import Expected, Of
from roadworn_plugins.repeats.levels import (
    YEARS_DIFFER,
    Lives,
    numbered,
    of_others,
    of_past,
)
from roadworn_plugins.shared.grouped import Bools, Floats, Ints

#: What is said for a fault, less first; its chance; component; family, code and step.
Rank = tuple[float, float, int, tuple[int, int, int]]


class Comparisons(Expected):
    """The comparisons of a ledger, made again after each finding."""

    def __init__(self, lives: Lives, least: int = 2, clock: int | None = None) -> None:
        """Fit the laws and make all comparisons once.

        Args:
            lives: of all components.
            least: fewer failures are not listed.
            clock: 0 or 1 for all; None for the likelier of each component.
        """
        super().__init__(lives, least, clock)
        self.entries = {component: self._compare(component) for component in self.of}
        self.vehicles = self._vehicles()
        self.among = self._dispersion()
        self.reach = self._reach()
        self.apart: dict[tuple[int, tuple[int, int, int]], float] = {}
        self.ranked: dict[int, tuple[Entries, list[Rank]]] = {}
        self.done: set[tuple[int, int, int, int]] = set()

    @property
    def compared(self) -> int:
        """Return how many comparisons are made."""
        return sum(e.family.size for e in self.entries.values()) + self.vehicles.family.size

    def _compare(self, component: int) -> Entries:
        one, lives = self.of[component], self.lives
        rows = one.rows
        if rows.size == 0:
            return Entries.joined([])
        parts = [
            self._whole(family, code[rows], one)
            for family, code in (
                ("place", self.place),
                ("comebacks", self.place),
                ("class", lives.codes["class"]),
            )
        ]
        # A part with one place is that place; where it has several, all of a vehicle together.
        vehicle = lives.codes["vehicle"][rows]
        several = _several(vehicle, self.place[rows], len(lives.names["vehicle"]))
        whole = self._whole("on vehicle", vehicle, one)
        parts.append(where(whole, several[whole.ident]))
        supplier = lives.codes["supplier"][rows]
        named = np.array([bool(name) for name in lives.names["supplier"]])
        several = _several(supplier, self.number[rows], named.size)
        whole = self._whole("supplier", supplier, one)
        # A supplier of one part number is that part; testing both would count it twice.
        parts.append(where(whole, (named & several)[whole.ident]))
        whole = self._whole("part", self.number[rows], one)
        of_number = np.zeros(int(self.number.max()) + 1, dtype=np.int64)
        of_number[self.number] = lives.codes["supplier"]
        has = np.zeros(of_number.size, dtype=bool)
        has[self.number] = (
            named[lives.codes["supplier"]]
            | np.array([bool(name) for name in lives.names["number"]])[lives.codes["number"]]
        )
        parts.append(where(whole, has[whole.ident]))
        if self.days.size:
            parts += [self._batches(one, named, family) for family in BATCHES]
            parts += self._since(one)
        return Entries.joined(parts)

    def _whole(self, family: str, code: Ints, one: Of) -> Entries:
        """Compare groups of lives over the whole record with the others of their classes."""
        kind, *kinds = self._kinds(one, family)
        every = (kinds[0].sum(), kinds[1].sum())
        failed, usual = self._counted(one, family)
        idents, group = numbered(code)
        width = kinds[0].size
        pairs, cell = numbered(group * width + kind)
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
            total**2 if family in OF_PLACES else total**2 * _crowding(group, usual, n),
        )  # fmt: skip

    def _batches(self, one: Of, named: Bools, family: str) -> Entries:
        """Compare what each supplier sent since each half-year with all others of the component."""
        kind, *kinds = self._kinds(one, family)
        every = (kinds[0].sum(), kinds[1].sum())
        failed, usual = self._counted(one, family)
        lives, rows = self.lives, one.rows
        # An original part has no day of fitting here.
        clock = 0 if one.law is None else one.law.clock
        first = np.where(lives.entry[clock, rows] == 0.0, lives.first[rows], np.nan)
        supplier = lives.codes["supplier"][rows]
        kept = np.isfinite(first) & named[supplier]
        kept &= np.array([one is not None for one in lives.started[rows]], dtype=bool)
        if not kept.any():
            return Entries.joined([])
        idents, group = numbered(supplier[kept])
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
            family, idents[ident], own.sum(axis=1)[pick], total[pick],
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
        found = []
        for family, (later, after, sooner, before), idents in (
            (
                "fleet since",
                tuple(cell.sum(axis=0, keepdims=True) for cell in cells),
                np.zeros(1, int),
            ),
            ("class since", cells, one.classes),
        ):
            if family == "class since" and width < 2:
                continue
            mean, doubt = of_past(after, sooner, before)
            # What ages do is itself uncertain, and ages and days go together in a fleet.
            doubt = doubt + mean**2 / (kinds[0].sum() + 2.0)
            # So is how much the years differ, where few others tell.
            doubt = doubt + mean**2 / (self._later(one) + 1.0 / YEARS_DIFFER**2)
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

    def _later(self, one: Of) -> Floats:
        """Return how many failures of all other components came after each first day."""
        own = np.zeros(self.lives.size, dtype=bool)
        own[one.rows] = True
        last = np.sort(self.lives.last[self.worn & ~own & np.isfinite(self.lives.last)])
        return np.asarray(last.size - np.searchsorted(last, self.days), dtype=np.float64)

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
        for number, family in enumerate(FAMILIES.values()):
            some = every.family == number
            reaches.append(
                Reach(every.mean[some], variance[some], self.least, family.times, family.overlap)
            )
        return reaches


def find(entries: Entries, entry: tuple[int, int, int]) -> int | None:
    """Return where a comparison stands by its family, what it is of, and its first day."""
    family, ident, since = entry
    some = (entries.family == family) & (entries.ident == ident) & (entries.since == since)
    found = np.flatnonzero(some)
    return int(found[0]) if found.size else None


def where(entries: Entries, rows: Bools) -> Entries:
    """Return some of the comparisons."""
    return Entries(**{name: getattr(entries, name)[rows] for name in Entries.__dataclass_fields__})


def _several(code: Ints, other: Ints, size: int) -> Bools:
    """Return for each code up to a size whether it stands beside several others."""
    wide = int(other.max()) + 1
    pairs, _number = numbered(code * wide + other)
    return np.asarray(np.bincount(pairs // wide, minlength=size) > 1)


def _crowding(group: Ints, usual: Floats, n: int) -> Floats:
    """Return one over the number of lives that carry a group's expectation; vehicles have two."""
    total = summed(group, usual, n)
    squares = summed(group, usual**2, n)
    return np.asarray(np.minimum(2.0 * squares / np.maximum(total, 1e-12) ** 2, 1.0))
