"""The figures of a frame: those that a shop measures of the part, a bare one with its one unit."""

import re
from typing import Any

from roadworn.model.catalogue import Component
from roadworn.reading.bench_frame_marks import Frame
from roadworn.reading.bench_frame_signs import Bare, Signs
from roadworn.reading.bench_words import Words

_RANGE = re.compile(r"\d ?(-|to) ?\d|\d ?sec")
_CUT_OUT = re.compile(r"cuts? ?out (?:at )?(\d{2,3})\b(?! ?psi)")
_FREEZES = re.compile(r"(\d{1,2})\+? (above|below)\b")
_SIGNED = re.compile(r"-\d{1,2}[,.]?")
_NAMED_BY_VOLTS = {"value": 12.0, "unit": "V"}


#: A place just before or behind a figure; what is measured there has one unit in a line.
_PLACE = (
    r"(?:[lr]/?[fr]|[fr]|(?:left|right|lt|rt) (?:front|frt|rear|rr)|fronts?|frts?|frnts?|rears?|"
    r"lefts?|rights?|[1-5][lr]|upper|lower|inner|outer|insides?|outsides?)"
)
_AMOUNT = (
    r"(?<![#./\d-])(\d{1,2}(?:\.\d)?)(/32(?:nds?)?| ?mm| ?psi)?"
    r"(?![\w./%'\"#-])(?! (?:psi|in|inch|v|volts?|of|on|over|\d))"
)
_PLACE_FIRST = re.compile(
    rf"(?<!axle )(?<!ax )\b({_PLACE})"
    rf"((?: (?:at|is|are|pads?|tires?|shoes?|tread|duals?))?:? ?){_AMOUNT}",
    re.IGNORECASE,
)
_FIGURE_FIRST = re.compile(rf"(?<!axle )(?<!ax ){_AMOUNT}()( {_PLACE})\b", re.IGNORECASE)
_KINDS = (
    (re.compile(r"\bt[iy]res?\b|\btread", re.IGNORECASE), "/32"),
    (re.compile(r"\bpads?\b|\bshoes?\b|\blinings?\b", re.IGNORECASE), " mm"),
)
_ENDS = re.compile(r"(?<![a-z/])[fr](?=[ \d])(?! ?/)", re.IGNORECASE)
_STROKE = re.compile(r"\bstrokes?\b|\bpush ?rods?\b|\bslacks?\b|\bchambers?\b", re.IGNORECASE)
_STROKES = re.compile(
    r"\b([1-5][lr]|[lr][fr]?) ((?:\d[ -])?\d/\d{1,2}|\d)(?![\w./\"-])(?! ?(?:in\b|inch|\"|\d+/))",
    re.IGNORECASE,
)


def with_units(text: str) -> str:
    """Return a line in which a bare figure of a place has the unit of the others, or the usual one.

    "front pads 8, rears 5mm" is 8 mm in front, "tires lf 4 rf 4" are 32nds. A line that gives one
    figure only, or two units, stays as it is.
    """
    if _STROKE.search(text) and len(_STROKES.findall(text)) > 1:
        return _STROKES.sub(r"\1 \2 in", text)
    for pattern, at in ((_PLACE_FIRST, (3, 4)), (_FIGURE_FIRST, (1, 2))):
        found = list(pattern.finditer(text))
        bare = [one for one in found if not one[at[1]]]
        if len(found) < 2 or not bare:
            continue
        units = {one[at[1]].strip().casefold()[:3] for one in found if one[at[1]]}
        kinds = {unit for said, unit in _KINDS if said.search(text)}
        units = {
            " mm" if unit == "mm" else f" {unit}" if unit == "psi" else "/32" for unit in units
        }
        unit = next(iter(units or kinds), "")
        if len(units or kinds) == 1 and "f" in {
            one[at[0] - 2 if at[0] > 2 else 4].strip().casefold() for one in found
        }:
            text = _ENDS.sub(lambda one: "front " if one[0] in "fF" else "rear ", text)
            return with_units(" ".join(text.split()))
        if len(units or kinds) == 1:
            for one in reversed(bare):
                end = one.end(at[0])
                text = f"{text[:end]}{unit}{text[end:]}"
            return text
    return text


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
    for bare in signs.bare:
        if component.id in bare.parts and (found := _bare(frame, bare)):
            return (found,)
    return ()


def _figure(value: str, unit: str) -> dict[str, Any]:
    return {"value": float(value), "unit": unit}


def _freezing(frame: Frame) -> tuple[dict[str, Any], ...]:
    """Return down to what a coolant is good: "-34", "5 above"."""
    if found := _FREEZES.search(frame.line):
        return (_figure(f"{'-' if found[2] == 'below' else ''}{found[1]}", "°F"),)
    signed = [one for one in frame.raw if _SIGNED.fullmatch(one)]
    return (_figure(signed[0].strip(",."), "°F"),) if len(signed) == 1 else ()


def _bare(frame: Frame, bare: Bare) -> dict[str, Any] | None:
    """Return the one figure without a unit that can be what a part is measured in."""
    if bare.decimal:
        numbers = frame.bare
    elif _RANGE.search(frame.line) or not re.search(bare.said, frame.line):
        return None
    else:
        numbers = [one for word in frame.raw if (one := word.strip(",.;:()°Ff+")).isdigit()]
    fitting = [one for one in numbers if bare.low <= float(one) <= bare.high]
    return _figure(fitting[0], bare.unit) if len(fitting) == 1 else None
