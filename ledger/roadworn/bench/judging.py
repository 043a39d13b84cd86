"""A figure without a condition: the limit of the sheet says which.

A mechanic who types ``tire LF 5/32 in`` has said enough where one limit fits. A condition that
was typed stands; `roadworn.bench.doubts` gives the second look then.
"""

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from roadworn.bench.phrases import read_finding
from roadworn.bench.words import item_words
from roadworn.errors import UsageError
from roadworn.trade.limits import Judgement, judge
from roadworn.trade.lookover import SheetItem, load_sheet, sheet_names
from roadworn.units import UnitError, dimension_of

_DEFAULT_SHEET = "light_vehicle"


class JudgedFinding(NamedTuple):
    """A finding as a dictionary, and a word about its figure, often empty."""

    finding: dict[str, Any]
    remark: str


def read_judged_finding(text: str, sheet: str = "") -> JudgedFinding:
    """Read one finding; without a condition its figure decides by the limit of the sheet.

    Args:
        text: as `roadworn.bench.phrases.read_finding` takes it, the condition left out or not.
        sheet: look-over sheet whose limits hold; any other name for the light vehicle's.

    Raises:
        UnknownName: no component answers to it.
        UsageError: neither a condition nor a figure with one limit was given.
    """
    try:
        finding = read_finding(text)
    except UsageError as error:
        found = _judged(text, sheet)
        if found is None:
            raise error from None
        return found
    return JudgedFinding(finding, "")


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
                f"{_short(finding)}): keep one of them, or say which place each is at."
            )


def _differ(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    figures = [{m["unit"]: m["value"] for m in f.get("measurements", ())} for f in (one, other)]
    return any(figures[0][unit] != figures[1][unit] for unit in figures[0].keys() & figures[1])


def _short(finding: Mapping[str, Any]) -> str:
    figures = [f"{m['value']:.10g} {m['unit']}" for m in finding.get("measurements", ())]
    return " ".join([*figures, finding["condition"].replace("_", " ")])


def _judged(text: str, sheet: str) -> JudgedFinding | None:
    """Return the finding by its figure alone, or None when that does not settle it."""
    try:
        finding = read_finding(f"{text} sound")
    except UsageError:
        return None
    judgement = _judgement(finding, sheet)
    if judgement is None or judgement.condition == "not_checked":
        return None
    finding["condition"] = judgement.condition
    if judgement.safety:
        finding["safety"] = True
    word = judgement.condition.replace("_", " ")
    named = item_words(finding)
    # What is only wearing is so by common practice, and the reason says that itself.
    source = f" ({judgement.citation})" if judgement.condition == "failed" else ""
    return JudgedFinding(finding, f"{named}: {judgement.reason}{source}: {word}.")


def _judgement(finding: dict[str, Any], sheet: str) -> Judgement | None:
    """Judge the one figure of a finding by the one item of the sheet that it fits."""
    measurements = finding.get("measurements", ())
    if len(measurements) != 1:
        return None
    value, unit = measurements[0]["value"], measurements[0]["unit"]
    items = [item for item in _items(sheet, finding["component"]) if _same_kind(item, unit)]
    # A battery at rest and under load are both in volts: then the figure alone says nothing.
    if len(items) != 1:
        return None
    try:
        return judge(items[0], value, unit)
    except (UnitError, UsageError):
        return None


def _items(sheet: str, component: str) -> list[SheetItem]:
    known = load_sheet(sheet if sheet in sheet_names() else _DEFAULT_SHEET)
    return [item for item in known.items if item.component == component]


def _same_kind(item: SheetItem, unit: str) -> bool:
    if item.measurement is None or item.unit is None:
        return False
    try:
        return dimension_of(item.unit) == dimension_of(unit)
    except UnitError:
        return False
