"""A vehicle found by whatever somebody knows of it: plate, VIN, telephone, owner, name, make.

Looked for in what is kept now: profiles from the ledger, plates and contacts from beside it. What
was erased is found no more.
"""

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import SequenceMatcher
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import orjson

from roadworn.checks.merged import merged_into
from roadworn.model.errors import UnknownName
from roadworn.store.aside import folded, without_place

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.store.contacts import Contact

#: Ends of a VIN and of a telephone number that are worth comparing; shorter ones fit too many.
_VIN_END, _PHONE_END = 4, 6
#: So few last digits of a telephone number, or signs of a plate, find it as a part.
_PHONE_PART, _PLATE_PART = 4, 3
#: Likeness from which a word is taken for a slip of another; two letters of six exchanged are 0.83.
_NEAR = 0.8
_SHOWN = ("label", "vin", "make", "model", "model_year", "vehicle_class", "owner_reference")
_PHONE = re.compile(r"[+(]?[\d\s()./-]+")
#: What may stand between two numbers of one contact.
_BETWEEN = re.compile(r"[;,|\n]|\bor\b|\s/\s")


class Fit(IntEnum):
    """How well a vehicle answers; the smaller the better."""

    EXACT = 0
    PART = 1
    WORDS = 2
    NEAR = 3


@dataclass(frozen=True, slots=True)
class Found:
    """A vehicle that answers to what was looked for.

    Attributes:
        vehicle_id: the vehicle.
        fit: how well it answers.
        by: by what it does: vehicle, label, plate, VIN, telephone, owner, a part of one of them,
            or description.
        profile: what is known of it now.
        plate: its number plate, or an empty text.
        owner: who its owner reference stands for, or None.
        left: whether it left the ledger's eye once.
        other_ids: ids under which records merged into it were kept.
    """

    vehicle_id: str
    fit: Fit
    by: str
    profile: Mapping[str, Any]
    plate: str
    owner: "Contact | None"
    left: bool
    other_ids: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Return it as a plain dictionary."""
        return {
            "vehicle_id": self.vehicle_id,
            "exact": self.fit is Fit.EXACT,
            "by": self.by,
            **{name: self.profile.get(name) for name in _SHOWN},
            "plate": self.plate or None,
            "owner": self.owner.name if self.owner else None,
            "phone": self.owner.phone if self.owner else None,
            "left": self.left,
            "other_ids": list(self.other_ids),
        }


def profiles(ledger: "Ledger") -> dict[str, dict[str, Any]]:
    """Return the profile of every enrolled vehicle, the latest word for each field.

    Reads all enrolments and changes of profile; records that were merged are one vehicle.
    """
    same = merged_into(ledger.query)
    rows = ledger.query(
        "SELECT vehicle_id, kind, payload, event_id, json_extract(payload, '$.replaces') "
        "FROM events WHERE kind IN ('enrolment', 'profile_change') AND event_id NOT IN "
        "(SELECT json_extract(payload, '$.event') FROM events WHERE kind = 'retraction') "
        "ORDER BY occurred_at, seq"
    )
    replaced = {row[-1] for row in rows}
    found: dict[str, dict[str, Any]] = {}
    enrolled = set()
    for vehicle, kind, payload, event_id, _replaces in rows:
        if event_id in replaced:
            continue
        vehicle_id = same.get(vehicle, vehicle)
        if kind == "enrolment":
            enrolled.add(vehicle_id)
        said = {key: value for key, value in orjson.loads(payload).items() if value is not None}
        found.setdefault(vehicle_id, {}).update(said)
    return {vehicle: found[vehicle] for vehicle in sorted(enrolled)}


def find(ledger: "Ledger", text: str) -> list[Found]:
    """Return the vehicles that answer to a text, the best first.

    Args:
        ledger: an open ledger.
        text: a plate with or without its place, a VIN or the end of one, a telephone number in any
            spelling, an owner's name or reference, a vehicle's id or label, make and model.

    Raises:
        UnknownName: none does; carries the ids that look like it.
    """
    sought = " ".join(text.split())
    plates = ledger.plates.all()
    contacts = {contact.reference: contact for contact in ledger.contacts.all()}
    left = {row[0] for row in ledger.query("SELECT vehicle_id FROM events WHERE "
            "kind = 'retirement' AND event_id NOT IN (SELECT json_extract(payload, '$.event') "
            "FROM events WHERE kind = 'retraction')")}  # fmt: skip
    others: dict[str, list[str]] = {}
    for old, new in merged_into(ledger.query).items():
        others.setdefault(new, []).append(old)
    found = []
    for vehicle_id, profile in profiles(ledger).items():
        also = tuple(sorted(others.get(vehicle_id, ())))
        plate = plates.get(vehicle_id) or next((plates[one] for one in also if one in plates), "")
        owner = contacts.get(profile.get("owner_reference", ""))
        seen = _Seen(vehicle_id, also, profile, plate, owner)
        best = min(seen.fits(sought), default=None) if sought else None
        if best is not None:
            gone = vehicle_id in left
            found.append(Found(vehicle_id, *best, profile, plate, owner, gone, also))
    # What only looks like it is of no use beside what is it.
    if any(one.fit < Fit.NEAR for one in found):
        found = [one for one in found if one.fit < Fit.NEAR]
    if not found:
        raise UnknownName(
            f"Nothing answers to {text!r}: give a plate, the end of a VIN, a telephone number, an "
            "owner's name or reference, a vehicle's name, or its make and model; `roadworn "
            "vehicles` lists them all."
        )
    return sorted(found, key=lambda one: (one.fit, one.left, one.vehicle_id))


def ever_of(ledger: "Ledger", reference: str) -> tuple[list[str], list[dict[str, Any]]]:
    """Return the vehicles that were ever a person's, and all events of them, as stored.

    Args:
        ledger: an open ledger.
        reference: the owner reference.
    """
    vehicles = [
        vehicle
        for (vehicle,) in ledger.query(
            "SELECT DISTINCT vehicle_id FROM events WHERE kind IN ('enrolment', 'profile_change') "
            "AND json_extract(payload, '$.owner_reference') = ? ORDER BY vehicle_id",
            (reference,),
        )
    ]
    marks = ", ".join("?" * len(vehicles))
    rows = ledger.query(
        "SELECT event_id, vehicle_id, kind, occurred_at, recorded_at, recorded_by, odometer, "
        f"odometer_unit, payload FROM events WHERE vehicle_id IN ({marks}) ORDER BY seq",
        vehicles,
    )
    names = "event_id vehicle_id kind occurred_at recorded_at recorded_by odometer odometer_unit"
    events = [
        {**dict(zip(names.split(), row[:-1], strict=True)), "payload": orjson.loads(row[-1])}
        for row in rows
    ]
    return vehicles, events


class _Seen:
    """One vehicle, and what of it a text may be."""

    def __init__(
        self,
        vehicle_id: str,
        also: tuple[str, ...],
        profile: Mapping[str, Any],
        plate: str,
        owner: "Contact | None",
    ) -> None:
        self.ids = (vehicle_id, *also)
        self.label = str(profile.get("label") or "")
        self.vin = str(profile.get("vin") or "").upper()
        self.reference = str(profile.get("owner_reference") or "")
        self.name = (owner.name if owner else "") or ""
        self.phone = (owner.phone if owner else "") or ""
        self.plate = plate
        described = (profile.get(name) for name in ("model_year", "make", "model", "vehicle_class"))
        self.described = " ".join(str(word) for word in described if word)

    def fits(self, sought: str) -> Iterator[tuple[Fit, str]]:
        """Yield how the vehicle answers to a text, and by what; nothing where it does not."""
        plain, signs = _plain(sought), folded(sought)
        for what, words in (
            ("vehicle", self.ids),
            ("label", (self.label,)),
            ("owner", (self.reference, self.name)),
            ("plate", (self.plate,)),
            ("VIN", (self.vin,)),
        ):
            if any(word and plain == _plain(word) for word in words):
                yield Fit.EXACT, what
        if signs:
            yield from self._by_signs(sought, signs)
        if _PHONE.fullmatch(sought):
            yield from self._by_phone(sought)
        words = (*self.ids, self.label, self.described, self.name, self.reference, self.plate)
        text = _plain(" ".join(words))
        if all(word in text for word in plain.split()):
            by_name = all(word in _plain(self.name) for word in plain.split())
            yield Fit.WORDS, "owner" if by_name else "description"
        near = [*self.ids, self.label, self.name, *self.name.split(), *self.described.split()]
        if any(word and _alike(plain, _plain(word)) for word in near):
            yield Fit.NEAR, "a like name"
        if self.plate and any(_alike(signs, one) for one in _keys(self.plate)):
            yield Fit.NEAR, "a like plate"

    def _by_signs(self, sought: str, signs: str) -> Iterator[tuple[Fit, str]]:
        if self.vin:
            vin = folded(self.vin)
            if vin == signs:
                yield Fit.EXACT, "VIN"
            elif len(signs) >= _VIN_END and vin.endswith(signs):
                yield Fit.PART, "end of the VIN"
        if self.plate:
            if folded(self.plate) == signs:
                yield Fit.EXACT, "plate"
            elif without_place(self.plate) == signs:
                yield Fit.EXACT, "plate without its place"
            elif _keys(self.plate) & _keys(sought):
                yield Fit.PART, "plate of another place"
            elif len(signs) >= _PLATE_PART and signs in folded(self.plate):
                yield Fit.PART, "part of the plate"

    def _by_phone(self, sought: str) -> Iterator[tuple[Fit, str]]:
        given = _digits(sought)
        if len(given) < _PHONE_END:
            # A zero in front counts here: it stands within the number.
            last = "".join(sign for sign in sought if sign.isdigit())
            ends = (_digits(number).endswith(last) for number in _BETWEEN.split(self.phone))
            if len(last) >= _PHONE_PART and any(ends):
                yield Fit.PART, "end of the telephone"
            return
        for number in _BETWEEN.split(self.phone):
            known = _digits(number)
            if known and known == given:
                yield Fit.EXACT, "telephone"
            elif len(known) >= _PHONE_END and (known.endswith(given) or given.endswith(known)):
                # With the code of the country or the town, or without.
                yield (
                    Fit.EXACT if min(len(known), len(given)) > _PHONE_END else Fit.PART,
                    ("telephone"),
                )


def _keys(plate: str) -> set[str]:
    return {folded(plate), without_place(plate)} - {""}


def _digits(number: str) -> str:
    """Return the digits of a telephone number that tell it, without what leads into a network."""
    digits = "".join(sign for sign in number.replace("(0)", "") if sign.isdigit())
    return digits.lstrip("0")


def _plain(text: str) -> str:
    """Return a text in small letters without accents, single blanks between its words."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(sign for sign in apart if not unicodedata.combining(sign)).split())


def _alike(one: str, other: str) -> bool:
    return len(one) > 3 and SequenceMatcher(None, one, other).ratio() >= _NEAR
