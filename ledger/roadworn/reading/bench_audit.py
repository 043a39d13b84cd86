"""A reading held against the words it was made from: each that can change the meaning is told for.

The reader takes a phrase apart by many rules, and any of them may swallow a word. So whatever it
made is looked at once more, by one rule that knows nothing of how it came about: a word of a
place is in the place of a finding or in its note; a word that denies or doubts, another part, or
a condition that is worse than the one taken is asked about. Asking is cheap; a place, a part or
a "not" that was lost is a wrong record.
"""

import re
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any, NoReturn

from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UsageError
from roadworn.reading.bench_doubt import refuse_more
from roadworn.reading.bench_names import Match, Said, matches_in, names_index
from roadworn.reading.bench_phrase import (
    EDGES,
    LONGEST_CONDITION,
    condition_length,
    says_place,
    split_phrase,
    within_condition,
)
from roadworn.reading.bench_places import COUNTED, Where, tag_of
from roadworn.reading.bench_words import Words, packaged_words

#: Schemes whose places are wheels, axles and sides: such a word has nowhere else to go.
_HELD_AT = frozenset({"wheel", "tire", "axle", "axle_side", "wheel_ul", "side"})
_PLACE = re.compile(r"(?:([1-9])?([LR])([FR])?|B([12])S([1-4])|([1-9]\d?))")
_SPELLED = {"left": "L", "right": "R"}
#: Words of which a thing is at one, and words before a number by the scheme that holds it.
_AXES = (frozenset({"front", "rear"}), frozenset({"inner", "outer"}), frozenset({"upper", "lower"}))
_NUMBERED = {"bank": ("bank",), "bank+cam": ("bank",), "cylinder": ("cylinder",)}
_AT_WHEELS = frozenset({"side", "end", "wheel", "axled"})
#: Conditions by how bad they are; ``ask`` is as bad as can be.
_ORDER = {"sound": 0, "not_checked": 0, "wearing": 1, "failed": 2, "ask": 2}
#: Behind these stands a reason, a time or another thing that the part touches.
_ONWARD = frozenset({"with", "like", "than", "as"})
#: So much weighs a word of at most a dozen components.
_TELLING = 3.0
#: What runs out of a part, or lies on it, is no second part; "slack" is told of one too.
_FLUIDS = frozenset(
    {"oil", "coolant", "fluid", "water", "fuel", "gas", "grease", "air", "rust", "slack", "leak"}
)
#: What is told of it where it should not be.
_MOVES = re.compile(r"[a-z]{2,}ing")
_SPREADS = frozenset({"on", "in", "all", "everywhere", "down", "over", "under", "out", "past"})
#: "torn, no grease", "stuck open, wont get hot": of what is bad they deny no more than that.
_LACKS = frozenset({"no", "sin", "without"})
_FAILS_TO = frozenset({"wont", "cant", "cannot", "doesnt"})


def _facets_of_place(place: str | None) -> Iterator[str]:
    """Yield what a place says of side, end, axle, level and so on, each by itself."""
    for piece in (place or "").split("-"):
        found = _PLACE.fullmatch(piece)
        if found is None:
            yield _SPELLED.get(piece, piece)
            continue
        axle, side, end, bank, sensor, number = found.groups()
        yield from (axle or number or "", side or "")
        yield {"F": "front", "R": "rear"}.get(end or "", "")
        yield from (f"bank {bank}", f"sensor {sensor}")
        yield f"bank {number}"


def _facets_of_words(keys: Sequence[str], driver: str) -> set[str]:
    """Return what the words of one place say, in the same terms."""
    where = Where.of(keys, driver)
    ends = {"F": "front", "R": "rear"}
    told = {*where.sides, *where.levels, *where.depths, *where.cams, *where.words, *where.country}
    told |= {ends[end] for end in where.ends} | set(where.numbers)
    for wheel in where.wheels:
        told |= {wheel[0], ends[wheel[1]]} if wheel[0] in "LR" else set(wheel)
    for counted, numbers in where.counted.items():
        plain = counted in {"cylinder", "axle"}
        told |= {number if plain else f"{counted} {number}" for number in numbers}
    return told


def unexpressed(
    said: Said,
    component: Component,
    at: Iterable[int],
    places: Sequence[str | None],
    words: Words,
) -> set[int]:
    """Return those of some words whose place is in none of the places that were made of them."""
    driver = {"left": "L", "right": "R"}.get(words.driver, "")
    told = {facet for place in places for facet in _facets_of_place(place)}
    if component.positions == "side":
        told.add("front")  # These sit at the front; the rear was asked about.
    keys = [word.key for word in said.words]
    if ("rear" in told and len(places) > 1) or "rear" in places:
        told |= {"R"}  # "rr shocks" are those of both wheels.
    # A word counts with its number, "bank 2", and a number with the side behind it, "2 left".
    return {one for one in at if not _facets_of_words(_with_number(keys, one), driver) <= told}


def _with_number(keys: Sequence[str], at: int) -> Sequence[str]:
    after = keys[at + 1] if at + 1 < len(keys) else ""
    if keys[at] in COUNTED and after.isdigit():
        return (keys[at], after)
    before = keys[at - 1] if at else ""
    return (before, keys[at]) if keys[at].isdigit() and before in COUNTED else (keys[at],)


def refuse_unread(
    said: Said,
    component: Component,
    match: Match,
    places: Sequence[str | None],
    condition: str | None,
    words: Words,
) -> None:
    """Refuse a reading that leaves out a word which can change what it says.

    Raises:
        UsageError: says the word.
    """
    name = " ".join(said.words[at].key for at in match.at)
    refuse_more(said.text, component, places, condition, name)
    _refuse_doubt(said, component, match, condition, words)
    _refuse_place(said, component, match, places, words)
    _refuse_named(said, component, condition, words)
    _refuse_worse(said, component, match, condition, words)


def refuse_lost_place(
    text: str,
    component: Component,
    name: str,
    places: Sequence[str | None],
    words: Words,
) -> None:
    """Refuse a reading by clauses that leaves out a word of a place, as `refuse_unread` does.

    Args:
        text: the clauses that are about the part.
        component: what.
        name: the words that named it, spelled out.
        places: where.
        words: those of a shop among them.

    Raises:
        UsageError: says the word.
    """
    said = split_phrase(text, words)
    own = {*name.split()}
    at = tuple(n for n, word in enumerate(said.words) if word.key in own)
    _refuse_place(said, component, Match((component.id,), at, 0.0), places, words)


def _refuse_doubt(
    said: Said, component: Component, match: Match, condition: str | None, words: Words
) -> None:
    for at, word in enumerate(said.words):
        if (
            word.key not in words.doubts
            or word.used == "name"
            or (_told(said, at, words, component, match.at) and word.key not in words.conditions)
        ):
            continue
        if condition in {"wearing", "failed"} and _is_lack(said, at, match, words):
            continue
        _refuse(said, at, "denies or doubts what is said with it")


def _is_lack(said: Said, at: int, match: Match, words: Words) -> bool:
    """Whether a "no" or "wont" says what a bad part lacks or fails to do, and denies nothing."""
    key = said.words[at].key
    after = said.words[at + 1].key if at + 1 < len(said.words) else ""
    behind = any(condition_length(said, n, words) for n in range(at))
    if key in {"but", "though"} and behind and condition_length(said, at + 1, words):
        return True  # "cracked but holding": the condition behind it is read as well
    # "cracked, not wet yet"
    if key in {"not", "no"} and behind and condition_length(said, at + 1, words):
        return True
    if key in _LACKS and not at and set(match.at) == set(range(1, len(said.words))):
        return True  # "no horn"
    plain = after and not tag_of(after) and after not in words.doubts and not after.isdigit()
    if key in _LACKS:
        return (
            bool(plain) and behind and at > max(match.at, default=-1) and after not in words.fillers
        )
    return key in _FAILS_TO and bool(plain) and behind


def _refuse_place(
    said: Said, component: Component, match: Match, places: Sequence[str | None], words: Words
) -> None:
    _refuse_other_place(said, component, match, places, words)
    if component.positions not in _HELD_AT:
        return
    open_words = [
        at
        for at, word in enumerate(said.words)
        if tag_of(word.key) in _AT_WHEELS
        and at not in match.at
        and not _told(said, at, words, component, match.at)
        and not (_is_where(said, at, words) or _on_piece(said, at, words))
    ]
    for at in sorted(unexpressed(said, component, open_words, places, words)):
        _refuse(said, at, f"is no place of {component.name} as it was read")


def _refuse_other_place(
    said: Said, component: Component, match: Match, places: Sequence[str | None], words: Words
) -> None:
    """Refuse a place that is another one than what was read or than the part's own name says.

    "wipers streak frt, rear blade torn", "tie rods inner + outer tight", "phaser knocks, bank 1".
    """
    driver = {"left": "L", "right": "R"}.get(words.driver, "")
    keys = [word.key for word in said.words]
    own = {keys[at] for at in match.at} | set(words.keys_of(component.name))
    told = {facet for place in places for facet in _facets_of_place(place)} | own
    told |= {"front"} if component.positions == "side" else set()
    last = max((said.words[at].token for at in match.at), default=0)
    for at, key in enumerate(keys):
        apart = _behind_comma(said, last, said.words[at].token) and tag_of(key) in _AT_WHEELS
        counted = key in _NUMBERED.get(component.positions, ()) and keys[at + 1 : at + 2]
        axis = next((axis for axis in _AXES if key in axis), frozenset[str]())
        facets = _facets_of_words(_with_number(keys, at), driver)
        if at in match.at or not (counted or apart or axis & told) or facets <= told or not facets:
            continue
        is_wheel = apart and tag_of(key) == "wheel"
        where = _is_where(said, at, words) and not is_wheel
        # "roof, left front": the lamp is at the left, and "front" says more of that.
        beside = [keys[n] for n in (at - 1, at + 1) if 0 <= n < len(keys)]
        more = any(
            tag_of(one) in _AT_WHEELS - {tag_of(key)} and _facets_of_words([one], driver) <= told
            for one in beside
        )
        if where or more or _told(said, at, words, component, match.at):
            continue
        if apart or not _on_piece(said, at, words):
            _refuse(said, at, f"is no place of {component.name} as it was read")


def _behind_comma(said: Said, first: int, last: int) -> bool:
    """Whether a comma stands between two tokens."""
    return any(token.endswith((",", ";")) for token in said.tokens[first:last])


def _on_piece(said: Said, at: int, words: Words) -> bool:
    """Whether a place is one on the part, "rear bushing" or "outer edge"."""
    after = said.words[at + 1].key if at + 1 < len(said.words) else ""
    return after in EDGES | words.details | words.pieces


def _is_where(said: Said, at: int, words: Words) -> bool:
    """Whether a word is of something that the part only touches."""
    for before in range(at - 1, max(-1, at - 5), -1):
        if said.tokens[said.words[before].token].endswith((",", ";")):
            return False
        key = said.words[before].key
        # "due" says how a part is, as well as why.
        if key in words.beside | words.asides | _ONWARD and key not in words.conditions:
            return True
    return False


def _refuse_named(said: Said, component: Component, condition: str | None, words: Words) -> None:
    """Refuse words of few other parts, "worn tie rod": one beside what is sound, else two.

    What is bad may be told in words of parts, "clutch slipping, pedal high".
    """
    found: list[int] = []
    index = names_index()
    known = index.vocabulary.get(component.id, frozenset()) | words.details | words.pieces
    known |= words.fillers | words.asides | words.beside | words.counted | _FLUIDS
    for at, word in enumerate(said.words):
        if word.used or word.key in known or index.weight.get(word.key, 0.0) < _TELLING:
            continue
        if not word.key.isalpha() or says_place(said, at) or _told(said, at, words, component):
            continue
        if not _is_where(said, at, words):
            found.append(at)
    pairs = [(one, {said.words[n].key for n in (one, at)}) for one, at in pairwise(found)]
    together = (one for one, pair in pairs if any(pair <= own for own in index.vocabulary.values()))
    first = next(iter(found if condition in {"sound", "not_checked"} else together), None)
    if first is not None:
        _refuse(said, first, "may be another part")


def _refuse_worse(
    said: Said, component: Component, match: Match, condition: str | None, words: Words
) -> None:
    if condition not in {"sound", "not_checked"}:
        return
    at = 0
    while at < len(said.words):
        length = 0 if at in match.at else condition_length(said, at, words)
        key = " ".join(word.key for word in said.words[at : at + length])
        means = words.condition_of(key, component) if length else ""
        if not length and _runs_out(said, at, component):
            _refuse(said, at, f"does not go with {condition.replace('_', ' ')}")
        if _ORDER.get(means, 0) > 0:
            _refuse(said, at, f"does not go with {condition.replace('_', ' ')}")
        at += max(length, 1)


def _runs_out(said: Said, at: int, component: Component) -> bool:
    """Whether a fluid is told to be somewhere: "no leaks, oil running down it"."""
    key = said.words[at].key
    after = "".join(word.key for word in said.words[at + 1 : at + 2])
    own = names_index().vocabulary.get(component.id, frozenset())
    return key in _FLUIDS - own and bool(_MOVES.fullmatch(after) or after in _SPREADS)


def refuse_other_part(said: Said, parts: Sequence[tuple[Component, Match]], words: Words) -> None:
    """Refuse a part that is named besides those that were read, unless it says where or why.

    Raises:
        UsageError: says its words.
    """
    ids = {part.id for part, _match in parts}
    own = {word for part in ids for word in names_index().vocabulary.get(part, ())}
    plain = {word for part, _match in parts for word in (*words.keys_of(part.name), part.system)}
    first = min((said.words[at].token for _part, one in parts for at in one.at), default=0)
    for match in matches_in(said, len(said.words)):
        keys = {said.words[at].key for at in match.at}
        keys -= {"engine"} if "oil" in keys else set()
        known = words.details | words.pieces | _FLUIDS | plain
        # "rad hose soft, rad seeps": a word of the part is another one behind a comma.
        if (
            ids & set(match.owners)
            or keys <= known
            or (
                keys <= (own | known)
                and not _behind_comma(said, first, said.words[match.at[0]].token)
            )
        ):
            continue
        if _is_place(said, match.at) or _begins_way(said, match.at[-1]):
            continue
        if within_condition(said, match.at, words) or all(
            _told(said, at, words, part) for at in match.at for part, _match in parts
        ):
            continue
        if _is_where(said, match.at[0], words):
            continue
        _refuse(said, match.at[0], "is another part")


def refuse_note(finding: Mapping[str, Any], shop: Words | None) -> None:
    """Refuse the note of a plain finding where it would change it, as of a phrase.

    Raises:
        UsageError: says the word.
    """
    words = shop or packaged_words()
    component, position = catalogue().get(finding["component"]), finding.get("position")
    condition = finding["condition"]
    said = split_phrase(finding["note"], words)
    match = Match((component.id,), (), 0.0)
    refuse_other_part(said, [(component, match)], words)
    refuse_unread(said, component, match, [position], condition, words)


def _is_place(said: Said, at: Sequence[int]) -> bool:
    """Whether a name is a word of a place here, as the axle of "axle 2" and "rear axle"."""
    keys = ["", *(word.key for word in said.words), ""]
    beside = keys[at[0]], keys[at[-1] + 2]
    return {said.words[n].key for n in at} == {"axle"} and any(
        one.isdigit() or tag_of(one) in _AT_WHEELS for one in beside
    )


def _begins_way(said: Said, at: int) -> bool:
    """Whether a part is an end of what goes to another: "ground strap engine to frame"."""
    onward = [word.key for word in said.words[at + 1 : at + 3]]
    return onward[:1] == ["to"] and onward[-1] in names_index().weight


def _told(
    said: Said, at: int, words: Words, component: Component, named: Container[int] = ()
) -> bool:
    """Whether a word belongs to a condition of a part, and no word of that to the part's name."""
    for start in range(max(0, at - LONGEST_CONDITION + 1), at + 1):
        within = range(start, start + condition_length(said, start, words))
        key = " ".join(said.words[n].key for n in within)
        if at in within and words.condition_of(key, component):
            return not any(n in named for n in within)
    return False


def _refuse(said: Said, at: int, why: str) -> NoReturn:
    token = said.tokens[said.words[at].token]
    raise UsageError(
        f"{re.sub(r'[,;]+$', '', token)!r} in {said.shown!r} {why}",
        "say it in fewer words, or give each finding by itself",
    )
