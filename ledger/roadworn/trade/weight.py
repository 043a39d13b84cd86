"""Where a heavy vehicle begins: which sheet and which limits hold hangs on it.

A truck taken as a car would be called sound where it fails, so what a weight class says is read
in every usual form, and what cannot be read is said rather than taken as light in silence.
"""

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from roadworn.model.messages import Sentence
from roadworn.trade.limits import Weight

#: Line between light and heavy, gross weight (49 CFR 570.1 and 570.51), in lb and in kg.
_LINE = {"lb": 10_000.0, "kg": 4_536.0}
#: A gross weight outside these is a slip, as 15.000 kg for 15,000 kg is; no source needed.
_CAN_BE = {"lb": (300.0, 500_000.0), "kg": (150.0, 250_000.0)}
#: Classes 1 and 2 end at 10,000 lb gross weight, class 3 begins above (the federal classes of
#: gross weight, 49 CFR 565.15 and FHWA; from memory).
_LIGHT_CLASSES = frozenset({"1", "2", "2a", "2b"})
#: Categories of the UN's consolidated resolution on vehicles, R.E.3, from memory: N1 ends at
#: 3.5 t, M3 begins above 5 t, N3 above 12 t; M2 and N2 lie on both sides of the line.
_CATEGORIES: Mapping[str, Weight] = {"n1": "light", "m3": "heavy", "n3": "heavy"}
_UNIT = r"lbs?\.?|pounds?|\#|kgs?|kilograms?|kilos?|tonnes?|t"
_OVER = r"over|above|more than|greater than|exceeding|exceeds|from|at least|>=?"
_UNDER = r"under|below|less than|at most|up to|no more than|not over|not more than|maximum|<=?"
_NUMBER = r"\d{1,3}(?:[, ]\d{3})+|\d+(?:[.,]\d+)?"
_FIGURE = re.compile(
    rf"(?:(?P<side>{_UNDER}|{_OVER})\s*)?(?P<number>{_NUMBER})\s*(?P<k>k(?!g))?[ -]?"
    rf"(?:(?P<to>-|–|to)\s*|(?P<unit>{_UNIT})(?![a-z])\s*"
    r"(?P<after>(?:and|or) (?:over|more|under|less))?)"
)
_CLASS = re.compile(r"\bclass\s*(?P<number>[1-8][ab]?)\b|^(?P<alone>[1-8][ab]?)$")
_CATEGORY = re.compile(r"\b(?:n1|m3|n3)\b")
#: What says heavy in a vehicle's class or duty: common practice, no source.
_HEAVY_WORDS = re.compile(
    r"air[- ]?brake[sd]?\b|\bsemi[- ]?(?:truck|trailer)\b|\btruck tractor\b|\btractor[- ]trailer\b"
    r"|\bheavy[- ](?:duty[- ])?(?:trucks?|vehicles?|bus(?:es)?|coach(?:es)?|tractors?|trailers?"
    r"|lorry|lorries|haul(?:age)?|goods)\b"
)


class Weighed(NamedTuple):
    """What is known of a vehicle's weight.

    Attributes:
        weight: light, heavy, or None where nothing says.
        by: what says so: ``weight class``, ``class``, ``duty``, or an empty text.
        what: what is doubtful, where a word is not understood or another one contradicts it, else
            empty.
        remedy: what to do about it, or an empty text.
    """

    weight: Weight | None
    by: str
    what: str = ""
    remedy: str = ""

    @property
    def doubt(self) -> str:
        """What is doubtful and what to do about it in one sentence, or an empty text."""
        if not self.what:
            return ""
        return Sentence("weight.doubt", "{what}: {remedy}.", what=self.what, remedy=self.remedy)

    @property
    def taken(self) -> Weight:
        """The weight to judge by; where nothing says, a light vehicle."""
        return self.weight or "light"


@lru_cache(1000)
def weight_of(weight_class: str | None) -> Weight | None:
    """Return what a recorded weight class says, or None when it says nothing, or both.

    Words (``light``, ``heavy``), figures (``36,000 lbs``, ``15000kg``, ``16 t``, ``over 10,000
    lb``), the classes 1 to 8 of gross weight and the categories N1, M3 and N3 count. The line is
    10,000 lb or 4,536 kg gross weight (49 CFR 570.1 and 570.51).
    """
    text = " ".join((weight_class or "").casefold().split())
    said = set(_said(text))
    return said.pop() if len(said) == 1 else None


def weigh(profile: Mapping[str, Any]) -> Weighed:
    """Return what a profile says of the weight: its weight class, else its class or duty.

    Args:
        profile: `weight_class`, `vehicle_class` and `duty`, any of them missing or None.
    """
    text = str(profile.get("weight_class") or "").strip()
    stated = weight_of(text)
    hint, by, words = _hinted(profile)
    said = {"stated": text, "by": by, "words": words}
    remedy = Sentence("weight.write", "write 36,000 lb, light or heavy")
    if stated == "light" and hint == "heavy":
        what = Sentence(
            "weight.contradicted",
            "The weight class {stated!r} is light, but the {by} {words!r} says heavy",
            **said,
        )
        remedy = Sentence("weight.correct", "correct the one that is wrong")
        return Weighed(stated, "weight class", what, remedy)
    if stated is not None:
        return Weighed(stated, "weight class")
    not_known = ""
    if text and hint == "heavy":
        not_known = Sentence(
            "weight.not-understood-heavy",
            "The weight class {stated!r} is not understood and taken as heavy by the {by} "
            "{words!r}",
            **said,
        )
    elif text:
        not_known = Sentence(
            "weight.not-understood",
            "The weight class {stated!r} is not understood and taken as light",
            **said,
        )
    elif hint == "heavy":
        not_known = Sentence(
            "weight.none",
            "No weight class is on record; taken as heavy by the {by} {words!r}",
            **said,
        )
    return Weighed(hint, by, not_known, remedy if not_known else "")


def _hinted(profile: Mapping[str, Any]) -> tuple[Weight | None, str, str]:
    """Return what class or duty says, which of them, and its words; heavy goes first."""
    found: list[tuple[Weight, str, str]] = []
    for field, by in (("vehicle_class", "class"), ("duty", "duty")):
        words = str(profile.get(field) or "").strip()
        weight: Weight | None = "heavy" if _HEAVY_WORDS.search(words.casefold()) else None
        if weight is None and field == "vehicle_class":
            weight = weight_of(words)
        if weight is not None:
            found.append((weight, by, words))
    found.sort(key=lambda one: one[0] != "heavy")
    return found[0] if found else (None, "", "")


def _said(text: str) -> Iterator[Weight | None]:
    """Yield each thing that a text says: light, heavy, or None for what leaves it open."""
    for word in re.findall(r"\b(?:light|heavy)\b", text):
        yield "heavy" if word == "heavy" else "light"
    for found in _CLASS.finditer(text):
        yield "light" if (found["number"] or found["alone"]) in _LIGHT_CLASSES else "heavy"
    for found in _CATEGORY.finditer(text):
        yield _CATEGORIES[found[0]]
    # "10,001 to 14,000 lb": the unit of the second figure is that of the first.
    lower: float | None = None
    for found in _FIGURE.finditer(text):
        number = _number(found)
        if found["to"]:
            lower = number
            continue
        unit, scale = _unit(found["unit"])
        side = found["side"] or found["after"] or ""
        if lower is not None:
            yield _beside(lower * scale, unit, "over") or _at(lower * scale, unit)
            lower = None
        yield _beside(number * scale, unit, side)


def _number(found: re.Match[str]) -> float:
    text = found["number"]
    if re.fullmatch(r"\d{1,3}(?:[, ]\d{3})+", text):
        number = float(text.replace(",", "").replace(" ", ""))
    else:
        number = float(text.replace(",", "."))
    return number * (1000.0 if found["k"] else 1.0)


def _unit(text: str) -> tuple[str, float]:
    """Return lb or kg, and how many of it the unit is; a ton alone is a metric one."""
    if text.startswith(("lb", "pound", "#")):
        return "lb", 1.0
    return "kg", 1000.0 if text.startswith("t") else 1.0


def _at(number: float, unit: str) -> Weight | None:
    low, high = _CAN_BE[unit]
    if not low <= number <= high:
        return None
    return "heavy" if number > _LINE[unit] else "light"


def _beside(number: float, unit: str, side: str) -> Weight | None:
    """Return what a figure says that is a bound: over 6,000 lb leaves open what it is."""
    at = _at(number, unit)
    if at is None or not side:
        return at
    if re.fullmatch(rf"{_UNDER}|(?:and|or) (?:under|less)", side):
        return at if at == "light" else None
    return "heavy" if number >= _LINE[unit] else None
