"""Readings of one odometer against each other, and the rule on what they disclose."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from statistics import median
from typing import Literal

from roadworn.model.units import KM_PER_MILE

#: The words of the US odometer disclosure rule, 49 CFR part 580. A record can only say what speaks
#: for or against a reading; who certifies it is the person who transfers the vehicle.
Status = Literal["actual", "exceeds mechanical limits", "not actual", "unknown"]


#: The first model year with the longer term, and both terms in years: 49 CFR 580.17(a)(3).
_LONG_FROM = 2011


_SHORT_TERM, _LONG_TERM = 10, 20


#: A figure in the other unit is this many times too high or too low.
_FACTORS = (KM_PER_MILE, 1.0 / KM_PER_MILE)


#: How near a converted figure must be: this share of it, so many times the vehicle's own use
#: since then, or this far.
_NEAR_SHARE, _NEAR_USE, _NEAR_KM = 0.02, 2.0, 500.0


#: How much worse the figure as written must fit before the unit is doubted.
_WORSE = 2.0


def exempt_by_age(model_year: int, on: date) -> bool:
    """Return whether a transfer on a day is exempt by the vehicle's age, 49 CFR 580.17.

    Model years to 2010: transferred ten years or more after 1 January of the model year;
    from 2011: twenty.
    """
    term = _SHORT_TERM if model_year < _LONG_FROM else _LONG_TERM
    return on >= date(model_year + term, 1, 1)


@dataclass(frozen=True, slots=True)
class Reading:
    """A reading in the order of the road.

    Attributes:
        event: id.
        on: day.
        shown_km: what was read, in km as written.
        true_km: distance of the vehicle there by all readings that are used.
        unit: as written.
        flag: of the read model: empty, lower, implausible or rolled_over.
        used: whether the true distance rests on it.
    """

    event: str
    on: date
    shown_km: float
    true_km: float
    unit: str
    flag: str
    used: bool


def usual_km_per_day(readings: Sequence[Reading]) -> float | None:
    """Return the median pace between used readings a week or more apart, or None."""
    used = [r for r in readings if r.used]
    paces, start = [], used[0] if used else None
    for reading in used[1:]:
        if start is not None and (reading.on - start.on).days >= 7:
            paces.append((reading.true_km - start.true_km) / (reading.on - start.on).days)
            start = reading
    return median(paces) if len(paces) >= 2 else None


def other_unit(readings: Sequence[Reading]) -> dict[str, str]:
    """Return event -> the unit its figure would fit in, for figures off by about 1.6."""
    pace = usual_km_per_day(readings)
    if pace is None:
        return {}
    found: dict[str, str] = {}
    before: Reading | None = None
    for reading in readings:
        if before is not None:
            # What this instrument would show: the shift of exchanges and roll-overs stays.
            use = pace * (reading.on - before.on).days
            expected = before.shown_km + use
            near = max(_NEAR_SHARE * expected, _NEAR_USE * use, _NEAR_KM)
            off = abs(reading.shown_km - expected)
            fits = any(abs(reading.shown_km / f - expected) <= near for f in _FACTORS)
            if fits and off > _WORSE * near:
                found[reading.event] = "km" if reading.unit == "mi" else "mi"
        if reading.used and reading.event not in found:
            before = reading
    return found


def jumps(readings: Sequence[Reading], most_km_per_day: float) -> set[str]:
    """Return the events of used readings that need more than so much a day since the last."""
    used = [r for r in readings if r.used]
    return {
        after.event
        for before, after in pairwise(used)
        if after.true_km - before.true_km > most_km_per_day * ((after.on - before.on).days + 1)
    }
