"""A phrase in its words, and the names of the catalogue that stand among them.

A word weighs by how well it tells components apart; names may stand in any order, with places
between their words.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import log
from typing import Any, NamedTuple

from roadworn.model.catalogue import Component, catalogue
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import (
    Words,
    beginning,
    consonants,
    grouped,
    packaged_words,
)

_TYPOS = ((9, 2), (5, 1))
#: So many letters may be a word without its vowels.
#: A word of so many letters that lacks one vowel is no other.
_UNMISTAKABLE = 7
_SHORTEST = 3
#: Nothing longer is a word: its letters would be tried by the thousand.
_LONGEST = 40
#: So many letters may be the beginning of a word, and so many of its letters may be left away.
_SHORTENED, _LEFT_AWAY = 5, 3
_PLACES = (
    *("front", "rear", "left", "right", "upper", "lower", "inner", "outer", "upstream"),
    *("downstream", "driver", "passenger", "center"),
)
#: A condition of so many letters is known with one of them wrong.
_LONG_CONDITION = 8


@dataclass(slots=True)
class Word:
    """A word, expanded: its key, the token it is from, and what it was taken for."""

    key: str
    token: int
    used: str = ""  # name, place, condition, join, filler, detail
    misspelt: bool = False


@dataclass(slots=True)
class Said:
    """A phrase in its words."""

    text: str
    tokens: list[str]
    words: list[Word]
    behind: str
    measured: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    #: Tokens that say how many: "5 clicks".
    counted: set[int] = field(default_factory=set)

    @property
    def shown(self) -> str:
        """The phrase for a message."""
        plain = " ".join(self.text.split())
        return plain if len(plain) <= 80 else f"{plain[:80]}…"


class Match(NamedTuple):
    """A name found: the components that go by it, where its words stand, and their weight."""

    owners: tuple[str, ...]
    at: tuple[int, ...]
    weight: float


class _Index(NamedTuple):
    """The names of the catalogue, their words, and how well a word tells components apart."""

    names: dict[tuple[str, ...], tuple[str, ...]]
    joined: frozenset[tuple[str, ...]]
    having: dict[str, tuple[tuple[str, ...], ...]]
    vocabulary: dict[str, frozenset[str]]
    weight: dict[str, float]


@cache
def names_index() -> _Index:
    """Return the index of the packaged catalogue's names, made once."""
    names: dict[tuple[str, ...], tuple[str, ...]] = {}
    joined: set[tuple[str, ...]] = set()
    vocabulary: dict[str, set[str]] = {component.id: set() for component in catalogue()}
    words = packaged_words()
    for key, owners in catalogue().names.items():
        keys = words.keys_of(key)
        kept = tuple(word for word in keys if word not in {"and", "or", "of"})
        if not kept:
            continue
        if "and" in keys:
            joined.add(kept)
        names[kept] = tuple(dict.fromkeys((*names.get(kept, ()), *owners)))
        for owner in owners:
            vocabulary[owner].update(kept)
    for key, owner in words.components.items():
        names[tuple(key.split())] = (owner,)
        vocabulary[owner] = {*vocabulary.get(owner, ()), *key.split()}
    for key, either in words.either.items():
        kept = tuple(words.keys_of(key))
        names[kept] = tuple(dict.fromkeys((*names.get(kept, ()), *either)))
        for owner in either:
            vocabulary[owner].update(kept)
    having: dict[str, list[tuple[str, ...]]] = {}
    for name in names:
        for word in set(name):
            having.setdefault(word, []).append(name)
    spread: dict[str, int] = {}
    for own in vocabulary.values():
        for word in own:
            spread[word] = spread.get(word, 0) + 1
    return _Index(
        names,
        frozenset(joined),
        {word: tuple(found) for word, found in having.items()},
        {owner: frozenset(own) for owner, own in vocabulary.items()},
        {word: 0.5 + log(1 + len(vocabulary) / count) for word, count in spread.items()},
    )


def matches_in(said: Said, end: int, *, settled: bool = True) -> list[Match]:
    """Return the names that stand among the words before `end`, heaviest first.

    Settled, a name within the words of a heavier one is left out.
    """
    index = names_index()
    where: dict[str, list[int]] = {}
    for at, word in enumerate(said.words[:end]):
        if word.used != "join":
            where.setdefault(word.key, []).append(at)
    found: list[Match] = []
    for name in {name for key in where for name in index.having.get(key, ())}:
        if not all(word in where for word in name):
            continue
        places = _nearest_places(name, where)
        if places is None or not _belongs(said, places, name):
            continue
        weight = sum(index.weight[word] for word in name)
        in_order = tuple(sorted(places)) == places
        found.append(Match(index.names[name], tuple(sorted(places)), weight + 0.1 * in_order))
    found.sort(key=lambda match: (-match.weight, match.at, match.owners))
    if not settled:
        return found
    taken: set[int] = set()
    kept = []
    for match in found:
        if taken.isdisjoint(match.at):
            kept.append(match)
            taken.update(match.at)
        elif kept and set(match.at) == set(kept[-1].at) and match.weight == kept[-1].weight:
            owners = tuple(dict.fromkeys((*kept[-1].owners, *match.owners)))
            kept[-1] = kept[-1]._replace(owners=owners)
    return kept


def _nearest_places(name: Sequence[str], where: Mapping[str, list[int]]) -> tuple[int, ...] | None:
    best: tuple[int, ...] | None = None
    for anchor in where[name[0]]:
        taken: list[int] = [anchor]
        for word in name[1:]:
            free = [at for at in where[word] if at not in taken]
            if not free:
                break
            taken.append(min(free, key=lambda at: (abs(at - taken[-1]), at)))
        else:
            spread = max(taken) - min(taken)
            if best is None or spread < max(best) - min(best):
                best = tuple(taken)
    return best


def _belongs(said: Said, at: Sequence[int], name: tuple[str, ...]) -> bool:
    """Whether only places and words of the same part stand between the words of a name.

    "belt & tensioner" are two parts, and "oil & filter" is one.
    """
    index = names_index()
    words = packaged_words()
    own = {word for owner in index.names[name] for word in index.vocabulary[owner]}
    gaps = [said.words[n] for n in range(min(at), max(at)) if n not in at]
    return len(gaps) <= 3 and all(
        (name in index.joined or any(tag_of(w.key) or w.key in own for w in gaps))
        if word.used == "join"
        else bool(tag_of(word.key))
        or word.key in own
        or (word.key in words.fillers and word.key not in words.beside)
        # "exhaust leak at manifold"
        or word.key.startswith(("leak", "seep", "drip"))
        for word in gaps
    )


def correct_spelling(said: Said, words: Words, end: int) -> bool:
    """Spell words before `end` that are nearly one of the catalogue's as that, and mark them.

    Returns:
        Whether there were any.
    """
    known = names_index().weight
    unread = [
        word
        for word in said.words[:end]
        if _SHORTEST <= len(word.key) <= _LONGEST
        and not (word.key in known or word.key in words.known or tag_of(word.key) or word.used)
    ]
    corrected = _in_one_word(said, unread, words)
    corrected |= _without_vowels(unread, words)
    corrected |= _cut_short(unread, words)
    unknown = [word for word in unread if len(word.key) >= _TYPOS[-1][0]]
    unknown = [word for word in unknown if word.key not in known and word.key not in words.known]
    if not unknown:
        return corrected
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    names = list(known)
    for word in unknown:
        allowed = next(n for length, n in _TYPOS if len(word.key) >= length)
        found = process.extract(
            word.key, names, scorer=OSA.distance, score_cutoff=allowed, limit=None
        )
        near = sorted((int(distance), name) for name, distance, _at in found)
        if near and (len(near) == 1 or near[0][0] < near[1][0]):
            word.key, word.misspelt = near[0][1], True
        elif not near and len(word.key) >= _LONG_CONDITION:
            # "intermitent"; a first letter tells "effective" from "defective".
            alike = [
                key
                for key in words.conditions
                if key[0] == word.key[0] and OSA.distance(word.key, key, score_cutoff=1) <= 1
            ]
            if len(alike) == 1:
                word.key, corrected = alike[0], True
    return corrected or any(word.misspelt for word in unknown)


def _without_vowels(unread: Sequence[Word], words: Words) -> bool:
    """Write out words whose vowels were left away, "snsr", where one word only has the rest.

    A short one, and one that has but one vowel too few, counts as misspelt, so that it is asked
    where it can hurt.
    """
    made = False
    for word in unread:
        full = {
            key
            for key in (
                *_by_consonants().get(consonants(word.key), ()),
                *words.without_vowels.get(consonants(word.key), ()),
            )
            if key[0] == word.key[0] and len(key) > len(word.key) and _is_without(word.key, key)
        }
        if len(full) == 1:
            one = full.pop()
            dropped, has_some = len(one) - len(word.key), any(c in "aeiou" for c in word.key[1:])
            slip = dropped == 1 and has_some and len(word.key) < _UNMISTAKABLE
            word.misspelt = len(word.key) <= _SHORTEST or slip
            word.key, made = one, True
    return made


def _in_one_word(said: Said, unread: Sequence[Word], words: Words) -> bool:
    """Part words written as one where that is a name of a part: "heatercore", "seatbelt"."""
    made = False
    for word in unread:
        at = next(n for n, one in enumerate(said.words) if one is word)
        for cut in range(_SHORTEST, len(word.key) - _SHORTEST + 1):
            keys = words.keys_of(f"{word.key[:cut]} {word.key[cut:]}")
            if tuple(keys) in names_index().names and len(keys) > 1:
                said.words[at : at + 1] = [Word(key, word.token) for key in keys]
                made = True
                break
    return made


def _cut_short(unread: Sequence[Word], words: Words) -> bool:
    """Write out words whose end or inner letters were left away, "exting", "alignmt".

    Only where one word of the parts, places and conditions has the rest. It counts as misspelt.
    """
    made = False
    for word in unread:
        if len(word.key) < _SHORTENED or word.key in names_index().weight or not word.key.isalpha():
            continue
        begins = beginning(word.key)
        alike = dict.fromkeys(
            (*_names_beginning().get(begins, ()), *words.shortened.get(begins, ()))
        )
        full = [key for key in alike if key.startswith(word.key)]
        inner = [
            key
            for key in alike
            if key[-1] == word.key[-1]
            and 2 <= len(key) - len(word.key) <= _LEFT_AWAY
            and _holds(key, word.key)
        ]
        found = full or inner
        if len(found) == 1 and len(found[0]) - len(word.key) > 1:
            word.key, word.misspelt, made = found[0], True, True
    return made


def _holds(full: str, short: str) -> bool:
    """Whether the letters of a word stand in another one in their order."""
    letters = iter(full)
    return all(letter in letters for letter in short)


@cache
def _by_consonants() -> dict[str, list[str]]:
    """Return the words of names and places by their consonants."""
    return grouped((*names_index().weight, *_PLACES), consonants)


@cache
def _names_beginning() -> dict[str, list[str]]:
    """Return the single words of names and places by their first two letters."""
    single = (key for key in (*names_index().weight, *_PLACES) if " " not in key)
    return grouped(single, beginning)


def _is_without(short: str, full: str) -> bool:
    """Whether a word is another one without some of its vowels."""
    at = 0
    for letter in full:
        if at < len(short) and short[at] == letter:
            at += 1
        elif letter not in "aeiou":
            return False
    return at == len(short)


def covering(said: Said, content: Sequence[int]) -> list[Component]:
    """Return the components whose words have all that a phrase must mean."""
    keys = {said.words[at].key for at in content}
    known = {key for key in keys if key in names_index().weight}
    if len(known) < 2 or known != keys:
        return []
    return [
        catalogue().get(owner) for owner, own in names_index().vocabulary.items() if known <= own
    ]


def nearest_parts(said: Said, content: Sequence[int]) -> list[Component]:
    """Return the components that share the words that tell most, best first."""
    index = names_index()
    keys = {said.words[at].key for at in content}
    shared = {
        owner: sum(index.weight[key] for key in keys & own) - 0.01 * len(own)
        for owner, own in index.vocabulary.items()
        if keys & own
    }
    # "dome light" is no more a stop lamp than anything else with a light: half must fit.
    unknown = max(index.weight.values())
    whole = sum(index.weight.get(key, unknown) for key in keys)
    near = (owner for owner in shared if 2 * shared[owner] >= whole - 0.5)
    order = sorted(near, key=lambda owner: (-shared[owner], owner))
    return [catalogue().get(owner) for owner in order[:4]]
