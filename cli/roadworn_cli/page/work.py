"""Work done: what was approved is ticked, and only what differed is said, in the bay's words."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from roadworn.intake import Ledger
from roadworn.model.errors import UsageError
from roadworn.model.messages import Joined
from roadworn.reading import read_item
from roadworn.reading.doing import Doing, Job, Question
from roadworn.reading.done_words import read_differences
from roadworn.say.telling import item_words, money_words
from roadworn_cli.context import default_unit
from roadworn_cli.page.cards import Card, card_of
from roadworn_cli.page.desk import Alert, Desk, Entry, Form, sent, text_of

#: Keys beside a line: what the form sends, and the words that the bay says for it.
HOW: Mapping[str, str] = {
    "failed": "failed",
    "worn_out": "worn out",
    "preventive": "preventive",
    "repair": "repaired",
}
#: So many estimates are looked through for what is approved and not done.
_ESTIMATES = 5


@dataclass(frozen=True, slots=True)
class Line:
    """A line that was approved and is not done.

    Attributes:
        key: names it in the form.
        number: of the line in its estimate.
        doing: its estimate.
        how: the key that what was found presses already, or an empty text.
    """

    key: str
    number: int
    doing: Doing
    how: str

    @property
    def line(self) -> Mapping[str, Any]:
        """As its estimate has it."""
        return self.doing.lines[self.number]

    @property
    def name(self) -> str:
        """What it is in words."""
        return Joined([item_words(self.line), self.line.get("work")])

    @property
    def price(self) -> str:
        """What was agreed for it."""
        return money_words(self.line["amount"])


def _lines(ledger: Ledger, vehicle_id: str) -> Iterator[Line]:
    for event in ledger.facts.events(vehicle_id, "estimate")[:_ESTIMATES]:
        doing = Doing(event, ledger.facts)
        for number in doing.approved():
            planned = doing.plan(number, ())
            first = planned[0] if not isinstance(planned, Question) and planned else None
            how = "" if first is None else first.payload.get("reason") or first.kind
            yield Line(f"{event.event_id}-{number}", number, doing, how if how in HOW else "")


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
    card = card_of(desk, vehicle)
    with desk.ledger() as ledger:
        lines = list(_lines(ledger, card.vehicle_id))
    return desk.show(
        request,
        "work.html",
        status=status,
        card=card,
        typed=typed or {},
        alert=alert,
        lines=lines,
        how=HOW,
    )


def send_work(desk: Desk, request: Request, form: Form, vehicle: str) -> Response:
    """Write the work that was ticked, each piece an event, all of it in one act."""
    card = card_of(desk, vehicle, patience=0.02)

    def make() -> Iterable[Entry]:
        with desk.ledger() as ledger:
            jobs = [
                job
                for line in _lines(ledger, card.vehicle_id)
                for job in _planned(line, form, card)
            ]
        yield from (Entry(job.kind, job.payload) for job in jobs)
        if other := text_of(form, "other"):
            yield _other(other, text_of(form, "how:other"), desk)
        if text_of(form, "out") == "yes":
            yield Entry("visit", {"step": "handed_over"})

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_work(desk, request, vehicle, **told)

    return sent(desk, request, form, card.vehicle_id, make, show, spent=True)


def _planned(line: Line, form: Form, card: Card) -> list[Job]:
    """Return the work of a line that was ticked; none where it was not.

    Raises:
        UsageError: it leaves open what was done, or what was said of it cannot be read.
    """
    if text_of(form, f"take:{line.key}") != "yes":
        return []
    pressed, differed = text_of(form, f"how:{line.key}"), text_of(form, f"differs:{line.key}")
    words = HOW.get(pressed, "") if pressed != line.how else ""
    said = " ".join(filter(None, (words, differed)))
    code, unit = line.line["amount"]["currency"], default_unit() or card.unit
    differs = read_differences([f"{line.number} {said}"], line.doing.lines, code, unit)
    planned = line.doing.plan(line.number, differs)
    if isinstance(planned, Question):
        raise UsageError(f"{planned.text} Press a key, or write {planned.answer}.")
    return planned


def _other(text: str, how: str, desk: Desk) -> Entry:
    """Return the event of work that no estimate named."""
    if how not in HOW:
        raise UsageError(f"{text}: press why the part was replaced, or that it was repaired.")
    part = read_item(text, desk.words())
    if how == "repair":
        return Entry("repair", part)
    return Entry("replacement", {**part, "reason": how})
