"""At the counter: whom to call, a sale to another customer, and an entry put right."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from roadworn.intake.selling import check_sale, settle_plate
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import LedgerRefused, RoadwornError, UnknownName, UsageError
from roadworn.model.events import StoredEvent
from roadworn.reading.fields import change_fields
from roadworn.say.telling import brief, describe
from roadworn.store.aside import read_plate
from roadworn_cli.context import check_day, default_currency, default_unit, today
from roadworn_cli.page.cards import Card, card_of
from roadworn_cli.page.desk import Alert, Desk, Doubted, Entry, Form, lines_of, sent, text_of
from roadworn_cli.today import contacts_of

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView
    from roadworn_cli.day_calls import Calls

_MONTHS = 1.0


def calls_page(desk: Desk, request: Request) -> Response:
    """Show whom to call: what was put off, and what falls due within a month."""

    def ask(view: "LedgerView", host: "PluginHost") -> "Calls":
        from roadworn_cli.day_calls import to_call

        return to_call(view, host, _MONTHS)

    told = desk.asker.ask("calls", ask, patience=_CALLS_PATIENCE, slow=True)
    calls: list[Any] = []
    if told.answer is not None:
        from roadworn_cli.day_calls import calls_told

        owners = {told.answer.owner_of(row["vehicle"]) for row in told.answer.rows}
        named = contacts_of(desk.state, filter(None, sorted(owners)))
        calls = list(calls_told(told.answer, named))
    return desk.show(request, "calls.html", told=told, calls=calls[:_MOST], most=_MOST,
                     more=max(0, len(calls) - _MOST))  # fmt: skip


_CALLS_PATIENCE, _MOST = 0.12, 60


def show_sale(
    desk: Desk,
    request: Request,
    vehicle: str,
    *,
    typed: Form | None = None,
    alert: Alert | None = None,
    status: int = 200,
) -> Response:
    """Show the form of a sale to another customer."""
    card = card_of(desk, vehicle)
    owner = card.profile.get("owner_reference") or ""
    return desk.show(request, "sale.html", status=status, card=card, typed=typed or {},
                     alert=alert, owner=owner)  # fmt: skip


def send_sale(desk: Desk, request: Request, form: Form, vehicle: str) -> Response:
    """Write a sale; plate and the new owner's name stay outside the events."""
    card = card_of(desk, vehicle, patience=0.02)
    vehicle_id = card.vehicle_id
    if desk.knows(vehicle_id, text_of(form, "key")):
        return RedirectResponse(f"/v/{vehicle_id}", 303)

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_sale(desk, request, vehicle, typed=form, **told)

    try:
        owner, chosen = text_of(form, "owner"), text_of(form, "plate_stays")
        plate = read_plate(text_of(form, "plate")) if text_of(form, "plate") else ""
        if not owner:
            raise UsageError("Say whose it is now: the reference of the new customer.")
        day = check_day(text_of(form, "on"), "The day") or today().isoformat()
        with desk.ledger() as ledger:
            goes = check_sale(ledger, vehicle_id, owner, day)
        if goes and not (plate or chosen):
            raise UsageError("Press whether its number plate stays: one that is erased is gone.")
        desk.write(request, form, vehicle_id, [Entry("profile_change", {"owner_reference": owner})])
        with desk.ledger(writable=True) as ledger:
            settle_plate(ledger, vehicle_id, plate, keeps=chosen == "stays")
            name, phone = text_of(form, "name"), text_of(form, "phone")
            if name or phone:
                ledger.contacts.set(owner, name=name or None, phone=phone or None)
    except Doubted as doubt:
        return show(alert=Alert("Before it is written", doubt.lines, doubt.sure), status=409)
    except RoadwornError as error:
        return show(alert=Alert("Not written", tuple(lines_of(error))), status=422)
    return RedirectResponse(f"/v/{vehicle_id}", 303)


#: What of an entry the page puts right: the rest is for `roadworn correct`.
FIELDS: Mapping[str, str] = {
    "component": "part",
    "position": "where",
    "condition": "condition",
    "value": "figure",
    "complaint": "complaint",
    "cause": "cause",
    "correction": "what was done",
    "reason": "why it was replaced",
    "note": "note",
    "parts_cost": "parts",
    "labour_hours": "hours",
    "labour_rate": "hourly rate",
    "part_number": "part number",
    "maker": "maker of the part",
    "supplier": "supplier",
    "done_by": "done by",
    "fluid": "fluid",
    "promised": "promised for",
    "promised_time": "at",
    "result": "result",
    "fitted": "set that went on",
    "stored": "set that came off",
    "storage": "where that one lies",
    "label": "name in the shop",
    "make": "make",
    "model": "model",
    "vin": "VIN",
    "fuel": "fuel",
}  # fmt: skip
#: Kinds that are put right elsewhere: amounts of an estimate make totals, an answer names it.
_ELSEWHERE = frozenset({"retraction", "photograph", "merge", "authorisation", "scan", "estimate"})


#: Fields that have a key for each word that they may be.
_WORDS: Mapping[str, tuple[str, ...]] = {
    "condition": ("sound", "wearing", "failed", "not_checked"),
    "reason": ("failed", "worn_out", "preventive", "damaged", "recall", "upgrade", "unknown"),
}


@dataclass(frozen=True, slots=True)
class Field:
    """A field of an entry.

    Attributes:
        path: as `change_fields` names it.
        label: what it is called.
        of: the item that it belongs to, in words, or an empty text.
        value: as it stands.
        words: the words that it may be, none where it is written freely.
    """

    path: str
    label: str
    of: str
    value: str
    words: tuple[str, ...] = ()


def fields_of(payload: Mapping[str, Any]) -> Iterator[Field]:
    """Yield what of a payload may be put right on the page."""
    yield from _within(payload, "", "")


def _within(holder: Mapping[str, Any], path: str, of: str) -> Iterator[Field]:
    from roadworn.say.telling import item_words

    for name, value in holder.items():
        if isinstance(value, list):
            for at, one in enumerate(value):
                if isinstance(one, Mapping):
                    named = item_words(one) if "component" in one else of
                    yield from _within(one, f"{path}{name}.{at}.", named)
        elif name in FIELDS:
            told = catalogue().name_of(value) if name == "component" else _text(value)
            yield Field(f"{path}{name}", FIELDS[name], of, told, _WORDS.get(name, ()))


def _text(value: object) -> str:
    if isinstance(value, Mapping):
        return f"{value['amount']} {value['currency']}"
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def may_be_put_right(event: StoredEvent) -> bool:
    """Whether the page has a form for an entry."""
    return event.kind not in _ELSEWHERE and "." not in event.kind


def _entry(desk: Desk, vehicle_id: str, event_id: str) -> StoredEvent:
    """Return an entry of a vehicle that still counts.

    Raises:
        LedgerRefused: it was put right or taken back already.
        UnknownName: it is another vehicle's.
    """
    with desk.ledger() as ledger:
        event = ledger.event(event_id)
        amended = ledger.facts.amendment_of(event) is not None
    if event.vehicle_id != vehicle_id:
        raise UnknownName("That is no entry of this vehicle.")
    if amended or not may_be_put_right(event):
        raise LedgerRefused("That entry is not to be put right here: see `roadworn correct`.")
    return event


def show_correction(
    desk: Desk,
    request: Request,
    vehicle: str,
    event_id: str,
    *,
    typed: Form | None = None,
    alert: Alert | None = None,
    status: int = 200,
) -> Response:
    """Show an entry with its fields, to be written anew."""
    card = card_of(desk, vehicle, patience=0.02)
    event = _entry(desk, card.vehicle_id, event_id)
    stood = {"on": event.occurred_at[:10], "odometer": _figure(event)}
    return desk.show(
        request,
        "correct.html",
        status=status,
        card=card,
        typed=typed or stood,
        alert=alert,
        told=describe(event.kind, brief(event.data())),
        fields=list(fields_of(event.data())),
    )


def _figure(event: StoredEvent) -> str:
    return "" if event.odometer is None else f"{event.odometer:,.10g} {event.odometer_unit}"


def send_correction(
    desk: Desk, request: Request, form: Form, vehicle: str, event_id: str
) -> Response:
    """Write an entry anew; the old one stays and is marked replaced."""
    card = card_of(desk, vehicle, patience=0.02)
    if desk.knows(card.vehicle_id, text_of(form, "key")):
        return RedirectResponse(f"/v/{card.vehicle_id}/history", 303)
    event = _entry(desk, card.vehicle_id, event_id)

    def make() -> Iterable[Entry]:
        yield _anew(desk, card, event, form)

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_correction(desk, request, vehicle, event_id, **told)

    return sent(desk, request, form, card.vehicle_id, make, show)


def _anew(desk: Desk, card: Card, event: StoredEvent, form: Form) -> Entry:
    with desk.ledger() as ledger:
        kind = ledger.kinds.get(event.kind)
    payload = kind.upcast(event.version, event.data())
    changes = [
        f"{one.path}={text_of(form, f'f:{one.path}')}"
        for one in fields_of(event.data())
        if text_of(form, f"f:{one.path}") != one.value
    ]
    stood = event.occurred_at[:10], _figure(event)
    if not changes and (text_of(form, "on"), text_of(form, "odometer")) == stood:
        raise UsageError("Nothing is changed: there is nothing to write.")
    code = default_currency()
    payload = change_fields(kind.model, payload, changes, code, default_unit() or card.unit)
    return Entry(event.kind, {**payload, "replaces": event.event_id})
