"""Renders a sheet as one HTML file that needs nothing else: no script, no font, no network.

Every text is escaped by the template engine; the only markup let through is the SVG that
`svg.inline` made, whose labels were escaped on the way. A policy in the page forbids the
reader's browser to load or run anything, should something slip through all the same.
"""

from functools import lru_cache
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

    style = (_FOLDER / "sheet.css").read_text(encoding="utf-8")
    return _template().render(
        sheet=sheet,
        words=words,
        language=words.look.language,
        paper=PAPERS[words.look.paper],
        style=Markup(style),  # noqa: S704  # our own file
        drawn=Markup,
    )


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
