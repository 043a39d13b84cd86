"""Work that comes to more than was approved: said while the customer can still be asked.

Many states want a new consent past a set share over the estimate (from memory; amounts differ);
the share is the shop's and stands in the estimate. Only a word is said, nothing is refused.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from roadworn.bench.words import item_words
from roadworn.events import StoredEvent
from roadworn.trade.comeback import same_place
from roadworn.trade.estimating import needs_consent
from roadworn.trade.money import labour_line

#: Kinds of work that an estimate line may be done by.
WORK = ("replacement", "repair", "maintenance")
#: Share over the estimate where the estimate itself says none (from memory; amounts differ).
_PERCENT = "10"


@dataclass(frozen=True, slots=True)
class _Approved:
    """An estimate line, and the answer that approved it."""

    line: dict[str, Any]
    estimate: StoredEvent
    answer: StoredEvent


def consent_words(stored: StoredEvent, others: Iterable[StoredEvent]) -> str:
    """Return a sentence when work has come to more than was approved, else an empty text.

    Args:
        stored: the work just written down.
        others: estimates, answers and work of the same vehicle that count, in any order.
    """
    money = cost_of(stored)
    known = list(others)
    approved = _approved(stored, known) if money is not None else None
    if money is None or approved is None:
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
    return (
        f"{item_words(stored.data())} now comes to {now:,.2f} {currency}, more than {percent} % "
        f"over the {estimated:,.2f} {currency} that was approved on "
        f"{approved.answer.occurred_at[:10]} (line {approved.line['line']} of estimate "
        f"{approved.estimate.event_id[-8:]}). Local law or your terms may want a new consent: ask, "
        "and write it down with `roadworn record estimate` and `roadworn record authorisation`."
    )


def cost_of(work: StoredEvent) -> tuple[Decimal, str] | None:
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
    if not found:
        return None
    return sum((amount for amount, _code in found), Decimal(0)), found[0][1]


def _approved(stored: StoredEvent, known: Sequence[StoredEvent]) -> _Approved | None:
    """Return the line for this work that was approved last, when its latest answer is that."""
    estimates = {event.event_id: event for event in known if event.kind == "estimate"}
    answers = [event for event in known if event.kind == "authorisation"]
    latest: dict[tuple[str, int], tuple[str, StoredEvent]] = {}
    for answer in sorted(answers, key=lambda event: (event.occurred_at[:10], event.seq)):
        if answer.occurred_at[:10] <= stored.occurred_at[:10]:
            given = answer.data()
            for decision in given["decisions"]:
                key = (given["estimate"], decision["line"])
                latest[key] = (decision["decision"], answer)
    found = [
        _Approved(line, estimates[name], answer)
        for (name, number), (decision, answer) in latest.items()
        if decision == "approved" and name in estimates
        for line in estimates[name].data()["lines"]
        if line["line"] == number and _same_job(stored.data(), line)
    ]
    return max(found, key=lambda one: (one.answer.occurred_at[:10], one.answer.seq), default=None)


def _share(work: StoredEvent, approved: _Approved, currency: str) -> Decimal:
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


def _with(stored: StoredEvent, known: Sequence[StoredEvent]) -> list[StoredEvent]:
    return [stored, *(event for event in known if event.event_id != stored.event_id)]


def _same_job(one: dict[str, Any], other: dict[str, Any]) -> bool:
    return bool(one.get("component") == other["component"]) and same_place(
        other["component"], one.get("position"), other.get("position")
    )
