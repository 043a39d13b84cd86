"""What is due already: findings, codes, work declined or deferred; with prices of today."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import Any

import numpy as np

from roadworn.analysis import Mark, Marks
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, meet, part_name
from roadworn.model.messages import Joined, PartName, Says
from roadworn.model.places import SPARE, covers
from roadworn.trade.codes import told_code
from roadworn.trade.weight import weigh
from roadworn_plugins.inspection.outcomes import judge_item
from roadworn_plugins.maintenance import due_services
from roadworn_plugins.shared.grouped import Ints
from roadworn_plugins.shared.offers import Offer, load_offers, offered_for, told_offer
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.prices import Price, Prices
from roadworn_plugins.shared.rule_sets import Looks, asked_components, load_looks, load_rules

# A figure does not grow back: the last one counts until work is recorded, however old it is.
_ANY_AGE = 100_000
_say = Says(
    "next-repairs",
    {
        "past-limit": "past its limit: {detail} (limit of {citation})",
        "code": "{code} {status}, {module}: {meaning}",
        "points": "points to {parts}",
        "points-others": "points to {parts} and others",
        "lamp": "lamp on",
        "measured": "{value} {unit}",
        "complaint": "customer says: {text}",
        "inspection": "{inspection} inspection",
        "official": "official result {result}",
        "service": "{state} by the schedule, last done on {day}",
        "service-new": "{state} by the schedule, not on record since new on {day}",
    },
)


class State(StrEnum):
    """States in the order in which they are shown; the first stops a vehicle from being driven."""

    SAFETY = "SAFETY: failed"
    FAILED = "failed"
    NOT_PASSED = "not passed"
    COMPLAINT = "complaint"
    CODE = "code"
    DECLINED = "declined"
    DEFERRED = "deferred"
    SERVICE = "service due"
    WEARING = "wearing"

    @property
    def marks(self) -> Marks:
        """What it means to whoever shows it."""
        return _MARKS.get(self, frozenset())


_ORDER = {state: rank for rank, state in enumerate(State)}
_ORDER[State.DEFERRED] = _ORDER[State.DECLINED]  # either is the customer's answer
_MARKS = {
    State.SAFETY: frozenset({Mark.SAFETY, Mark.OPEN}),
    State.FAILED: frozenset({Mark.FAILED, Mark.OPEN}),
    State.NOT_PASSED: frozenset({Mark.OPEN}),
    State.COMPLAINT: frozenset({Mark.COMPLAINT, Mark.OPEN}),
}


@dataclass(frozen=True, slots=True)
class DueItem:
    """One thing that is due on a vehicle.

    `component` is empty for a code that points to nothing on file; `price` is None where no
    price is known, and always for a code: it has to be diagnosed first. `overdue` is a service past
    its window; `danger` the clauses of a complaint that somebody may get hurt by.
    """

    vehicle: str
    state: State
    component: str
    position: str
    seen: str
    since: date | None
    price: Price | None
    events: tuple[str, ...]
    overdue: bool = False
    danger: tuple[str, ...] = ()

    @property
    def rank(self) -> int:
        """Where its state stands among the states, 0 first."""
        return _ORDER[self.state]

    @property
    def name(self) -> str | PartName:
        """What it is, in words, with its place."""
        return part_name(self.component, self.position) if self.component else self.position

    @property
    def failed(self) -> bool:
        """Whether a part was found failed."""
        return self.state in {State.SAFETY, State.FAILED}

    @property
    def key(self) -> tuple[str, str, str]:
        """Vehicle, component and position."""
        return self.vehicle, self.component, self.position


def due_now(view: LedgerView, prices: Prices, vehicle: str | None = None) -> list[DueItem]:
    """Return what is due, safety first, each place once: a finding outranks declined work.

    Args:
        view: the ledger as of a day.
        prices: what replacing each component costs.
        vehicle: only this one.
    """

    def gathered() -> tuple[Prices, list[DueItem]]:
        items = _Gathered(view, prices, vehicle).all()
        return prices, sorted(items, key=lambda i: (i.vehicle, i.rank, i.component, i.position))

    # The prices are kept with what they were put to, so that no others get their number.
    return list(view.kept((due_now, vehicle, id(prices)), gathered)[1])


def failed_now(view: LedgerView, prices: Prices) -> list[DueItem]:
    """Return what is found failed, of all vehicles: part of `due_now`, in half of its time."""
    gathered = _Gathered(view, prices, None)
    return [item for item in gathered.with_limits(gathered.findings()) if item.failed]


def not_failed(parts: PartsAhead, due: list[DueItem]) -> Ints:
    """Return the parts that are not found failed: those are due, not likely."""
    failed: dict[tuple[str, str], list[str]] = {}
    for item in due:
        if item.failed:
            failed.setdefault((item.vehicle, item.component), []).append(item.position)
    fitted = zip(parts.vehicle, parts.component, parts.position, strict=True)
    return np.array(
        [
            i
            for i, (vehicle, component, place) in enumerate(fitted)
            if not any(
                not p or covers(place, p) or meet(component, place, p)
                for p in failed.get((vehicle, component), ())
            )
        ],
        dtype=np.int64,
    )


def _one_place(component: str, one: str, other: str) -> bool:
    """Return whether two places of a component are one, or one is part of the other."""
    return (
        one == other
        or not other
        or covers(one, other)
        or covers(other, one)
        or meet(component, one, other)
    )


@dataclass(frozen=True, slots=True)
class _Gathered:
    """What is due on one vehicle, or on all that are still here."""

    view: LedgerView
    prices: Prices
    vehicle: str | None

    def all(self) -> list[DueItem]:
        """Return everything, in no order."""
        offers = load_offers(self.view, self.vehicle)
        told = set[Offer]()
        items = [
            self._told_before(item, offers, told) for item in self.with_limits(self.findings())
        ]
        items += self.answered([one for one in offers if one not in told])
        items += [*self.codes(), *self.complaints(), *self.not_passed(), *self.services()]
        return items

    def _told_before(self, finding: DueItem, offers: Sequence[Offer], told: set[Offer]) -> DueItem:
        """Return the finding with the word of what was offered for it before."""
        own = [one for one in offers if one.vehicle == finding.vehicle]
        offer = offered_for(own, finding.component, finding.position)
        if offer is None:
            return finding
        told.add(offer)
        failed = replace(offer, failed_on=finding.since if finding.failed else None)
        return replace(
            finding,
            seen=Joined((finding.seen, told_offer(failed, self.view.today)), "; "),
            events=(*finding.events, *offer.events),
        )

    def rows(self, columns: str, table: str, where: str = "TRUE", more: str = "") -> list[Any]:
        """Return vehicle, class and more columns of a table `x`, of the vehicles still here."""
        return self.view.of_vehicle(
            f"""SELECT x.vehicle_id, v.vehicle_class, {columns}
                FROM {table} AS x JOIN vehicles AS v USING (vehicle_id) {more}
                WHERE v.retired_on IS NULL AND {where} AND ONLY(x.vehicle_id)""",
            self.vehicle,
        ).rows

    def findings(self) -> list[DueItem]:
        """Return what was found failed or wearing."""
        join = """LEFT JOIN (
              SELECT seq, component, coalesce(position, '') AS place,
                     list(value ORDER BY name, value) AS figures,
                     list(unit ORDER BY name, value) AS units
              FROM measurements WHERE seq IN (SELECT seq FROM open_findings)
              GROUP BY seq, component, place) AS m
              ON m.seq = x.seq AND m.component = x.component
                AND m.place = coalesce(x.position, '')"""
        columns = """x.component, coalesce(x.position, ''), x.condition, x.safety, m.figures,
                     m.units, x.note, x.first_seen_on, x.event_id"""
        found = []
        for name, kind, component, position, condition, safety, *row in self.rows(
            columns, "open_findings", more=join
        ):
            figures, units, note, since, event = row
            measured = Joined(
                _say("measured", value=value, unit=unit)
                for value, unit in zip(figures or (), units or (), strict=True)
            )
            failed = State.SAFETY if safety else State.FAILED
            found.append(
                DueItem(
                    name,
                    State.WEARING if condition == "wearing" else failed,
                    component,
                    position,
                    Joined((measured, note), "; "),
                    since,
                    self.prices.of(component, kind, name, position),
                    (event,),
                )
            )
        return found

    def with_limits(self, items: list[DueItem]) -> list[DueItem]:
        """Add what is past its limit by its figure, in the place of a milder word for it."""
        measured = [item for item in load_rules().items if item.measurement]
        looks = load_looks(self.view, asked_components(measured))
        failed: dict[tuple[str, str], list[str]] = {}
        for item in items:
            if item.failed:
                failed.setdefault((item.vehicle, item.component), []).append(item.position)
        added: dict[tuple[str, str, str], DueItem] = {}
        for name, kind, weight_class, duty in self.rows("x.weight_class, x.duty", "vehicles"):
            own = looks.get(name, Looks())
            said = {"weight_class": weight_class, "vehicle_class": kind, "duty": duty}
            weight = weigh(said).taken
            for rule in measured:
                if not rule.holds_for(weight, own.recorded):
                    continue
                seen = own.newest(rule.components)
                judged = judge_item(rule, seen, self.view.today, _ANY_AGE, own.sizes)
                for component, place in judged.failed:
                    # Who found it failed said so; its axle or its side is no second finding.
                    said_of = failed.get((name, component), ())
                    if any(_one_place(component, place, p) for p in said_of):
                        continue
                    if (name, component, place) in added:
                        continue
                    known = catalogue().find(component)
                    critical = known is not None and known.safety_critical and place != SPARE
                    words = _say("past-limit", detail=judged.detail, citation=judged.citation)
                    added[name, component, place] = DueItem(
                        name,
                        State.SAFETY if critical else State.FAILED,
                        component,
                        place,
                        words,
                        None,
                        self.prices.of(component, kind, name, place),
                        judged.evidence,
                    )
        return [*(item for item in items if item.key not in added), *added.values()]

    def answered(self, offers: Sequence[Offer]) -> list[DueItem]:
        """Return the work that was declined or deferred."""
        kinds = dict(self.view.sql("SELECT vehicle_id, vehicle_class FROM vehicles").rows)
        found = []
        for one in offers:
            decision = one.answers[-1]
            if decision not in {"declined", "deferred"}:
                continue
            price = self.prices.of(one.component, kinds[one.vehicle], one.vehicle, one.place)
            told = told_offer(one)
            found.append(
                DueItem(
                    one.vehicle,
                    State(decision),
                    one.component,
                    one.place,
                    told,
                    one.first,
                    price,
                    one.events,
                )
            )
        return found

    def codes(self) -> list[DueItem]:
        """Return the active trouble codes."""
        columns = "x.code, x.status, x.module, x.lamp, x.words, x.first_seen_on, x.event_id"
        found = []
        for name, _kind, code, status, module, lamp, words, since, event in self.rows(
            columns, "active_codes"
        ):
            meaning, points_to = told_code(code, words)
            told = _say("code", code=code, status=status, module=module, meaning=meaning)
            lit = _say.when(lamp == "on", "lamp")
            seen = Joined((told, _points(points_to), lit), "; ")
            found.append(DueItem(name, State.CODE, "", code, seen, since, None, (event,)))
        return found

    def complaints(self) -> list[DueItem]:
        """Return the complaints that nothing done since answers."""
        # Their words are read only where there are any that may be open.
        if not self.rows("x.seq", "complaints", "x.correction IS NULL"):
            return []
        from roadworn_plugins.likely_causes.words import dangers_in
        from roadworn_plugins.likely_causes.works import unanswered

        return [
            DueItem(
                one.vehicle,
                State.COMPLAINT,
                one.component,
                one.place,
                _say("complaint", text=one.text),
                one.on,
                None,
                (one.event,),
                danger=tuple(dangers_in(one.text)),
            )
            for one in unanswered(self.view, self.vehicle)
        ]

    def not_passed(self) -> list[DueItem]:
        """Return official inspections whose latest result is fail or reject."""
        latest = """(SELECT *, row_number() OVER (PARTITION BY vehicle_id, inspection
                                                  ORDER BY occurred_at DESC, seq DESC) AS back
                     FROM inspection_results WHERE result <> 'not_tested')"""
        columns = "x.inspection, x.result, x.items, x.occurred_on, x.event_id"
        found = []
        for name, _kind, inspection, result, items, day, event in self.rows(
            columns, latest, "x.back = 1 AND x.result IN ('fail', 'reject')"
        ):
            what = _say("inspection", inspection=inspection)
            told = _say("official", result=result)
            seen = Joined((told, Joined(items) if isinstance(items, list) else items), ": ")
            found.append(DueItem(name, State.NOT_PASSED, "", what, seen, day, None, (event,)))
        return found

    def services(self) -> list[DueItem]:
        """Return the services that are due, as `maintenance-due` has them."""
        rows = self.view.sql("SELECT vehicle_id, vehicle_class, enrolment_event FROM vehicles").rows
        kinds = {name: kind for name, kind, _begun in rows}
        begun = {event for _name, _kind, event in rows}
        found = []
        for one in due_services(self.view, self.vehicle):
            if one.last is None or one.state not in {"due", "overdue"}:
                continue
            word = "service-new" if one.last.event in begun else "service"
            seen = _say(word, state=one.state, day=one.last.on)
            component = one.service.component
            kind, work = kinds[one.vehicle], one.service.action
            price = self.prices.of(component, kind, one.vehicle, work=work)
            events = (one.last.event,)
            found.append(
                DueItem(
                    *(one.vehicle, State.SERVICE, component, "", seen, None, price, events),
                    overdue=one.state == "overdue",
                )
            )
        return found


def _points(components: Sequence[str]) -> str:
    """Say what a code points to."""
    named = Joined(part_name(component) for component in components[:2])
    return _say.when(named, "points-others" if components[2:] else "points", parts=named)
