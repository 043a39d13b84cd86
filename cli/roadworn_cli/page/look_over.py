"""The look-over: a row an item with four keys, what was seen last time beside it.

What stops the vehicle and what was put off last time stands first. A figure without a key is
judged by the limit of the sheet, as at every other door.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from roadworn.checks.measured import check_agreement, check_measurements, sizes_on_record
from roadworn.intake import Ledger
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.messages import Joined, PlaceName
from roadworn.model.places import covers
from roadworn.model.units import UnitError, parse_measurement
from roadworn.reading import CONDITIONS, JudgedFinding, judged, read_findings, read_measurements
from roadworn.reading.walk import Walk
from roadworn.say.telling import item_words
from roadworn.trade.judging import KnownSizes, figures_of
from roadworn.trade.limits import Item, Sheet
from roadworn_cli.page.cards import Card, OpenItem, card_of
from roadworn_cli.page.desk import Alert, Desk, Entry, Form, sent, text_of
from roadworn_cli.page.words import PAGE
from roadworn_cli.record.look_over import choose_sheet, sheet_of_vehicle

#: What a keypad of another language writes; 1,200 stays refused.
_DECIMAL_COMMA = re.compile(r"\d+,\d{1,2}")
_SLUG = re.compile(r"[^a-z0-9]+")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of the sheet: an item at a place.

    Attributes:
        key: names it in the form, the same on every device.
        name: what it is called, with its place.
        item: of the sheet; None for what is open and not on the sheet.
        component: catalogue id.
        place: where, or an empty text.
        limit: its limit in words, or an empty text.
        last: what was seen last time, or an empty text.
        left: how far it is to the limit, or an empty text.
        why: why it stands first, or an empty text.
        stop: it forbids driving.
    """

    key: str
    name: str
    item: Item | None
    component: str
    place: str
    limit: str = ""
    last: str = ""
    left: str = ""
    why: str = ""
    stop: bool = False

    @property
    def beside(self) -> str:
        """What stands beside its figure: the limit, the last figure, how far it is to the limit."""
        last = PAGE("last", seen=self.last) if self.last else ""
        return Joined([self.limit, last, self.left], "; ")

    @property
    def critical(self) -> bool:
        """Whether it stops the vehicle when it failed."""
        return catalogue().get(self.component).safety_critical

    @property
    def unit(self) -> str:
        """Unit of its figure, or an empty text where nothing is measured."""
        return self.item.unit if self.item is not None and self.item.measurement else ""


@dataclass(frozen=True, slots=True)
class Looked:
    """A sheet laid out for one vehicle.

    Attributes:
        sheet: with its limits.
        first: rows that stand first.
        areas: (where one stands, its rows) of the others.
        named: the sheet was chosen by somebody.
        sizes: on record of the vehicle.
        seen: number of the last event, for whoever writes meanwhile.
    """

    sheet: Sheet
    first: tuple[Row, ...]
    areas: tuple[tuple[str, tuple[Row, ...]], ...]
    named: bool
    sizes: KnownSizes
    seen: int

    @property
    def rows(self) -> Iterator[Row]:
        """All rows."""
        yield from self.first
        for _area, rows in self.areas:
            yield from rows


def lay_out(ledger: Ledger, vehicle_id: str, card: Card) -> Looked:
    """Lay the sheet of a vehicle out."""
    facts = ledger.facts
    chosen = choose_sheet(facts, vehicle_id, "")
    sheet = sheet_of_vehicle(facts, vehicle_id, chosen.sheet)
    sizes = sizes_on_record(vehicle_id, facts)
    before = _before(ledger, vehicle_id)
    first: list[Row] = []
    areas: dict[str, list[Row]] = {}
    opened = {(one.component, one.place): one for one in card.first}
    for item in sheet.items:
        for place in item.places or ("",):
            row = _row(item, place, sizes, before, card)
            why = next(
                (one for key, one in opened.items() if _fits(key, item.component, place)), None
            )
            if why is None:
                areas.setdefault(item.area or PAGE("the-rest"), []).append(row)
            else:
                first.append(replace(row, why=why.why, stop=why.stop))
    there = {(row.component, row.place) for row in first}
    for (component, place), one in opened.items():
        if not any(_fits((component, place), c, p) for c, p in there):
            first.append(_extra(one, before))
    first.sort(key=lambda row: not row.stop)
    laid = tuple((area, tuple(rows)) for area, rows in areas.items())
    seen = ledger.checkpoint().size
    return Looked(sheet, tuple(first), laid, chosen.by_name, sizes, seen)


def _fits(opened: tuple[str, str], component: str, place: str) -> bool:
    at = opened[1]
    return opened[0] == component and (at == place or bool(at and place and covers(at, place)))


def _row(
    item: Item,
    place: str,
    sizes: KnownSizes,
    before: Mapping[tuple[str, str], str],
    card: Card,
) -> Row:
    at = (item.component, place)
    return Row(
        f"{_SLUG.sub('-', item.name.casefold()).strip('-')}@{place}",
        Joined([item.name, PlaceName(place, item.component) if place else ""], " "),
        item,
        item.component,
        place,
        _limit_words(item, sizes, place),
        before.get(at, ""),
        card.left.get(at, ""),
    )


def _extra(one: OpenItem, before: Mapping[tuple[str, str], str]) -> Row:
    at = (one.component, one.place)
    name = item_words({"component": one.component, "position": one.place})
    key = f"{one.component}@{one.place}"
    return Row(
        key, name, None, *at, last=before.get(at, ""), why=one.why, stop=one.stop
    )  # fmt: skip


def figure_words(value: float, unit: str) -> str:
    """Return a measured figure as it is read, tread as a fraction."""
    return PAGE("tread" if unit == "32nds" else "figure", value=value, unit=unit)


def _edge(limit: Decimal, unit: str, direction: str) -> str:
    """Return a limit to three places, never milder than it is."""
    rounding = ROUND_CEILING if direction == "min" else ROUND_FLOOR
    return figure_words(float(limit.quantize(Decimal("0.001"), rounding)), unit)


def _limit_words(item: Item, sizes: KnownSizes, place: str) -> str:
    """Return the limit of an item in words, or what it hangs on."""
    if not item.measurement:
        return ""
    edge = {"min": "least", "max": "most"}.get(item.direction, "")
    if item.limit is not None:
        return PAGE(edge or "limit", figure=_edge(item.limit, item.unit, item.direction))
    if item.sized is not None:
        size = sizes.size_at(item, {"component": item.component, "position": place or None})
        limits = item.sized.limits(size)
        if size is not None and len(limits) == 1:
            figure = _edge(limits[0], item.sized.unit, item.sized.direction)
            return PAGE(edge or "limit", figure=figure)
        return PAGE(f"{edge}-sized" if edge else "sized", size=item.sized.key)
    if item.normal is not None:
        low, high = (float(figure) for figure in item.normal)
        return PAGE("usual", low=low, high=high, unit=item.unit)
    return ""


def _before(ledger: Ledger, vehicle_id: str) -> dict[tuple[str, str], str]:
    """Return (component, place) -> what was last seen there, with its day."""
    told: dict[tuple[str, str], str] = {}
    for event in ledger.facts.events(vehicle_id, "inspection"):
        data = event.data()
        day = event.occurred_at[:10]
        for finding in data.get("findings", ()):
            figures = [figure_words(m["value"], m["unit"]) for m in figures_of(finding)]
            condition = finding["condition"].replace("_", " ")
            told.setdefault(_at(finding), Joined([*figures, condition, day]))
        for item in data.get("sound", ()):
            told.setdefault(_at(item), Joined(["sound", day]))
    return told


def _at(said: Mapping[str, Any]) -> tuple[str, str]:
    return said["component"], said.get("position") or ""


def show_look_over(
    desk: Desk,
    request: Request,
    vehicle: str,
    *,
    typed: Form | None = None,
    alert: Alert | None = None,
    status: int = 200,
) -> Response:
    """Show the sheet of a vehicle, filled in as far as it was."""
    card = card_of(desk, vehicle, ahead=True)
    with desk.ledger() as ledger:
        laid = lay_out(ledger, card.vehicle_id, card)
    form = typed or {}
    return desk.show(
        request, "look_over.html", status=status, card=card, laid=laid, typed=form, alert=alert
    )  # fmt: skip


def send_look_over(desk: Desk, request: Request, form: Form, vehicle: str) -> Response:
    """Write a look-over, or show it again with why it was not written."""
    card = card_of(desk, vehicle)

    def make() -> Iterable[Entry]:
        with desk.ledger() as ledger:
            laid = lay_out(ledger, card.vehicle_id, card)
        words = desk.words()
        findings = [finding for finding, _remark in _found(laid, form, words)]
        check_agreement(findings)
        walk = Walk(laid.sheet, [findings], laid.sizes)
        rest = text_of(form, "rest")
        walk.rest = rest if rest in ("sound", "not_checked") else ""
        payload = walk.payload()
        if not laid.named:
            payload.pop("sheet", None)
        note = text_of(form, "note")
        if not findings and not walk.rest and not note:
            raise UsageError("Nothing is filled in: press a key, or type a figure, first.")
        yield Entry("inspection", {**payload, "note": note}, laid.sheet)

    def show(**told: Any) -> Response:  # noqa: ANN401
        return show_look_over(desk, request, vehicle, **told)

    return sent(desk, request, form, card.vehicle_id, make, show)


def _found(laid: Looked, form: Form, words: Any) -> Iterator[JudgedFinding]:  # noqa: ANN401
    """Yield the findings of a form, a row each, and those that were typed in words."""
    for row in laid.rows:
        condition = text_of(form, f"c:{row.key}")
        figure, note = text_of(form, f"m:{row.key}"), text_of(form, f"n:{row.key}")
        if not condition and not figure:
            if note:
                raise UsageError(f"{row.name}: {note!r} is written and no key is pressed.")
            continue
        yield _finding(row, condition, figure, note, laid)
    for line in text_of(form, "words").splitlines():
        if line.strip():
            yield from read_findings(line, laid.sheet, laid.sizes, words=words)


def _finding(row: Row, condition: str, figure: str, note: str, laid: Looked) -> JudgedFinding:
    if condition and condition not in CONDITIONS:
        raise UsageError(f"{row.name}: {condition!r} is no key of this sheet.")
    finding: dict[str, Any] = {"component": row.component}
    if row.place:
        finding["position"] = row.place
    if figure:
        finding["measurements"] = _measured(row, figure)
        check_measurements(row.component, finding["measurements"])
    if note:
        finding["note"] = note
    if not condition:
        return judged(f"{row.name} {figure}", finding, laid.sheet, laid.sizes)
    finding["condition"] = condition
    if condition == "failed" and row.critical:
        finding["safety"] = True
    return JudgedFinding(finding, "")


def _measured(row: Row, figure: str) -> list[dict[str, Any]]:
    """Read a figure that has its own unit, or that of the item."""
    if not row.unit:
        return read_measurements(figure)
    try:
        point = figure.replace(",", ".") if _DECIMAL_COMMA.fullmatch(figure) else figure
        value, unit = parse_measurement(point, row.unit)
    except UnitError as error:
        raise UsageError(f"{row.name}: {error.message}") from None
    named = {"name": row.item.measurement} if row.item is not None else {}
    return [{"value": float(value), "unit": unit, **named}]
