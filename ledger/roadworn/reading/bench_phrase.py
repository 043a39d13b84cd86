"""A typed phrase in its words, and the names of the catalogue that stand among them.

A word weighs by how well it tells components apart; names may stand in any order, with places
between their words.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from math import log
from typing import Any, NamedTuple

from roadworn.model.catalogue import Component, catalogue
from roadworn.model.units import UnitError, parse_measurement
from roadworn.reading.bench_places import COUNTED, EDGES, tag_of
from roadworn.reading.bench_words import Words, packaged_words, plain_key

#: A phrase is understood within so many words; what is behind them is the note.
_MOST_WORDS = 40
LONGEST_CONDITION = 4
_JOINS = frozenset({"and", "&", "+", "/", "n", "y", "e"})
_NOT_INCHES = frozenset({"a", "all", "both", "each", "every", "the", "this", "it"})
_LOOSE_UNITS = frozenset({"a", "c", "f", "h"})
_PARTED = re.compile(r"([&+]|(?<=\w\w)/|/(?=\w\w))")
_EDGES = ".,;:()[]!?*\"'"
_DASHES = frozenset({"-", "–", "—"})
#: Words of a place that are words of a part as well: "exhaust", "heater", "main".
_MAYBE_PLACES = frozenset({"cam", "word", "country"})
_TYPOS = ((9, 2), (5, 1))


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


def split_phrase(text: str, words: Words) -> Said:
    """Return a phrase in its words, short ones written out, with its figures taken out."""
    raw = text.split()
    tokens: list[str] = []
    for token in raw[:_MOST_WORDS]:
        if any(c.isdigit() for c in token) or re.fullmatch(r"\w/\w[.,;:]?", token):
            tokens.append(token)
        else:
            tokens += [piece for piece in _PARTED.split(token) if piece]
    said = Said(text, tokens, [], " ".join(raw[_MOST_WORDS:]))
    keys: list[tuple[str, int]] = []
    at = 0
    while at < len(tokens):
        found = _measured_at(tokens, at)
        if found is not None:
            said.measured.append((at, found[0]))
            at += found[1]
            continue
        token = tokens[at].strip(_EDGES)
        if token in _JOINS:
            keys.append((token, at))
        else:
            keys += [(key, at) for key in plain_key(_ranged(token)).split()]
        at += 1
    said.words = [Word(key, token) for key, token in words.expanded(keys)]
    for word in said.words:
        if word.key in _JOINS:
            word.used = "join"
    return said


def _ranged(token: str) -> str:
    """Return ``1-4`` as ``1 2 3 4``; read as two numbers it would lose two."""
    found = re.fullmatch(r"(\d{1,2})-(\d{1,2})", token)
    if found is None or not int(found[1]) < int(found[2]) <= 20:
        return token
    return " ".join(map(str, range(int(found[1]), int(found[2]) + 1)))


def _measured_at(tokens: Sequence[str], at: int) -> tuple[dict[str, Any], int] | None:
    first = tokens[at].lstrip("@=~(")
    if not re.match(r"[+-]?\.?\d", first):
        return None
    for length in range(min(3, len(tokens) - at), 0, -1):
        rest = [token.strip("),;:") for token in tokens[at + 1 : at + length]]
        if length > 1 and rest[-1].casefold() in _LOOSE_UNITS:
            continue
        written = " ".join([first.rstrip("),;:"), *rest])
        try:
            value, unit = parse_measurement(written)
        except UnitError:
            continue
        after = tokens[at + length].casefold() if at + length < len(tokens) else ""
        if unit == "in" and written.endswith(" in") and after in _NOT_INCHES:
            continue
        return {"value": float(value), "unit": unit}, length
    return None


def head_end_of(said: Said, words: Words) -> int:
    """Return where the first condition begins: before it stands what the phrase is about."""
    named = _named(said)
    for at in range(len(said.words)):
        if at not in named and condition_length(said, at, words):
            return at
    return len(said.words)


def _named(said: Said) -> set[int]:
    """Return the words that belong to a name of more than one word, as "low beam" is one."""
    return {
        at
        for match in matches_in(said, len(said.words), settled=False)
        if len(match.at) > 1 and all(b - a == 1 for a, b in pairwise(match.at))
        for at in match.at
    }


def condition_length(said: Said, at: int, words: Words) -> int:
    """Return of how many words the condition consists that begins here, 0 where none does."""
    for length in range(min(LONGEST_CONDITION, len(said.words) - at), 0, -1):
        key = " ".join(word.key for word in said.words[at : at + length])
        if key in words.conditions:
            return length
    return 0


class _Index(NamedTuple):
    """The names of the catalogue, their words, and how well a word tells components apart."""

    names: dict[tuple[str, ...], tuple[str, ...]]
    having: dict[str, tuple[tuple[str, ...], ...]]
    vocabulary: dict[str, frozenset[str]]
    weight: dict[str, float]


@cache
def names_index() -> _Index:
    """Return the index of the packaged catalogue's names, made once."""
    names: dict[tuple[str, ...], tuple[str, ...]] = {}
    vocabulary: dict[str, set[str]] = {component.id: set() for component in catalogue()}
    words = packaged_words()
    for key, owners in catalogue().names.items():
        kept = tuple(word for word in words.keys_of(key) if word not in {"and", "or", "of"})
        if not kept:
            continue
        names[kept] = tuple(dict.fromkeys((*names.get(kept, ()), *owners)))
        for owner in owners:
            vocabulary[owner].update(kept)
    for key, owner in words.components.items():
        names[tuple(key.split())] = (owner,)
        vocabulary[owner] = {*vocabulary.get(owner, ()), *key.split()}
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
        if places is None or not _belongs(said, places, index.names[name]):
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


def _belongs(said: Said, at: Sequence[int], owners: Sequence[str]) -> bool:
    """Whether only places, joins and words of the same part stand between the words of a name."""
    index = names_index()
    words = packaged_words()
    own = {word for owner in owners for word in index.vocabulary[owner]}
    gaps = [said.words[n] for n in range(min(at), max(at)) if n not in at]
    return len(gaps) <= 3 and all(
        word.used == "join" or tag_of(word.key) or word.key in own or word.key in words.fillers
        for word in gaps
    )


def correct_spelling(said: Said, words: Words, end: int) -> bool:
    """Spell words before `end` that are nearly one of the catalogue's as that, and mark them.

    Returns:
        Whether there were any.
    """
    known = names_index().weight
    unknown = [
        word
        for word in said.words[:end]
        if len(word.key) >= _TYPOS[-1][0]
        and not (word.key in known or word.key in words.known or tag_of(word.key) or word.used)
    ]
    if not unknown:
        return False
    from rapidfuzz.distance import OSA

    for word in unknown:
        allowed = next(n for length, n in _TYPOS if len(word.key) >= length)
        near = sorted(
            (distance, name)
            for name in known
            if (distance := OSA.distance(word.key, name, score_cutoff=allowed)) <= allowed
        )
        if near and (len(near) == 1 or near[0][0] < near[1][0]):
            word.key, word.misspelt = near[0][1], True
    return any(word.misspelt for word in unknown)


def content_of(said: Said, end: int, words: Words) -> list[int]:
    """Return the words before `end` that must mean something: no places, figures or fillers."""
    return [
        at
        for at, word in enumerate(said.words[:end])
        if not word.used
        and not word.key.isdigit()
        and word.key not in words.fillers
        and not _in_condition(said, at, words)
        and not (says_place(said, at) and tag_of(word.key) not in _MAYBE_PLACES)
    ]


def _in_condition(said: Said, at: int, words: Words) -> bool:
    return any(
        condition_length(said, start, words) > at - start
        for start in range(max(0, at - LONGEST_CONDITION + 1), at + 1)
    )


def is_content(said: Said, at: int, words: Words) -> bool:
    """Whether a word is no filler and begins no condition."""
    key = said.words[at].key
    return key not in words.fillers and not condition_length(said, at, words)


def told_behind(said: Said, at: int, words: Words) -> bool:
    """Whether a condition follows a word."""
    return any(condition_length(said, after, words) for after in range(at + 1, len(said.words)))


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


def says_place(said: Said, at: int) -> bool:
    """Whether a word says a place, "axle" before its number and "inner" before no edge of it."""
    key = said.words[at].key
    after = said.words[at + 1].key if at + 1 < len(said.words) else ""
    if key.isdigit() or (key in COUNTED and after.isdigit()):
        return True
    return bool(tag_of(key)) and not (tag_of(key) == "depth" and after in EDGES)


def is_plural_at(said: Said, at: int, words: Words) -> bool:
    """Whether a word was written in the plural."""
    token = said.tokens[said.words[at].token].strip(_EDGES).casefold()
    if plain_key(token) in words.plurals:
        return True
    return len(token) > 3 and token.endswith("s") and plain_key(token) != token


def words_of_name(said: Said, component: Component, match: Match, words: Words) -> set[int]:
    """Return the words of a name that need not be kept: those of the part, not "boot" of a rack."""
    own = names_index().vocabulary[component.id]
    plain = set(words.keys_of(component.name)) | {component.system}
    return {
        at
        for at, word in enumerate(said.words)
        if (at in match.at or (word.used == "own" and word.key in own))
        and (word.key in plain or word.key not in words.details | words.pieces)
    }


def tail_places(said: Said, head_end: int, words: Words) -> list[int]:
    """Return the places that follow the condition at once, "worn LF"; later ones are the note."""
    found = []
    at = head_end
    while at < len(said.words):
        word = said.words[at]
        if length := condition_length(said, at, words):
            at += length
            continue
        if says_place(said, at):
            found.append(at)
        elif word.used != "join" and word.key not in words.fillers and word.used != "name":
            break
        at += 1
    return found


def note_of(said: Said, used: set[int], words: Words) -> str:
    """Return the words that say more than part, place, figure and condition, as written."""
    by_token: dict[int, list[int]] = {}
    for at, word in enumerate(said.words):
        by_token.setdefault(word.token, []).append(at)
    kept: list[tuple[str, bool]] = []
    for token, ats in by_token.items():
        if all(at in used or said.words[at].used == "join" for at in ats):
            continue
        filler = all(
            said.words[at].key in words.fillers and said.words[at].used != "condition" for at in ats
        )
        kept.append((said.tokens[token], filler))
    while kept and kept[0][1]:
        kept.pop(0)
    while kept and kept[-1][1]:
        kept.pop()
    told = " ".join(token for token, _filler in kept if token not in _DASHES).strip(" ,;:")
    return " ".join(filter(None, (told, said.behind)))
