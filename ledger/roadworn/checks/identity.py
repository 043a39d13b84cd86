"""What a vehicle is said to be: its weight, its VIN, its year, and another record's vehicle.

Asked of enrolments, changes of profile and mergers only, so that a reading does not wait.
"""

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from roadworn.checks.facts import Draft, Facts
from roadworn.model.messages import Problem, Remedy, Sentence

_SAYS_WEIGHT = ("weight_class", "vehicle_class", "duty")


#: Letters and figures of a number plate, in capitals, what parts them left out.
_PLATE = re.compile(r"(?=.*\d)(?=.*[A-Z])[A-Z\d]{5,8}")
#: So many vehicles, and such a share of them, make a column of plates.
_FEWEST, _SHARE = 3, 0.6
_PLATES = Sentence("plates", "What names the vehicles looks like their number plates.")
_PLATES_HINT = (
    "an event is permanent, and a plate leads to a person: name the vehicles by numbers of your "
    "own, and give the column of plates as plate in the map (`import --look` asks which is which)"
)


def plates(vehicle_ids: Collection[str], *, named_so: bool = False) -> Problem | None:
    """Doubt the names of a file's vehicles where they are number plates.

    A shop's own share their letters, BUS-101 and BUS-102; those of plates differ.

    Args:
        vehicle_ids: as the file names them.
        named_so: its column is headed as plates are.
    """
    alike = [one for one in vehicle_ids if _PLATE.fullmatch(re.sub(r"[-_. ]", "", one))]
    letters = {re.sub(r"[^A-Z]", "", one) for one in alike}
    many = len(alike) >= max(_FEWEST, _SHARE * len(vehicle_ids))
    if not (alike and (named_so or (many and len(letters) >= _SHARE * len(alike)))):
        return None
    return Problem("private", _PLATES, _PLATES_HINT, column="vehicle_id")


def weight(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt what a profile says of the weight: not understood, or contradicted."""
    if not any(draft.payload.get(field) for field in _SAYS_WEIGHT):
        return
    from roadworn.trade.weight import weigh

    weighed = weigh(facts.profile(draft.vehicle_id))
    if weighed.what:
        field = "weight_class"
        yield Problem(
            "weight",
            Sentence("weight", "{what}.", what=weighed.what),
            weighed.remedy,
            column=f"payload.{field}",
            remedy=Remedy("record", field),
        )


def vin(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a VIN, and the model year beside it, where one of them was said."""
    said = draft.payload
    if not (said.get("vin") or said.get("model_year")):
        return
    profile = facts.profile(draft.vehicle_id)
    for doubt in identity_doubts(profile.get("vin"), profile.get("model_year")):
        field = doubt.column if said.get(doubt.column) else "vin"
        yield doubt.at(0, column=f"payload.{field if said.get(field) else 'model_year'}")


def vin_of_another(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt a VIN that another vehicle was enrolled with."""
    number = draft.payload.get("vin")
    if number:
        doubt = shared_vin(number, facts.others_with_vin(draft.vehicle_id, number))
        if doubt is not None:
            yield doubt.at(0, column="payload.vin")


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
    told = Sentence(
        "vin-shared",
        "The VIN {vin} is that of {others} too.",
        vin=vin,
        others=", ".join(sorted(others)[:5]),
    )
    hint = (
        "compare both with the plates; one vehicle enrolled twice is one history in two halves, "
        "which `roadworn record merge` joins"
    )
    return Problem("vin-shared", told, hint, column="vin")


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


def merge_possible(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Refuse to merge a record into itself, into none, or a second time."""
    own, into = draft.vehicle_id, draft.payload["into"]
    if not facts.enrolled(into):
        told = Sentence("merge-unknown", "There is no vehicle {into}.", into=into)
        hint = "`roadworn find` or `roadworn vehicles` tells how it is called"
        yield Problem("merge-unknown", told, hint, column="payload.into")
    elif facts.kept_as(own) == facts.kept_as(into):
        told = Sentence(
            "merge-same", "{own} and {into} are one vehicle already.", own=own, into=into
        )
        yield Problem("merge-same", told, "name the other record", column="payload.into")


def merge_other_vin(draft: Draft, facts: Facts) -> Iterator[Problem]:
    """Doubt that two records with different VINs are of one vehicle."""
    into = draft.payload["into"]
    own, other = (facts.profile(one).get("vin") or "" for one in (draft.vehicle_id, into))
    if own and other and own.upper() != other.upper():
        told = Sentence(
            "merge-other-vin",
            "The VIN of {own} is {one}, that of {into} is {two}.",
            own=draft.vehicle_id,
            one=own,
            into=into,
            two=other,
        )
        hint = "compare both with the plates; a mistyped one is corrected first"
        yield Problem("merge-other-vin", told, hint, column="payload.into")
