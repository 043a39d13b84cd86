"""A second look at what was written down as sound, against the limits of a look-over sheet.

The person at the vehicle decides and nothing is changed; but a tread of 1/32 in that was
called sound is worth a word while the tire can still be looked at.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from roadworn.bench.sizes import figures_of
from roadworn.bench.words import item_words
from roadworn.trade.limits import judge
from roadworn.trade.lookover import Sheet, SheetItem
from roadworn.units import UnitError

_ORDER = ("sound", "wearing", "failed")


def doubts(sheet: Sheet, findings: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield a sentence for each finding whose figure is worse than its condition says.

    Args:
        sheet: whose limits to compare with; an item that asks for a size is left out.
        findings: findings of an inspection, as dictionaries.
    """
    for finding in findings:
        place = finding.get("position")
        items = [i for i in sheet.items if i.component == finding["component"] and i.covers(place)]
        for measured in figures_of(finding):
            said = _doubt(items, finding["condition"], measured)
            if said:
                told = f"{item_words(finding)} was written down as {finding['condition']}"
                yield f"{told}, but {said} on the sheet {sheet.name}."


def _doubt(items: Iterable[SheetItem], condition: str, measured: Mapping[str, Any]) -> str:
    fitting = [item for item in items if item.measurement is not None and item.table is None]
    named = [item for item in fitting if item.measurement == measured.get("name")]
    # One component can be measured in several ways; without a name only a single way is sure.
    if condition not in _ORDER or len(named or fitting) != 1:
        return ""
    (item,) = named or fitting
    try:
        judgement = judge(item, measured["value"], measured["unit"])
    except UnitError:
        return ""
    if judgement.condition not in _ORDER:
        return ""
    if _ORDER.index(judgement.condition) <= _ORDER.index(condition):
        return ""
    # Common practice says of itself that it is no more than that.
    source = "" if judgement.mark == "CP" else f" ({judgement.citation})"
    return f"{judgement.reason}{source}: {judgement.condition}"
