"""Recalls and service campaigns as files: what is to be done, since when, and who is concerned.

Whether a vehicle is concerned is answered with yes, no, or what is missing to tell: a vehicle
whose year nobody wrote down is not left out of a recall in silence.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Literal

from roadworn.model.catalogue import catalogue
from roadworn.model.places import PositionError, normalise_position
from roadworn.trade import DataFile, Key, Library

#: What a campaign may say that it is done by.
DoneBy = Literal["recall", "replacement", "repair", "maintenance"]
_DONE_BY = ("recall", "replacement", "repair", "maintenance")
_HEAD = {
    "title": Key("text", must=True),
    "since": Key("text", must=True),
    "reference": Key("any text"),
    "say": Key("any text"),
}
_WORK = {
    "component": Key("text", must=True),
    "places": Key("texts"),
    "done_by": Key("texts"),
}
_VEHICLE = {
    "class": Key("text"),
    "make": Key("text"),
    "model": Key("text"),
    "year_from": Key("whole"),
    "year_to": Key("whole"),
    "vin_from": Key("text"),
    "vin_to": Key("text"),
}
_PART = {
    "part_numbers": Key("texts"),
    "suppliers": Key("texts"),
    "makers": Key("texts"),
    "fitted_from": Key("text"),
    "fitted_to": Key("text"),
}
#: Characters of a VIN (ISO 3779), and where its check digit stands (49 CFR 565.15), from 0.
_VIN, _CHECK = 17, 8
_MARKS = re.compile(r"[\s.\-_/]+")


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether something is concerned.

    Attributes:
        holds: yes, no, or None where `missing` keeps it from being told.
        missing: what is not on record, in words.
    """

    holds: bool | None
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Concern:
    """One way of being concerned: all of it must hold.

    Attributes:
        vehicle: what of the vehicle must hold, as the file says it.
        part: what of a fitted part must hold; empty where any vehicle is concerned.
    """

    vehicle: Mapping[str, Any]
    part: Mapping[str, Any]

    def of_vehicle(self, profile: Mapping[str, Any]) -> Answer:
        """Say whether a vehicle fits, by its row of the view `vehicles`."""
        said: list[bool] = []
        missing: list[str] = []
        for key, column, word in (
            ("class", "vehicle_class", "class"),
            ("make", "make", "make"),
            ("model", "model", "model"),
        ):
            if key in self.vehicle:
                _put(said, missing, word, profile.get(column), _same(self.vehicle[key]))
        if "year_from" in self.vehicle or "year_to" in self.vehicle:
            first, last = self.vehicle.get("year_from", 0), self.vehicle.get("year_to", 9999)
            _put(
                said, missing, "model year", profile.get("model_year"), lambda y: first <= y <= last
            )
        if "vin_from" in self.vehicle:
            ends = self.vehicle["vin_from"], self.vehicle["vin_to"]
            vin = profile.get("vin")
            known = vin if vin and len(vin) >= len(ends[0]) else None
            _put(said, missing, "VIN", known, lambda v: in_vin_range(v, *ends))
        return _answer(said, missing)

    def of_part(self, fitted: Mapping[str, Any]) -> Answer:
        """Say whether a fitted part is one of them, by its row of the table `replacements`."""
        said: list[bool] = []
        missing: list[str] = []
        for key, column, word in (
            ("part_numbers", "part_number", "part number"),
            ("suppliers", "supplier", "supplier"),
            ("makers", "maker", "maker of the part"),
        ):
            if key in self.part:
                _put(said, missing, word, fitted.get(column), _among(self.part[key]))
        day = fitted["occurred_on"]
        said.append(self.part.get("fitted_from", date.min) <= day)
        said.append(day <= self.part.get("fitted_to", date.max))
        return _answer(said, missing)


@dataclass(frozen=True, slots=True)
class Campaign:
    """A recall or a service campaign.

    Attributes:
        name: of its file.
        title, reference, say: what it is called, on paper too, and what to tell an owner.
        since: work before that day does not count.
        component: what is worked on.
        places: each of them must be done; empty for any one place.
        done_by: what counts as done.
        concerns: a vehicle that one of them fits is concerned.
    """

    name: str
    title: str
    reference: str
    say: str
    since: date
    component: str
    places: tuple[str, ...]
    done_by: tuple[str, ...]
    concerns: tuple[Concern, ...]


def in_vin_range(vin: str, first: str, last: str) -> bool:
    """Say whether a VIN lies between two, their check digits left out; or its end between two ends.

    Args:
        vin: as entered, at least as long as the two.
        first: a whole VIN, or the end of one.
        last: likewise, of the same length.
    """
    end = vin.strip().upper()[-len(first) :]
    if len(first) < _VIN:
        return first <= end <= last
    # Of two that follow each other only the check digit may fall.
    low, own, high = (text[:_CHECK] + text[_CHECK + 1 :] for text in (first, end, last))
    return low <= own <= high


def campaigns_in(folder: Path) -> Library[Campaign]:
    """Return the campaigns of a folder, each known by the name of its file or its beginning."""
    return Library("campaign file", folder, _campaign)


def load_campaign(folder: Path, name: str) -> Campaign:
    """Return a campaign by the name of its file, or by its path.

    Raises:
        UnknownName: there is none; carries the names there are.
        UsageError: the file does not say what it must.
    """
    library = campaigns_in(folder)
    if not name.endswith(".toml"):
        known = library.names()
        begun = [one for one in known if _key(one).startswith(_key(name))]
        exact = [one for one in begun if _key(one) == _key(name)]
        if len(exact or begun) != 1:
            library.text(name)  # refuses it, and names those there are
        name = str(folder / f"{(exact or begun or [name])[0]}.toml")
    return _campaign(DataFile.parse(library.what, name, library.text(name)))


def example_campaign() -> str:
    """Return a campaign file to copy and change."""
    return Path(__file__).with_name("campaign_example.toml").read_text(encoding="utf-8")


def _put(said: list[bool], missing: list[str], word: str, value: Any, fits: Any) -> None:  # noqa: ANN401
    """Keep whether a value fits, or that there is none."""
    if value in (None, ""):
        missing.append(word)
    else:
        said.append(fits(value))


def _answer(said: Sequence[bool], missing: Sequence[str]) -> Answer:
    """Return no where one thing does not hold, else what is missing, else yes."""
    if not all(said):
        return Answer(holds=False)
    return Answer(None, tuple(missing)) if missing else Answer(holds=True)


def _same(wanted: str) -> Any:  # noqa: ANN401
    return lambda value: _key(str(value)) == _key(wanted)


def _among(wanted: Sequence[str]) -> Any:  # noqa: ANN401
    return lambda value: any(fnmatchcase(_key(str(value)), _key(one)) for one in wanted)


def _key(text: str) -> str:
    """Return a name or a number without case, blanks and the marks that are typed or not."""
    return _MARKS.sub("", text.casefold())


def _campaign(file: DataFile) -> Campaign:
    file.sections(("campaign", "work", "concerns"))
    head, work = file.table(_HEAD, "campaign"), file.table(_WORK, "work")
    component = _component(file, work["component"])
    scheme = catalogue().get(component).positions
    places = []
    for place in work.get("places", ()):
        try:
            places.append(normalise_position(place, scheme))
        except PositionError as error:
            file.refuse("[work]", f"places: {error.what}: {error.remedy}")
    done_by = work.get("done_by", ("recall",))
    for one in done_by:
        file.word({"done_by": one}, "done_by", _DONE_BY, "[work]")
    concerns = [
        _concern(file, where, row) for where, row in file.rows("concerns", {**_VEHICLE, **_PART})
    ]
    return Campaign(
        Path(file.name).stem,
        head["title"],
        head.get("reference", ""),
        head.get("say", ""),
        _day(file, "[campaign]", "since", head["since"]),
        component,
        tuple(places),
        tuple(done_by),
        tuple(concerns),
    )


def _component(file: DataFile, text: str) -> str:
    if text in catalogue():
        return text
    found = catalogue().resolve(text)
    if found.component is None:
        near = " or ".join(one.name for one in found.suggestions[:3])
        meant = f" (did you mean {near}?)" if near else ": see `roadworn components`"
        file.refuse("[work]", f"component {text!r} is no component{meant}")
    return found.component.id


def _concern(file: DataFile, where: str, row: dict[str, Any]) -> Concern:
    if not row:
        file.refuse(where, "it says nothing, and so would be everybody: say class, make or year")
    for key in ("fitted_from", "fitted_to"):
        if key in row:
            row[key] = _day(file, where, key, row[key])
    if ("vin_from" in row) != ("vin_to" in row):
        file.refuse(where, "vin_from and vin_to go together")
    for key in ("vin_from", "vin_to"):
        if key in row:
            row[key] = row[key].strip().upper()
    if "vin_from" in row and len(row["vin_from"]) != len(row["vin_to"]):
        file.refuse(where, "vin_from and vin_to are of two lengths: give both whole, or both ends")
    if row.get("year_from", 0) > row.get("year_to", 9999):
        file.refuse(where, "year_from lies behind year_to: exchange the two")
    if "vin_from" in row and not in_vin_range(row["vin_from"], row["vin_from"], row["vin_to"]):
        file.refuse(where, "vin_from lies behind vin_to: exchange the two")
    return Concern(
        {key: value for key, value in row.items() if key in _VEHICLE},
        {key: value for key, value in row.items() if key in _PART},
    )


def _day(file: DataFile, where: str, key: str, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        file.refuse(where, f"{key} cannot be {text!r}: write a day as 2026-05-04")
