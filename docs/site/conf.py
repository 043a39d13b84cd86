"""The documents as a site: Sphinx over the Markdown as it lies; `docs/index.md` has the command.

A page that lists others by links is their table of contents, so that no page needs a directive
that a reader of plain Markdown would stumble over. A link to nowhere is a warning, and the test
builds with warnings as errors.
"""

import re
from importlib.metadata import version as version_of
from pathlib import Path

project = "Roadworn"
version = release = version_of("roadworn")
author = copyright = "the authors of Roadworn"  # noqa: A001  # Sphinx asks for this name
extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
root_doc = "index"
exclude_patterns = ["site"]
html_theme = "alabaster"
html_theme_options = {"description": "The service memory of a shop", "fixed_sidebar": True}
html_copy_source = False
html_show_sourcelink = False
#: Headings that a link may name.
myst_heading_anchors = 3
# Words of a fence that no lexer has would be warnings of no use to anybody.
suppress_warnings = ["misc.highlighting_failure"]

_CONTENTS = {"index", "plugins/index", "decisions/README"}
_LINK = re.compile(r"\]\((?!\.\./|https?:)([\w./-]+)\.md\)")


def _listed(app, docname, source):  # noqa: ANN001, ANN202, ARG001  # as Sphinx calls it
    if docname in _CONTENTS:
        pages = "\n".join(dict.fromkeys(_LINK.findall(source[0])))
        source[0] += f"\n\n```{{toctree}}\n:hidden:\n\n{pages}\n```\n"


def setup(app):  # noqa: ANN001, ANN201  # as Sphinx calls it
    """Have the pages that list others be their contents."""
    app.connect("source-read", _listed)
    app.add_config_value("read_from", str(Path(__file__).parent), "env")
