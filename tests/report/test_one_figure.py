"""One question has one figure, wherever it is asked: the demo's sheets and screens side by side.

Each was made from the same ledger on the same day, so a second figure for the same words would be
a fault of a rule that is written twice. The figures themselves are tested where they are made.
"""

import re
from collections.abc import Mapping
from contextlib import redirect_stderr, redirect_stdout
from io import BytesIO, TextIOWrapper
from pathlib import Path

import pytest
from commandline import Once, OutlookOf, hide_settings
from report.markup import Page

from roadworn import LedgerView, PluginHost
from roadworn_cli.main import main
from roadworn_cli.report.asking import Asker
from roadworn_cli.report.model import Report
from roadworn_cli.report.vehicle import Request, vehicle_report
from roadworn_cli.words import Look
from roadworn_demo import DEMO_TODAY, FEATURED

pytestmark = pytest.mark.slow

_ASKED: Mapping[str, tuple[str, ...]] = {
    "outlook": ("outlook", FEATURED, "--more"),
    "owner": ("report", "vehicle", FEATURED, "-o", "-"),
    "fleet": ("report", "fleet", "-o", "-"),
    "keep": ("analyse", "keep-or-sell"),
    "next": ("analyse", "next-repairs"),
    "month": ("analyse", "next-repairs", "by=month"),
    "repeats": ("analyse", "repeat-failures"),
    "services": ("analyse", "maintenance-due"),
    "suppliers": ("analyse", "supplier-comparison"),
}
_TURN = r"costs (?:under|less than) ([\d,]+) a month"
_AHEAD = (
    r"expect about ([\d,]+) USD of failures on the fleet",
    r"expect about [\d,]+ USD of failures on the fleet \(([\d,]+) to",
)
#: What is asked -> screen or sheet -> how it is said there, its figure in brackets.
_SAID: Mapping[str, Mapping[str, tuple[str, ...]]] = {
    "what another vehicle may cost a month": {
        "outlook": (_TURN, r"through the inspection: ([\d,]+) a month"),
        "owner": (_TURN, r"Through the inspection: about ([\d,]+) USD a month"),
        "keep": (rf"\n{FEATURED} .*\n.*{_TURN}",),
    },
    "what passing the inspection takes": {
        "outlook": (r"([\d,]+) USD +through the inspection", r"the ([\d,]+) counts each possible"),
        "owner": (r"To pass: ([\d,]+) USD", r"through the inspection ([\d,]+) \d"),
    },
    "what failures of the year cost the fleet": {
        "next": (_AHEAD[0], r"\n +12 +([\d,]+) "),
        "month": (_AHEAD[0], r"\n +12 +([\d,]+) "),
        "keep": (r"the failures are the ([\d,]+) of next-repairs",),
        "fleet": (
            _AHEAD[0],
            r"of it failures likely [\d,]+ to [\d,]+ ([\d,]+)",
            r"Next 12 months: ([\d,]+) USD expected",
        ),
    },
    "the low end of that": {
        "next": (_AHEAD[1], r"\n +12 +[\d,]+ +([\d,]+) to"),
        "month": (_AHEAD[1], r"\n +12 +[\d,]+ +([\d,]+) to"),
        "fleet": (_AHEAD[1], r"of it failures likely ([\d,]+) to"),
    },
    "what services of the year cost the fleet": {
        "keep": (r"services ([\d,]+), work due now",),
        "fleet": (r"of it services by plan ([\d,]+)", r"services ([\d,]+), work due now"),
    },
    "what work due now comes to": {
        "keep": (r"work due now ([\d,]+)\.",),
        "fleet": (r"codes and complaints ([\d,]+) ", r"work due now ([\d,]+)\."),
    },
    "services overdue": {
        "services": (r"(\d+) services overdue",),
        "fleet": (r"(\d+) services overdue",),
    },
    "failures of the worst cause": {
        "repeats": (
            r"first wheel bearing or hub \(.*?\): (\d+) where",
            r"wheel bearing or hub: failed (\d+) times",
            r"wheel bearing or hub +Lowmoor Spares, LS-WBEA-77 +(\d+) ",
        ),
        "fleet": (
            r"wheel bearing or hub, Lowmoor Spares, LS-WBEA-77:? (\d+) (?:against|by|failed)",
            r"wheel bearing or hub: failed (\d+) times",
        ),
    },
    "what would be usual there": {
        "repeats": (
            r"first wheel bearing.*?: \d+ where ([\d.]+) is usual",
            r"wheel bearing or hub: failed \d+ times where ([\d.]+) would",
        ),
        "fleet": (
            (
                r"wheel bearing or hub, Lowmoor Spares, LS-WBEA-77:? \d+ "
                r"(?:against|failed where) ([\d.]+)"
            ),
            r"wheel bearing or hub: failed \d+ times where ([\d.]+) would be usual",
        ),
    },
    "how a supplier's parts compare": {
        "suppliers": (r"all its part numbers, ([\d.]+) times as fast as the others'",),
        "fleet": (r"all its part numbers, ([\d.]+) times as fast as the others'",),
    },
    "the job that others hang on": {
        "outlook": (
            r"Do first +([\d,]+) USD",
            r"valve cover or oil pan gasket bank 1: ([\d,]+)[; ]",
            r"valve cover or oil pan gasket bank 1 +([\d,]+) +100%",
        ),
        "owner": (r"valve cover or oil pan gasket bank 1 \(([\d,]+) USD\)",),
        "fleet": (rf"{FEATURED} : valve cover or oil pan gasket bank 1 [\d-]+ ([\d,]+) USD",),
    },
    "what failures of the year cost the vehicle": {
        "outlook": (r"due now and ([\d,]+) likely to fail", r"\n +12 +([\d,]+) "),
        "owner": (
            # What has failed already stands beside it there, in one sum for the year.
            r"overdue today, and ([\d,]+) \([\d,]+ to [\d,]+\) for what is likely to fail",
        ),
    },
    "what the year costs the vehicle": {
        "outlook": (r"12 months +([\d,]+) USD",),
        "owner": (r"Money in the next twelve months ([\d,]+) USD", r"within 12 months ([\d,]+)"),
    },
    "what failed or is overdue today": {
        "outlook": (r"12 months .* USD +([\d,]+) due now and",),
        "owner": (r"([\d,]+) for what has failed or is overdue today",),
    },
    "what stops the vehicle": {
        "outlook": (r"Must +([\d,]+) USD",),
        "owner": (r"outer tie rod end left \(([\d,]+) USD\) Do not", r"driven on ([\d,]+) USD"),
        "fleet": (r"play felt at the wheel \(([\d,]+) USD\)",),
    },
    "what should be done soon": {
        "outlook": (r"Should +([\d,]+) USD",),
        "owner": (r"breaks down ([\d,]+) USD",),
    },
}


@pytest.fixture(scope="module")
def told(once: Once, demo_ledger: Path) -> Mapping[str, str]:
    """Screen or sheet -> its text, each made by its command on the demo's own day."""

    def fill(folder: Path) -> None:
        for name, words in _ASKED.items():
            out = TextIOWrapper(BytesIO(), "utf-8")
            talk = TextIOWrapper(BytesIO(), "utf-8")
            with pytest.MonkeyPatch.context() as environment:
                hide_settings(environment)
                environment.setenv("COLUMNS", "1000")
                with redirect_stdout(out), redirect_stderr(talk):
                    asked = ("--ledger", str(demo_ledger), "--as-of", str(DEMO_TODAY), *words)
                    assert main(asked) == 0
            out.flush(), talk.flush()
            both = out.buffer.getvalue() + b"\n" + talk.buffer.getvalue()  # type: ignore[attr-defined]
            (folder / name).write_bytes(both)

    folder = once("demo-said", fill)
    texts = {name: (folder / name).read_text(encoding="utf-8") for name in _ASKED}
    return {name: Page.of(text).text if "<html" in text else text for name, text in texts.items()}


@pytest.mark.parametrize("asked", _SAID)
def test_a_question_has_one_figure_wherever_it_is_asked(
    told: Mapping[str, str], asked: str
) -> None:
    found = {}
    for where, ways in _SAID[asked].items():
        for way in ways:
            figures = re.findall(way, told[where])
            assert figures, (where, way)
            found[where, way] = {float(one.replace(",", "")) for one in figures}
    assert len(set.union(*found.values())) == 1, found


def test_what_lies_behind_what_the_inspection_fails_on_is_done_with_it(
    told: Mapping[str, str],
) -> None:
    # What may spare two others is not left open by the way that pays for those.
    way = re.search(
        r"through the inspection [\d,]+ \d.*? hangs on it : (.*?)in it :", told["owner"]
    )
    assert way is not None
    assert "strut" in way[1]
    assert "gasket" not in way[1]


def _figures(pattern: str, text: str) -> list[int]:
    return [int(one.replace(",", "")) for one in re.findall(pattern, text)]


@pytest.fixture(scope="module")
def sheet(demo_view: LedgerView, demo_outlook: OutlookOf, host: PluginHost) -> Report:
    """The owner's report of the demo's car."""
    asker = Asker(host, demo_view, Look("en", "mi"))
    report, _words = vehicle_report(asker, Request(FEATURED), found=demo_outlook(FEATURED, "mi"))
    return report


def test_the_prices_of_the_work_add_up_to_the_sum_over_them(sheet: Report) -> None:
    blocks = next(s for s in sheet.sections if s.anchor == "today").blocks
    bills = [block for block in blocks if block.kind == "items"]
    assert len(bills) >= 2
    for bill in bills:
        after = blocks[blocks.index(bill) + 1 :][:1]
        besides = str(after[0].text) if after and after[0].kind == "paragraph" else ""
        printed = [figure for item in bill.items for figure in _figures(r"^[\d,]+", item.figure)]
        rest = _figures(r"\(([\d,]+)\)", besides) if besides.startswith("And besides") else []
        whole = _figures(r"^[\d,]+", str(bill.total))[0]
        every = [*printed, *rest]
        assert whole == sum(every)


def test_the_year_is_what_failed_and_what_is_likely_to(sheet: Report) -> None:
    money = next(s for s in sheet.sections if s.anchor == "money")
    picture = money.blocks[0]
    now, ahead = (
        _figures(pattern, str(picture.title))[0]
        for pattern in (r"([\d,]+) for what has failed", r"and ([\d,]+) \(")
    )
    assert _figures(r"^[\d,]+", str(money.figure))[0] == now + ahead


def test_each_way_is_the_sum_of_what_is_in_it_and_warns_of_what_it_leaves(sheet: Report) -> None:
    ways = next(s for s in sheet.sections if s.anchor == "keep-or-sell").blocks
    grid = next(block for block in ways if block.kind == "grid")
    told = {str(line.cells[0]): (line.cells, dict(line.below)) for line in grid.lines}
    for cells, below in told.values():
        if "in it" in below:
            parts = _figures(r": ([\d,]+)", str(below["in it"]))
            assert _figures(r"[\d,]+", str(cells[1]))[0] == sum(parts)
    warned = str(
        told["through the inspection"][1]["left undone though people's safety hangs on it"]
    )
    for part in ("strut", "exhaust", "wheel bearing"):
        assert part in warned
    # The first page names the same parts, and nothing likely is dropped from what is taken care of.
    text = str([s.blocks for s in sheet.sections if s.anchor == "goes-next"])
    for part in ("strut", "exhaust", "wheel bearing"):
        assert part in text


def test_the_dearest_cause_comes_on_top_of_the_others(told: Mapping[str, str]) -> None:
    # The coil that is as good as certain is not spared by a converter that is needed as well.
    found = re.search(r"costs ([\d,]+) now; the ([\d,]+) counts", told["owner"])
    share = re.search(
        r"catalytic converter P0420 .*? ([\d,]+) \((\d+)%\sof\s([\d,]+)\)", told["owner"]
    )
    assert found is not None
    assert share is not None
    whole, way_sum, counted, chance, full = (
        int(one.replace(",", "")) for one in (*found.groups(), *share.groups())
    )
    # What is counted is what the reader's own sum gives.
    assert counted == round(chance / 100 * full)
    assert whole == way_sum - counted + full


def test_the_sum_to_set_aside_is_its_parts(told: Mapping[str, str]) -> None:
    parts = (
        r"To set aside, next 12 months likely [\d,]+ to [\d,]+ ([\d,]+)",
        r"of it failures likely [\d,]+ to [\d,]+ ([\d,]+)",
        r"of it services by plan ([\d,]+)",
        r"codes and complaints ([\d,]+) ",
        r"of it other work: repairs, accidents, changes beforehand \D*12 months\D* ([\d,]+)",
    )
    whole, *rest = (
        int(found[1].replace(",", ""))
        for part in parts
        if (found := re.search(part, told["fleet"])) is not None
    )
    assert len(rest) == 4
    assert whole == sum(rest)


def test_causes_stand_in_the_order_of_what_they_cost_a_year(told: Mapping[str, str]) -> None:
    """Each goes back for another time: 17,000 in eight years is less than 8,000 in three."""
    first = re.findall(r"(?:against|where) [\d.]+ since (\d{4}) ([\d,]+) USD", told["fleet"])
    yearly = [float(one.replace(",", "")) for _year, one in first]
    assert len(yearly) >= 2
    assert yearly == sorted(yearly, reverse=True)


def test_what_is_refused_says_how_much_of_it_is_in_the_work_that_is_due(
    told: Mapping[str, str],
) -> None:
    found = re.search(r"\d+ of them, ([\d,]+) USD, were found wearing", told["fleet"])
    whole = re.search(r"somebody can get hurt \d+ parts, ([\d,]+) USD", told["fleet"])
    due = re.search(r"codes and complaints ([\d,]+) ", told["fleet"])
    assert found is not None
    assert whole is not None
    assert due is not None
    worn, refused, now = (int(one[1].replace(",", "")) for one in (found, whole, due))
    assert 0 < refused - worn <= now


def test_the_price_of_passing_is_not_called_the_whole_where_a_cause_is_open(
    told: Mapping[str, str],
) -> None:
    assert "cost to pass" not in told["fleet"]
    assert "priced so far, to pass" in told["fleet"]
