"""What was looked at on the last visit, and who the vehicle is: straight from the record."""

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from roadworn.analysis import Mark, Table, Tells
from roadworn.analysis.outlook import Outlook
from roadworn.say import Said
from roadworn_cli.report.model import (
    Block,
    Facts,
    Fold,
    Grid,
    Heading,
    Line,
    Paragraph,
    Section,
)
from roadworn_cli.report.sections import folded
from roadworn_cli.report.tables import blocks_of
from roadworn_cli.words import LONGEST, Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_LAST_VISIT = """
SELECT max(occurred_on) FROM effective_events
WHERE vehicle_id = ? AND kind IN ('inspection', 'scan')
"""
_FINDINGS = """
SELECT component, coalesce(position, ''), condition FROM findings
WHERE vehicle_id = ? AND occurred_on = ? ORDER BY component, position
"""
_SCANS = """
SELECT module, outcome, codes_read, lamp FROM scans
WHERE vehicle_id = ? AND occurred_on = ? ORDER BY seq, module
"""
_REST = """
SELECT rest FROM inspections WHERE vehicle_id = ? AND occurred_on = ? ORDER BY seq DESC LIMIT 1
"""


@dataclass(frozen=True, slots=True)
class Visit:
    """The last day on which somebody looked at the vehicle, None when nobody ever did."""

    day: date | None
    blocks: tuple[Block, ...]


def last_visit(view: "LedgerView", vehicle_id: str, words: Words) -> Visit:
    """Return what was looked at last, what was found sound, and what was not checked."""
    day = view.sql(_LAST_VISIT, (vehicle_id,)).rows[0][0]
    if day is None:
        return Visit(None, (Paragraph(words("never_looked_at"), "lead"),))
    found = view.sql(_FINDINGS, (vehicle_id, day)).rows
    pairs: list[tuple[Said, Said]] = []
    for condition in ("sound", "not_checked"):
        names = [words.part(c, p) for c, p, state in found if state == condition]
        if names:
            pairs.append((words(condition), words.joined(names, "; ")))
    rest = view.sql(_REST, (vehicle_id, day)).rows
    if rest and rest[0][0] in {"sound", "not_checked"}:
        pairs.append((words("everything_else"), words(rest[0][0])))
    for module, outcome, codes, lamp in view.sql(_SCANS, (vehicle_id, day)).rows:
        if outcome == "failed":
            told = words("scan_failed")
        else:
            light = words("lamp_on" if lamp == "on" else "lamp_off") if lamp else None
            told = words.joined((words("scan_codes", number=codes or 0), light), "; ")
        pairs.append((words("scan_of", module=module or ""), told))
    return Visit(day, (Facts(tuple(pairs)),) if pairs else ())


def today_section(
    found: Outlook, visit: Visit, due_now: Table | None, words: Words, *, full: bool
) -> Section:
    """Return what is open, safety first, then what was looked at."""
    columns = (found.open_now.cells(tells) for tells in (Tells.COMPONENT, Tells.PLACE, Tells.SEEN))
    blocks: list[Block] = []
    for (_row, marks), component, place, seen in zip(
        found.open_now.marked(), *columns, strict=True
    ):
        if Mark.SAFETY in marks:
            name = words.part(component, place or "")
            name = words("in_unit", title=name, unit=seen) if seen else name
            blocks.append(Paragraph(words("safety_open", name=name), "alert"))
    if visit.day is None:
        # Nobody looked: that nothing is recorded as failed must not be read as good news.
        blocks += visit.blocks
    elif not blocks:
        blocks.append(Paragraph(words("no_safety_open"), "lead"))
    table = of_one(due_now) if due_now is not None and due_now.rows else found.open_now
    if table.rows:
        blocks += blocks_of(table, words, full=full, brief=True)
    else:
        blocks.append(Paragraph(words("nothing_open")))
    if visit.day is not None and visit.blocks:
        blocks.append(Fold(words("looked_at", day=visit.day), visit.blocks, open=True))
    title = words("today" if visit.day == found.as_of else "open")
    return Section("today", title, tuple(blocks), wide=True)


def of_one(table: Table) -> Table:
    """Return a table without its column of vehicles: on this report there is only one."""
    at = table.place(Tells.VEHICLE)
    if at is None:
        return table
    return replace(
        table,
        columns=(*table.columns[:at], *table.columns[at + 1 :]),
        rows=tuple((*row[:at], *row[at + 1 :]) for row in table.rows),
    )


def who(found: Outlook, words: Words) -> tuple[Said, ...]:
    """Return the lines below the title: what vehicle it is, how far it has gone, as of when."""
    profile = found.vehicle
    described = [profile.get(key) for key in ("label", "model_year", "make", "model")]
    parts = [str(part) for part in described if part]
    kind = profile.get("vehicle_class")
    # Who names no class has it made up of what the vehicle is called already.
    if kind and kind != " ".join(str(profile.get(key) or "") for key in ("make", "model")).strip():
        parts.append(f"({words.word(profile['vehicle_class'])})")
    lines = [words.plain(" ".join(parts))] if parts else []
    if profile.get("vin"):
        lines.append(words("vin", vin=profile["vin"]))
    if profile.get("last_km") is not None:
        # What the instrument shows and the true distance are told apart there.
        lines.append(words.said(found.distance))
    if profile.get("last_km") is None or profile["last_reading_on"] != found.as_of:
        lines.append(words("as_of_day", day=found.as_of))
    return (*lines, *words.spoken())


def history_section(view: "LedgerView", vehicle_id: str, words: Words) -> Section:
    """Return every event that counts, told in words."""
    import orjson

    from roadworn.say.telling import brief, describe

    rows = view.sql(
        """SELECT occurred_on, true_km, kind, payload, event_id FROM effective_events
           WHERE vehicle_id = ? ORDER BY occurred_at DESC, seq DESC""",
        (vehicle_id,),
    ).rows
    lines = tuple(
        Line(
            (
                words.plain(day),
                Said("" if km is None else words.number(f"{words.look.distance(km):,.0f}")),
                words.said(describe(kind, brief(orjson.loads(payload), LONGEST))),
            )
        )
        for day, km, kind, payload, _event in rows
    )
    headings = (
        Heading(words("day"), day=True),
        Heading(words("in_unit", title=words("distance"), unit=words.look.unit), right=True),
        Heading(words("what")),
    )
    quoted = Paragraph(words("as_written"), "quiet")
    grid = (Grid(words("history"), headings, lines),) if lines else ()
    return Section("history", words("history"), (quoted, *folded(words("history"), grid)))
