"""Jobs: what each is, how pressing, what several come to, and what leaves a vehicle standing."""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import Any

from roadworn.analysis import Mark
from roadworn.model.catalogue import catalogue, meet, part_name, place_of
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.places import SPARE, covers
from roadworn_plugins.ahead.due_now import DueItem, State, not_failed
from roadworn_plugins.ahead.tables import shares_labour
from roadworn_plugins.inspection.tables import Told
from roadworn_plugins.likely_causes.asking import Picture
from roadworn_plugins.likely_causes.chain import Chain
from roadworn_plugins.likely_causes.chances import Causes
from roadworn_plugins.shared.grouped import Floats
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.prices import Price, Prices

#: From this chance on a part is taken to need its job.
LIKELY = 0.5
#: From this chance on the record alone asks for a job: nine times in ten (our own choice).
NEARLY_SURE = 0.9
#: What rounding may add to chances that come to 1.
_ROUNDED = 1e-6
#: New rotors take new pads: a worn face ruins the new one that it runs on (common practice, no
#: source).
_TAKES_WITH_IT = {"brake.rotor": ("brake.pad",)}
_say = Says(
    "keep-or-sell",
    {
        "labour-once": "labour shared with {part} is told there",
        "along": "new ones go with {part}",
    },
)


class Stage(StrEnum):
    """How pressing a job is; the first before it is driven on."""

    MUST = "must"
    SHOULD = "should"
    CAN_WAIT = "can wait"

    @property
    def mark(self) -> Mark:
        """The mark of its rows."""
        return {"must": Mark.MUST, "should": Mark.SHOULD}.get(self.value, Mark.CAN_WAIT)

    @property
    def words(self) -> Sentence:
        """It in words."""
        return Sentence(f"keep-or-sell.stage-{self.name.lower()}", self.value)


@dataclass(frozen=True, slots=True)
class Job:
    """One job of a vehicle.

    Attributes:
        component, position: what is worked on; no component where nobody knows yet.
        stage: how pressing it is.
        seen: what speaks for it, in words.
        why: what puts it in its stage, in words.
        price: with labour that it shares with another job left out, None where none is known.
        chance: that it is needed: 1 where somebody found it, else that of the cause.
        of: picture it belongs to, of whose jobs one is needed; -1 for none.
        failed: whether it was found failed.
        hurts: whether somebody can get hurt by it.
        inspected: whether the next inspection fails without it, or on what it brings down again.
        events: behind it.
        what: what it is called where there is no component.
        shared: which labour is told elsewhere, or an empty text.
        asked: whether an open code or complaint points to it.
        worn_by: day of the next inspection by which it is likely worn out, None where it is not.
    """

    component: str
    position: str
    stage: Stage
    seen: str
    why: str
    price: Price | None
    chance: float
    events: tuple[str, ...]
    of: int = -1
    failed: bool = False
    hurts: bool = False
    inspected: bool = False
    what: str = ""
    shared: str = ""
    asked: bool = False
    worn_by: date | None = None

    @property
    def name(self) -> str:
        """What it is, in words."""
        return self.what or part_name(self.component, self.position)

    @property
    def expected(self) -> float:
        """Its price by its chance, both as they are told; 0 without a price."""
        return 0.0 if self.price is None else _told(round(self.chance, 2) * self.price.middle)

    def at(self, component: str, position: str) -> bool:
        """Whether it is about this place, or one of the two names no place."""
        own, other = self.position, place_of(component, position)
        if component != self.component:
            return False
        return not own or not other or own == other or covers(own, other) or covers(other, own)


@dataclass(frozen=True, eq=False)
class Known:
    """What the plan of one vehicle is made from.

    Attributes:
        parts: what is fitted.
        soon: chance of each part to fail within `plan.SOON_MONTHS`.
        by_then: of each part, chance that it is worn by the day of the next inspection.
        prices: what jobs cost.
        due: what is due, as told everywhere.
        causes, pictures: what is open whose cause is asked for.
        told: what the next inspection would say, None where none is asked for.
        use: what its owner needs it for, an empty text where nobody said.
        chains: what stands behind what is asked for or keeps failing.
    """

    parts: PartsAhead
    soon: Floats
    by_then: Floats
    prices: Prices
    due: Sequence[DueItem]
    causes: Causes
    pictures: Sequence[Picture]
    told: Told | None
    use: str = ""
    chains: Sequence[Chain] = ()


@dataclass(frozen=True, slots=True)
class Sum:
    """What jobs come to: each by its chance, and with it from none to all of what is unsure."""

    jobs: int
    expected: float
    low: float
    high: float
    unpriced: tuple[str, ...]


def one_needed(causes: Sequence[Job]) -> bool:
    """Return whether their chances leave room for one cause alone: beyond 1, two may be needed."""
    return sum(job.chance for job in causes) <= 1.0 + _ROUNDED


def sum_of(jobs: Sequence[Job]) -> Sum:
    """Return what jobs come to together; of the causes of one fault only one is needed."""
    priced = [(job, job.price) for job in jobs if job.price is not None]
    sure = [price for job, price in priced if job.chance >= 1.0]
    dearest: dict[int, float] = {}
    for of in {job.of for job, _price in priced if job.chance < 1.0}:
        causes = [(job, price) for job, price in priced if job.of == of and job.chance < 1.0]
        highs = [price.high for _job, price in causes]
        dearest[of] = max(highs) if one_needed([job for job, _p in causes]) else sum(highs)
    return Sum(
        len(jobs),
        sum(job.expected for job in jobs),
        sum(price.low for price in sure),
        sum(price.high for price in sure) + sum(dearest.values()),
        tuple(job.name for job in jobs if job.price is None),
    )


@cache
def _stands_still() -> Mapping[str, Mapping[str, Any]]:
    text = files(__package__).joinpath("stands_still.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def stopping() -> Mapping[str, float]:
    """Return component -> share of its failures that leave a vehicle standing.

    Common practice, no source; components that do not are left out.
    """
    return {name: float(share) for name, share in _stands_still()["stops"].items()}


def hours_standing(use: str) -> float:
    """Return what one standing still costs, in hours of the shop (common practice, no source)."""
    return float(_stands_still()["hours"][use])


def rows_of(parts: PartsAhead, job: Job) -> list[int]:
    """Return the fitted parts that a job is about."""
    return [
        i
        for i, (component, place) in enumerate(zip(parts.component, parts.position, strict=True))
        if component == job.component and same_place(component, place, job.position)
    ]


def same_place(component: str, fitted: str, position: str) -> bool:
    """Return whether a fitted part is one that a place, or none at all, stands for."""
    return (
        not position
        or covers(fitted, position)
        or covers(position, fitted)
        or meet(component, fitted, position)
    )


def worn_out(
    parts: PartsAhead,
    soon: Floats,
    by_then: Floats,
    due: Sequence[DueItem],
    jobs: Sequence[Job],
) -> list[Job]:
    """Return jobs for fitted parts that will not last and that nobody has found worn yet.

    What is measured to its limit by the day of the next inspection, and what is all but sure to
    fail within the year. From a finding on as likely as not is enough; without one whoever asks
    for the work has only the record to show for it.

    Args:
        parts: what is fitted.
        soon: (parts,) chance of each to fail within the year.
        by_then: (parts,) chance of each to be worn out by the day of the next inspection.
        due: what is due; a part that failed is due itself.
        jobs: those that there are.
    """
    made: list[Job] = []
    for i in not_failed(parts, list(due)).tolist():
        if soon[i] < NEARLY_SURE and by_then[i] < LIKELY:
            continue
        component, place = parts.component[i], place_of(parts.component[i], parts.position[i])
        if any(job.at(component, place) for job in (*jobs, *made)):
            continue
        events = tuple(filter(None, (parts.started_by[i],)))
        price = with_part(parts.price[i])
        made.append(Job(component, place, Stage.CAN_WAIT, "", "", price, 1.0, events))
    return made


def along_with(jobs: Sequence[Job], prices: Prices, kind: str, vehicle: str) -> list[Job]:
    """Return what is replaced along with a job that is sure, since it must not go on as it is.

    Args:
        jobs: those that there are; what is among them is not listed again.
        prices: what replacing each component costs.
        kind: class of the vehicle.
        vehicle: which.
    """
    made: list[Job] = []
    for job in jobs:
        for component in _TAKES_WITH_IT.get(job.component, ()) if job.chance >= 1.0 else ():
            place = job.position
            if any(one.at(component, place) for one in (*jobs, *made)):
                continue
            price = with_part(prices.of(component, kind, vehicle, place))
            why = _say("along", part=job.name)
            made.append(
                replace(
                    job,
                    component=component,
                    price=price,
                    why=why,
                    seen="",
                    failed=False,
                    worn_by=None,
                )
            )
    return made


def critical(component: str) -> bool:
    """Return whether somebody can get hurt once a component fails."""
    known = catalogue().find(component) if component else None
    return known is not None and known.safety_critical


def hurts(item: DueItem) -> bool:
    """Return whether somebody can get hurt by what is due."""
    return item.state is State.SAFETY or (
        item.failed and item.position != SPARE and critical(item.component)
    )


def with_part(price: Price | None) -> Price | None:
    """Return a price; labour without the part is none."""
    return price if price is not None and price.number else None


def as_told(price: Price | None) -> Price | None:
    """Return a price rounded as it is told, once and for all: what is made of it adds up."""
    if price is None:
        return None
    low, middle, high = map(_told, (price.low, price.middle, price.high))
    return replace(price, low=low, middle=middle, high=high)


def _told(amount: float) -> float:
    """Return an amount in whole units of its currency; below one as it is."""
    return float(round(amount)) if amount >= 1.0 else amount


def merged(first: Job, second: Job) -> Job:
    """Return two jobs at one place as one: the more pressing, with all that was seen of both."""
    order = list(Stage).index
    lead, other = (first, second) if order(first.stage) <= order(second.stage) else (second, first)
    return replace(
        lead,
        position=first.position or second.position,
        seen=Joined((lead.seen, other.seen), "; "),
        price=lead.price or other.price,
        why=lead.why or other.why,
        failed=lead.failed or other.failed,
        hurts=lead.hurts or other.hurts,
        events=tuple(dict.fromkeys((*lead.events, *other.events))),
    )


def in_order(jobs: Iterable[Job]) -> list[Job]:
    """Return jobs in the order of their doing.

    Within a stage what has failed or is likely what a code or complaint asks for, then what else
    an inspection fails on or may be asked for, then the rest; of equals what may cost most.
    """
    order = list(Stage).index

    def place(job: Job) -> tuple[int, int, float, str, str]:
        now = job.failed or (job.asked and job.chance >= LIKELY)
        pressing = 0 if now else 1 if job.inspected or job.asked else 2
        return order(job.stage), pressing, -job.expected, job.component, job.position

    return sorted(jobs, key=place)


def labour_once(jobs: Sequence[Job], rate: float | None) -> list[Job]:
    """Return jobs in the order of their doing, labour that two share told with the first.

    The low end of the trade hours that both have, at the shop's rate (common practice, no
    source); the lines of an estimate for the vehicle have told it once already.

    Args:
        jobs: as they are done together.
        rate: of the shop an hour, None where nobody wrote it down: then nothing is taken off.
    """
    found = in_order(jobs)
    if not rate:
        return found
    made: list[Job] = []
    for job in found:
        mine, hours = job.price, _hours(job)
        with_it = next((one for one in made if hours and _together(one, job)), None)
        if mine is not None and with_it is not None and not mine.estimated:
            spared = min(min(hours, _hours(with_it)) * rate, 0.8 * mine.low)
            ends = {of: getattr(mine, of) - spared for of in ("low", "middle", "high")}
            word = _say("labour-once", part=with_it.name)
            price = as_told(replace(mine, mean=None, **ends))
            made.append(replace(job, price=price, shared=word))
        else:
            made.append(job)
    return made


def _together(first: Job, job: Job) -> bool:
    """Whether a job is done along with an earlier one that is no less sure."""
    return (
        first.price is not None
        and first.chance >= job.chance
        and shares_labour((first.component, first.position), (job.component, job.position))
    )


def _hours(job: Job) -> float:
    known = catalogue().find(job.component) if job.component else None
    return known.labour_hours[0] if known is not None and known.labour_hours else 0.0


def priced(due: Iterable[DueItem]) -> list[Price]:
    """Return the prices of what is due, labour without the part left out."""
    return [price for item in due if (price := with_part(item.price)) is not None]


def summed(prices: Sequence[Price]) -> tuple[float, float, float]:
    """Return what prices come to: low, middle, high."""
    return sum(p.low for p in prices), sum(p.middle for p in prices), sum(p.high for p in prices)
