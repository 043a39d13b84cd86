"""A drawing as SVG that stands inside a page, with its text alternative."""

from xml.sax.saxutils import escape as in_xml

from roadworn_cli.report.canvas import LETTER, Sheet


def inline(sheet: Sheet, ident: str, title: str, description: str) -> str:
    """Return the markup of a drawing.

    Args:
        sheet: drawn; nothing of it is loaded from elsewhere.
        ident: unique on the page, letters, digits and hyphens.
        title: of the text alternative.
        description: the rest of it.
    """
    named = f"{ident}-title {ident}-desc"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {sheet.width:g} {sheet.height:.0f}"'
        f' font-size="{LETTER:g}" role="img" aria-labelledby="{named}">'
        f'<title id="{ident}-title">{in_xml(title)}</title>'
        f'<desc id="{ident}-desc">{in_xml(description)}</desc>{"".join(sheet.parts)}</svg>'
    )
