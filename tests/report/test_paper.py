"""The demo's reports on paper and in one unit: pages counted in a PDF that Chromium printed."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from commandline import OutlookOf
from report.markup import Page

from roadworn import LedgerView, PluginHost
from roadworn.analysis import Answers
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.fleet import fleet_report
from roadworn_cli.report.model import Letterhead, Report, Section
from roadworn_cli.report.page import render
from roadworn_cli.report.vehicle import Request, vehicle_report
from roadworn_cli.words import Look, Words
from roadworn_demo import FEATURED

_NOT_FOR_AN_OWNER = (
    "b10", "stays of", "comparisons", "8 in 10", "conditional", "wald", "ledger root", "weibull",
    "replacement-price", "replacement_price", "lognormal", "median",
)  # fmt: skip


@pytest.fixture(scope="module")
def page_of(demo_view: LedgerView, demo_outlook: OutlookOf, host: PluginHost) -> Callable[..., str]:
    """Return the owner's page of the demo's car in a unit, made once and rendered as asked."""
    made: dict[tuple[str, str], Report] = {}
    head = Letterhead("Harbor Lane Garage", ("12 Harbor Lane", "Monday to Friday"), "555 0100")

    def page(unit: str, paper: str = "a4", language: str = "en") -> str:
        if (unit, language) not in made:
            asker = Asker(host, demo_view, Look(language, unit))
            found = demo_outlook(FEATURED, unit)
            request = Request(FEATURED, letterhead=head)
            made[unit, language], _words = vehicle_report(asker, request, found=found)
        return render(made[unit, language], Words(Look(language, unit, paper=paper)))

    return page


def pages_of(pdf: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "es"])
@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_owner_takes_two_sheets_of_paper_home(
    page_of: Callable[..., str],
    printed: Callable[[Path], bytes],
    tmp_path: Path,
    paper: str,
    language: str,
) -> None:
    page = tmp_path / "report.html"
    page.write_text(page_of("mi", paper, language), encoding="utf-8")
    pdf = printed(page)
    assert pages_of(pdf) == 2
    # Points of 1/72 inch: ISO 216 gives A4 as 210 by 297 mm; Letter is 8.5 by 11 inches.
    box = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", pdf)[0]
    wide, high = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (612, 792)}[paper]
    assert (float(box[0]), float(box[1])) == pytest.approx((wide, high), abs=1)


@pytest.mark.slow
@pytest.mark.parametrize("language", ["en", "es"])
def test_a_manager_decides_by_one_page(
    demo_view: LedgerView,
    host: PluginHost,
    printed: Callable[[Path], bytes],
    tmp_path: Path,
    language: str,
) -> None:
    asker = Asker(host, demo_view, Look(language, "mi"))
    report, words = fleet_report(asker)
    last = [section.anchor for section in report.sections].index("contents")
    for paper in ("a4", "letter"):
        page = tmp_path / f"{paper}.html"
        first = replace(report, sections=report.sections[: last + 1])
        page.write_text(render(first, Words(replace(words.look, paper=paper))), "utf-8")
        assert pages_of(printed(page)) == 1
    shown = {section.anchor: section for section in report.sections[:last]}
    assert {
        "stop-now", "budget-year", "refused", "inspections", "causes", "retire", "claims"
    } <= shown.keys()  # fmt: skip
    _one_thing_one_number(shown, asker)
    text = Page.of(render(report, words)).text
    # What a workshop heeds is not a manager's to read.
    assert "pump the pedal" not in text
    for anchor, _title in next(b for b in report.sections[last].blocks if b.kind == "links").to:
        assert anchor in {section.anchor for section in report.sections[last + 1 :]}


def _plain(text: object) -> str:
    """Return a text without what parts thousands, in whichever language."""
    return re.sub(r"(?<=\d)[,.\u202f\u00a0](?=\d{3})", "", str(text))


def _one_thing_one_number(shown: dict[str, Section], asker: Asker) -> None:
    """The first page has the figures of the answers behind it, and its sums are sums."""
    view = asker.view
    # What was refused is on the page with how often, by the record itself: the oftenest first,
    # of them what was first offered longest ago, and the others by their number.
    refused = [item for b in shown["refused"].blocks if b.kind == "items" for item in b.items]
    offered = view.sql(
        """SELECT o.vehicle_id, o.times, o.first_on, o.component
           FROM offers AS o JOIN vehicles AS v USING (vehicle_id)
           WHERE o.safety AND v.retired_on IS NULL AND o.last_answer IN ('declined', 'deferred')
             AND o.condition IS DISTINCT FROM 'failed'
             AND v.last_seen_on >= CAST(? AS DATE) - 400
           ORDER BY o.times DESC, o.first_on, o.vehicle_id, o.component""",
        (view.today.isoformat(),),
    ).rows
    told = [
        (
            str(item.name).partition(":")[0],
            *re.findall(r"^(\d+) .*([\d-]{10})$", str(item.detail))[0],
        )
        for item in refused
    ]
    assert told == [(name, str(n), str(day)) for name, n, day, _part in offered[: len(told)]]
    assert len(told) >= 4
    assert _plain(len(offered)) in _plain(shown["refused"].figure)
    more = [str(b.text) for b in shown["refused"].blocks if b.kind == "paragraph"]
    assert any(re.search(rf"\b{len(offered) - len(told)}\b", one) for one in more)
    # Every inspection that has run out is named, whoever was not seen as well.
    expired = " ".join(str(block.text) for block in shown["inspections"].blocks)
    late = view.sql(
        """SELECT vehicle_id, CAST(? AS DATE) - max(due_date) AS days
           FROM inspection_results JOIN vehicles AS v USING (vehicle_id)
           WHERE v.retired_on IS NULL GROUP BY vehicle_id, inspection HAVING days > 0""",
        (view.today.isoformat(),),
    ).rows
    assert late
    for vehicle, days in late:
        assert re.search(rf"{vehicle}\D+{days}\b", _plain(expired))
    # What to set aside is its four parts, each rounded to a whole amount.
    lines = next(b for b in shown["budget-year"].blocks if b.kind == "items").items
    whole, *parts = (int(_plain(item.figure)) for item in lines[:5])
    assert whole == sum(parts)
    # Those to let go are those of `keep-or-sell`, in its order.
    keep = asker.ran[Answers.KEEP_OR_SELL].result.table("vehicles").records()
    go = [str(row["vehicle"]) for row in keep if row["say"] == "let go first"]
    rows = next(b for b in shown["retire"].blocks if b.kind == "items").items
    assert [str(item.name) for item in rows] == go
    due = sum(float(row["due"] or 0) for row in keep)
    assert parts[2] >= round(due)  # those that were not seen for long are in the sum to set aside
    claims = asker.ran[Answers.WARRANTY].result
    told_sum = re.search(r"([\d,]+)\.(\d\d) USD of parts", str(claims.headline))
    assert told_sum is not None
    exact = float(told_sum[1].replace(",", "") + "." + told_sum[2])
    assert f"{exact:.0f}" in _plain(shown["claims"].figure)


@pytest.mark.slow
@pytest.mark.parametrize(("unit", "other"), [("mi", "km"), ("km", "mi")])
def test_a_page_has_one_unit(page_of: Callable[..., str], unit: str, other: str) -> None:
    text = Page.of(page_of(unit)).text
    assert re.search(rf"\d {unit}\b", text)
    assert re.findall(rf".{{20}}\b{other}\b", text) == []


def test_the_big_things_come_first(page_of: Callable[..., str]) -> None:
    text = Page.of(page_of("mi")).text
    order = [
        "STOP: do not drive it", "Today: before it is driven on", "Soon: before it breaks down",
        # Nothing of this car can wait: what can would stand here.
        *(("Later: it can wait",) if "Later: it can wait" in text else ()),
        "What you told us", "Money in the next twelve months",
        "Would it pass its inspection?", "What is not known", "What may fail next",
        "Keep it, or let it go?",
        "Its life so far", "Cautions", "What this report rests on",
    ]  # fmt: skip
    places = [text.index(words) for words in order]
    assert places == sorted(places)


@pytest.mark.parametrize("language", ["en", "es"])
def test_an_owner_reads_no_word_of_a_program_or_of_a_statistician(
    page_of: Callable[..., str], language: str
) -> None:
    text = Page.of(page_of("mi", language=language)).text.casefold()
    for word in _NOT_FOR_AN_OWNER:
        assert word not in text


# car-9 has an instrument in miles, car-14 one in kilometres.
@pytest.mark.slow
@pytest.mark.parametrize(("vehicle", "own"), [(FEATURED, "mi"), ("car-14", "km")])
def test_the_outlook_tells_every_distance_in_the_unit_asked_for(
    demo_view: LedgerView, demo_outlook: OutlookOf, vehicle: str, own: str
) -> None:
    other = {"mi": "km", "km": "mi"}[own]
    found = demo_outlook(vehicle, other)
    assert found.unit == other
    assert re.findall(rf"\d,\d+ {own}\b", repr(found)) == []
    assert f" {other} on " in found.distance
    assert demo_view.usual_unit(vehicle) == own


def test_distances_agree_in_either_unit(demo_outlook: OutlookOf) -> None:
    # 1 mi = 1.609344 km exactly: NIST SP 811, appendix B.8.
    told = {}
    for unit in ("mi", "km"):
        ran = demo_outlook(FEATURED, unit).next_repairs
        assert ran is not None
        rows = ran.result.table("next_repairs").records()
        told[unit] = [(row["what"], row["age"]) for row in rows if row["age"] is not None]
    assert told["mi"]
    for (name, miles), (same, km) in zip(told["mi"], told["km"], strict=True):
        assert name == same
        assert float(str(km)) == pytest.approx(float(str(miles)) * 1.609344, rel=5e-3)
