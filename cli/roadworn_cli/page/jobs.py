"""Forms beside the look-over: take in, complaint, scan, estimate, answer, arrival and hand-over."""

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal, InvalidOperation
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from roadworn.model.errors import (
    LedgerRefused,
    ProblemsFound,
    RoadwornError,
    UnknownName,
    UsageError,
)
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Joined
from roadworn.reading.estimates import read_decisions, read_estimate
from roadworn.reading.scans import read_scan
from roadworn.reading.trying import open_tests
from roadworn.say.telling import item_words, test_words
from roadworn.store.aside import read_plate
from roadworn.trade.after_work import when_of
from roadworn_cli.context import default_currency, default_unit, today
from roadworn_cli.page.cards import Card, card_of
from roadworn_cli.page.desk import Alert, Desk, Doubted, Entry, Form, lines_of, sent, text_of
from roadworn_cli.record import Envelope
from roadworn_cli.record.done import too_soon
from roadworn_cli.record.money import find_terms

#: So many jobs fit on one estimate of the page.
JOBS = 20
#: What was found or done just now must be on the estimate or at the hand-over that follows it, so
#: it is waited for.
_PATIENCE = 5.0
_PROFILE = ("label", "vin", "make", "model", "vehicle_class", "fuel", "weight_class")


def form_page(
    template: str,
    more: Callable[[Desk, Card], dict[str, Any]] | None = None,
    patience: float | None = None,
) -> Callable[..., Response]:
    """Return what shows a form of a vehicle."""

    def show(
        desk: Desk,
        request: Request,
        vehicle: str,
        *,
        typed: Form | None = None,
        alert: Alert | None = None,
        status: int = 200,
    ) -> Response:
        card = card_of(desk, vehicle, patience=patience)
        told = more(desk, card) if more else {}
        return desk.show(
            request, template, status=status, card=card, typed=typed or {}, alert=alert, **told
        )  # fmt: skip

    return show


def sender(
    show: Callable[..., Response],
    make: Callable[[Desk, Card, Form], Iterable[Entry]],
    *,
    spent: bool = False,
) -> Callable[..., Response]:
    """Return what writes a form of a vehicle; `spent` as `desk.sent` has it."""

    def send(desk: Desk, request: Request, form: Form, vehicle: str) -> Response:
        card = card_of(desk, vehicle, patience=0.02)
        return sent(
            desk,
            request,
            form,
            card.vehicle_id,
            lambda: make(desk, card, form),
            lambda **told: show(desk, request, vehicle, **told),
            spent=spent,
        )

    return send


def show_take_in(
    desk: Desk,
    request: Request,
    *,
    typed: Form | None = None,
    alert: Alert | None = None,
    status: int = 200,
) -> Response:
    """Show the form for a vehicle that is not in the ledger yet."""
    return desk.show(request, "take_in.html", status=status, typed=typed or {}, alert=alert)


def send_take_in(desk: Desk, request: Request, form: Form) -> Response:
    """Take a vehicle in; plate and owner stay outside the events."""
    name = text_of(form, "vehicle")

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_take_in(desk, request, **told)

    try:
        plate = read_plate(text_of(form, "plate")) if text_of(form, "plate") else ""
        with desk.ledger() as ledger:
            _refuse_known(ledger, name)
        owner = text_of(form, "owner"), text_of(form, "phone")
        reference = f"owner-{name}" if any(owner) else ""
        entries = [Entry("enrolment", _profile(form) | {"owner_reference": reference})]
        entries += [Entry("visit", {"step": "arrived"}, figure=False)]
        if told := text_of(form, "complaint"):
            entries.append(Entry("complaint", {"complaint": told}, figure=False))
        desk.write(request, form, name, entries)
        with desk.ledger(writable=True) as ledger:
            if plate:
                ledger.plates.set(name, plate)
            if reference:
                ledger.contacts.set(reference, name=owner[0] or None, phone=owner[1] or None)
    except Doubted as doubt:
        alert = Alert("Before it is written", doubt.lines, doubt.sure)
        return show(typed=form, alert=alert, status=409)
    except RoadwornError as error:
        return show(typed=form, alert=Alert("Not written", tuple(lines_of(error))), status=422)
    return RedirectResponse(f"/v/{name}", 303)


def _refuse_known(ledger: Any, name: str) -> None:  # noqa: ANN401
    try:
        known = ledger.require_vehicle(name)
    except UnknownName:
        return
    if known != name:
        raise LedgerRefused(f"{known} is taken in already: choose a name that differs by more.")


def _profile(form: Form) -> dict[str, Any]:
    made: dict[str, Any] = {name: text_of(form, name) for name in _PROFILE}
    made["vin"] = made["vin"].upper()
    year = text_of(form, "model_year")
    if year:
        if not (year.isascii() and year.isdigit() and len(year) == 4):
            raise UsageError(f"The year takes four digits, as in 2014, not {year!r}.")
        made["model_year"] = int(year)
    made["parts"] = text_of(form, "parts") or "unknown"
    return made


show_complaint = form_page("complaint.html")
send_complaint = sender(
    show_complaint,
    lambda _desk, _card, form: [Entry("complaint", {"complaint": text_of(form, "complaint")})],
)


def _read_out(desk: Desk, card: Card, form: Form) -> Entry:
    """Read the vehicle by the adapter, and check that it is the one named.

    Raises:
        UsageError: a part of the read-out was typed as well.
        ProblemsFound: another vehicle answered; nothing was written.
    """
    from roadworn.adapter import read_scan as read_vehicle

    if any(text_of(form, name) for name in _TYPED):
        raise UsageError("The vehicle itself is read: leave the other fields empty.")
    found = read_vehicle(desk.adapter)
    wrong = found.other_vehicle(card.profile.get("vin"))
    if wrong is not None:
        raise ProblemsFound(wrong.joined("; nothing was written: "), [wrong])
    return Entry("scan", found.payload())


_TYPED = ("pasted", "no_codes", "lamp", "since_clear", "failed")


def _scan(desk: Desk, card: Card, form: Form) -> Iterable[Entry]:
    if desk.adapter and text_of(form, "read") == "yes":
        yield _read_out(desk, card, form)
        return
    pasted = text_of(form, "pasted")
    payload, _read = read_scan(
        [pasted] if pasted else (),
        failed=text_of(form, "failed"),
        no_codes=text_of(form, "no_codes") == "yes",
        lamp=text_of(form, "lamp"),
        since_clear=text_of(form, "since_clear"),
        unit=default_unit(),
    )
    if pasted:
        payload["raw"] = pasted
    yield Entry("scan", payload)


show_scan = form_page("scan.html", lambda desk, _card: {"adapter": bool(desk.adapter)})
# What the vehicle said once is not read a second time for the same act.
send_scan = sender(show_scan, _scan, spent=True)


def _estimating(desk: Desk, card: Card) -> dict[str, Any]:
    """Return the jobs to begin an estimate with: what is open, with its last price."""
    terms = find_terms("", desk.state.ledger)
    currency = (terms.currency if terms else "") or default_currency()
    jobs = [
        (
            str(one.name),
            "" if one.amount is None else f"{one.amount:.2f}",
            one.why,
            one.stop,
            one.name,
        )
        for one in card.first[: JOBS - 2]
    ]
    currency = currency or next((one.currency for one in card.first if one.currency), "")
    return {"jobs": jobs, "terms": terms, "currency": currency, "most": JOBS}


def _estimate(desk: Desk, _card: Card, form: Form) -> Iterable[Entry]:
    terms = find_terms("", desk.state.ledger)
    texts = []
    for n in range(JOBS):
        job = text_of(form, f"job:{n}")
        wanted = text_of(form, f"take:{n}") == "yes"
        if not job or not wanted:
            continue
        price, hours, parts = (text_of(form, f"{what}:{n}") for what in ("price", "hours", "parts"))
        if price and (hours or parts):
            raise UsageError(f"{job}: give a price in all, or hours and parts, not both.")
        pieces = [f"{_plain(hours)} h"] if hours else []
        pieces += [f"{'part cost' if terms else 'parts'} {_plain(parts)}"] if parts else []
        if not price and not pieces:
            raise UsageError(f"{job}: what does it come to?")
        texts.append(f"{job} {_plain(price)}" if price else f"{job}, replace {' + '.join(pieces)}")
    if not texts:
        raise UsageError("No job is ticked: tick what is to be estimated.")
    code = text_of(form, "currency") or (terms.currency if terms else "") or default_currency()
    yield Entry("estimate", read_estimate(texts, code.upper(), terms, desk.words()))


def _plain(text: str) -> str:
    """Return a figure as typed, so that no word in its field becomes part of a job.

    Raises:
        UsageError: it is no figure.
    """
    try:
        figure = Decimal(text.replace(",", ""))
    except InvalidOperation:
        raise UsageError(f"{text!r} is no figure: write it as 84.50.") from None
    if not figure.is_finite() or figure < 0:
        raise UsageError(f"{text!r} is no price or time.")
    return f"{figure:f}"


show_estimate = form_page("estimate.html", _estimating, _PATIENCE)
send_estimate = sender(show_estimate, _estimate)


def last_estimate(desk: Desk, vehicle_id: str) -> StoredEvent | None:
    """Return the estimate of a vehicle that was entered last, or None."""
    with desk.ledger() as ledger:
        return ledger.facts.last_event(vehicle_id, "estimate")


def _words(line: Mapping[str, Any]) -> Joined:
    return Joined([item_words(line), line.get("work")])


def _answering(desk: Desk, card: Card) -> dict[str, Any]:
    found = last_estimate(desk, card.vehicle_id)
    if found is None:
        return {"estimate": "", "lines": [], "total": None, "day": ""}
    data = found.data()
    lines = [(line["line"], _words(line), line["amount"]) for line in data["lines"]]
    total = (data.get("totals") or {}).get("total")
    return {
        "estimate": found.event_id,
        "lines": lines,
        "total": total,
        "day": found.occurred_at[:10],
    }


def _answer(desk: Desk, card: Card, form: Form) -> Iterable[Entry]:
    with desk.ledger() as ledger:
        asked = ledger.event(text_of(form, "estimate"))
    if asked.kind != "estimate" or asked.vehicle_id != card.vehicle_id:
        raise UsageError("That is no estimate of this vehicle: open the page again.")
    known = [line["line"] for line in asked.data()["lines"]]
    given = [f"{n}={text_of(form, f'a:{n}')}" for n in known if text_of(form, f"a:{n}")]
    decisions = read_decisions(given, known)
    yield Entry("authorisation", {"estimate": asked.event_id, "decisions": decisions})


show_answer = form_page("answer.html", _answering)
send_answer = sender(show_answer, _answer)


def _leaving(_desk: Desk, card: Card) -> dict[str, Any]:
    """Return the tests that the work asks for, with when each is due."""
    return {"tests": [(name, test_words(name), when_of(name)) for name in card.past.tests]}


def _visit(desk: Desk, card: Card, form: Form) -> Iterable[Entry]:
    """Yield what was tried, and that it came in or leaves; nothing is refused for what is open."""
    envelope = Envelope(text_of(form, "odometer"), on=text_of(form, "on"))
    with desk.ledger() as ledger:
        for name, _day in open_tests(ledger.facts, card.vehicle_id):
            result = text_of(form, f"test:{name}")
            if result == "passed" and too_soon(ledger, card.vehicle_id, name, envelope):
                raise UsageError(
                    f"{test_words(name)} is due {when_of(name)}, and nothing says that it was "
                    "driven so far since the work: leave it not tried, it stays open."
                )
            if result:
                yield Entry("work_test", {"test": name, "result": result})
    step, clock = text_of(form, "step"), text_of(form, "promised_time")
    promised = text_of(form, "promised") or (today().isoformat() if clock else "")
    yield Entry("visit", {"step": step, "promised": promised, "promised_time": clock})


show_visit = form_page("visit.html", _leaving, _PATIENCE)
send_visit = sender(show_visit, _visit, spent=True)
