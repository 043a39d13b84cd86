"""What the record itself says of a vehicle: how far it went, what is open and not looked at."""

from collections import defaultdict
from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from roadworn.analysis import Cell, Column, Holds, Mark, Marks, Table
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.model.units import KM_PER_MILE
from roadworn.trade.codes import told_code
from roadworn.trade.limits import load_sheet
from roadworn.trade.weight import weigh

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_READING = "{figure:,.0f} {unit} on {day}"
_TRUE = " ({true:,.0f} {unit} in all{why})"
_PACE = ", about {pace:,.0f} {unit} a month"
_NEW = ", too new to tell its pace"
#: The pace of an engine is that of so many days before its last reading, and at least of so many
#: (common practice, no source).
_HOURS_PACE_DAYS, _LEAST_PACE_DAYS = 730, 14
_say = Says(
    "outlook",
    {
        "no-reading": "no odometer reading on record",
        "reading": _READING,
        "reading-true": _READING + _TRUE,
        "reading-new": _READING + _NEW,
        "reading-true-new": _READING + _TRUE + _NEW,
        "reading-pace": _READING + _PACE,
        "reading-true-pace": _READING + _TRUE + _PACE,
        "why-exchanged": ": the odometer was exchanged on {on}",
        "why-rolled_over": ": the odometer rolled over on {on}",
        "why-stepped": ": from {on} on the odometer shows another figure",
        "why-lower": ": a lower figure was written down on {on}",
        "hours": "{hours:,.0f} h on {day}",
        "hours-pace": "{hours:,.0f} h on {day}, about {pace:,.0f} h a month",
        "no-hood": "Nothing under the hood was looked at.",
        "no-underneath": "Nothing underneath was looked at.",
        "no-hood-no-underneath": "Nothing under the hood or underneath was looked at.",
        "code": "{status} code",
        "estimated": "estimated {amount:,.2f} {currency}",
        "try-first": "Try before handing over: {parts}.",
        "sound-again": "Look again at {part}: it failed on {failed}, was named sound on {day}, and "
        "no work on it is on record.",
        "done-on": "{part}, {kind} on {day}",
        "replacement": "replaced",
        "repair": "repaired",
    },
)
_WORDS = {"failed": "failed", "wearing": "wearing", "not_checked": "not checked"}


#: Where one has to stand on purpose, as look-over sheets name it.
_LEVELS = {"under the hood": "no-hood", "underneath": "no-underneath"}


def levels_left_out(view: "LedgerView", profile: Mapping[str, Any], day: date) -> list[Sentence]:
    """Say of which levels the look-overs of a day named nothing as looked at.

    Whoever looked at the outside only has not seen what drips and what wears below.

    Args:
        view: the ledger as of a day.
        profile: of the vehicle, as in the table `vehicles`.
        day: of its last look-over.
    """
    vehicle = profile["vehicle_id"]
    rests = view.of_vehicle(
        "SELECT vehicle_id, occurred_on, rest FROM inspections WHERE ONLY(vehicle_id)", vehicle
    )
    if (vehicle, day, "sound") in rests.rows:
        return []
    seen = view.of_vehicle(
        """SELECT DISTINCT vehicle_id, occurred_on, component FROM findings
           WHERE ONLY(vehicle_id) AND condition <> 'not_checked' AND (vehicle_id, occurred_on) IN (
             SELECT (vehicle_id, max(occurred_on)) FROM inspections GROUP BY vehicle_id)
           ORDER BY ALL""",
        vehicle,
    )
    looked_at = {component for _vehicle, on, component in seen.rows if on == day}
    sheet = load_sheet(f"{weigh(profile).taken}_vehicle")
    out = [
        word
        for level, word in _LEVELS.items()
        if not any(i.area == level and looked_at & set(i.components) for i in sheet.items)
    ]
    return [_say("-".join(out))] if out else []


def to_try(view: "LedgerView", vehicle_id: str) -> list[Sentence]:
    """Say in a sentence which work nothing on record has looked at or tried since, or nothing.

    Work on what somebody can get hurt by, of a vehicle that is here, and work that asked for a
    test of its own. Codes not read again are none of it: nobody is hurt by those.
    """
    rows = view.of_vehicle(
        """SELECT w.vehicle_id, w.component, coalesce(w.done_at, ''), w.kind, w.occurred_on
           FROM work_done AS w WHERE ONLY(w.vehicle_id) AND w.kind IN ('replacement', 'repair')
             AND w.event_id IN (SELECT event_id FROM untried_work WHERE wants = 'look_over'
                                UNION ALL SELECT event_id FROM open_tests)
           ORDER BY w.occurred_on DESC, w.seq DESC""",
        vehicle_id,
    ).rows
    told = [
        _say("done-on", part=part_name(component, place), kind=_say(kind), day=day)
        for _vehicle, component, place, kind, day in rows
    ]
    return [_say("try-first", parts=Joined(dict.fromkeys(told), "; "))] if told else []


def sound_again(view: "LedgerView", vehicle_id: str) -> list[Sentence]:
    """Say what failed, can hurt someone, and was named sound with no work on record in between.

    Until it was looked at once more.
    """
    rows = view.of_vehicle(
        """SELECT s.vehicle_id, s.component, coalesce(s.position, ''), s.found_on, s.sound_on
           FROM found_sound AS s
           WHERE ONLY(s.vehicle_id) AND s.safety AND s.condition = 'failed' AND NOT EXISTS (
             SELECT 1 FROM findings AS f
             WHERE f.vehicle_id = s.vehicle_id AND f.component = s.component
               AND f.occurred_on > s.sound_on AND f.condition <> 'not_checked')
           ORDER BY s.component, s.position""",
        vehicle_id,
    ).rows
    return [
        _say("sound-again", part=part_name(component, place), failed=failed, day=day)
        for _vehicle, component, place, failed, day in rows
    ]


def open_now(view: "LedgerView", vehicle_id: str, columns: tuple[Column, ...]) -> Table:
    """Return what is already due: safety first, then failed, codes, declined, wearing."""
    lines: list[tuple[int, tuple[Cell, ...], str, Marks]] = []
    measured = _measured(view, vehicle_id)
    for component, position, condition, safety, note, day, event in view.sql(
        """SELECT component, position, condition, safety, note, first_seen_on, event_id
           FROM open_findings WHERE vehicle_id = ?
           ORDER BY component, position, event_id""",
        (vehicle_id,),
    ).rows:
        critical = bool(safety) and condition == "failed"
        rank = 0 if critical else 1 if condition == "failed" else 4
        what = Joined((measured.get((event, component, position)), note), "; ")
        word = "SAFETY: failed" if critical else _WORDS.get(condition, condition)
        marks = frozenset({Mark.SAFETY, Mark.OPEN} if critical else {Mark.FAILED, Mark.OPEN})
        lines.append(
            (
                rank,
                (word, component, position or "", what, day),
                event,
                marks if condition == "failed" else Marks(),
            )
        )
    for code, status, module, words, first, event in view.sql(
        """SELECT code, status, module, words, first_seen_on, event_id FROM active_codes
           WHERE vehicle_id = ? ORDER BY status, code, module""",
        (vehicle_id,),
    ).rows:
        meaning, points_to = told_code(code, words)
        state = _say("code", status=status)
        seen = Joined((code, meaning), ": ")
        cells: tuple[Cell, ...] = (state, ", ".join(points_to), module, seen, first)
        lines.append((2, cells, event, Marks()))
    for component, position, amount, currency, decision, safety, day, event in view.sql(
        """SELECT component, position, amount, currency, decision, safety, occurred_on, event_id
           FROM declined_work WHERE vehicle_id = ? ORDER BY occurred_on, component, position""",
        (vehicle_id,),
    ).rows:
        price = _say.when(amount is not None, "estimated", amount=amount, currency=currency)
        cells = (decision, component, position or "", price, day)
        lines.append((3 if safety else 5, cells, event, Marks()))
    lines.sort(key=lambda line: line[0])
    return Table(
        name="open_now",
        title="Open now",
        columns=columns,
        rows=tuple(cells for _rank, cells, _event, _marks in lines),
        evidence=tuple((event,) for _rank, _cells, event, _marks in lines),
        holds=Holds.DUE,
        marks=tuple(marks for *_line, marks in lines),
    )


def _measured(view: "LedgerView", vehicle_id: str) -> dict[tuple[str, str, str | None], str]:
    """Return (event, component, position) -> what was measured there, as it was read."""
    rows = view.sql(
        """SELECT event_id, component, position, value, unit FROM measurements
           WHERE vehicle_id = ? ORDER BY seq, name""",
        (vehicle_id,),
    ).rows
    found = defaultdict[tuple[str, str, str | None], list[str]](list)
    for event, component, position, value, unit in rows:
        figure = Sentence("figure", "{value:g} {unit}", value=value, unit=unit)
        found[event, component, position].append(figure)
    return {key: Joined(figures) for key, figures in found.items()}


def how_far(view: "LedgerView", profile: dict[str, Any], shown: str) -> str:
    """Return the last reading in the unit wanted, with its day and the usual monthly distance."""
    rows = view.of_vehicle(
        """SELECT vehicle_id, odometer, unit, occurred_on FROM readings WHERE ONLY(vehicle_id)
           QUALIFY row_number() OVER (PARTITION BY vehicle_id
                                      ORDER BY occurred_at DESC, seq DESC) = 1""",
        profile["vehicle_id"],
    ).rows
    if not rows:
        return _hours(view, profile)
    _vehicle, figure, unit, day = rows[0]
    scale = 1.0 if shown == "km" else float(KM_PER_MILE)
    km = figure if unit == "km" else figure * float(KM_PER_MILE)
    word, more = "reading", {}
    true_km = profile.get("last_km")
    if true_km is not None and abs(true_km - km) > scale:
        word, more = f"{word}-true", {"true": true_km / scale, "why": _why_another(view, profile)}
    usage = view.of_vehicle(
        "SELECT vehicle_id, km_per_month FROM usage_rates WHERE ONLY(vehicle_id)",
        profile["vehicle_id"],
    ).rows
    if not usage and not profile.get("retired_on"):
        word = f"{word}-new"
    elif usage and usage[0][1]:
        word, more = f"{word}-pace", {**more, "pace": usage[0][1] / scale}
    return _say(word, figure=km / scale, unit=shown, day=day, **more)


def _why_another(view: "LedgerView", profile: dict[str, Any]) -> str:
    """Say why a vehicle has gone another distance than its odometer shows."""
    rows = view.of_vehicle(
        """SELECT vehicle_id, flag, occurred_on FROM true_distance
           WHERE ONLY(vehicle_id) AND flag IN ('exchanged', 'rolled_over', 'stepped', 'lower')
           QUALIFY row_number() OVER (PARTITION BY vehicle_id ORDER BY flag = 'lower',
                                      occurred_at DESC, seq DESC) = 1""",
        profile["vehicle_id"],
    ).rows
    return _say(f"why-{rows[0][1]}", on=rows[0][2]) if rows else ""


def _hours(view: "LedgerView", profile: dict[str, Any]) -> str:
    """Return the hours of an engine that is told by no odometer, and its usual hours a month."""
    rows = view.sql(
        """SELECT hours, occurred_on FROM hours_readings WHERE vehicle_id = ?
           AND date_diff('day', occurred_on, (SELECT max(occurred_on) FROM hours_readings
                                              WHERE vehicle_id = ?)) <= ?
           ORDER BY occurred_at, seq""",
        (profile["vehicle_id"], profile["vehicle_id"], _HOURS_PACE_DAYS),
    ).rows
    if not rows:
        return _say("no-reading")
    (first, since), (last, day) = rows[0], rows[-1]
    days = (day - since).days
    if days < _LEAST_PACE_DAYS or last <= first:
        return _say("hours", hours=last, day=day)
    return _say("hours-pace", hours=last, day=day, pace=(last - first) / days * 365.25 / 12.0)
