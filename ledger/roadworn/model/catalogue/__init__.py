"""What can be looked at, measured and replaced on a vehicle, in words of the trade.

The catalogue turns what a bench writes ("front pads", "O2 sensor B1S2") into one component
identifier and one position, so that the same part counts as the same part on every vehicle.
The vocabulary is a CSV file beside this, so that a mechanic can read it line by line.

Nothing is guessed in silence: an id, a name or a synonym is exact. A near miss is taken only
when it is a typing mistake of a letter or two with no rival anywhere near; everything else
comes back as suggestions.
"""

import csv
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING

from roadworn.model import places
from roadworn.model.errors import UnknownName
from roadworn.model.messages import PartName
from roadworn.model.places import AXLES, PLACED, axle_of, axle_sql, one_wheel, read_position_words
from roadworn.model.units import unit_words

if TYPE_CHECKING:
    from roadworn.model.catalogue.nearness import Nearness

# Spelling pairs of the trade; the left one is how names are keyed.
_SPELLINGS = {
    "tyre": "tire",
    "centre": "center",
    "vapour": "vapor",
    "windscreen": "windshield",
    "colour": "color",
    "fibre": "fiber",
    "aluminium": "aluminum",
    "disk": "disc",
    "kerb": "curb",
    "mould": "mold",
    "levelling": "leveling",
    "immobiliser": "immobilizer",
    "stabiliser": "stabilizer",
    "pressurised": "pressurized",
    "catalyser": "catalyst",
    "headlight": "headlamp",
}
_BETWEEN, _TWO_LETTERS = re.compile(r"[^\w&+]+"), re.compile(r"\b(\w)/(\w)\b")
_IRREGULAR = {"brushes": "brush", "switches": "switch", "latches": "latch", "clutches": "clutch"}


@lru_cache(maxsize=4096)
def name_key(text: str) -> str:
    """Return the form under which two spellings of a name are equal.

    ``Brake-Pads`` and ``brake pad`` give the same key, as do ``tyres`` and ``tire``.
    """
    plain = text.lower() if text.isascii() else unicodedata.normalize("NFKC", text).casefold()
    # "A/C" and "M/C" are words of their own; elsewhere a slash parts two words.
    if "/" in plain:
        plain = _TWO_LETTERS.sub(r"\1\2", plain)
    words = _BETWEEN.split(plain.replace("_", " ").replace("'", ""))
    return " ".join(_singular(_SPELLINGS.get(word, word)) for word in words if word)


def _singular(word: str) -> str:
    if word in _IRREGULAR:
        return _IRREGULAR[word]
    if len(word) <= 3 or not word.endswith("s") or word.endswith(("ss", "us", "is")):
        return word
    if word.endswith("ies"):
        return word[:-3] + "y"
    stem = word.removesuffix("s")
    return _SPELLINGS.get(stem, stem)


ID_PATTERN = re.compile(r"[a-z][a-z0-9_]{0,30}\.[a-z0-9_]{1,50}")
OTHER = "other."


@dataclass(frozen=True, slots=True)
class Component:
    """A component.

    Attributes:
        id: ``system.part``, the name events are stored under.
        tier: core, extended, diesel, heavy, ev, or ``shop`` for what is under ``other.``.
        system: first half of the id.
        name: plain trade words.
        synonyms: other words for it.
        positions: name of its scheme of places, see `roadworn.model.places`.
        needs: features without which a vehicle does not have it, ``rear:rear_disc`` where only
            that axle asks; see `roadworn.trade.features`.
        safety_critical: a failed one can hurt somebody.
        wear_type: wear-out, random, infant, consumable or service.
        life_miles: trade range of its life in miles (common practice, no source), or None.
        labour_hours: trade range of hours to replace it (common practice, no source), or None.
        dtc_families: trouble codes that may point to it, single or as ``P0420-P0424``.
        note: a remark, or an empty text.
    """

    id: str
    tier: str
    system: str
    name: str
    synonyms: tuple[str, ...] = ()
    positions: str = "none"
    needs: tuple[str, ...] = ()
    safety_critical: bool = False
    wear_type: str = "random"
    life_miles: tuple[float, float] | None = None
    labour_hours: tuple[float, float] | None = None
    dtc_families: tuple[str, ...] = ()
    note: str = ""


def _other(identifier: str) -> Component | None:
    """Return a component outside the catalogue, kept under ``other.`` by choice.

    None when it is not written as other.roof_rack, in small letters, digits and underscores.
    """
    if not (identifier.startswith(OTHER) and ID_PATTERN.fullmatch(identifier)):
        return None
    name = identifier.removeprefix(OTHER).replace("_", " ")
    return Component(
        identifier, "shop", "other", name, positions="any", note="not in the catalogue"
    )


def _from_row(row: Mapping[str, str]) -> Component:
    return Component(
        id=row["id"],
        tier=row["tier"],
        system=row["id"].partition(".")[0],
        name=row["name"],
        synonyms=_split(row["synonyms"]),
        positions=row["positions"],
        needs=_split(row["needs"]),
        safety_critical=row["safety_critical"] == "yes",
        wear_type=row["wear_type"],
        life_miles=_range(row, "life_miles"),
        labour_hours=_range(row, "labour_hours"),
        dtc_families=_split(row["dtc_families"]),
        note=row["note"],
    )


def _split(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(";") if part.strip())


def _range(row: Mapping[str, str], column: str) -> tuple[float, float] | None:
    low, high = row[f"{column}_low"], row[f"{column}_high"]
    return (float(low), float(high)) if low else None


_LONGEST_NAME = 9
_LONGEST_PLACE = 4
_COUNTED = frozenset({"cylinder", "bank"})
_MAX_TEXT = 200


@dataclass(frozen=True, slots=True)
class Resolution:
    """What a text was found to mean.

    Attributes:
        component: the component, or None when the text is unknown or ambiguous.
        score: 100 for an exact match, else the likeness in percent of the best suggestion.
        suggestions: nearest components, best first; for the user to choose from.
        exact: whether the text is an id, a name or a synonym.
    """

    component: Component | None
    score: float
    suggestions: tuple[Component, ...]
    exact: bool


@dataclass(frozen=True, slots=True)
class PhraseResolution:
    """What a bench phrase was found to mean.

    Attributes:
        component: the component, or None when nothing certain was found.
        position: canonical place, or None when none was given.
        rest: the words after component and place, as written.
        suggestions: nearest components when `component` is None or was a typing mistake.
        exact: whether the component's words were exact.
    """

    component: Component | None
    position: str | None
    rest: str
    suggestions: tuple[Component, ...] = ()
    exact: bool = False

    @property
    def part(self) -> tuple[Component, str | None, str] | None:
        """Component, place and the words behind, or None where nothing certain was found."""
        return (self.component, self.position, self.rest) if self.component else None


class Catalogue:
    """An immutable set of components with their names; iterates in the vocabulary's order."""

    def __init__(self, components: Iterable[Component]) -> None:
        self._components = {component.id: component for component in components}

    def __contains__(self, identifier: object) -> bool:
        return identifier in self._components

    def __iter__(self) -> Iterator[Component]:
        return iter(self._components.values())

    def __len__(self) -> int:
        return len(self._components)

    def get(self, identifier: str) -> Component:
        """Return the component with this id; ids under ``other.`` are always answered.

        Raises:
            UnknownName: there is none; carries the nearest ids.
        """
        found = self._components.get(identifier) or _other(identifier)
        if found is not None:
            return found
        near = [component.id for component in self.resolve(identifier).suggestions]
        hint = f"did you mean {' or '.join(near[:3])}?" if near else "see `roadworn tables`."
        shown = identifier if len(identifier) <= 60 else identifier[:60] + "…"
        raise UnknownName(f"There is no component {shown!r}; {hint}", near)

    def find(self, identifier: str) -> Component | None:
        """Return the component with this id, or None; an event may name a plugin's own."""
        return self.get(identifier) if identifier in self else None

    def name_of(self, identifier: str) -> str:
        """Return the name a person reads for this id, or the id itself when it is unknown."""
        found = self.find(identifier)
        return identifier if found is None else found.name

    def resolve(self, text: str, *, allow_other: bool = False, near: bool = True) -> Resolution:
        """Find the component a text means.

        Args:
            text: an id, a name, a synonym, or something near one.
            allow_other: take an id under ``other.`` as it is.
            near: look for typing mistakes and suggestions when nothing is exact.
        """
        text = text.strip()
        known = self._components.get(text) or (_other(text) if allow_other else None)
        if known is not None:
            return Resolution(known, 100.0, (), exact=True)
        key = _key_of(text)
        owners = self.names.get(key, ())
        if len(owners) == 1:
            return Resolution(self._components[owners[0]], 100.0, (), exact=True)
        if owners:
            rivals = tuple(self._components[owner] for owner in owners)
            return Resolution(None, 100.0, rivals, exact=False)
        return self._near(key) if near and key else Resolution(None, 0.0, (), exact=False)

    def resolve_phrase(
        self, text: str, *, allow_other: bool = False, near: bool = True
    ) -> PhraseResolution:
        """Split bench text such as ``brake pads LF 3 mm wearing`` into its parts; near as above."""
        tokens = text.split()
        for exact in (True, False)[: 1 + near]:
            found = _component(self, tokens, exact=exact, allow_other=allow_other)
            if found is None:
                continue
            component, start, end, suggestions = found
            before = " ".join(tokens[:start]).casefold()
            position = read_position_words(before, component.positions) if before else None
            after = tokens[end:]
            if position is None:
                position, used = _place(after, component.positions)
                after = after[used:]
            return PhraseResolution(component, position, " ".join(after), suggestions, exact)
        named = tokens[: _head_length(tokens)] if near else ()
        head = " ".join(t for t in named if read_position_words(t.casefold(), "axle") is None)
        return PhraseResolution(None, None, text.strip(), self.resolve(head).suggestions)

    @cached_property
    def names(self) -> dict[str, tuple[str, ...]]:
        """Name key -> ids; names and synonyms first, then what an id or a name implies."""
        keys: dict[str, tuple[str, ...]] = {}

        def claim(words: Iterable[str], component: Component) -> None:
            for key in dict.fromkeys(name_key(word) for word in words):
                if key and component.id not in keys.get(key, ()):
                    keys[key] = (*keys.get(key, ()), component.id)

        for component in self:
            claim((component.name, *component.synonyms), component)
        stated = dict(keys)
        spoken = Counter(
            word
            for component in self
            for word in {
                w for n in (component.name, *component.synonyms) for w in name_key(n).split()
            }
        )
        for component in self:
            implied = [component.id, component.name.partition(",")[0]]
            part = component.id.partition(".")[2]
            # "sensor" or "cap" alone could be a dozen parts; a lone word must be its part's own.
            if "_" in part or spoken[name_key(part)] <= 1:
                implied.append(part)
            claim([w for w in implied if name_key(w) not in stated], component)
        return keys

    @cached_property
    def nearness(self) -> "Nearness":
        """What its names are nearly."""
        # Needed for mistakes only, so a well-written record never loads it.
        from roadworn.model.catalogue.nearness import Nearness

        return Nearness(self.names)

    def _near(self, key: str) -> Resolution:
        owner = self.nearness.mistaken(key)
        near, best = self.nearness.nearest(key)
        found = None if owner is None else self._components[owner]
        return Resolution(found, best, tuple(self._components[o] for o in near), exact=False)


def _key_of(text: str) -> str:
    return name_key(text) if len(text) <= _MAX_TEXT else ""


def _component(
    catalogue: "Catalogue", tokens: Sequence[str], *, exact: bool, allow_other: bool
) -> tuple[Component, int, int, tuple[Component, ...]] | None:
    """Return the component with the longest run of words, the leftmost of equals.

    Only a place may stand before it: "axle 2 left slack adjuster" is no axle.
    """
    stop = len(tokens) if exact else _head_length(tokens)
    best: tuple[Component, int, int, tuple[Component, ...]] | None = None
    for start in range(min(_LONGEST_PLACE, stop)):
        before = " ".join(tokens[:start]).casefold()
        for end in range(min(stop, start + _LONGEST_NAME), start, -1):
            if best is not None and end - start <= best[2] - best[1]:
                break
            words = " ".join(tokens[start:end])
            if not any(c.isalpha() for c in words):
                continue
            if not (exact or _may_mean(catalogue, words)):
                continue
            found = catalogue.resolve(words, allow_other=allow_other, near=not exact)
            if found.component is None:
                continue
            if before and read_position_words(before, found.component.positions) is None:
                continue
            best = (found.component, start, end, found.suggestions)
    return best


def _may_mean(catalogue: "Catalogue", text: str) -> bool:
    known = text in catalogue or text.startswith(OTHER)
    return known or bool(catalogue.nearness.mistaken(_key_of(text)))


def _place(tokens: Sequence[str], scheme: str) -> tuple[str | None, int]:
    for length in range(min(_LONGEST_PLACE, len(tokens)), 0, -1):
        words = " ".join(tokens[:length]).casefold()
        if words.isdigit() and not _counts(tokens, scheme):
            continue
        place = read_position_words(words, scheme)
        if place is not None:
            return place, length
    return None, 0


def _counts(tokens: Sequence[str], scheme: str) -> bool:
    """Whether a bare number is a cylinder or bank rather than the start of a measurement."""
    if scheme not in _COUNTED:
        return False
    return len(tokens) == 1 or not (
        tokens[1].casefold() in unit_words() or tokens[1].startswith("/") or tokens[1][0].isdigit()
    )


def _head_length(tokens: Sequence[str]) -> int:
    """Return how many leading words can belong to a name: up to the first measured figure."""
    for index, token in enumerate(tokens):
        if index and token[0].isdigit() and tokens[0].casefold() not in {"axle", "bank"}:
            return index
    return len(tokens)


@cache
def catalogue() -> Catalogue:
    """Return the packaged catalogue, built once."""
    text = files("roadworn.model.catalogue").joinpath("components.csv").read_text(encoding="utf-8")
    return Catalogue(_from_row(row) for row in csv.DictReader(text.splitlines()))


def place_of(component: str, position: str | None) -> str:
    """Return the place of a job: the axle for what is done by the axle, else as written.

    What was done at both wheels on one day is one job. Whether two jobs of different days are
    about the same part is for `sides_of`.
    """
    by_axle = (known := catalogue().find(component)) is not None and known.positions == "axle"
    return (axle_of(position) if by_axle else None) or position or ""


def sides_of(component: str, position: str | None) -> frozenset[str]:
    """Return the places that a part written down at a position sits at: an axle's are its sides."""
    known = catalogue().find(component)
    axle = axle_of(position) if known is not None and known.positions == "axle" else None
    if axle is None or position is None:
        return frozenset({position or ""})
    side = position.partition("-")[0]
    return frozenset(AXLES[axle] if side == axle else (side,))


def meet(component: str, one: str | None, other: str | None) -> bool:
    """Return whether work at one place touches the other: by `sides_of`, and LF with LF-lower."""
    return bool(sides_of(component, one) & sides_of(component, other)) or one_wheel(one, other)


def place_sql(component: str, position: str) -> str:
    """Return `place_of` as SQL over expressions of a component and a position."""
    axle = f"CASE WHEN {by_axle_sql(component)} THEN {axle_sql(position)} END"
    return f"coalesce({axle}, {position}, '')"


def by_axle_sql(component: str) -> str:
    """Return SQL for whether the component of an expression is placed by the axle."""
    listed = ", ".join(f"'{known.id}'" for known in catalogue() if known.positions == "axle")
    return f"{component} IN ({listed})"


def many_places_sql(component: str) -> str:
    """Return SQL for whether a vehicle has several of a component, told apart by place."""
    listed = ", ".join(f"'{known.id}'" for known in catalogue() if known.positions in PLACED)
    return f"{component} IN ({listed})"


def part_name(component: str, position: str | None = None) -> PartName:
    """Return the name of a part with its place, ``disc brake pads front``."""
    look = catalogue().get if component.startswith("other.") else catalogue().find
    name, scheme = (known.name, known.positions) if (known := look(component)) else (component, "")
    place = places.said_place(position or "", scheme)
    return PartName(f"{name} {place}".strip(), component, position or "")
