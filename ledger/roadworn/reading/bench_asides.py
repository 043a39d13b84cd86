"""Unread words that change nothing: how and when, where, what day, and a remark at the end.

A phrase whose part, place and condition are certain is taken with such words as its note. A word
that could deny, doubt, name another part, move the place or change the condition is none of them,
so that it is asked about as before. Which word does what is data: ``words.csv``.
"""

import re
from collections.abc import Iterator, Sequence

from roadworn.reading.bench_names import Match, Said, matches_in, names_index
from roadworn.reading.bench_phrase import condition_length, content_of, split_phrase
from roadworn.reading.bench_places import COUNTED, tag_of
from roadworn.reading.bench_words import Words

#: "badly", "constantly"; those that doubt are in the words.
_ADVERB = re.compile(r"[a-z]{3,}ly")
#: "packed", "shedding": told of a part, and no part itself; "lining" and "bed" are.
_TOLD = re.compile(r"[a-z]{2,}(?<!e)(?:ed|ing)")
_NOUNS = frozenset(
    {
        *("lining", "housing", "casing", "fitting", "opening", "bushing", "bearing", "molding"),
        *("moulding", "mounting", "casting", "padding", "grating", "railing", "flooring", "awning"),
        *("ceiling", "covering", "decking", "ducting", "tubing", "piping", "plumbing", "coupling"),
        *("lighting", "heating", "steering", "spring", "wiring", "ring", "string", "wing"),
        *("decking", "shed", "sled", "bedding", "trimming", "stripping", "edging", "facing"),
    }
)
#: What leaks or is missing is told of the part behind: "oil leak near water pump".
_FLUIDS = frozenset({"oil", "coolant", "fluid", "water", "fuel", "gas", "grease", "air", "rust"})
_PLACES = frozenset({"side", "end", "wheel", "axled", "banked", "country", "level", "depth"})
_CUT = re.compile(r",\s|\s[-–—]+\s|\.\s|\s\(")


def is_unsure(said: Said, words: Words) -> bool:
    """Whether a word outside a known condition denies or doubts."""
    return any(
        word.key in words.doubts and not _within(said, at, words)
        for at, word in enumerate(said.words)
    )


def subjects(said: Said, matches: Sequence[Match], words: Words) -> list[Match]:
    """Return names without those that only say where: "brake line over gas tank"."""
    kept = [one for one in matches if not _is_where(said, one, matches, words)]
    return kept or list(matches)


def asides(said: Said, unread: Sequence[int], joined: Sequence[Match], words: Words) -> set[int]:
    """Return those unread words that may go into the note of a phrase.

    Args:
        said: the phrase.
        unread: words before the condition that are no word of the parts found.
        joined: the names found.
        words: the words.
    """
    if is_unsure(said, words):
        return set()
    bad = _is_bad(said, words)
    last = max(at for match in joined for at in match.at)
    return {at for at in unread if _is_aside(said, at, last, words, bad=bad)}


def _is_aside(said: Said, at: int, last: int, words: Words, *, bad: bool) -> bool:
    key = said.words[at].key
    before = {said.words[n].key for n in range(last + 1, at)}
    if before & words.beside:
        return True
    if key in names_index().weight or tag_of(key) or any(c.isdigit() for c in key):
        return False
    if _ADVERB.fullmatch(key):
        return True
    if before & words.asides:
        return True
    # "ok" of what is told in unread words is not believed.
    if not bad or at <= last:
        return False
    told = _TOLD.fullmatch(key) is not None and key not in _NOUNS
    return told or bool(before & words.tells) or any(_is_told(said, n) for n in range(last, at))


def _is_told(said: Said, at: int) -> bool:
    key = said.words[at].key
    return (
        not said.words[at].used
        and bool(_TOLD.fullmatch(key))
        and key not in (_NOUNS | names_index().weight.keys())
    )


def _is_bad(said: Said, words: Words) -> bool:
    """Whether what is said of the condition is bad throughout."""
    found = {
        means
        for at in range(len(said.words))
        if (length := condition_length(said, at, words))
        for _of, means in words.conditions[
            " ".join(word.key for word in said.words[at : at + length])
        ]
    }
    return bool(found) and not found & {"sound", "not_checked"}


def _is_where(said: Said, match: Match, matches: Sequence[Match], words: Words) -> bool:
    """Whether a name stands behind "over" or "near", and another part before that."""
    for at in range(match.at[0] - 1, max(match.at[0] - 4, 0), -1):
        key = said.words[at].key
        if key in words.beside:
            return any(
                other.at[-1] < at
                and not set(other.owners) & set(match.owners)
                and not {said.words[n].key for n in other.at} <= _FLUIDS
                for other in matches
            )
        if not tag_of(key) and key not in words.fillers:
            return False
    return False


def only_where(said: Said, match: Match, words: Words) -> bool:
    """Whether a name stands behind "on" or "at" and nothing is told of it: "chafed on frame"."""
    before = match.at[0] - 1
    while before > 0 and (said.words[before].key in {"the", "a"} or tag_of(said.words[before].key)):
        before -= 1
    if before < 1 or said.words[before].key not in words.beside | words.asides:
        return False
    for at in range(before, len(said.words)):
        if at > match.at[-1] and condition_length(said, at, words):
            return False
        if at >= match.at[-1] and said.tokens[said.words[at].token].endswith((",", ".")):
            return True
    return False


def _within(said: Said, at: int, words: Words) -> bool:
    return any(condition_length(said, n, words) > at - n for n in range(max(0, at - 3), at + 1))


def cuts(text: str) -> Iterator[tuple[str, str]]:
    """Yield a phrase before and behind each comma, dash or stop, the last first."""
    for found in reversed(list(_CUT.finditer(text))):
        head, tail = text[: found.start()].strip(), text[found.end() :].strip()
        if head and tail:
            yield head, tail


def is_remark(tail: str, told: Sequence[tuple[str, str | None]], words: Words) -> bool:
    """Whether words behind a finding that is whole leave it as it is.

    Args:
        tail: as typed.
        told: component and condition of what was found before it.
        words: the words.
    """
    from roadworn.model.catalogue import catalogue

    said = split_phrase(tail, words)
    if said.measured or is_unsure(said, words):
        return False
    parts = {part for part, _condition in told}
    if any(not parts & set(match.owners) for match in matches_in(said, len(said.words))):
        return False
    own = {word for part in parts for word in names_index().vocabulary[part]}
    others = names_index().weight.keys() - own - words.details - words.pieces
    if any(said.words[at].key in others for at in content_of(said, len(said.words), words)):
        return False
    for at, word in enumerate(said.words):
        if tag_of(word.key) in _PLACES or word.key in COUNTED:
            return False
        length = condition_length(said, at, words)
        key = " ".join(one.key for one in said.words[at : at + length])
        for part, condition in told:
            means = words.condition_of(key, catalogue().get(part)) if length else ""
            if means and means != condition:
                return False
    return True
