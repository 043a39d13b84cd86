"""What the tests read out of a page: elements, ids and text, with the standard parser."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "br", "img", "link", "input", "hr", "col"}


@dataclass
class Page(HTMLParser):
    """The elements of a page in order, and its text."""

    elements: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    _inside: list[str] = field(default_factory=list)
    unbalanced: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    @classmethod
    def of(cls, text: str) -> "Page":
        page = cls()
        page.feed(text)
        page.close()
        page.unbalanced += page._inside
        return page

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self._inside.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()
        else:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        if "style" not in self._inside:
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())

    def tags(self, name: str) -> list[dict[str, str | None]]:
        return [attrs for tag, attrs in self.elements if tag == name]
