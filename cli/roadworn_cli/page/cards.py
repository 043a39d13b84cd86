"""What a page says of one vehicle: who it is, what stops it, what was put off, its past."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from roadworn.analysis import Holds, Tells
from roadworn.analysis.day import LeftOpen, left_open
from roadworn.model.messages import Joined, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn.say.telling import item_words
from roadworn.trade.cautions import brief_cautions_for
from roadworn.trade.codes import told_code
from roadworn_cli.page.asking import Told
from roadworn_cli.page.desk import Desk
from roadworn_cli.page.words import PAGE

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.analysis.outlook import Outlook
    from roadworn.checks.facts import LastReading
    from roadworn.columns.view import LedgerView

_MONTHS = 12.0


@dataclass(frozen=True, slots=True)
class OpenItem:
    """Something that is open on a vehicle.

    Attributes:
        component: catalogue id.
        place: where, or an empty text.
        why: what is open about it, in words.
        stop: it forbids driving.
        amount: what it was estimated at, or None.
        currency: of the amount.
        failed: it was found failed.
    """

    component: str
    place: str
    why: str
    stop: bool = False
    amount: Decimal | None = None
    currency: str = ""
    failed: bool = False

    @property
    def name(self) -> str:
        """Component and place in words."""
        return item_words({"component": self.component, "position": self.place})


@dataclass(frozen=True, slots=True)
class Lane:
    """A line of the small picture: what it is, and where on it something was, 0 to 1,000."""

    name: str
    at: tuple[int, ...]
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Past:
    """What the read model says of a vehicle.

    Attributes:
        first: open items, what stops it first.
        codes: active trouble codes in words.
        lanes: its past in a picture.
        span: the picture's ends in words, or an empty text.
        waiting: estimates with lines that nobody answered.
        approved: work that was approved and not done.
        arrived: the day it came in, or None when it is not in the shop.
        gone: it was handed over, and has not come in since.
        left: what it leaves with, or left with.
        tests: names of the tests after work that are open.
    """

    first: tuple[OpenItem, ...] = ()
    codes: tuple[Sentence, ...] = ()
    lanes: tuple[Lane, ...] = ()
    span: str = ""
    waiting: int = 0
    approved: int = 0
    arrived: date | None = None
    gone: bool = False
    left: tuple[LeftOpen, ...] = ()
    tests: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Card:
    """A vehicle as the top of its pages has it.

    Attributes:
        vehicle_id: its name.
        profile: the latest word for each field.
        plate: its number plate, or an empty text.
        reading: the last figure with its unit and day, or an empty text.
        unit: of that figure, or an empty text.
        past: what the read model says.
        left: (component, place) -> how far to the limit.
        new: all of it holds the last events.
        known: what is open on it is known at all.
        problem: why something is missing, or an empty text.
    """

    vehicle_id: str
    profile: Mapping[str, Any]
    plate: str
    reading: str
    unit: str
    past: Past
    left: Mapping[tuple[str, str], str] = field(default_factory=dict)
    new: bool = True
    known: bool = True
    problem: str = ""

    @property
    def first(self) -> tuple[OpenItem, ...]:
        """Open items, what stops it first."""
        return self.past.first

    @property
    def stops(self) -> tuple[OpenItem, ...]:
        """What forbids driving."""
        return tuple(one for one in self.past.first if one.stop)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Short cautions for whoever works on what stops it."""
        return tuple(brief_cautions_for(one.component for one in self.stops))

    @property
    def described(self) -> str:
        """What it is in words."""
        built = [
            str(self.profile[k]) for k in ("model_year", "make", "model") if self.profile.get(k)
        ]
        return ", ".join(filter(None, (self.profile.get("label") or "", " ".join(built))))


def card_of(
    desk: Desk, vehicle: str, *, patience: float | None = None, ahead: bool = False
) -> Card:
    """Return a vehicle's card.

    Args:
        desk: asks for it.
        vehicle: its name, or the beginning of one.
        patience: seconds to wait for the last entries, if not the usual.
        ahead: with how far each part is to its limit, of which the outlook is begun for it.

    Raises:
        UnknownName: no vehicle answers to that name.
    """
    with desk.ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        profile = ledger.facts.profile(vehicle_id)
        plate = ledger.plates.of(vehicle_id)
        last = ledger.facts.last_reading(vehicle_id)
    reading = reading_words(last)
    told = desk.asker.ask(
        f"past {vehicle_id}", lambda view, _host: past_of(view, vehicle_id), patience=patience
    )
    left = _left(outlook_of(desk, vehicle_id, patience=0.02).answer) if ahead else {}
    return Card(
        vehicle_id,
        profile,
        plate,
        reading,
        last.unit if last else "",
        told.answer or Past(),
        left,
        told.new,
        told.answer is not None,
        told.problem,
    )


def reading_words(last: "LastReading | None") -> str:
    """Return a figure of the odometer with its unit and day, or an empty text."""
    if last is None:
        return ""
    return PAGE("read", distance=last.value, unit=last.unit, day=last.occurred_at[:10])


def outlook_of(desk: Desk, vehicle_id: str, *, patience: float | None = None) -> Told["Outlook"]:
    """Return the outlook of a vehicle as far as it is worked out."""

    def ask(view: "LedgerView", host: "PluginHost") -> "Outlook":
        from roadworn.analysis.outlook import outlook
        from roadworn_cli.words import look_of

        return outlook(view, host, vehicle_id, _MONTHS, look_of(unit="").unit)

    return desk.asker.ask(f"outlook {vehicle_id}", ask, patience=patience, slow=True)


def _left(found: "Outlook | None") -> dict[tuple[str, str], str]:
    """Return how far each measured part is from its limit, in words."""
    ran = found.wear if found is not None else None
    table = ran.result.holding(Holds.WEAR) if ran is not None else None
    if table is None:
        return {}
    at = table.place(Tells.VALUE)
    unit = "" if at is None else table.columns[at].unit
    keys = zip(table.cells(Tells.COMPONENT), table.cells(Tells.PLACE), strict=True)
    return {
        (str(component), str(place or "")): PAGE("left", distance=float(str(value)), unit=unit)
        for (component, place), value in zip(keys, table.cells(Tells.VALUE), strict=True)
        if value is not None
    }


_OPEN = """
SELECT component, coalesce(position, ''), condition, safety, note, first_seen_on
FROM open_findings WHERE vehicle_id = ? ORDER BY component, position
"""
_DECLINED = """
SELECT component, coalesce(position, ''), decision, amount, currency, safety, occurred_on
FROM declined_work WHERE vehicle_id = ? ORDER BY safety DESC, occurred_on DESC
"""
_CODES = "SELECT code, status, words FROM active_codes WHERE vehicle_id = ? ORDER BY code"
_LIFE = """
SELECT e.kind, e.true_km, r.reason FROM effective_events AS e
LEFT JOIN replacements AS r ON r.event_id = e.event_id
WHERE e.vehicle_id = ? AND e.true_km IS NOT NULL ORDER BY e.true_km, e.seq
"""
_LANES = {
    "looked over": ("inspection", "inspection_result", "scan"),
    "told us": ("complaint",),
    "service, repair": ("maintenance", "repair"),
}
_FAILED = frozenset({"failed", "worn_out", "damaged"})


def past_of(view: "LedgerView", vehicle_id: str) -> Past:
    """Ask the read model for what a card shows."""
    one = (vehicle_id,)
    opened: dict[tuple[str, str], OpenItem] = {}
    for component, place, condition, safety, note, day in view.sql(_OPEN, one).rows:
        stop = bool(safety) and condition == "failed"
        why: str
        told = {"condition": condition.replace("_", " "), "day": day}
        why = PAGE("since-note", note=note, **told) if note else PAGE("since", **told)
        failed = condition == "failed"
        opened[component, place] = OpenItem(component, place, why, stop, failed=failed)
    for component, place, decision, amount, currency, _safety, day in view.sql(_DECLINED, one).rows:
        if component is None:
            continue
        was = opened.get((component, place))
        said = PAGE("answered", decision=decision, day=day)
        why = Joined([said, was.why if was is not None else ""], "; ")
        stop, failed = was is not None and was.stop, was is not None and was.failed
        opened[component, place] = OpenItem(
            component, place, why, stop, amount, currency or "", failed
        )
    first = sorted(opened.values(), key=lambda item: (not item.stop, not item.failed))
    codes = tuple(
        PAGE("code", code=code, status=status, words=told_code(code, words)[0])
        for code, status, words in view.sql(_CODES, one).rows
    )
    waiting = view.sql(
        "SELECT count(DISTINCT event_id) FROM waiting_lines WHERE vehicle_id = ?", one
    ).rows[0][0]
    approved = view.sql("SELECT count(*) FROM approved_work WHERE vehicle_id = ?", one).rows[0][0]
    here = view.sql("SELECT since FROM in_shop WHERE vehicle_id = ? AND arrived", one).rows
    last = "SELECT max_by(step, (occurred_on, seq)) FROM visits WHERE vehicle_id = ?"
    tests = "SELECT test FROM open_tests WHERE vehicle_id = ? ORDER BY asked_on, test"
    lanes, span = _lanes(view, vehicle_id)
    return Past(
        tuple(first),
        codes,
        lanes,
        span,
        waiting,
        approved,
        arrived=here[0][0] if here else None,
        gone=view.sql(last, one).rows[0][0] == "handed_over",
        left=left_open(view, vehicle_id),
        tests=tuple(dict.fromkeys(row[0] for row in view.sql(tests, one).rows)),
    )


def _lanes(view: "LedgerView", vehicle_id: str) -> tuple[tuple[Lane, ...], str]:
    """Return the small picture of a vehicle's past, along its distance."""
    events = view.sql(_LIFE, (vehicle_id,)).rows
    if not events:
        return (), ""
    low, high = float(events[0][1]), float(events[-1][1])
    wide = max(high - low, 1.0)

    def at(found: list[float]) -> tuple[int, ...]:
        return tuple(sorted({round(1000 * (km - low) / wide) for km in found}))

    lanes = [
        Lane(name, at([km for kind, km, _why in events if kind in kinds]))
        for name, kinds in _LANES.items()
    ]
    planned = [km for kind, km, why in events if kind == "replacement" and why not in _FAILED]
    failed = [km for kind, km, why in events if kind == "replacement" and why in _FAILED]
    lanes += [Lane("part, planned", at(planned)), Lane("part, failed", at(failed), strong=True)]
    unit = view.sql(
        "SELECT unit FROM readings WHERE vehicle_id = ? ORDER BY occurred_at DESC, seq DESC "
        "LIMIT 1",
        (vehicle_id,),
    ).rows
    mile = bool(unit) and unit[0][0] == "mi"
    per = float(KM_PER_MILE) if mile else 1.0
    name = "mi" if mile else "km"
    return tuple(lanes), PAGE("span", low=low / per, high=high / per, unit=name)
