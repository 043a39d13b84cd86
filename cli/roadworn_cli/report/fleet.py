"""The fleet report: a page to decide by, then a section for each question behind it."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Cell, Column, Holds, Ran, Table, Tells
from roadworn.columns.view import UNSEEN_DAYS
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.decisions import contents, decisions, first_steps
from roadworn_cli.report.marks import Lane, lanes
from roadworn_cli.report.model import Letterhead, Paragraph, Picture, Report, Section
from roadworn_cli.report.sections import (
    Manner,
    first_rows,
    folded,
    left_out,
    rests_on,
    section_of,
)
from roadworn_cli.report.tables import blocks_of
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

#: What the first page says is not said again.
_ON_FIRST_PAGE = frozenset({Holds.QUARTERS, Holds.TOTALS, Holds.FORETOLD})
_MOST_LANES = 8
#: Rows asked for, so that the first page misses none that can hurt somebody; and those shown.
_MOST_ASKED, _MOST_ROWS = 10_000, 60
#: Rows of a table that have all their columns in the full report.
_MOST_WHOLE = 30
#: Tables of a workshop or an analyst, and one that a picture says better.
_TABLES_IN_FULL = frozenset({"money_ahead", "own_intervals"})
_CHUNK = 500


def fleet_report(
    asker: Asker,
    *,
    months: float = 12.0,
    full: bool = False,
    settings: Mapping[str, Mapping[str, object]] | None = None,
    letterhead: Letterhead | None = None,
) -> tuple[Report, Words]:
    """Gather the report of the whole fleet: a page to decide by, then what it rests on.

    Args:
        asker: with the view and the plugins.
        months: how far to look ahead.
        full: every row and column, and each other analysis that needs no vehicle.
        settings: analysis name -> settings of it.
        letterhead: whose paper it stands on.
    """
    view = asker.view
    asker.look = asker.look.settled(view)
    words = Words(asker.look, spelled=True)
    vehicles, unseen = view.sql(
        """SELECT count(*), count(*) FILTER (last_seen_on < CAST(? AS DATE) - CAST(? AS INTEGER))
           FROM vehicles WHERE retired_on IS NULL""",
        (view.today.isoformat(), UNSEEN_DAYS),
    ).rows[0]
    title = words("fleet_title")
    about = (
        words("as_of_day", day=view.today),
        words("vehicles_here", number=vehicles),
        *([words("vehicles_unseen", seen=vehicles - unseen)] if unseen else []),
        *words.spoken(),
    )
    if not view.sql("SELECT count(*) FROM vehicles").rows[0][0]:
        sections = tuple(first_steps(words("no_vehicles"), words))
        return Report(title, about, sections, brief=True, letterhead=letterhead, sheets=1), words
    details = _details(asker, words, months, settings or {}, full=full)
    details.append(_fleet(view, words))
    missing = left_out(asker.left_out, words)
    details += [missing] if missing else []
    details.append(rests_on(view.path, view.checkpoint, view.today, words))
    first = decisions(asker, words)
    listed = contents(details, words)
    details = [
        replace(section, title=words.joined((f"{number}.", section.title), " "))
        for number, section in enumerate(details, 1)
    ]
    details[0] = replace(details[0], fresh=True)
    sections = (*first, listed, *(replace(section, wide=True) for section in details))
    return Report(title, about, sections, brief=True, letterhead=letterhead, sheets=1), words


def _details(
    asker: Asker,
    words: Words,
    months: float,
    settings: Mapping[str, Mapping[str, object]],
    *,
    full: bool,
) -> list[Section]:
    """Return a section for each answer."""
    panels = {one.analysis: one for one in asker.host.panels("fleet") if full or not one.only_full}
    asked = [*panels]
    if full:
        analyses = asker.host.analyses()
        known = {analyses[name][1].answers for name in panels if name in analyses} - {None}
        asked += [
            name
            for name, (_plugin, analysis) in analyses.items()
            if name not in panels and analysis.answers not in known
        ]
    sections = []
    for name in asked:
        ahead = asker.host.answering(Answers.GOES_NEXT) == name
        given: dict[str, object] = dict(settings.get(name, {}))
        if ahead:
            given = {"months": months, "by": "month", "most": _MOST_ASKED, **given}
        ran = asker.ask(name, **given)
        if ran is None:
            continue
        panel = panels.get(name)
        ran = ran if full else _shortened(ran)
        failing = ran.analysis.answers is Answers.KEEPS_FAILING
        manner = Manner(
            full,
            panel.rows if panel else 0,
            _MOST_WHOLE if full else 0,
            " ".join((name, *(f"{key}={value}" for key, value in given.items()))),
            frozenset() if full else _ON_FIRST_PAGE,
            lead=full or not failing or not ran.result.charts,
            plain=not full and not failing,
            fold=True,
            heading=panel.heading if panel else "",
        )
        section = section_of(ran, words, manner)
        if failing and full:
            section = _with_dates(section, ran, asker.view, words)
        sections.append(section)
    return sections


def _shortened(ran: Ran) -> Ran:
    """Return an answer without what a manager does not ask, its long tables cut."""
    tables = tuple(
        first_rows(table, _MOST_ROWS)
        for table in ran.result.tables
        if table.name not in _TABLES_IN_FULL
    )
    return replace(ran, result=replace(ran.result, tables=tables))


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
    blocks = folded(words("by_class"), blocks_of(table, words))
    return Section("fleet", words("fleet"), blocks)


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
