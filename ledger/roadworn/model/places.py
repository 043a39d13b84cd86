"""Where on the vehicle: one spelling for each place, whatever the bench writes.

Left and right are as seen from the driver's seat facing forward, in every country. "Driver
side" or "nearside" change sides at a border and are refused. Each component has a scheme
(a column of the catalogue) that says which places make sense for it.

Schemes: ``wheel`` LF RF LR RR, or axle and side as 2L; ``axle`` front, rear or a number from
the front, and a wheel when a reading was taken at one; ``side`` L R; ``bank`` 1 2 (bank 1
holds cylinder 1); ``bank_sensor`` B1S2 (sensor 1 nearest the engine); ``bank+cam`` 1-intake;
``wheel_ul`` LF-lower; ``axle_side`` 2L; ``tire`` LF, 1L, 2R-inner, spare; ``cylinder`` 3;
``none``; any other name takes one short word.
"""

import re
from collections.abc import Callable, Mapping
from difflib import get_close_matches

from roadworn.model.errors import UsageError

_SHORT = 24
#: Where a wheel lies that carries nothing: no driving depends on it.
SPARE = "spare"
_LEVELS = ("upper", "lower")
_SIDES = {"l": "L", "r": "R", "left": "L", "right": "R", "lh": "L", "rh": "R"}
_ENDS = {"f": "F", "r": "R", "front": "F", "rear": "R", "back": "R"}
_WHEELS = {
    **{w: w.upper() for w in ("lf", "rf", "lr", "rr")},
    "fl": "LF",
    "fr": "RF",
    "rl": "LR",
}
#: Words and marks that a mistyped place is compared with; the commonest first.
_PLACE_WORDS = (
    *("lf", "rf", "lr", "rr", "fl", "fr", "rl", "front", "rear", "left", "right", "spare"),
    *("left front", "right front", "left rear", "right rear", "front left", "front right"),
    *("b1s1", "b1s2", "b2s1", "b2s2", "bank 1", "bank 2"),
)
#: Likeness from which a word is taken for a slip of another; two letters of three are 0.8.
_NEAR = 0.75
_COUNTRY_WORDS = re.compile(r"\b(driver|passenger|near ?side|off ?side|[no]/?s[fr]?)\b")

#: Words a bench phrase may use as a place under a free scheme ("hose upper").
_FREE_WORDS: Mapping[str, frozenset[str]] = {
    "end": frozenset({"front", "rear"}),
    "mount": frozenset({"front", "rear", "left", "right", "l", "r", "upper", "lower"}),
    "hose": frozenset({"upper", "lower", "heater", "bypass"}),
    "fan": frozenset({"left", "right", "l", "r", "main", "second"}),
    "tank": frozenset({"left", "right", "l", "r", "main", "front", "rear"}),
    "battery": frozenset({"main", "second", "auxiliary"}),
    "lamp": frozenset({"left", "right", "l", "r", "center", "centre"}),
    "solenoid": frozenset("abcde"),
    "sensor": frozenset({"input", "output", "fluid"}),
    "shaft": frozenset({"front", "rear"}),
    "wiper": frozenset({"left", "right", "l", "r", "rear"}),
    "door": frozenset({"lf", "rf", "lr", "rr", "fl", "fr", "rl", "rear", "tailgate"}),
    "seat": frozenset({"driver", "passenger", "left", "right", "l", "r"}),
    "motor": frozenset({"front", "rear"}),
}


class PositionError(UsageError):
    """The place given makes no sense for the component; the message names what does."""


def normalise_position(text: str, scheme: str) -> str:
    """Return the canonical spelling of a place under a scheme.

    Args:
        text: as written, for instance ``left front``, ``FL``, ``bank 1``, ``cyl 3``.
        scheme: a scheme name of this module's docstring; unknown names take a short word.

    Raises:
        PositionError: the text is no place under that scheme.
    """
    read, expected = _SCHEMES.get(scheme, _FREE)
    words = _spelled(text)
    if not words or len(text) > 4 * _SHORT:
        raise PositionError(f"{_shown(text)} is no position", expected)
    if scheme == "none":
        raise PositionError(
            f"This component has no position, so {_shown(text)} cannot be kept as one",
            "write it in the note",
        )
    found = read(words)
    if found is None:
        if read is not _free and _COUNTRY_WORDS.search(words):
            raise PositionError(
                f"{_shown(text)} changes sides with the country",
                "say left or right as seen from the driver's seat facing forward",
            )
        near = near_position(words, scheme)
        meant = f" (did you mean {near}?)" if near else ""
        raise PositionError(f"{_shown(text)} is no position here{meant}", expected)
    return found


def said_place(position: str, scheme: str) -> str:
    """Return a place as it is said: a bare number with what it counts, ``cylinder 3``.

    Before a price a bare number is read as a part of it.
    """
    counts = position.isdigit() and scheme in {"axle", "bank", "cylinder"}
    return f"{scheme} {position}" if counts else position


def _spelled(text: str) -> str:
    return " ".join(re.sub(r"[-_,#]+", " ", text).casefold().split())


def near_position(word: str, scheme: str) -> str | None:
    """Return the place under a scheme that a mistyped word is most like, or None."""
    read, _expected = _SCHEMES.get(scheme, _FREE)
    if read is _free:
        return None
    nearest = get_close_matches(word.casefold(), _PLACE_WORDS, n=3, cutoff=_NEAR)
    return next(filter(None, map(read, nearest)), None)


def read_position_words(words: str, scheme: str) -> str | None:
    """Return the place that `words` name inside a longer phrase, or None.

    Stricter than `normalise_position`: a bare number may be a measurement and a free word
    may be anything, so only words that can be nothing else are taken.
    """
    if scheme == "none" or (scheme in {"axle", "wheel"} and re.fullmatch(r"[0-9]+|f|r", words)):
        return None
    if scheme not in _SCHEMES and words.casefold() not in _FREE_WORDS.get(scheme, frozenset()):
        return None
    if len(words) > 4 * _SHORT:
        return None
    read, _expected = _SCHEMES.get(scheme, _FREE)
    spelled = _spelled(words)
    return read(spelled) if spelled else None


def loses_level(text: str, scheme: str, position: str | None) -> bool:
    """Whether "lower control arm LF" was read as LF alone, its level taken for the name."""
    if scheme != "wheel_ul" or position is None or "-" in position:
        return False
    return any(word in text.casefold().split() for word in _LEVELS)


#: Each axle by the name it goes by, with the sides that stand for it.
AXLES: Mapping[str, tuple[str, str]] = {
    "front": ("LF", "RF"),
    "rear": ("LR", "RR"),
    **{number: (f"{number}L", f"{number}R") for number in "123456789"},
}
_OTHER_SIDE = {
    side: other for pair in (*AXLES.values(), ("L", "R")) for side, other in (pair, pair[::-1])
}
_AXLE_OF = {place: axle for axle, sides in AXLES.items() for place in (axle, *sides)}


def axle_of(position: str | None) -> str | None:
    """Return the axle a canonical position belongs to, so that an axle set counts once.

    ``LF`` and ``front`` give ``front``, ``LR`` gives ``rear``, ``2R-inner`` gives ``2``;
    None for positions that name no axle.
    """
    return _AXLE_OF.get((position or "").partition("-")[0])


def wheel_of(position: str) -> str:
    """Return the wheel of a place that names a level, LF for LF-lower, else the place itself."""
    return position.partition("-")[0]


def one_wheel(one: str | None, other: str | None) -> bool:
    """Return whether one of two places is the wheel of the other's level, LF and LF-lower."""
    return bool(one and other) and (wheel_of(one or "") == other or wheel_of(other or "") == one)


def other_side(position: str) -> str:
    """Return the same place on the other side, LF for RF and 2L-inner for 2R-inner, or nothing."""
    head, dash, rest = position.partition("-")
    return f"{_OTHER_SIDE[head]}{dash}{rest}" if head in _OTHER_SIDE else ""


def axle_sql(position: str) -> str:
    """Return `axle_of` as SQL over an expression of a position."""
    cases = " ".join(
        f"WHEN split_part({position}, '-', 1) IN ('{axle}', '{left}', '{right}') THEN '{axle}'"
        for axle, (left, right) in AXLES.items()
    )
    return f"CASE {cases} END"


def meets_sql(one: str, other: str) -> str:
    """Return whether two places by `place_sql` are the same job, as SQL; '' may be any place.

    As the catalogue's `meet` has it: LF and LF-lower are, LF-upper and LF-lower are not.
    """
    return (
        f"({one} = {other} OR {one} = '' OR {other} = '' "
        f"OR split_part({one}, '-', 1) = {other} OR split_part({other}, '-', 1) = {one})"
    )


def covers(wide: str | None, place: str | None) -> bool:
    """Return whether what is said of one place holds for another.

    It does for the same place, for a wheel when it is said of its axle, for both levels when it
    is said of a wheel, and anywhere when no place was said.
    """
    return not wide or wide in (place, (place or "").partition("-")[0]) or wide == axle_of(place)


def covers_sql(wide: str, place: str) -> str:
    """Return `covers` as SQL over expressions of two places, '' for none."""
    return (
        f"({wide} = '' OR {wide} = {place} OR {wide} = split_part({place}, '-', 1) "
        f"OR {wide} = {axle_sql(place)})"
    )


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")


def _wheel(words: str) -> str | None:
    if words in _WHEELS:
        return _WHEELS[words]
    parts = words.replace("wheel", "").split()
    if len(parts) == 2:
        for first, second in (parts, parts[::-1]):
            # "r f" reads as right front either way round; "r r" is right rear.
            if first in _SIDES and second in _ENDS:
                return _SIDES[first] + _ENDS[second]
    return _axle_and_side(words)


def _axle_and_side(words: str) -> str | None:
    match = re.fullmatch(r"(?:axle )?([1-9]) ?(l|r|lh|rh|left|right)", words)
    if match:
        return match[1] + _SIDES[match[2]]
    match = re.fullmatch(r"(l|r|lh|rh|left|right) (?:axle )?([1-9])", words)
    return match[2] + _SIDES[match[1]] if match else None


def _axle(words: str) -> str | None:
    plain = " ".join(w for w in words.split() if w != "axle")
    if plain in {"front", "f"}:
        return "front"
    if plain in {"rear", "back", "r"}:
        return "rear"
    if re.fullmatch(r"[1-9]", plain):
        return plain
    return _wheel(words)


def _side(words: str) -> str | None:
    wheel = _WHEELS.get(words) or _wheel(words)
    if wheel in {"1L", "1R"}:
        return wheel[1]
    if wheel in {"LF", "RF"}:
        return wheel[0]  # parts under this scheme sit at the front, so no information is lost
    return _SIDES.get(words.removesuffix(" side"))


def _bank(words: str) -> str | None:
    match = re.fullmatch(r"(?:bank |b ?)?([1-2])", words)
    return match[1] if match else None


def _bank_sensor(words: str) -> str | None:
    match = re.fullmatch(r"(?:bank|b) ?([1-2]) ?(?:sensor|s) ?([1-4])", words)
    return f"B{match[1]}S{match[2]}" if match else None


def _bank_cam(words: str) -> str | None:
    cams = {"intake": "intake", "inlet": "intake", "exhaust": "exhaust"}
    rest = [w for w in words.split() if w not in {"cam", "camshaft"}]
    found = [cams[w] for w in rest if w in cams]
    bank = _bank(" ".join(w for w in rest if w not in cams))
    return f"{bank}-{found[0]}" if bank and len(found) == 1 else None


def _wheel_ul(words: str) -> str | None:
    *where, last = words.split()
    if last in {"upper", "lower"} and where:
        wheel = _wheel(" ".join(where))
        return f"{wheel}-{last}" if wheel else None
    first, *rest = words.split()
    if first in {"upper", "lower"} and rest:
        return _wheel_ul(" ".join([*rest, first]))
    return _wheel(words)


def _tire(words: str) -> str | None:
    if words == "spare":
        return words
    match = re.fullmatch(r"(.+?) ?(inner|outer|inside|outside|i|o)", words)
    if match is None:
        return _wheel(words)
    place = _wheel(match[1])
    return f"{place}-{'inner' if match[2].startswith('i') else 'outer'}" if place else None


def _cylinder(words: str) -> str | None:
    match = re.fullmatch(r"(?:cylinder |cyl\.? ?|no\.? ?)?([1-9]|1[0-9]|20)", words)
    return match[1] if match else None


def _free(words: str) -> str | None:
    if len(words) > _SHORT or not re.fullmatch(r"[\w ./+]+", words):
        return None
    if words in _WHEELS:
        return _WHEELS[words]
    if words == "centre":
        return "center"
    named = [_SIDES.get(w, w.upper() if len(w) == 1 else w) for w in words.split()]
    return " ".join(named)


#: Scheme -> what reads its places, and how they are asked for.
_SCHEMES: Mapping[str, tuple[Callable[[str], str | None], str]] = {
    "wheel": (_wheel, "write LF, RF, LR or RR, or axle and side as 2L"),
    "axle": (_axle, "write front, rear or the axle's number from the front"),
    "side": (_side, "write L or R"),
    "bank": (_bank, "write 1 or 2 (bank 1 holds cylinder 1)"),
    "bank_sensor": (_bank_sensor, "write bank and sensor as B1S2"),
    "bank+cam": (_bank_cam, "write bank and cam as 1-intake or 2-exhaust"),
    "wheel_ul": (_wheel_ul, "write the wheel, with upper or lower, as LF-lower"),
    "axle_side": (_wheel, "write axle and side as 2L, or LF, RF, LR, RR"),
    "tire": (
        _tire,
        "write LF, RF, LR, RR, axle and side as 1L, a dual as 2R-inner, or spare",
    ),
    "cylinder": (_cylinder, "write the cylinder's number"),
    "none": (lambda _words: None, "this component has none, leave it out"),
}
#: Schemes of what a vehicle has several of. An engine may have a single bank.
PLACED = frozenset(_SCHEMES) - {"none", "bank"}
_FREE = (_free, f"write one short word of at most {_SHORT} characters")
