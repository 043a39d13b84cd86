"""The contract of ``fit repairs``: rows in, published figures out, each bad row named."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from roadworn_plugins.lifedata import LifeDataError
from roadworn_plugins.lifedata.fit_repairs import fit_repairs_table

DATA = Path(__file__).parents[1] / "reference" / "life_data"


def table(*rows):
    """Columns of rows (unit, age, event[, group[, count]])."""
    names = ("unit", "age", "event", "group", "count")[: len(rows[0])]
    return dict(zip(names, zip(*rows, strict=True), strict=True))


def read(name):
    with (DATA / name).open(encoding="utf-8") as file:
        rows = list(csv.reader(file))[1:]
    word = {"fail": "repair", "replacement": "repair"}
    return table(*((unit, age, word.get(event, event)) for unit, age, event in rows))


def only(columns, **options):
    (group,) = fit_repairs_table(columns, **options)["groups"]
    return group


def test_valve_seats():
    # o08 (Nelson & Doganaksoy 1989): R survfit, recomputed.
    got = only(read("o08_valve_seat_days.csv"))
    assert (got["group"], got["units"], got["repairs"]) == ("", 41, 48)
    assert list(got["mcf"][0]) == ["age", "at_risk", "mcf", "se"]
    assert got["mcf"][-1]["mcf"] == pytest.approx(1.54268751, rel=1e-8)
    step = next(s for s in got["mcf"] if s["age"] == 98)
    assert (step["at_risk"], step["se"]) == (41, pytest.approx(0.055199337, rel=1e-7))


def test_nist_example_is_time_stopped():
    # o12, NIST/SEMATECH e-Handbook 8.2.2.3: printed 0.483506; other digits recomputed.
    with (DATA / "o12_nist_repairs_hours.csv").open(encoding="utf-8") as file:
        ages = [line.strip() for line in file][1:]
    got = only(table(*[("A", a, "repair") for a in ages], ("A", "1500", "end")))
    law = got["power_law"]
    assert law["stopped"] == "time"
    assert law["beta_unbiased"] == pytest.approx(0.483506, abs=5e-7)
    assert law["beta"] == pytest.approx(0.5372288660341876, rel=1e-10)
    assert law["lambda"] == pytest.approx(0.19665821571379197, rel=1e-9)
    assert law["beta_ci"] == pytest.approx([0.25762212, 0.91784496], rel=1e-7)
    assert got["laplace"] == pytest.approx({"u": -1.326949183, "p": 0.1845254934}, rel=1e-8)
    handbook = {"chi2": 37.22808148, "df": 20, "p": 0.02197271423}
    assert got["military_handbook"] == pytest.approx(handbook, rel=1e-8)


def test_ten_vehicles_with_start_rows():
    got = only(read("o11_vehicle_repairs_exact_miles.csv"))
    assert (got["units"], got["repairs"]) == (10, 705)
    assert got["mcf"][-1]["mcf"] == pytest.approx(107.643650793651, rel=1e-10)
    assert got["power_law"]["beta"] == pytest.approx(2.6170122, rel=1e-6)


def test_without_an_end_the_last_repair_stops_the_unit():
    ages = [3.0, 9.0, 20.0, 26.0]
    got = only(table(*[("A", a, "repair") for a in ages]))
    law, n = got["power_law"], 4
    assert law["stopped"] == "failure"
    assert law["beta_unbiased"] == pytest.approx((n - 2) / n * law["beta"])
    assert got["military_handbook"]["df"] == 2 * (n - 1)
    # One unit: the Laplace sum over the three repairs before the last.
    u = (sum(ages[:3]) - 3 * 13) / (26 * np.sqrt(3 / 12))
    assert got["laplace"]["u"] == pytest.approx(u)
    assert [s["at_risk"] for s in got["mcf"]] == [1, 1, 1, 1]


def test_observation_windows_and_counts_and_groups():
    got = fit_repairs_table(
        table(
            ("A", 0, "start", "x", ""),
            ("A", 4, "repair", "x", 2),
            ("A", 10, "end", "x", ""),
            ("A", 20, "start", "x", ""),
            ("A", 30, "end", "x", ""),
            ("B", 25, "repair", "x", ""),
            ("B", 40, "end", "x", ""),
            ("C", 5, "end", "y", ""),
        )
    )["groups"]
    x, y = got
    steps = [(s["age"], s["at_risk"], s["mcf"]) for s in x["mcf"]]
    assert steps == [(4, 2, 1.0), (25, 2, 1.5)]
    assert (x["units"], x["repairs"], x["power_law"]["stopped"]) == (2, 3, "time")
    empty = {"beta": None, "lambda": None, "beta_unbiased": None, "beta_ci": None}
    assert y == {
        "group": "y",
        "units": 1,
        "repairs": 0,
        "mcf": [],
        "power_law": {**empty, "stopped": "time"},
        "laplace": {"u": None, "p": None},
        "military_handbook": {"chi2": None, "df": None, "p": None},
    }


@settings(max_examples=100)
@given(
    st.lists(
        st.tuples(st.sampled_from("ABC"), st.integers(1, 50), st.sampled_from(["repair", "end"])),
        min_size=1,
        max_size=25,
    )
)
def test_any_rows_give_strict_json_or_name_the_row(rows):
    try:
        got, problems = fit_repairs_table(table(*rows)), ()
    except LifeDataError as refusal:
        got, problems = None, refusal.problems
    if got is None:
        assert problems
        assert all(p.row > 0 and p.message and p.hint for p in problems)
    else:
        json.dumps(got, allow_nan=False)
        assert sum(g["repairs"] for g in got["groups"]) == sum(e == "repair" for *_, e in rows)


@pytest.mark.parametrize(
    ("row", "code", "column"),
    [
        (("B", "five", "repair", "x", ""), "bad-age", "age"),
        (("B", "-5", "repair", "x", ""), "bad-age", "age"),
        (("B", "nan", "repair", "x", ""), "bad-age", "age"),
        (("B", 5, "broke", "x", ""), "unknown-event", "event"),
        (("", 5, "repair", "x", ""), "no-unit", "unit"),
        (("B", 5, "repair", "x", "1.5"), "bad-count", "count"),
        (("A", 11, "repair", "x", ""), "not-observed", "age"),
        (("A", 0, "repair", "x", ""), "not-observed", "age"),
        (("A", 5, "repair", "y", ""), "two-groups", "group"),
        (("B", 5, "start", "x", ""), "bad-windows", "event"),
        (("A", 5, "end", "x", ""), "bad-windows", "event"),
    ],
)
def test_a_bad_row_is_named(row, code, column):
    with pytest.raises(LifeDataError) as caught:
        fit_repairs_table(table(("A", 10, "end", "x", ""), row))
    (problem,) = caught.value.problems
    assert (problem.code, problem.column) == (code, column)
    assert problem.row == (1 if code == "bad-windows" and row[0] == "A" else 2)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"unit": ["A"], "age": [1]}, "lacks the columns event"),
        ({"unit": ["A"], "age": [1, 2], "event": ["end"]}, "differ in length"),
        ({"unit": [], "age": [], "event": []}, "no rows"),
    ],
)
def test_a_bad_table_is_refused(columns, words):
    with pytest.raises(LifeDataError, match=words):
        fit_repairs_table(columns)
