"""Readings of one odometer against each other, and the rule on what they disclose."""

from collections.abc import Collection, Sequence
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
        flag: of the read model: empty, lower, implausible, rolled_over, stepped or other_unit.
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
    factors: dict[int, float] = {}
    before: Reading | None = None
    for i, reading in enumerate(readings):
        if before is not None:
            # What this instrument would show: the shift of exchanges and roll-overs stays.
            use = pace * (reading.on - before.on).days
            expected = before.shown_km + use
            near = max(_NEAR_SHARE * expected, _NEAR_USE * use, _NEAR_KM)
            off = abs(reading.shown_km - expected)
            fits = [f for f in _FACTORS if abs(reading.shown_km / f - expected) <= near]
            if fits and off > _WORSE * near and reading.flag not in ("stepped", "other_unit"):
                factors[i] = fits[0]
        if reading.used and i not in factors and reading.flag != "other_unit":
            before = reading
    # A slip of the unit is a habit: what stands beside one and fits between its neighbours in
    # the same unit is of it, however far the vehicle went meanwhile.
    for i in (*range(len(readings)), *reversed(range(len(readings)))):
        factor = factors.get(i - 1, factors.get(i + 1))
        if i in factors or factor is None or readings[i].flag not in ("lower", "implausible"):
            continue
        known = {
            k: one.shown_km / factors.get(k, 1.0)
            for k, one in enumerate(readings)
            if one.used or k in factors
        }
        low = max((k for k in known if k < i), default=None)
        high = min((k for k in known if k > i), default=None)
        if low is None or high is None:
            continue
        if known[low] <= readings[i].shown_km / factor <= known[high]:
            factors[i] = factor
    return {readings[i].event: _other(readings[i].unit) for i in sorted(factors)}


def jumps(readings: Sequence[Reading], most_km_per_day: float) -> set[str]:
    """Return the events of used readings that need more than so much a day since the last."""
    used = [r for r in readings if r.used]
    return {
        after.event
        for before, after in pairwise(used)
        if after.true_km - before.true_km > most_km_per_day * ((after.on - before.on).days + 1)
    }


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause that explains one reading or several.

    Attributes:
        kind: ``stepped down``, ``stepped up``, ``mixed units``, ``implausible`` (too high),
            ``lower``, ``jump`` or ``rolled over``.
        at: number of the first reading that it explains.
        covers: numbers of all of them; of a step, all up to the next one.
        size_km: by how much the figures are off, or None.
        other: unit in which the figures would fit, or an empty text.
        meant: the figure that was probably meant, in the unit of the reading, or None.
    """

    kind: str
    at: int
    covers: tuple[int, ...]
    size_km: float | None = None
    other: str = ""
    meant: float | None = None


def causes_of(readings: Sequence[Reading], most_km_per_day: float) -> list[Cause]:
    """Return the fewest causes that explain what is doubtful, each once, in their order.

    Args:
        readings: of one vehicle, as the read model settled them.
        most_km_per_day: more than this in a day is a jump, in km.
    """
    units, far = other_unit(readings), jumps(readings, most_km_per_day)
    flags = [one.flag for one in readings]
    found: list[Cause] = []
    for unit in ("mi", "km"):
        # A slip of the unit is a habit: all of a vehicle are one cause, those of a run as well.
        odd = [
            i
            for i, one in enumerate(readings)
            if (units.get(one.event) or (one.flag == "other_unit" and _other(one.unit))) == unit
        ]
        if odd:
            found.append(Cause("mixed units", odd[0], tuple(odd), other=unit))
    told = {i for cause in found for i in cause.covers}
    mixed = frozenset(told)
    for i, one in enumerate(readings):
        if i in told or (one.flag == "lower" and i - 1 in mixed and _goes_on(readings, i, mixed)):
            continue
        before = next((k for k in range(i - 1, -1, -1) if readings[k].used), None)
        if one.flag == "stepped" and before is not None:
            stop = next((k for k in range(i + 1, len(flags)) if flags[k] == "stepped"), len(flags))
            covers = tuple(k for k in range(i, stop) if readings[k].used)
            off = (one.true_km - one.shown_km) - (
                readings[before].true_km - readings[before].shown_km
            )
            kind = "stepped down" if off > 0 else "stepped up"
            found.append(Cause(kind, i, covers, abs(off)))
        elif one.flag in ("lower", "implausible"):
            run = _run(readings, i, told)
            told |= set(run)
            after = next((k for k in range(run[-1] + 1, len(readings)) if readings[k].used), None)
            meant = None
            if len(run) == 1 and before is not None and after is not None:
                meant = slip(one, readings[before], readings[after])
            found.append(Cause(one.flag, i, run, meant=meant))
        elif one.flag == "rolled_over":
            found.append(Cause("rolled over", i, (i,)))
        elif one.event in far:
            found.append(Cause("jump", i, (i,)))
    return sorted(found, key=lambda cause: cause.at)


def _other(unit: str) -> str:
    return "km" if unit == "mi" else "mi"


def _goes_on(readings: Sequence[Reading], at: int, mixed: Collection[int]) -> bool:
    """Return whether a reading is lower than those in another unit alone, and no other."""
    before = next((k for k in range(at - 1, -1, -1) if k not in mixed and readings[k].used), None)
    return before is not None and readings[before].shown_km <= readings[at].shown_km


def _run(readings: Sequence[Reading], at: int, told: set[int]) -> tuple[int, ...]:
    """Return the readings from one on that are left out for the same cause and fit each other."""
    run = [at]
    for i in range(at + 1, len(readings)):
        one, last = readings[i], readings[run[-1]]
        if one.used or i in told or one.flag != last.flag or one.shown_km < last.shown_km:
            break
        run.append(i)
    return tuple(run)


def slip(wrong: Reading, before: Reading, after: Reading) -> float | None:
    """Return the figure that was meant, where two digits or one explain what was written.

    Two neighbours exchanged are looked for first, then one wrong digit, then one too many or
    one left out. Of several that lie between the readings around it, the one nearest to what
    was expected there is returned, in the unit of the reading.
    """
    scale = KM_PER_MILE if wrong.unit == "mi" else 1.0
    shift = before.true_km - before.shown_km
    low, high = ((one.true_km - shift) / scale for one in (before, after))
    days = (after.on - before.on).days
    share = (wrong.on - before.on).days / days if days else 0.5
    expected = low + share * (high - low)
    text = str(round(wrong.shown_km / scale))
    places = range(len(text))
    sorts = (
        [text[:i] + text[i + 1] + text[i] + text[i + 2 :] for i in places[:-1]],
        [text[:i] + digit + text[i + 1 :] for i in places for digit in "0123456789"],
        [text[:i] + text[i + 1 :] for i in places]
        + [text[:i] + digit + text[i:] for i in range(len(text) + 1) for digit in "0123456789"],
    )
    for sort in sorts:
        fitting = [figure for figure in map(float, filter(None, sort)) if low <= figure <= high]
        if fitting:
            return min(fitting, key=lambda figure: (abs(figure - expected), figure))
    return None
