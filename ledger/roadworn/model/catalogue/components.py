"""One component of the catalogue, and how rows of the vocabulary become one.

The vocabulary is a CSV file inside the package, so that a mechanic can read it line by line
and a shop can add rows of its own in the same columns.
"""

import csv
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from importlib.resources import files

from roadworn.model.errors import UsageError

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
_IRREGULAR = {"brushes": "brush", "switches": "switch", "latches": "latch", "clutches": "clutch"}


@lru_cache(maxsize=4096)
def name_key(text: str) -> str:
    """Return the form under which two spellings of a name are equal.

    ``Brake-Pads`` and ``brake pad`` give the same key, as do ``tyres`` and ``tire``.
    """
    plain = unicodedata.normalize("NFKC", text).casefold()
    # "A/C" and "M/C" are words of their own; elsewhere a slash parts two words.
    plain = re.sub(r"\b(\w)/(\w)\b", r"\1\2", plain)
    words = re.split(r"[^\w&+]+", plain.replace("_", " ").replace("'", ""))
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
        tier: core, extended, diesel, heavy, ev, or ``shop`` for a row the shop added.
        system: first half of the id.
        name: plain trade words.
        synonyms: other words for it.
        positions: name of its scheme of places, see `roadworn.model.places`.
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
    safety_critical: bool = False
    wear_type: str = "random"
    life_miles: tuple[float, float] | None = None
    labour_hours: tuple[float, float] | None = None
    dtc_families: tuple[str, ...] = ()
    note: str = ""

    def with_synonyms(self, words: tuple[str, ...]) -> "Component":
        """Return a copy that also answers to `words`."""
        return replace(self, synonyms=tuple(dict.fromkeys((*self.synonyms, *words))))


def other_component(identifier: str) -> Component:
    """Return a component outside the catalogue, kept under ``other.`` because the user said so.

    Raises:
        UsageError: the identifier is not ``other.`` and a word of small letters and digits.
    """
    if not (identifier.startswith(OTHER) and ID_PATTERN.fullmatch(identifier)):
        raise UsageError(
            f"{identifier!r} cannot be kept under other: write it as other.roof_rack, in small "
            "letters, digits and underscores."
        )
    name = identifier.removeprefix(OTHER).replace("_", " ")
    return Component(
        identifier, "shop", "other", name, positions="any", note="not in the catalogue"
    )


def component_from_row(row: Mapping[str, str]) -> Component:
    """Build a component from a row with the columns of ``components.csv``.

    Only ``id`` and ``name`` are required; synonyms and code families are separated by ``;``.

    Raises:
        UsageError: a malformed id, an unknown truth word, or a range that is no range.
    """
    identifier = row.get("id", "").strip()
    if not ID_PATTERN.fullmatch(identifier):
        raise UsageError(
            f"{identifier!r} is no component id: write system.part in small letters, digits and "
            "underscores, as in brake.pad."
        )
    safety = (row.get("safety_critical") or "no").strip()
    if safety not in {"yes", "no"}:
        raise UsageError(f"{identifier}: safety_critical is {safety!r}: write yes or no.")
    return Component(
        id=identifier,
        tier=row.get("tier") or "shop",
        system=identifier.partition(".")[0],
        name=(row.get("name") or "").strip() or identifier.partition(".")[2].replace("_", " "),
        synonyms=_split(row.get("synonyms")),
        positions=row.get("positions") or "none",
        safety_critical=safety == "yes",
        wear_type=row.get("wear_type") or "random",
        life_miles=_range(row, "life_miles"),
        labour_hours=_range(row, "labour_hours"),
        dtc_families=_split(row.get("dtc_families")),
        note=row.get("note") or "",
    )


@cache
def load_components() -> tuple[Component, ...]:
    """Return the components of the packaged vocabulary, read once, in its order."""
    text = files("roadworn.model.catalogue").joinpath("components.csv").read_text(encoding="utf-8")
    return tuple(component_from_row(row) for row in csv.DictReader(text.splitlines()))


def _split(text: str | None) -> tuple[str, ...]:
    return tuple(part.strip() for part in (text or "").split(";") if part.strip())


def _range(row: Mapping[str, str], column: str) -> tuple[float, float] | None:
    low, high = row.get(f"{column}_low") or "", row.get(f"{column}_high") or ""
    if not low and not high:
        return None
    try:
        bounds = float(low), float(high)
    except ValueError:
        bounds = (1.0, 0.0)
    if not 0 <= bounds[0] <= bounds[1] < float("inf"):
        raise UsageError(
            f"{row.get('id')}: {column} runs from {low!r} to {high!r}: write a low and a high "
            "number, or leave both empty."
        )
    return bounds
