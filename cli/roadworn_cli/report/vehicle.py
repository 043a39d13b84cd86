"""The vehicle report: what the customer takes home.

The short one is the owner's report, `owner`. The full one has every row and column, the events
behind them, all pictures, and each other analysis that answers for one vehicle.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Holds, Mark, Ran, Table
from roadworn.analysis.outlook import Outlook, outlook
from roadworn.say import Said
from roadworn.say.telling import test_words
from roadworn_cli.output import told
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.life_line import life_line
from roadworn_cli.report.looked_at import history_section, last_visit, of_one, today_section, who
from roadworn_cli.report.model import Letterhead, Report, Section
from roadworn_cli.report.owner import owner_sections
from roadworn_cli.report.photographs import photographs_section
from roadworn_cli.report.sections import (
    Manner,
    cautions_section,
    left_out,
    listed,
    rests_on,
    section_of,
)
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView
    from roadworn.intake import Ledger

#: Analyses of the report in their order: what they answer, key of the heading, and where the
#: outlook has the answer already, unless the owner has settings for it.
_ASKED = (
    (Answers.PASSES, "passing", "inspection"),
    (Answers.KEEP_OR_SELL, "advice", "advice"),
    (Answers.WEARS, "wear", "wear"),
    (Answers.SERVICE_DUE, "service_due", "maintenance"),
)
#: What an owner does not ask: each measurement.
_ONLY_FULL = frozenset({Answers.WEARS})
#: What is told of a fleet or a class, and of one vehicle only by too few cases to mean anything.
_OF_THE_FLEET = frozenset(
    {
        Answers.CAME_TRUE,
        Answers.CODES,
        Answers.CUMULATIVE,
        Answers.LIFESPANS,
        Answers.SUPPLIERS,
    }
)
#: Order of the rows of an inspection: what fails first, what passes last.
_ORDER = ((Mark.PASSES, 3), (Mark.NOT_KNOWN, 2), (Mark.FAILED, 0))


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        vehicle: as the user names it.
        months: how far to look ahead.
        full: the long report.
        settings: analysis name -> settings that only the owner can say.
        letterhead: whose paper it stands on, if anybody's.
    """

    vehicle: str
    months: float = 12.0
    full: bool = False
    settings: Mapping[str, Mapping[str, object]] = field(default_factory=dict)
    letterhead: Letterhead | None = None


def vehicle_report(
    asker: Asker, request: Request, contact: tuple[Said, ...] = (), found: Outlook | None = None
) -> tuple[Report, Words]:
    """Gather the report of one vehicle.

    Args:
        asker: with the view and the plugins.
        request: which vehicle, and how much of it.
        contact: who the report is for, only when it was asked for.
        found: the outlook, when it is known already.

    Raises:
        UnknownName: the vehicle is not in the ledger.
    """
    view = asker.view
    vehicle_id = view.require_vehicle(request.vehicle)
    asker.look = asker.look.settled(view, vehicle_id)
    words = Words(asker.look, spelled=not request.full)
    if found is None or found.unit != asker.look.unit:
        with told("outlook"):
            found = outlook(view, asker.host, vehicle_id, request.months, asker.look.unit)
    for answers, ran in (
        (Answers.GOES_NEXT, found.next_repairs),
        (Answers.KEEPS_FAILING, found.keeps_failing),
    ):
        asker.take(answers, ran, found.why_not(answers))
    for answers, _key, gathered in _ASKED:
        if answers in _ONLY_FULL and not request.full:
            continue
        given = request.settings.get(answers, {})
        ran = getattr(found, gathered) if gathered else None
        if ran is not None and not given:
            asker.take(answers, ran)
        else:
            asker.ask(answers, vehicle=vehicle_id, **given)
    if request.full:
        cautions = cautions_section(found.cautions, found.closing, words)
        sections = _full(asker, found, words, vehicle_id, cautions)
    else:
        sections = owner_sections(asker, found, words, vehicle_id)
        sections += _panels(asker, words, vehicle_id)
    sections.append(rests_on(view.path, view.checkpoint, found.as_of, words, full=request.full))
    sections += photographs_section(view, vehicle_id, words)
    title = words("vehicle_title", vehicle=vehicle_id)
    about = who(found, words)
    looked = last_visit(view, vehicle_id, words).day
    if looked is not None and not request.full:
        about = (*about, words("looked_on", day=looked))
    if untried := _untried(view, vehicle_id, words):
        about = (*about, words("untried", tests=words.joined(untried, ", ")))
    report = Report(
        title,
        about,
        tuple(sections),
        contact,
        brief=True,
        letterhead=request.letterhead,
        sheets=0 if request.full else 2,
    )
    return report, words


def _untried(view: "LedgerView", vehicle_id: str, words: Words) -> list[Said]:
    """Return the tests that work asked for and that nobody has passed since, with their days."""
    rows = view.sql(
        "SELECT test, asked_on FROM open_tests WHERE vehicle_id = ? ORDER BY asked_on, test",
        (vehicle_id,),
    ).rows
    return [words("asked_for_on", test=test_words(test), day=day) for test, day in rows]


def _full(
    asker: Asker, found: Outlook, words: Words, vehicle_id: str, cautions: Section
) -> list[Section]:
    """Return the long report up to what it rests on."""
    visit = last_visit(asker.view, vehicle_id, words)
    coming = found.next_repairs
    due = coming.result.holding(Holds.DUE) if coming is not None else None
    sections = [today_section(found, visit, due, words, full=True)]
    if coming is not None:
        sections.append(_section(coming, words, "goes_next"))
    sections += _answers(asker, words, vehicle_id)
    sections += _others(asker, words, vehicle_id)
    sections.append(history_section(asker.view, vehicle_id, words))
    if found.unknown:
        blocks = (listed(found.unknown, words),)
        sections.append(Section("not-known", words("not_known"), blocks))
    missing = left_out(asker.left_out, words)
    found_all = [*sections, *((missing,) if missing else ()), cautions]
    return [replace(section, wide=True) for section in found_all]


def _answers(asker: Asker, words: Words, vehicle_id: str) -> list[Section]:
    """Return inspection, advice, what keeps failing, the line of life, wear and service."""
    ran = asker.ran
    sections = [
        _section(ran[answers], words, key)
        for answers, key, _gathered in _ASKED
        # Without a measured part there is nothing to say of wear.
        if answers in ran and (answers is not Answers.WEARS or ran[answers].result.tables)
    ]
    failing = ran.get(Answers.KEEPS_FAILING)
    middle: list[Section] = []
    if failing is not None:
        manner = Manner(full=True, without=frozenset({Holds.DUE}), key="keeps_failing", fold=True)
        middle.append(section_of(failing, words, manner))
    life = life_line(asker.view, vehicle_id, failing, words)
    if life is not None:
        middle.append(Section("life-line", words("life"), (life,)))
    first = sum(answers in ran for answers in (Answers.PASSES, Answers.KEEP_OR_SELL))
    return [*sections[:first], *middle, *sections[first:]]


def _section(ran: Ran, words: Words, key: str = "") -> Section:
    """Return an answer about one vehicle, without what is due: that stands at the top."""
    told = replace(ran, result=replace(ran.result, tables=of_this_one(ran.result.tables)))
    without = frozenset({Holds.DUE} if key else ())
    return section_of(told, words, Manner(full=True, without=without, key=key, fold=True))


def of_this_one(tables: Iterable[Table]) -> tuple[Table, ...]:
    """Return the tables that are about one vehicle, what fails before what passes."""
    return tuple(_worst_first(of_one(table)) for table in tables if table.holds is not Holds.OF_ALL)


def _worst_first(table: Table) -> Table:
    if table.holds is not Holds.INSPECTED or not table.marks:
        return table

    def rank(number: int) -> int:
        return next((rank for mark, rank in _ORDER if mark in table.marks[number]), 1)

    order = sorted(range(len(table.rows)), key=rank)
    return replace(
        table,
        rows=tuple(table.rows[n] for n in order),
        marks=tuple(table.marks[n] for n in order),
        evidence=tuple(table.evidence[n] for n in order) if table.evidence else (),
    )


def _others(asker: Asker, words: Words, vehicle_id: str) -> list[Section]:
    """Return every other analysis, a plugin's too, that can be asked about one vehicle."""
    sections = []
    for name, (_plugin, analysis) in asker.host.analyses().items():
        asked = {name, analysis.answers} & {*asker.ran, *asker.left_out, *_OF_THE_FLEET}
        if not asked and "vehicle" in analysis.settings.model_fields:
            ran = asker.ask(name, vehicle=vehicle_id)
            if ran is not None:
                sections.append(_section(ran, words))
    return sections


def _panels(asker: Asker, words: Words, vehicle_id: str) -> list[Section]:
    """Return what plugins put on the report of a vehicle."""
    panels = asker.host.panels("vehicle")
    asked = ((one, asker.ask(one.analysis, vehicle=vehicle_id)) for one in panels)
    return [
        section_of(ran, words, Manner(first=one.rows, plain=True, fold=True, heading=one.heading))
        for one, ran in asked
        if ran is not None and not one.only_full
    ]


def contact_lines(ledger: "Ledger", reference: str | None, words: Words) -> tuple[Said, ...]:
    """Return who a vehicle belongs to, from the contacts kept beside the events.

    Raises:
        UnknownName: the contact was never written, or it was erased.
        UsageError: the vehicle carries no reference.
    """
    from roadworn.model.errors import UsageError

    if not reference:
        raise UsageError(
            "No owner reference is on record for this vehicle: leave out --contact, or write one "
            "with `roadworn record profile`."
        )
    contact = ledger.contacts.get(reference)
    lines = [words.plain(contact.name or reference)]
    for text in (contact.address, contact.phone):
        lines += [words.plain(line) for line in (text or "").splitlines() if line.strip()]
    return tuple(lines)
