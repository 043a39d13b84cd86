"""What a component may measure, what its figure says against the limits, and what cannot grow."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from roadworn.model.errors import UsageError
from roadworn.model.places import covers
from roadworn.model.units import convert, dimension_of
from roadworn.say.telling import item_words
from roadworn.trade.judging import KnownSizes, example_of, figures_of, judge_by_all
from roadworn.trade.limits import Sheet

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
            raise UsageError(f"{told} is below zero: write the figure as it was read.")
        never, example = _NEVER.get(component, (frozenset(), ""))
        if dimension in never:
            raise UsageError(
                f"{told} is a {dimension}, which is not measured at {component}: write it as "
                f"{example}, or put it into the note."
            )
        most, most_unit = _MOST.get(component, (0.0, "mm"))
        limit = f"{most:g}/32 in" if most_unit == "32nds" else f"{most:g} {most_unit}"
        if most and dimension == dimension_of(most_unit) and convert(value, unit, most_unit) > most:
            raise UsageError(
                f"{told} is more than {component} can show (at most {limit}): look "
                f"at the figure and its unit again{_AXLE if component in _ON_AXLES else ''}."
            )


_ORDER = ("sound", "wearing", "failed")


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
                yield (
                    f"{item_words(finding)}: the limit depends on the {unsized.key}; record it "
                    f"once, as '{example_of(unsized.key)}'."
                )
            # Where the limits differ, only a person can say which of them holds.
            if len({one.condition for one in settled}) != 1:
                continue
            worse = settled[0]
            if _ORDER.index(worse.condition) > _ORDER.index(finding["condition"]):
                # Common practice says of itself that it is no more than that.
                source = "" if worse.mark == "CP" else f" ({worse.citation})"
                yield (
                    f"{item_words(finding)} was written down as {finding['condition']}, but "
                    f"{worse.reason}{source}: {worse.condition} on the sheet {sheet.name}."
                )


#: A rise in mm that no gauge errs by; common practice, no source.
RISE_MM = 1.2
_NEW: Mapping[str, str] = {
    "wheel.tire": "a new tire",
    "brake.pad": "new pads",
    "brake.shoe": "new shoes",
}


def grown(
    findings: Iterable[Mapping[str, Any]],
    earlier: Sequence[tuple[str, Mapping[str, Any]]],
    replaced: Sequence[tuple[str, Mapping[str, Any]]],
) -> Iterator[str]:
    """Yield a sentence for each part that measures more than at the look-over before.

    Args:
        findings: of the look-over now.
        earlier: day and finding of the look-overs before it, the newest first.
        replaced: day and payload of the replacements up to now.
    """
    for finding in findings:
        now = _least(finding)
        component, place = finding["component"], finding.get("position")
        if component not in _NEW or now is None:
            continue
        for day, before in earlier:
            then = _least(before)
            if before["component"] != component or before.get("position") != place or then is None:
                continue
            renewed = any(
                on >= day and part["component"] == component and covers(part.get("position"), place)
                for on, part in replaced
            )
            if now[0] > then[0] + RISE_MM and not renewed:
                yield (
                    f"{item_words(finding)}: {now[1]} is more than {then[1]} on {day}: "
                    f"{_NEW[component]} not recorded, or another wheel? Record the replacement, "
                    "or correct the look-over."
                )
            break


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
