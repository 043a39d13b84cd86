"""Screens keep to their width: nothing is wider, nothing that fits is cut, whatever a cell holds.

How wide a character is on a terminal is told by rich's table of widths, which this program does
not use for it. When colour is not wanted: no-color.org.
"""

from io import BytesIO, TextIOWrapper

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from roadworn_cli import screen
from roadworn_cli.output import emit, escape
from roadworn_cli.screen import Head, dot, listed, span, spark, table, wrapped

#: Wide, combining and joined characters, other directions, controls, and words without an end.
HOSTILE = st.one_of(
    st.text(max_size=60),
    st.text(alphabet="漢字かなｶﾅ한국어🚌👩‍🔧❤️\u0301\u0323\u20e3é", max_size=80),
    st.text(alphabet="שלום عليكم\u202e\u200f\u2067ab 12", max_size=80),
    st.text(alphabet="abc/-_,.;:", min_size=1, max_size=200),
    st.builds("".join, st.lists(st.sampled_from(["a" * 300, " ", "\n", "\t", "\x1b[2J", "7"]))),
    st.just(""),
)
THOROUGH = settings(max_examples=150)


def lines_of(*args: object, **options: object) -> list[str]:
    made = table(*args, **options)  # type: ignore[arg-type]
    return ["".join(text for text, _look in line) for line in made]


@THOROUGH
@given(
    st.integers(20, 130),
    st.integers(1, 14).flatmap(
        lambda n: st.tuples(
            st.lists(st.tuples(HOSTILE, st.booleans()), min_size=n, max_size=n),
            st.lists(st.lists(HOSTILE, min_size=n, max_size=n), max_size=4),
        )
    ),
)
def test_no_line_is_wider_than_the_screen(
    cells: int, made: tuple[list[tuple[str, bool]], list[list[str]]]
) -> None:
    heads, rows = made
    shown = [[escape(text) for text in row] for row in rows]
    below = [["in words: " + " ".join(row)] for row in shown]
    for line in lines_of(
        [Head(escape(title), right) for title, right in heads], shown, below=below, cells=cells
    ):
        assert cell_len(line) <= cells
        assert line == line.rstrip()


@THOROUGH
@given(HOSTILE, st.integers(2, 90))
def test_wrapping_loses_nothing(text: str, cells: int) -> None:
    shown = escape(text)
    lines = wrapped(shown, cells)
    assert "".join("".join(lines).split()) == "".join(shown.split())
    assert all(cell_len(line) <= cells for line in lines)


@THOROUGH
@given(HOSTILE)
def test_a_text_is_never_wider_than_it_is_held_to_be(text: str) -> None:
    assert cell_len(escape(text)) <= span(escape(text))


def test_what_fits_is_not_cut_and_stands_in_its_column() -> None:
    heads = [Head("what"), Head("seen"), Head("cost", right=True)]
    rows = [["tie rod", "loose, play felt at the wheel", "141"], ["belt", "cracks", "1,090"]]
    assert lines_of(heads, rows, cells=43) == [
        "what     seen                          cost",
        "───────  ───────────────────────────  ─────",
        "tie rod  loose, play felt at the        141",
        "         wheel",
        "belt     cracks                       1,090",
    ]


def test_what_has_no_room_stands_below_its_row() -> None:
    heads = [Head("part"), *(Head(f"figure {n}", right=True) for n in range(1, 5))]
    rows = [["coolant pump", "1,000", "2,000", "3,000", "4,000"]]
    told = lines_of(heads, rows, cells=36)
    assert told[-1].endswith("figure 4: 4,000")
    assert all(figure in "\n".join(told) for figure in rows[0])


def test_a_table_of_many_columns_is_told_a_row_at_a_time() -> None:
    heads = [Head(f"column {n}") for n in range(20)]
    rows = [[f"cell {n}" for n in range(20)], [f"more {n}" for n in range(20)]]
    told = lines_of(heads, rows, cells=60)
    assert told[0] == "column 0   cell 0"
    assert told[20] == ""
    assert told[40] == "column 19  more 19"


def test_the_width_is_asked_and_fixed_in_a_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    assert screen.width() == screen.PIPED == 100
    for told, width in (("132", 132), ("5", 20), ("0", 100), ("wide", 100), ("-80", 100)):
        monkeypatch.setenv("COLUMNS", told)
        assert screen.width() == width, told


def test_marks_that_the_encoding_lacks_are_drawn_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    assert dot(0.5, (0.3, 0.72), 10) == "···━━●━━··"
    assert dot(0.0, None, 4) == "●···"
    assert dot(1.0, (0.9, 1.0), 4) == "···●"
    assert spark([9.9, 9.3, 5.0, 3.0], floor=0.8) == "██▄▃"
    monkeypatch.setattr("sys.stdout", TextIOWrapper(BytesIO(), encoding="ascii"))
    assert dot(0.5, (0.3, 0.72), 10) == "...==o==.."
    assert spark([9.9, 9.3, 5.0, 3.0], floor=0.8).isascii()
    assert lines_of([Head("a")], [["é"]], cells=30) == ["a", "----", "\\xe9"]


@pytest.mark.parametrize(("no_color", "coloured"), [("", True), ("1", False), ("0", False)])
def test_weight_and_colour_only_where_they_are_wanted(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    no_color: str,
    coloured: bool,
) -> None:
    monkeypatch.setenv("NO_COLOR", no_color)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    screen.put([[("STOP", "stop"), (" tie rod", "")]])
    out = capsys.readouterr().out
    assert ("\x1b[" in out) is coloured
    assert "STOP" in out


def test_a_pipe_gets_no_escapes(capsys: pytest.CaptureFixture[str]) -> None:
    emit(("a",), [("x",)], fmt="table", title="T")
    assert "\x1b" not in capsys.readouterr().out


def test_a_table_without_rows_still_says_what_it_would_hold() -> None:
    few = ["".join(t for t, _look in line) for line in table([Head("part"), Head("place")], [])]
    assert few[0].split() == ["part", "place"]
    heads = [Head(f"column_{i}") for i in range(30)]
    many = "\n".join("".join(t for t, _look in line) for line in table(heads, [], cells=80))
    assert all(head.title in many for head in heads)


def test_what_a_list_leaves_out_is_told_by_its_sum() -> None:
    jobs = ["clutch: 819", "strut: 367", "coil: 121", "filter: 48"]
    sizes = [819.0, 367.0, 121.0, 48.0]
    assert listed(jobs, 80, 1, sizes) == ["; ".join(jobs)]
    assert listed(jobs, 42, 1, sizes) == ["clutch: 819; strut: 367 and 2 more for 169"]
    assert listed(jobs, 41, 1, sizes) == ["clutch: 819 and 3 more for 536"]
