"""One analysis as a page of its own, whoever brings it: `analyse NAME --format html`."""

import os
import re
import sys
from collections.abc import Callable
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.analysis import Ran
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli.report.model import Report, Section
from roadworn_cli.report.paper import print_scale
from roadworn_cli.report.sections import Manner, blocks, rests_on
from roadworn_cli.words import PAPERS, Look, Words

if TYPE_CHECKING:
    from jinja2 import Template

    from roadworn.columns.view import LedgerView


_FOLDER = Path(__file__).parent
#: How a file written by us begins; nothing else is ever overwritten.
BEGINS = "<!doctype html>"
_LONG_WORD = 18
#: A day by ISO 8601, and a short name that ends in a number, as pickup-2.
_UNBROKEN = re.compile(r"(\b\d{4}-\d\d-\d\d\b|\b[A-Za-z]{1,10}-\d{1,4}\b)")


def render(report: Report, words: Words) -> str:
    """Return a report as HTML."""
    from markupsafe import Markup

    return _template().render(
        report=report,
        # Neighbours that may stand in columns on paper are kept together.
        runs=[(wide, list(run)) for wide, run in groupby(report.sections, lambda s: s.wide)],
        words=words,
        language=words.look.language,
        paper=PAPERS[words.look.paper],
        name=Markup(_css_string(report.title)),  # noqa: S704  # hexadecimal only
        style=Markup(_style()),  # noqa: S704  # our own files
        drawn=Markup,
        scale=print_scale(report, PAPERS[words.look.paper]),
    )


def _css_string(text: str) -> str:
    """Return any text as a string of CSS: what is not a plain letter or digit by its number.

    CSS Syntax Module Level 3, section 4.3.7: up to six hexadecimal digits and a space.
    """
    told = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x} " for c in text)
    return f'"{told}"'


@lru_cache
def _style() -> str:
    """Return the style: tables are stacked on narrow screens, those of many columns sooner."""
    report, stacked = (
        (_FOLDER / name).read_text(encoding="utf-8") for name in ("report.css", "stacked.css")
    )
    narrow = "\n".join(
        f"@media screen and (max-width: {width}) {{\n{stacked.replace('TABLE', table)}}}"
        for width, table in (("44rem", "table"), ("72rem", "table.wide"))
    )
    return f"{report}\n{narrow}"


@lru_cache
def _template() -> "Template":
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.tests["long"] = _long
    environment.filters["whole"] = _whole
    return environment.get_template("report.html")


def _whole(text: str) -> str:
    """Return a text as markup in which no line ends inside a day or at the hyphen of a name."""
    from markupsafe import Markup, escape

    parts = _UNBROKEN.split(str(text))
    return Markup("").join(  # every part is escaped
        Markup('<span class="d">{}</span>').format(part) if number % 2 else escape(part)
        for number, part in enumerate(parts)
    )


def _long(text: str) -> bool:
    """Say whether a cell holds a word that no column is wide enough for."""
    return any(len(word) > _LONG_WORD for word in text.split())


def check_target(out: str, ledger: Path, *, overwrite: bool = False) -> None:
    """Refuse a file that cannot be meant before minutes of work are done for it.

    Args:
        out: where the report is to go, ``-`` for stdout.
        ledger: never written over.
        overwrite: an earlier report may be written over; any other file never is.

    Raises:
        UsageError: no file is named, it is there already, or it is no report.
        EnvironmentFailure: its folder is not there, or it cannot be read.
    """
    if not out:
        raise UsageError(
            "Say where the report goes: --output report.html, or --output - for stdout."
        )
    if out == "-":
        return
    path = Path(out)
    if path.is_dir():
        raise UsageError(f"{out} is a folder: name a file in it, as {path / 'report.html'}.")
    if not path.parent.is_dir():
        raise EnvironmentFailure(f"The folder {path.parent} is not there: make it first.")
    if not path.exists():
        return
    try:
        with path.open("rb") as file:
            start = file.read(len(BEGINS))
    except OSError as error:
        raise EnvironmentFailure(
            f"{out} cannot be read ({error.strerror}): name another file."
        ) from error
    if path.resolve() == ledger.resolve() or (start and start != BEGINS.encode()):
        raise UsageError(
            f"{out} is there and is no report: name another file, nothing was written."
        )
    if not overwrite:
        raise UsageError(
            f"{out} is there already: name another file, or add --overwrite; nothing was written."
        )


def put(out: str, text: str, say: Callable[[str], None]) -> None:
    """Write a report whole or not at all, and say where it is.

    Raises:
        EnvironmentFailure: it cannot be written there.
    """
    if out == "-":
        sys.stdout.write(text)
        return
    path = Path(out)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise EnvironmentFailure(
            f"{out} cannot be written ({error.strerror}): see to its folder, or name another file."
        ) from error
    say(f"Written: {path} ({len(text.encode()) / 1e6:.2f} MB).")


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
        rests_on(view.path, view.checkpoint, view.today, words),
    )
    report = Report(title, (words("as_of_day", day=view.today), *words.spoken()), sections)
    return render(report, words)


def answer_page(ran: Ran, view: "LedgerView") -> str:
    """Return the answer of any analysis as a page with the usual looks, for a notebook."""
    from roadworn_cli.words import look_of

    return page_of(ran, view, look_of())


def every_format(ran: Ran, view: "LedgerView") -> None:
    """Write an answer in every form that a user may ask for, nowhere: for the kit of authors."""
    from contextlib import redirect_stderr, redirect_stdout
    from io import StringIO

    from roadworn_cli.output import FORMATS
    from roadworn_cli.results import show

    with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        for fmt in FORMATS:
            show(ran, fmt=fmt, origin=view.origin(), wide=True, evidence=True)
        answer_page(ran, view)
