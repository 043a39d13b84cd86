"""A VIN typed in groups is one slip: blanks and hyphens are no characters of a VIN.

49 CFR 565.15: 17 characters, letters and digits. 1M8GDM9AXKP042788 is a much-printed example.
"""

import pytest

from roadworn.trade.vin import decode_vin


@pytest.mark.parametrize("typed", ["1M8 GDM9AX KP 042788", "1M8-GDM9AX-KP042788"])
def test_blanks_and_hyphens_give_one_problem_with_the_vin_without_them(typed):
    (problem,) = decode_vin(typed).problems
    assert problem.code == "vin-length"
    assert problem.hint == "without blanks and hyphens it is 1M8GDM9AXKP042788"


def test_another_slip_beside_them_is_still_told():
    codes = [problem.code for problem in decode_vin("1M8 GDM9AX KP O42788").problems]
    assert codes == ["vin-length", "vin-character"]
