"""Cells of a spreadsheet into values, by the map's word and never by a guess.

Dates are compared with `datetime.strptime` of the standard library, figures with `Decimal`.
"""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn.intake.csv_file import (
    CellError,
    cell_text,
    read_day,
    read_money,
    read_number,
    read_truth,
)
from roadworn.intake.csv_map import CsvMap
from roadworn.model.kinds import CORE_KINDS, fields_of
from roadworn.model.payloads import Replacement


def a_map(**settings: object) -> CsvMap:
    return CsvMap("test.toml", "replacement", {}, **settings)  # type: ignore[arg-type]


ORDERS = {"dmy": "%d.%m.%Y", "mdy": "%m/%d/%Y", "ymd": "%Y-%m-%d"}


@settings(max_examples=150)
@given(st.dates(date(1900, 1, 1), date(2100, 12, 31)), st.sampled_from(sorted(ORDERS)))
def test_a_day_in_a_said_order_is_what_strptime_reads(day: date, order: str) -> None:
    text = day.strftime(ORDERS[order])
    assert datetime.strptime(text, ORDERS[order]).replace(tzinfo=UTC).date() == day
    assert read_day(text, a_map(date_order=order)) == day.isoformat()


@pytest.mark.parametrize("text", ["04.05.2026", "4/5/2026", "13/05/2026"])
def test_an_order_that_was_not_said_is_never_guessed(text: str) -> None:
    with pytest.raises(CellError) as caught:
        read_day(text, a_map())
    assert caught.value.code == "date-order"


@pytest.mark.parametrize(
    ("text", "order", "code"),
    [
        ("31.02.2026", "dmy", "no-such-date"),
        ("2026-02-30", "", "no-such-date"),
        ("13/05/2026", "mdy", "no-such-date"),
        ("04.05.26", "dmy", "bad-date"),
        ("May 4th", "dmy", "bad-date"),
        ("46146", "dmy", "bad-date"),
        ("2026-05-04T09:30:00", "", "bad-date"),
    ],
)
def test_what_is_no_date_is_a_problem(text: str, order: str, code: str) -> None:
    try:
        read_day(text, a_map(date_order=order))
    except CellError as error:
        found = error.code
    else:
        found = "read"
    # A moment without a zone matches the form of a date with a time of day, which is left out.
    assert found == ("read" if "T" in text else code)


def test_iso_days_moments_and_spreadsheet_dates_need_no_order() -> None:
    assert read_day("2026-05-04", a_map()) == "2026-05-04"
    assert read_day("2026-05-04T23:30:00-02:00", a_map()) == "2026-05-05T01:30:00Z"
    assert read_day("04.05.2026 13:20", a_map(date_order="dmy")) == "2026-05-04"
    assert read_day(datetime(2026, 5, 4, 13, 20, tzinfo=UTC), a_map()) == "2026-05-04"


@settings(max_examples=200)
@given(st.decimals(min_value=-(10**9), max_value=10**9, places=2))
def test_a_figure_with_point_or_comma_is_exact(figure: Decimal) -> None:
    pointed = f"{figure:,f}"
    commaed = pointed.translate(str.maketrans(",.", ".,"))
    assert read_number(pointed, a_map()) == figure
    assert read_number(commaed, a_map(decimal_comma=True)) == figure


@pytest.mark.parametrize(
    ("text", "comma"), [("1.234,50", False), ("1,234.50", True), ("84,5", False)]
)
def test_the_other_way_of_writing_figures_is_refused_with_its_remedy(
    text: str, comma: bool
) -> None:
    with pytest.raises(CellError) as caught:
        read_number(text, a_map(decimal_comma=comma))
    assert f"decimal_comma = {str(not comma).lower()}" in caught.value.hint


@pytest.mark.parametrize("text", ["$5", "5 mi", "1,23,456.00", "NaN", "1e5", "", "٣"])
def test_what_is_no_figure_is_a_problem(text: str) -> None:
    # The last is a digit of another script, which Python's int() would take.
    with pytest.raises(CellError):
        read_number(text, a_map())


def test_money_needs_a_currency() -> None:
    assert read_money("84.50", a_map(), "usd") == {"amount": "84.50", "currency": "USD"}
    with pytest.raises(CellError) as caught:
        read_money("84.50", a_map(), "")
    assert caught.value.code == "no-currency"


def test_a_spreadsheet_sum_keeps_four_decimals() -> None:
    assert read_money(0.1 + 0.2, a_map(), "USD") == {"amount": "0.3", "currency": "USD"}
    assert read_money(100.0, a_map(), "USD")["amount"] == "100"


def test_truth() -> None:
    assert read_truth("Yes") is True
    assert read_truth(False) is False
    with pytest.raises(CellError):
        read_truth("maybe")


def test_cells_of_a_spreadsheet_as_text() -> None:
    assert [cell_text(cell) for cell in (None, 5.0, 5.5, True, date(2026, 5, 4), "  x ")] == [
        "",
        "5",
        "5.5",
        "yes",
        "2026-05-04",
        "x",
    ]


def test_the_type_of_each_field_comes_from_the_payload_model() -> None:
    fields = fields_of(Replacement)
    assert fields["parts_cost"].type == "money"
    assert fields["quantity"].type == "integer"
    assert fields["warranty_distance"].type == "distance"
    assert fields["reason"].type == "word"
    assert fields["reason"].words[0] == "failed"
    assert fields["component"].type == fields["along_with"].type == "component"
    assert fields_of(CORE_KINDS["enrolment"])["in_service_date"].type == "day"
    assert fields_of(CORE_KINDS["inspection_result"])["items"].type == "texts"
    assert "lines" not in fields_of(CORE_KINDS["estimate"])
