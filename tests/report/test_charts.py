"""A picture tells the numbers it was given, in ink that everybody can tell apart."""

import itertools
import math
import re
from datetime import date
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.analysis import Chart, Column, Holds, Mark, Marks, Series, Table, Tells
from roadworn.say import Said
from roadworn_cli.report.canvas import BLUE, GREY, INK, STROKES, WIDE, label
from roadworn_cli.report.charts import draw
from roadworn_cli.report.marks import Axis, Bar, Interval, Lane, bars, intervals, lanes
from roadworn_cli.report.periods import Period, periods
from roadworn_cli.report.pictures import estimates_of, pictures_of
from roadworn_cli.words import Look, Words

WORDS = Words(Look(unit="mi"))
SVG = "{http://www.w3.org/2000/svg}"


def chart(*series: Series, y_title: str = "cost (USD)") -> Chart:
    return Chart("test", "What was found", "age (mi)", y_title, series, "in words")


def drawn(of: Chart) -> ET.Element:
    picture = draw(of, "p1", WORDS)
    assert picture is not None
    return ET.fromstring(picture.svg)


def lines(root: ET.Element, colour: str) -> list[list[tuple[float, float]]]:
    """Return the open paths drawn in a colour as points of the drawing."""
    found = []
    for path in root.iter(f"{SVG}path"):
        d = path.get("d", "")
        if path.get("stroke") == colour and path.get("fill") == "none":
            numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", d)]
            found.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
    return found


def texts_of(root: ET.Element) -> list[str]:
    return [text.text or "" for text in root.iter(f"{SVG}text")]


def test_half_gone_is_the_figure_of_the_fit_in_the_picture_too() -> None:
    """A Weibull curve is at one half at scale x (ln 2)^(1/shape) (algebra).

    Its steps cross the half elsewhere, and stood beside it as another figure.
    """
    scale, shape = 50_000.0, 1.5
    ages = [2_000.0 * n for n in range(40)]
    seen = Series("belt", (0.0, 30_000.0, 43_000.0), (1.0, 0.7, 0.45), "step")
    fit = Series("fitted", tuple(ages), tuple(math.exp(-((a / scale) ** shape)) for a in ages),
                 of="belt")  # fmt: skip
    told = texts_of(drawn(chart(seen, fit, y_title="share still working")))
    assert f"{round(scale * math.log(2.0) ** (1.0 / shape), -2):,.0f}" in told
    assert "43,000" not in told


values = st.lists(st.floats(-1e6, 1e6).map(lambda v: round(v, 3)), min_size=4, max_size=9)


@settings(max_examples=12)
@given(values)
def test_a_line_stands_where_its_numbers_say(ys: list[float]) -> None:
    """Points of the drawing are one linear map of the points given, as on any ruled paper."""
    xs = tuple(float(n * n) for n in range(len(ys)))
    points = max(lines(drawn(chart(Series("a", xs, tuple(ys)))), INK), key=len)
    assert len(points) == len(xs)
    for given_, place in ((xs, 0), (ys, 1)):
        low, high = min(given_), max(given_)
        if high - low < 1e-2 * max(1.0, abs(high)):
            continue
        at_low = points[list(given_).index(low)][place]
        at_high = points[list(given_).index(high)][place]
        scale = (at_high - at_low) / (high - low)
        assert (scale > 0) == (place == 0)  # y grows downwards in SVG
        for value, point in zip(given_, points, strict=True):
            assert point[place] == pytest.approx(at_low + (value - low) * scale, abs=0.01)


def test_a_step_goes_along_before_it_goes_down() -> None:
    """A survival curve keeps its height until the failure: lines are level or upright only."""
    step = Series("a", (0.0, 10.0, 20.0), (1.0, 0.6, 0.2), "step")
    points = max(lines(drawn(chart(step, y_title="share still working")), INK), key=len)
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        assert math.isclose(x0, x1, abs_tol=1e-6) or math.isclose(y0, y1, abs_tol=1e-6)
    assert points[1] == pytest.approx((points[2][0], points[0][1]))


def test_more_than_two_bands_get_panels_of_their_own() -> None:
    band = {"low": (0.8, 0.4), "high": (1.0, 0.8)}
    series = [Series(f"part {n}", (0.0, 9.0), (1.0, 0.6), "step", **band) for n in range(4)]
    fitted = Series("fitted", (0.0, 9.0), (1.0, 0.5), of="part 1")
    root = drawn(chart(*series, fitted, y_title="share still working"))
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert {"part 0", "part 1", "part 2", "part 3"} <= set(texts)
    # The fitted curve stands once, in the panel of the part that it belongs to.
    assert len(lines(root, BLUE)) == 1 + 1  # and one in the key


def test_two_fitted_curves_get_panels_and_every_panel_has_the_limit() -> None:
    points = [Series(f"tire {place}", (0.0, 5.0, 9.0), (10.0, 7.0, 5.0), "points")
              for place in ("LF", "RF")]  # fmt: skip
    fitted = [Series("fitted", (0.0, 12.0), (10.0, 3.0), of=one.name) for one in points]
    limit = Series("limit", (0.0, 12.0), (2.0, 2.0))
    root = drawn(chart(points[0], fitted[0], points[1], fitted[1], limit, y_title="tread (mm)"))
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert {"tire LF", "tire RF", "fitted", "limit"} <= set(texts)
    level = [line for line in lines(root, GREY) if len(line) == 2 and line[0][1] == line[1][1]]
    long = [line for line in level if line[1][0] - line[0][0] > 100]
    assert len({line[0] for line in long}) == 2


def test_more_series_than_inks_are_cut_by_the_panel_and_never_by_the_curve() -> None:
    band = {"low": (0.8, 0.4), "high": (1.0, 0.8)}
    series = [Series(f"part {n}", (0.0, 9.0), (1.0, 0.6), "step", **band) for n in range(5)]
    fitted = [Series("fitted", (0.0, 9.0), (1.0, 0.5), of=f"part {n}") for n in range(5)]
    root = drawn(chart(*series, *fitted, y_title="share still working"))
    assert len(lines(root, BLUE)) == 5 + 1  # and one in the key


def test_a_longer_name_is_a_series_of_its_own() -> None:
    names = ("hub, Moor", "hub, Moor, MS-77")
    steps = [Series(name, (0.0, 9.0), (0.0, 8.0), "step") for name in names]
    usual = [Series("expected", (0.0, 9.0), (0.0, 2.0), of=name) for name in names]
    picture = draw(chart(steps[0], usual[0], steps[1], usual[1]), "p", WORDS)
    assert picture is not None
    texts = [text.text for text in ET.fromstring(picture.svg).iter(f"{SVG}text")]
    assert {*names, "expected"} <= set(texts)
    assert texts.count("expected") == 1
    captions = [grid.caption for grid in picture.grids]
    assert captions == ["hub, Moor", "hub, Moor, expected", "hub, Moor, MS-77",
                        "hub, Moor, MS-77, expected"]  # fmt: skip


def test_heights_are_shared_unless_a_panel_with_its_own_measure_would_lie_flat() -> None:
    tops = (5.0, 6.0, 160.0)
    steps = [Series(f"part {n}", (2.0, 9.0), (0.0, top), "step") for n, top in enumerate(tops)]
    usual = [Series("expected", (2.0, 9.0), (0.0, 4.0), of=step.name) for step in steps]
    alike = [Series(f"part {n}", (2.0, 9.0), (0.0, 60.0), "step") for n in range(3)]
    alone = [Series(one.name, one.x, one.y, "step", one.y, one.y) for one in steps]
    assert texts_of(drawn(chart(*steps, *usual))).count("200") == 1
    assert texts_of(drawn(chart(*alike, *usual))).count("60") == 3
    # These are to be compared with each other.
    assert texts_of(drawn(chart(*alone))).count("200") == 3


def test_days_lie_along_the_axis_and_in_the_table() -> None:
    days = (date(2024, 1, 1), date(2024, 7, 1), date(2025, 1, 1))
    picture = draw(chart(Series("a", days, (1.0, 2.0, 3.0), "step")), "p", WORDS)
    assert picture is not None
    texts = {text.text for text in ET.fromstring(picture.svg).iter(f"{SVG}text")}
    assert {"2024-01", "2024-11"} <= texts
    assert [line.cells[0] for line in picture.grids[0].lines] == [str(day) for day in days]


def test_the_numbers_stand_below_all_of_them_or_say_that_they_do_not() -> None:
    short = draw(chart(Series("a", (1.0, 2.0), (3.5, 4.5), low=(3.0, 4.0), high=(4.0, 5.0))),
                 "p", WORDS)  # fmt: skip
    assert short is not None
    assert [line.cells for line in short.grids[0].lines] == [
        ("1", "3.5", "3", "4"),
        ("2", "4.5", "4", "5"),
    ]
    many = tuple(float(n) for n in range(1000))
    long = draw(chart(Series("a", many, many)), "p", WORDS)
    assert long is not None
    assert len(long.grids[0].lines) <= 40
    assert "one of every 25 of 1,000 rows" in long.grids[0].caption


@pytest.mark.parametrize("y", [(), (math.nan,), (math.inf, math.nan)])
def test_nothing_to_draw_is_no_picture(y: tuple[float, ...]) -> None:
    assert draw(chart(Series("a", tuple(range(len(y))), y)), "p", WORDS) is None
    assert draw(chart(), "p", WORDS) is None


@pytest.mark.parametrize("shape", ["line", "step", "points", "bars"])
def test_one_point_is_drawn(shape) -> None:
    root = drawn(chart(Series("a", (5.0,), (2.0,), shape)))
    assert len(list(root.iter(f"{SVG}path"))) > 2


@pytest.mark.parametrize(
    "text", ["$x_2$", r"$\frac{$", "a & b < c", "]]>", "שלום", "🚗", "x" * 900]
)
def test_a_label_is_text_and_nothing_else(text: str) -> None:
    bars = Series(text, (text, "other"), (1.0, 2.0), "bars")
    root = drawn(Chart("c", text, text, text, (bars, bars), text))
    told = [element.text for element in root.iter(f"{SVG}text")]
    assert any((one or "").startswith(label(text, 16)[:10]) for one in told)
    assert all(len(one or "") <= 100 for one in told)


def test_two_pictures_on_a_page_share_no_names() -> None:
    ids = []
    for ident in ("one", "two"):
        picture = draw(chart(Series("a", (1.0, 2.0), (1.0, 2.0))), ident, WORDS)
        assert picture is not None
        ids.append({e.get("id") for e in ET.fromstring(picture.svg).iter() if e.get("id")})
    assert ids[0].isdisjoint(ids[1])
    assert all(str(name).startswith("one-") for name in ids[0])


def test_an_interval_without_an_end_is_drawn_to_the_edge() -> None:
    given_ = [Interval("a", 2.0, 0.0, math.inf), Interval("b", 1.0, 0.5, 2.0, strong=True)]
    picture = intervals(
        given_, Axis("ratio", log=True, reference=1.0), "p", WORDS,
        title=Said("t"), alternative=Said("a"),
    )  # fmt: skip
    assert picture is not None
    assert picture.grids[0].lines[0].cells == ("a", "2", "0", "∞")
    root = ET.fromstring(picture.svg)
    assert len(lines(root, BLUE)) == 1
    # One of safety is told from others by ink, a square and the words of the key.
    assert any(line[0][1] == line[1][1] for line in lines(root, INK))


def test_lanes_hold_days_and_distances() -> None:
    for at in ((date(2020, 1, 1), date(2026, 1, 1)), (1.0, 2.0), (7.0,)):
        picture = lanes(
            [Lane("a", at), Lane("none", ())], "x", "p", WORDS,
            title=Said("t"), alternative=Said("a"),
        )  # fmt: skip
        assert picture is not None
        texts = [text.text for text in ET.fromstring(picture.svg).iter(f"{SVG}text")]
        assert "a" in texts
        assert "none" not in texts
        assert len(texts) > 2  # the axis has numbers


# --- ink -----------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Relative luminance of a colour: WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio: WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)  # the range WCAG gives: 1 to 21


def style() -> dict[str, str]:
    import roadworn_cli.report as package

    text = (Path(str(package.__file__)).parent / "report.css").read_text(encoding="utf-8")
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", text))


@pytest.mark.parametrize("paper", ["#ffffff", style()["paper"]])
def test_marks_and_text_are_seen_on_paper(paper: str) -> None:
    for colour in (INK, BLUE, GREY, style()["vermilion"]):
        assert contrast(colour, paper) >= 3.0  # WCAG 2.2, 1.4.11 non-text contrast
    for colour in (INK, BLUE, GREY, *(style()[name] for name in ("ink", "soft", "blue", "alert"))):
        assert contrast(colour, paper) >= 4.5  # WCAG 2.2, 1.4.3 contrast (minimum)


def test_series_are_told_apart_without_colour() -> None:
    assert len({(str(s.dashes), s.weight) for s in STROKES}) == len(STROKES)
    assert len({s.mark for s in STROKES}) == len(STROKES)


def test_the_two_hues_are_of_the_palette_made_for_colour_blind_people() -> None:
    # Okabe and Ito 2008, Color Universal Design: blue 0 114 178, vermilion 213 94 0.
    assert [int(BLUE[i : i + 2], 16) for i in (1, 3, 5)] == [0, 114, 178]
    vermilion = style()["vermilion"]
    assert [int(vermilion[i : i + 2], 16) for i in (1, 3, 5)] == [213, 94, 0]


def test_vermilion_is_for_stop_alone() -> None:
    from roadworn_cli.report import page

    folder = Path(str(page.__file__)).parent
    assert "d55e00" not in "".join(path.read_text("utf-8") for path in folder.glob("*.py"))
    css = (folder / "report.css").read_text(encoding="utf-8")
    used = {line.split("{")[0].strip() for line in css.splitlines() if "var(--vermilion)" in line}
    assert used == {"p.alert", ".stop", "tr.alert th:first-child"}


def test_a_bar_says_its_figures_and_none_is_wider_than_the_paper() -> None:
    given_ = [Bar("coolant pump, delivery van", 17671.0, "57 failed against 15.0 · 17,671 USD"),
              Bar("alternator", 4059.0, "8 failed against 1.1 · 4,059 USD")]  # fmt: skip
    picture = bars(given_, "p", WORDS, title=Said("t"), alternative=Said("a"), head=Said("h"))
    assert picture is not None
    for svg in (picture.svg, picture.small):
        root = ET.fromstring(svg)
        assert "57 failed against 15.0 · 17,671 USD" in texts_of(root)
        wide = float(str(root.get("viewBox")).split()[2])
        filled = [path for path in root.iter(f"{SVG}path") if path.get("fill") == BLUE]
        assert len(filled) == len(given_)
        ends = [
            float(x) for path in filled for x in re.findall(r"[ML]([\d.]+)", str(path.get("d")))
        ]
        assert max(ends) <= wide
    assert float(str(ET.fromstring(picture.svg).get("viewBox")).split()[2]) == WIDE
    assert bars([Bar("a", 0.0, "0")], "p", WORDS, title=Said("t"), alternative=Said("a"),
                head=Said("h")) is None  # fmt: skip


def test_months_that_came_are_filled_and_those_to_come_are_not() -> None:
    months = [Period(date(2025, n, 21), 100.0 * n, math.nan, math.nan, past=True)
              for n in range(9, 13)]  # fmt: skip
    months += [Period(date(2026, n, 21), 900.0, 700.0, 1200.0, past=False) for n in range(1, 5)]
    picture = periods(months, "p", WORDS, unit="USD", title=Said("t"), alternative=Said("a"),
                      above=("came 4,200", "to come 3,600"))  # fmt: skip
    assert picture is not None
    root = ET.fromstring(picture.svg)
    boxes = [path for path in root.iter(f"{SVG}path") if str(path.get("d")).count("L") == 4]
    assert [box.get("fill") for box in boxes] == [INK] * 4 + ["none"] * 4
    texts = texts_of(root)
    assert {"came 4,200", "to come 3,600", "09", "04", "2025", "2026", "USD"} <= set(texts)
    assert picture.grids[0].lines[-1].cells[2:] == ("900", "700", "1,200")
    assert "transform" not in picture.svg  # no slanted dates


def test_only_what_is_drawn_is_counted() -> None:
    """A ratio of 0 has no place on a logarithmic axis."""
    columns = (
        Column("component", "component", "component", tells=Tells.COMPONENT),
        Column("supplier", "supplier", tells=Tells.NAME),
        Column("hazard_ratio", "times", "number", tells=Tells.VALUE),
        Column("hazard_low", "low", "number", tells=Tells.LOW),
        Column("hazard_high", "high", "number", tells=Tells.HIGH),
    )
    rows = tuple(("brake.pad", f"supplier {n}", float(n), 0.5 * n, 2.0 * n) for n in range(4))
    table = Table("compared", "Suppliers", columns, rows, holds=Holds.SUPPLIERS)
    (picture,) = pictures_of((table,), "p", Words(Look()))
    assert "3 in the picture" in picture.alternative
    assert len(picture.grids[0].lines) == 3


def _told(name: str, kind: str, holds: Holds | None = None, unsure: int = -1) -> Table:
    columns = (
        Column("group", "group", tells=Tells.NAME),
        Column(name, "how much", kind, tells=Tells.VALUE),
        Column("low", "low", kind, tells=Tells.LOW),
        Column("high", "high", kind, tells=Tells.HIGH),
    )
    rows = (("north", 0.25, 0.2, 0.4), ("south", 0.5, 0.45, 0.9), ("west", 0.75, 0.5, 1.1))
    marks = tuple(Marks({Mark.NOT_KNOWN} if n == unsure else ()) for n in range(len(rows)))
    return Table("told", "Told", columns, rows, (), holds, marks)


@pytest.mark.parametrize(("name", "kind", "texts"), [
    ("share", "chance", ("25% (20% to 40%)", "50% (45% to 90%)")),
    ("ratio", "number", ("0.25 (0.2 to 0.4)", "0.5 (0.45 to 0.9)")),
    ("cost", "money", ("0.25 (0.2 to 0.4)", "0.5 (0.45 to 0.9)")),
])  # fmt: skip
def test_estimates_with_limits_have_a_picture_whatever_they_are_about(
    name: str, kind: str, texts: tuple[str, ...]
) -> None:
    picture = estimates_of([_told(name, kind)], "p", WORDS)
    assert picture is not None
    shown = " ".join(texts_of(ET.fromstring(picture.svg))).replace("\xa0", " ")
    for text in ("north", "south", "how much", *texts):
        assert text in shown
    assert {"0.75", "75%"} & {str(line.cells[1]) for line in picture.grids[0].lines}


def test_a_table_that_a_report_knows_of_has_a_picture_of_its_own_or_none() -> None:
    assert estimates_of([_told("share", "chance", Holds.PLAN)], "p", WORDS) is None


def test_what_cannot_be_told_from_chance_is_not_drawn_as_clear_as_the_rest() -> None:
    picture = estimates_of([_told("ratio", "number", unsure=1)], "p", WORDS)
    assert picture is not None
    shown = " ".join(texts_of(ET.fromstring(picture.svg)))
    assert "north" in shown
    assert "south" not in shown
