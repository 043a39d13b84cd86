"""The fleet sheet: what the manager of a fleet looks at, one section for each question."""

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING

from roadworn.analysis.result import Cell, Column, Ran, Table
from roadworn.trade.cautions import CLOSING, cautions_for
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.marks import Lane, lanes
from roadworn_cli.report.model import Block, Listing, Paragraph, Picture, Section, Sheet
from roadworn_cli.report.sections import Manner, left_out, rests_on, section_of
from roadworn_cli.report.tables import blocks_of
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: Analyses in the order of the sheet: name, key of the heading, rows that stand open.
_ASKED = (
    ("repeat-failures", "keeps_failing", 12),
    ("part-lifespans", "lifespans", 12),
    ("cumulative-repairs", "cumulative", 12),
    ("next-repairs", "next_year", 12),
    ("cost-per-distance", "per_distance", 12),
    ("supplier-comparison", "suppliers", 12),
    ("warranty-recovery", "warranty", 12),
    ("maintenance-due", "service_due", 12),
    ("inspection-outlook", "passing_fleet", 12),
    ("code-outcomes", "codes", 12),
    ("odometer-audit", "odometers", 12),
    ("projection-backtest", "past_projections", 12),
)
_MOST_LANES = 8
_CHUNK = 500


def fleet_sheet(
    asker: Asker,
    *,
    months: float = 12.0,
    full: bool = False,
    settings: Mapping[str, Mapping[str, object]] | None = None,
) -> tuple[Sheet, Words]:
    """Gather the sheet of the whole fleet.

    Args:
        asker: with the view and the plugins.
        months: how far to look ahead.
        full: every row and column, and each other analysis that needs no vehicle.
        settings: analysis name -> settings of it.
    """
    view = asker.view
    asker.look = asker.look.settled(view)
    words = Words(asker.look)
    sections = [_fleet(view, words)]
    names = list(_ASKED)
    if full:
        known = {name for name, _key, _first in _ASKED} | {"keep-or-sell"}
        names += [(name, "", 0) for name in asker.host.analyses() if name not in known]
    for name, key, first in names:
        given: dict[str, object] = {"months": months} if name == "next-repairs" else {}
        ran = asker.ask(name, **given, **(settings or {}).get(name, {}))
        if ran is None:
            continue
        section = section_of(ran, words, Manner(full=full, first=first, key=key))
        if name == "repeat-failures":
            section = _with_dates(section, ran, view, words)
        sections.append(section)
    sections.insert(0, _safety(view, words, asker.ran.get("next-repairs")))
    missing = left_out(asker.left_out, words)
    sections += [missing] if missing else []
    sections.append(_cautions(asker, words))
    mark = view.checkpoint
    sections.append(rests_on(mark.size, mark.root, view.today, words))
    title = words("fleet_title")
    about = (words("as_of_day", day=view.today), *words.spoken())
    return Sheet(title, about, tuple(sections)), words


def _safety(view: "LedgerView", words: Words, due: Ran | None) -> Section:
    """Return the open safety items of the vehicles that are still here, all of them.

    Those past their limit by their figure, whatever word was written down for them, come from
    what is `due`.
    """
    rows: list[tuple[Cell, ...]] = [
        ("SAFETY: failed", vehicle, component, position, note, day)
        for vehicle, component, position, note, day in view.sql(
            """SELECT f.vehicle_id, f.component, f.position, f.note, f.first_seen_on
               FROM open_findings AS f JOIN vehicles AS v USING (vehicle_id)
               WHERE f.safety AND f.condition = 'failed' AND v.retired_on IS NULL
               ORDER BY f.first_seen_on, f.vehicle_id, f.component, f.position"""
        ).rows
    ]
    listed = {(row[1], row[2], row[3] or "") for row in rows}
    rows += [
        (row["state"], row["vehicle"], row["component"], row["position"], row["seen"], row["since"])
        for table in (due.result.tables if due is not None else ())
        if table.name == "due_now"
        for row in table.records()
        if str(row["state"]).startswith("SAFETY")
        and (row["vehicle"], row["component"], row["position"] or "") not in listed
    ]
    if not rows:
        return Section("safety", words("safety"), (Paragraph(words("no_safety_fleet")),))
    table = Table(
        "safety",
        words("safety_table"),
        (
            Column("state", words("state")),
            Column("vehicle", words("vehicle_axis")),
            Column("component", words("what"), "component"),
            Column("position", words("where")),
            Column("note", words("seen")),
            Column("since", words("since"), "date"),
        ),
        tuple(rows),
    )
    vehicles = len({row[1] for row in rows})
    alert = Paragraph(words("safety_fleet", items=len(rows), vehicles=vehicles), "alert")
    return Section("safety", words("safety"), (alert, *blocks_of(table, words)))


def _fleet(view: "LedgerView", words: Words) -> Section:
    """Return what the fleet is made of, by class."""
    rows: list[tuple[Cell, ...]] = [
        (name, here, gone, None if km is None else words.look.distance(km), seen)
        for name, here, gone, km, seen in view.sql(
            """SELECT vehicle_class, count(*) FILTER (WHERE retired_on IS NULL),
                      count(*) FILTER (WHERE retired_on IS NOT NULL),
                      median(last_km) FILTER (WHERE retired_on IS NULL), max(last_seen_on)
               FROM vehicles GROUP BY vehicle_class ORDER BY 2 DESC, 1"""
        ).rows
    ]
    if not rows:
        return Section("fleet", words("fleet"), (Paragraph(words("no_vehicles")),))
    table = Table(
        "fleet",
        words("by_class"),
        (
            Column("class", words("class")),
            Column("here", words("here"), "integer"),
            Column("gone", words("gone"), "integer"),
            Column("distance", words("middle_distance"), "distance", words.look.unit),
            Column("seen", words("last_seen"), "date"),
        ),
        tuple(rows),
    )
    return Section("fleet", words("fleet"), blocks_of(table, words))


def _with_dates(section: Section, ran: Ran, view: "LedgerView", words: Words) -> Section:
    """Put the picture of when the failures happened after the first picture of a section."""
    picture = _when(ran, view, words)
    if picture is None:
        return section
    blocks = list(section.blocks)
    at = next((i + 1 for i, b in enumerate(blocks) if isinstance(b, Picture)), 1)
    return Section(section.anchor, section.title, (*blocks[:at], picture, *blocks[at:]))


def _when(ran: Ran, view: "LedgerView", words: Words) -> Picture | None:
    """Draw the days of the failures that an answer names as its evidence, a lane for each row."""
    if not ran.result.tables or not ran.result.tables[0].evidence:
        return None
    table = ran.result.tables[0]
    days = _days(view, {event for ids in table.evidence[:_MOST_LANES] for event in ids})
    found = []
    for record, ids in zip(table.records(), table.evidence, strict=True):
        parts = (str(record.get(key) or "") for key in ("component", "where"))
        name = " ".join(words.word(part) for part in parts if part)
        at = tuple(sorted(days[event] for event in ids if event in days))
        found.append(Lane(name, at, strong=True))
    found = [lane for lane in found[:_MOST_LANES] if lane.at]
    if not found:
        return None
    since = ran.result.headline
    return lanes(
        found,
        words("day_axis"),
        "failing-days",
        words,
        title=words("when_title", number=len(found)),
        alternative=words.said(
            "; ".join(
                f"{lane.name}: {len(lane.at)}, {lane.at[0]} – {lane.at[-1]}" for lane in found
            )
            or since
        ),
    )


def _days(view: "LedgerView", events: set[str]) -> dict[str, date]:
    found: dict[str, date] = {}
    ids = sorted(events)
    for start in range(0, len(ids), _CHUNK):
        part = ids[start : start + _CHUNK]
        marks = ", ".join("?" * len(part))
        found.update(
            dict(
                view.sql(
                    f"SELECT event_id, occurred_on FROM events WHERE event_id IN ({marks})",
                    tuple(part),
                ).rows
            )
        )
    return found


def _cautions(asker: Asker, words: Words) -> Section:
    """Return the cautions for every component that a table of the sheet names."""
    named = {
        str(record["component"])
        for ran in asker.ran.values()
        for table in ran.result.tables
        for record in table.records()
        if record.get("component")
    }
    lines = tuple(words.said(text) for text in cautions_for(named))
    blocks: list[Block] = [Listing(lines)] if lines else []
    blocks.append(Paragraph(words.said(CLOSING)))
    return Section("cautions", words("cautions"), tuple(blocks))
