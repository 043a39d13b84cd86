"""The words of the US odometer disclosure rule, 49 CFR part 580, and whom it exempts.

A record can only say what speaks for or against a reading; who certifies it is the person
who transfers the vehicle.
"""

from datetime import date
from typing import Literal

Status = Literal["actual", "exceeds mechanical limits", "not actual", "unknown"]

#: Whoever weighs more is exempt: 49 CFR 580.17(a)(1), in lb.
EXEMPT_OVER_LB = 16_000
#: The first model year with the longer term, and both terms in years: 49 CFR 580.17(a)(3).
_LONG_FROM = 2011
_SHORT_TERM, _LONG_TERM = 10, 20


def exempt_by_age(model_year: int, on: date) -> bool:
    """Return whether a transfer on a day is exempt by the vehicle's age, 49 CFR 580.17.

    Model years to 2010: transferred ten years or more after 1 January of the model year;
    from 2011: twenty.
    """
    term = _SHORT_TERM if model_year < _LONG_FROM else _LONG_TERM
    return on >= date(model_year + term, 1, 1)
