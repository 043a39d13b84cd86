"""What was offered before and not done: told as one sentence, wherever a part is told of."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import meet
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.places import covers

_say = Says(
    "offers",
    {
        "once": "offered and {answer} on {last}{amount}",
        "once-later": "offered on {first}, {answer} on {last}{amount}",
        "once-none": "offered on {last}{amount}, without an answer",
        "times": "offered {often} since {first} ({answers}; last on {last}{amount})",
        "at": " at {amount:,.2f} {currency}",
        "answered": "{answer} {often}",
        "twice": "twice",
        "often": "{n} {n:time|times}",
        "declined": "declined",
        "deferred": "deferred",
        "approved": "approved",
        "none": "not answered",
        "failed-today": "failed today",
        "failed-since": "failed since {day}",
    },
)


@dataclass(frozen=True, slots=True)
class Offer:
    """What was offered for one place of a vehicle and has not been done since: a row of `offers`.

    Attributes:
        vehicle, component, place: what for; the place as the latest line says, or empty.
        first, last: day of the first offer, and of the latest answer.
        answers: declined, deferred, approved or none, the first offer first.
        amount, currency: price of the latest line then; None where it had none.
        failed_on: first day it was found failed, None where it is not.
        events: ids of the estimates and the answers.
    """

    vehicle: str
    component: str
    place: str
    first: date
    last: date
    answers: tuple[str, ...]
    amount: float | None
    currency: str | None
    failed_on: date | None
    events: tuple[str, ...]


def load_offers(view: LedgerView, vehicle: str | None = None) -> list[Offer]:
    """Read what was offered and is not done, by vehicle, component and place.

    Args:
        view: the ledger as of a day.
        vehicle: only this one; None for all that have not left.
    """
    rows = view.of_vehicle(
        """SELECT vehicle_id, component, coalesce(position, ''), first_on, last_on,
                  string_split(answers, ';'), CAST(amount AS DOUBLE), currency,
                  CASE condition WHEN 'failed' THEN first_found_on END, string_split(event_ids, ';')
           FROM offers
           WHERE vehicle_id IN (SELECT vehicle_id FROM vehicles WHERE retired_on IS NULL)
             AND ONLY(vehicle_id)
           ORDER BY vehicle_id, component, position""",
        vehicle,
    ).rows
    return [
        Offer(vehicle, part, place, first, last, tuple(told), amount, unit, failed, tuple(events))
        for vehicle, part, place, first, last, told, amount, unit, failed, events in rows
    ]


def offered_for(offers: Iterable[Offer], component: str, place: str) -> Offer | None:
    """Return the offer for a part of a vehicle: for its place, else for one that takes it in.

    Args:
        offers: of the vehicle.
        component: the part.
        place: where it sits; an empty text for anywhere.
    """
    own = [one for one in offers if one.component == component]
    exact = [one for one in own if one.place == place]
    wider = [one for one in own if covers(one.place, place) or meet(component, one.place, place)]
    return next(iter([*exact, *wider, *(() if place else own)]), None)


def told_offer(offer: Offer, today: date | None = None) -> Joined:
    """Return one sentence: how often it was offered since when, the answers, and that it failed.

    Args:
        offer: what is told.
        today: the day of the view, where the failure is to be told as well.
    """
    failed = ""
    if today is not None and offer.failed_on is not None:
        word = "failed-today" if offer.failed_on == today else "failed-since"
        failed = _say(word, **({} if offer.failed_on == today else {"day": offer.failed_on}))
    return Joined((_told(offer), failed), "; ")


def _told(offer: Offer) -> Sentence:
    priced = _say.when(offer.amount, "at", amount=offer.amount or 0.0, currency=offer.currency)
    answer, last = _say(offer.answers[-1]), offer.last
    if len(offer.answers) > 1:
        often, answers = _often(len(offer.answers)), Joined(_answers(offer.answers))
        return _say(
            "times", often=often, first=offer.first, answers=answers, last=last, amount=priced
        )
    if offer.answers == ("none",):
        return _say("once-none", last=last, amount=priced)
    if offer.first == last:
        return _say("once", answer=answer, last=last, amount=priced)
    return _say("once-later", first=offer.first, answer=answer, last=last, amount=priced)


def _answers(answers: Iterable[str]) -> Iterator[Sentence]:
    for answer, run in groupby(answers):
        n = len(list(run))
        yield _say(answer) if n == 1 else _say("answered", answer=_say(answer), often=_often(n))


def _often(n: int) -> Sentence:
    return _say("twice") if n == 2 else _say("often", n=n)
