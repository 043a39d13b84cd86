"""Tables on a report: fewer columns, the same figures, safety first, nothing cut in silence."""

from dataclasses import replace

from roadworn.analysis import Column, Mark, Table, Tells
from roadworn_cli.report.model import Facts, Fold, Grid, Paragraph
from roadworn_cli.report.tables import blocks_of, grid_of, listed_by_vehicle
from roadworn_cli.results import cell
from roadworn_cli.words import Look, Words

COLUMNS = (
    Column("what", "what", brief=2),
    Column("chance", "chance", "chance"),
    Column("chance_low", "low", "chance", tells=Tells.LOW),
    Column("chance_high", "high", "chance", tells=Tells.HIGH),
    Column("cost", "cost", "money"),
    Column("currency", "currency", detail=True, tells=Tells.CURRENCY),
    Column("state", "state", brief=1),
    Column("why", "why", "sentence"),
)
ROWS = (
    ("brake.pad", 0.391, 0.13, 0.66, 1234.5, "USD", "wearing", "because"),
    ("wheel.tire", 0.2, None, None, 99.5, "USD", "SAFETY: failed", None),
)


def table(rows: tuple[tuple[object, ...], ...] = ROWS) -> Table:
    marks = tuple(frozenset({Mark.SAFETY} if row[0] == "wheel.tire" else ()) for row in rows)
    ids = tuple((f"{n:036d}",) for n in range(len(rows)))
    return Table("t", "A table", COLUMNS, rows, ids, marks=marks)  # type: ignore[arg-type]


def words(**look: str) -> Words:
    return Words(Look(**look))


def test_limits_share_a_cell_with_their_estimate_and_safety_stands_first() -> None:
    grid, other = grid_of(table(), words())
    assert other == 0
    assert [heading.text for heading in grid.headings] == [
        "what", "chance", "cost (USD)", "state",
    ]  # fmt: skip
    assert [line.cells for line in grid.lines] == [
        ("tire", "20%", "100", "SAFETY: failed"),
        ("disc brake pads", "39% (13%\u00a0to\u00a066%)", "1,234", "wearing"),
    ]
    assert [line.alert for line in grid.lines] == [True, False]
    assert [(t, s) for t, s in grid.lines[1].below] == [("why", "because")]


def test_chances_are_those_of_the_terminal() -> None:
    grid, _other = grid_of(table(), words())
    for line, row in zip(grid.lines, reversed(ROWS), strict=True):
        assert line.cells[1].split(" (")[0] == cell(COLUMNS[1], row[1])


def column(kind: str, *values: float, detail: bool = False) -> list[str]:
    one = Table("t", "t", (Column("x", "x", kind, detail=detail),), tuple((v,) for v in values))  # type: ignore[arg-type]
    return [line.cells[0] for line in grid_of(one, words(), full=True)[0].lines]


def test_a_column_is_written_alike_from_top_to_bottom() -> None:
    assert column("money", 1234.5, 92.84, 0.0) == ["1,234", "93", "0"]
    assert column("money", 91.35, 7.0) == ["91.35", "7.00"]
    assert column("money", 0.0, 0.0) == ["0", "0"]
    assert column("distance", 34.2, 61_000.4) == ["34", "61,000"]
    assert column("number", 5.0, 42.87, 0.12) == ["5.0", "42.9", "0.1"]
    assert column("number", 5.0, 0.12) == ["5.00", "0.12"]
    assert column("number", 5.0, 12.0) == ["5", "12"]
    # A figure too small for its column is not written as zero.
    assert column("number", 250.0, 0.0123) == ["250.0", "0.0123"]


def test_a_chance_is_neither_certain_nor_impossible_by_rounding() -> None:
    assert column("chance", 0.0, 0.004, 0.33, 0.9999, 1.0) == ["0%", "<1%", "33%", ">99%", "100%"]
    assert column("chance", 0.00026, detail=True) == ["0.00026"]  # a p-value


def test_two_currencies_stand_beside_their_amounts() -> None:
    rows = (ROWS[0], (*ROWS[1][:5], "CAD", *ROWS[1][6:]))
    grid, _other = grid_of(table(rows), words())
    assert [heading.text for heading in grid.headings][2:4] == ["cost", "currency"]
    assert [line.cells[3] for line in grid.lines] == ["CAD", "USD"]


def test_a_currency_asked_for_leaves_the_others_out_and_says_so() -> None:
    rows = (ROWS[0], (*ROWS[1][:5], "CAD", *ROWS[1][6:]))
    blocks = blocks_of(table(rows), words(currency="USD"))
    assert isinstance(blocks[0], Grid)
    assert [line.cells[0] for line in blocks[0].lines] == ["disc brake pads"]
    assert isinstance(blocks[1], Paragraph)
    assert "left out: 1" in blocks[1].text


def test_rows_that_are_folded_away_are_counted() -> None:
    blocks = blocks_of(table(ROWS[:1] * 10), words(), first=4)
    assert isinstance(blocks[0], Grid)
    assert len(blocks[0].lines) == 4
    assert isinstance(blocks[1], Fold)
    assert blocks[1].summary == "6 more rows"
    assert isinstance(blocks[1].blocks[0], Grid)
    assert len(blocks[1].blocks[0].lines) == 6


def test_the_full_report_names_the_events_and_the_details() -> None:
    grid, _other = grid_of(table(ROWS[:1]), words(), full=True)
    assert ("events", "00000000") in [(t, s) for t, s in grid.lines[0].below]


def test_a_short_report_has_its_columns_in_their_order_and_a_table_without_any_is_whole() -> None:
    grid, _other = grid_of(table(), words(), brief=True)
    assert [heading.text for heading in grid.headings] == ["state", "what"]
    plain = replace(table(), columns=tuple(replace(one, brief=0) for one in COLUMNS))
    every, _other = grid_of(plain, words(), brief=True)
    assert len(every.headings) == 4


def test_what_is_not_a_number_is_no_figure() -> None:
    rows = (("a", float("nan"), None, None, float("inf"), "USD", "x", ""),)
    grid, _other = grid_of(table(rows), words())
    assert grid.lines[0].cells[1:3] == ("", "∞")


def test_rows_are_listed_by_vehicle_each_part_once_with_its_places() -> None:
    columns = (
        Column("vehicle", "vehicle", tells=Tells.VEHICLE),
        Column("component", "component", tells=Tells.COMPONENT),
        Column("position", "where", tells=Tells.PLACE),
        Column("chance", "chance", "chance", tells=Tells.VALUE),
        Column("state", "state", tells=Tells.STATE),
    )
    rows = (
        ("car-10", "wheel.tire", "LF", 0.9, "wearing"),
        ("car-9", "brake.pad", "front", 0.5, "wearing"),
        ("car-10", "wheel.tire", "RR", 0.254, "wearing"),
        ("car-9", "", "", None, "complaint"),
    )
    of_vehicles = Table("t", "A table", columns, rows)  # type: ignore[arg-type]
    told, listed = listed_by_vehicle(of_vehicles, Words(Look(), spelled=True))
    assert isinstance(told, Paragraph)
    assert told.text == "All 4 by vehicle, each with: chance"
    assert isinstance(listed, Facts)
    assert listed.pairs == (
        ("car-9", "disc brake pads front 50%; complaint"),
        ("car-10", "tire left front 90%, right rear 25%"),
    )
    # Of what names no vehicles only the command can be told.
    assert listed_by_vehicle(table(), words()) == ()
