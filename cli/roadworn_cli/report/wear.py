"""Measured wear along distance, against its limit.

Drawn when no analysis brings a chart of wear itself. The points are the measurements as
written down; the limit is that of the packaged look-over sheet for vehicles of at most
10,000 lb, so a vehicle known to be heavier gets no line. When the part reaches its limit is
for an analysis to say: its sentence stands below.
"""

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

from roadworn.analysis import Chart, Ran, Series
from roadworn.trade.lookover import SheetItem, load_sheet
from roadworn.units import UnitError, convert
from roadworn_cli.report.charts import draw
from roadworn_cli.report.model import Block, Paragraph, Section
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from roadworn.view import LedgerView

_QUERY = """
SELECT component, coalesce(position, ''), true_km, value, unit FROM measurements
WHERE vehicle_id = ? AND true_km IS NOT NULL AND value_mm IS NOT NULL
ORDER BY component, position, true_km, seq
"""
_SHEET = "light_vehicle"
_LEAST_POINTS = 3
_MOST_PLACES = 6


def wear_section(
    view: "LedgerView",
    vehicle_id: str,
    weight_class: str | None,
    answers: Sequence[Ran],
    words: Words,
    *,
    full: bool,
) -> Section | None:
    """Return the measurements of a vehicle as pictures; None when too few were taken.

    The short sheet leaves out what has no limit to compare with.
    """
    groups: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for component, position, km, value, unit in view.sql(_QUERY, (vehicle_id,)).rows:
        item = _item(component, unit)
        if item is None or item.unit is None:
            continue
        points = groups.setdefault(component, {}).setdefault(position, [])
        points.append((words.look.distance(km), convert(value, unit, item.unit)))
    blocks: list[Block] = []
    for number, (component, places) in enumerate(groups.items()):
        kept = {place: points for place, points in places.items() if len(points) >= _LEAST_POINTS}
        item = _item(component, None)
        if not kept or item is None or not (full or item.limit):
            continue
        chart = _chart(
            component, dict(list(kept.items())[:_MOST_PLACES]), item, weight_class, words
        )
        picture = draw(chart, f"wear{number}", words)
        if picture is not None:
            blocks.append(picture)
            blocks += _crossing(component, answers, words)
    if not blocks:
        return None
    if not _light(weight_class):
        blocks.append(Paragraph(words.phrase("no_limit_heavy"), "quiet"))
    return Section("wear", words.phrase("wear"), tuple(blocks))


def _item(component: str, unit: str | None) -> SheetItem | None:
    """Return what the look-over sheet measures of a component, in a unit that converts."""
    for item in load_sheet(_SHEET).items:
        if item.component != component or item.unit is None or item.measurement is None:
            continue
        try:
            if unit is not None:
                convert(1, unit, item.unit)
        except UnitError:
            continue
        return item
    return None


def _chart(
    component: str,
    places: dict[str, list[tuple[float, float]]],
    item: SheetItem,
    weight_class: str | None,
    words: Words,
) -> Chart:
    series = [
        Series(
            place or words.word(component),
            tuple(km for km, _value in points),
            tuple(value for _km, value in points),
            "points",
        )
        for place, points in places.items()
    ]
    name, unit = words.word(component), words.word(item.unit or "")
    title = words("wear_title", name=name)
    if item.limit is not None and _light(weight_class):
        ends = [km for points in places.values() for km, _value in points]
        limit = float(item.limit)
        series.append(Series(words("limit"), (min(ends), max(ends)), (limit, limit), "line"))
        title = words(
            "wear_limit_title",
            name=name,
            limit=words.number(f"{limit:.3g}"),
            unit=unit,
            citation=item.citation.partition(";")[0],
        )
    return Chart(
        "wear", title, words("distance_axis", unit=words.look.unit), f"{name} ({unit})",
        tuple(series), title,
    )  # fmt: skip


def _crossing(component: str, answers: Sequence[Ran], words: Words) -> list[Block]:
    """Return the sentences of any answer that say when this component reaches its limit."""
    said: list[str] = []
    for ran in answers:
        for table in ran.result.tables:
            for record in table.records():
                left = record.get("left")
                if isinstance(left, str) and left.startswith(f"{component} "):
                    said.append(left)
    return [
        Paragraph(words.said(words("until_limit", text=_named(text, words))))
        for text in dict.fromkeys(said)
    ]


def _named(text: str, words: Words) -> str:
    component, _, rest = text.partition(" ")
    return f"{words.word(component)} {rest}"


def _light(weight_class: str | None) -> bool:
    """Say whether the limits of light vehicles may be drawn: not once it is known to be heavier."""
    text = (weight_class or "").casefold().strip()
    return not text or "light" in text or re.fullmatch(r"(class\s*)?[12][a-h]?", text) is not None
