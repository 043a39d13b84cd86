"""Pages to look at: find a vehicle, its first page, its history, its outlook, the day."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from itertools import takewhile
from typing import TYPE_CHECKING, Any, NamedTuple

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from roadworn.intake.finding import find, profiles
from roadworn.model.errors import LedgerRefused, UnknownName
from roadworn.model.events import Amendment, StoredEvent, taken_back
from roadworn.model.messages import Joined
from roadworn.say.telling import brief, describe
from roadworn_cli.page.cards import card_of, outlook_of, reading_words
from roadworn_cli.page.counter import may_be_put_right
from roadworn_cli.page.desk import Desk, Entry, Form, text_of
from roadworn_cli.page.guard import session_of
from roadworn_cli.page.panels import panels_of
from roadworn_cli.page.words import PAGE

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.analysis.outlook import Outlook
    from roadworn.columns.view import LedgerView
    from roadworn.intake import Ledger

_LISTED, _PAGE = 12, 60


class Listed(NamedTuple):
    """A vehicle in a list."""

    vehicle_id: str
    described: str
    plate: str
    by: str
    reading: str


def find_page(desk: Desk, request: Request) -> Response:
    """Show the vehicles that a text finds, else those that were written of last."""
    sought = request.query_params.get("q", "").strip()[:200]
    alert = ""
    with desk.ledger() as ledger:
        try:
            rows = list(_found(ledger, sought) if sought else _latest(ledger))
        except UnknownName as error:
            rows, alert = [], error.message
    return desk.show(request, "find.html", sought=sought, rows=rows, alert=alert)


def _found(ledger: "Ledger", sought: str) -> Iterator[Listed]:
    for one in find(ledger, sought)[:_PAGE]:
        yield _listed(ledger, one.vehicle_id, one.profile, one.plate, one.by)


def _latest(ledger: "Ledger") -> Iterator[Listed]:
    known, plates = profiles(ledger), ledger.plates.all()
    rows = ledger.query(
        "SELECT vehicle_id, max(seq) AS last FROM events GROUP BY vehicle_id ORDER BY last DESC"
    )
    for vehicle_id, _last in rows[:_LISTED]:
        if vehicle_id in known:
            yield _listed(ledger, vehicle_id, known[vehicle_id], plates.get(vehicle_id, ""))


def _listed(
    ledger: "Ledger",
    vehicle_id: str,
    profile: Mapping[str, Any],
    plate: str,
    by: str = "",
) -> Listed:
    last = ledger.facts.last_reading(vehicle_id)
    built = " ".join(str(profile[k]) for k in ("model_year", "make", "model") if profile.get(k))
    described = ", ".join(filter(None, (profile.get("label") or "", built)))
    reading = reading_words(last)
    return Listed(vehicle_id, described, plate, by, reading)


def vehicle_page(desk: Desk, request: Request, vehicle: str) -> Response:
    """Show a vehicle: what was written just now, what stops it, its past, what may be done."""
    card = card_of(desk, vehicle, ahead=True)
    session = session_of(request)
    said, session.said = session.said, ((), ())
    panels = panels_of(desk, card.vehicle_id)
    return desk.show(request, "vehicle.html", card=card, said=said, panels=panels)


class Told(NamedTuple):
    """An event as a history tells it."""

    event_id: str
    day: str
    by: str
    reading: str
    what: str
    standing: str
    photograph: str
    there: bool
    fresh: bool
    right: bool


_COLUMNS = ", ".join(field.name for field in fields(StoredEvent))
_EVENTS = f"""
SELECT {_COLUMNS} FROM events WHERE vehicle_id = ? AND seq < ? ORDER BY seq DESC LIMIT ?
"""
_AMENDING = """
SELECT seq, event_id, kind, coalesce(
  CASE WHEN kind = 'retraction' THEN json_extract(payload, '$.event') END,
  json_extract(payload, '$.replaces')) AS target
FROM events WHERE vehicle_id = ? AND target IS NOT NULL
"""


def history_page(desk: Desk, request: Request, vehicle: str) -> Response:
    """Tell a vehicle's history, the newest first, a page at a time."""
    before = request.query_params.get("before", "")
    upto = int(before) if before.isascii() and before.isdigit() and len(before) < 16 else 1 << 60
    with desk.ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        rows = ledger.query(_EVENTS, (vehicle_id, upto, _PAGE))
        events = [StoredEvent(*row) for row in rows]
        amending = {row[1]: row for row in ledger.query(_AMENDING, (vehicle_id,))}
    undone = taken_back(
        Amendment(seq, event_id, target, kind == "retraction")
        for seq, event_id, kind, target in amending.values()
    )
    told = []
    for event in events:
        by = amending.get(undone.get(event.event_id, ""))
        standing = "" if by is None else "taken back" if by[2] == "retraction" else "replaced"
        told.append(_told(desk, event, standing))
    more = events[-1].seq if len(events) == _PAGE else 0
    card = card_of(desk, vehicle_id, patience=0.02)
    return desk.show(request, "history.html", card=card, rows=told, more=more)


def _told(desk: Desk, event: StoredEvent, standing: str) -> Told:
    data = event.data()
    digest = data["digest"] if event.kind == "photograph" else ""
    return Told(
        event.event_id,
        event.occurred_at[:10],
        event.recorded_by,
        ""
        if event.odometer is None
        else PAGE("figure", value=event.odometer, unit=event.odometer_unit),
        describe(event.kind, brief(data)),
        standing,
        digest,
        bool(digest) and desk.photographs.there(digest),
        not standing and may_go(event),
        not standing and _is_fresh(event) and may_be_put_right(event),
    )


#: An entry is taken back from the page within so many days; later it is the counter's act.
_FRESH = timedelta(days=3)
#: What has a way of its own: a vehicle is not unmade by a key, and a photograph is erased.
_STAYS = frozenset({"enrolment", "retraction", "photograph"})


def may_go(event: StoredEvent) -> bool:
    """Whether the page offers to take an entry back."""
    return event.kind not in _STAYS and _is_fresh(event)


def _is_fresh(event: StoredEvent) -> bool:
    return datetime.now(UTC) - datetime.fromisoformat(event.recorded_at) < _FRESH


def take_back(desk: Desk, request: Request, form: Form, vehicle: str, event_id: str) -> Response:
    """Take back an entry that was written by mistake; it stays in the history as such."""
    with desk.ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        event = ledger.event(event_id)
        key = f"back-{event.event_id}"
        amended = ledger.facts.amendment_of(event) is not None and not desk.knows(vehicle_id, key)
    if event.vehicle_id != vehicle_id:
        raise UnknownName("That is no entry of this vehicle.")
    if amended or not may_go(event):
        raise LedgerRefused("That entry is not to be taken back here: see `roadworn retract`.")
    by = session_of(request).by or text_of(form, "by") or "-"
    filled = {"key": key, "by": by, "sure": text_of(form, "sure")}
    payload = {"event": event.event_id, "reason": "taken back on the page"}
    desk.write(request, filled, vehicle_id, [Entry("retraction", payload, figure=False)])
    return RedirectResponse(f"/v/{vehicle_id}/history", 303)


class Spoken(NamedTuple):
    """A line of the outlook: what it is about, a figure, words."""

    label: str
    figure: str
    words: str
    stop: bool


def outlook_page(desk: Desk, request: Request, vehicle: str) -> Response:
    """Show the outlook, or that it is being worked out."""
    card = card_of(desk, vehicle)
    told = outlook_of(desk, card.vehicle_id)
    lines: Sequence[Spoken] = ()
    if told.answer is not None:
        lines = list(_spoken(told.answer))
    return desk.show(request, "outlook.html", card=card, told=told, lines=lines)


def _spoken(found: "Outlook") -> Iterator[Spoken]:
    """Yield all that the first screen says, uncut; an empty label goes on with the one above."""
    from roadworn_cli.first_screen import groups

    for group in groups(found):
        entries = list(group)
        for at, one in enumerate(entries):
            words = one.words if isinstance(one.words, str) else Joined(one.words, "; ")
            more = takewhile(lambda e: not e.label, entries[at + 1 :])
            label = Joined([one.label, *(e.under for e in more if one.label)], " ")
            yield Spoken(label, one.figure or "", words, one.look == "stop")


_MOST_OF_DAY = 30


def day_page(desk: Desk, request: Request) -> Response:
    """Show the lists of the day: in the shop, waiting, approved, done, not tried since."""

    def ask(view: "LedgerView", host: "PluginHost") -> list[Any]:
        from roadworn.analysis.day import lists_of_the_day
        from roadworn_cli.day_lists import day_lists
        from roadworn_cli.day_open import still_open

        found = lists_of_the_day(view)
        return list(day_lists(found, {}, still_open(view, host, found)))

    told = desk.asker.ask("day", ask)
    return desk.show(request, "day.html", told=told, most=_MOST_OF_DAY)
