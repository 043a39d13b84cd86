"""What is open on a vehicle, put together into pictures: what belongs to one fault.

Two facts belong together where one cause explains both better than two that have nothing to do
with each other: the ratio of the two evidences, times the odds that what is seen on one visit
has one cause. A finding or a word without a cause of its own joins what it is tied to.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn_plugins.likely_causes.chances import (
    ASKING,
    Case,
    Causes,
    Floats,
    Weights,
    kind_of,
)
from roadworn_plugins.likely_causes.pictures import (
    Ledgered,
    Seen,
    band,
    load_pictures,
    open_facts,
)
from roadworn_plugins.likely_causes.words import LAMP, expected
from roadworn_plugins.likely_causes.works import works_of
from roadworn_plugins.shared.settings import require

#: Odds that what is seen on one visit, or on different ones, has one cause (common practice, no
#: source), and days that are one visit.
_ONE_VISIT, _APART, _VISIT_DAYS = 4.0, 0.75, 3
#: A finding joins only where the evidence speaks for it by itself.
_JOINS = 1.5
#: With fewer cases of a fact the trade alone says whether it belongs to another.
_LEAST_CASES = 3
_WEIGHTS = Codec((Case, Weights))
_LEARNT = Codec((Causes, Ledgered, Case, Weights))
#: Work of so many days before what is open, that did not help, is held against its part.
_TRIED_DAYS = 180


@dataclass(frozen=True, eq=False)
class Picture:
    """What is open on a vehicle and belongs together.

    Attributes:
        vehicle, kind: which, and its class.
        seen: what was seen.
        facts: their names, with the band of the distance.
        tried: component -> days and events of work that did not help.
        chances: of each cause.
        like: cases that share a code or a symptom, the likest first.
        apart: code -> its likeliest cause and the chance that it is a fault of its own from that.
    """

    vehicle: str
    kind: str
    seen: tuple[Seen, ...]
    facts: tuple[str, ...]
    tried: dict[str, list[tuple[str, str]]]
    chances: Floats
    like: tuple[Case, ...]
    apart: dict[str, tuple[int, float]]


def learnt_from(view: LedgerView) -> tuple[Causes, Ledgered]:
    """Return what a ledger's cases say of causes, and the work that did not help.

    Learnt once for a view, however many analyses ask.
    """

    def learnt() -> tuple[Causes, Ledgered]:
        return view.kept_while("causes learnt", None, lambda: _learnt(view), _LEARNT)

    return view.kept((Causes,), learnt)


def _learnt(view: LedgerView) -> tuple[Causes, Ledgered]:
    ledgered = load_pictures(view)
    facts = {fact for case in ledgered.cases for fact in case.facts}
    facts |= {seen.name for one in open_facts(view, None).values() for seen in one}
    known = [component.id for component in catalogue()]

    def kept(rests_on: object, make: Callable[[], Weights]) -> Weights:
        return view.kept_for("weights of causes", rests_on, make, _WEIGHTS)

    return Causes.learnt(ledgered.cases, expected(facts), known, before=kept), ledgered


def open_pictures(view: LedgerView, vehicle: str | None) -> tuple[Causes, list[Picture]]:
    """Return what the ledger has learnt of causes, and the pictures open now.

    Args:
        view: the ledger as of a day.
        vehicle: only this one; None for all that have not left.

    Raises:
        UnknownName: when no vehicle is called so.
    """
    profiles = {
        name: (kind or "", km)
        for name, kind, km in view.sql(
            "SELECT vehicle_id, vehicle_class, last_km FROM vehicles ORDER BY vehicle_id"
        ).rows
    }
    if vehicle is not None:
        require(vehicle, profiles, "vehicle")
    causes, ledgered = learnt_from(view)
    pictures: list[Picture] = []
    works = works_of(view)
    for name, seen in open_facts(view, vehicle).items():
        kind, km = profiles[name]
        since = min(one.on for one in seen)
        against = [a for a in ledgered.against.get(name, ()) if (since - a[1]).days <= _TRIED_DAYS]
        # What was put in since it was seen, and it is still open, weighs less.
        against += [
            (work.component, work.on, work.event, one.name)
            for work in works.get(name, ())
            for one in seen
            if one.on <= work.on and not work.told and one.event != work.event
        ]
        pictures += pictures_of(causes, name, kind, seen, band(km), against)
    return causes, pictures


def pictures_of(
    causes: Causes,
    vehicle: str,
    kind: str,
    seen: Sequence[Seen],
    travelled: str | None,
    against: Iterable[tuple[str, object, str, str]] = (),
) -> list[Picture]:
    """Return the pictures of a vehicle, those with a code first.

    Args:
        causes: what the ledger has learnt.
        vehicle: which.
        kind: its class.
        seen: what is open on it.
        travelled: the band of its distance.
        against: component, day, event and fact of work after which a fact came back.
    """
    made = []
    for group in _grouped(causes, kind, seen):
        names = sorted({one.name for one in group})
        facts = tuple(causes.used([*names, *([travelled] if travelled else [])]))
        bare = {*names, *(name.partition(":")[2] for name in names)}
        tried: dict[str, list[tuple[str, str]]] = {}
        for component, on, event, what in against:
            if what in bare and (str(on), event) not in tried.get(component, ()):
                tried.setdefault(component, []).append((str(on), event))
        # What lay beside it on one visit is no like case: a code or a complaint has to be shared.
        asking = [one.name for one in group if one.leads and _is_asked(one)]
        leading = asking or [one.name for one in group if one.leads] or names
        like = tuple(causes.like(facts, leading))
        # What came along with what leads may be a fault of its own, as a converter's code.
        asked = [one.name for one in group if _is_asked(one)]
        chances = _able(causes, causes.chances(facts, kind, tried), asked, like)
        made.append(
            Picture(
                vehicle,
                kind,
                tuple(one for one in group if one.name in facts or _asks(one.name)),
                facts,
                tried,
                chances,
                like,
                _apart(causes, kind, [one for one in group if _is_code(one)]),
            )
        )
    return made


def _able(causes: Causes, chances: Floats, asking: Sequence[str], like: Sequence[Case]) -> Floats:
    """Return the chances of what can bring such codes and words about, none for the others.

    By the trade or by a case that had one of them; what is taken away stays unexplained.
    """
    told = [causes.trade[fact] for fact in asking if fact in causes.trade]
    if not told:
        return chances
    named = {case.cause for case in like}
    able = np.sum(told, axis=0) > 0.0
    able |= np.array([name in named for name in causes.names])
    return np.where(able, chances, 0.0)


def _is_asked(one: Seen) -> bool:
    return kind_of(one.name) in {"code", "symptom"}


def chance_in(picture: Picture, i: int) -> float:
    """Return the chance of a cause, no surer than its like cases allow (Laplace's succession)."""
    return min(float(picture.chances[i]), 1.0 - 1.0 / (len(picture.like) + 2.0))


def place_in(picture: Picture, component: str) -> str:
    """Return where it sits, as far as a finding or the code of a cylinder says."""
    known = catalogue().find(component)
    scheme = known.positions if known else ""
    for one in picture.seen:
        kind, _, name = one.name.partition(":")
        if one.place and (name == component or (kind == "code" and scheme == "cylinder")):
            return one.place
    return ""


def _asks(name: str) -> bool:
    return kind_of(name) in ASKING


def _grouped(causes: Causes, kind: str, seen: Sequence[Seen]) -> list[list[Seen]]:
    """Return groups of facts, each with at least one that asks for a cause."""
    leading = [one for one in seen if one.leads and _asks(one.name)]
    parent = list(range(len(leading)))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    evidence = _Evidence(causes, kind)
    for i, j in combinations(range(len(leading)), 2):
        first, second = leading[i], leading[j]
        visit = abs((first.on - second.on).days) <= _VISIT_DAYS
        odds = evidence.of(first.name, second.name) * (_ONE_VISIT if visit else _APART)
        if first.group == second.group or odds > 1.0:
            parent[root(j)] = root(i)
    groups: dict[int, list[Seen]] = {}
    for i, one in enumerate(leading):
        groups.setdefault(root(i), []).append(one)
    vague = [one for one in seen if not (one.leads and _asks(one.name))]
    found = list(groups.values())
    if not found:
        # Words alone: what the customer says is asked as it stands.
        said = [one for one in vague if one.words]
        found = [said] if said else []
    for group in found:
        _join(causes, group, vague, evidence)
    return sorted(found, key=lambda group: (not any(_is_code(one) for one in group), group[0].name))


class _Evidence:
    """How much better one cause explains two facts than two causes do."""

    def __init__(self, causes: Causes, kind: str) -> None:
        self._causes, self._kind, self._base = causes, kind, causes.base(kind)
        self._times: dict[str, Floats] = {}

    def of(self, one: str, other: str) -> float:
        """Return the ratio, below 1 where they are rather two faults."""
        if min(self._causes.seen_with(one), self._causes.seen_with(other)) < _LEAST_CASES:
            trade = self._causes.trade
            if one not in trade or other not in trade:
                return 0.0
            return 2.0 * float(np.max(np.minimum(trade[one], trade[other])) > 0.0)
        if {kind_of(one), kind_of(other)} == {"code", "symptom"} and not self._shared(one, other):
            return 0.0
        return float(np.sum(self._base * self._of(one) * self._of(other)))

    def _shared(self, one: str, other: str) -> bool:
        """Return whether a cause of a code and of what was said is one, by trade or by a case."""
        trade = self._causes.trade
        if one not in trade or other not in trade:
            return True
        if np.max(np.minimum(trade[one], trade[other])) > 0.0:
            return True
        return any({one, other} <= case.facts for case in self._causes.cases)

    def _of(self, fact: str) -> Floats:
        if fact not in self._times:
            self._times[fact] = self._causes.times_likelier(fact, self._kind)
        return self._times[fact]


def _apart(causes: Causes, kind: str, codes: Sequence[Seen]) -> dict[str, tuple[int, float]]:
    """Return what each of several codes points to by itself, should it be a second fault."""
    evidence, found = _Evidence(causes, kind), {}
    for one in codes:
        others = [evidence.of(one.name, other.name) for other in codes if other is not one]
        if others:
            alone = _able(causes, causes.chances([one.name], kind), [one.name], ())
            at = int(np.argmax(alone))
            # Each code asks by itself, so one visit speaks less for one fault.
            two = 1.0 / (1.0 + _APART * max(others))
            found[one.name.partition(":")[2]] = (at, two * float(alone[at]))
    return found


def _is_code(one: Seen) -> bool:
    return kind_of(one.name) == "code"


def _join(causes: Causes, group: list[Seen], vague: Iterable[Seen], evidence: _Evidence) -> None:
    asking = [one for one in group if _asks(one.name)]
    clauses = {one.group for one in group if one.words}
    usable = set(causes.used([one.name for one in (*group, *vague)]))
    for one in vague:
        if one in group:
            continue
        if one.words:
            # A lamp that came on goes with the codes, the other words with their clause.
            if one.group in clauses or (one.name == LAMP and any(_is_code(o) for o in group)):
                group.append(one)
        elif one.name in usable and any(
            evidence.of(one.name, other.name) > _JOINS for other in asking
        ):
            group.append(one)
