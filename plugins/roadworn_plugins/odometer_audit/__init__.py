"""Can the odometer be believed: every doubtful reading in words, and what the record supports."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from pydantic import Field

from roadworn.analysis import Analysis, Answers, Cell, Column, Result, Settings, Table, Tells
from roadworn.checks.identity import shared_vins, to_settle
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn.trade.weight import weight_of
from roadworn_plugins.odometer_audit.readings import (
    Reading,
    Status,
    causes_of,
    exempt_by_age,
)
from roadworn_plugins.shared.grouped import Unit
from roadworn_plugins.shared.settings import (
    OnlyVehicle,
    ShownUnit,
    all_said,
    first_of,
    in_unit,
    whole_distance,
)

ABOUT = """\
Question: Can the odometer be believed, and how far does each vehicle go?

Method: The fewest causes that explain a vehicle's readings are looked for, and each is one row:
a single wrong figure (with the figure that was probably meant, where one digit or two exchanged
explain it), readings in the other unit, a step after which the readings agree among themselves.
Two readings that agree before a step and two behind it are believed, so that a step stays a
step; fewer are the slip. Usage is the distance between the readings of the last two years, with
its spread from month to month.

Assumptions: After a step that nobody explained the distance goes on at the vehicle's own pace,
as if the instrument had been exchanged there; what was driven between the two readings around
it is not known. A five-digit odometer rolls over only where its digits are on record. A slip
among later readings that agree says nothing against the odometer.

Reading: The words are those of the disclosure rule: actual, exceeds mechanical limits (it
rolled over), not actual (it shows another distance than the vehicle has gone), unknown. They
say what this record supports; the person who transfers the vehicle certifies.

Reference: 49 CFR 580.5 and 580.17; 49 USC 32704 for an exchanged instrument.
"""
_say = Says(
    "odometer-audit",
    {
        "none": "No reading of {whose} is in doubt.",
        "headline": "Of {whose}, to be looked at: {kinds}.",
        "vehicles": "{n} {n:vehicle|vehicles}",
        "of-kind": "{n} {kind}",
        "distance": "{value:,.0f} {unit}",
        "before": "; {figure} on {day} before it",
        "slip": "{figure} on {day} after it: this one looks like a slip.",
        "mixed-units": "Fits the others once read as {other}{before}.",
        "implausible": "Too high for the readings around it{before}; not used.",
        "lower": "Lower than an earlier reading{before}; kept, not used.",
        "stepped-down": "From {day} on {size} lower{before}, and {since} fit each other: exchanged "
        "or turned back? The distance is counted as if it was exchanged. If it was: roadworn "
        "record exchange {vehicle} --old '{old}' --new '{new}' --on {day}.",
        "stepped-up": "From {day} on {size} higher{before}, and {since} fit each other: an "
        "exchanged instrument? The distance is counted as if it was. If it was: roadworn record "
        "exchange {vehicle} --old '{old}' --new '{new}' --on {day}.",
        "since": "the {n} {n:reading|readings} from then on",
        "may-have-rolled": "If it rolled over at {limit:,}: roadworn record profile {vehicle} "
        "--odometer-digits {digits}.",
        "run": "So are {n} {n:reading|readings}, to {day}.",
        "meant": "Perhaps {figure} was meant: roadworn correct {event} odometer='{figure}'.",
        "has-stepped": "from {day} on it shows another figure than before, and nobody recorded why",
        "jump": "More than {most:,.0f} km a day{before}.",
        "rolled-over": "The odometer went past its highest figure{before}.",
        "exchanged": "Instrument exchanged at {old}; the new one began at {new}.",
        "identity": "{message} Hint: {hint}.",
        "too-few": "fewer than two readings are on record",
        "unsettled": "the latest reading does not fit the earlier ones: settle it first",
        "was-exchanged": "the instrument was exchanged, so it shows less than the vehicle has "
        "gone; the true distance here counts both",
        "has-rolled-over": "the odometer has rolled over",
        "no-certificate": "What a record supports is no certificate: who transfers the vehicle "
        "certifies.",
        "both-units": "Both miles and kilometres were written down for {vehicles}.",
        "vins": "The VIN needs a look on {vehicles}; it is kept as typed.",
        "not-shown": "{n} more {n:row|rows} {n:is|are} not shown; raise the setting most.",
    },
)


class OdometerAuditSettings(Settings):
    """What counts as doubtful."""

    vehicle: OnlyVehicle = None
    most_km_per_day: Annotated[
        float, Field(gt=0, description="more than this in a day is a jump, in km")
    ] = 1000.0
    unit: ShownUnit = None
    most: Annotated[int, Field(ge=1, description="rows of doubtful readings at the most")] = 100


@dataclass(frozen=True, slots=True)
class _Doubt:
    vehicle: str
    on: date
    figure: str
    kind: str
    words: str
    evidence: tuple[str, ...]
    covers: int = 1
    size_km: float | None = None
    explained: tuple[str, ...] = ()


_KINDS = (
    *("stepped down", "stepped up", "mixed units", "implausible", "lower", "jump"),
    *("rolled over", "exchanged", "identity"),
)
#: What explains the latest reading well enough to go by it.
_EXPLAINED = frozenset({"rolled over", "stepped down", "stepped up", "exchanged"})
_DOUBTS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("on", "on", "date"),
    Column("reading", "reading"),
    Column("kind", "what"),
    Column("covers", "readings", "integer"),
    Column("size", "off by", "distance"),
    Column("words", "in words", "sentence"),
)
_ODOMETERS = (
    Column("vehicle", "vehicle", tells=Tells.VEHICLE),
    Column("status", "the record supports"),
    Column("written", "written down as"),
    Column("readings", "readings", "integer"),
    Column("doubtful", "doubtful", "integer"),
    Column("last", "last shown"),
    Column("true_distance", "true distance", "distance"),
    Column("per_month", "a month", "distance"),
    Column("spread", "spread", "distance"),
    Column("from_on", "from", "date", detail=True),
    Column("to_on", "to", "date", detail=True),
    Column("exempt", "exempt by age", detail=True),
    Column("why", "why", "sentence"),
)


def run(view: LedgerView, settings: OdometerAuditSettings) -> Result:
    """Go through every reading, and say what each odometer is worth."""
    readings = _readings(view, settings.vehicle)
    identity = _identities(view, settings.vehicle)
    doubts = [*_exchanges(view, settings.vehicle), *identity]
    unit: Unit = settings.unit or view.usual_unit()
    unsettled = set()
    for vehicle, series in readings.items():
        own = _doubts(vehicle, series, settings.most_km_per_day)
        doubts += own
        # A roll-over explains itself.
        if any(d.kind not in _EXPLAINED and series[-1].event in d.explained for d in own):
            unsettled.add(vehicle)
    doubts.sort(key=lambda d: (_KINDS.index(d.kind), d.vehicle, d.on, d.evidence))
    shown = doubts[: settings.most]
    both = [name for name, series in readings.items() if len({r.unit for r in series}) > 1]
    vins = sorted({doubt.vehicle for doubt in identity})
    return Result(
        headline=_headline(doubts, settings.vehicle or _say("vehicles", n=len(readings))),
        tables=(
            Table(
                "doubtful_readings",
                "What explains the doubtful readings, nothing corrected",
                in_unit(_DOUBTS, unit),
                tuple(
                    (
                        *(d.vehicle, d.on, d.figure, d.kind, d.covers),
                        whole_distance(d.size_km, unit),
                        d.words,
                    )
                    for d in shown
                ),
                tuple(d.evidence for d in shown),
            ),
            _odometers(view, settings, readings, doubts, unsettled),
        ),
        caveats=all_said(
            _say("no-certificate"),
            _say.when(both, "both-units", vehicles=first_of(both)),
            _say.when(vins, "vins", vehicles=Joined(vins[:5])),
            _say.some(len(doubts) - len(shown), "not-shown"),
        ),
    )


def _readings(view: LedgerView, vehicle: str | None) -> Mapping[str, list[Reading]]:
    found: dict[str, list[Reading]] = {}
    for name, *told in view.sql(
        """SELECT vehicle_id, event_id, occurred_on, odometer_km, coalesce(true_km, odometer_km),
                  unit, coalesce(flag, ''), used
           FROM readings
           WHERE odometer_km IS NOT NULL AND vehicle_id = coalesce(?, vehicle_id)
           ORDER BY vehicle_id, occurred_at, seq""",
        (vehicle,),
    ).rows:
        found.setdefault(name, []).append(Reading(*told))
    return found


def _exchanges(view: LedgerView, vehicle: str | None) -> list[_Doubt]:
    found = []
    for name, on, event, old, new, unit in view.sql(
        """SELECT vehicle_id, occurred_on, event_id, old_reading, new_reading, unit
           FROM exchanges WHERE vehicle_id = coalesce(?, vehicle_id)""",
        (vehicle,),
    ).rows:
        before, after = (_say("distance", value=value, unit=unit) for value in (old, new))
        words = _say("exchanged", old=before, new=after)
        found.append(_Doubt(name, on, after, "exchanged", words, (event,)))
    return found


def _doubts(vehicle: str, series: Sequence[Reading], most: float) -> list[_Doubt]:
    """Return what is doubtful about one vehicle's readings, one for each cause, in words."""
    found = []
    for cause in causes_of(series, most):
        reading = series[cause.at]
        before = next((r for r in reversed(series[: cause.at]) if r.used), None)
        after = next((r for r in series[cause.covers[-1] + 1 :] if r.used), None)
        size = None if cause.size_km is None else _distance(cause.size_km, reading.unit)
        words: list[Sentence] = [
            _say(
                cause.kind.replace(" ", "-"),
                other=cause.other,
                most=most,
                vehicle=vehicle,
                day=reading.on,
                size=size,
                since=_say("since", n=len(cause.covers)),
                old="" if before is None else _shown(before),
                new=_shown(reading),
                before="" if before is None else _beside("before", before),
            )
        ]
        if cause.kind == "stepped down" and before is not None:
            words += _rolled(vehicle, before, reading)
        if cause.kind in ("lower", "implausible", "mixed units"):
            if len(cause.covers) > 1:
                words.append(_say("run", n=len(cause.covers), day=series[cause.covers[-1]].on))
            elif after is not None:
                words.append(_beside("slip", after))
        if cause.meant is not None:
            meant = _say("distance", value=cause.meant, unit=reading.unit)
            words.append(_say("meant", figure=meant, event=reading.event[-8:]))
        explained = tuple(series[i].event for i in cause.covers)
        beside = (r.event for r in (before, after) if r is not None)
        evidence = tuple(dict.fromkeys((reading.event, *beside, *explained)))
        told = Joined(words, " ")
        found.append(
            _Doubt(
                *(vehicle, reading.on, _shown(reading), cause.kind, told, evidence),
                *(len(cause.covers), cause.size_km, explained),
            )
        )
    return found


def _rolled(vehicle: str, before: Reading, reading: Reading) -> list[Sentence]:
    """Return that it may have rolled over, where its digits are not on record."""
    for digits in (5, 6):
        limit = 10**digits * (KM_PER_MILE if reading.unit == "mi" else 1.0)
        high = before.shown_km >= 0.8 * limit and before.shown_km < limit
        if high and reading.shown_km <= 0.2 * limit:
            return [_say("may-have-rolled", limit=10**digits, vehicle=vehicle, digits=digits)]
    return []


def _beside(word: str, reading: Reading) -> Sentence:
    return _say(word, figure=_shown(reading), day=reading.on)


def _shown(reading: Reading) -> Sentence:
    return _distance(reading.shown_km, reading.unit)


def _distance(km: float, unit: str) -> Sentence:
    scale = KM_PER_MILE if unit == "mi" else 1.0
    return _say("distance", value=km / scale, unit=unit)


def _identities(view: LedgerView, vehicle: str | None) -> list[_Doubt]:
    """Return vehicles whose VIN is odd or gives another model year than was recorded."""
    found = []
    vins = view.sql("SELECT vehicle_id, vin FROM vehicles ORDER BY vehicle_id").rows
    shared = dict(shared_vins(vins))
    for name, vin, year, weight, on, event in view.sql(
        """SELECT vehicle_id, vin, model_year, weight_class, enrolled_on, enrolment_event
           FROM vehicles WHERE vin IS NOT NULL AND vehicle_id = coalesce(?, vehicle_id)
           ORDER BY vehicle_id""",
        (vehicle,),
    ).rows:
        # The cycle of 30 years is told by position 7 for light vehicles of this market only.
        light = True if vin[:1] in "12345" and weight_of(weight) == "light" else None
        profile = {"vin": vin, "model_year": year}
        problems = to_settle(profile, light=light, latest=view.today.year + 1)
        for one in (*problems, *filter(None, (shared.get(name),))):
            words = _say("identity", message=one.message, hint=one.hint)
            found.append(_Doubt(name, on, "", "identity", words, (event,)))
    return found


def _odometers(
    view: LedgerView,
    settings: OdometerAuditSettings,
    readings: Mapping[str, Sequence[Reading]],
    doubts: Sequence[_Doubt],
    unsettled: set[str],
) -> Table:
    unit: Unit = settings.unit or view.usual_unit()
    doubted: dict[str, list[_Doubt]] = {}
    for doubt in doubts:
        if doubt.kind != "identity":
            doubted.setdefault(doubt.vehicle, []).append(doubt)
    rows: list[tuple[Cell, ...]] = []
    evidence = []
    for name, year, true_km, month, spread, from_on, to_on, written in view.sql(
        """SELECT v.vehicle_id, v.model_year, v.last_km, u.km_per_month, u.sd_km_per_month,
                  u.from_on, u.to_on, w.status
           FROM vehicles AS v
           LEFT JOIN usage_rates AS u USING (vehicle_id)
           LEFT JOIN (SELECT vehicle_id, max_by(status, (occurred_at, seq)) AS status
                      FROM readings WHERE status IS NOT NULL GROUP BY vehicle_id) AS w
             USING (vehicle_id)
           WHERE v.vehicle_id = coalesce(?, v.vehicle_id)
           ORDER BY v.vehicle_id""",
        (settings.vehicle,),
    ).rows:
        series, own = readings.get(name, ()), doubted.get(name, ())
        since = {doubt.kind: doubt.on for doubt in own}
        status, why = _status(len(series), since, name in unsettled)
        rows.append(
            (
                name,
                status,
                (written or "").replace("_", " "),
                len(series),
                sum(doubt.covers for doubt in own if doubt.kind not in _EXPLAINED),
                _shown(series[-1]) if series else "",
                *(whole_distance(km, unit) for km in (true_km, month, spread)),
                from_on,
                to_on,
                None if year is None else exempt_by_age(year, view.today),
                why,
            )
        )
        events = [d.evidence[0] for d in own] or [r.event for r in series[-1:]]
        evidence.append(tuple(dict.fromkeys(events)))
    return Table(
        "odometers",
        "What the record supports, and how far each vehicle goes",
        in_unit(_ODOMETERS, unit),
        tuple(rows),
        tuple(evidence),
    )


def _status(number: int, since: Mapping[str, date], unsettled: bool) -> tuple[Status, str]:
    """Return the rule's word that the record supports, and why when it is not plain."""
    if number < 2:
        return "unknown", _say("too-few")
    if unsettled:
        return "unknown", _say("unsettled")
    if "exchanged" in since:
        return "not actual", _say("was-exchanged")
    stepped = since.get("stepped down") or since.get("stepped up")
    if stepped is not None:
        return "not actual", _say("has-stepped", day=stepped)
    if "rolled over" in since:
        return "exceeds mechanical limits", _say("has-rolled-over")
    return "actual", ""


def _headline(doubts: Sequence[_Doubt], whose: str) -> str:
    if not doubts:
        return _say("none", whose=whose)
    counts = Counter(doubt.kind for doubt in doubts)
    kinds = (_say("of-kind", n=counts[kind], kind=kind) for kind in _KINDS if counts[kind])
    return _say("headline", whose=whose, kinds=Joined(kinds))


ODOMETER_AUDIT = Analysis(
    name="odometer-audit",
    title="Odometers and usage",
    question="Can the odometer be believed, and how far does each vehicle go?",
    run=run,
    settings=OdometerAuditSettings,
    about=ABOUT,
    answers=Answers.ODOMETER,
)
