"""Chances of causes from diagnosed cases: counts that borrow from all classes and from the trade.

What one fact (a code, a symptom, a finding) says of the cause is a Dirichlet-multinomial: the
cases of the class with that fact, drawn towards those of all classes, and these towards what the
trade expects. Facts are put together as if independent given the cause (naive Bayes), which is
overconfident where they repeat each other; so their weight is an exponent that the ledger's own
cases set, each foretold from the others. Hand and Yu, Idiot's Bayes, International Statistical
Review 69 (2001); Gneiting and Raftery, JASA 102 (2007), for the logarithmic score; both from
memory.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from roadworn_plugins.lifedata.special import pdtrc

Floats = NDArray[np.float64]

#: Weight of the class's neighbours and of the trade in cases, tried in turn.
_BORROWED = (1.0, 4.0, 12.0)
#: Weight of the facts, from "they say nothing" to more than if each were independent.
_TEMPERS = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.3, 1.5)
#: Last of all the whole is made bolder or shyer, as the cases say that it should be.
_SHARPENED = np.array((0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5))
_SHARPEN_SPREAD = 0.2
#: Many facts repeat each other, so each of n counts n to the minus this.
_CROWDED = (0.0, 0.25, 0.5)
_USUAL_CROWDED, _CROWDED_SPREAD = 0.25, 0.2
#: Shares of pictures whose facts have nothing to do with the cause written down.
_ASTRAY = np.array((0.005, 0.02, 0.04, 0.07, 0.11))
_USUAL_ASTRAY = 0.02
#: How much shyer wrong labels make the chances, by the made shops of tests/simulations.
_WRONG_LABELS = 3.2
#: Before a ledger has spoken the facts count by so much (common practice, no source).
_USUAL_TEMPER, _TEMPER_SPREAD = 0.8, 0.3
_USUAL_BORROWED, _BORROWED_SPREAD = 2.0, 0.8
#: Fewer cases set no weight of their own.
_LEAST_TO_LEARN = 12
MOST_TO_LEARN = 500
#: Facts that ask for a cause, and so always count.
ASKING = frozenset({"code", "symptom"})
#: How surely another fact has to go with a cause before it counts.
_TELLING = 0.01
_LEAST_SEEN = 3
#: Below this logarithm of the odds against the likeliest a cause adds nothing to a sum.
_NEGLIGIBLE = -18.0
#: What the trade thinks of first is so many times as common with a fact as without (common
#: practice, no source): of two hundred parts about as likely as all others together.
_LIFT = 300.0
#: How often the part just replaced without cure is the cause all the same, and in how many cases.
_TRIED_AGAIN, _TRIED_WEIGHT = 0.1, 5.0


@dataclass(frozen=True, slots=True)
class Case:
    """A picture whose cause is known.

    Attributes:
        cause: component.
        kind: class of the vehicle.
        facts: what was there: ``code:P0420``, ``symptom:lamp``, ``failed:brake.hose``.
        tried: components replaced before without cure.
        vehicle: whose.
        events: ids behind it.
        sure: the cause was written down, a later scan was without the code, or it cured after
            another part had not.
    """

    cause: str
    kind: str
    facts: frozenset[str]
    tried: frozenset[str] = frozenset()
    vehicle: str = ""
    events: tuple[str, ...] = ()
    sure: bool = False


def kind_of(fact: str) -> str:
    """Return what a fact is: code, symptom, word, failed, wearing or band."""
    return fact.partition(":")[0]


#: fact -> component -> how much the trade expects it; need not sum to one.
Trade = Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Weights:
    """What the ledger's own cases set.

    Attributes:
        temper: exponent of what the facts add to the base rate.
        borrowed: how many cases the next wider group counts for.
        sharp: exponent of the whole, 1 as it stands.
        astray: share of pictures for which only the base rate holds.
        crowded: each of n facts counts n to the minus this.
        learnt: whether the cases set them.
    """

    temper: float = _USUAL_TEMPER
    borrowed: float = _USUAL_BORROWED
    sharp: float = 1.0
    astray: float = _USUAL_ASTRAY
    crowded: float = _USUAL_CROWDED
    learnt: bool = False


#: A code alone is a Dirichlet-multinomial as it stands.
ONLY_CODES = Weights(temper=1.0, astray=0.0, crowded=0.0)


@dataclass(frozen=True, eq=False)
class Causes:
    """Chances of causes, learnt from cases and the trade.

    Attributes:
        names: the components that may be causes, in the order of all arrays.
        trade: what the trade expects of a fact, shape (causes,), 1 for what it thinks of first.
        cases: what it is learnt from.
        weights: how facts and groups count.
        telling: findings, words and distances that go with a cause beyond chance.
    """

    names: tuple[str, ...]
    trade: Mapping[str, Floats]
    cases: tuple[Case, ...]
    weights: Weights = field(default_factory=Weights)
    telling: frozenset[str] = frozenset()
    _index: dict[str, int] = field(default_factory=dict)
    _counts: dict[tuple[str, str], Floats] = field(default_factory=dict)

    @classmethod
    def learnt(
        cls,
        cases: Iterable[Case],
        trade: Trade,
        components: Collection[str],
        *,
        learn: bool = True,
        before: Callable[[object, Callable[[], Weights]], Weights] | None = None,
    ) -> "Causes":
        """Count the cases, and let them set the weights.

        Args:
            cases: with known causes.
            trade: what each fact points to.
            components: that may be causes beside those of the cases.
            learn: False keeps the usual weights.
            before: hands over the weights made of the same before, or makes them.
        """
        kept = tuple(cases)
        names = tuple(sorted({*components, *(case.cause for case in kept)}))
        index = {name: i for i, name in enumerate(names)}
        counts = _counted(kept, index)
        expected, telling = _spread(trade, index), _telling(counts)
        found = cls(names, expected, kept, Weights(), telling, index, counts)
        if not learn or len(kept) < _LEAST_TO_LEARN:
            return found
        best = found.best() if before is None else before(found.weighed(), found.best)
        best = replace(best, sharp=best.sharp * found._bolder())
        return cls(names, expected, kept, best, telling, index, counts)

    def used(self, facts: Iterable[str]) -> list[str]:
        """Return the facts that are counted on, sorted.

        A code or a symptom always is; a finding where the trade ties it to one of those, or
        where the cases do beyond chance; a word or a distance only by the cases.
        """
        given = sorted(set(facts))
        asking = [fact for fact in given if kind_of(fact) in ASKING]
        near = {
            i
            for fact in asking
            if fact in self.trade
            for i in np.flatnonzero(self.trade[fact] > 0.0).tolist()
        }
        return [
            fact
            for fact in given
            if fact in asking
            or fact in self.telling
            or (fact in self.trade and near & set(np.flatnonzero(self.trade[fact]).tolist()))
            or (not asking and kind_of(fact) == "failed")
        ]

    def chances(
        self,
        facts: Collection[str],
        kind: str,
        tried: Collection[str] = (),
        *,
        without: Case | None = None,
        weights: Weights | None = None,
    ) -> Floats:
        """Return the chance of each cause, shape (causes,), summing to one.

        Args:
            facts: of the picture.
            kind: class of the vehicle.
            tried: components replaced without cure.
            without: a case of the ledger to leave out, to foretell it from the others.
            weights: other than those learnt.
        """
        used = weights or self.weights
        counted = self.used(facts)
        base, added = self._parts(counted, kind, used.borrowed, without)
        temper = used.temper * max(len(counted), 1) ** -used.crowded
        shares = _shares(used.sharp * (base + temper * added))
        shares = (1.0 - used.astray) * shares + used.astray * np.exp(base)
        return self._held_against(shares, tried, without)

    def seen_with(self, fact: str) -> int:
        """Return how many cases have a fact."""
        return int(self._counts[fact, ""].sum()) if (fact, "") in self._counts else 0

    def times_likelier(self, fact: str, kind: str) -> Floats:
        """Return how many times as likely each cause is with a fact as without.

        Little is borrowed here: what never came together in many cases is to be seen.
        """
        return np.exp(self._parts((fact,), kind, _BORROWED[0], None)[1])

    def base(self, kind: str, without: Case | None = None) -> Floats:
        """Return how often each cause is one on a class, whatever is seen."""
        return np.exp(self._parts((), kind, self.weights.borrowed, without)[0])

    def given(self, fact: str, kind: str, without: Case | None = None) -> Floats:
        """Return the chance of each cause by one fact alone, a Dirichlet-multinomial."""
        base, added = self._parts((fact,), kind, self.weights.borrowed, without)
        return np.exp(base + added)

    def like(self, facts: Collection[str], leading: Collection[str]) -> list[Case]:
        """Return the cases that share a leading fact, those that share most first."""
        shared = [(len(case.facts & set(facts)), case) for case in self.cases]
        return [
            case
            for _n, case in sorted(shared, key=lambda pair: -pair[0])
            if case.facts & set(leading)
        ]

    def weighed(self) -> object:
        """Return all that `best` rests on: other facts of the trade change no weight."""
        facts = sorted({fact for case in self.cases for fact in case.facts})
        trade = [(fact, self.trade[fact]) for fact in facts if fact in self.trade]
        return [self.names, self.cases, trade]

    def best(self) -> Weights:
        """Return the weights under which each case is foretold best from the others.

        The logarithmic score, summed over the cases, and a weak habit of the trade for few.
        """
        cases = self.cases[-MOST_TO_LEARN:]
        # Cases alike are foretold alike from the others, whichever of them is left out.
        alike: dict[tuple[tuple[str, ...], str, str], list[Case]] = {}
        for case in cases:
            alike.setdefault((tuple(self.used(case.facts)), case.kind, case.cause), []).append(case)
        tempers = np.array(_TEMPERS)
        # A whole that is made bolder may have its facts count less, so both are tried together.
        sharp, temper = (grid.ravel() for grid in np.meshgrid(_SHARPENED, tempers))
        best, found = -np.inf, Weights()
        for borrowed in _BORROWED:
            score = np.zeros((len(_CROWDED), _ASTRAY.size, sharp.size))
            for (facts, kind, cause), same in alike.items():
                base, added = self._parts(facts, kind, borrowed, same[0])
                at = self._index[cause]
                usual = float(np.exp(base[at]))
                share: Floats | None = None
                for n, crowded in enumerate(_CROWDED):
                    # What is alone is not crowded.
                    if share is None or len(facts) > 1:
                        crowd = max(len(facts), 1) ** -crowded
                        share = _shares_of(at, base, crowd * tempers, added)
                    told = np.outer(1.0 - _ASTRAY, share) + (_ASTRAY * usual)[:, None]
                    score[n] += len(same) * np.log(told)
            score -= 0.5 * ((temper - _USUAL_TEMPER) / _TEMPER_SPREAD) ** 2
            score -= 0.5 * (np.log(borrowed / _USUAL_BORROWED) / _BORROWED_SPREAD) ** 2
            score -= 0.5 * (np.log(sharp) / _SHARPEN_SPREAD) ** 2
            usual_crowd = (np.array(_CROWDED) - _USUAL_CROWDED) / _CROWDED_SPREAD
            score -= 0.5 * usual_crowd[:, None, None] ** 2
            place = np.unravel_index(int(np.argmax(score)), score.shape)
            n, row, at = (int(axis) for axis in place)
            if score[n, row, at] > best:
                best = float(score[n, row, at])
                found = Weights(
                    float(temper[at]),
                    borrowed,
                    float(sharp[at]),
                    float(_ASTRAY[row]),
                    _CROWDED[n],
                    learnt=True,
                )
        return found

    def _bolder(self) -> float:
        """Return the exponent that gives back what wrong labels take away.

        Chances that foretell what was written down are too shy of what is true where a part that
        was no cure stands among the cases. How often that is follows from how often a first part
        was seen to be none, and from the share of cases that nothing confirms.
        """
        wrong = sum(len(case.tried) for case in self.cases)
        unsure = float(np.mean([not case.sure for case in self.cases]))
        return 1.0 + _WRONG_LABELS * unsure * wrong / (wrong + len(self.cases))

    def _parts(
        self, facts: Collection[str], kind: str, borrowed: float, without: Case | None
    ) -> tuple[Floats, Floats]:
        """Return the logarithm of the base rate, and what the facts add to it."""
        size = len(self.names)
        uniform = np.full(size, 1.0 / size)
        everywhere = self._drawn("", "", uniform, borrowed, without)
        here = self._drawn("", kind, everywhere, borrowed, without)
        base = np.log(here)
        added = np.zeros(size)
        for fact in sorted(facts):
            prior = everywhere
            if fact in self.trade:
                # The trade says how much commoner a cause is with the fact, not how common it is.
                prior = everywhere * (1.0 + _LIFT * self.trade[fact])
                prior /= prior.sum()
            fleet = self._drawn(fact, "", prior, borrowed, without)
            # How much commoner a cause is with the fact than without, on all classes, holds on
            # this class as well; its own cases then speak.
            carried = fleet * here / everywhere
            own = self._drawn(fact, kind, carried / carried.sum(), borrowed, without)
            added += np.log(own) - base
        return base, added

    def _drawn(
        self, fact: str, kind: str, towards: Floats, weight: float, without: Case | None
    ) -> Floats:
        """Return counts drawn towards a wider group: (n + weight p) / (N + weight)."""
        counts = self._counts.get((fact, kind))
        if counts is None:
            return towards
        if without is not None and fact in ("", *without.facts) and kind in ("", without.kind):
            counts = counts.copy()
            counts[self._index[without.cause]] -= 1.0
        drawn: Floats = (counts + weight * towards) / (counts.sum() + weight)
        return drawn

    def _held_against(
        self, chances: Floats, tried: Collection[str], without: Case | None
    ) -> Floats:
        """Lower what was replaced without cure, as far as cases say that it was not the cause."""
        at = [self._index[name] for name in tried if name in self._index]
        if not at:
            return chances
        seen = [case for case in self.cases if case.tried and case is not without]
        again = sum(case.cause in case.tried for case in seen) + _TRIED_AGAIN * _TRIED_WEIGHT
        share = again / (len(seen) + _TRIED_WEIGHT)
        lowered = chances.copy()
        lowered[at] *= share
        lowered /= lowered.sum()
        return lowered


def _shares_of(at: int, base: Floats, tempers: Floats, added: Floats) -> Floats:
    """Return the chance of a cause at every temper and, within it, every sharpness.

    Args:
        at: which cause.
        base: logarithms of the base rates, shape (causes,).
        tempers: how much the facts count, shape (tempers,).
        added: what they add to the logarithms, shape (causes,).
    """
    line = base[:, None] + tempers[None, :] * added[:, None]
    line -= line.max(axis=0)
    kept = line[line.max(axis=1) > _NEGLIGIBLE]
    whole = np.exp(kept[:, :, None] * _SHARPENED).sum(axis=0)
    return np.asarray((np.exp(line[at][:, None] * _SHARPENED) / whole).ravel(), dtype=np.float64)


def _shares(logs: Floats) -> Floats:
    made = np.exp(logs - logs.max())
    return np.asarray(made / made.sum(), dtype=np.float64)


def _telling(counts: Mapping[tuple[str, str], Floats]) -> frozenset[str]:
    """Return the facts that go with some cause oftener than chance allows, by a Poisson tail.

    The chance of the cause that stands out most, times the causes that there are.
    """
    everything = counts.get(("", ""))
    if everything is None:
        return frozenset()
    found = []
    causes = np.count_nonzero(everything)
    for (fact, kind), line in counts.items():
        number = line.sum()
        if not fact or kind or number < _LEAST_SEEN or kind_of(fact) in ASKING:
            continue
        usual = number * everything / everything.sum()
        at = (line > usual) & (line > 1.0)
        if at.any() and float(pdtrc(line[at] - 1.0, usual[at]).min()) * causes < _TELLING:
            found.append(fact)
    return frozenset(found)


def _spread(trade: Trade, index: Mapping[str, int]) -> dict[str, Floats]:
    """Return the trade's expectations over the causes, 1 for the first; what names none is left."""
    found = {}
    for fact, expected in trade.items():
        line = np.zeros(len(index))
        for name, weight in expected.items():
            if name in index:
                line[index[name]] += weight
        if line.sum() > 0.0:
            found[fact] = line / line.max()
    return found


def _counted(cases: Iterable[Case], index: Mapping[str, int]) -> dict[tuple[str, str], Floats]:
    """Return how often each cause was one, by fact and class; an empty text stands for all."""
    counts: dict[tuple[str, str], Floats] = defaultdict(lambda: np.zeros(len(index)))
    for case in cases:
        for fact, kind in product(("", *case.facts), ("", case.kind)):
            counts[fact, kind][index[case.cause]] += 1.0
    return dict(counts)
