"""What can be but hardly is: said of an event whichever door it came through, and kept.

What cannot be is refused (`roadworn.checks.measured`, `roadworn.checks.slips`).
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from roadworn.checks.days import year_meant
from roadworn.model.messages import Problem

FIRST_YEAR = 1980
_DAYS = ("due_date", "valid_until", "in_service_date")
#: An answer or an inspection is not due later than this; common practice, no source.
_MOST_YEARS_AHEAD = 10


def unlikely_day(day: str, profile: Mapping[str, Any], today: str) -> Problem | None:
    """Return why a day is odd for an event of a vehicle with this profile, or None.

    Args:
        day: ISO day.
        profile: `model_year` and `in_service_date` of the vehicle, where they are known.
        today: ISO day that the likely year is looked for before.
    """
    year, began = profile.get("model_year"), profile.get("in_service_date")
    why = ""
    if began and day < began:
        why = f"before the vehicle came into service on {began}"
    # A model year is sold from the year before it on.
    elif year and int(day[:4]) < year - 1:
        why = f"before its model year {year}"
    elif int(day[:4]) < FIRST_YEAR:
        why = f"before {FIRST_YEAR}"
    if not why:
        return None
    meant = year_meant(day, today) if int(day[:4]) < FIRST_YEAR else ""
    hint = f"did you mean {meant}?" if meant else "compare it with the paper"
    return Problem("unlikely-day", f"{day} is {why}.", hint, column="occurred_at")


def far_days(payload: Mapping[str, Any], today: str) -> Iterator[Problem]:
    """Yield a doubt for each day in a payload that is far ahead or long ago."""
    for field in _DAYS:
        day = payload.get(field)
        if not isinstance(day, str):
            continue
        ahead = int(day[:4]) > int(today[:4]) + _MOST_YEARS_AHEAD
        if ahead or int(day[:4]) < FIRST_YEAR - 60 * (field == "in_service_date"):
            meant = year_meant(day, f"{int(today[:4]) + 1}{today[4:]}")
            hint = f"did you mean {meant}?" if meant else "compare it with the paper"
            side = "far ahead" if ahead else "long ago"
            yield Problem("unlikely-day", f"{day} is {side}.", hint, column=f"payload.{field}")


def beyond_digits(value: float, unit: str, digits: int | None) -> Problem | None:
    """Return a doubt about a figure that an odometer of so many whole digits cannot show."""
    if not digits or value < 10**digits:
        return None
    shows = value % 10**digits
    return Problem(
        "beyond-digits",
        f"{value:,.10g} {unit} has more digits than its odometer shows, which is {digits}.",
        f"write what it shows, perhaps {shows:,.10g}: how often it rolled over is worked out",
        column="odometer",
    )


def to_settle(
    profile: Mapping[str, Any], *, light: bool | None = None, latest: int | None = None
) -> list[Problem]:
    """Return what stays to be settled by a person about a vehicle's VIN and model year.

    Args:
        profile: `vin` and `model_year` as the ledger has them now, either may be None.
        light: as `roadworn.trade.vin.decode_vin` takes it.
        latest: likewise.
    """
    found = identity_doubts(profile.get("vin"), profile.get("model_year"), light, latest)
    # Where nobody knows whether the market uses a check digit, one word at the writing is enough.
    return [doubt for doubt in found if doubt.code != "vin-check-digit-unsure"]


def identity_doubts(
    vin: str | None, model_year: int | None, light: bool | None = None, latest: int | None = None
) -> Iterator[Problem]:
    """Yield what is odd about a VIN, and about the model year beside it; both are kept."""
    if not vin:
        return
    # Only a VIN needs it: an inspection or a reading should not wait for it.
    from roadworn.trade.vin import decode_vin, year_problem

    decoded = decode_vin(vin, light=light, latest=latest)
    yield from decoded.problems
    yield from decoded.doubts
    mismatch = year_problem(decoded, model_year)
    if mismatch is not None:
        yield mismatch


def shared_vin(vin: str, others: Collection[str]) -> Problem | None:
    """Return a doubt when other vehicles have the same VIN: one vehicle perhaps, enrolled twice.

    Args:
        vin: the VIN.
        others: ids of the other vehicles that have it.
    """
    if not others:
        return None
    return Problem(
        "vin-shared",
        f"The VIN {vin} is that of {', '.join(sorted(others)[:5])} too.",
        "compare both with the plates; one vehicle enrolled twice is one history in two halves",
        column="vin",
    )


def shared_vins(vins: Iterable[tuple[str, str | None]]) -> Iterator[tuple[str, Problem]]:
    """Yield (vehicle, doubt) for all vehicles that share a VIN.

    Args:
        vins: (vehicle id, its VIN) of all vehicles.
    """
    holders: dict[str, list[str]] = {}
    for vehicle, vin in vins:
        if vin:
            holders.setdefault(vin.upper(), []).append(vehicle)
    for vin, vehicles in holders.items():
        for vehicle in vehicles:
            doubt = shared_vin(vin, [other for other in vehicles if other != vehicle])
            if doubt is not None:
                yield vehicle, doubt
