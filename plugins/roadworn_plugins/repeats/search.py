"""The strongest fact is found, put into the expectation, and it is looked again.

One vehicle whose parts all fail twice as often shows in many places, a bad batch in its supplier,
its part and every month since. What explains the most is one finding; once it is expected,
what was only a part of it is nothing unusual any more.
"""

from dataclasses import dataclass, replace

import numpy as np

from roadworn_plugins.lifedata import summed
from roadworn_plugins.repeats.along_time import Places, cusum, places_of
from roadworn_plugins.repeats.chances import (
    BATCHES,
    FAMILIES,
    FAMILY,
    OF_PARTS,
    OF_PLACES,
    Entries,
    tail,
)
from roadworn_plugins.repeats.comparisons import Comparisons, Rank, find, where
from roadworn_plugins.repeats.expected import Of
from roadworn_plugins.repeats.levels import A_YEAR, STEP, of_others
from roadworn_plugins.shared.grouped import Bools, Floats

_NAMES = tuple(FAMILIES)
_MONTH = 365.25 / 12.0
# Of these there are as many as vehicles or more, of few failures each.
_BY_THE_LIST = frozenset(FAMILY[name] for name in (*OF_PLACES, "vehicle"))
# What is told apart by its parts; and up to how many by chance it is worth a second look.
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
        adjusted: alarms of chance at that height in the whole search, as a share of the list
            down to it.
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


class Search(Comparisons):
    """The comparisons of a ledger, made again after each finding."""

    def findings(self, rate: float) -> tuple[list[Finding], list[tuple[Finding, float]]]:
        """Return the findings in the order of their strength, and what went by the other clock.

        Args:
            rate: share of the list that may be chance.
        """
        found: list[Finding] = []
        set_aside: list[tuple[Finding, float]] = []
        share = 0.0
        while len(found) < MOST:
            best = self._strongest(rate, len(found) + 1)
            if best is None or best[0] > rate:
                break
            height, component, entry = best
            share = max(share, height)
            finding = replace(self._finding(height, component, entry), adjusted=share)
            if any(_one_fact(finding, other, self.lives.failed) for other in found):
                continue
            law = self.of[component].law if component >= 0 else None
            if law is not None and not law.sure and self.clock is None:
                usual, chance = self._by(finding, 1 - law.clock)
                if chance > CLOCK_ALPHA:
                    set_aside.append((finding, usual))
                    continue
            found.append(self._expected_now(finding))
        return found, set_aside

    def _strongest(self, rate: float, rows: int) -> tuple[float, int, tuple[int, int, int]] | None:
        """Return the comparison that chance explains least: its height, component and entry.

        Among the many of `_BY_THE_LIST` so many may be chance as the list is long (Benjamini and
        Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300). What counts hundreds of failures stands
        out by what the expectation does not know sooner than by chance, and is not let in so.

        Args:
            rate: height above which none is of interest.
            rows: how long the list is with it.
        """
        most: dict[tuple[int, int], Rank] = {}
        for component, entries in (*self.entries.items(), (-1, self.vehicles)):
            for rank in self._ranked(component, entries):
                entry = rank[3]
                key = (component if entry[0] in _OF_PARTS else -1, entry[0])
                best = most.get(key)
                if (best is None or rank < best) and (component, *entry) not in self.done:
                    most[key] = rank
        found: tuple[float, float, int, tuple[int, int, int]] | None = None
        for less, p, component, entry in most.values():
            share, reach = FAMILIES[_NAMES[entry[0]]].share, self.reach[entry[0]]
            share *= rows if entry[0] in _BY_THE_LIST else 1
            parts = entry[0] in _OF_PARTS
            # What can be shown is seldom a small part of what any chance would be.
            if reach.most(p) / share > (500.0 if parts else 50.0) * rate:
                continue
            expected = reach.expected(-less)
            said = -less
            if parts and expected < _WORTH:
                said = self._apart(component, entry)
                expected = reach.expected(said)
            ranked = (expected / share, -said, component, entry)
            if found is None or ranked < found:
                found = ranked
        return None if found is None else (found[0], found[2], found[3])

    def _ranked(self, component: int, entries: Entries) -> list[Rank]:
        """Return what stands out of a component, worked out once while its entries stay."""
        known = self.ranked.get(component)
        if known is not None and known[0] is entries:
            return known[1]
        chances = entries.chance(self.among)
        some = (chances <= 0.02) & (entries.observed >= self.least)
        some &= entries.observed > entries.mean
        picked = where(entries, some)
        figures = (picked.lift(self.among), chances[some])
        names = (picked.family, picked.ident, picked.since)
        ranks = [
            (-said, p, component, (family, ident, since))
            for said, p, family, ident, since in zip(
                *(x.tolist() for x in (*figures, *names)), strict=True
            )
        ]
        self.ranked[component] = entries, ranks
        return ranks

    def _apart(self, component: int, entry: tuple[int, int, int]) -> float:
        """Return what speaks for a fault in a comparison of parts, the law fitted without them.

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
        i = find(entries, entry)
        said = float(entries.lift(self.among)[i]) if i is not None else -np.inf
        self.apart[component, entry] = said
        return said

    def _finding(self, height: float, component: int, entry: tuple[int, int, int]) -> Finding:
        family, ident, step = entry
        self.done.add((component, *entry))
        entries = self.vehicles if component < 0 else self.entries[component]
        i = find(entries, entry)
        if i is None:
            raise LookupError(entry)
        variance = float(entries.variance(self.among)[i])
        name = _NAMES[family]
        observed, mean = float(entries.observed[i]), float(entries.mean[i])
        since, alarms = None, None
        if step >= 0:
            since = self._began(name, component, ident, step, observed / mean)
            alarms = height * FAMILIES[name].share * A_YEAR
        rows = self.rows_of(name, component, ident, since)
        return Finding(
            name, component, ident, since, rows, float(self.failed(name)[rows].sum()), mean,
            variance,
            float(tail(*(np.array([x]) for x in (observed, mean, variance)))[0]),
            height, alarms, {},
        )  # fmt: skip

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
            "place": self.place, "comebacks": self.place, "part": self.number,
            "supplier": lives.codes["supplier"], "batch": lives.codes["supplier"],
            "batch comebacks": lives.codes["supplier"], "class": lives.codes["class"],
            "class since": lives.codes["class"],
        }.get(family, lives.codes["vehicle"])  # fmt: skip
        rows = self.counted.copy() if family == "fleet since" else self.counted & (code == ident)
        if component >= 0:
            rows = rows & (lives.codes["component"] == component)
        if since is not None:
            batch = family in BATCHES
            day = lives.first if batch else lives.last
            fitted = np.array([one is not None for one in lives.started]) if batch else True
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
            if family in BATCHES:
                when += [first[mine]]
                fails += [died * 1.0]
                waits += [self._counted(one, family)[1][mine]]
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
        if family in BATCHES:
            before = 1.0
        # It is sought within the half-years beside the one that stood out.
        low = max(int((self.days[step] - STEP - start) // _MONTH), 0)
        high = int((self.days[step] + STEP - start) // _MONTH)
        onset = low + cusum(failed[low:], usual[low:] * before, max(ratio, 1.3)).began
        return float(start + min(onset, high) * _MONTH)

    def _by(self, finding: Finding, clock: int) -> tuple[float, float]:
        """Return expected failures and chance of a finding by the other clock."""
        component = finding.component
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
            rates, counts = self._rates(one, mine, finding), FAMILIES[finding.family].counts
            if counts == "comebacks" and mine.any():
                soon, days = (one.early * rates)[mine], (self.lives.first, self.lives.last)
                first, last = (day[one.rows][mine] for day in days)
                places[component] = Places(soon, first, last, float(soon.sum()))
            elif one.law is not None and mine.any():
                places[component] = places_of(
                    self.lives, one.rows, self.place[one.rows], one.law, mine, rates,
                    None if finding.family in BATCHES else finding.since,
                    self.boost[one.rows], one.early if counts == "both" else None,
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
        self.again[finding.rows] *= ratio
        wear = FAMILIES[finding.family].counts != "comebacks"
        if wear:
            self.boost[finding.rows] *= ratio
        for component in touched:
            one = self.of[component]
            times = np.where(finding.rows[one.rows], ratio, 1.0)
            one = replace(one, early=one.early * times)
            if wear:
                one = replace(one, usual=one.usual * times, after=one.after * times[one.row])
            self.of[component] = one
            self.entries[component] = self._compare(component)
            self.apart = {key: p for key, p in self.apart.items() if key[0] != component}
        self.vehicles = self._vehicles()
        return finding

    def _rates(self, one: Of, mine: Bools, finding: Finding) -> Floats:
        """Return the rate of each life, times its law, by those that a finding was held against."""
        kind, died, lived = self._kinds(one, finding.family)
        failed, usual = self._counted(one, finding.family)
        since = finding.since
        if since is not None and finding.family in ("fleet since", "class since"):
            first, last = self.lives.first[one.rows], self.lives.last[one.rows]
            with np.errstate(invalid="ignore", divide="ignore"):
                part = np.clip((since - first) / (last - first), 0.0, 1.0)
            sooner = summed(kind, np.where(last < since, failed, 0.0), died.size)
            before = summed(kind, np.nan_to_num(part) * usual, died.size)
            level = (sooner.sum() + 0.5) / max(before.sum(), _SMALL)
            return np.asarray((sooner + 2.0 * level) / (before + 2.0))[kind]
        own = summed(kind, np.where(mine, failed, 0.0), died.size)
        exposed = summed(kind, np.where(mine, usual, 0.0), died.size)
        mean, _doubt = of_others(
            own, exposed, (died, lived), (died.sum(), lived.sum()), self._alike(one)
        )
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = mean / exposed
        return np.where(np.isfinite(rate), rate, 1.0)[kind]


_SMALL = 1e-9


def _one_fact(finding: Finding, other: Finding, failed: Bools) -> bool:
    """Tell whether parts by their origin are mostly those of another finding of it."""
    if {finding.family, other.family} - set(OF_PARTS) or finding.component != other.component:
        return False
    mine = finding.rows & failed
    return int((mine & other.rows).sum()) * 2 > int(mine.sum())
