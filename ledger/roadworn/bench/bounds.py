"""Figures that no part can show: a slip of the keyboard, refused while it can still be mended.

The bounds are wide and say only what cannot be; whether a part is good is said by the limits
of the look-over sheets. Common practice, no source.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from roadworn.errors import UsageError
from roadworn.units import convert, dimension_of

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
