"""A typed phrase in its words: which say a place, a condition or a figure, and what is the note."""

import re
from collections.abc import Sequence
from contextlib import suppress
from itertools import pairwise
from typing import Any

from roadworn.model.catalogue import Component
from roadworn.model.units import UnitError, parse_measurement
from roadworn.reading.bench_denials import without_denied
from roadworn.reading.bench_names import Match, Said, Word, matches_in, names_index
from roadworn.reading.bench_places import COUNTED, tag_of
from roadworn.reading.bench_words import Words, plain_key

#: A phrase is understood within so many words; what is behind them is the note.
_MOST_WORDS = 40
LONGEST_CONDITION = 4
#: An inner edge is no inner tire.
EDGES = frozenset({"edge", "side", "wall", "shoulder", "bead", "pad"})
_JOINS = frozenset({"and", "&", "+", "/", "n", "y", "e"})
_NOT_INCHES = frozenset({"a", "all", "both", "each", "every", "the", "this", "it"})
_LOOSE_UNITS = frozenset({"a", "c", "f", "h"})
_PARTED = re.compile(r"([&+]|(?<=\w\w)/|/(?=\w\w))")
_EDGES = ".,;:()[]!?*\"'"
#: What wears, said between a figure and what is left of it.
_WORN = frozenset({"lining", "tread", "pad", "shoe", "material", "friction", "meat", "rubber"})
_ONE = frozenset({"a", "an", "one"})
_DATED = re.compile(
    r"(?:19|20)\d\d|\d{1,2}/(?:\d{1,2}/)?(?:19|20)\d\d|20\d\d-\d\d(?:-\d\d)?"
    r"|\d{1,3}k(?:mi|km|miles)?|\d{2,3},\d{3}",
    re.IGNORECASE,
)
_WONT = frozenset({"wont", "doesnt"})
#: Verbs of who looked, and of what may come: "wont say", "doesnt need", "wont last".
_NO_DEED = frozenset(
    {
        *("say", "know", "see", "tell", "need", "want", "look", "seem", "appear", "mean", "matter"),
        *("affect", "bother", "last", "hurt", "harm", "leak", "rub", "touch", "drip", "seep"),
        *("rattle", "squeak", "squeal", "show", "pass", "let"),
        *("make", "have", "has", "get", "like"),
    }
)
_DISTANCES = frozenset({"mi", "km"})
_LIMITS = frozenset({"min", "max", "minimum", "maximum", "spec", "limit", "discard"})
_DASHES = frozenset({"-", "–", "—"})
#: Words of a place that are words of a part as well: "exhaust", "heater", "main".
_MAYBE_PLACES = frozenset({"cam", "word", "country"})


def split_phrase(text: str, words: Words) -> Said:
    """Return a phrase in its words, short ones written out, with its figures taken out."""
    raw = text.split()
    tokens = _written_out(_parted(raw[:_MOST_WORDS], words), words)
    said = Said(text, tokens, [], " ".join(raw[_MOST_WORDS:]))
    keys: list[tuple[str, int]] = []
    at = 0
    while at < len(tokens):
        # "axle 3 1/4 in" is a quarter at axle 3.
        is_number = bool(at) and plain_key(tokens[at - 1]) in COUNTED
        found = None if is_number else _measured_at(tokens, at)
        if passed := _passed_over(tokens, at, found):
            said.counted.update(passed)
            keys = [one for one in keys if one[1] not in said.counted]
            at = passed[-1] + 1
            continue
        if found is not None:
            said.measured.append((at, found[0]))
            at += found[1]
            if _of_what_remains(tokens, at):
                keys.append((plain_key(tokens[at]), at))
                at += 1
            at += _remaining(tokens, at)
            continue
        token = tokens[at].strip(_EDGES)
        counted = _counted(tokens, at, words)
        if token in _JOINS:
            keys.append((token, at))
        elif counted:
            said.counted.update(range(at, at + counted))
            at += counted - 1
        else:
            keys += [(key, at) for key in plain_key(_ranged(token)).split()]
        at += 1
    keys = [(_behind(keys, n, words), at) for n, (_key, at) in enumerate(keys)]
    kept = without_denied(words.expanded(keys), tokens, said.counted)
    said.words = [Word(key, token) for key, token in kept]
    _deny_verbs(said, words)
    for word in said.words:
        if word.key in _JOINS:
            word.used = "join"
        elif re.fullmatch(r"\d*\.\d+", said.tokens[word.token].strip(",;:()")):
            word.used = "figure"
    return said


def _deny_verbs(said: Said, words: Words) -> None:
    """Take what a part "wont" or "doesnt" do, in a verb of no list, as that it does not work.

    "wont see", "doesnt chooch". A word of a part, a place, a condition or one that says how it
    seems is no such verb.
    """
    for before, word in pairwise(said.words):
        if before.key not in _WONT or f"{before.key} {word.key}" in words.conditions:
            continue
        known = word.key in words.known or word.key in words.doubts or word.key in words.tells
        known |= word.key in names_index().weight or word.key in _NO_DEED or bool(tag_of(word.key))
        if not known and word.key.isalpha() and len(word.key) > 2:
            word.key = "work"


def _ends_range(tokens: Sequence[str], at: int) -> bool:
    """Whether a figure ends a range, "from 85 to 100 psi", that measures no part."""
    return at > 1 and tokens[at - 1] == "to" and tokens[at - 2].strip(_EDGES).isdigit()


def _passed_over(tokens: Sequence[str], at: int, found: tuple[dict[str, Any], int] | None) -> range:
    """Return the tokens of a date, a distance driven, a limit or a range of figures, or none.

    "2019", "10/2022", "120k", "45,000 mi" and "min 2 mm" are no figures of what is looked at.
    """
    # "under min, 25.8 mm": the comma ends the limit.
    before = plain_key(tokens[at - 1]) if at and tokens[at - 1][-1] != "," else ""
    if found is None:
        dated = before not in COUNTED and _DATED.fullmatch(tokens[at].strip(_EDGES))
        return range(at, at + bool(dated))
    if _ends_range(tokens, at):
        return range(at - 2, at + found[1])
    is_none = found[0]["unit"] in _DISTANCES or before in _LIMITS
    return range(at, at + found[1] * is_none)


def _parted(raw: Sequence[str], words: Words) -> list[str]:
    """Return words with signs between two parts as words of their own."""
    tokens: list[str] = []
    for token in raw:
        if any(c.isdigit() for c in token) or re.fullmatch(r"\w/\w[.,;:]?", token):
            tokens.append(token)
        elif tuple(map(plain_key, token.split("/"))) in words.short:
            tokens += token.split("/")  # "w/pump" is one short word, as "w pump" is
        else:
            tokens += [piece for piece in _PARTED.split(token) if piece]
    return tokens


def _written_out(tokens: Sequence[str], words: Words) -> list[str]:
    """Return tokens with "a qt" as "1 qt" and "680cca" as "680 cca": both count something."""
    made: list[str] = []
    for at, token in enumerate(tokens):
        after = plain_key(tokens[at + 1]) if at + 1 < len(tokens) else ""
        glued = re.fullmatch(r"(\d+)([a-z]+)([.,;:]?)", token, re.IGNORECASE)
        if plain_key(token) in _ONE and after in words.counted & words.fillers:
            made.append("1")
        elif glued is not None and plain_key(glued[2]) in words.counted:
            made += [glued[1], glued[2] + glued[3]]
        else:
            made.append(token)
    return made


def _remaining(tokens: Sequence[str], at: int) -> int:
    """Return 1 where a word behind a figure says what remains: "3 mm left" is no side.

    It is one where the other side is said as well, and in "left front"; not in "3 mm lining left".
    """
    said = [plain_key(token) for token in tokens]
    if said[at : at + 1] != ["left"] or any(word in {"right", "rt", "rh", "r"} for word in said):
        return 0
    return int("".join(said[at + 1 : at + 2]) not in {"front", "rear", "frt", "rr", "side", "hand"})


def _of_what_remains(tokens: Sequence[str], at: int) -> int:
    """Return 1 where what is worn stands between a figure and "left": "1/16 lining left"."""
    worn = "".join(map(plain_key, tokens[at : at + 1])) in _WORN
    return int(worn and bool(_remaining(tokens, at + 1)))


def _counted(tokens: Sequence[str], at: int, words: Words) -> int:
    """Return 2 where a number and what it counts begin, "5 clicks", and else 0.

    A counted part, "2 studs", is read as a part; its number alone is passed over.
    """
    if plain_key(tokens[at]) == "one" and "".join(tokens[at + 1 : at + 2]) == "of":
        return 2  # "one of the rear chambers": which is not said
    if not tokens[at].strip(_EDGES).isdigit():
        return 0
    if share := _share(tokens, at):
        return share
    if _is_labelled(tokens, at, words):
        return 1
    if at + 1 == len(tokens):
        return 0
    after = plain_key(tokens[at + 1])
    if (at and plain_key(tokens[at - 1]) in COUNTED) or after not in words.counted:
        return 0
    return 1 if after in names_index().weight else 2


def _is_labelled(tokens: Sequence[str], at: int, words: Words) -> bool:
    """Whether a number is said to be something else than a figure: "dated 2019", "min is 23"."""
    before = [plain_key(token) for token in tokens[max(0, at - 2) : at]]
    return bool(before) and (
        before[-1] in words.labelled or (before[-1] == "is" and before[0] in words.labelled)
    )


def _share(tokens: Sequence[str], at: int) -> int:
    """Return of how many tokens a share consists, "2 of 6" or "2 out of 6", and else 0.

    "cylinder 2 of 6" says which.
    """
    following = [plain_key(token) for token in tokens[at + 1 : at + 4]]
    joint = next((n for n in (1, 2) if following[:n] in (["of"], ["out", "of"])), 0)
    counted = bool(at) and plain_key(tokens[at - 1]) in COUNTED
    total = following[joint] if 0 < joint < len(following) else ""
    return joint + 2 if total.isdigit() and not counted else 0


def _behind(keys: Sequence[tuple[str, int]], n: int, words: Words) -> str:
    """Return a word, or the place it is where no part comes after it: "balatas del 3 mm"."""
    key, token = keys[n]
    place = words.behind.get(key)
    if place is None or not n:
        return key
    after, at = keys[n + 1] if n + 1 < len(keys) else ("", token + 1)
    spelled = " ".join(words.keys_of(after))
    is_part = at == token + 1 and after and not tag_of(spelled) and spelled not in words.conditions
    return key if is_part else place


def _ranged(token: str) -> str:
    """Return ``1-4`` as ``1 2 3 4``, read as two numbers it would lose two; ``2LI`` as 2L inner."""
    dual = re.fullmatch(r"([1-9][lr]|[lr][fr])([io])", token, re.IGNORECASE)
    if dual is not None:
        return f"{dual[1]} {'inner' if dual[2] in 'iI' else 'outer'}"
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
        # Only a temperature has a sign before a letter of its own: "-34 F".
        if length > 1 and rest[-1].casefold() in _LOOSE_UNITS and first[0] not in "+-":
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
    inches = re.fullmatch(r"(\d+ \d+/\d+|\d+/(?:8|16))", " ".join(tokens[at : at + 2]).rstrip(",;"))
    plain = inches or re.fullmatch(r"\d+/(?:8|16)", first.rstrip("),;"))
    if plain is None:
        return None
    # Only inches are written as fractions; "1/2 worn" alone measures nothing.
    with suppress(UnitError):
        value, unit = parse_measurement(plain[0], "in")
        return {"value": float(value), "unit": unit}, len(plain[0].split())
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


def is_way(said: Said, at: int) -> bool:
    """Whether a word is an end of a way: "engine to frame"."""
    keys = ["", "", *(word.key for word in said.words), "", ""]
    onward = keys[at + 3] == "to" and keys[at + 4]
    return bool(onward or (keys[at + 1] == "to" and keys[at]))


def is_of_piece(said: Said, at: int, words: Words) -> bool:
    """Whether a word says on what a part sits: "u joint rear of shaft"."""
    return bool(at) and said.words[at].key in words.pieces and said.words[at - 1].key == "of"


def within_condition(said: Said, at: Sequence[int], words: Words) -> bool:
    """Whether words are a piece of a condition of more words, "free wheels"."""
    return all(
        any(
            condition_length(said, start, words) > max(at[0] - start, 1)
            for start in range(max(0, one - LONGEST_CONDITION + 1), one + 1)
        )
        and _in_condition(said, one, words)
        for one in at
    )


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


def says_place(said: Said, at: int) -> bool:
    """Whether a word says a place, "axle" before its number and "inner" before no edge of it."""
    key = said.words[at].key
    if said.words[at].used == "figure":
        return False
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
    own = names_index().vocabulary.get(component.id, frozenset())
    plain = set(words.keys_of(component.name)) | {component.system}
    return {
        at
        for at, word in enumerate(said.words)
        if (at in match.at or (word.used == "own" and word.key in own & plain))
        and (word.key in plain or word.key not in words.details | words.pieces)
    }


def tail_places(said: Said, head_end: int, words: Words) -> list[int]:
    """Return the places that follow the condition at once, "worn LF"; later ones are the note."""
    found: list[int] = []
    at = head_end
    while at < len(said.words):
        word = said.words[at]
        # "missing LR, nail in RR tread": another place behind a comma is of something else.
        parts = said.tokens[word.token - 1].endswith(",") and not says_place(said, at)
        if parts and (found or any(says_place(said, one) for one in range(head_end))):
            break
        if length := condition_length(said, at, words):
            at += length
            continue
        after = said.words[at + 1].key if at + 1 < len(said.words) else ""
        # "rattles 2 sec" says no place.
        loose = word.key.isdigit() and after and not (tag_of(after) or after.isdigit())
        loose = loose and said.words[at - 1].key not in COUNTED
        if says_place(said, at) and not (loose and after not in _JOINS):
            found.append(at)
        elif not (word.used in {"join", "name"} or word.key in words.fillers | words.details):
            break
        at += 1
    return found or _last_segment(said, at)


def _last_segment(said: Said, begin: int) -> list[int]:
    """Return the places that end a phrase by themselves, "knocks at hot idle, bank 1"."""
    commas = [n for n, token in enumerate(said.tokens[:-1]) if token.endswith(",")]
    last = (
        [at for at in range(begin, len(said.words)) if said.words[at].token > commas[-1]]
        if commas
        else []
    )
    return last if all(says_place(said, at) for at in last) else []


def note_of(said: Said, used: set[int], words: Words) -> str:
    """Return the words that say more than part, place, figure and condition, as written."""
    by_token: dict[int, list[int]] = {}
    for at, word in enumerate(said.words):
        by_token.setdefault(word.token, []).append(at)
    kept: list[tuple[str, bool]] = []
    for token in sorted({*by_token, *said.counted}):
        ats = by_token.get(token, [])
        if token in said.counted:
            kept.append((said.tokens[token], False))
            continue
        if all(at in used or said.words[at].used == "join" for at in ats):
            continue
        filler = all(
            said.words[at].key in words.fillers - words.beside
            and said.words[at].used != "condition"
            and not tag_of(said.words[at].key)
            for at in ats
        )
        kept.append((said.tokens[token], filler))
    while kept and kept[0][1]:
        kept.pop(0)
    while kept and kept[-1][1]:
        kept.pop()
    told = " ".join(token for token, _filler in kept if token not in _DASHES).strip(" ,;:")
    return " ".join(filter(None, (told, said.behind)))
