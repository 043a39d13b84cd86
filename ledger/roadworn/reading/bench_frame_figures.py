"""The figures of a frame: those that a shop measures of the part, a bare one with its one unit."""

import re
from typing import Any

from roadworn.model.catalogue import Component
from roadworn.reading.bench_frame_marks import Frame
from roadworn.reading.bench_frame_signs import Signs
from roadworn.reading.bench_words import Words

#: A whole number by itself: the part's usual unit, and within what that can be.
_INTEGERS = {
    "brake.air_compressor": ("psi", 30, 160),
    "brake.low_air_warning": ("psi", 20, 100),
    "cooling.thermostat": ("°F", 100, 260),
    "hvac.refrigerant": ("°F", 30, 110),
}
#: What must be said for it to be that.
_SAID = {
    "cooling.thermostat": r"\b(gets?|at|opens?|opened|past|wont|reads?) .*\d{3}",
    "hvac.refrigerant": r"\bvents?\b",
}
#: A bare figure with decimals: unit, and what it can be.
_DECIMALS: dict[str, tuple[tuple[str, float, float], ...]] = {
    "ignition.spark_plug": (("in", 0.015, 0.15),),
    "brake.rotor": (("in", 0.001, 0.03), ("mm", 6.0, 60.0)),
}
_RANGE = re.compile(r"\d ?(-|to) ?\d|\d ?sec")
_CUT_OUT = re.compile(r"cuts? ?out (?:at )?(\d{2,3})\b(?! ?psi)")
_FREEZES = re.compile(r"(\d{1,2})\+? (above|below)\b")
_SIGNED = re.compile(r"-\d{1,2}[,.]?")
_NAMED_BY_VOLTS = {"value": 12.0, "unit": "V"}


def figures_of(
    frame: Frame, component: Component, words: Words, signs: Signs
) -> tuple[dict[str, Any], ...]:
    """Return the figures that are of a part; others are a remark."""
    told = [one for one in frame.figures if signs.measures(component.id, one["unit"])]
    if component.id == "electrical.battery":
        told = [one for one in told if one != _NAMED_BY_VOLTS]
    if cut := _CUT_OUT.search(frame.line) if component.id == "brake.air_compressor" else None:
        return (_figure(cut[1], "psi"),)
    if told:
        return tuple(told)
    if component.id == "cooling.coolant":
        return _freezing(frame)
    if unit := words.units.get(component.id):
        return tuple(_figure(one, unit) for one in frame.bare)
    for kind, low, high in _DECIMALS.get(component.id, ()):
        fitting = [one for one in frame.bare if low <= float(one) <= high]
        if len(fitting) == 1:
            return (_figure(fitting[0], kind),)
    return _integer(frame, component)


def _figure(value: str, unit: str) -> dict[str, Any]:
    return {"value": float(value), "unit": unit}


def _freezing(frame: Frame) -> tuple[dict[str, Any], ...]:
    """Return down to what a coolant is good: "-34", "5 above"."""
    if found := _FREEZES.search(frame.line):
        return (_figure(f"{'-' if found[2] == 'below' else ''}{found[1]}", "°F"),)
    signed = [one for one in frame.raw if _SIGNED.fullmatch(one)]
    return (_figure(signed[0].strip(",."), "°F"),) if len(signed) == 1 else ()


def _integer(frame: Frame, component: Component) -> tuple[dict[str, Any], ...]:
    unit, low, high = _INTEGERS.get(component.id, ("", 0, 0))
    said = re.search(_SAID.get(component.id, ""), frame.line)
    if not unit or not said or _RANGE.search(frame.line):
        return ()
    numbers = [
        one
        for word in frame.raw
        if (one := word.strip(",.;:()°Ff")).isdigit() and low <= int(one) <= high
    ]
    return (_figure(numbers[0], unit),) if len(numbers) == 1 else ()
