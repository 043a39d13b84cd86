"""What every page must hold without a browser: one file, in order, with names for everything."""

import itertools
import re
from pathlib import Path

import pytest
from builders import ledger_of
from commandline import ReportOf, Run
from report.ledgers import AS_OF, years_of_trouble
from report.markup import Page

from roadworn.analysis import Column, Holds, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.model import Grid, Heading, Line, Report, Section
from roadworn_cli.report.page import render
from roadworn_cli.report.vehicle import of_this_one
from roadworn_cli.words import Look, Words

REPORTS = [("vehicle", "car-1"), ("vehicle", "car-1", "--full"), ("fleet",), ("fleet", "--full")]


@pytest.fixture(params=REPORTS, ids=" ".join)
def text(request: pytest.FixtureRequest, report_of: ReportOf) -> str:
    return report_of("plain.db", "report", *request.param, "-o", "-")


@pytest.fixture
def page(text: str) -> Page:
    return Page.of(text)


def test_it_is_one_file_that_needs_no_other(text: str, page: Page) -> None:
    assert page.unbalanced == []
    loads = [
        value
        for _tag, attrs in page.elements
        for key, value in attrs.items()
        if key in {"src", "srcset", "data", "action"} or (key.endswith("href") and value)
    ]
    assert all(value is not None and value.startswith("#") for value in loads)
    assert "@import" not in text
    assert re.findall(r"url\((?!#)", text) == []
    policy = page.tags("meta")[1]
    assert policy["http-equiv"] == "Content-Security-Policy"
    assert str(policy["content"]).startswith("default-src 'none'; style-src 'unsafe-inline'")


def test_every_id_is_there_once_and_every_mention_finds_it(page: Page) -> None:
    ids = [attrs["id"] for _tag, attrs in page.elements if attrs.get("id")]
    assert len(ids) == len(set(ids))
    named = " ".join(str(a["aria-labelledby"]) for _t, a in page.elements if "aria-labelledby" in a)
    assert set(named.split()) <= set(ids)
    used = {str(a.get("xlink:href")) for a in page.tags("use")}
    assert {name.removeprefix("#") for name in used} <= set(ids)


def test_headings_go_down_one_step_at_a_time(page: Page) -> None:
    levels = [int(tag[1]) for tag, _attrs in page.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    steps = itertools.pairwise(levels)
    assert all(after - before <= 1 for before, after in steps)


def test_every_picture_has_words_and_numbers(page: Page) -> None:
    pictures = page.tags("svg")
    assert pictures
    for attrs in pictures:
        assert attrs["role"] == "img"
        title, description = str(attrs["aria-labelledby"]).split()
        assert title.endswith("-title")
        assert description.endswith("-desc")
    # Each is drawn for a page and for a phone, and one of them is shown.
    assert 2 * len(page.tags("figure")) == len(pictures)
    assert len(page.tags("figcaption")) == len(page.tags("figure"))


def test_tables_name_their_columns_and_rows(page: Page) -> None:
    assert page.tags("table")
    assert len(page.tags("caption")) == len(page.tags("table"))
    assert {attrs.get("scope") for attrs in page.tags("th")} == {"col", "row"}


def _line(first: str, width: int) -> Line:
    return Line(tuple(map(Said, (first, *"x" * (width - 1)))))


def test_an_empty_cell_heads_no_row_and_many_columns_stack_sooner() -> None:
    """An empty header is no header: rule empty-table-header of axe-core."""
    grids = [
        Grid(Said("t"), tuple(Heading(Said(f"h{n}")) for n in range(width)),
             (_line("", width), _line("y", width)))
        for width in (3, 9)
    ]  # fmt: skip
    report = Report(Said("s"), (), (Section("a", Said("a"), tuple(grids)),))
    page = Page.of(render(report, Words(Look())))
    assert [attrs["scope"] for attrs in page.tags("th")].count("row") == 2
    assert [attrs.get("class") for attrs in page.tags("table")] == [None, "wide"]


def test_it_names_what_it_rests_on(page: Page, plain: Path) -> None:
    from roadworn.intake import Ledger

    with Ledger.open(plain, writable=False) as ledger:
        mark = ledger.checkpoint()
    assert mark.root in page.text
    assert f"--since {mark.size}" in page.text


def test_what_it_rests_on_can_be_checked_later(
    run: Run, plain: Path, report_of: ReportOf, tmp_path: Path
) -> None:
    """The two commands that a report prints, run after the ledger has grown (RFC 6962, 2.1.2)."""
    text = Page.of(report_of("plain.db", "report", "fleet", "-o", "-")).text
    size = re.findall(r"--since (\d+)", text)[0]
    root = re.findall(r"--root ([0-9a-f]{64})", text)[0]
    grown = run("--ledger", str(plain), "record", "reading", "car-1", "99,000 mi")
    assert grown.code == 0, grown.err
    proof = tmp_path / "proof.json"
    proof.write_text(run("--ledger", str(plain), "proof", "--since", size).out)
    assert run("proof", "--check", str(proof), "--root", root).out.strip() == "holds"
    other = "0" * 64
    assert run("proof", "--check", str(proof), "--root", other).out.strip() == "does not hold"


def test_it_reads_in_order_and_safety_comes_first(report_of: ReportOf) -> None:
    text = Page.of(report_of("plain.db", "report", "vehicle", "car-1", "-o", "-")).text
    order = [
        "STOP: do not drive it",
        "outer tie rod end",
        "Today: before it is driven on",
        "Would it pass its inspection?",
        "What may fail next",
        "Its life so far",
        "Cautions",
        "What this report rests on",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)
    assert "safe to drive" not in text.casefold()
    assert "Do not drive until it is repaired" in text


def test_every_open_safety_item_of_the_fleet_stands_on_top(report_of: ReportOf) -> None:
    text = Page.of(report_of("plain.db", "report", "fleet", "-o", "-")).text
    top = text[: text.index("Contents")]
    assert "STOP: 2 vehicles must not be driven" in top
    assert top.count("outer tie rod end") == 2


def test_the_same_ledger_gives_the_same_page(run: Run, plain: Path, report_of: ReportOf) -> None:
    words = ("report", "fleet", "-o", "-")
    again = run("--ledger", str(plain), "--as-of", AS_OF, *words)
    assert again.out == report_of("plain.db", *words)


@pytest.mark.parametrize("words", [("vehicle", "car-1"), ("fleet",)], ids=["vehicle", "fleet"])
def test_one_vehicle_with_one_event_is_enough(run: Run, single: Path, words) -> None:
    done = run("--ledger", str(single), "report", *words, "--full", "-o", "-")
    assert done.code == 0, done.err
    page = Page.of(done.out)
    assert page.tags("svg") == []  # nothing to draw is no empty picture
    unknown = "No look-over and no scan" if "vehicle" in words else "nobody looked at is not known"
    assert unknown in page.text
    assert "No safety item is recorded as failed" not in page.text


def test_an_empty_ledger_is_enough_for_the_fleet(run: Run, tmp_path: Path) -> None:
    assert run("--ledger", "empty.db", "create").code == 0
    done = run("--ledger", "empty.db", "report", "fleet", "-o", "-")
    assert done.code == 0, done.err
    page = Page.of(done.out)
    assert "No vehicle is enrolled yet." in page.text
    assert "What to record first" in page.text
    assert len(page.tags("section")) == 1  # one short page


def test_a_full_report_tells_a_long_look_over_to_its_end(run: Run, tmp_path: Path) -> None:
    names = [f"item{n}" for n in range(200)]
    ledger = ledger_of(tmp_path / "long.db", years_of_trouble("car-1", "; ".join(names)))
    done = run("--ledger", str(ledger), "report", "vehicle", "car-1", "--full", "-o", "-")
    assert done.code == 0, done.err
    history = Page.of(done.out[done.out.index('<h2 id="history"') :]).text
    assert names[-1] in history


def test_every_printed_page_names_its_vehicle_whatever_it_is_called() -> None:
    """CSS Syntax Module Level 3, section 4.3.7: an escape is a backslash and six digits."""
    report = Report(Said('"} </style> é'), (), ())
    assert r'@bottom-left { content: "\000022 \00007d \000020 ' in render(report, Words(Look()))


def test_failures_of_other_vehicles_are_on_no_vehicle_report() -> None:
    columns = (Column("vehicle", "vehicle", tells=Tells.VEHICLE), Column("what", "what"))
    rows = (("car-2", "brake pad"),)
    of_all = Table("surprises", "Failures that came", columns, rows, holds=Holds.OF_ALL)
    own = Table("calibration", "Given and came", columns, (("car-1", "brake pad"),))
    assert [t.name for t in of_this_one((of_all, own))] == ["calibration"]
