"""The demo's reports on paper and in one unit: pages counted in a PDF that Chromium printed."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from commandline import OutlookOf
from report.markup import Page

from roadworn import LedgerView, PluginHost
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.fleet import fleet_report
from roadworn_cli.report.model import Letterhead, Report
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
    report, words = fleet_report(Asker(host, demo_view, Look(language, "mi")))
    last = [section.anchor for section in report.sections].index("contents")
    for paper in ("a4", "letter"):
        page = tmp_path / f"{paper}.html"
        first = replace(report, sections=report.sections[: last + 1])
        page.write_text(render(first, Words(replace(words.look, paper=paper))), "utf-8")
        assert pages_of(printed(page)) == 1
    shown = {section.anchor for section in report.sections[:last]}
    assert {"stop-now", "budget-year", "causes", "retire", "claims"} <= shown
    text = Page.of(render(report, words)).text
    # What a workshop heeds is not a manager's to read.
    assert "pump the pedal" not in text
    for anchor, _title in next(b for b in report.sections[last].blocks if b.kind == "links").to:
        assert anchor in {section.anchor for section in report.sections[last + 1 :]}


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
