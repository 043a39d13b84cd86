"""The vehicle sheet: what the customer takes home.

The short one is the owner's page, `owner`. The full one has every row and column, the events
behind them, all pictures, and each other analysis that answers for one vehicle.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from roadworn.analysis.outlook import Outlook, outlook
from roadworn.analysis.result import Ran, Table
from roadworn.say.language import Said
from roadworn_cli.report.asking import Asker, told
from roadworn_cli.report.life_line import life_line
from roadworn_cli.report.looked_at import history_section, last_visit, of_one, today_section, who
from roadworn_cli.report.model import Block, Listing, Paragraph, Section, Sheet
from roadworn_cli.report.owner import owner_sections, table_of
from roadworn_cli.report.sections import Manner, left_out, rests_on, section_of
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from roadworn.intake.ledger import Ledger

#: Analyses of the sheet in their order: name, key of the heading.
_ASKED = (
    ("inspection-outlook", "passing"),
    ("keep-or-sell", "advice"),
    ("measured-wear", "wear"),
    ("maintenance-due", "service_due"),
    ("projection-backtest", "past_projections"),
)
#: Left out of the sheet where they have nothing to tell.
_IF_ANY = ("measured-wear",)
_TELLS_DUE = ("due_now",)
#: Tables about other vehicles as well: without their column they would read as this one's.
_OF_ALL = ("surprises",)
#: Answers that the outlook has already, unless the owner has settings for them.
_GATHERED = {
    "inspection-outlook": "inspection",
    "keep-or-sell": "advice",
    "maintenance-due": "maintenance",
    # One vehicle has too few cases to be right or wrong by: the record is that of all.
    "projection-backtest": "track_record",
}
#: Words an outcome may have, from the one to read first; an unknown word stands before all.
_OUTCOMES = {"fail": 1, "reject": 2, "not known": 3, "not_known": 3, "pass": 4}


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for.

    Attributes:
        vehicle: as the user names it.
        months: how far to look ahead.
        full: the long sheet.
        settings: analysis name -> settings that only the owner can say.
    """

    vehicle: str
    months: float = 12.0
    full: bool = False
    settings: Mapping[str, Mapping[str, object]] = field(default_factory=dict)


def vehicle_sheet(
    asker: Asker, request: Request, contact: tuple[Said, ...] = (), found: Outlook | None = None
) -> tuple[Sheet, Words]:
    """Gather the sheet of one vehicle.

    Args:
        asker: with the view and the plugins.
        request: which vehicle, and how much of it.
        contact: who the sheet is for, only when it was asked for.
        found: the outlook, when it is known already.

    Raises:
        UnknownName: the vehicle is not in the ledger.
    """
    view = asker.view
    vehicle_id = view.require_vehicle(request.vehicle)
    asker.look = asker.look.settled(view, vehicle_id)
    words = Words(asker.look)
    if found is None or found.unit != asker.look.unit:
        with told("outlook"):
            found = outlook(view, asker.host, vehicle_id, request.months, asker.look.unit)
    asker.take("next-repairs", found.next_repairs, _why(found, "next-repairs"))
    asker.take("repeat-failures", found.keeps_failing, _why(found, "repeat-failures"))
    for name, _key in _ASKED:
        given = request.settings.get(name, {})
        gathered = getattr(found, _GATHERED[name]) if name in _GATHERED else None
        if gathered is not None and not given:
            asker.take(name, gathered)
        else:
            asker.ask(name, vehicle=vehicle_id, **given)
    cautions = _cautions(found, words)
    if request.full:
        sections = _full(asker, found, words, vehicle_id, cautions)
    else:
        sections = owner_sections(asker, found, words, vehicle_id, cautions)
    sections.append(rests_on(found.size, found.root, found.as_of, words, full=request.full))
    title = words("vehicle_title", vehicle=vehicle_id)
    about = who(found, words)
    return Sheet(title, about, tuple(sections), contact, brief=not request.full), words


def _full(
    asker: Asker, found: Outlook, words: Words, vehicle_id: str, cautions: Section
) -> list[Section]:
    """Return the long sheet up to what it rests on."""
    sections = _first_part(asker, found, words, vehicle_id)
    sections += _answers(asker, words, vehicle_id)
    sections += _others(asker, words, vehicle_id)
    sections.append(history_section(asker.view, vehicle_id, words))
    missing = left_out(asker.left_out, words)
    return [*sections, *(one for one in (_trust(found, words), missing) if one), cautions]


def _why(found: Outlook, name: str) -> str:
    return next((p.message for p in found.problems if name in p.message), "")


def _first_part(asker: Asker, found: Outlook, words: Words, vehicle_id: str) -> list[Section]:
    """Return what is open and what goes next."""
    visit = last_visit(asker.view, vehicle_id, words)
    due = table_of(found.next_repairs, "due_now")
    sections = [today_section(found, visit, due, words, full=True)]
    if found.next_repairs is not None:
        sections.append(section_of(_of_one(found.next_repairs), words, _manner("goes_next")))
    return sections


def _answers(asker: Asker, words: Words, vehicle_id: str) -> list[Section]:
    """Return inspection, advice, what keeps failing, the line of life, wear, service, backtest."""
    ran, view = asker.ran, asker.view
    sections: dict[str, Section] = {}
    for name, key in _ASKED:
        if name in ran and (name not in _IF_ANY or ran[name].result.tables):
            answer = _of_one(ran[name])
            sections[name] = section_of(answer, words, _manner(key))
    failing = ran.get("repeat-failures")
    life = life_line(view, vehicle_id, failing, words)
    middle: list[Section] = []
    if failing is not None:
        middle.append(section_of(failing, words, _manner("keeps_failing")))
    if life is not None:
        middle.append(Section("life-line", words("life"), (life,)))
    first = [sections.pop(name) for name, _key in _ASKED[:2] if name in sections]
    return [*first, *middle, *sections.values()]


def _of_one(ran: Ran) -> Ran:
    """Return an answer without its columns of vehicles, what fails before what passes."""
    return replace(ran, result=replace(ran.result, tables=of_this_one(ran.result.tables)))


def of_this_one(tables: Iterable[Table]) -> tuple[Table, ...]:
    """Return the tables that are about one vehicle, what fails before what passes."""
    return tuple(_worst_first(of_one(table)) for table in tables if table.name not in _OF_ALL)


def _worst_first(table: Table) -> Table:
    at = next((i for i, column in enumerate(table.columns) if column.name == "outcome"), None)
    if at is None:
        return table
    order = sorted(range(len(table.rows)), key=lambda n: _OUTCOMES.get(str(table.rows[n][at]), 0))
    evidence = tuple(table.evidence[n] for n in order) if table.evidence else ()
    return replace(table, rows=tuple(table.rows[n] for n in order), evidence=evidence)


def _manner(key: str) -> Manner:
    return Manner(full=True, without=_TELLS_DUE, key=key)


def _others(asker: Asker, words: Words, vehicle_id: str) -> list[Section]:
    """Return every other analysis, a plugin's too, that can be asked about one vehicle."""
    sections = []
    for name, (_plugin, analysis) in asker.host.analyses().items():
        if name in asker.ran or name in asker.left_out:
            continue
        if "vehicle" in analysis.settings.model_fields:
            ran = asker.ask(name, vehicle=vehicle_id)
            if ran is not None:
                sections.append(section_of(_of_one(ran), words, Manner(full=True)))
    return sections


def _trust(found: Outlook, words: Words) -> Section | None:
    """Return what is not known; None when nothing is missing."""
    if not found.unknown:
        return None
    blocks: tuple[Block, ...] = (Listing(tuple(words.said(text) for text in found.unknown)),)
    return Section("not-known", words("not_known"), blocks)


def _cautions(found: Outlook, words: Words) -> Section:
    lines = tuple(words.said(text) for text in found.cautions)
    blocks: list[Block] = [Listing(lines)] if lines else []
    blocks.append(Paragraph(words.said(found.closing)))
    return Section("cautions", words("cautions"), tuple(blocks))


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
