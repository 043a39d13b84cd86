"""Pictures made from the tables of bundled analyses, found by analysis and column name.

Each maker answers with no picture when a table or a column it needs is not there: an analysis
may change its table without breaking a sheet.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from roadworn.analysis.result import Cell, Chart, Ran, Series
from roadworn_cli.report.charts import draw
from roadworn_cli.report.marks import Interval, Scale, intervals
from roadworn_cli.report.model import Picture
from roadworn_cli.report.words import Words

_MOST = 12


@dataclass(frozen=True, slots=True)
class _Compared:
    """Which columns of a table make a picture of estimates with limits.

    Attributes:
        table: its name.
        names: columns that together name a row.
        value, low, high: columns of the estimate and its limits.
        title: key of the string that says the finding.
        x_title: key of the axis title.
        log, reference, share: see `Scale`.
    """

    table: str
    names: tuple[str, ...]
    value: str
    low: str
    high: str
    title: str
    x_title: str
    log: bool = False
    reference: float | None = None
    share: bool = False


def _records(ran: Ran, name: str, needed: Sequence[str]) -> list[dict[str, Cell]]:
    """Return the rows of a table, none when it or one of the columns is not there."""
    for table in ran.result.tables:
        if table.name == name and {c.name for c in table.columns} >= set(needed):
            return table.records()
    return []


def _compare(ran: Ran, ident: str, words: Words, how: _Compared) -> list[Picture]:
    rows = _records(ran, how.table, (*how.names, how.value, how.low, how.high))
    shown = [
        Interval(
            name=", ".join(dict.fromkeys(words.word(str(row[n])) for n in how.names if row[n])),
            value=_figure(row[how.value]),
            low=_figure(row[how.low]),
            high=_figure(row[how.high], math.inf),
            strong=_is_safety(row),
        )
        for row in rows
        # A ratio of nothing has no place on a logarithmic axis, and is not counted as drawn.
        if row[how.value] is not None and not (how.log and _figure(row[how.value]) <= 0)
    ][:_MOST]
    if not shown:
        return []
    unit = _unit(ran, how)
    first = shown[0]
    title = words(how.title, name=first.name, number=len(shown))
    alternative = words(
        "compared_in_words",
        name=first.name,
        value=_short(first.value, words, share=how.share),
        low=_short(first.low, words, share=how.share),
        high=_short(first.high, words, share=how.share),
        number=len(shown),
    )
    scale = Scale(words(how.x_title, unit=unit), how.log, how.reference, how.share)
    drawn = intervals(shown, scale, ident, words, title=title, alternative=alternative)
    return [] if drawn is None else [drawn]


def _figure(value: Cell, missing: float = 0.0) -> float:
    return float(value) if isinstance(value, int | float | Decimal) else missing


def _is_safety(row: dict[str, Cell]) -> bool:
    return any(isinstance(v, str) and v.casefold().startswith("safety") for v in row.values())


def _short(value: float, words: Words, *, share: bool) -> str:
    if not math.isfinite(value):
        return "∞"
    if share:
        return words.number(f"{value:.0%}")
    return words.number(f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.3g}")


def _unit(ran: Ran, how: _Compared) -> str:
    for table in ran.result.tables:
        if table.name == how.table:
            return next((c.unit for c in table.columns if c.name == how.value), "")
    return ""


_REPEAT = _Compared(
    "repeat_failures", ("component", "where"), "ratio", "ratio_low", "ratio_high",
    "times_title", "times_axis", log=True, reference=1.0,
)  # fmt: skip
_NEXT = _Compared(
    "next_repairs", ("vehicle", "what"), "chance", "chance_low", "chance_high",
    "chance_title", "chance_axis", share=True,
)  # fmt: skip
_NEXT_ONE = _Compared(
    "next_repairs", ("what",), "chance", "chance_low", "chance_high",
    "chance_title", "chance_axis", share=True,
)  # fmt: skip
_SUPPLIERS = _Compared(
    "supplier_comparison", ("component", "supplier"), "hazard_ratio", "hazard_low", "hazard_high",
    "hazard_title", "hazard_axis", log=True, reference=1.0,
)  # fmt: skip


def _repeat(ran: Ran, ident: str, words: Words) -> list[Picture]:
    return _compare(ran, ident, words, _REPEAT)


def _suppliers(ran: Ran, ident: str, words: Words) -> list[Picture]:
    return _compare(ran, ident, words, _SUPPLIERS)


def _next(ran: Ran, ident: str, words: Words) -> list[Picture]:
    several = len({row["vehicle"] for row in _records(ran, "next_repairs", ("vehicle",))}) > 1
    found = _compare(ran, f"{ident}0", words, _NEXT if several else _NEXT_ONE)
    return [*found, *_money(ran, f"{ident}1", words), *_quarters(ran, f"{ident}2", words)]


def _ways(ran: Ran, ident: str, words: Words) -> list[Picture]:
    for table in ran.result.tables:
        names = [column.name for column in table.columns]
        for low, high in (("low", "high"), ("monthly_low", "monthly_high")):
            if {low, high} <= set(names) and names.index(low) > 1:
                value = names[names.index(low) - 1]
                how = _Compared(
                    table.name, (names[0],), value, low, high, "ways_title", "ways_axis"
                )
                return _compare(ran, ident, words, how)
    return []


def _money(ran: Ran, ident: str, words: Words) -> list[Picture]:
    """Draw what failures are expected to cost over ever longer times, with the band."""
    rows = _records(ran, "totals", ("months", "expected", "low", "high"))
    if not rows or not any(_figure(row["expected"]) for row in rows):
        return []
    unit = next(c.unit for c in ran.result.table("totals").columns if c.name == "expected")
    last = rows[-1]
    series = Series(
        words("expected"),
        (0.0, *(_figure(row["months"]) for row in rows)),
        (0.0, *(_figure(row["expected"]) for row in rows)),
        "line",
        (0.0, *(_figure(row["low"]) for row in rows)),
        (0.0, *(_figure(row["high"]) for row in rows)),
    )
    told = {
        "unit": unit,
        "months": words.number(f"{_figure(last['months']):g}"),
        "value": _short(_figure(last["expected"]), words, share=False),
        "low": _short(_figure(last["low"]), words, share=False),
        "high": _short(_figure(last["high"]), words, share=False),
    }
    chart = Chart(
        "money", words("money_title", **told), words("months_axis"),
        words("money_axis", unit=unit), (series,), words("money_in_words", **told),
    )  # fmt: skip
    drawn = draw(chart, ident, words)
    return [] if drawn is None else [drawn]


def _quarters(ran: Ran, ident: str, words: Words) -> list[Picture]:
    """Draw the cost by quarter; actual ones apart from those to come, when both are there."""
    rows = _records(ran, "by_quarter", ("from", "state", "cost", "low", "high"))
    if not rows or not any(_figure(row["cost"]) for row in rows):
        return []
    unit = next(c.unit for c in ran.result.table("by_quarter").columns if c.name == "cost")
    actual = [row for row in rows if row["state"] == "actual"]
    coming = [row for row in rows if row["state"] != "actual"]
    series = [
        Series(
            words(name),
            tuple(words.plain(row["from"]) for row in group),
            tuple(_figure(row["cost"]) for row in group),
            "bars",
            *_band(group),
        )
        for name, group in (("actual", actual), ("expected", coming))
        if group
    ]
    title, told = _by_quarter(actual, coming, unit, words)
    chart = Chart(
        "quarters",
        title,
        words("quarter_axis"),
        words("money_axis", unit=unit),
        tuple(series),
        told,
    )
    drawn = draw(chart, ident, words)
    return [] if drawn is None else [drawn]


def _band(rows: Sequence[dict[str, Cell]]) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the limits of some rows, empty where they have none."""
    if any(row["low"] is None or row["high"] is None for row in rows):
        return (), ()
    return tuple(_figure(row["low"]) for row in rows), tuple(_figure(row["high"]) for row in rows)


def _by_quarter(
    actual: Sequence[dict[str, Cell]],
    coming: Sequence[dict[str, Cell]],
    unit: str,
    words: Words,
) -> tuple[str, str]:
    """Say what a quarter costs to come, and what one cost before."""

    def span(rows: Sequence[dict[str, Cell]], low: str, high: str) -> dict[str, str]:
        ends = (min(_figure(row[low]) for row in rows), max(_figure(row[high]) for row in rows))
        return {
            name: _short(value, words, share=False)
            for name, value in zip(("low", "high"), ends, strict=True)
        }

    title = words("quarter_title", unit=unit, **span(coming or actual, "cost", "cost"))
    said = [title]
    if coming and _band(coming) != ((), ()):
        said.append(words("quarter_band", unit=unit, **span(coming, "low", "high")))
    if actual and coming:
        said.append(words("quarter_past", unit=unit, **span(actual, "cost", "cost")))
    return title, "; ".join(said)


def _distance_cost(ran: Ran, ident: str, words: Words) -> list[Picture]:
    """Draw the vehicles that cost most by distance."""
    rows = _records(ran, "cost_per_distance", ("key", "per_distance"))
    rows = [row for row in rows if row["per_distance"] is not None]
    if len({row.get("currency") for row in rows}) != 1 or len(rows) < 2:
        return []
    rows = sorted(rows, key=lambda row: -_figure(row["per_distance"]))[:10]
    unit = f"{rows[0].get('currency') or ''} / {words.look.unit}".strip(" /")
    series = Series(
        unit,
        tuple(str(row["key"]) for row in rows),
        tuple(_figure(row["per_distance"]) for row in rows),
        "bars",
    )
    told = {"name": rows[0]["key"], "value": _short(series.y[0], words, share=False), "unit": unit}
    title = words("dearest_title", **told)
    chart = Chart("dearest", title, words("vehicle_axis"), unit, (series,), title)
    drawn = draw(chart, ident, words)
    return [] if drawn is None else [drawn]


PICTURES: Final[dict[str, Callable[[Ran, str, Words], list[Picture]]]] = {
    "repeat-failures": _repeat,
    "next-repairs": _next,
    "supplier-comparison": _suppliers,
    "keep-or-sell": _ways,
    "cost-per-distance": _distance_cost,
}
