"""Can the odometer be believed: every doubtful reading in words, and what the record supports."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from statistics import median
from typing import Annotated

from pydantic import Field

from roadworn.analysis.result import Analysis, Cell, Column, Result, Settings, Table
from roadworn.checks.identity import shared_vins
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Sentence
from roadworn.trade.odometer_rule import Status, exempt_by_age
from roadworn.trade.vin import decode_vin, year_problem
from roadworn.trade.weight import weight_of
from roadworn_plugins.shared.grouped import KM_PER_MILE, Unit, preferred_unit
from roadworn_plugins.shared.said import all_said, first_of, if_any

#: A figure in the other unit is this many times too high or too low.
_FACTORS = (KM_PER_MILE, 1.0 / KM_PER_MILE)
#: How near a converted figure must be: this share of it, so many times the vehicle's own use
#: since then, or this far.
_NEAR_SHARE, _NEAR_USE, _NEAR_KM = 0.02, 2.0, 500.0
#: How much worse the figure as written must fit before the unit is doubted.
_WORSE = 2.0


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading in the order of the road.

    Attributes:
        event: id.
        on: day.
        shown_km: what was read, in km as written.
        true_km: distance of the vehicle there by all readings that are used.
        unit: as written.
        flag: of the read model: empty, lower, implausible or rolled_over.
        used: whether the true distance rests on it.
    """

    event: str
    on: date
    shown_km: float
    true_km: float
    unit: str
    flag: str
    used: bool


def usual_km_per_day(readings: Sequence[Reading]) -> float | None:
    """Return the median pace between used readings a week or more apart, or None."""
    used = [r for r in readings if r.used]
    paces, start = [], used[0] if used else None
    for reading in used[1:]:
        if start is not None and (reading.on - start.on).days >= 7:
            paces.append((reading.true_km - start.true_km) / (reading.on - start.on).days)
            start = reading
    return median(paces) if len(paces) >= 2 else None


def other_unit(readings: Sequence[Reading]) -> dict[str, str]:
    """Return event -> the unit its figure would fit in, for figures off by about 1.6."""
    pace = usual_km_per_day(readings)
    if pace is None:
        return {}
    found: dict[str, str] = {}
    before: Reading | None = None
    for reading in readings:
        if before is not None and before is not reading:
            # What this instrument would show: the shift of exchanges and roll-overs stays.
            expected = before.shown_km + pace * (reading.on - before.on).days
            use = pace * (reading.on - before.on).days
            near = max(_NEAR_SHARE * expected, _NEAR_USE * use, _NEAR_KM)
            off = abs(reading.shown_km - expected)
            fits = any(abs(reading.shown_km / f - expected) <= near for f in _FACTORS)
            if fits and off > _WORSE * near:
                found[reading.event] = "km" if reading.unit == "mi" else "mi"
        if reading.used and reading.event not in found:
            before = reading
    return found


def jumps(readings: Sequence[Reading], most_km_per_day: float) -> set[str]:
    """Return the events of used readings that need more than so much a day since the last."""
    used = [r for r in readings if r.used]
    return {
        after.event
        for before, after in pairwise(used)
        if after.true_km - before.true_km > most_km_per_day * ((after.on - before.on).days + 1)
    }


ABOUT = """\
Question: Can the odometer be believed, and how far does each vehicle go?

Method: Of a vehicle's readings the largest set that never falls is used; the others are
flagged. A figure that fits once miles and kilometres are exchanged, and a jump beyond the
distance a day that is set, are named as such. Usage is the distance between the readings of
the last two years, with its spread from month to month.

Assumptions: A five-digit odometer rolls over only where its digits are on record. A slip among
later readings that agree says nothing against the odometer.

Reading: The words are those of the disclosure rule: actual, exceeds mechanical limits (it
rolled over), not actual (it shows another distance than the vehicle has gone), unknown. They
say what this record supports; the person who transfers the vehicle certifies.

Reference: 49 CFR 580.5 and 580.17; 49 USC 32704 for an exchanged instrument.
"""


class OdometerAuditSettings(Settings):
    """What counts as doubtful."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    most_km_per_day: Annotated[
        float, Field(gt=0, description="more than this in a day is a jump, in km")
    ] = 1000.0
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    most: Annotated[int, Field(ge=1, description="rows of doubtful readings at the most")] = 100


@dataclass(frozen=True, slots=True)
class _Doubt:
    vehicle: str
    on: date
    figure: str
    kind: str
    words: str
    evidence: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Exchange:
    on: date
    event: str
    old: str
    new: str


_KINDS = ("mixed units", "implausible", "lower", "jump", "rolled over", "exchanged", "identity")


def run(view: LedgerView, settings: OdometerAuditSettings) -> Result:
    """Go through every reading, and say what each odometer is worth."""
    unit = settings.unit or preferred_unit(view)
    readings = _readings(view, settings.vehicle)
    exchanges = _exchanges(view, settings.vehicle)
    doubts: list[_Doubt] = []
    latest_doubted = set()
    for vehicle, series in readings.items():
        own = _doubts(vehicle, series, settings.most_km_per_day)
        doubts += own
        if any(series[-1].event in doubt.evidence[:1] for doubt in own) and not _settled(own):
            latest_doubted.add(vehicle)
    for vehicle, swaps in exchanges.items():
        doubts += [
            _Doubt(
                vehicle,
                swap.on,
                swap.new,
                "exchanged",
                Sentence(
                    "odometer-audit.exchanged",
                    "Instrument exchanged at {old}; the new one began at {new}.",
                    old=swap.old,
                    new=swap.new,
                ),
                (swap.event,),
            )
            for swap in swaps
        ]
    identity = _identities(view, settings.vehicle)
    doubts += identity
    doubts.sort(key=lambda d: (_KINDS.index(d.kind), d.vehicle, d.on, d.evidence))
    odometers = _odometers(view, settings, readings, exchanges, doubts, latest_doubted, unit)
    return Result(
        headline=_headline(doubts, len(readings), settings),
        tables=(_doubts_table(doubts[: settings.most]), odometers),
        caveats=_caveats(readings, identity, len(doubts) - settings.most),
    )


def _readings(view: LedgerView, vehicle: str | None) -> Mapping[str, list[Reading]]:
    condition = " AND vehicle_id = ?" if vehicle else ""
    found: dict[str, list[Reading]] = {}
    for name, event, on, shown, true, unit, flag, used in view.sql(
        f"""SELECT vehicle_id, event_id, occurred_on, odometer_km, true_km, unit, flag, used
            FROM readings WHERE odometer_km IS NOT NULL{condition}
            ORDER BY vehicle_id, occurred_at, seq""",
        (vehicle,) if vehicle else (),
    ).rows:
        found.setdefault(name, []).append(
            Reading(event, on, shown, true if true is not None else shown, unit, flag or "", used)
        )
    return found


def _exchanges(view: LedgerView, vehicle: str | None) -> Mapping[str, list[_Exchange]]:
    condition = " WHERE vehicle_id = ?" if vehicle else ""
    found: dict[str, list[_Exchange]] = {}
    for name, on, event, old, new, unit in view.sql(
        f"""SELECT vehicle_id, occurred_on, event_id, old_reading, new_reading, unit
            FROM exchanges{condition} ORDER BY vehicle_id, occurred_at, seq""",
        (vehicle,) if vehicle else (),
    ).rows:
        swap = _Exchange(on, event, _distance(old, unit), _distance(new, unit))
        found.setdefault(name, []).append(swap)
    return found


def _doubts(vehicle: str, series: Sequence[Reading], most: float) -> list[_Doubt]:
    """Return what is doubtful about one vehicle's readings, in words."""
    units, far = other_unit(series), jumps(series, most)
    found = []
    for i, reading in enumerate(series):
        if not reading.flag and reading.event not in units and reading.event not in far:
            continue
        before = next((r for r in reversed(series[:i]) if r.used), None)
        after = next((r for r in series[i + 1 :] if r.used), None)
        last = "" if before is None else _beside("before", "; {figure} on {day} before it", before)
        if reading.event in units:
            kind, text = "mixed units", "Fits the others once read as {other}{last}."
        elif reading.flag == "lower":
            kind, text = "lower", "Lower than an earlier reading{last}; kept, not used."
        elif reading.flag == "implausible":
            kind, text = "implausible", "Too high for the readings around it{last}; not used."
        elif reading.flag == "rolled_over":
            kind, text = "rolled over", "The odometer went past its highest figure{last}."
        elif reading.event in far:
            kind, text = "jump", "More than {most:,.0f} km a day{last}."
        else:
            continue
        words: str = Sentence(
            f"odometer-audit.{kind.replace(' ', '-')}",
            text,
            other=units.get(reading.event, ""),
            most=most,
            last=last,
        )
        if kind in ("lower", "implausible", "mixed units") and after is not None:
            slip = "{figure} on {day} after it: this one looks like a slip."
            words = Joined((words, _beside("slip", slip, after)), " ")
        beside = (r.event for r in (before, after) if r is not None)
        found.append(
            _Doubt(vehicle, reading.on, _shown(reading), kind, words, (reading.event, *beside))
        )
    return found


def _beside(word: str, template: str, reading: Reading) -> str:
    return Sentence(f"odometer-audit.{word}", template, figure=_shown(reading), day=reading.on)


def _settled(doubts: Sequence[_Doubt]) -> bool:
    """Whether the latest doubt is explained, as a roll-over is."""
    return doubts[-1].kind == "rolled over"


def _shown(reading: Reading) -> str:
    scale = KM_PER_MILE if reading.unit == "mi" else 1.0
    return _distance(reading.shown_km / scale, reading.unit)


def _distance(value: float, unit: str) -> str:
    return Sentence("distance", "{value:,.0f} {unit}", value=value, unit=unit)


def _identities(view: LedgerView, vehicle: str | None) -> list[_Doubt]:
    """Return vehicles whose VIN is odd or gives another model year than was recorded."""
    condition = " AND vehicle_id = ?" if vehicle else ""
    found = []
    vins = view.sql("SELECT vehicle_id, vin FROM vehicles ORDER BY vehicle_id").rows
    shared = dict(shared_vins(vins))
    for name, vin, year, weight, on, event in view.sql(
        f"""SELECT vehicle_id, vin, model_year, weight_class, enrolled_on, enrolment_event
            FROM vehicles WHERE vin IS NOT NULL{condition} ORDER BY vehicle_id""",
        (vehicle,) if vehicle else (),
    ).rows:
        # The cycle of 30 years is told by position 7 for light vehicles of this market only.
        light = True if vin[:1] in "12345" and weight_of(weight) == "light" else None
        decoded = decode_vin(vin, light=light, latest=view.today.year + 1)
        problems = [*decoded.problems]
        mismatch = year_problem(decoded, year)
        if mismatch is not None:
            problems.append(mismatch)
        if name in shared:
            problems.append(shared[name])
        found += [
            _Doubt(
                name,
                on,
                "",
                "identity",
                Sentence(
                    "odometer-audit.identity",
                    "{message} Hint: {hint}.",
                    message=problem.message,
                    hint=problem.hint,
                ),
                (event,),
            )
            for problem in problems
        ]
    return found


def _odometers(
    view: LedgerView,
    settings: OdometerAuditSettings,
    readings: Mapping[str, Sequence[Reading]],
    exchanges: Mapping[str, Sequence[_Exchange]],
    doubts: Sequence[_Doubt],
    latest_doubted: set[str],
    unit: Unit,
) -> Table:
    scale = KM_PER_MILE if unit == "mi" else 1.0
    condition = " WHERE v.vehicle_id = ?" if settings.vehicle else ""
    rows: list[tuple[Cell, ...]] = []
    evidence = []
    for name, year, true_km, month, spread, from_on, to_on, written in view.sql(
        f"""SELECT v.vehicle_id, v.model_year, v.last_km, u.km_per_month, u.sd_km_per_month,
                   u.from_on, u.to_on, w.status
            FROM vehicles AS v
            LEFT JOIN usage_rates AS u USING (vehicle_id)
            LEFT JOIN (SELECT vehicle_id, max_by(status, (occurred_at, seq)) AS status
                       FROM readings WHERE status IS NOT NULL GROUP BY vehicle_id) AS w
              USING (vehicle_id){condition}
            ORDER BY v.vehicle_id""",
        (settings.vehicle,) if settings.vehicle else (),
    ).rows:
        series = readings.get(name, ())
        own = [d for d in doubts if d.vehicle == name and d.kind != "identity"]
        rolled = any(d.kind == "rolled over" for d in own)
        status, why = _status(len(series), rolled, name in exchanges, name in latest_doubted)
        rows.append(
            (
                name,
                status,
                (written or "").replace("_", " "),
                len(series),
                len(own),
                _shown(series[-1]) if series else "",
                None if true_km is None else round(true_km / scale),
                None if month is None else round(month / scale),
                None if spread is None else round(spread / scale),
                from_on,
                to_on,
                None if year is None else exempt_by_age(year, view.today),
                why,
            )
        )
        events = [d.evidence[0] for d in own] or [r.event for r in series[-1:]]
        evidence.append(tuple(dict.fromkeys(events)))
    return Table(
        name="odometers",
        title="What the record supports, and how far each vehicle goes",
        columns=(
            Column("vehicle", "vehicle"),
            Column("status", "the record supports"),
            Column("written", "written down as"),
            Column("readings", "readings", "integer"),
            Column("doubtful", "doubtful", "integer"),
            Column("last", "last shown"),
            Column("true_distance", "true distance", "distance", unit),
            Column("per_month", "a month", "distance", unit),
            Column("spread", "spread", "distance", unit),
            Column("from_on", "from", "date", detail=True),
            Column("to_on", "to", "date", detail=True),
            Column("exempt", "exempt by age", detail=True),
            Column("why", "why", "sentence"),
        ),
        rows=tuple(rows),
        evidence=tuple(evidence),
    )


def _status(number: int, rolled: bool, exchanged: bool, doubted: bool) -> tuple[Status, str]:
    """Return the rule's word that the record supports, and why when it is not plain."""
    if number < 2:
        return "unknown", Sentence(
            "odometer-audit.too-few", "fewer than two readings are on record"
        )
    if doubted:
        return "unknown", Sentence(
            "odometer-audit.latest-doubted",
            "the latest reading does not fit the earlier ones: settle it first",
        )
    if exchanged:
        return "not actual", Sentence(
            "odometer-audit.was-exchanged",
            "the instrument was exchanged, so it shows less than the vehicle has gone; the true "
            "distance here counts both",
        )
    if rolled:
        return "exceeds mechanical limits", Sentence(
            "odometer-audit.has-rolled-over", "the odometer has rolled over"
        )
    return "actual", ""


def _doubts_table(doubts: Sequence[_Doubt]) -> Table:
    return Table(
        name="doubtful_readings",
        title="Doubtful readings, nothing corrected",
        columns=(
            Column("vehicle", "vehicle"),
            Column("on", "on", "date"),
            Column("reading", "reading"),
            Column("kind", "what"),
            Column("words", "in words", "sentence"),
        ),
        rows=tuple((d.vehicle, d.on, d.figure, d.kind, d.words) for d in doubts),
        evidence=tuple(d.evidence for d in doubts),
    )


def _headline(doubts: Sequence[_Doubt], vehicles: int, settings: OdometerAuditSettings) -> str:
    whose: str = settings.vehicle or Sentence("odometer-audit.vehicles", "{n} vehicles", n=vehicles)
    if not doubts:
        return Sentence("odometer-audit.none", "No reading of {whose} is in doubt.", whose=whose)
    counts = Counter(doubt.kind for doubt in doubts)
    kinds = [
        Sentence("odometer-audit.of-kind", "{n} {kind}", n=counts[kind], kind=kind)
        for kind in _KINDS
        if counts[kind]
    ]
    return Sentence(
        "odometer-audit.headline",
        "Of {whose}, to be looked at: {kinds}.",
        whose=whose,
        kinds=Joined(kinds),
    )


def _caveats(
    readings: Mapping[str, Sequence[Reading]], identity: Sequence[_Doubt], cut: int
) -> tuple[str, ...]:
    both = [name for name, series in readings.items() if len({r.unit for r in series}) > 1]
    names = sorted({doubt.vehicle for doubt in identity})
    return all_said(
        Sentence(
            "odometer-audit.no-certificate",
            "What a record supports is no certificate: who transfers the vehicle certifies.",
        ),
        if_any(
            len(both),
            "odometer-audit.both-units",
            "Both miles and kilometres were written down for {vehicles}.",
            vehicles=first_of(both),
        ),
        if_any(
            len(names),
            "odometer-audit.vins",
            "The VIN needs a look on {vehicles}; it is kept as typed.",
            vehicles=Joined(names[:5]),
        ),
        if_any(
            cut, "odometer-audit.not-shown", "{n} more rows are not shown; raise the setting most."
        ),
    )


ODOMETER_AUDIT = Analysis(
    name="odometer-audit",
    title="Odometers and usage",
    question="Can the odometer be believed, and how far does each vehicle go?",
    run=run,
    settings=OdometerAuditSettings,
    about=ABOUT,
)
