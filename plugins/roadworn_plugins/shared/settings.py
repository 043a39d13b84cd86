"""What analyses ask for and show alike: settings, names there are, units, lists, data files.

A name in a setting that nothing has would leave everything out without a word, and so hide what
is due.
"""

import os
import unicodedata
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Annotated, Literal, TypeVar

import numpy as np
from pydantic import Field

from roadworn.analysis import Column, PackagedFile
from roadworn.columns.view import LedgerView
from roadworn.model.errors import UnknownName
from roadworn.model.messages import Joined, PartName, Sentence
from roadworn.trade import DataFile, Library
from roadworn_plugins.shared.grouped import Clock, Unit, shown_distance

#: Settings that many analyses have.
OnlyVehicle = Annotated[str | None, Field(description="only this vehicle")]
OnlyComponent = Annotated[str | None, Field(description="only this component")]
ShownUnit = Annotated[Unit | None, Field(description="mi or km")]
Level = Annotated[float, Field(gt=0.5, lt=1, description="level of the limits")]
MostRows = Annotated[int, Field(ge=1, description="rows at the most")]
PoolPath = Annotated[
    str | None, Field(description="file of a pool of other shops' lives; else ROADWORN_POOL")
]
ByClock = Annotated[Clock, Field(description="miles or years")]


def pool_path(named: str | None) -> str:
    """Return the pool that a setting names, else the environment; an empty text for none."""
    return named or os.environ.get("ROADWORN_POOL", "")


@dataclass(frozen=True, slots=True)
class Shown:
    """How ages are shown: the unit of a distance, or years.

    Attributes:
        unit: of distances.
        clock: distance, calendar age or hours of the engine.
    """

    unit: Unit
    clock: Clock | Literal["hours"]

    @property
    def word(self) -> str:
        """Return the unit of age as written in a heading."""
        return {"distance": self.unit, "age": "years", "hours": "h"}[self.clock]

    def exact(self, value: float) -> float:
        """Return an age in thousand km, years or thousand hours in the unit shown, for a curve."""
        if self.clock == "hours":
            return float(value * 1000.0)
        return float(value if self.clock == "age" else shown_distance(float(value), self.unit))

    def age(self, value: float) -> float | None:
        """Return it rounded for a table, or None where it is not reached."""
        if not np.isfinite(value):
            return None
        return round(self.exact(value), {"distance": -2, "age": 2, "hours": -1}[self.clock])

    def stored(self, shown: float) -> float:
        """Return an age as the lives hold it: thousand km or years."""
        return shown / self.exact(1.0)


def in_unit(columns: Iterable[Column], unit: str) -> tuple[Column, ...]:
    """Return columns with a unit in the headings of their distances."""
    return tuple(replace(c, unit=unit) if c.kind == "distance" else c for c in columns)


def whole_distance(km: float | None, unit: Unit) -> int | None:
    """Return kilometres in the unit shown, rounded to whole ones."""
    return None if km is None else round(float(shown_distance(km / 1000.0, unit)))


def rounded(value: float | None, digits: int = 2) -> float | None:
    """Return a figure for a table, None where it is unknown or not finite."""
    return None if value is None or not np.isfinite(value) else round(float(value), digits)


def all_said(*sentences: str) -> tuple[str, ...]:
    """Return the sentences that are not empty."""
    return tuple(filter(None, sentences))


def first_of(names: Sequence[str], most: int = 5) -> str:
    """Return the first names of a list, and whether there are others."""
    told = Joined(names[:most])
    return Sentence("and-others", "{names} and others", names=told) if names[most:] else told


def on_vehicle(vehicle: str | None) -> str:
    """Return on which vehicle, as part of a sentence; an empty text where all are meant."""
    return Sentence("on-vehicle", " on {vehicle}", vehicle=vehicle) if vehicle else ""


def group_name(label: Sequence[str]) -> Joined:
    """Return the name of a group of lives: the id of its component, and what tells it apart."""
    return Joined((PartName(label[0], label[0]), *label[1:]))


def left_out_why(whys: Iterable[tuple[str, int]]) -> Joined:
    """Return how many are left out, by why."""
    return Joined((Sentence("left-out", "{n} {why}", n=n, why=why) for why, n in whys), "; ")


T = TypeVar("T")


class Packaged(Library[T]):
    """The TOML files of one kind in the folder `rules`."""

    def __init__(
        self, what: str, prefix: str, default: str, variable: str, read: Callable[[DataFile], T]
    ) -> None:
        folder = Path(__file__).parents[1] / "rules"
        super().__init__(what, folder, read, prefix, default, variable)

    def as_files(self, setting: str, title: str) -> tuple[PackagedFile, ...]:
        """Return them as files to copy from, for the setting that names one."""
        return tuple(
            PackagedFile(setting, name, self.what, title, partial(self.text, name))
            for name in self.names()
        )


def listed(text: str, known: Collection[str], what: str) -> frozenset[str]:
    """Return the names in a list with commas, each of which must be known.

    Raises:
        UnknownName: one is not; carries the nearest names.
    """
    names = frozenset(name.strip() for name in text.split(",") if name.strip())
    for name in sorted(names):
        require(name, known, what)
    return names


def require(name: str, known: Collection[str], what: str) -> None:
    """Refuse a name that is not known.

    Raises:
        UnknownName: carries the nearest names.
    """
    if name in known:
        return
    there = ", ".join(sorted(known)[:30]) or "none on record"
    raise UnknownName.of(f"{what} {name!r}", name, known, f"there are: {there}.")


def vehicle_classes(view: LedgerView) -> frozenset[str]:
    """Return the classes that vehicles have on record, retired ones too."""
    rows = view.sql("SELECT DISTINCT vehicle_class FROM vehicles WHERE vehicle_class IS NOT NULL")
    return frozenset(str(name) for (name,) in rows.rows)


def suppliers(view: LedgerView) -> frozenset[str]:
    """Return the suppliers that parts on record came from."""
    rows = view.sql("SELECT DISTINCT supplier FROM replacements WHERE supplier IS NOT NULL")
    return frozenset(str(name) for (name,) in rows.rows)


def classes_nobody_has(asked: Collection[str], view: LedgerView) -> tuple[str, ...]:
    """Return a caveat for each class that a schedule names and no vehicle has.

    No refusal, since one schedule may serve several fleets.
    """
    known = vehicle_classes(view)
    caveats = []
    for name in sorted(set(asked) - known - {""}):
        near = get_close_matches(name, known, n=1)
        caveats.append(
            Sentence(
                "maintenance-due.class-near",
                "The schedule names the class {name!r}, which no vehicle has: did you mean "
                "{near!r}? Its services are asked of none.",
                name=name,
                near=near[0],
            )
            if near
            else Sentence(
                "maintenance-due.class",
                "The schedule names the class {name!r}, which no vehicle has: its services are "
                "asked of none.",
                name=name,
            )
        )
    return tuple(caveats)


def named_alike(names: Iterable[str], aliases: str = "") -> dict[str, str]:
    """Return each spelling -> the one that stands for all that differ by case or punctuation.

    "Quay Parts", "QUAY-PARTS" and "quay parts." are one name; the commonest spelling is shown.

    Args:
        names: as they were written, repeated as often as they occur.
        aliases: further names of one, ``"Quay = Quay Parts; QP = Quay Parts"``.
    """
    same = {}
    for pair in aliases.split(";"):
        other, found, name = pair.partition("=")
        if found:
            same[_bare(other)] = name.strip()
    groups: dict[str, dict[str, int]] = {}
    counted = Counter(names)
    for name, number in counted.items():
        known = same.get(_bare(name), name)
        spellings = groups.setdefault(_bare(known) or known, {})
        spellings[known] = spellings.get(known, 0) + (number if known == name else 0)
    # Of two as common the one in both cases, as a name is written.
    shown = {
        bare: max(
            sorted(kinds), key=lambda name: (kinds[name], name.upper() != name != name.lower())
        )
        for bare, kinds in groups.items()
    }
    found_as = {}
    for name in counted:
        known = same.get(_bare(name), name)
        found_as[name] = shown[_bare(known) or known]
    return found_as


def _bare(name: str) -> str:
    return "".join(filter(str.isalnum, unicodedata.normalize("NFKC", name).casefold()))
