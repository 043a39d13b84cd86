"""Sizes that a limit hangs on: the steering wheel's diameter, the rim's, a brake chamber's type.

They are said once, in a look-over, and used from then on: ``steering column 2 in, steering
wheel diameter 18 in``. A size with a unit is kept as a measurement of that name; a type, which
has none, in the finding's note.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from typing import Any, NamedTuple

from roadworn.model.errors import UsageError
from roadworn.model.places import axle_of
from roadworn.model.units import UnitError, canonical_unit, exact, parse_measurement
from roadworn.trade.limits import LimitTable, limit_tables

#: A long-stroke chamber has a limit of its own, and the tables name it 30L.
_LONG_STROKE = re.compile(
    r"(\bchamber\s+type\s*[=:]?\s*\d+)[\s,]*(?:long[\s-]?stroke|LS)\b", re.IGNORECASE
)
_FIGURE = r"(?:\d+[ -])?\d+(?:[./]\d+)?"


class Size(NamedTuple):
    """A size as said: what it is of, its text (a figure or a type) and its unit, often empty."""

    key: str
    text: str
    unit: str


@dataclass(slots=True)
class KnownSizes:
    """Sizes on record of one vehicle.

    Attributes:
        whole: key -> size, for what holds for the vehicle.
        places: (key, place) -> size, for what holds for a place on it.
    """

    whole: dict[str, str] = field(default_factory=dict)
    places: dict[tuple[str, str], str] = field(default_factory=dict)

    @classmethod
    def of_findings(cls, findings: Iterable[Mapping[str, Any]]) -> "KnownSizes":
        """Gather the sizes of findings that stand newest first."""
        known = cls()
        for finding in findings:
            place = finding.get("position") or ""
            for table in _tables().values():
                text = size_in(finding, table)
                if text is None or table.lasts == "look":
                    continue
                if table.lasts == "vehicle":
                    known.whole.setdefault(table.key, text)
                else:
                    known.places.setdefault((table.key, place), text)
        return known

    def size_for(self, table: LimitTable, position: str | None) -> str | None:
        """Return the size that holds for a place, or None when nobody said it."""
        if table.lasts == "vehicle":
            return self.whole.get(table.key)
        own = self.places.get((table.key, position or ""))
        # What was said of an axle holds for both of its ends; one end says nothing of the other.
        return own or self.places.get((table.key, axle_of(position) or ""))

    def keep(self, finding: Mapping[str, Any]) -> None:
        """Take over what a newer finding says."""
        newer = KnownSizes.of_findings([finding])
        self.whole |= newer.whole
        self.places |= newer.places


def size_keys() -> tuple[str, ...]:
    """Return what sizes there are, for instance ``rim diameter``."""
    return tuple(_tables())


def take_sizes(text: str) -> tuple[str, list[Size]]:
    """Take the sizes out of a finding as typed; return what is left, and the sizes.

    Raises:
        UsageError: a size is named without a figure or type that it can have.
    """
    sizes = []
    text = _LONG_STROKE.sub(r"\1L", text)
    for key, (named, said) in _patterns().items():
        found = said.search(text)
        if found is not None:
            sizes.append(read_size(_tables()[key], found["size"]))
            text = f"{text[: found.start()]} {text[found.end() :]}".strip()
        elif named.search(text):
            raise UsageError(f"{text.strip()!r} names the {key} without it: {_example(key)}.")
    return text, sizes


def read_size(table: LimitTable, text: str) -> Size:
    """Read one size, ``18 in``, ``450 mm`` or ``30L``.

    Raises:
        UsageError: it is none that the table knows, or of another unit.
    """
    if not table.key_unit:
        word = " ".join(text.split()).upper()
        if word not in {row[0] for row in table.rows}:
            raise UsageError(f"{text.strip()!r} is no {table.key} here: {_example(table.key)}.")
        return Size(table.key, word, "")
    try:
        value, unit = parse_measurement(text, table.key_unit)
        exact(value, unit, table.key_unit)
    except UnitError as error:
        raise UsageError(f"The {table.key}: {error}") from None
    return Size(table.key, str(value), unit)


def put_sizes(finding: dict[str, Any], sizes: Iterable[Size]) -> None:
    """Write sizes into a finding."""
    for size in sizes:
        if size.unit:
            made = {"value": float(size.text), "unit": size.unit, "name": size.key}
            finding.setdefault("measurements", []).append(made)
        else:
            told = f"{size.key} {size.text}"
            finding["note"] = "; ".join(filter(None, (told, finding.get("note"))))


def size_in(finding: Mapping[str, Any], table: LimitTable) -> str | None:
    """Return the size that a finding itself says, in the table's unit, or None."""
    if not table.key_unit:
        found = _patterns()[table.key][1].search(finding.get("note") or "")
        return " ".join(found["size"].split()).upper() if found else None
    for measured in finding.get("measurements", ()):
        if measured.get("name") == table.key:
            try:
                size = exact(measured["value"], measured["unit"], table.key_unit)
            except UnitError:
                continue
            return f"{Decimal(size.numerator) / Decimal(size.denominator):f}"
    return None


def figures_of(finding: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """Yield what was measured at a finding, without the sizes."""
    yield from (m for m in finding.get("measurements", ()) if m.get("name") not in _tables())


def component_of(sizes: Iterable[Size]) -> str:
    """Return the component that the first size belongs to, or an empty text."""
    return next((_tables()[size.key].component for size in sizes), "")


def example_of(key: str) -> str:
    """Return a size as one types it, ``steering wheel diameter 16 in``."""
    table = _tables()[key]
    return f"{key} {table.rows[0][0].lower()} {table.key_unit}".strip()


def _example(key: str) -> str:
    table = _tables()[key]
    rows = "" if table.key_unit else f", one of {', '.join(row[0].lower() for row in table.rows)}"
    return f"write it as '{example_of(key)}'{rows}"


@cache
def _tables() -> Mapping[str, LimitTable]:
    """Return key -> a table that asks for it; tables of one key ask for the same."""
    return {table.key: table for table in reversed(list(limit_tables().values()))}


@cache
def _patterns() -> Mapping[str, tuple[re.Pattern[str], re.Pattern[str]]]:
    """Return key -> a pattern of its words alone, and one of them with a size."""
    made = {}
    for key, table in _tables().items():
        words = r"\s+".join(key.split())
        if table.key_unit:
            size = rf"{_FIGURE}\s*(?:{_unit_words(table.key_unit)})?(?![\w/])"
        else:
            rows = sorted((row[0] for row in table.rows), key=len, reverse=True)
            size = "|".join(r"\s+".join(re.escape(w) for w in row.split()) for row in rows)
            size = rf"(?:{size})(?!\w)"
        made[key] = (
            re.compile(rf"\b{words}\b", re.IGNORECASE),
            re.compile(rf"[\s,(]*\b{words}\s*[=:]?\s*(?P<size>{size})[\s,)]*", re.IGNORECASE),
        )
    return made


def _unit_words(unit: str) -> str:
    if canonical_unit(unit) == "in":
        return r"inch(?:es)?|in\b|\"|mm|cm"
    return r"°?\s?F\b"
