"""Units of the trade: distances, small lengths, volts and pressures, kept as entered.

A mechanic writes what the gauge shows: 4/32 in, 3 mm, 12.4 V, 61,250 mi. The figure and its
unit are stored as written; these functions read them and convert with exact factors, so that
a value that stands exactly at a limit stays exactly at it.
"""

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from difflib import get_close_matches
from fractions import Fraction
from typing import Literal, NamedTuple

from roadworn.model.errors import UsageError

#: The international mile is exact by definition.
KM_PER_MILE = 1.609344
#: Further than this in a day no vehicle goes.
MOST_KM_PER_DAY = 2_500.0

Number = int | float | Decimal


class UnitError(UsageError):
    """A figure or its unit cannot be read."""


class Quantity(NamedTuple):
    """A figure as written, and its unit in canonical spelling."""

    value: Decimal
    unit: str


class Distance(NamedTuple):
    """A distance as written, in miles or kilometres."""

    value: Decimal
    unit: Literal["km", "mi"]


# unit -> (dimension, how many of the dimension's first unit one of it is).
# psi is the pound-force (0.45359237 kg x 9.80665 m/s2) per square inch, exact by definition.
_PSI_IN_KPA = Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2 / 1000
_UNITS: Mapping[str, tuple[str, Fraction]] = {
    "km": ("distance", Fraction(1)),
    "mi": ("distance", Fraction(str(KM_PER_MILE))),
    "mm": ("length", Fraction(1)),
    "cm": ("length", Fraction(10)),
    "in": ("length", Fraction("25.4")),
    "32nds": ("length", Fraction("25.4") / 32),
    "V": ("voltage", Fraction(1)),
    "mV": ("voltage", Fraction(1, 1000)),
    "A": ("current", Fraction(1)),
    "mA": ("current", Fraction(1, 1000)),
    "kPa": ("pressure", Fraction(1)),
    "bar": ("pressure", Fraction(100)),
    "psi": ("pressure", _PSI_IN_KPA),
    "ohm": ("resistance", Fraction(1)),
    "kohm": ("resistance", Fraction(1000)),
    "%": ("share", Fraction(1)),
    "deg": ("angle", Fraction(1)),
    "°C": ("temperature C", Fraction(1)),
    "°F": ("temperature F", Fraction(1)),
    "Nm": ("torque", Fraction(1)),
    "lbf·ft": ("torque", Fraction("0.45359237") * Fraction("9.80665") * Fraction("0.3048")),
    "h": ("time", Fraction(1)),
    "rpm": ("speed of rotation", Fraction(1)),
}

#: Units as they are kept.
CANONICAL_UNITS = frozenset(_UNITS)
_WORDS: Mapping[str, str] = {
    **{unit.casefold(): unit for unit in _UNITS},
    **dict.fromkeys(("kms", "kilometre", "kilometres", "kilometer", "kilometers"), "km"),
    **dict.fromkeys(("mile", "miles"), "mi"),
    **dict.fromkeys(("millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("inch", "inches", '"', "″", "in."), "in"),
    **dict.fromkeys(("pulg", "pulgada", "pulgadas"), "in"),
    **dict.fromkeys(("32nd", "/32"), "32nds"),
    **dict.fromkeys(("volt", "volts"), "V"),
    **dict.fromkeys(("amp", "amps", "ampere", "amperes"), "A"),
    **dict.fromkeys(("milliamp", "milliamps"), "mA"),
    **dict.fromkeys(("millivolt", "millivolts"), "mV"),
    **dict.fromkeys(("ohms", "Ω".casefold()), "ohm"),
    **dict.fromkeys(("percent", "per cent", "pct"), "%"),
    **dict.fromkeys(("degree", "degrees", "°"), "deg"),
    **dict.fromkeys(("c", "degc", "deg c", "celsius"), "°C"),
    **dict.fromkeys(("f", "degf", "deg f", "fahrenheit"), "°F"),
    **dict.fromkeys(("n·m", "newton metres", "newton meters"), "Nm"),
    **dict.fromkeys(("lb-ft", "ft-lb", "lbf ft", "ft lb", "lb ft", "lbf-ft"), "lbf·ft"),
    **dict.fromkeys(("hour", "hours", "hr", "hrs"), "h"),
}

#: Thousandths of an inch, which are kept as decimal inches.
_THOUSANDTHS = frozenset({"thou", "thousandth", "thousandths"})

# Digits in groups of three after commas, spaces or narrow spaces; or plain digits.
_NUMBER = r"[+-]?(?:[0-9]{1,3}(?:[, \u00a0\u2009\u202f][0-9]{3})+|[0-9]+)?(?:\.[0-9]+)?"
_FIGURE = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[^0-9\s,./].*?)?\s*\Z", re.DOTALL)
_FRACTION = re.compile(
    r"\s*(?:(?P<whole>[0-9]{1,4})[ \-])?\s*(?P<top>[0-9]{1,4}(?:\.[0-9]+)?)\s*/\s*"
    r"(?P<bottom>2|4|8|16|32|64)"
    r"(?:nds?\b)?\s*(?P<unit>[^0-9\s/].*?)?\s*\Z"
)
_THIRTY_SECONDS = re.compile(r"\s*(?P<number>[0-9]+(?:\.[0-9]+)?)\s+32nds?(?: in)?\s*\Z")
#: "143k" and "143.2k mi"; the k of "143 km" is none of thousands.
_THOUSANDS = re.compile(r"\A\s*([0-9]{1,4}(?:\.[0-9]{1,3})?)\s?[kK](?=\s|\Z|mi\b|miles?\b)")
_MAX_TEXT = 60


def _in_full(found: re.Match[str]) -> str:
    return f"{Decimal(found[1]) * 1000:.0f} "


def canonical_unit(word: str) -> str:
    """Return the canonical spelling of a unit word, for instance ``miles`` -> ``mi``.

    Raises:
        UnitError: nobody knows the word; the message lists what is accepted.
    """
    if word in _UNITS:
        return word
    key = " ".join(word.split()).casefold()
    if key not in _WORDS:
        near = dict.fromkeys(_WORDS[found] for found in get_close_matches(key[:20], _WORDS, n=2))
        meant = f" (did you mean {' or '.join(near)}?)" if near else ""
        raise UnitError(
            f"{word!r} is not a unit known here{meant}", f"use one of {', '.join(_UNITS)}"
        )
    # The prefix decides between milli and mega, so a word that only differs by case from
    # a unit is taken as that unit; mega is not a unit of this trade.
    return _WORDS[key]


def unit_words() -> frozenset[str]:
    """Return every unit word understood, in lower case; a phrase reader stops at them."""
    return frozenset(_WORDS)


def dimension_of(unit: str) -> str:
    """Return what a unit measures, for instance ``length``.

    Raises:
        UnitError: the unit is unknown.
    """
    return _UNITS[canonical_unit(unit)][0]


def exact(value: Number, unit: str, to: str) -> Fraction:
    """Convert without rounding; a float counts as the decimal text it is printed as.

    Raises:
        UnitError: unknown unit, two different dimensions, or a value that is no number.
    """
    source, target = canonical_unit(unit), canonical_unit(to)
    dimension, factor = _UNITS[source]
    to_dimension, to_factor = _UNITS[target]
    if dimension != to_dimension:
        raise UnitError(
            f"{source} measures {dimension} and {target} measures {to_dimension}",
            "give the figure in a unit of the same kind",
        )
    number = Decimal(str(value))
    if not number.is_finite():
        raise UnitError(f"{value} is not a number that can be measured", "leave the figure out")
    return Fraction(number) if source == target else Fraction(number) * factor / to_factor


def convert(value: Number, unit: str, to: str) -> float:
    """Convert between units of one dimension; see `exact` for the errors."""
    return float(exact(value, unit, to))


def parse_distance(text: str, default_unit: str | None = None) -> Distance:
    """Read ``61,250 mi``, ``98 500 km``, ``61.2k mi`` or, with a default unit, ``61250``.

    Args:
        text: figure and unit.
        default_unit: unit of a figure that stands alone; without it a unit is required,
            since miles taken for kilometres spoil a history without a word.

    Raises:
        UnitError: no figure, no unit, a negative figure, or a unit that is no distance.
    """
    text = _THOUSANDS.sub(_in_full, text) if len(text) <= _MAX_TEXT else text
    figure = _FIGURE.match(text) if len(text) <= _MAX_TEXT else None
    word = " ".join((figure["unit"] or "").split()) if figure else ""
    if word and word.casefold() not in _WORDS:
        # Units of pressure or voltage are no help where only a distance will do.
        far = [name for name, unit in _WORDS.items() if unit in {"km", "mi"}]
        near = get_close_matches(word.casefold(), far, 1)
        meant = f" (did you mean {_WORDS[near[0]]}?)" if near else ""
        raise UnitError(
            f"{word!r} is not a unit of distance{meant}",
            "write miles as mi and kilometres as km, as in 61,250 mi",
        )
    quantity = _parse(text, default_unit, example="61,250 mi or 98 500 km")
    if quantity.unit not in {"km", "mi"}:
        raise UnitError(
            f"{text.strip()!r} is not a distance", "write miles as mi, kilometres as km"
        )
    if quantity.value < 0:
        raise UnitError(f"{text.strip()!r} is negative", "a distance starts at 0")
    return Distance(quantity.value, "mi" if quantity.unit == "mi" else "km")


def parse_measurement(text: str, default_unit: str | None = None) -> Quantity:
    """Read a measured value: ``3 mm``, ``4/32 in``, ``2 1/4 in``, ``9.6V``, ``35 psi``.

    Thirty-seconds of an inch stay thirty-seconds (``4/32 in`` gives 4 and ``32nds``), since
    that is how tread is written; other fractions of an inch become decimal inches, exactly.

    Raises:
        UnitError: no figure, no unit, an unknown unit, or a comma used as decimal point.
    """
    return _parse(text, default_unit, example="3 mm, 4/32 in or 12.4 V")


def _parse(text: str, default_unit: str | None, example: str) -> Quantity:
    if len(text) > _MAX_TEXT:
        raise UnitError(f"A figure of {len(text)} characters cannot be read", f"write {example}")
    fraction = _FRACTION.match(text)
    if fraction is not None:
        return _from_fraction(fraction, default_unit)
    counted = _THIRTY_SECONDS.match(text)
    if counted is not None:
        return Quantity(Decimal(counted["number"]), "32nds")
    figure = _FIGURE.match(text)
    if figure is None or not any(c.isdigit() for c in figure["number"]):
        hint = " with a point before the decimals" if re.search(r"[0-9],[0-9]", text) else ""
        raise UnitError(f"{text.strip()!r} cannot be read", f"write it{hint} as {example}")
    word = figure["unit"] or default_unit
    if word is None:
        raise UnitError(f"{text.strip()!r} has no unit", f"write it as {example}")
    value = Decimal(re.sub(r"[, \u00a0\u2009\u202f]", "", figure["number"]))
    if word.casefold() in _THOUSANDTHS:
        return Quantity(value / 1000, "in")
    return Quantity(value, canonical_unit(word))


def _from_fraction(match: re.Match[str], default_unit: str | None) -> Quantity:
    # Half a thirty-second is printed as 2.5/32 in, so it is read as well.
    whole, top, bottom = int(match["whole"] or 0), Decimal(match["top"]), int(match["bottom"])
    # n/32 alone can only mean inches: nobody writes thirty-seconds of anything else.
    word = match["unit"] or ("in" if bottom == 32 else default_unit)
    if word is None:
        raise UnitError(f"{match[0].strip()!r} has no unit", "write it as 1/4 in")
    unit = canonical_unit(word)
    if unit not in {"in", "32nds"}:
        raise UnitError(
            f"{match[0].strip()!r} is a fraction of {unit}", "only inches are so written"
        )
    if bottom == 32:
        return Quantity(32 * whole + top, "32nds")
    return Quantity(whole + top / Decimal(bottom), "in")


def measurement_at(tokens: Sequence[str], at: int) -> tuple[tuple[float, str] | None, int]:
    """Return the measured value and unit that begin at a word, and of how many words they are."""
    if not re.match(r"[+-]?\.?\d", tokens[at]):
        return None, 0
    for length in range(min(3, len(tokens) - at), 0, -1):
        try:
            value, unit = parse_measurement(" ".join(tokens[at : at + length]).rstrip(",;"))
        except UnitError:
            continue
        return (float(value), unit), length
    return None, 0
