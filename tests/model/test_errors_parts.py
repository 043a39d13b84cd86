"""An error keeps what is wrong and what to do about it apart, beside the sentence of both."""

import pytest

from roadworn.model.errors import ProblemsFound, UnknownName, UsageError
from roadworn.model.messages import Problem
from roadworn.model.places import PositionError, normalise_position
from roadworn.model.units import UnitError, parse_distance


def test_the_parts_make_the_sentence():
    error = UsageError("'x' is not an amount", "write it as 84.50 USD", code="amount")
    assert str(error) == error.message == "'x' is not an amount: write it as 84.50 USD."
    assert (error.what, error.remedy, error.code) == (
        "'x' is not an amount",
        "write it as 84.50 USD",
        "amount",
    )


def test_a_sentence_of_one_part_stays_as_it_is():
    error = UnknownName("There is no component 'x'; see the list.", ("y",))
    assert (error.message, error.what, error.remedy) == (error.what, error.message, "")
    assert error.near == ("y",)


def test_an_error_becomes_a_finding_about_data():
    with pytest.raises(UnitError) as caught:
        parse_distance("3 furlongs")
    assert caught.value.as_problem("unknown-unit", "odometer") == Problem(
        "unknown-unit",
        "'furlongs' is not a unit of distance.",
        "write miles as mi and kilometres as km, as in 61,250 mi",
        column="odometer",
    )


def test_units_and_places_are_usage_errors_with_parts():
    with pytest.raises(UsageError) as caught:
        normalise_position("xyz", "side")
    assert isinstance(caught.value, PositionError)
    assert (caught.value.remedy, caught.value.exit_code) == ("write L or R", 2)


def test_problems_found_keeps_both():
    error = ProblemsFound("2 problems", [Problem("a", "b")], remedy="mend them")
    assert error.message == "2 problems: mend them."
    assert error.problems == (Problem("a", "b"),)
