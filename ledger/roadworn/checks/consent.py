"""Work that was declined, never answered for or dearer than approved: said while one can ask.

Many states want a new consent past a set share over the estimate (from memory; amounts differ);
the share is the shop's and stands in the estimate. Only a word is said, nothing is refused.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from roadworn.checks.facts import WORK, Draft, Facts
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Problem, Says
from roadworn.say.telling import item_words
from roadworn.trade.estimating import needs_consent
from roadworn.trade.pricing import labour_line
from roadworn.trade.warranty import same_place

#: Share over the estimate where the estimate itself says none (from memory; amounts differ).
_PERCENT = "10"
_ASK = (
    " (line {line} of estimate {estimate}){now}: is there a consent? Then write it down with "
    "`roadworn record authorisation {vehicle} {estimate} {line}=approved`."
)
_say = Says(
    "consent",
    {
        "over": "{part} now comes to {now:,.2f} {currency}, more than {percent} % over the "
        "{estimated:,.2f} {currency} that was approved on {day} (line {line} of estimate "
        "{estimate}). Local law or your terms may want a new consent: ask, and write it down with "
        "`roadworn record estimate` and `roadworn record authorisation`.",
        "answered": f"{{part}} was {{decision}} on {{day}} at {{amount:,.2f}} {{currency}}{_ASK}",
        "unanswered": "{part} was estimated at {amount:,.2f} {currency} on {day} and never "
        f"answered{_ASK}",
        "now": " and now comes to {amount:,.2f} {currency}",
    },
)


@dataclass(frozen=True, slots=True)
class _Approved:
    """An estimate line, and the answer that approved it."""

    line: dict[str, Any]
    estimate: StoredEvent
    answer: StoredEvent


@dataclass(frozen=True, slots=True)
class _Asked:
    """An estimate line, its last answer if any, and the event that says so."""

    line: dict[str, Any]
    estimate: StoredEvent
    said: StoredEvent
    decision: str


def unagreed(stored: Draft, facts: Facts) -> Iterator[Problem]:
    """Tell of work that was not agreed to, or not at this cost."""
    known = facts.events(stored.vehicle_id, "estimate", "authorisation", *WORK)
    told = _told(stored, known)
    if told:
        yield Problem("no-consent", told)


def _told(stored: Draft, known: Sequence[StoredEvent]) -> str:
    money = cost_of(stored)
    asked = _asked(stored, known)
    if asked is None:
        return ""
    if asked.decision != "approved":
        return _unagreed(stored, asked, known)
    approved = _Approved(asked.line, asked.estimate, asked.said)
    if money is None:
        return ""
    amount, currency = approved.line["amount"], money[1]
    if amount["currency"] != currency:
        return ""
    now = sum((_share(work, approved, currency) for work in _with(stored, known)), Decimal(0))
    estimated = Decimal(amount["amount"])
    totals = approved.estimate.data().get("totals") or {}
    percent = totals.get("consent_percent", _PERCENT)
    if not needs_consent(estimated, now, Decimal(percent)):
        return ""
    return _say(
        "over",
        part=item_words(stored.data()),
        now=now,
        currency=currency,
        percent=percent,
        estimated=estimated,
        day=approved.answer.occurred_at[:10],
        line=approved.line["line"],
        estimate=approved.estimate.event_id[-8:],
    )


def cost_of(work: Draft | StoredEvent) -> tuple[Decimal, str] | None:
    """Return what work came to, parts and labour, and its currency; None where it says nothing."""
    payload = work.data()
    if work.kind not in WORK:
        return None
    parts, rate, hours = (
        payload.get(name) for name in ("parts_cost", "labour_rate", "labour_hours")
    )
    found: list[tuple[Decimal, str]] = []
    if parts:
        found.append((Decimal(parts["amount"]), parts["currency"]))
    if rate and hours is not None:
        labour = labour_line(Decimal(str(hours)), Decimal(rate["amount"]))
        found.append((labour.amount, rate["currency"]))
    if other := payload.get("other_cost"):
        found.append((Decimal(other["amount"]), other["currency"]))
    if not found:
        return None
    return sum((amount for amount, _code in found), Decimal(0)), found[0][1]


def _asked(stored: Draft, known: Sequence[StoredEvent]) -> _Asked | None:
    """Return the line for this work that was estimated or answered last."""
    day = stored.occurred_at[:10]
    before = [
        event
        for event in sorted(known, key=_when)
        if event.occurred_at[:10] <= day and event.event_id != stored.event_id
    ]
    answers: dict[tuple[str, int], tuple[str, StoredEvent]] = {}
    for event in before:
        if event.kind == "authorisation":
            given = event.data()
            for decision in given["decisions"]:
                answers[given["estimate"], decision["line"]] = (decision["decision"], event)
    found = [
        _Asked(line, event, said, decision)
        for event in before
        if event.kind == "estimate"
        for line in event.data()["lines"]
        if _same_job(stored.data(), line)
        for decision, said in [answers.get((event.event_id, line["line"]), ("", event))]
    ]
    return max(found, key=lambda one: _when(one.said), default=None)


def _unagreed(stored: Draft, asked: _Asked, known: Iterable[StoredEvent]) -> str:
    """Return what is said of work declined, deferred or never answered for, once for the work."""
    done = stored.kind in WORK and stored.data().get("action") != "inspected"
    if not done or any(
        work.kind in WORK
        and work.data().get("action") != "inspected"
        and work.seq < stored.seq
        and work.event_id not in {stored.event_id, stored.data().get("replaces")}
        and _when(work) > _when(asked.said)
        and _same_job(work.data(), asked.line)
        for work in known
    ):
        return ""
    money, amount = cost_of(stored), asked.line["amount"]
    return _say(
        "answered" if asked.decision else "unanswered",
        part=item_words(asked.line),
        decision=asked.decision,
        day=asked.said.occurred_at[:10],
        amount=Decimal(amount["amount"]),
        currency=amount["currency"],
        now=_say("now", amount=money[0], currency=money[1]) if money else "",
        vehicle=stored.vehicle_id,
        line=asked.line["line"],
        estimate=asked.estimate.event_id[-8:],
    )


def _when(event: Draft | StoredEvent) -> tuple[str, int]:
    return event.occurred_at[:10], event.seq


def _share(work: Draft | StoredEvent, approved: _Approved, currency: str) -> Decimal:
    """Return what an event adds to the cost of an approved line."""
    answer, cost = approved.answer, cost_of(work)
    later = work.seq > answer.seq and work.occurred_at[:10] >= answer.occurred_at[:10]
    if (
        cost is None
        or cost[1] != currency
        or not later
        or not _same_job(work.data(), approved.line)
    ):
        return Decimal(0)
    return cost[0]


def _with(stored: Draft, known: Sequence[StoredEvent]) -> list[Draft | StoredEvent]:
    return [stored, *(event for event in known if event.event_id != stored.event_id)]


def _same_job(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(one.get("component") == other["component"]) and same_place(
        other["component"], one.get("position"), other.get("position")
    )
