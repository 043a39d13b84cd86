"""One analysis as a page of its own, whoever brings it: `analyse NAME --format html`."""

from typing import TYPE_CHECKING

from roadworn.analysis import Ran
from roadworn_cli.report.look import Look
from roadworn_cli.report.model import Section, Sheet
from roadworn_cli.report.page import render
from roadworn_cli.report.sections import Manner, blocks, rests_on
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from roadworn.view import LedgerView


def page_of(ran: Ran, view: "LedgerView", look: Look, *, full: bool = False) -> str:
    """Return the answer of any analysis as HTML.

    Args:
        ran: the answer.
        view: the ledger it was asked of.
        look: settings of the page.
        full: with columns of detail and evidence.
    """
    words = Words(look.settled(view))
    title = words.said(ran.analysis.title)
    found = blocks(ran, words, Manner(full=full), "answer")
    sections = (
        Section("finding", words.said(ran.analysis.question), found),
        rests_on(ran.ledger_size, ran.ledger_root, view.today, words),
    )
    sheet = Sheet(title, (words.phrase("as_of_day", day=view.today), *words.spoken()), sections)
    return render(sheet, words)
