"""The blank look-over sheet for the clip board: what is filled in, and that it is one page."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from commandline import Run
from report.ledgers import HOSTILE
from report.markup import Page

MADE = (
    ("create",),
    ("enrol", "van-3", "--label", "Bakery", "--make", "Tarrow", "--model", "Carrier", "--year",
     "2015", "--odometer", "98,400 mi", "--plate", "ABC 123", "--on", "2026-01-05"),
    ("record", "inspection", "van-3", "brake pads front 5 mm sound", "tire LF 7/32 in sound",
     "outer tie rod end L failed loose", "ball joint RF-lower sound", "--on", "2026-02-05"),
    ("record", "estimate", "van-3", "brake rotor LF, replace 210.00 USD", "--on", "2026-02-05"),
    ("record", "authorisation", "van-3", "last", "1=declined", "--on", "2026-02-06"),
    ("record", "replacement", "van-3", "tire LF", "--reason", "worn out", "--on", "2026-02-07"),
)  # fmt: skip


@pytest.fixture
def bakery(run: Run) -> Run:
    for words in MADE:
        done = run(*words)
        assert done.code == 0, done.err
    return run


def lines_of(html: str) -> dict[str, str]:
    """Return the name of each line -> what stands below it."""
    found = {}
    for row in re.findall(r'<div class="row[^>]*>(.*?</p></div>|.*?</p>)', html):
        texts = [re.sub(r"<[^>]+>", "", part) for part in re.findall(r"<p[^>]*>(.*?)</p>", row)]
        found[texts[0]] = texts[1] if len(texts) > 1 else ""
    return found


def test_what_is_known_is_filled_in(bakery: Run) -> None:
    said = bakery("sheets", "--print", "van-3", "-o", "-")
    assert said.code == 0, said.err
    lines = lines_of(said.out)
    assert "Bakery, 2015 Tarrow Carrier" in said.out
    assert "ABC 123" in said.out
    assert "98,400 mi on 2026-01-05" in said.out
    assert lines["Disc brake pads front"] == "last 5 mm 2026-02-05; at least 0.794 mm"
    # First what failed, which stops it, then what was declined.
    names = list(lines)
    assert names[0].endswith("STOP")
    assert lines[names[0]].startswith("failed last time")
    assert names[1] == "Brake rotors LF"
    assert lines[names[1]].startswith("declined 2026-02-05")
    # The figure of a tire that is out says nothing of the one that is in.
    tread = lines["Tire tread LF"]
    assert "7/32" not in tread
    assert tread.startswith("worked on 2026-02-07, not looked at since")
    assert "at least 2/32 in" in tread


def test_four_boxes_a_line_and_none_is_marked(bakery: Run) -> None:
    text = bakery("sheets", "light", "--print", "van-3", "-o", "-").out
    rows = text.count('<div class="row')
    assert text.count('<span class="boxes"><i></i><i></i><i></i><i></i></span>') == rows > 50
    for mark in ("S sound", "W wearing", "F failed", "N not checked"):
        assert mark in text
    assert "A line without a mark was not checked." in text
    assert "no official inspection" in text
    assert "stands" in text  # the cautions of lifting stay


def test_in_spanish(bakery: Run) -> None:
    text = bakery("sheets", "--print", "van-3", "-o", "-", "--language", "es").out
    assert 'lang="es"' in text
    for word in ("ALTO", "bajo el capó", "S sano", "pastillas de freno", "última vez"):
        assert word.casefold() in text.casefold()
    assert "not looked at" not in text


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("light", "--print", "van-3"), 2, "--output"),
        (("light", "-o", "x.html"), 2, "--print VEHICLE"),
        (("light", "--print", "van-3", "--blank"), 2, "by hand"),
        (("light", "--print", "vann-3", "-o", "x.html"), 2, "van-3"),
        (("lite", "--print", "van-3", "-o", "x.html"), 2, "light"),
        (("light", "--print", "van-3", "-o", "x.html", "--paper", "a3"), 2, "letter"),
    ],
)
def test_a_slip_is_answered(bakery: Run, words: tuple[str, ...], code: int, told: str) -> None:
    said = bakery("sheets", *words)
    assert said.code == code
    assert told in said.err
    assert not Path("x.html").exists()


def test_a_page_is_written_over_only_when_asked(bakery: Run) -> None:
    words = ("sheets", "--print", "van-3", "-o", "sheet.html")
    assert bakery(*words).code == 0
    assert bakery(*words).code == 2
    assert bakery(*words, "--overwrite").code == 0
    Path("sheet.html").write_text("my own", encoding="utf-8")
    assert bakery(*words, "--overwrite").code == 2


def test_text_of_others_is_text(bakery: Run) -> None:
    assert bakery("record", "profile", "van-3", "--label", HOSTILE[:150]).code == 0
    text = bakery("sheets", "--print", "van-3", "-o", "-").out
    page = Page.of(text)
    assert page.tags("script") == page.tags("img") == []
    assert page.unbalanced == []
    assert "default-src 'none'" in text


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.slow
@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("sheet", ["light", "van", "heavy"])
@pytest.mark.parametrize("language", ["en", "es"])
def test_it_is_one_page_of_paper(
    demo_ledger: Path,
    run: Run,
    printed: Callable[[Path], bytes],
    tmp_path: Path,
    paper: str,
    sheet: str,
    language: str,
) -> None:
    page = tmp_path / "sheet.html"
    ledger = ("--ledger", str(demo_ledger), "--as-of", "2026-11-20")
    look = ("--paper", paper, "--language", language)
    assert run(*ledger, "sheets", sheet, "--print", "car-9", "-o", str(page), *look).code == 0
    assert pages_of(printed(page)) == 1
