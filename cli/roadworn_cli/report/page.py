"""Renders a sheet as one HTML file that needs nothing else: no script, no font, no network.

Every text is escaped by the template engine; the only markup let through is the SVG that
`svg.inline` made, whose labels were escaped on the way. A policy in the page forbids the
reader's browser to load or run anything, should something slip through all the same.
"""

from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn_cli.report.look import PAPERS
from roadworn_cli.report.model import Sheet
from roadworn_cli.report.words import Words

if TYPE_CHECKING:
    from jinja2 import Template

_FOLDER = Path(__file__).parent
#: How a file written by us begins; nothing else is ever overwritten.
BEGINS = "<!doctype html>"
_LONG_WORD = 18


def render(sheet: Sheet, words: Words) -> str:
    """Return a sheet as HTML."""
    from markupsafe import Markup

    return _template().render(
        sheet=sheet,
        # Neighbours that may stand in columns on paper are kept together.
        runs=[(wide, list(run)) for wide, run in groupby(sheet.sections, lambda s: s.wide)],
        words=words,
        language=words.look.language,
        paper=PAPERS[words.look.paper],
        name=Markup(_css_string(sheet.title.text)),  # noqa: S704  # hexadecimal only
        style=Markup(_style()),  # noqa: S704  # our own files
        drawn=Markup,
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
    sheet, stacked = (
        (_FOLDER / name).read_text(encoding="utf-8") for name in ("sheet.css", "stacked.css")
    )
    narrow = "\n".join(
        f"@media screen and (max-width: {width}) {{\n{stacked.replace('TABLE', table)}}}"
        for width, table in (("44rem", "table"), ("72rem", "table.wide"))
    )
    return f"{sheet}\n{narrow}"


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
    return environment.get_template("sheet.html")


def _long(text: str) -> bool:
    """Say whether a cell holds a word that no column is wide enough for."""
    return any(len(word) > _LONG_WORD for word in text.split())
