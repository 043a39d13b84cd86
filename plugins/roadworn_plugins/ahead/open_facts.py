"""What is known today of a fitted part, and how much likelier it makes its failure.

A part's chance within h months is 1 - (1 - u base)(1 - q): `base` by its life, `u` the share by
which parts without a sign fail less than all do, `q` the chance that what is open announces this
part's own failure within the time. A code or a complaint speaks of several parts; each has the
chance that it is the cause, as `likely-causes` gives it.
"""

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.ahead.sign_reading import LOOKED_DAYS, Sign, touches
from roadworn_plugins.ahead.signs import SignLaws
from roadworn_plugins.lifedata import Bools, Floats, Ints
from roadworn_plugins.projection.renewal import CountMoments
from roadworn_plugins.shared.grouped import DAYS_PER_MONTH
from roadworn_plugins.shared.parts_ahead import PartsAhead, load_parts

if TYPE_CHECKING:
    from roadworn_plugins.likely_causes.asking import Picture
    from roadworn_plugins.likely_causes.chances import Causes
    from roadworn_plugins.likely_causes.pictures import Seen
    from roadworn_plugins.shared.pool_beliefs import PoolOfOthers

_say = Says(
    "next-repairs",
    {
        "fact-wearing": "found wearing on {day}: {failed} of {n} found so before failed within "
        "a year",
        "fact-wearing-any": "found wearing on {day}: of all parts found so {failed} of {n} failed "
        "within a year",
        "fact-wearing-past": "found wearing on {day}, over a year ago, and still on it; {failed} "
        "of {n} found so before failed within their first year",
        "fact-wearing-any-past": "found wearing on {day}, over a year ago, and still on it; of all "
        "parts found so {failed} of {n} failed within their first year",
        "fact-wearing-new": "found wearing on {day}",
        "fact-code": "{what} active since {day}: points here in {n} of {every} like "
        "{every:case|cases}",
        "fact-code-new": "{what} active since {day}: points here, no like case before",
        "fact-said": "{what} said on {day}: points here in {n} of {every} like {every:case|cases}",
        "fact-said-new": "{what} said on {day}: points here, no like case before",
        "fact-upstream": "{part} open since {day} may stand behind it",
        "quoted": "“{words}”",
    },
)
_YEAR = 12.0
_EPOCH = date(1970, 1, 1)
#: A part that a picture points to with less is not spoken of, nor put in the list for less than
#: the other; what moves a chance by less than the last is not told.
_LEAST_WEIGHT = 0.02
_TO_BE_LISTED = 0.1
LEAST_TOLD = 0.03
#: With fewer cases of its own a component is told by those of all.
_LEAST_CASES = 3
_CYLINDER = re.compile(r"\b(?:cylinder|well|cil\w*)\s+(\d{1,2})\b")


@dataclass(frozen=True, slots=True)
class Fact:
    """Something open on a vehicle that speaks of a part.

    Attributes:
        vehicle, component, place: which part; an empty place is any.
        kind: of sign, see `signs.PRIORS`.
        group: of its kind.
        weight: chance that it speaks of this part.
        months: how long it stands open.
        day: on which it was first seen.
        told: it in words.
        events: behind it.
        asks: whether a part that nothing else knows of is listed for it.
    """

    vehicle: str
    component: str
    place: str
    kind: str
    group: int
    weight: float
    months: float
    day: date
    told: Sentence
    events: tuple[str, ...]
    asks: bool


@dataclass(frozen=True, eq=False)
class KnownToday:
    """What is known today, within one time ahead.

    Attributes:
        u: of each part, the share by which those without a sign fail less, shape (parts,).
        q: chance that what is open announces its failure, and its limits, shape (3, parts).
    """

    u: Floats
    q: Floats

    def of(self, counts: CountMoments) -> CountMoments:
        """Put it to the moments of lives: less without a sign, more with one.

        What a sign announces comes once; what follows it is left to the life table.
        """
        u, q = self.u[:, None], self.q[0][:, None]
        chance = u * counts.chance
        more = q * (1.0 - chance)
        number, pairs = u * counts.number + more, u * counts.pairs
        return replace(counts, chance=chance + more, number=number, pairs=pairs)

    def limits(self, ends: Floats) -> Floats:
        """Put it to the limits of chances by lives, shape (2, parts)."""
        return np.asarray(1.0 - (1.0 - self.u * ends) * (1.0 - self.q[1:]))


@dataclass(frozen=True, eq=False)
class OpenFacts:
    """The facts of fitted parts.

    Attributes:
        laws: what such facts came to before.
        facts: those open, one entry a fact and part.
        part: of each fact, which part.
        component: of each part.
        looked: of each part, whether its vehicle was looked at of late.
    """

    laws: SignLaws
    facts: tuple[Fact, ...]
    part: Ints
    component: tuple[str, ...]
    looked: Bools

    @classmethod
    def of_parts(
        cls, laws: SignLaws, facts: Sequence[Fact], parts: Sequence[tuple[str, str, str]], day: date
    ) -> "OpenFacts":
        """Give each fact to the parts that it speaks of, in equal shares where it has no place.

        Args:
            laws: what such facts came to before.
            facts: what is open.
            parts: vehicle, component and position of each fitted part.
            day: of the view.
        """
        at: dict[tuple[str, str], list[int]] = defaultdict(list)
        for i, (vehicle, component, _place) in enumerate(parts):
            at[vehicle, component].append(i)
        placed: list[Fact] = []
        index: list[int] = []
        for fact in facts:
            met = [
                i
                for i in at.get((fact.vehicle, fact.component), ())
                if touches(fact.component, fact.place, parts[i][2])
            ]
            for i in met:
                share = 1.0 if fact.place else 1.0 / len(met)
                placed.append(replace(fact, weight=fact.weight * share))
                index.append(i)
        lately = (day - timedelta(days=LOOKED_DAYS) - _EPOCH).days
        return cls(
            laws,
            tuple(placed),
            np.array(index, dtype=np.int64),
            tuple(component for _vehicle, component, _place in parts),
            np.array([laws.looked.get(one[0], lately - 1) >= lately for one in parts], dtype=bool),
        )

    def take(self, rows: Ints) -> "OpenFacts":
        """Return those of these parts only."""
        new = np.full(len(self.component), -1)
        new[rows] = np.arange(rows.size)
        kept = np.flatnonzero(new[self.part] >= 0) if self.part.size else self.part
        return OpenFacts(
            self.laws,
            tuple(self.facts[i] for i in kept),
            new[self.part[kept]],
            tuple(self.component[i] for i in rows),
            self.looked[rows],
        )

    def without(self, rows: Ints) -> "OpenFacts":
        """Return them once work has answered what speaks of these parts."""
        kept = np.flatnonzero(~np.isin(self.part, rows))
        return replace(self, facts=tuple(self.facts[i] for i in kept), part=self.part[kept])

    def within(self, months: Floats) -> "KnownToday":
        """Return what the facts make of chances within a time.

        Args:
            months: ahead of each part.
        """
        u = np.ones(len(self.component))
        names, code = np.unique(np.array(self.component, dtype=object), return_inverse=True)
        for number, name in enumerate(names.tolist()):
            rows = np.flatnonzero((code == number) & self.looked)
            if rows.size:
                u[rows] = self.laws.unannounced(name, months[rows])
        spared = np.ones((3, len(self.component)))
        for line, moved in enumerate(self._moved(months)):
            np.multiply.at(spared[line], self.part, 1.0 - moved)
        return KnownToday(u, 1.0 - spared)

    def _moved(self, months: Floats) -> Floats:
        """Return by how much each fact moves its part's chance, and limits, shape (3, facts)."""
        moved = np.zeros((3, len(self.facts)))
        for kind in sorted({fact.kind for fact in self.facts}):
            rows = np.array([i for i, f in enumerate(self.facts) if f.kind == kind])
            chosen = [self.facts[i] for i in rows]
            found = self.laws.cures[kind].within(
                np.array([f.group for f in chosen], dtype=np.int64),
                np.array([f.months for f in chosen]),
                months[self.part[rows]],
            )
            moved[:, rows] = np.stack(found) * np.array([f.weight for f in chosen])
        return moved

    def telling(self, months: Floats) -> dict[int, list[Fact]]:
        """Return part -> facts that move its chance enough to be told, the weightiest first.

        What was found on the part is told however little it moves, and what lies upstream too.

        Args:
            months: ahead of each part.
        """
        found: dict[int, list[Fact]] = defaultdict(list)
        for fact, part, moved in zip(self.facts, self.part, self._moved(months)[0], strict=True):
            if moved >= LEAST_TOLD or fact.kind in ("wearing", "upstream"):
                found[int(part)].append(fact)
        for own in found.values():
            own.sort(key=lambda fact: (-fact.weight, fact.events))
        return found


def parts_today(
    view: LedgerView,
    vehicle: str | None = None,
    *,
    yearly_rise: float | None = None,
    pool: "PoolOfOthers | None" = None,
) -> PartsAhead:
    """Read the fitted parts with what is known of them today; see `load_parts`.

    Args:
        view: the ledger as of a day.
        vehicle: only this one.
        yearly_rise: see `Prices.load`.
        pool: what other shops say of the lives, where that is asked.
    """
    key = (PartsAhead, vehicle, yearly_rise, pool and pool.mark)
    return view.kept(key, lambda: _parts_today(view, vehicle, yearly_rise, pool))


def _parts_today(
    view: LedgerView, vehicle: str | None, yearly_rise: float | None, pool: "PoolOfOthers | None"
) -> PartsAhead:
    laws = SignLaws.of(view)
    facts = [] if laws is None else open_facts(view, laws, vehicle)
    asked = [(fact.vehicle, fact.component, fact.place) for fact in facts if fact.asks]
    parts = load_parts(view, vehicle, yearly_rise=yearly_rise, also=asked, pool=pool)
    if laws is None:
        return parts
    places = list(zip(parts.vehicle, parts.component, parts.position, strict=True))
    return replace(parts, facts=OpenFacts.of_parts(laws, facts, places, view.today))


def open_facts(view: LedgerView, laws: SignLaws, vehicle: str | None = None) -> list[Fact]:
    """Return what is open on one vehicle, or on all that are here.

    Args:
        view: the ledger as of a day.
        laws: of its signs.
        vehicle: only this one.
    """
    here = {
        name
        for (name,) in view.sql("SELECT vehicle_id FROM vehicles WHERE retired_on IS NULL").rows
        if vehicle in (None, name)
    }
    found: list[Fact] = []
    asking: set[str] = set()
    for kind, signs in laws.signs.items():
        open_ = [sign for sign in signs if not sign.ended and sign.vehicle in here]
        if kind == "wearing":
            found += (_wearing(laws, sign) for sign in open_)
        elif kind == "upstream":
            found += (_upstream(laws, sign) for sign in open_)
        else:
            asking |= {sign.vehicle for sign in open_}
    if asking:
        found += _pointed(view, laws, vehicle, asking)
    return found


def _day(sign: Sign) -> date:
    return _EPOCH + timedelta(days=sign.day)


def _wearing(laws: SignLaws, sign: Sign) -> Fact:
    n, failed = laws.cases("wearing", sign.group)
    word = "fact-wearing"
    if n < _LEAST_CASES:
        n, failed = laws.cases("wearing")
        word = "fact-wearing-any" if n >= _LEAST_CASES else "fact-wearing-new"
    # What is said of the first year is no chance of a part that has outlived it.
    outlived = n >= _LEAST_CASES and sign.months >= _YEAR
    told = _say(f"{word}-past" if outlived else word, day=_day(sign), failed=failed, n=n)
    group = laws.group("wearing", sign.group)
    return Fact(
        sign.vehicle,
        sign.group,
        sign.place,
        "wearing",
        group,
        1.0,
        sign.months,
        _day(sign),
        told,
        sign.events,
        asks=True,
    )


def _upstream(laws: SignLaws, sign: Sign) -> Fact:
    (below,) = sign.targets
    known, upper = catalogue().find(below), catalogue().find(sign.name)
    place = ""
    if known is not None and known.positions == "cylinder":
        said = _CYLINDER.search(sign.note.casefold())
        place = said[1] if said else ""
    elif known is not None and upper is not None and known.positions == upper.positions:
        place = sign.place
    since = _EPOCH + timedelta(days=sign.since or sign.day)
    return Fact(
        sign.vehicle,
        below,
        place,
        "upstream",
        laws.group("upstream", sign.group),
        1.0,
        sign.months,
        since,
        _say("fact-upstream", part=part_name(sign.name, sign.place), day=since),
        sign.events,
        asks=False,
    )


def _pointed(
    view: LedgerView, laws: SignLaws, vehicle: str | None, asking: set[str]
) -> Iterator[Fact]:
    """Yield what the open codes and complaints point to, cause by cause."""
    # What a code points to is read and learnt only where one is open.
    from roadworn_plugins.likely_causes.asking import chance_in, open_pictures, place_in

    causes, pictures = open_pictures(view, vehicle)
    stored: dict[str, set[str]] = {}
    for sign in laws.signs["stored"]:
        stored.setdefault(sign.vehicle, set()).add(sign.name)
    for picture in pictures:
        seen = _of_kind(picture, "code", "symptom")
        if picture.vehicle not in asking or not seen:
            continue
        alone = dict(picture.apart.values())
        unheard = _by_trade(causes, picture)
        likely = picture.chances if unheard is None else unheard
        over = np.flatnonzero(likely > _LEAST_WEIGHT).tolist()
        for i in sorted({*over, *(i for i, chance in alone.items() if chance > _LEAST_WEIGHT)}):
            weight = max(
                chance_in(picture, i) if unheard is None else float(unheard[i]), alone.get(i, 0.0)
            )
            name = causes.names[i]
            at = place_in(picture, name)
            here = stored.get(picture.vehicle, set())
            yield _of_picture(view, laws, picture, here, name, at, weight)


def _by_trade(causes: "Causes", picture: "Picture") -> Floats | None:
    """Return what the trade says of a picture of which no case has a fact; None where one has.

    How common causes are among the cases says nothing of a code that came with none of them.
    """
    names = sorted({one.name for one in picture.seen})
    told = [causes.trade[name] for name in names if name in causes.trade]
    if not told or any(causes.seen_with(name) for name in names):
        return None
    return np.asarray(np.mean([line / line.sum() for line in told], axis=0))


def _of_kind(picture: "Picture", *kinds: str) -> "list[Seen]":
    return [one for one in picture.seen if one.name.partition(":")[0] in kinds]


def _of_picture(
    view: LedgerView,
    laws: SignLaws,
    picture: "Picture",
    stored: set[str],
    name: str,
    place: str,
    weight: float,
) -> Fact:
    codes = _of_kind(picture, "code")
    asked = codes or _of_kind(picture, "symptom")
    first = min(one.on for one in asked)
    if codes:
        what = Joined(dict.fromkeys(one.name.removeprefix("code:") for one in codes))
        kind = "stored" if stored & {str(code) for code in what.parts} else "pending"
    else:
        what = Joined(
            _say("quoted", words=words)
            for words in dict.fromkeys(one.words for one in asked if one.words)
        )
        kind = "said"
    n = sum(case.cause == name for case in picture.like)
    word = f"fact-{'code' if codes else 'said'}{'' if n else '-new'}"
    cases = [case for case in picture.like if case.cause == name][:3]
    events = [*(one.event for one in asked), *(case.events[-1] for case in cases)]
    return Fact(
        picture.vehicle,
        name,
        place,
        kind,
        laws.group(kind, name),
        weight,
        max((view.today - first).days / DAYS_PER_MONTH, 0.0),
        first,
        _say(word, what=what, day=first, n=n, every=len(picture.like)),
        tuple(dict.fromkeys(events)),
        asks=weight >= _TO_BE_LISTED,
    )
