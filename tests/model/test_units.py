"""Units against their definitions, and readings against what a gauge shows.

The international yard and pound agreement of 1959 fixes 1 in = 25.4 mm and 1 lb =
0.45359237 kg exactly; a mile is 63,360 in. Standard gravity is 9.80665 m/s2 (CGPM 1901).
"""

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from roadworn.model import units


def test_factors_agree_with_scipy_constants():
    assert pytest.approx(constants.mile, rel=1e-15) == units.KM_PER_MILE * 1000
    assert constants.inch == units.convert(1, "in", "mm") / 1000
    assert units.convert(1, "psi", "kPa") * 1000 == pytest.approx(constants.psi, rel=1e-15)
    assert units.convert(1, "lbf·ft", "Nm") == pytest.approx(constants.lbf * constants.foot)


def test_a_mile_is_63360_inches():
    assert units.exact(1, "mi", "km") * 1_000_000 == 63_360 * units.exact(1, "in", "mm")


@pytest.mark.parametrize(
    ("value", "unit", "mm"),
    # Computed from 1 in = 25.4 mm.
    [(1, "32nds", 0.79375), (2, "32nds", 1.5875), (4, "32nds", 3.175), (0.125, "in", 3.175)],
)
def test_tread_depths(value, unit, mm):
    assert units.convert(value, unit, "mm") == mm


def test_sixty_thousand_miles():
    assert units.convert(60_000, "mi", "km") == 96_560.64
    assert units.convert(96_560.64, "km", "mi") == 60_000


@given(st.decimals(0, 10**7, places=3))
def test_there_and_back_is_exact(value):
    km = units.exact(value, "mi", "km")
    assert km / units.exact(1, "mi", "km") == Fraction(value)
    assert units.convert(units.convert(value, "mi", "km"), "km", "mi") == pytest.approx(
        float(value), rel=1e-15
    )


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("61,250 mi", "61250", "mi"),
        ("98 500 km", "98500", "km"),
        ("98\u202f500 km", "98500", "km"),
        ("120000km", "120000", "km"),
        ("0.4 miles", "0.4", "mi"),
        ("1,234,567 Kilometres", "1234567", "km"),
    ],
)
def test_distances_as_written(text, value, unit):
    assert units.parse_distance(text) == (Decimal(value), unit)


def test_a_default_unit_serves_only_a_bare_figure():
    assert units.parse_distance("61250", "mi") == (Decimal(61250), "mi")
    assert units.parse_distance("61250 km", "mi") == (Decimal(61250), "km")


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("3 mm", "3", "mm"),
        ("4/32 in", "4", "32nds"),
        ("4/32", "4", "32nds"),
        ("5/32nds", "5", "32nds"),
        ("6 32nds", "6", "32nds"),
        ("1 4/32 in", "36", "32nds"),
        ("0.25 in", "0.25", "in"),
        ('1/4"', "0.25", "in"),
        ("2 1/4 in", "2.25", "in"),
        ("3/16 inch", "0.1875", "in"),
        ("12.4 V", "12.4", "V"),
        ("9.6V", "9.6", "V"),
        ("1,200 mV", "1200", "mV"),
        ("35 psi", "35", "psi"),
        ("-0.5 deg", "-0.5", "deg"),
        (".5 mm", "0.5", "mm"),
        ("70 F", "70", "°F"),
    ],
)
def test_measurements_as_written(text, value, unit):
    assert units.parse_measurement(text) == (Decimal(value), unit)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("3", "has no unit"),
        ("", "cannot be read"),
        ("mm", "cannot be read"),
        ("3,5 mm", "point before the decimals"),
        ("1,23,456 mm", "cannot be read"),
        ("NaN V", "cannot be read"),
        ("inf V", "cannot be read"),
        ("1e5 mm", "not a unit"),
        ("٣ mm", "cannot be read"),
        ("3 furlongs", "not a unit"),
        ("1/3 in", "cannot be read"),
        ("1/4 V", "only inches"),
        ("3 " + "m" * 10_000_000, "characters"),
    ],
)
def test_unreadable_figures_say_what_to_write(text, says):
    with pytest.raises(units.UnitError, match=says) as caught:
        units.parse_measurement(text)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize("text", ["5 mm", "-5 km", "61250", "12.4 V"])
def test_no_distance(text):
    with pytest.raises(units.UnitError):
        units.parse_distance(text)


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_number_is_converted(value):
    with pytest.raises(units.UnitError):
        units.convert(value, "mi", "km")


def test_dimensions_are_never_mixed():
    with pytest.raises(units.UnitError, match="measures voltage"):
        units.convert(3, "V", "mm")


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text):
    try:
        quantity = units.parse_measurement(text)
    except units.UnitError:
        return
    assert quantity.value.is_finite()
    assert units.canonical_unit(quantity.unit) == quantity.unit
