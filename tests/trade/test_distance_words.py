"""A word that is no unit of distance is refused with those that are. Own sentence: no source."""

import pytest

from roadworn.model.units import UnitError, parse_distance


@pytest.mark.parametrize("word", ["furlong", "leagues"])
def test_only_units_of_distance_are_offered(word):
    with pytest.raises(UnitError) as refused:
        parse_distance(f"61,250 {word}")
    remedy = "write miles as mi and kilometres as km, as in 61,250 mi."
    told = f"'{word}' is not a unit of distance: {remedy}"
    assert str(refused.value) == told
