"""From the answer of any analysis to a section of a report.

Tables, charts and estimates are shown as they come. Some tables are drawn as well, by what they
hold; where a column that a picture needs is not there, there is no picture and nothing else
changes.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.analysis import Answers, Holds, Ran, Table
from roadworn.say import Said
from roadworn_cli.report.charts import draw
from roadworn_cli.report.model import (
    Block,
    Facts,
    Fold,
    Listing,
    Paragraph,
    Picture,
    Section,
    Verbatim,
)
from roadworn_cli.report.pictures import estimates_of, pictures_of
from roadworn_cli.report.tables import blocks_of, listed_by_vehicle
from roadworn_cli.results import figures_of
from roadworn_cli.words import Words

if TYPE_CHECKING:
    from roadworn.store.merkle import Checkpoint


@dataclass(frozen=True, slots=True)
class Manner:
    """How much of an answer is shown.

    Attributes:
        full: columns of detail, evidence and settings too.
        first: rows of a table that stand open, 0 for all.
        most: rows that have all their columns, 0 for all; the rest is listed by vehicle, or its
            command is named.
        asked: the analysis and its settings, as they are typed.
        without: what tables hold that are told elsewhere.
        lead: begin with the headline.
        plain: without the sentences below rows, and the reservations not on paper.
        fold: tables are folded on a phone.
        key: where the heading of the section stands in the strings.
        heading: the heading itself; without either it is the analysis' own title.
    """

    full: bool = False
    first: int = 0
    most: int = 0
    asked: str = ""
    without: frozenset[Holds] = frozenset()
    lead: bool = True
    plain: bool = False
    fold: bool = False
    key: str = ""
    heading: str = ""


def section_of(ran: Ran, words: Words, manner: Manner) -> Section:
    """Return an answer as a section: finding, pictures, tables, reservations."""
    anchor = "".join(c if c.isascii() and c.isalnum() else "-" for c in ran.analysis.name.lower())
    heading = manner.heading or ran.analysis.title
    title = words(manner.key) if manner.key else words.said(heading)
    return Section(anchor, title, blocks(ran, words, manner, anchor), wide=True)


def blocks(ran: Ran, words: Words, manner: Manner, anchor: str) -> tuple[Block, ...]:
    """Return what an answer says, without its heading."""
    result = ran.result
    lead = Paragraph(words.said(result.headline), "lead")
    found: list[Block] = [lead] if manner.lead else []
    if result.cautions:
        found.append(listed(result.cautions, words))
    found += pictures(ran, words, anchor, manner.without)
    first = 0 if manner.full else manner.first
    for table in result.tables:
        if table.holds not in manner.without and not _beside_chart(table, ran):
            shown = without_sentences(table) if manner.plain else table
            whole = shown if not manner.most else first_rows(shown, manner.most)
            made = blocks_of(whole, words, full=manner.full, first=first)
            if len(whole.rows) < len(shown.rows):
                made += listed_by_vehicle(shown, words)
                command = f"roadworn analyse {manner.asked} --table {table.name} --format csv"
                told = words("rows_by_command", n=len(shown.rows), command=Said(command))
                made += (Paragraph(told, "quiet"),)
            found += folded(words.said(table.title), made) if manner.fold else made
    if not result.tables and result.estimates:
        found.append(
            Facts(
                tuple(
                    (words.said(estimate.name), words.said(figures_of(estimate)))
                    for estimate in result.estimates
                )
            )
        )
    if result.caveats:
        listing = listed(result.caveats, words)
        found.append(Fold(words("trust"), (listing,), open=manner.full, printed=manner.full))
    if ran.analysis.answers is Answers.ODOMETER:
        # It quotes what an instrument showed, which no setting of the report changes.
        found.append(Paragraph(words("as_shown"), "quiet"))
    if manner.full:
        chosen = ran.settings.model_dump(mode="json", exclude_none=True)
        asked = ", ".join(f"{key}={value}" for key, value in chosen.items() if value != "")
        told = words("asked", name=ran.analysis.name, plugin=ran.plugin, settings=Said(asked))
        found.append(Paragraph(told, "quiet"))
    return tuple(found)


def folded(title: Said, blocks: tuple[Block, ...]) -> tuple[Block, ...]:
    """Return blocks as one that is folded on a phone; nothing where there are none."""
    return (Fold(title, blocks, narrow=True),) if blocks else ()


def first_rows(table: Table, most: int) -> Table:
    """Return the first rows of a table, with what belongs to them."""
    return replace(
        table, rows=table.rows[:most], marks=table.marks[:most], evidence=table.evidence[:most]
    )


def without_sentences(table: Table) -> Table:
    """Return a table without the sentences that stand below its rows."""
    at = [i for i, column in enumerate(table.columns) if column.kind != "sentence"]
    return replace(
        table,
        columns=tuple(table.columns[i] for i in at),
        rows=tuple(tuple(row[i] for i in at) for row in table.rows),
    )


def listed(texts: Iterable[object], words: Words) -> Listing:
    """Return sentences of analyses below each other."""
    return Listing(tuple(words.said(text) for text in texts))


def pictures(
    ran: Ran, words: Words, anchor: str, without: frozenset[Holds] = frozenset()
) -> list[Picture]:
    """Return the pictures of an answer: those made from its tables, then its own charts."""
    tables = [table for table in ran.result.tables if table.holds not in without]
    found = pictures_of(tables, f"{anchor}-p", words)
    for number, chart in enumerate(ran.result.charts):
        beside = [table for table in ran.result.tables if table.name.startswith(f"{chart.name}_")]
        drawn = draw(chart, f"{anchor}-c{number}", words, beside)
        if drawn is not None:
            found.append(drawn)
    other = None if found else estimates_of(tables, f"{anchor}-e", words)
    return [other] if other is not None else found


def _beside_chart(table: Table, ran: Ran) -> bool:
    """Say whether a table belongs to a chart, as `survival_at_risk` to `survival`."""
    return any(table.name.startswith(f"{chart.name}_") for chart in ran.result.charts)


def left_out(missing: dict[str, str], words: Words) -> Section | None:
    """Return a word for each analysis that has no answer; None when all have."""
    if not missing:
        return None
    lines = tuple(
        words("cannot", name=name, why=words.said(why)) if why else words("absent", name=name)
        for name, why in missing.items()
    )
    return Section("left-out", words("left_out"), (Listing(lines),))


def cautions_section(
    cautions: Iterable[str], closing: str, words: Words, *, fold: bool = False
) -> Section:
    """Return the cautions for the parts that a report names, and what holds for any of them.

    Args:
        cautions: for whoever does the work.
        closing: what holds for any of them; it is never folded.
        words: of the report.
        fold: whether a phone folds the list.
    """
    lines = listed(cautions, words)
    found: tuple[Block, ...] = (lines,) if lines.texts else ()
    if fold:
        found = folded(words("caution_fold", number=len(lines.texts)), found)
    blocks = (*found, Paragraph(words.said(closing)))
    return Section("cautions", words("cautions"), blocks, wide=True)


def rests_on(
    ledger: Path, mark: "Checkpoint", day: object, words: Words, *, full: bool = True
) -> Section:
    """Return what a report rests on, so that somebody who holds it can check it later.

    Where the ledger has a key here, its signed head stands there, as `roadworn head` prints it.

    Args:
        ledger: the ledger.
        mark: its size and root.
        day: the day that is meant by today.
        words: the language.
        full: the root is repeated in the command to type; the short form points to it.
    """
    from roadworn.store.keeping import head_to_hand_over

    head = head_to_hand_over(ledger, mark)
    size = str(mark.size)
    if not full:
        short: tuple[Block, ...]
        if head is None:
            told = words("check_short", number=mark.size, size=size, root=mark.root)
            short = (Paragraph(told, "quiet"),)
        else:
            told = words("check_short_head", number=mark.size)
            short = (Paragraph(told, "quiet"), Verbatim(str(head)))
        fold = Fold(words("check_fold", number=mark.size), short, narrow=True)
        return Section("rests-on", words("rests_on"), (fold,))
    pairs = (
        (words("events_in_ledger"), words("count", number=mark.size)),
        (words("root"), Said(mark.root)),
        (words("as_of"), words.plain(day)),
    )
    found: tuple[Block, ...] = (
        Facts(pairs),
        Paragraph(words("check_later", size=size, root=mark.root), "quiet"),
    )
    if head is not None:
        found += (Paragraph(words("check_head"), "quiet"), Verbatim(str(head)))
    return Section("rests-on", words("rests_on"), found, wide=True)
