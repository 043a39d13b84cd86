"""A page in Spanish: every word of ours is said in it, and what was typed stays as it was typed."""

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from page.conftest import HOSTILE, Served
from page.test_guard import form
from page.test_hand_over import settled

from roadworn.say import SOURCE, languages, strings
from roadworn_cli.page import app
from roadworn_cli.page.words import FORMS, SCRIPT

httpx = pytest.importorskip("httpx")
TEMPLATES = sorted((Path(app.__file__).parent / "templates").glob("*.html"))
#: What was typed: names, notes and complaints of the ledger, units, codes.
TYPED = {"van", "car", "tarrow", "loose", "clunk", "vin", "usd", "jpeg", "png", "webp"}
#: A number plate, as one looks.
TYPED |= {"abc"}
TYPED |= set(re.findall(r"[a-z]{3,}", HOSTILE))
#: Words of both languages, and those of the bench, which reads work in English alone.
BOTH = {"total", "control", "local", "part", "own"}


class Words(HTMLParser):
    """The words that a page shows or says to a reader of the screen."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: set[str] = set()
        self._silent = False
        self.feed(page)

    def _take(self, text: str | None) -> None:
        self.words |= {word.casefold() for word in re.findall(r"\b[^\W\d_]{3,}\b", text or "")}

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        self._silent = tag in ("style", "script") or told.get("lang") == "en"
        for name in ("aria-label", "placeholder", "alt", "title"):
            self._take(told.get(name))

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self._take(data)
        self._silent = False


@pytest.fixture
def asked(served: Served, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    monkeypatch.setenv("ROADWORN_CURRENCY", "USD")
    with httpx.Client(base_url=served.url, trust_env=False, timeout=60) as client:
        client.get("/")
        offer = {"job:0": "disc brake pads front", "take:0": "yes", "price:0": "190"}
        offer |= {"job:1": "wiper blade", "take:1": "yes", "price:1": "28"}
        offer |= {"job:2": "horn", "take:2": "yes", "price:2": "60"}
        send(client, "estimate", **offer)
        estimate = served.events("estimate")[-1].event_id
        answers = {"a:1": "approved", "a:2": "approved", "a:3": "declined"}
        send(client, "answer", estimate=estimate, **answers)
        send(client, "work", **{f"take:{estimate}-1": "yes", f"how:{estimate}-1": "worn_out"})
        send(client, "scan", pasted="P0301 pending", lamp="on")
        send(client, "complaint", complaint="clunk")
        send(client, "visit", step="arrived", promised="2027-01-04", sure="")
        yield client


def send(client: Any, path: str, **fields: str) -> None:
    fields = form(client, key=f"0123456789{path}", odometer="98,500", **fields)
    answer = client.post(f"/v/van-3/{path}", data=fields)
    assert answer.status_code == 303, answer.text


def test_no_english_word_is_left_on_a_spanish_page(asked: Any) -> None:
    paths = ["/", "/?q=nobody", "/day", "/take-in", "/v/van-3", "/v/van-3/history"]
    paths += [f"/v/van-3/{form}" for form in FORMS if form != "take-in"]
    english = {path: Words(settled(asked, path)).words for path in paths}
    assert asked.get("/language/es").status_code == 303
    left, pages = {}, {}
    for path in paths:
        pages[path] = settled(asked, path)
        assert '<html lang="es"' in pages[path]
        same = (Words(pages[path]).words & english[path]) - TYPED - BOTH
        if same:
            left[path] = sorted(same)
    assert left == {}
    # What was typed is shown as it was, and the ledger's own words are not.
    assert "queja: clunk" in pages["/v/van-3/history"]
    assert "ALTO" in pages["/v/van-3"]
    assert "averiado desde 2026-05-04, loose" in pages["/v/van-3/look-over"]
    # Another device speaks its own language.
    with httpx.Client(base_url=asked.base_url, trust_env=False) as other:
        assert '<html lang="en"' in other.get("/").text
    assert asked.get("/language/xx").status_code == 404


def test_a_template_has_no_words_of_its_own() -> None:
    left = {}
    for path in TEMPLATES:
        text = re.sub(r"(?s)\{%.*?%\}|\{\{.*?\}\}", "", path.read_text(encoding="utf-8"))
        labels = re.findall(r'(?:aria-label|placeholder|alt|title)="([^"]*[A-Za-z]{2}[^"]*)"', text)
        words = re.findall(r"[A-Za-z]{2,}", re.sub(r"<[^>]*>", "", text)) + labels
        if words:
            left[path.name] = words
    # What stands in a page's title before a template of its own fills it is the project's name.
    assert left == {"base.html": ["Roadworn"]}


@pytest.mark.parametrize("language", sorted({*languages()} - {SOURCE}))
def test_every_text_of_the_page_is_there(language: str) -> None:
    page, texts = strings(language).page, strings(language).texts
    asked = {*SCRIPT.values(), *FORMS.values()}
    for path in TEMPLATES:
        text = path.read_text(encoding="utf-8")
        for mark in "\"'":
            asked |= set(re.findall(rf"(?<![\w.])t\({mark}([^{mark}]+){mark}", text))
    assert len(asked) > 130
    assert sorted(asked - page.keys() - texts.keys()) == []
    places = re.compile(r"\{(\w+)")
    other = {text for text in page if {*places.findall(text)} != {*places.findall(page[text])}}
    assert other == set()
