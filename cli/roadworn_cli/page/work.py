"""Work done: what was approved is ticked, and only what differs is typed."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import Response

from roadworn.model.errors import UsageError
from roadworn.reading import read_item
from roadworn.say.telling import item_words, money_words
from roadworn_cli.page.cards import Card, card_of
from roadworn_cli.page.desk import Alert, Desk, Entry, Form, sent, text_of

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: What is approved must be on the form that follows the answer, so it is waited for.
_PATIENCE = 5.0
#: Why a part was replaced, or that none was, as the keys say it.
HOW: Mapping[str, str] = {
    "failed": "failed",
    "worn_out": "worn out",
    "preventive": "ahead of time",
    "repair": "no new part",
}
_APPROVED = """
SELECT estimate, line, component, position FROM approved_work
WHERE vehicle_id = ? ORDER BY estimated_on, estimate, line
"""


@dataclass(frozen=True, slots=True)
class Job:
    """A line that was approved and is not done.

    Attributes:
        key: names it in the form.
        line: as its estimate has it.
        how: the key that is pressed to begin with, or an empty text.
    """

    key: str
    line: Mapping[str, Any]
    how: str

    @property
    def name(self) -> str:
        """What it is in words."""
        return ", ".join(filter(None, (str(item_words(self.line)), self.line.get("work"))))

    @property
    def price(self) -> str:
        """What was agreed for it."""
        return str(money_words(self.line["amount"]))


def _jobs(desk: Desk, card: Card) -> list[Job]:
    def ask(view: "LedgerView", _host: object) -> list[tuple[Any, ...]]:
        return list(view.sql(_APPROVED, (card.vehicle_id,)).rows)

    rows = desk.asker.ask(f"approved {card.vehicle_id}", ask, patience=_PATIENCE).answer or []
    found = []
    why = {(one.component, one.place): one.why for one in card.first}
    with desk.ledger() as ledger:
        for estimate, number, component, position in rows:
            lines = ledger.event(estimate).data()["lines"]
            line = next(one for one in lines if one["line"] == number)
            open_as = why.get((component, position or ""), "")
            how = "failed" if "failed" in open_as else "worn_out" if "wearing" in open_as else ""
            found.append(Job(f"{estimate}:{number}", line, how))
    return found


def show_work(
    desk: Desk,
    request: Request,
    vehicle: str,
    *,
    typed: Form | None = None,
    alert: Alert | None = None,
    status: int = 200,
) -> Response:
    """Show what is approved and not done, to be ticked, and room for other work."""
    card = card_of(desk, vehicle, patience=_PATIENCE)
    rows = _jobs(desk, card)
    return desk.show(
        request,
        "work.html",
        status=status,
        card=card,
        typed=typed or {},
        alert=alert,
        jobs=rows,
        how=HOW,
    )


def send_work(desk: Desk, request: Request, form: Form, vehicle: str) -> Response:
    """Write the work that was ticked, each piece an event, all of it in one act."""
    card = card_of(desk, vehicle)

    def make() -> Iterable[Entry]:
        for job in _jobs(desk, card):
            if text_of(form, f"take:{job.key}") == "yes":
                yield _entry(job.line, text_of(form, f"how:{job.key}"), job.name)
        other = text_of(form, "other")
        if other:
            yield _entry(read_item(other), text_of(form, "how:other"), other)
        if text_of(form, "out") == "yes":
            yield Entry("visit", {"step": "handed_over"})

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_work(desk, request, vehicle, **told)

    return sent(desk, request, form, card.vehicle_id, make, show)


def _entry(line: Mapping[str, Any], how: str, name: str) -> Entry:
    """Return the event that a line comes to once it is done."""
    if how not in HOW:
        raise UsageError(f"{name}: press why the part was replaced, or that there was none.")
    names = ("component", "position", "parts_cost", "labour_hours", "labour_rate")
    payload = {field: line.get(field) for field in names}
    if payload["parts_cost"] is None and payload["labour_hours"] is None:
        payload["parts_cost"] = line.get("amount")
    if how == "repair":
        return Entry("repair", payload | {"correction": line.get("work") or name})
    return Entry("replacement", payload | {"reason": how})
