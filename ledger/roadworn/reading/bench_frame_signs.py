"""Signs of how a part is, and more names of parts, as data: ``signs.toml``, ``part_names.csv``."""

import csv
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files
from typing import Any, NamedTuple

from roadworn.model.catalogue import Component
from roadworn.model.units import canonical_unit, dimension_of
from roadworn.reading.bench_names import names_index
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import Words, packaged_words, plain_key

_PACKAGE = "roadworn.reading"
_VOWELS = "aeiou"
_GRADES = ("sound", "wearing", "failed", "ask", "none")
_KINDS = {"lighting": "lamp", "fuel": "engine", "air": "engine", "emission": "engine"} | {
    "ignition": "engine"
}


def forms_of(verb: str) -> set[str]:
    """Return the forms of a verb, its past and what goes on."""
    stem, *rest = verb.split()
    made = {stem, f"{stem}s"}
    if stem.endswith("e"):
        made |= {f"{stem}d", f"{stem[:-1]}ing"}
    elif stem.endswith("y") and stem[-2:-1] not in _VOWELS:
        made |= {f"{stem[:-1]}ied", f"{stem[:-1]}ies", f"{stem}ing"}
    else:
        doubled = (
            len(stem) > 2
            and stem[-1] not in "aeiouwxy"
            and stem[-2] in _VOWELS
            and stem[-3] not in _VOWELS
            and len(stem) < 6
        )
        both = f"{stem}{stem[-1]}" if doubled else stem
        made |= {f"{both}ed", f"{both}ing"}
        if stem.endswith(("s", "ch", "sh", "x", "z")):
            made.add(f"{stem}es")
    made |= {f"{one[:-1]}" for one in made if one.endswith("ing") and len(one) > 5}
    return {" ".join([one, *rest]) for one in made}


class Bare(NamedTuple):
    """What a figure without a unit is of some parts.

    Attributes:
        parts: their components.
        unit: what they are measured in.
        low: the least that it can be, in that unit.
        high: the most.
        said: what must be said beside it, as a pattern; empty for nothing.
        decimal: it has a point.
    """

    parts: frozenset[str]
    unit: str
    low: float
    high: float
    said: str
    decimal: bool


@dataclass(frozen=True)
class Signs:
    """What words tell of a part."""

    general: Mapping[str, str]
    over: Mapping[str, str]
    of: Mapping[str, Mapping[str, str]]
    neutral: frozenset[str]
    doubts: frozenset[str]
    softens: frozenset[str]
    implied: frozenset[str]
    denials: frozenset[str]
    deeds: Mapping[str, frozenset[str]]
    known: frozenset[str]
    names: Mapping[tuple[str, ...], tuple[tuple[str, ...], tuple[str, ...]]]
    ordinary: frozenset[str]
    vocabulary: frozenset[str]
    figures: Mapping[str, frozenset[str]]
    sets: Mapping[str, frozenset[str]]
    hints: Sequence[tuple[str, str, frozenset[str]]]
    bare: Sequence[Bare]
    shown_by: Mapping[str, frozenset[str]]
    written: Sequence[tuple[re.Pattern[str], str]]

    def grade(self, key: str, component: Component, words: Words) -> str:
        """Return failed, wearing, sound or ask; nothing where it tells nothing."""
        common = packaged_words().conditions
        if words.conditions.get(key) != common.get(key):
            return words.condition_of(key, component)  # a shop's own word
        own = self.of.get(component.id, {}).get(key, "") or self.over.get(key, "")
        if own == "none":
            return ""
        return own or words.condition_of(key, component) or self.general.get(key, "")

    def is_mute(self, key: str, component: Component) -> bool:
        """Whether words are said to tell nothing of a part."""
        return "none" in {self.over.get(key), self.of.get(component.id, {}).get(key)}

    @cached_property
    def single(self) -> frozenset[str]:
        """Signs of one word that a slip may stand for."""
        return frozenset(key for key in self.known if " " not in key and len(key) > 4)

    def set(self, name: str) -> frozenset[str]:
        """Return a small set of words."""
        return self.sets[name]

    def is_deed(self, key: str) -> bool:
        """Whether words say what some part is for."""
        return any(key in deeds for deeds in self.deeds.values())

    def measures(self, component: str, unit: str) -> bool:
        """Whether a shop measures a part in the unit."""
        return component in self.figures.get(
            dimension_of(canonical_unit(unit)).split()[0], frozenset()
        )

    def does(self, key: str, component: Component) -> bool:
        """Whether words say what a part of this kind is for."""
        kind = _KINDS.get(component.system, component.system)
        return key in self.deeds.get(kind, frozenset())


@cache
def packaged_signs() -> Signs:
    """Return the packaged signs, read once."""
    data: dict[str, Any] = tomllib.loads(_text("signs.toml"))
    deeds = {
        kind: frozenset(_keys(_starred(verb) for verb in _listed(text)))
        for kind, text in data["deeds"].items()
    }
    # What one kind of part is for tells of no other: a radiator that sprays is not sound.
    some = {key for own in deeds.values() for key in own} - _keys(_listed(data["core"]))
    general: dict[str, str] = {}
    for grade in ("sound", "wearing", "failed"):
        general |= dict.fromkeys(_keys(_listed(data[grade])), grade)
    general = {key: grade for key, grade in general.items() if grade != "sound" or key not in some}
    of = _by_part(data["of"])
    over: dict[str, str] = {}
    for grade, text in data["over"].items():
        over |= dict.fromkeys(_keys(_listed(text)), grade)
    names = _names()
    softens = _keys(_listed(data["softens"]))
    long = {key for own in deeds.values() for key in own if " " in key}
    every = {*long, *general, *over, *softens, *(key for own in of.values() for key in own)}
    return Signs(
        general,
        over,
        of,
        frozenset(_keys(_listed(data["neutral"]))),
        frozenset(_keys(_listed(data["doubt"]))),
        frozenset(softens),
        frozenset(_keys(_listed(data["implies_tire"]))),
        frozenset(plain_key(one) for one in _listed(data["denials"]["words"])),
        deeds,
        frozenset(every),
        names,
        _ordinary(),
        frozenset(word for key in names for word in key),
        {kind: frozenset(_listed(text)) for kind, text in data["figures"].items()},
        {name: frozenset(_listed(text)) for name, text in data["sets"].items()},
        [(row["name"], row["part"], frozenset(_listed(row["words"]))) for row in data["hint"]],
        [
            Bare(
                frozenset(_listed(row["parts"])),
                row["unit"],
                row["low"],
                row["high"],
                row.get("said", ""),
                row.get("decimal", False),
            )
            for row in data["bare"]
        ],
        {part: frozenset(_listed(text)) for part, text in data["shown_by"].items()},
        [(re.compile(row["said"], re.IGNORECASE), row["means"]) for row in data["written"]],
    )


def _ordinary() -> frozenset[str]:
    """Return plain English, each word also as a verb: no slip for a part."""
    words = _text("ordinary.txt").split()
    return frozenset(form for word in words for form in (*forms_of(word), word))


def _text(name: str) -> str:
    return files(_PACKAGE).joinpath(name).read_text(encoding="utf-8")


def _listed(text: str) -> list[str]:
    return [one for piece in text.split(";") if (one := " ".join(piece.split()))]


def _starred(verb: str) -> str:
    """Return a verb to be taken in all its forms."""
    first, *rest = verb.split()
    return " ".join([f"{first}*", *rest])


def _keys(listed: Iterable[str]) -> set[str]:
    """Return words as they are read, plainly and with short ones written out."""
    made = set()
    for one in listed:
        plain = one.replace("*", "")
        for form in forms_of(plain) if "*" in one else {plain}:
            spelled = packaged_words().keys_of(form)
            made.add(plain_key(form))
            # "pass" is passenger elsewhere: a word of a place is no sign.
            if not any(tag_of(key) for key in spelled):
                made.add(" ".join(spelled))
    return {key for key in made if key and not (tag_of(key) and " " not in key)}


def _by_part(rows: Iterable[Mapping[str, str]]) -> dict[str, dict[str, str]]:
    made: dict[str, dict[str, str]] = {}
    for row in rows:
        for part in _listed(row["parts"]):
            own = made.setdefault(part, {})
            for grade in _GRADES:
                own.update(dict.fromkeys(_keys(_listed(row.get(grade, ""))), grade))
    return made


def _names() -> dict[tuple[str, ...], tuple[tuple[str, ...], tuple[str, ...]]]:
    """Return more names: their words -> the components, and the words of a place they hold."""
    index = names_index().names
    taken = {key[0] for key in index if len(key) == 1}
    made: dict[tuple[str, ...], tuple[tuple[str, ...], tuple[str, ...]]] = {}
    for component, place, listed in csv.reader(_text("part_names.csv").splitlines()):
        for one in listed.split(";"):
            key = tuple(k for k in packaged_words().keys_of(one) if k not in {"and", "of"})
            shrunk = len(one.split()) > 1 and len(key) == 1 and key[0] in taken
            # What a short word makes of it is the catalogue's where that says another part.
            known = index.get(key, ())
            other = (
                bool(known)
                and plain_key(one).split() != list(key)
                and not {*component.split("|")} & {*known}
            )
            if key and not shrunk and not other:
                made[key] = (tuple(component.split("|")), tuple(place.split()))
    return made
