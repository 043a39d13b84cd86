"""The ONE judge of a measured figure, and the sizes that a limit hangs on.

A figure means the same whoever asks: a person who types it, a filled-in table, a doubt at an
import, an outlook. Exactly at a limit passes, as every cited rule says "not less than" or "shall
not exceed"; figures are compared as exact fractions so that 4/32 in and 3.175 mm are the same.
Common practice alone never fails an item, it only says that it is wearing. Where a limit hangs on
a size that nobody said, a figure that comes to the same at every size is settled all the same.
What this says is no official inspection.

Sizes are said once, in a look-over, and used from then on: ``steering column 2 in, steering
wheel diameter 18 in``. A size with a unit is kept as a measurement of that name; a type, which
has none, in the finding's note.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.messages import Sentence
from roadworn.model.places import axle_of
from roadworn.model.units import (
    Number,
    UnitError,
    canonical_unit,
    dimension_of,
    exact,
    parse_measurement,
)
from roadworn.trade.limits import Item, LimitTable, limit_tables

if TYPE_CHECKING:
    from roadworn.model.payloads import Condition

Missing = Literal["size", "printed", "marked"]


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a measured figure means.

    Attributes:
        item: it was judged by.
        condition: one of the four conditions.
        reason: why, in words.
        limit: the limit compared with, in `unit`, or None.
        unit: unit of `limit`.
        citation: where the limit is from.
        mark: how well founded it is, see `Item`.
        missing: what it lacks where it is not checked: the ``size`` that the limit hangs on, a
            limit ``printed`` for that size, or the limit ``marked`` on the part.
    """

    item: Item
    condition: "Condition"
    reason: Sentence
    limit: Decimal | None
    unit: str
    citation: str
    mark: str
    missing: Literal["", Missing] = ""

    @property
    def safety(self) -> bool:
        """Whether the item failed and its component is safety critical."""
        return self.condition == "failed" and catalogue().get(self.item.component).safety_critical


def judge(
    item: Item,
    value: Number,
    unit: str = "",
    *,
    size: str | None = None,
    marked: Number | None = None,
) -> Judgement:
    """Judge one measured figure.

    Args:
        item: of a sheet or a rule set.
        value: the figure.
        unit: its unit; empty for the item's own.
        size: what the item's limit table asks for, for instance the rim's diameter in inches;
            None where nobody said it.
        marked: limit marked on the part, in the item's unit; replaces the item's.

    Raises:
        UnitError: the unit measures something else.
        UsageError: the item is looked at only.
    """
    if not item.measurement:
        raise UsageError(
            f"{item.name!r} is looked at, not measured",
            "give its condition as sound, wearing, failed or not checked",
        )
    table = item.sized
    limits, limit_unit, citation, mark = _limits(item, size, marked)
    measured = exact(value, unit or item.unit, item.unit)
    shown = {"figure": _figure(value, unit or item.unit)}

    def told(condition: "Condition", code: str, template: str, **more: object) -> Judgement:
        reason = Sentence(f"judged.{code}", template, **shown, **more)
        return Judgement(item, condition, reason, limit, limit_unit, citation, mark)

    def not_told(missing: Missing, template: str, of: str = "") -> Judgement:
        reason = Sentence(f"judged.{missing}", template, size=of)
        return Judgement(
            item, "not_checked", reason, None, item.unit, item.citation, item.mark, missing
        )

    limit: Decimal | None = None
    low = item.direction == "min"
    if limits:
        # What fails by the mildest limit fails at every size, what passes the strictest at none.
        mildest, strictest = sorted((min(limits), max(limits)), reverse=not low)
        limit = mildest
        if _beyond(measured, mildest, limit_unit, item):
            return told(
                "failed",
                "beyond" if mildest == strictest else "beyond-at-any-size",
                f"{{figure}} is {'less' if low else 'more'} than the limit of {{limit}}"
                f"{'' if mildest == strictest else ' at any {size}'}",
                limit=_figure(limit, limit_unit),
                size=table and table.key,
            )
        if mildest != strictest and _beyond(measured, strictest, limit_unit, item):
            return not_told("size", "the limit depends on the {size}", table.key if table else "")
        limit = strictest
    elif table is not None:
        return not_told("printed", "no limit is printed for {size}", size or "")
    elif item.normal is None and item.recommend is None:
        return not_told("marked", "compare it with the limit marked on the part")
    if item.normal is not None and not item.normal[0] <= measured <= item.normal[1]:
        return told(
            "wearing",
            "outside",
            "{figure} is outside {low} to {high} {item_unit} (common practice)",
            low=item.normal[0],
            high=item.normal[1],
            item_unit=item.unit,
        )
    if item.recommend is not None and (
        measured <= item.recommend if low else measured >= item.recommend
    ):
        return told(
            "wearing",
            "reached",
            "{figure} has reached {recommend} (common practice)",
            recommend=_figure(item.recommend, item.unit),
        )
    return told("sound", "within", "{figure} is within what the sheet asks")


def _figure(value: Decimal | float, unit: str) -> Sentence:
    """Return a figure as it is read: tread in thirty-seconds of an inch as a fraction."""
    if unit == "32nds":
        return Sentence("judged.tread", "{value:.10g}/32 in", value=value)
    return Sentence("judged.figure", "{value:.10g} {unit}", value=value, unit=unit)


def _limits(
    item: Item, size: str | None, marked: Number | None
) -> tuple[tuple[Decimal, ...], str, str, str]:
    """Return the limits that may hold, their unit, and whose they are: citation and mark."""
    if marked is not None:
        return (Decimal(str(marked)),), item.unit, "marked on the part", "R"
    table = item.sized
    if table is not None:
        return table.limits(size), table.unit, table.citation, table.mark
    limits = () if item.limit is None else (item.limit,)
    return limits, item.unit, item.citation, item.mark


def _beyond(measured: Fraction, limit: Decimal, limit_unit: str, item: Item) -> bool:
    at = Fraction(limit) if limit_unit == item.unit else exact(limit, limit_unit, item.unit)
    return measured < at if item.direction == "min" else measured > at


def judge_by_all(
    items: Iterable[Item],
    finding: Mapping[str, Any],
    figure: Mapping[str, Any],
    sizes: "KnownSizes",
) -> list[Judgement]:
    """Judge one figure of a finding by every item that it fits.

    One component can be measured in several ways: where the figure says which, by those items
    alone, else by all that are measured in such a unit.

    Args:
        items: of a sheet.
        finding: with `component` and `position`, and the sizes it says itself.
        figure: one of its measurements.
        sizes: those on record of the vehicle.
    """
    fitting = [
        item
        for item in items
        if finding["component"] in item.components
        and item.covers(finding.get("position"))
        and item.measurement
        and _alike(item.unit, figure["unit"])
    ]
    named = [item for item in fitting if item.measurement == figure.get("name")]
    return [
        judge(item, figure["value"], figure["unit"], size=sizes.size_at(item, finding))
        for item in named or fitting
    ]


def _alike(unit: str, other: str) -> bool:
    try:
        return dimension_of(unit) == dimension_of(other)
    except UnitError:
        return False


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

    def size_at(self, item: Item, finding: Mapping[str, Any]) -> str | None:
        """Return the size that the limit of an item hangs on at the place of a finding."""
        table = item.sized
        if table is None:
            return None
        return size_in(finding, table) or self.size_for(table, finding.get("position"))

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
            raise UsageError(f"{text.strip()!r} names the {key} without it", _example(key))
    return text, sizes


def read_size(table: LimitTable, text: str) -> Size:
    """Read one size, ``18 in``, ``450 mm`` or ``30L``.

    Raises:
        UsageError: it is none that the table knows, or of another unit.
    """
    if not table.key_unit:
        word = " ".join(text.split()).upper()
        if word not in {row[0] for row in table.rows}:
            raise UsageError(f"{text.strip()!r} is no {table.key} here", _example(table.key))
        return Size(table.key, word, "")
    try:
        value, unit = parse_measurement(text, table.key_unit)
        exact(value, unit, table.key_unit)
    except UnitError as error:
        raise UsageError(f"The {table.key}: {error.what}", error.remedy) from None
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


def join_sizes(findings: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Put a size that was said by itself into the finding of the same place, if there is one."""
    found = [dict(finding) for finding in findings]
    for alone in list(found):
        sizes = alone.get("measurements", [])
        if alone["condition"] != "not_checked" or not sizes or any(figures_of(alone)):
            continue
        keys = ("component", "position")
        for other in found:
            if other is not alone and all(other.get(k) == alone.get(k) for k in keys):
                other["measurements"] = [*other.get("measurements", ()), *sizes]
                found = [finding for finding in found if finding is not alone]
                break
    return found


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


#: Words that turn a condition round, and those that may stand between.
_DENY = frozenset(
    {"not", "no", "never", "hardly", "cannot", "without", "neither", "nor"}
    | {f"{verb}nt" for verb in ("is", "are", "was", "were", "wo", "do", "does", "did", "ca")}
)
_BETWEEN = frozenset({"very", "so", "really", "quite", "too", "fully", "exactly", "all"})


def denial_before(words: Sequence[str], at: int, tokens: Sequence[str]) -> str:
    """Return the word before a condition that turns it round, as in "not very sound", or nothing.

    Args:
        words: lower case, without commas.
        at: where the condition begins.
        tokens: the words as typed: what stands before a comma denies nothing behind it.
    """
    for before in range(at - 1, max(at - 3, -1), -1):
        if tokens[before][-1:] in {",", ";", "."}:
            return ""
        if words[before].replace("'", "").replace("’", "") in _DENY:
            return words[before]
        if words[before] not in _BETWEEN:
            return ""
    return ""
