"""What is due already: findings, codes and work put off, with what it would cost today."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name, place_of
from roadworn.model.messages import Joined, PartName, Sentence
from roadworn.model.places import covers
from roadworn.trade.codes import told_code
from roadworn.trade.weight import weigh
from roadworn_plugins.inspection.judging import judge_item
from roadworn_plugins.inspection.looks import Looks, load_looks
from roadworn_plugins.inspection.rules import asked_components, load_rules
from roadworn_plugins.maintenance.standing import due_services
from roadworn_plugins.shared.grouped import Ints
from roadworn_plugins.shared.parts_ahead import PartsAhead
from roadworn_plugins.shared.prices import Price, Prices

# A figure does not grow back: the last one counts until work is recorded, however old it is.
_ANY_AGE = 100_000


@dataclass(frozen=True, slots=True)
class BeyondLimit:
    """One place whose latest figure is past its limit, or that was found failed.

    `words` says what was seen and whose limit it is.
    """

    vehicle: str
    component: str
    place: str
    words: str
    events: tuple[str, ...]


def beyond_limits(view: LedgerView, vehicle: str | None = None) -> list[BeyondLimit]:
    """Return what is past its limit on one vehicle, or on all that are still here."""
    measured = [item for item in load_rules().items if item.measurement]
    looks = load_looks(view, asked_components(measured))
    rows = view.sql(
        f"""SELECT vehicle_id, weight_class, vehicle_class, duty FROM vehicles
            WHERE retired_on IS NULL{" AND vehicle_id = ?" * bool(vehicle)}
            ORDER BY vehicle_id""",
        (vehicle,) if vehicle else (),
    ).rows
    found = []
    for name, weight_class, vehicle_class, duty in rows:
        own = looks.get(name, Looks())
        said = {"weight_class": weight_class, "vehicle_class": vehicle_class, "duty": duty}
        weight = weigh(said).taken
        for item in measured:
            if not item.holds_for(weight, own.recorded):
                continue
            judged = judge_item(item, own.newest(item.components), view.today, _ANY_AGE, own.sizes)
            found += [
                BeyondLimit(
                    name,
                    component,
                    place,
                    Sentence(
                        "next-repairs.limit",
                        "{detail} (limit of {citation})",
                        detail=judged.detail,
                        citation=judged.citation,
                    ),
                    judged.evidence,
                )
                for component, place in judged.failed
            ]
    return found


#: States in the order in which they are shown; the first stops a vehicle from being driven.
SAFETY, FAILED, CODE, PUT_OFF, WEARING = "SAFETY: failed", "failed", "code", "put off", "wearing"
NOT_PASSED, COMPLAINT, SERVICE = "not passed", "complaint", "service due"
_STATES = (SAFETY, FAILED, NOT_PASSED, COMPLAINT, CODE, PUT_OFF, SERVICE, WEARING)
_ORDER = {state: rank for rank, state in enumerate(_STATES)}
#: States that forbid to say that nothing failed is on record.
OPEN = frozenset({SAFETY, FAILED, NOT_PASSED, COMPLAINT})


@dataclass(frozen=True, slots=True)
class DueItem:
    """One thing that is due on a vehicle.

    `component` is empty for a code that points to nothing on file; `price` is None where no
    price is known, and always for a code: it has to be diagnosed first.
    """

    vehicle: str
    vehicle_class: str
    state: str
    component: str
    position: str
    seen: str
    since: date | None
    price: Price | None
    events: tuple[str, ...]

    @property
    def rank(self) -> int:
        """Where its state stands among the states, 0 first."""
        return _ORDER[self.state]

    @property
    def name(self) -> str | PartName:
        """What it is, in words, with its place."""
        return part_name(self.component, self.position) if self.component else self.position


def due_now(view: LedgerView, prices: Prices, vehicle: str | None = None) -> list[DueItem]:
    """Return what is due, safety first, each place once: a finding outranks a put-off line.

    Args:
        view: the ledger as of a day.
        prices: what replacing each component costs.
        vehicle: only this one.
    """
    items = _with_limits(view, prices, vehicle, _findings(view, prices, vehicle))
    taken = {(i.vehicle, i.component, place_of(i.component, i.position)): i for i in items}
    for item in _put_off(view, prices, vehicle):
        key = (item.vehicle, item.component, place_of(item.component, item.position))
        if key in taken:
            found = taken[key]
            items[items.index(found)] = joined = _joined(found, item)
            taken[key] = joined
        else:
            items.append(item)
            taken[key] = item
    items += [*_codes(view, vehicle), *_complaints(view, vehicle), *_not_passed(view, vehicle)]
    items += _services(view, prices, vehicle)
    return sorted(items, key=lambda i: (i.vehicle, i.rank, i.component, i.position))


def not_failed(parts: PartsAhead, due: list[DueItem]) -> Ints:
    """Return the parts that are not found failed: those are due, not likely."""
    failed = {
        (item.vehicle, item.component, item.position)
        for item in due
        if item.state in {SAFETY, FAILED}
    }
    places = {(v, c) for v, c, _p in failed}

    def is_failed(i: int) -> bool:
        vehicle, component, place = parts.vehicle[i], parts.component[i], parts.position[i]
        if (vehicle, component) not in places:
            return False
        return any(
            v == vehicle and c == component and (not p or covers(place, p)) for v, c, p in failed
        )

    return np.array([i for i in range(parts.size) if not is_failed(i)], dtype=np.int64)


def _joined(finding: DueItem, put_off: DueItem) -> DueItem:
    """Return the finding with the word that its repair was put off before."""
    return DueItem(
        finding.vehicle,
        finding.vehicle_class,
        finding.state,
        finding.component,
        finding.position,
        Joined((finding.seen, put_off.seen), "; "),
        finding.since,
        put_off.price if finding.price is None or finding.price.number == 0 else finding.price,
        (*finding.events, *put_off.events),
    )


def _with_limits(
    view: LedgerView, prices: Prices, vehicle: str | None, items: list[DueItem]
) -> list[DueItem]:
    """Add what is past its limit by its figure, in the place of a milder word for it."""
    failed = {(i.vehicle, i.component, i.position) for i in items if i.state in {SAFETY, FAILED}}
    kinds: dict[str, str] = dict(view.sql("SELECT vehicle_id, vehicle_class FROM vehicles").rows)
    added = []
    for one in beyond_limits(view, vehicle):
        key = (one.vehicle, one.component, one.place)
        if key in failed:
            continue
        failed.add(key)
        known = catalogue().find(one.component)
        critical = known is not None and known.safety_critical
        added.append(
            DueItem(
                one.vehicle,
                kinds[one.vehicle],
                SAFETY if critical else FAILED,
                one.component,
                one.place,
                Sentence("next-repairs.past-limit", "past its limit: {words}", words=one.words),
                None,
                prices.or_labour(one.component, kinds[one.vehicle]),
                one.events,
            )
        )
    milder = {(i.vehicle, i.component, i.position) for i in added}
    kept = [i for i in items if (i.vehicle, i.component, i.position) not in milder]
    return [*kept, *added]


def _complaints(view: LedgerView, vehicle: str | None) -> list[DueItem]:
    """Return complaints without a correction and without any work on the vehicle since."""
    rows = view.sql(
        f"""SELECT c.vehicle_id, v.vehicle_class, coalesce(c.component, ''),
                   coalesce(c.position, ''), c.complaint, c.occurred_on, c.event_id
            FROM complaints AS c JOIN vehicles AS v USING (vehicle_id)
            WHERE v.retired_on IS NULL AND c.correction IS NULL
              AND NOT EXISTS (
                SELECT 1 FROM (SELECT vehicle_id, occurred_on FROM replacements
                               UNION ALL SELECT vehicle_id, occurred_on FROM repairs) AS w
                WHERE w.vehicle_id = c.vehicle_id AND w.occurred_on >= c.occurred_on)
              {"AND c.vehicle_id = ?" * bool(vehicle)}""",
        (vehicle,) if vehicle else (),
    ).rows
    return [
        DueItem(
            name,
            kind,
            COMPLAINT,
            component,
            position,
            Sentence("next-repairs.complaint", "customer says: {text}", text=text),
            day,
            None,
            (event,),
        )
        for name, kind, component, position, text, day, event in rows
    ]


def _not_passed(view: LedgerView, vehicle: str | None) -> list[DueItem]:
    """Return official inspections whose latest result is fail or reject."""
    rows = view.sql(
        f"""SELECT r.vehicle_id, v.vehicle_class, r.inspection, r.result, r.items, r.occurred_on,
                   r.event_id
            FROM (SELECT *, row_number() OVER (PARTITION BY vehicle_id, inspection
                                               ORDER BY occurred_at DESC, seq DESC) AS back
                  FROM inspection_results WHERE result <> 'not_tested') AS r
            JOIN vehicles AS v USING (vehicle_id)
            WHERE r.back = 1 AND r.result IN ('fail', 'reject') AND v.retired_on IS NULL
              {"AND r.vehicle_id = ?" * bool(vehicle)}""",
        (vehicle,) if vehicle else (),
    ).rows
    return [
        DueItem(
            name,
            kind,
            NOT_PASSED,
            "",
            Sentence("next-repairs.inspection", "{inspection} inspection", inspection=inspection),
            Joined(
                (
                    Sentence("next-repairs.official", "official result {result}", result=result),
                    Joined(items) if isinstance(items, list) else items,
                ),
                ": ",
            ),
            day,
            None,
            (event,),
        )
        for name, kind, inspection, result, items, day, event in rows
    ]


def _services(view: LedgerView, prices: Prices, vehicle: str | None) -> list[DueItem]:
    """Return the services that are due by the schedule, of those that were ever written down.

    A service nobody ever recorded here may be done elsewhere: that is not known, not overdue.
    """
    kinds: dict[str, str] = dict(view.sql("SELECT vehicle_id, vehicle_class FROM vehicles").rows)
    begun = {row[0] for row in view.sql("SELECT enrolment_event FROM vehicles").rows}
    found = []
    for one in due_services(view, vehicle):
        if one.state not in {"due", "overdue"} or one.last_event in begun:
            continue
        found.append(
            DueItem(
                one.vehicle,
                kinds[one.vehicle],
                SERVICE,
                one.service.component,
                "",
                Sentence("next-repairs.service", "{state} by the schedule", state=one.state)
                if one.last is None
                else Sentence(
                    "next-repairs.service-last",
                    "{state} by the schedule, last done on {day}",
                    state=one.state,
                    day=one.last.on,
                ),
                None,
                prices.or_labour(one.service.component, kinds[one.vehicle]),
                (one.last_event,) if one.last_event else (),
            )
        )
    return found


def _findings(view: LedgerView, prices: Prices, vehicle: str | None) -> list[DueItem]:
    rows = view.sql(
        f"""SELECT f.vehicle_id, v.vehicle_class, f.component, coalesce(f.position, ''),
                   f.condition, f.safety, f.note, f.first_seen_on, f.event_id,
                   m.figures
            FROM open_findings AS f JOIN vehicles AS v USING (vehicle_id)
            LEFT JOIN (
              SELECT seq, component, coalesce(position, '') AS place,
                     string_agg(CAST(value AS VARCHAR) || ' ' || unit, ', ' ORDER BY name, value)
                       AS figures
              FROM measurements WHERE seq IN (SELECT seq FROM open_findings)
              GROUP BY seq, component, place) AS m
              ON m.seq = f.seq AND m.component = f.component
                AND m.place = coalesce(f.position, '')
            WHERE v.retired_on IS NULL{" AND f.vehicle_id = ?" * bool(vehicle)}""",
        (vehicle,) if vehicle else (),
    ).rows
    found = []
    for name, kind, component, position, condition, safety, note, since, event, measured in rows:
        state = WEARING if condition == "wearing" else SAFETY if safety else FAILED
        found.append(
            DueItem(
                name,
                kind,
                state,
                component,
                position,
                Joined((measured, note), "; "),
                since,
                prices.or_labour(component, kind),
                (event,),
            )
        )
    return found


def _put_off(view: LedgerView, prices: Prices, vehicle: str | None) -> list[DueItem]:
    rows = view.sql(
        f"""SELECT d.vehicle_id, v.vehicle_class, d.component, coalesce(d.position, ''),
                   d.decision, d.currency, d.occurred_on, d.event_id, d.estimate, d.estimated_on,
                   CAST(d.amount AS DOUBLE), l.labour_hours, CAST(l.labour_rate AS DOUBLE)
            FROM declined_work AS d JOIN vehicles AS v USING (vehicle_id)
            LEFT JOIN estimate_lines AS l ON l.event_id = d.estimate AND l.line = d.line
            WHERE v.retired_on IS NULL{" AND d.vehicle_id = ?" * bool(vehicle)}""",
        (vehicle,) if vehicle else (),
    ).rows
    found = []
    for name, kind, component, position, word, currency, day, event, estimate, *line in rows:
        estimated_on, amount, hours, rate = line
        # What the shop itself estimated says more than trade hours without the part.
        price = prices.replacement(component, kind)
        if price is None and amount and currency == (prices.currency or currency):
            price = prices.of_estimate(amount, hours, rate, currency, (estimated_on, view.today))
        price = price or prices.or_labour(component, kind)
        seen = (
            Sentence(
                "next-repairs.put-off-at",
                "work {decision} on {day} at {amount:,.2f} {currency}",
                decision=word,
                day=day,
                amount=amount,
                currency=currency,
            )
            if amount
            else Sentence(
                "next-repairs.put-off", "work {decision} on {day}", decision=word, day=day
            )
        )
        found.append(
            DueItem(name, kind, PUT_OFF, component, position, seen, day, price, (event, estimate))
        )
    return found


def _codes(view: LedgerView, vehicle: str | None) -> list[DueItem]:
    rows = view.sql(
        f"""SELECT c.vehicle_id, v.vehicle_class, c.code, c.status, c.module, c.lamp,
                   c.words, c.first_seen_on, c.event_id
            FROM active_codes AS c JOIN vehicles AS v USING (vehicle_id)
            WHERE v.retired_on IS NULL{" AND c.vehicle_id = ?" * bool(vehicle)}""",
        (vehicle,) if vehicle else (),
    ).rows
    found = []
    for name, kind, code, status, module, lamp, words, since, event in rows:
        meaning, points_to = told_code(code, words)
        told = Sentence(
            "next-repairs.code",
            "{code} {status}, {module}: {meaning}",
            code=code,
            status=status,
            module=module,
            meaning=meaning,
        )
        seen = Joined(
            (
                told,
                _points(points_to),
                Sentence("next-repairs.lamp", "lamp on") if lamp == "on" else "",
            ),
            "; ",
        )
        found.append(DueItem(name, kind, CODE, "", code, seen, since, None, (event,)))
    return found


def _points(components: Sequence[str]) -> str:
    """Say what a code points to."""
    named = Joined(part_name(component) for component in components[:2])
    if not named:
        return ""
    if len(components) <= 2:
        return Sentence("next-repairs.points", "points to {parts}", parts=named)
    return Sentence("next-repairs.points-others", "points to {parts} and others", parts=named)
