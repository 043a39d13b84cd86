"""The vehicle sheet: what the customer takes home.

The short one is the owner's page: what was looked at and is open, safety first; what goes
next; what passing the inspection takes; the advice; the line of life. The full one has every
row and column, the events behind them, and each other analysis that answers for one vehicle.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from roadworn.analysis import Ran, Table
from roadworn.outlook import Outlook, outlook
from roadworn_cli.report.asking import Asker, told
from roadworn_cli.report.life_line import life_line
from roadworn_cli.report.looked_at import history_section, last_visit, of_one, today_section, who
from roadworn_cli.report.model import Block, Listing, Paragraph, Phrase, Section, Sheet
from roadworn_cli.report.sections import Manner, left_out, rests_on, section_of
from roadworn_cli.report.wear import wear_section
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from roadworn.store import Ledger

#: What an owner reads of wider tables; tables with none of these columns are shown whole.
_OWNER = (
    ("next_repairs", ("what", "age", "chance", "cost", "safety")),
    ("repeat_failures", ("component", "where", "failed", "expected", "avoidable_cost", "since")),
    ("items", ("item", "outcome", "cost", "citation")),
    ("vehicles", ("outlook", "fails", "not_known", "cost", "due")),
    ("maintenance_due", ("component", "state", "last_on", "due_on", "due_at", "cost")),
)
#: Analyses of the sheet in their order: name, key of the heading.
_ASKED = (
    ("inspection-outlook", "passing"),
    ("keep-or-sell", "advice"),
    ("maintenance-due", "service_due"),
    ("projection-backtest", "past_projections"),
)
_TELLS_DUE = ("due_now",)
#: Tables that say again what headline and picture of the owner's page say.
_SAID = (
    "vehicles", "totals", "by_quarter", "stock", "reliability", "by_day", "by_component",
    "surprises",
)  # fmt: skip
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
    asker: Asker, request: Request, contact: tuple[Phrase, ...] = (), found: Outlook | None = None
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
    wanted_unit = asker.look.unit
    asker.look = asker.look.settled(view, vehicle_id)
    words = Words(asker.look)
    if found is None:
        with told("outlook"):
            found = outlook(view, asker.host, vehicle_id, request.months)
    if wanted_unit:
        # The outlook goes by the unit of the readings; asked again, it answers in the one wanted.
        asker.ask("next-repairs", vehicle=vehicle_id, months=request.months)
        found = replace(found, next_repairs=asker.ran.get("next-repairs"))
    else:
        asker.take("next-repairs", found.next_repairs, _why(found, "next-repairs"))
    asker.take("repeat-failures", found.keeps_failing, _why(found, "repeat-failures"))
    for name, _key in _ASKED:
        asker.ask(name, vehicle=vehicle_id, **request.settings.get(name, {}))
    sections = _first_part(asker, found, words, request, vehicle_id)
    sections += _answers(asker, words, request)
    if request.full:
        sections += _others(asker, words, vehicle_id)
        sections.append(history_section(view, vehicle_id, words))
    missing = left_out(asker.left_out, words)
    sections += [one for one in (_trust(found, words), missing, _cautions(found, words)) if one]
    sections.append(rests_on(found.size, found.root, found.as_of, words))
    title = words.phrase("vehicle_title", vehicle=vehicle_id)
    return Sheet(title, who(found, words), tuple(sections), contact), words


def _why(found: Outlook, name: str) -> str:
    return next((p.message for p in found.problems if name in p.message), "")


def _first_part(
    asker: Asker, found: Outlook, words: Words, request: Request, vehicle_id: str
) -> list[Section]:
    """Return what is open and what goes next."""
    visit = last_visit(asker.view, vehicle_id, words)
    due = _table(found.next_repairs, _TELLS_DUE)
    sections = [today_section(found, visit, due, words, full=request.full)]
    if found.next_repairs is not None:
        manner = _manner(request, "goes_next", first=8)
        sections.append(section_of(_of_one(found.next_repairs), words, manner))
    return sections


def _table(ran: Ran | None, names: tuple[str, ...]) -> Table | None:
    tables = ran.result.tables if ran is not None else ()
    return next((table for table in tables if table.name in names), None)


def _answers(asker: Asker, words: Words, request: Request) -> list[Section]:
    """Return inspection, advice, what keeps failing, the line of life, wear, service, backtest."""
    ran, view = asker.ran, asker.view
    vehicle_id = view.require_vehicle(request.vehicle)
    sections: dict[str, Section] = {}
    for name, key in _ASKED:
        if name in ran:
            answer = _of_one(ran[name])
            sections[name] = section_of(answer, words, _manner(request, key, first=5))
    failing = ran.get("repeat-failures")
    life = life_line(view, vehicle_id, failing, words)
    middle: list[Section] = []
    if failing is not None:
        manner = _manner(request, "keeps_failing", first=6)
        middle.append(section_of(failing, words, manner))
    if life is not None:
        middle.append(Section("life-line", words.phrase("life"), (life,)))
    if not any(
        chart.name.startswith("wear") for one in ran.values() for chart in one.result.charts
    ):
        profile = view.sql(
            "SELECT weight_class FROM vehicles WHERE vehicle_id = ?", (vehicle_id,)
        ).rows
        answers = list(ran.values())
        worn = wear_section(view, vehicle_id, profile[0][0], answers, words, full=request.full)
        middle += [worn] if worn is not None else []
    first = [sections.pop(name) for name, _key in _ASKED[:2] if name in sections]
    return [*first, *middle, *sections.values()]


def _of_one(ran: Ran) -> Ran:
    """Return an answer without its columns of vehicles, what fails before what passes."""
    tables = tuple(_worst_first(of_one(table)) for table in ran.result.tables)
    return replace(ran, result=replace(ran.result, tables=tables))


def _worst_first(table: Table) -> Table:
    at = next((i for i, column in enumerate(table.columns) if column.name == "outcome"), None)
    if at is None:
        return table
    order = sorted(range(len(table.rows)), key=lambda n: _OUTCOMES.get(str(table.rows[n][at]), 0))
    evidence = tuple(table.evidence[n] for n in order) if table.evidence else ()
    return replace(table, rows=tuple(table.rows[n] for n in order), evidence=evidence)


def _manner(request: Request, key: str, first: int) -> Manner:
    return Manner(
        full=request.full,
        first=0 if request.full else first,
        without=_TELLS_DUE if request.full else (*_TELLS_DUE, *_SAID),
        only=_OWNER,
        key=key,
    )


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
    return Section("not-known", words.phrase("not_known"), blocks)


def _cautions(found: Outlook, words: Words) -> Section:
    lines = tuple(words.said(text) for text in found.cautions)
    blocks: list[Block] = [Listing(lines)] if lines else []
    blocks.append(Paragraph(words.said(found.closing)))
    return Section("cautions", words.phrase("cautions"), tuple(blocks))


def contact_lines(ledger: "Ledger", reference: str | None, words: Words) -> tuple[Phrase, ...]:
    """Return who a vehicle belongs to, from the contacts kept beside the events.

    Raises:
        UnknownName: the contact was never written, or it was erased.
        UsageError: the vehicle carries no reference.
    """
    from roadworn.errors import UsageError

    if not reference:
        raise UsageError(
            "No owner reference is on record for this vehicle: leave out --contact, or write one "
            "with `roadworn record profile`."
        )
    contact = ledger.contacts.get(reference)
    lines = [words.plain(contact.name or reference)]
    for text in (contact.address, contact.phone):
        lines += [words.plain(line) for line in (text or "").splitlines() if line.strip()]
    return tuple(Phrase(line) for line in lines)
