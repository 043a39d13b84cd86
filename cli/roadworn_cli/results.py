"""How a Result is written in a terminal, as JSON and as CSV; the figures are never touched."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, replace
from typing import Any

import typer

from roadworn.analysis import Cell, Column, Estimate, Holds, Mark, Ran, Result, Table, Tells
from roadworn.model.catalogue import catalogue, part_name
from roadworn.model.errors import UsageError
from roadworn.model.messages import Joined, Says, Sentence
from roadworn.say import Said, Speaker
from roadworn_cli.context import state_of
from roadworn_cli.output import emit, emit_json, escape, note, say
from roadworn_cli.screen import Head, Line, dot, encoded, padded, put, span, spark, text, width
from roadworn_cli.screen import table as screen_table

_EVIDENCE_SHOWN = 8
#: Two ways on that do not differ in these are one.
_SAME_WAY = ("at_once", "monthly", "risk", "left")
#: Columns of a screen that has room for pictures beside figures, and of a picture.
_WIDE = 120
_DOT = 12
#: Fewer measurements make no line to see.
_FOR_A_SPARK = 3


def show(
    ran: Ran,
    *,
    fmt: str,
    origin: Mapping[str, Any] | None = None,
    wide: bool = False,
    evidence: bool = False,
    table: str = "",
    speaker: Speaker | None = None,
) -> None:
    """Print what an analysis found.

    Args:
        ran: the result and where it came from.
        fmt: table, json or csv; csv is one table, the main one unless another is named.
        origin: what the view it was asked of rests on, said with the figures.
        wide: show the columns that are left out of a screen.
        evidence: name the events behind each row.
        table: only the table of this name.
        speaker: says a screen in another language; data are never translated.

    Raises:
        UsageError: the result has no such table.
    """
    if table:
        ran = replace(ran, result=replace(ran.result, tables=(_named(ran, table),)))
    if fmt == "json":
        emit_json(pinned(origin or {}) | as_json(ran))
        return
    if fmt == "csv":
        _show_csv(ran)
    else:
        _show_screen(ran, speaker, wide=wide, evidence=evidence)
    if origin is not None:
        say(said(pinned_in_words(origin), speaker))


def said(value: object, speaker: Speaker | None) -> str:
    """Return what is said in the language of a screen, fit for a terminal; None is English."""
    return escape(str(value) if speaker is None else speaker.say(value))


def _show_screen(ran: Ran, speaker: Speaker | None, *, wide: bool, evidence: bool) -> None:
    result = ran.result
    put(text(said(result.headline, speaker)))
    for caution in result.cautions:
        put(text(said(caution, speaker)))
    vehicle = str(getattr(ran.settings, "vehicle", None) or "")
    for one in result.tables:
        show_table(one, wide=wide, evidence=evidence, vehicle=vehicle, speaker=speaker)
    put(sparks(result, speaker))
    for estimate in result.estimates:
        if not result.tables:
            put(text(said(in_words(estimate), speaker)))
    for caveat in result.caveats:
        note(said(caveat, speaker))


def pinned(origin: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a figure rests on, the program included, so that `redo` can make it again."""
    from importlib.metadata import version

    return {"roadworn": version("roadworn"), **origin}


def resting(ctx: typer.Context) -> dict[str, Any]:
    """Return what the answer of a verb rests on, and what it was asked with."""
    plain = (str, int, float, list, tuple)
    return {
        **pinned(state_of(ctx).origin()),
        "verb": ctx.command_path.partition(" ")[2],
        "settings": {k: v for k, v in ctx.params.items() if k != "fmt" and isinstance(v, plain)},
    }


def pinned_in_words(origin: Mapping[str, Any]) -> str:
    """Return in one line what a figure rests on."""
    day = _say("today", day=origin["today"])
    if origin["as_of"]:
        day = _say("as-of", day=origin["as_of"], known_by=origin["known_by"])
    size, root = origin["ledger"]["size"], origin["ledger"]["root"]
    told = _say("made-at", n=size, root=root[:16], day=day)
    return Joined((told, _say.when(origin["claimed"], "claimed")), "; ")


_say = Says(
    "pinned",
    {
        "made-at": "made at {n:,} {n:event|events}, root {root}, {day}",
        "today": "today {day}",
        "as-of": "as of {day}, known by {known_by}",
        "claimed": "some of them were taken in after that day and only say that they are older",
    },
)


def _named(ran: Ran, name: str) -> Table:
    for table in ran.result.tables:
        if table.name == name:
            return table
    names = ", ".join(table.name for table in ran.result.tables)
    have = f"it has {names}" if names else "it has none: see what it says with --format table"
    raise UsageError(f"{ran.analysis.name} has no table {name!r} here; {have}.")


def _show_csv(ran: Ran) -> None:
    """Print one table, and say on stderr which others there are.

    Which table comes must not hang on what happens to be on record, or a script that reads it
    would break one day: it is the one named like the analysis, the first where none is.
    """
    tables = ran.result.tables
    if not tables:
        note(ran.result.headline)
        return
    own = ran.analysis.name.replace("-", "_")
    main = next((table for table in tables if table.name == own), tables[0])
    emit([c.name for c in main.columns], main.rows, fmt="csv")
    others = ", ".join(table.name for table in tables if table is not main)
    if others:
        note(f"this is the table {main.name}; --table NAME gives another: {others}")


def show_table(
    table: Table,
    *,
    wide: bool = False,
    evidence: bool = False,
    vehicle: str = "",
    speaker: Speaker | None = None,
) -> None:
    """Print one table with its title, its sentences and, if asked for, its evidence.

    Args:
        table: of a result; nothing is printed of one without rows.
        wide: with the columns that are left out of a screen.
        evidence: name the events behind each row.
        vehicle: the one that was asked for, which each row need not name again.
        speaker: says it in another language than English.
    """
    if not table.rows:
        return
    columns = [one for one in _shown(table, speaker, wide=wide) if not _only(table, one, vehicle)]
    columns = _drawn(table, columns)
    heads = [
        Head(escape(title), right, 0 if column.detail else 1 + (column.brief > 0))
        for column, title, right, _cells in columns
    ]
    rows = list(zip(*(cells for *_head, cells in columns), strict=True))
    stops = [Mark.SAFETY in marks for _row, marks in table.marked()]
    below = [_below(table, number, evidence, speaker) for number in range(len(rows))]
    put([[], [(encoded(said(table.title, speaker)), "title")]])
    put(screen_table(heads, rows, below=below, stops=stops))


def sparks(result: Result, speaker: Speaker | None = None) -> list[Line]:
    """Return what was measured of each part as a row of heights above its limit, oldest first."""
    table = result.holding(Holds.WEAR)
    charts = {chart.name: chart for chart in result.charts}
    drawn: list[tuple[str, str, str]] = []
    for n, component in enumerate(table.cells(Tells.COMPONENT) if table is not None else ()):
        chart, place = charts.get(f"wear-{component}"), table and table.cells(Tells.PLACE)[n]
        series = chart.series if chart is not None else ()
        points = next((one for one in series if one.name == str(place)), None)
        if points is None or len(points.y) < _FOR_A_SPARK:
            continue
        floor = next((one.y[0] for one in series if one.of == points.name and len(one.y) == 2), 0.0)
        name = part_name(str(component), str(place or ""))
        told = _range(f"{points.y[0]:.3g}", f"{points.y[-1]:.3g}", speaker)
        drawn.append((said(name, speaker), spark(points.y, floor), told))
    widest = max((span(name) for name, _spark, _told in drawn), default=0)
    lines: list[Line] = [
        [(f"  {padded(name, widest)}  ", ""), (heights, "figure"), (f"  {told}", "")]
        for name, heights, told in drawn
    ]
    return [[], *lines] if lines else []


_Shown = tuple[Column, str, bool, list[str]]


def _shown(table: Table, speaker: Speaker | None, *, wide: bool) -> Iterator[_Shown]:
    """Yield column, heading, whether it stands at the right, and cells of what a screen shows.

    A figure with its two limits is told as a figure and a range, and a column that is empty in
    every row is left out.
    """
    columns = table.columns
    i = 0
    while i < len(columns):
        column, at = columns[i], i
        i += 1
        if column.kind == "sentence" or (column.detail and not wide):
            continue
        cells = [cell(column, row[at], speaker) for row in table.rows]
        ranged = (
            column.tells is Tells.LOW
            and i < len(columns)
            and columns[i].tells is Tells.HIGH
            and columns[i].kind == column.kind
        )
        if ranged:
            tops = [cell(columns[i], row[i], speaker) for row in table.rows]
            cells = [_range(low, high, speaker) for low, high in zip(cells, tops, strict=True)]
            i += 1
        if any(cells):
            right = ranged or column.kind not in {"text", "component", "date"}
            title = said("range", speaker) if ranged else heading(column, speaker)
            yield column, title, right, cells


def _drawn(table: Table, shown: list[_Shown]) -> list[_Shown]:
    """Return the columns, on a wide screen with each chance of what goes next as a dot."""
    at = next((i for i, one in enumerate(shown) if one[0].tells is Tells.LOW), None)
    if table.holds is not Holds.AHEAD or width() < _WIDE or at is None:
        return shown
    lows, highs = table.cells(Tells.LOW), table.cells(Tells.HIGH)
    dots = []
    for n, chance in enumerate(table.cells(Tells.VALUE)):
        low, high = lows[n], highs[n]
        limits = (low, high) if isinstance(low, float) and isinstance(high, float) else None
        dots.append(dot(chance, limits, _DOT) if isinstance(chance, float) else "")
    return [*shown[: at + 1], (shown[at][0], "0 to 100%", False, dots), *shown[at + 1 :]]


def _range(low: str, high: str, speaker: Speaker | None) -> str:
    """Return two limits as one cell."""
    if not (low and high and low != high):
        return low or high
    if speaker is None:
        return f"{low} to {high}"
    return speaker.fill(speaker.strings.report["from_to"], {"low": Said(low), "high": Said(high)})


def _only(table: Table, shown: _Shown, vehicle: str) -> bool:
    """Say whether a column tells nothing but the vehicle that was asked for."""
    column = shown[0]
    if not vehicle or column.tells is not Tells.VEHICLE:
        return False
    return set(table.cells(Tells.VEHICLE)) <= {vehicle, None}


def _below(table: Table, number: int, evidence: bool, speaker: Speaker | None) -> list[str]:
    """Return what belongs to a row but not in a column."""
    row = table.rows[number]
    told = [
        f"{said(column.title, speaker)}: {said(row[i], speaker)}"
        for i, column in enumerate(table.columns)
        if column.kind == "sentence" and row[i]
    ]
    if evidence and table.evidence:
        ids = table.evidence[number]
        more = f" + {len(ids) - _EVIDENCE_SHOWN}" if len(ids) > _EVIDENCE_SHOWN else ""
        told.append(f"{said('events', speaker)}: {', '.join(ids[:_EVIDENCE_SHOWN])}{more}")
    return told


def heading(column: Column, speaker: Speaker | None = None) -> str:
    """Return a column's title with its unit."""
    title = column.title if speaker is None else speaker.say(column.title)
    return f"{title} ({column.unit})" if column.unit else title


def cell(column: Column, value: object, speaker: Speaker | None = None) -> str:
    """Return a value as people of the trade write it, in English or as a speaker says it."""
    if value is None:
        return ""
    if column.kind == "component":
        told = catalogue().name_of(str(value)) if speaker is None else speaker.part(str(value))
        return escape(told)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return said(value, speaker)
    written = _figure(column, value)
    return written if speaker is None else speaker.number(written)


def _figure(column: Column, value: float) -> str:
    if column.kind == "chance":
        if not column.detail and 0 < value < 0.01:
            # A detail, as a p-value, keeps its figures.
            return f"{value:.1%}" if value >= 0.0005 else "<0.1%"
        return f"{value:.0%}" if value >= 0.01 or value == 0 else f"{value:.2g}"
    if column.kind == "money":
        return f"{value:,.0f}" if abs(value) >= 100 or not value else f"{value:,.2f}"
    if column.kind == "distance":
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.3g}"
    if column.kind == "integer":
        return f"{value:,d}" if isinstance(value, int) else f"{value:,.0f}"
    return f"{value:,.3g}" if abs(value) < 1000 else f"{value:,.0f}"


def rows_with(table: Table, mark: Mark) -> list[int]:
    """Return which rows carry a mark."""
    return [n for n, (_row, marks) in enumerate(table.marked()) if mark in marks]


def name_of(table: Table, n: int) -> str:
    """Return what a row is about: what it is named, or its part with its place."""
    named = table.cells(Tells.NAME)[n]
    if named:
        # A sentence stays what it is, so that it can be said in another language.
        return named if isinstance(named, str) else str(named)
    component = table.cells(Tells.COMPONENT)[n]
    return part_name(str(component), str(table.cells(Tells.PLACE)[n] or "")) if component else ""


def cell_of(table: Table, tells: Tells, n: int) -> str:
    """Return the cell of a row that tells this, as it is written."""
    at = table.place(tells)
    return "" if at is None else cell(table.columns[at], table.rows[n][at])


def price_of(table: Table, n: int) -> str:
    """Return the price of a row with its currency, or an empty text."""
    at = table.place(Tells.VALUE)
    if at is None or table.rows[n][at] is None or table.columns[at].kind != "money":
        return ""
    currency = table.columns[at].unit or str(table.cells(Tells.CURRENCY)[n] or "")
    return f"{table.rows[n][at]:,.0f} {currency}".strip()


def sum_of(table: Table, n: int) -> str:
    """Return the sum of a row; nothing where all that it is of has no price."""
    nothing = not table.cells(Tells.VALUE)[n] and named(table, n, "unpriced")
    return "" if nothing else price_of(table, n)


def named(table: Table, n: int, name: str) -> Cell:
    """Return the cell of the column of this name, None where there is none."""
    at = next((i for i, column in enumerate(table.columns) if column.name == name), None)
    return None if at is None or n >= len(table.rows) else table.rows[n][at]


def money_in(table: Table, n: int, name: str) -> str:
    """Return the amount in the column of this name with its currency, or an empty text."""
    at = next((i for i, column in enumerate(table.columns) if column.name == name), None)
    if at is None or table.rows[n][at] is None:
        return ""
    currency = table.columns[at].unit or str(table.cells(Tells.CURRENCY)[n] or "")
    return f"{cell(table.columns[at], table.rows[n][at])} {currency}".strip()


def ways_apart(ways: Table) -> Iterator[tuple[int, str]]:
    """Yield each way with its name; two that do the same work and cost the same are one."""
    names: list[str] = []
    for n in range(len(ways.rows)):
        names.append(name_of(ways, n))
        after = n + 1 < len(ways.rows)
        if after and all(named(ways, n, k) == named(ways, n + 1, k) for k in _SAME_WAY):
            continue
        yield n, Joined(names)
        names = []


def in_words(estimate: Estimate) -> str:
    """Return an estimate with its limits and what it rests on, in one line."""
    return Joined((estimate.name, figures_of(estimate)), ": ")


def figures_of(estimate: Estimate) -> str:
    """Return the value of an estimate with its limits and what it rests on."""
    if estimate.value is None:
        return estimate.words or Sentence("estimate.too-few", "too few to tell")
    band: str = ""
    if estimate.low is not None and estimate.high is not None:
        band = Sentence(
            "estimate.band",
            " ({low:,.0f} to {high:,.0f}, {level:.0%})",
            low=estimate.low,
            high=estimate.high,
            level=estimate.level,
        )
    return Sentence(
        "estimate",
        "{value:,.0f} {unit}{band}; {failures} failed, {running} running, {left_out} left out",
        value=estimate.value,
        unit=estimate.unit,
        band=band,
        failures=estimate.failures,
        running=estimate.running,
        left_out=estimate.left_out,
    )


def _column(column: Column) -> dict[str, Any]:
    return {key: getattr(column, key) for key in ("name", "title", "kind", "unit", "detail")}


def as_json(ran: Ran) -> dict[str, Any]:
    """Return the whole result, its evidence and its origin as one document."""
    result: Result = ran.result
    return {
        "analysis": ran.analysis.name,
        "plugin": ran.plugin,
        "settings": ran.settings.model_dump(mode="json"),
        "ledger": {"size": ran.ledger_size, "root": ran.ledger_root},
        "seconds": round(ran.seconds, 3),
        "headline": result.headline,
        "tables": [
            {
                "name": table.name,
                "title": table.title,
                "columns": [_column(column) for column in table.columns],
                "rows": table.records(),
                "evidence": table.evidence,
            }
            for table in result.tables
        ],
        "estimates": [asdict(estimate) for estimate in result.estimates],
        "charts": [asdict(chart) for chart in result.charts],
        "caveats": result.caveats,
        "cautions": result.cautions,
    }
