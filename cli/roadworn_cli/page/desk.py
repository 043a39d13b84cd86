"""What every part of the page shares: the ledger, the templates, and the one way to write.

Nothing is written but by `Desk.write`, which is asked once for each act of a person: it reads
the envelope, runs the rules of every door, asks about what is doubtful before anything is
written, and gives the event the key that the browser made, so that the same act sent twice is
one event.
"""

import hashlib
import re
import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from roadworn.checks import asked_first, found
from roadworn.checks.facts import Draft
from roadworn.intake import Ledger, asked_about, draft_of, prepare
from roadworn.model.errors import ProblemsFound, RoadwornError, UsageError
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Joined, Problem, ended
from roadworn.say import SOURCE
from roadworn.say.telling import brief, describe
from roadworn.store.photographs import Photographs
from roadworn.store.writer import Prepared
from roadworn_cli.context import State, check_day, shop_words, today
from roadworn_cli.page.asking import Asker
from roadworn_cli.page.guard import session_of
from roadworn_cli.page.words import PAGE, words_of
from roadworn_cli.record import ALL, Envelope, cautions, figure_of, given, new_event

if TYPE_CHECKING:
    from jinja2 import Environment

    from roadworn.model.events import NewEvent
    from roadworn.reading.bench_words import Words
    from roadworn.trade.limits import Sheet

_KEY = re.compile(r"[A-Za-z0-9-]{8,64}")
#: A form as a browser sent it: a field's last value by its name.
Form = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Alert:
    """What stands above a form that was sent and not written.

    Attributes:
        title: what it is.
        lines: what is to be said.
        sure: what the form must send back to be written as it is, or an empty text.
    """

    title: str
    lines: tuple[str, ...]
    sure: str = ""


class Doubted(Exception):
    """Something is odd, and the person has not said yet that it is meant."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__(lines[0])
        self.lines = tuple(lines)
        self.sure = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Entry:
    """One event to write.

    Attributes:
        kind: stored name of its kind.
        payload: its fields; None and empty texts are left out.
        sheet: whose limits the figures of a look-over were judged by.
        figure: it carries the odometer figure of the form.
    """

    kind: str
    payload: Mapping[str, Any]
    sheet: "Sheet | None" = None
    figure: bool = True


@dataclass
class Desk:
    """The page's hands: what its parts read and write with.

    Attributes:
        state: which ledger.
        asker: answers of the read model.
        photographs: pictures beside the ledger.
        version: of the static files, so that a browser takes new ones.
        language: of the page, where a device asked for no other.
        adapter: port of the adapter that a vehicle is read by, or an empty text.
    """

    state: State
    asker: Asker
    photographs: Photographs
    version: str = ""
    language: str = SOURCE
    adapter: str = ""

    def __post_init__(self) -> None:
        self.version = self.version or _version()

    def ledger(self, *, writable: bool = False) -> Ledger:
        """Open the ledger with the kinds that plugins bring."""
        self.state.check_file()
        return Ledger.open(self.state.ledger, kinds=self.asker.host.kinds(), writable=writable)

    def words(self) -> "Callable[[], Words]":
        """Return what reads parts by, a shop's own words among them."""
        return shop_words(self.state.ledger)

    def show(self, request: Request, template: str, *, status: int = 200, **told: Any) -> Response:  # noqa: ANN401
        """Return a page.

        Args:
            request: what was asked.
            template: name of its file.
            status: of the answer.
            told: what it says.
        """
        session = session_of(request)
        words = words_of(session.language or self.language)
        about = {
            "session": session,
            "version": self.version,
            "path": request.url.path,
            "t": words,
            "say": words.say,
        }
        return HTMLResponse(_templates().get_template(template).render(**about, **told), status)

    def write(
        self, request: Request, form: Form, vehicle_id: str, entries: Iterable[Entry]
    ) -> list[StoredEvent]:
        """Write what one act of a person comes to, all of it or nothing, and keep what it said.

        Args:
            request: what was asked.
            form: its fields `key`, `by`, `on`, `odometer`, `sure`.
            vehicle_id: an enrolled vehicle, or the one to take in.
            entries: the events.

        Raises:
            RoadwornError: it is refused.
            Doubted: something is odd.
        """
        key, by = text_of(form, "key"), text_of(form, "by")
        if not _KEY.fullmatch(key):
            raise UsageError("This form has no key of its own: open it again.")
        if not by:
            raise UsageError("Say who writes it down: your initials stand at the foot.")
        session_of(request).by = by[:60]
        envelope = Envelope(text_of(form, "odometer"), "", text_of(form, "on"), by)
        day = check_day(envelope.on, "The day") or today().isoformat()
        with self.ledger(writable=True) as ledger:
            made = []
            for number, entry in enumerate(entries):
                wanted = envelope if entry.figure else Envelope(on=day, by=by)
                odometer, unit = figure_of(wanted, vehicle_id, ledger.facts)
                fields = {
                    "vehicle_id": vehicle_id,
                    "kind": entry.kind,
                    "occurred_at": day,
                    "payload": given(entry.payload),
                    "odometer": odometer,
                    "odometer_unit": unit,
                    "recorded_by": by,
                    "source": "page",
                    "intake_key": f"page:{key}" + (f"#{number + 1}" if number else ""),
                }
                made.append((entry, new_event(fields)))
            if not made:
                raise UsageError("Nothing is filled in: there is nothing to write.")
            known = ledger.query(
                "SELECT 1 FROM events WHERE intake_key = ?", (made[0][1].intake_key,)
            )
            told: list[str] = []
            if not list(known):
                asked, told = self._odd(ledger, made, envelope.odometer)
                asked += _meanwhile(ledger, form, vehicle_id, made[0][1].kind)
                if asked and Doubted(asked).sure != text_of(form, "sure"):
                    raise Doubted(asked)
            stored = _append(ledger, [event for _entry, event in made])
        said = [
            PAGE("written", day=one.occurred_at, told=describe(one.kind, brief(one.data())))
            for one in stored
        ]
        warned = [text for one in stored for text in cautions(one)]
        session_of(request).said = tuple(said), tuple(dict.fromkeys((*warned, *told)))
        return stored

    def knows(self, vehicle_id: str, key: str) -> bool:
        """Whether an act of that key was written of a vehicle."""
        sql = "SELECT 1 FROM events WHERE intake_key = ? AND vehicle_id = ?"
        with self.ledger() as ledger:
            return bool(ledger.query(sql, (f"page:{key}", vehicle_id)))

    def _odd(
        self, ledger: Ledger, made: Sequence[tuple[Entry, Any]], typed: str
    ) -> tuple[list[str], list[str]]:
        """Return what is to be asked before it is written, and what is to be told afterwards."""
        asked: dict[str, None] = {}
        told: dict[str, None] = {}
        for entry, event in made:
            prepared = prepare(event, ledger.kinds)
            if not isinstance(prepared, Prepared):
                raise ProblemsFound(f"Not taken: {prepared[0]}", prepared)
            plain = draft_of(prepared.row, prepared.payload)
            draft = Draft(
                plain.vehicle_id, plain.kind, plain.occurred_at, plain.odometer,
                plain.odometer_unit, plain.payload, sheet=entry.sheet,
                typed=typed if entry.figure else "", recorded_by=plain.recorded_by,
            )  # fmt: skip
            # What is told of a vehicle that comes in by the same act is doubted like any other.
            taken_in = entry.kind != "enrolment" and made[0][0].kind == "enrolment"
            doubts = (
                asked_first(draft, ledger.facts)
                if taken_in
                else asked_about(ledger, event, draft.typed, but=entry.payload.get("replaces", ""))
            )
            asked |= dict.fromkeys(worded(problem) for problem in doubts)
            codes = {problem.code for problem in doubts}
            odd = found(draft, ledger.facts, ALL)
            told |= dict.fromkeys(worded(one) for one in odd if one.code not in codes)
        return list(asked), list(told)


def _append(ledger: Ledger, events: Iterable["NewEvent"]) -> list[StoredEvent]:
    """Write events in one transaction, all of them or none; what is there already is returned."""
    stored: list[StoredEvent] = []
    with ledger.writing() as writer:
        for event in events:
            prepared = prepare(event, ledger.kinds)
            added = writer.add(prepared) if isinstance(prepared, Prepared) else prepared
            if isinstance(added, list):
                raise ProblemsFound(f"Not taken: {added[0]}", added)
            stored.append(added)
        writer.finish()
    return stored


def _meanwhile(ledger: Ledger, form: Form, vehicle_id: str, kind: str) -> list[str]:
    """Return a line for each event of that kind that was written since the form was opened."""
    seen = text_of(form, "seen")
    if not seen.isdigit():
        return []
    rows = ledger.query(
        "SELECT recorded_at, recorded_by FROM events "
        "WHERE vehicle_id = ? AND kind = ? AND seq > ? ORDER BY seq",
        (vehicle_id, kind, int(seen)),
    )
    what = "look-over" if kind == "inspection" else kind.replace("_", " ")
    return [PAGE("meanwhile", by=by or "?", what=what, at=at[11:16]) for at, by in rows]


def worded(problem: Problem) -> str:
    """Return a finding as the page says it, with what may be done about it."""
    told = Joined([problem.message, ended(problem.hint)], " ")
    return Joined([problem.subject.replace("_", " "), told], ": ")


def text_of(form: Form, name: str) -> str:
    """Return a field of a form as a text without blanks around it."""
    value = form.get(name, "")
    return value.strip() if isinstance(value, str) else ""


Show = Callable[..., Response]


def sent(
    desk: Desk,
    request: Request,
    form: Form,
    vehicle_id: str,
    make: Callable[[], Iterable[Entry]],
    show: Show,
    *,
    spent: bool = False,
) -> Response:
    """Write what a form says, or show the form again with why it was not written.

    Args:
        desk: writes it.
        request: what was asked.
        form: what was sent.
        vehicle_id: whose.
        make: reads the events out of the form.
        show: shows the form; takes `typed`, `alert` and `status`.
        spent: what it says is used up once it is written, so that it cannot be read a second
            time; the same act again is known by its key alone.
    """
    if spent and desk.knows(vehicle_id, text_of(form, "key")):
        return RedirectResponse(f"/v/{vehicle_id}", 303)
    try:
        desk.write(request, form, vehicle_id, list(make()))
    except Doubted as doubt:
        alert = Alert("Before it is written", doubt.lines, doubt.sure)
        return show(typed=form, alert=alert, status=409)
    except RoadwornError as error:
        return show(typed=form, alert=Alert("Not written", tuple(lines_of(error))), status=422)
    return RedirectResponse(f"/v/{vehicle_id}", 303)


def lines_of(error: RoadwornError) -> list[str]:
    """Return the sentences of a refusal, each once."""
    more = [str(one) for one in error.problems[1:]] if isinstance(error, ProblemsFound) else []
    return list(dict.fromkeys([error.message, *more]))


def new_key() -> str:
    """Return a key for a form; the script makes another for each act."""
    return secrets.token_hex(12)


_HERE = Path(__file__).parent


@lru_cache
def _version() -> str:
    """Return a digest of the static files."""
    text = b"".join(path.read_bytes() for path in sorted((_HERE / "static").iterdir()))
    return hashlib.sha256(text).hexdigest()[:10]


@lru_cache
def _templates() -> "Environment":
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals |= {"new_key": new_key, "today": lambda: date.isoformat(today())}
    return made
