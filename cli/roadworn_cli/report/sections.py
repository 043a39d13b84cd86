"""From the answer of any analysis to a section of a sheet.

Tables, charts and estimates are shown as they come. For some bundled analyses a picture is
made from their table, known by name; where the table has other columns, there is no picture
and nothing else changes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from roadworn.analysis.result import Ran, Table
from roadworn.say.language import Said
from roadworn_cli.report.charts import draw
from roadworn_cli.report.model import (
    Block,
    Facts,
    Fold,
    Listing,
    Paragraph,
    Picture,
    Section,
)
from roadworn_cli.report.pictures import PICTURES
from roadworn_cli.report.tables import blocks_of
from roadworn_cli.report.words import Words
from roadworn_cli.results import in_words

#: Analyses that quote what an instrument showed, which no setting of the sheet changes.
_QUOTED = frozenset({"odometer-audit"})


@dataclass(frozen=True, slots=True)
class Manner:
    """How much of an answer is shown.

    Attributes:
        full: columns of detail, evidence and settings too.
        first: rows of a table that stand open, 0 for all.
        without: tables that are told elsewhere.
        only: table name -> columns for the short sheet.
        key: where the heading of the section stands in the strings; empty takes the
            analysis' own title.
    """

    full: bool = False
    first: int = 0
    without: tuple[str, ...] = ()
    only: tuple[tuple[str, tuple[str, ...]], ...] = ()
    key: str = ""


def section_of(ran: Ran, words: Words, manner: Manner, anchor: str = "") -> Section:
    """Return an answer as a section: finding, pictures, tables, reservations."""
    name = anchor or _anchor(ran.analysis.name)
    title = words(manner.key) if manner.key else words.said(ran.analysis.title)
    return Section(name, title, blocks(ran, words, manner, name))


def blocks(ran: Ran, words: Words, manner: Manner, anchor: str) -> tuple[Block, ...]:
    """Return what an answer says, without its heading."""
    result = ran.result
    found: list[Block] = [Paragraph(words.said(result.headline), "lead")]
    found += pictures(ran, words, anchor)
    columns = dict(manner.only)
    for table in result.tables:
        if table.name in manner.without or _beside_chart(table, ran):
            continue
        only = () if manner.full else columns.get(table.name, ())
        first = 0 if manner.full else manner.first
        found += blocks_of(table, words, full=manner.full, only=only, first=first)
    if not result.tables and result.estimates:
        pairs = tuple(
            (words.said(estimate.name), words.said(in_words(estimate).partition(": ")[2]))
            for estimate in result.estimates
        )
        found.append(Facts(pairs))
    found += reservations(result.caveats, words, fold=not manner.full)
    if ran.analysis.name in _QUOTED:
        found.append(Paragraph(words("as_shown"), "quiet"))
    if manner.full:
        chosen = ran.settings.model_dump(mode="json", exclude_none=True)
        asked = ", ".join(f"{key}={value}" for key, value in chosen.items() if value != "")
        found.append(
            Paragraph(
                words("asked", name=ran.analysis.name, plugin=ran.plugin, settings=asked),
                "quiet",
            )
        )
    return tuple(found)


def reservations(caveats: Sequence[str], words: Words, *, fold: bool) -> tuple[Block, ...]:
    """Return how far a figure may be trusted."""
    if not caveats:
        return ()
    listing = Listing(tuple(words.said(text) for text in caveats))
    return (Fold(words("trust"), (listing,), open=not fold, printed=True),)


def pictures(ran: Ran, words: Words, anchor: str) -> list[Picture]:
    """Return the pictures of an answer: those made from its tables, then its own charts."""
    found: list[Picture] = []
    maker: Callable[[Ran, str, Words], list[Picture]] | None = PICTURES.get(ran.analysis.name)
    if maker is not None:
        found += maker(ran, f"{anchor}-p", words)
    for number, chart in enumerate(ran.result.charts):
        beside = [table for table in ran.result.tables if table.name.startswith(f"{chart.name}_")]
        drawn = draw(chart, f"{anchor}-c{number}", words, beside)
        if drawn is not None:
            found.append(drawn)
    return found


def _beside_chart(table: Table, ran: Ran) -> bool:
    """Say whether a table belongs to a chart, as `survival_at_risk` to `survival`."""
    return any(table.name.startswith(f"{chart.name}_") for chart in ran.result.charts)


def _anchor(name: str) -> str:
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())


def left_out(missing: dict[str, str], words: Words) -> Section | None:
    """Return a word for each analysis that has no answer; None when all have."""
    if not missing:
        return None
    lines = tuple(
        words("cannot", name=name, why=why) if why else words("absent", name=name)
        for name, why in missing.items()
    )
    return Section("left-out", words("left_out"), (Listing(lines),))


def rests_on(size: int, root: str, day: object, words: Words, *, full: bool = True) -> Section:
    """Return what a sheet rests on, so that somebody who holds it can check it later.

    The full text repeats the root in the command to type; the short one points to it.
    """
    mark = (words("root"), Said(root))
    if not full:
        told = words("check_short", size=str(size))
        return Section("rests-on", words("rests_on"), (Facts((mark,)), Paragraph(told, "quiet")))
    facts = Facts(
        (
            (words("events_in_ledger"), words("count", number=size)),
            mark,
            (words("as_of"), words.plain(day)),
        )
    )
    told = words("check_later", size=str(size), root=root)
    return Section("rests-on", words("rests_on"), (facts, Paragraph(told, "quiet")))
