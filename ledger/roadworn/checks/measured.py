"""What a component may measure, what its figure says against the limits, and what cannot grow."""

from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any

from roadworn.checks.facts import Draft, Facts
from roadworn.model import in_use
from roadworn.model.errors import UsageError
from roadworn.model.events import StoredEvent
from roadworn.model.messages import Problem, Sentence
from roadworn.model.places import covers
from roadworn.model.units import convert, dimension_of
from roadworn.say.telling import item_words
from roadworn.trade.judging import KnownSizes, example_of, figures_of, judge_by_all
from roadworn.trade.limits import SHEETS, Sheet, load_sheet

#: A reading below zero of these is a slip; an angle, a current or a temperature may be.
_FROM_ZERO = frozenset(
    {"distance", "length", "pressure", "resistance", "time", "torque", "voltage"}
)
#: Component -> the most it can show, and in what unit.
_MOST: Mapping[str, tuple[float, str]] = {
    # Linings of heavy vehicles begin below an inch; more is "axle 2, 1/4 in" typed as "2 1/4 in".
    "brake.pad": (40.0, "mm"),
    "brake.shoe": (30.0, "mm"),
    "wheel.tire": (40.0, "32nds"),
    "electrical.battery": (40.0, "V"),
    "electrical.alternator": (40.0, "V"),
}
_ELECTRIC = frozenset({"voltage", "current", "resistance"})
_MECHANIC = frozenset({"length", "distance", "pressure"})
#: Component -> what cannot be measured at it, and how to write what can.
_NEVER: Mapping[str, tuple[frozenset[str], str]] = {
    "brake.pad": (_ELECTRIC | {"pressure", "distance"}, "3 mm"),
    "brake.shoe": (_ELECTRIC | {"pressure", "distance"}, "3 mm"),
    "brake.rotor": (_ELECTRIC | {"pressure", "distance"}, "22 mm"),
    "wheel.tire": (_ELECTRIC | {"distance"}, "4/32 in or 35 psi"),
    "electrical.battery": (_MECHANIC, "12.4 V"),
    "electrical.alternator": (_MECHANIC, "14.1 V"),
}

#: A number before a figure is part of it: "2 1/4 in" is no axle.
_AXLE = ", and write an axle as in 'axle 2'"
_ON_AXLES = frozenset({"brake.pad", "brake.shoe", "wheel.tire"})

#: Components that there are bounds for.
BOUNDED = frozenset({*_MOST, *_NEVER})


def check_measurements(component: str, measurements: Iterable[Mapping[str, Any]]) -> None:
    """Refuse measurements that cannot be at a component.

    Args:
        component: its id.
        measurements: each with `value` and `unit`.

    Raises:
        UsageError: a figure is below zero, beyond all bounds, or measures something else.
    """
    for measured in measurements:
        value, unit = measured["value"], measured["unit"]
        dimension = dimension_of(unit)
        told = f"{value:.10g}/32 in" if unit == "32nds" else f"{value:.10g} {unit}"
        if value < 0 and dimension in _FROM_ZERO:
            raise UsageError(f"{told} is below zero", "write the figure as it was read")
        never, example = _NEVER.get(component, (frozenset(), ""))
        if dimension in never:
            raise UsageError(
                f"{told} is a {dimension}, which is not measured at {component}",
                f"write it as {example}, or put it into the note",
            )
        most, most_unit = _MOST.get(component, (0.0, "mm"))
        limit = f"{most:g}/32 in" if most_unit == "32nds" else f"{most:g} {most_unit}"
        if most and dimension == dimension_of(most_unit) and convert(value, unit, most_unit) > most:
            raise UsageError(
                f"{told} is more than {component} can show (at most {limit})",
                f"look at the figure and its unit again{_AXLE if component in _ON_AXLES else ''}",
            )


def check_agreement(findings: Iterable[Mapping[str, Any]]) -> None:
    """Refuse a place that is given two conditions, or two figures, in one look-over.

    Two figures with two notes are two facts, as the inner and the outer pad.

    Raises:
        UsageError: names the place and both findings.
    """
    seen: dict[tuple[str, str], Mapping[str, Any]] = {}
    for finding in findings:
        place = (finding["component"], finding.get("position", ""))
        first = seen.setdefault(place, finding)
        apart = first.get("note") != finding.get("note")
        if first["condition"] != finding["condition"] or (not apart and _differ(first, finding)):
            raise UsageError(
                f"{item_words(finding)} is given twice and differently ({_short(first)}; "
                f"{_short(finding)})",
                "keep one of them, or say which place each is at",
            )


def _differ(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    figures = [{m["unit"]: m["value"] for m in figures_of(f)} for f in (one, other)]
    return any(figures[0][unit] != figures[1][unit] for unit in figures[0].keys() & figures[1])


def _short(finding: Mapping[str, Any]) -> str:
    figures = [f"{m['value']:.10g} {m['unit']}" for m in finding.get("measurements", ())]
    return " ".join([*figures, finding["condition"].replace("_", " ")])


_ORDER = ("sound", "wearing", "failed")
#: A condition that its figure can be worse than.
_CAN_BE_WORSE = frozenset({"sound", "wearing"})
#: Sheet whose limits figures are held against when the look-over names none of ours.
_DEFAULT_SHEET = "light_vehicle"


def doubts(
    sheet: Sheet, findings: Iterable[Mapping[str, Any]], sizes: KnownSizes | None = None
) -> Iterator[str]:
    """Yield a sentence for each finding whose figure is worse than its condition, or unsettled.

    Args:
        sheet: whose limits to compare with.
        findings: findings of an inspection, as dictionaries.
        sizes: those on record of the vehicle, None where nobody looked them up; where a figure
            does not come to the same at every size, the one that is missing is asked for.
    """
    known = KnownSizes() if sizes is None else sizes
    for finding in findings:
        if finding["condition"] not in _ORDER:
            continue
        for figure in figures_of(finding):
            told = judge_by_all(sheet.items, finding, figure, known)
            settled = [one for one in told if one.condition in _ORDER]
            unsized = next((one.item.sized for one in told if one.missing == "size"), None)
            if sizes is not None and not settled and unsized is not None:
                yield Sentence(
                    "worse-than-said.no-size",
                    "{part}: the limit depends on the {size}; record it once, as '{example}'.",
                    part=item_words(finding),
                    size=unsized.key,
                    example=example_of(unsized.key),
                )
            # Where the limits differ, only a person can say which of them holds.
            if len({one.condition for one in settled}) != 1:
                continue
            worse = settled[0]
            if _ORDER.index(worse.condition) > _ORDER.index(finding["condition"]):
                # Common practice says of itself that it is no more than that.
                source = "" if worse.mark == "CP" else " ({citation})"
                yield Sentence(
                    "worse-than-said.cited" if source else "worse-than-said",
                    f"{{part}} was written down as {{said}}, but {{reason}}{source}: {{condition}} "
                    "on the sheet {sheet}.",
                    part=item_words(finding),
                    said=finding["condition"],
                    reason=worse.reason,
                    citation=worse.citation,
                    condition=worse.condition,
                    sheet=sheet.name,
                )


def worse_than_said(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a condition that is better than its figure.

    Where a person judged by a sheet, a size that is missing is asked for as well.
    """
    named = draft.payload.get("sheet") or ""
    sizes = None if draft.sheet is None else sizes_on_record(draft.vehicle_id, facts)
    for at, finding in enumerate(draft.payload.get("findings") or ()):
        # Most findings of a file need no judge.
        if finding.get("measurements") and (
            draft.sheet is not None
            or (
                finding["condition"] in _CAN_BE_WORSE
                and finding["component"] in _measured_components(named)
            )
        ):
            for told in doubts(draft.sheet or load_sheet(_found(named)), [finding], sizes):
                hint = "look at the figure, its unit and the condition again"
                yield Problem("worse-than-said", told, hint, column=f"payload.findings[{at}]")


def sizes_on_record(vehicle_id: str, facts: Facts) -> KnownSizes:
    """Return the sizes that look-overs of a vehicle said, the newest of each."""
    return KnownSizes.of_findings(
        finding
        for event in facts.events(vehicle_id, "inspection")
        for finding in event.data().get("findings", ())
    )


def _measured_components(sheet: str) -> frozenset[str]:
    """Return the components that a sheet has limits for; the usual sheet when it is not ours."""
    name = _found(sheet)
    return _measured_of(name) if name in SHEETS.names() else _limits_of(load_sheet(name))


@lru_cache(100)
def _measured_of(packaged: str) -> frozenset[str]:
    return _limits_of(load_sheet(packaged))


def _limits_of(sheet: Sheet) -> frozenset[str]:
    return frozenset(item.component for item in sheet.items if item.measurement)


def _found(name: str) -> str:
    """Return the name of a sheet that ships or that a plugin brings, else that of the usual one."""
    known = name in SHEETS.names() or (bool(name) and name in in_use().data_files(SHEETS.what))
    return name if known else _DEFAULT_SHEET


#: A rise in mm that no gauge errs by; common practice, no source.
RISE_MM = 1.2
_NEW: Mapping[str, str] = {
    "wheel.tire": "a new tire",
    "brake.pad": "new pads",
    "brake.shoe": "new shoes",
}


def grown_since(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a part that measures more than at the look-overs on record up to that day."""
    looks: list[StoredEvent] | None = None
    for finding in draft.payload.get("findings") or ():
        now = _least(finding)
        component, place = finding["component"], finding.get("position")
        if component not in _NEW or now is None:
            continue
        if looks is None:
            # The newest first; read once, and only where something was measured.
            found = facts.events(draft.vehicle_id, "inspection")
            looks = sorted(
                (e for e in found if e.event_id != draft.event_id and _day(e) <= draft.day),
                key=lambda event: event.occurred_at,
                reverse=True,
            )
        before = next(
            (
                (_day(event), then)
                for event in looks
                for one in event.data().get("findings", ())
                if (one["component"], one.get("position")) == (component, place)
                and (then := _least(one)) is not None
            ),
            None,
        )
        if before is None:
            continue
        day, then = before
        if now[0] > then[0] + RISE_MM and not _renewed(draft, facts, finding, day):
            told = Sentence(
                "grown",
                "{part}: {now} is more than {then} on {day}: {new} not recorded, or another "
                "wheel? Record the replacement, or correct the look-over.",
                part=item_words(finding),
                now=now[1],
                then=then[1],
                day=day,
                new=_NEW[component],
            )
            yield Problem("grown", told)


def sound_again(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt each part that is named sound and had failed, with no work on record since."""
    found = draft.payload.get("findings") or ()
    if draft.payload.get("sound") or any(one.get("condition") == "sound" for one in found):
        # Most look-overs name what is wrong: they need not wait for it.
        from roadworn.checks.sound import ended_by_a_word

        yield from ended_by_a_word(draft, facts)


def _renewed(draft: Draft, facts: Facts, finding: Mapping[str, Any], since: str) -> bool:
    """Return whether a part at the place of a finding was replaced from a day on."""
    return any(
        since <= _day(event) <= draft.day
        and event.data()["component"] == finding["component"]
        and covers(event.data().get("position"), finding.get("position"))
        for event in facts.events(draft.vehicle_id, "replacement")
    )


def _day(event: StoredEvent) -> str:
    return event.occurred_at[:10]


def _least(finding: Mapping[str, Any]) -> tuple[float, str] | None:
    """Return the least length measured, in mm and as it was read."""
    found = [
        (convert(m["value"], m["unit"], "mm"), m)
        for m in figures_of(finding)
        if dimension_of(m["unit"]) == "length"
    ]
    if not found:
        return None
    mm, measured = min(found, key=lambda one: one[0])
    unit = "/32 in" if measured["unit"] == "32nds" else f" {measured['unit']}"
    return mm, f"{measured['value']:g}{unit}"
