"""The fleet report: what the manager of a fleet looks at, one section for each question."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Column, Holds, Mark, Ran, Table, Tells
from roadworn.trade.cautions import CLOSING, cautions_for
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.marks import Lane, lanes
from roadworn_cli.report.model import Paragraph, Picture, Report, Section
from roadworn_cli.report.sections import (
    Manner,
    cautions_section,
    left_out,
    rests_on,
    section_of,
)
from roadworn_cli.report.tables import blocks_of
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: What the analyses of the report answer, in its order, and the key of the heading.
_ASKED = (
    (Answers.KEEPS_FAILING, "keeps_failing"),
    (Answers.LIFESPANS, "lifespans"),
    (Answers.CUMULATIVE, "cumulative"),
    (Answers.GOES_NEXT, "next_year"),
    (Answers.COST_BY_DISTANCE, "per_distance"),
    (Answers.SUPPLIERS, "suppliers"),
    (Answers.WARRANTY, "warranty"),
    (Answers.SERVICE_DUE, "service_due"),
    (Answers.PASSES, "passing_fleet"),
    (Answers.CODES, "codes"),
    (Answers.ODOMETER, "odometers"),
    (Answers.CAME_TRUE, "past_projections"),
)
#: Rows of a table that stand open.
_FIRST = 12
_MOST_LANES = 8
_CHUNK = 500


#: Columns of what is open and about safety, their titles as keys.
_SAFETY = (
    Column("state", "state", tells=Tells.STATE),
    Column("vehicle", "vehicle_axis", tells=Tells.VEHICLE),
    Column("component", "what", "component", tells=Tells.COMPONENT),
    Column("position", "where", tells=Tells.PLACE),
    Column("note", "seen", tells=Tells.SEEN),
    Column("since", "since", "date", tells=Tells.SINCE),
)


def fleet_report(
    asker: Asker,
    *,
    months: float = 12.0,
    full: bool = False,
    settings: Mapping[str, Mapping[str, object]] | None = None,
) -> tuple[Report, Words]:
    """Gather the report of the whole fleet.

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
    asked: list[tuple[Answers | str, str]] = list(_ASKED)
    if full:
        known = {*(answers for answers, _key in _ASKED), Answers.KEEP_OR_SELL}
        asked += [
            (name, "")
            for name, (_plugin, analysis) in asker.host.analyses().items()
            if analysis.answers not in known
        ]
    for what, key in asked:
        given: dict[str, object] = {"months": months} if what is Answers.GOES_NEXT else {}
        ran = asker.ask(what, **given, **(settings or {}).get(what, {}))
        if ran is None:
            continue
        section = section_of(ran, words, Manner(full=full, first=_FIRST if key else 0, key=key))
        if what is Answers.KEEPS_FAILING:
            section = _with_dates(section, ran, view, words)
        sections.append(section)
    sections.insert(0, _safety(view, words, asker.ran.get(Answers.GOES_NEXT)))
    missing = left_out(asker.left_out, words)
    sections += [missing] if missing else []
    sections.append(cautions_section(cautions_for(_named(asker)), CLOSING, words))
    mark = view.checkpoint
    sections.append(rests_on(mark.size, mark.root, view.today, words))
    title = words("fleet_title")
    about = (words("as_of_day", day=view.today), *words.spoken())
    return Report(title, about, tuple(sections)), words


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
    table = due.result.holding(Holds.DUE) if due is not None else None
    if table is not None:
        columns = zip(*(table.cells(column.tells) for column in _SAFETY), strict=True)
        rows += [
            row
            for row, (_row, marks) in zip(columns, table.marked(), strict=True)
            if Mark.SAFETY in marks and (row[1], row[2], row[3] or "") not in listed
        ]
    if not rows:
        return Section("safety", words("safety"), (Paragraph(words("no_safety_fleet")),))
    table = Table(
        "safety",
        words("safety_table"),
        tuple(replace(column, title=words(column.title)) for column in _SAFETY),
        tuple(rows),
        marks=(frozenset({Mark.SAFETY}),) * len(rows),
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
    places = zip(table.cells(Tells.COMPONENT), table.cells(Tells.PLACE), strict=True)
    found = [
        Lane(
            words.joined((words.word(component), words.place(place, component)), " "),
            tuple(sorted(days[event] for event in ids if event in days)),
            strong=True,
        )
        for (component, place), ids in zip(places, table.evidence, strict=True)
    ]
    found = [lane for lane in found[:_MOST_LANES] if lane.at]
    if not found:
        return None
    return lanes(
        found,
        words("day_axis"),
        "failing-days",
        words,
        title=words("when_title", number=len(found)),
        alternative=words.joined(
            (
                words("lane_dates", name=one.name, n=len(one.at), first=one.at[0], last=one.at[-1])
                for one in found
            ),
            "; ",
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


def _named(asker: Asker) -> set[str]:
    """Return every component that a table of the report names."""
    return {
        str(component)
        for ran in asker.ran.values()
        for table in ran.result.tables
        for component in table.cells(Tells.COMPONENT)
        if component
    }
