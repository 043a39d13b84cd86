"""What points where, as one sentence: the code, the repeat and what is open upstream of it.

A chain is made only where the trade's list of what brings what down ties two things that are
both there on the vehicle now: a cause, a part that keeps failing or one found bad, and something
upstream of it that is found bad, was offered and not done, or misfires.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from roadworn.analysis import Column, Holds, Mark, Marks, Table, Tells
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.messages import Joined, Sentence
from roadworn.model.places import SPARE, axle_of, other_side
from roadworn.trade.codes import told_code
from roadworn_plugins.likely_causes.asking import Picture, chance_in, place_in
from roadworn_plugins.likely_causes.chances import Causes, kind_of
from roadworn_plugins.likely_causes.said import say, told_picture
from roadworn_plugins.likely_causes.words import trade_words
from roadworn_plugins.shared.offers import load_offers, offered_for, told_offer
from roadworn_plugins.shared.prices import Prices

#: A part that failed so often at one place, the last time so long ago, has a cause of its own
#: behind it (common practice, no source).
AGAIN_AND_AGAIN, _OF_LATE = 3, timedelta(days=730)
#: Causes less likely than this start no chain, and no chain has more links.
_LEAST_CHANCE, _MOST_CAUSES, _MOST_LINKS = 0.1, 2, 3
_MOST_EVENTS = 60
#: Rank of what was found wearing, and rank -> how a finding begins a chain.
_WORN = 3
_FOUND = {0: "failed", _WORN: "wearing"}
#: Unburnt fuel overheats a converter, whatever makes a cylinder misfire (common practice, no
#: source).
_CONVERTER = "emission.catalyst"
#: Schemes of places that tell an axle or a side, and the first axle of a heavy vehicle.
_AT_WHEELS = frozenset({"wheel", "wheel_ul", "tire", "side", "axle", "axle_side"})
_FIRST_AXLE = {"1": "front"}
Part = tuple[str, str]
"""Component and place."""


@dataclass(frozen=True, slots=True)
class Upstream:
    """Something open that may bring others down.

    Attributes:
        part: what and where.
        state: what is known of it, in words; an empty text where it was only offered.
        note: what was written beside the finding.
        offered: what was offered before and when, or an empty text.
        rank: 0 found failed, 1 a code, 2 offered and not done, 3 found wearing.
        events: behind it.
    """

    part: Part
    state: str
    offered: str
    rank: int
    events: tuple[str, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Lead:
    """What a chain begins with: what points to a part, or the part that is bad or keeps failing.

    `worn`: nothing speaks for it but that it was found wearing, as parts do.
    """

    part: Part
    said: Sentence
    events: tuple[str, ...]
    worn: bool = False


@dataclass(frozen=True, slots=True)
class Chain:
    """One chain.

    Attributes:
        vehicle: on which.
        part: what the code, the complaint or the repeat is about, and is spared.
        first: what to do first.
        sentence: all of it in words.
        short: what points where, without what was offered and what it costs.
        price, spares: of the first and of what it spares, None without a price.
        events: behind it.
    """

    vehicle: str
    part: Part
    first: Part
    sentence: Sentence
    price: float | None
    spares: float | None
    events: tuple[str, ...]
    short: str = ""


def chains_of(
    view: LedgerView, causes: Causes, pictures: Sequence[Picture], vehicle: str | None = None
) -> list[Chain]:
    """Return the chains on a vehicle, or on all: what spares most first on each.

    Args:
        view: the ledger as of a day.
        causes: what was learnt of causes.
        pictures: open on the vehicle, or on all.
        vehicle: only this one.
    """
    own: dict[str, list[Picture]] = defaultdict(list)
    for picture in pictures:
        own[picture.vehicle].append(picture)
    known = _Known.load(view, vehicle)
    names = sorted({*own, *known.upstream})
    found: list[Chain] = []
    for name in names:
        made = _Vehicle(name, known, causes, own[name]).chains()
        found += sorted(made, key=lambda chain: -(chain.spares or 0.0))
    return found


def chain_table(chains: Sequence[Chain], currency: str) -> Table:
    """Return the chains as a table, a row each."""
    return Table(
        "chain",
        "What points where, and what to do first",
        (
            Column("vehicle", "vehicle", tells=Tells.VEHICLE),
            Column("component", "do first", "component", tells=Tells.COMPONENT),
            Column("position", "where", tells=Tells.PLACE),
            Column("first", "price", "money", unit=currency, tells=Tells.VALUE),
            Column("spared", "which may spare"),
            Column("spares", "its price", "money", unit=currency),
            Column("sentence", "in words", "sentence"),
            Column("in_short", "in short", detail=True),
        ),
        tuple(
            (c.vehicle, *c.first, c.price, part_name(*c.part), c.spares, c.sentence, c.short)
            for c in chains
        ),
        tuple(c.events for c in chains),
        holds=Holds.CHAIN,
        marks=tuple(_marks(c) for c in chains),
    )


def _marks(chain: Chain) -> Marks:
    parts = (catalogue().find(component) for component, _place in (chain.first, chain.part))
    critical = any(part is not None and part.safety_critical for part in parts)
    return Marks({Mark.SHOULD, *({Mark.CRITICAL} if critical else ())})


@dataclass(frozen=True, eq=False)
class _Known:
    """What is open on the vehicles and how often their parts failed."""

    prices: Prices
    kinds: dict[str, str | None]
    upstream: dict[str, list[Upstream]]
    failures: dict[str, dict[Part, tuple[int, date, tuple[str, ...]]]]
    today: date

    @classmethod
    def load(cls, view: LedgerView, vehicle: str | None) -> "_Known":
        upstream: dict[str, list[Upstream]] = defaultdict(list)
        offers = load_offers(view, vehicle)
        told = set()
        here = """vehicle_id IN (SELECT vehicle_id FROM vehicles WHERE retired_on IS NULL)
                  AND ONLY(vehicle_id)"""
        for name, component, place, condition, note, since, event in view.of_vehicle(
            f"""SELECT vehicle_id, component, coalesce(position, ''), condition, note,
                       first_seen_on, event_id
                FROM open_findings WHERE {here} ORDER BY vehicle_id, component, position""",
            vehicle,
        ).rows:
            mine = [one for one in offers if one.vehicle == name]
            offer = offered_for(mine, component, place)
            told.add(offer)
            upstream[name].append(
                Upstream(
                    (component, place),
                    note or say(f"{condition}-since", day=since),
                    told_offer(offer, view.today if condition == "failed" else None)
                    if offer
                    else "",
                    0 if condition == "failed" else _WORN,
                    (event, *(offer.events if offer else ())),
                    note or "",
                )
            )
        for one in offers:
            if one not in told:
                part = (one.component, one.place)
                upstream[one.vehicle].append(Upstream(part, "", told_offer(one), 2, one.events))
        failures: dict[str, dict[Part, tuple[int, date, tuple[str, ...]]]] = defaultdict(dict)
        for name, component, place, times, last, events in view.of_vehicle(
            f"""SELECT vehicle_id, component, coalesce(position, ''), count(*), max(occurred_on),
                       list(event_id ORDER BY seq)
                FROM replacements WHERE reason = 'failed' AND {here} GROUP BY 1, 2, 3
                ORDER BY 1, 2, 3""",
            vehicle,
        ).rows:
            failures[name][component, place] = (int(times), last, tuple(events))
        kinds = dict(view.sql("SELECT vehicle_id, vehicle_class FROM vehicles").rows)
        return cls(Prices.load(view), kinds, dict(upstream), dict(failures), view.today)


@dataclass(frozen=True, eq=False)
class _Vehicle:
    name: str
    known: _Known
    causes: Causes
    pictures: list[Picture]

    def chains(self) -> Iterator[Chain]:
        misfires = list(self._misfires())
        done = set[Part]()
        for lead in self._leads():
            if lead.part in done:
                continue
            links = self._upstream_of(lead.part, misfires)
            if lead.worn and all(one.rank == _WORN and not one.offered for one in links):
                continue  # both wear, as parts do
            if links:
                done.add(lead.part)
                yield self._chain(lead, links)

    def _upstream_of(self, part: Part, misfires: Sequence[Upstream]) -> list[Upstream]:
        """Return what stands behind a part, link by link, the farthest last."""
        links: list[Upstream] = []
        at = part
        while len(links) < _MOST_LINKS:
            behind = trade_words().behind(at[0])
            open_ = self.known.upstream.get(self.name, [])
            found = [one for one in open_ if one.part[0] in behind and _near(one.part, at)]
            found = [one for one in found if not self._either_way(one, at)]
            if at[0] == _CONVERTER:
                found += misfires
            passed = {part[0], *(one.part[0] for one in links)}
            found = [one for one in found if one.part[0] not in passed]
            if not found:
                break
            links.append(
                min(
                    found,
                    key=lambda one: (
                        one.rank,
                        behind.index(one.part[0]) if one.part[0] in behind else 0,
                    ),
                )
            )
            at = links[-1].part
        return links

    def _either_way(self, one: Upstream, part: Part) -> bool:
        """Return whether each may bring the other down and nothing says which did."""
        if part[0] not in trade_words().behind(one.part[0]):
            return False
        ranks = [o.rank for o in self.known.upstream.get(self.name, []) if o.part == part]
        return bool(ranks) and min(ranks) <= one.rank

    def _leads(self) -> Iterator[Lead]:
        """Yield what asks for something behind it: causes, repeats, and what is found bad."""
        for picture in self.pictures:
            for component in self._candidates(picture):
                yield self._pointed(picture, component)
        for part, (times, last, events) in self.known.failures.get(self.name, {}).items():
            if times >= AGAIN_AND_AGAIN and self.known.today - last <= _OF_LATE:
                yield Lead(part, say("lead-again", part=part_name(*part), n=times), events)
        for one in self.known.upstream.get(self.name, []):
            if one.rank in _FOUND:
                found = say(_FOUND[one.rank], part=part_name(*one.part))
                said = say("lead-found", found=found, state=_in_brackets(one.note))
                yield Lead(one.part, said, one.events, worn=one.rank == _WORN)

    def _candidates(self, picture: Picture) -> Iterator[str]:
        """Yield the likeliest causes of a picture, then what each of its codes points to first."""
        order = (-picture.chances).argsort(kind="stable")[:_MOST_CAUSES].tolist()
        if picture.like:
            for i in order:
                if chance_in(picture, i) >= _LEAST_CHANCE:
                    yield self.causes.names[i]
        for code in _codes(picture):
            yield from told_code(code)[1][:1]

    def _pointed(self, picture: Picture, component: str) -> Lead:
        place = place_in(picture, component)
        codes = [code for code in _codes(picture) if component in told_code(code)[1]]
        times, _last, failures = self.known.failures.get(self.name, {}).get(
            (component, place), (0, None, ())
        )
        seen = [one for one in picture.seen if not codes or one.name.partition(":")[2] in codes]
        said = say(
            "lead-points",
            picture=Joined(codes) if codes else told_picture(picture.seen),
            part=part_name(component, place),
            again=say.when(times > 1, "failed-here", n=times),
        )
        events = (*(one.event for one in seen), *(failures if times > 1 else ()))
        return Lead((component, place), said, events)

    def _misfires(self) -> Iterator[Upstream]:
        """Yield the part that each misfire points to, as what stands behind a converter."""
        for picture in self.pictures:
            for one in picture.seen:
                code = one.name.partition(":")[2]
                if kind_of(one.name) != "code" or not is_misfire(code):
                    continue
                pointed = told_code(code)[1]
                likely = [name for name in self._candidates(picture) if name in pointed]
                if likely:
                    part = (likely[0], place_in(picture, likely[0]))
                    yield Upstream(part, say("code-open", code=code), "", 1, (one.event,))

    def _chain(self, lead: Lead, links: Sequence[Upstream]) -> Chain:
        first = links[-1].part
        price, spares = self._price(first), self._price(lead.part)
        currency = self.known.prices.currency
        sentence = say(
            "chain",
            lead=lead.said,
            behind=_behind(links),
            price=say.when(price, "costs", amount=price, currency=currency),
            spared=part_name(*lead.part),
            spares=say.when(spares, "worth", amount=spares, currency=currency),
        )
        events = (*lead.events, *(event for link in links for event in link.events))
        kept = tuple(dict.fromkeys(events))[:_MOST_EVENTS]
        short = say("chain-short", lead=lead.said, behind=_behind(links, short=True))
        return Chain(self.name, lead.part, first, sentence, price, spares, kept, short)

    def _price(self, part: Part) -> float | None:
        kind = self.known.kinds.get(self.name)
        found = self.known.prices.of(part[0], kind, self.name, part[1])
        # As the plan has it: labour without the part is no price.
        return None if found is None or not found.number else found.middle


def is_misfire(code: str) -> bool:
    """Return whether a code tells of a misfire: P0300 to P0312 of SAE J2012 (from memory)."""
    return len(code) == 5 and code.startswith("P03") and code[3:].isdigit() and int(code[3:]) <= 12


def _codes(picture: Picture) -> list[str]:
    names = (one.name.partition(":") for one in picture.seen)
    return list(dict.fromkeys(name for kind, _, name in names if kind == "code"))


def _in_brackets(state: str) -> str:
    return say.when(state, "in-brackets", state=state)


def _behind(links: Sequence[Upstream], *, short: bool = False) -> Sentence:
    """Say the links one after the other, the farthest last."""
    said, *farther = (
        say(
            "link",
            part=part_name(*link.part),
            state=_in_brackets(link.state),
            offered=say.when(link.offered and not short, "and-offered", offered=link.offered),
        )
        for link in links
    )
    for one in farther:
        said = say("behind-that", nearer=said, farther=one)
    return said


def _near(one: Part, other: Part) -> bool:
    """Return whether two places may have to do with each other: not on two sides or two axles.

    A spare wheel carries nothing: nothing on the vehicle brings it down, and it nothing.
    """
    if SPARE in (one[1], other[1]):
        return False
    ends = zip(_axle_and_side(*one), _axle_and_side(*other), strict=True)
    return all(a == b for a, b in ends if a and b)


def _axle_and_side(component: str, place: str) -> tuple[str, str]:
    """Return where on the wheels a part sits; empty texts where that is not said or no matter."""
    known = catalogue().find(component)
    if known is None or known.positions not in _AT_WHEELS:
        return "", ""
    head = place.partition("-")[0]
    side = next((letter for letter in head if letter in "LR"), "") if other_side(place) else ""
    axle = axle_of(place) or ("front" if known.system == "steering" else "")
    return _FIRST_AXLE.get(axle, axle), side


def parts_of_chains(chains: Iterable[Chain]) -> set[str]:
    """Return the components that chains speak of, for their cautions."""
    return {component for chain in chains for component, _p in (chain.first, chain.part)}
