"""A picture as SVG that stands inside a page."""

import io
import re
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

if TYPE_CHECKING:
    from matplotlib.figure import Figure


_SVG = "http://www.w3.org/2000/svg"


_LINK = "http://www.w3.org/1999/xlink"


_DRAWS = {
    f"{{{_SVG}}}{name}"
    for name in ("svg", "g", "path", "text", "tspan", "defs", "clipPath", "rect", "use", "circle")
}


_URL = re.compile(r"url\(#")


def inline(figure: "Figure", ident: str, title: str, description: str) -> str:
    """Return the markup of a figure.

    Args:
        figure: drawn; nothing of it is loaded from elsewhere.
        ident: unique on the page, letters, digits and hyphens.
        title: of the text alternative.
        description: the rest of it.
    """
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.StringIO()
    canvas: Any = FigureCanvasSVG(figure)
    canvas.print_svg(buffer, metadata=dict.fromkeys(("Date", "Creator")))
    ET.register_namespace("", _SVG)
    ET.register_namespace("xlink", _LINK)
    # Our own output of a moment ago, not a file from outside.
    root = ET.fromstring(buffer.getvalue())  # noqa: S314
    _keep_what_draws(root)
    _rename(root, ident)
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    root.set("role", "img")
    root.set("aria-labelledby", f"{ident}-title {ident}-desc")
    for place, (name, text) in enumerate((("title", title), ("desc", description))):
        element = ET.Element(f"{{{_SVG}}}{name}", {"id": f"{ident}-{name}"})
        element.text = text
        root.insert(place, element)
    return ET.tostring(root, encoding="unicode")


def _keep_what_draws(element: ET.Element) -> None:
    for child in list(element):
        if child.tag not in _DRAWS:
            element.remove(child)
        else:
            _keep_what_draws(child)


def _rename(root: ET.Element, ident: str) -> None:
    """Put the picture's own name before every id and every mention of one."""
    for element in root.iter():
        for key, value in list(element.attrib.items()):
            if key == "id":
                if element.tag.endswith("}g"):  # groups are named but never referred to
                    del element.attrib[key]
                else:
                    element.set(key, f"{ident}-{value}")
            elif key in {"href", f"{{{_LINK}}}href"} and value.startswith("#"):
                element.set(key, f"#{ident}-{value[1:]}")
            elif key in {"style", "clip-path"}:
                element.set(key, _URL.sub(f"url(#{ident}-", value))
