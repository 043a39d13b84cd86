"""A word that is no unit of distance is refused with those that are. Own sentence: no source."""

import pytest

from roadworn.units import UnitError, parse_distance


@pytest.mark.parametrize("word", ["furlong", "leagues"])
def test_only_units_of_distance_are_offered(word):
    with pytest.raises(UnitError) as refused:
        parse_distance(f"61,250 {word}")
    told = f"'{word}' is not a unit of distance: write miles as mi, kilometres as km."
    assert str(refused.value) == told
