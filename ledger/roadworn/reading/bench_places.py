"""Places said anywhere in a phrase, put together under the scheme of a component.

"front left", "LF", "L/F", "2L inner", "both rear", "cyl 3": side, end, level and number may stand
apart and in any order. What a scheme cannot hold stays in the note; what leaves a side open is
asked. A part that is said in the plural at an axle is meant at both sides.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from typing import NamedTuple

from roadworn.model.catalogue import Component
from roadworn.model.errors import UsageError
from roadworn.model.places import AXLES, read_position_words
from roadworn.reading.bench_words import Words

_SIDE = {"l": "L", "left": "L", "r": "R", "right": "R"}
_END = {"f": "F", "front": "F", "rear": "R"}
_WHEEL = {
    **{wheel.casefold(): wheel for wheel in ("LF", "RF", "LR", "RR")},
    "fl": "LF",
    "fr": "RF",
    "rl": "LR",
}
_LEVEL = {"upper": "upper", "lower": "lower"}
_DEPTH = {"inner": "inner", "outer": "outer", "inside": "inner", "outside": "outer"}
_CAM = {"intake": "intake", "exhaust": "exhaust"}
_STREAM = {"upstream": "1", "downstream": "2"}
#: Sides that a border changes, with the end that some of them name too.
_COUNTRY = {
    **dict.fromkeys(("driver", "offside", "roadside", "streetside", "os"), ("driver", "")),
    **dict.fromkeys(("passenger", "nearside", "curbside", "kerbside", "ns"), ("passenger", "")),
    **dict.fromkeys(("df", "osf"), ("driver", "F")),
    **dict.fromkeys(("pf", "nsf"), ("passenger", "F")),
    **dict.fromkeys(("dr", "osr"), ("driver", "R")),
    **dict.fromkeys(("pr", "nsr"), ("passenger", "R")),
}
#: Said where the driver sits on the right; elsewhere they are taken for either side.
_RIGHT_HAND_DRIVE = re.compile(r"[no]s[fr]?|(?:near|off)side")
#: Words before a number.
COUNTED = {"cylinder": "cylinder", "bank": "bank", "axle": "axle", "sensor": "sensor"}
_MANY = frozenset({"both", "all", "ambo", "amba"})
_FREE = frozenset(
    {"heater", "bypass", "center", "tailgate", "main", "second", "auxiliary", "input", "output"}
)
_AXLED = re.compile(r"([1-9])([lr])")
_BANKED = re.compile(r"b([12])(?:s([1-4]))?")


def tag_of(key: str) -> str:
    """Return what of a place a word says, or an empty text when it says none."""
    for name, table in (
        *(("side", _SIDE), ("end", _END), ("wheel", _WHEEL), ("level", _LEVEL)),
        *(("depth", _DEPTH), ("cam", _CAM), ("stream", _STREAM), ("country", _COUNTRY)),
    ):
        if key in table:
            return name
    if key in _MANY:
        return "many"
    if key == "spare" or key in _FREE:
        return "word"
    if _AXLED.fullmatch(key):
        return "axled"
    return "banked" if _BANKED.fullmatch(key) else ""


def may_place(key: str, scheme: str) -> bool:
    """Whether a word that may be a part's is a place of a scheme, "intake" of a cam sensor."""
    if tag_of(key) == "country":
        return scheme != "none"
    if tag_of(key) == "cam":
        return scheme == "bank+cam"
    if not tag_of(key):
        return False
    return (scheme, key) == ("tire", "spare") or read_position_words(key, scheme) is not None


@dataclass
class Where:
    """What a phrase says of places."""

    sides: list[str] = field(default_factory=list)
    ends: list[str] = field(default_factory=list)
    wheels: list[str] = field(default_factory=list)
    levels: list[str] = field(default_factory=list)
    depths: list[str] = field(default_factory=list)
    cams: list[str] = field(default_factory=list)
    words: list[str] = field(default_factory=list)
    country: list[str] = field(default_factory=list)
    numbers: list[str] = field(default_factory=list)
    counted: dict[str, list[str]] = field(default_factory=dict)
    many: bool = False
    all_four: bool = False

    @classmethod
    def of(cls, keys: Sequence[str], driver: str = "") -> "Where":
        """Return what words say of places, in their order."""
        made = cls()
        at = 0
        while at < len(keys):
            at += made._take(keys, at, driver)
        return made

    def _take(self, keys: Sequence[str], at: int, driver: str) -> int:
        key = keys[at]
        after = keys[at + 1] if at + 1 < len(keys) else ""
        if key in COUNTED and after.isdigit():
            self.counted.setdefault(COUNTED[key], []).append(after)
            return 2
        pair = _pair(key, after)
        if pair:
            _add(self.wheels, pair)
            return 2
        if key.isdigit():
            if at and keys[at - 1] == "all":
                self.all_four |= key == "4"
                return 1
            if after in _SIDE and len(key) == 1 and key != "0":
                _add(self.wheels, f"{key}{_SIDE[after]}")
                return 2
            _add(self.numbers, key)
        elif key == "four" and at and keys[at - 1] == "all":
            self.all_four = True
        else:
            self._take_word(key, driver)
        return 1

    def _take_word(self, key: str, driver: str) -> None:
        if key in _COUNTRY:
            self._country(*_COUNTRY[key], key, driver)
        elif found := _AXLED.fullmatch(key):
            _add(self.wheels, f"{found[1]}{found[2].upper()}")
        elif found := _BANKED.fullmatch(key):
            self.counted.setdefault("bank", []).append(found[1])
            if found[2]:
                self.counted.setdefault("sensor", []).append(found[2])
        elif key in _STREAM:
            self.counted.setdefault("sensor", []).append(_STREAM[key])
        elif key in _MANY:
            self.many = True
        elif key == "spare" or key in _FREE:
            _add(self.words, key)
        for table, held in (
            *((_SIDE, self.sides), (_END, self.ends), (_WHEEL, self.wheels)),
            *((_LEVEL, self.levels), (_DEPTH, self.depths), (_CAM, self.cams)),
        ):
            if key in table:
                _add(held, table[key])

    def _country(self, who: str, end: str, key: str, driver: str) -> None:
        if end:
            _add(self.ends, end)
        if driver and not (driver == "L" and _RIGHT_HAND_DRIVE.fullmatch(key)):
            side = driver if who == "driver" else {"L": "R", "R": "L"}[driver]
            _add(self.sides, side)
        else:
            self.country.append(key)

    @property
    def end(self) -> str | None:
        """The one axle that is said, ``front`` or ``rear``, or None."""
        named = {*self.ends, *(wheel[1] for wheel in self.wheels if wheel[0] in "LR")}
        return {"F": "front", "R": "rear"}[named.pop()] if len(named) == 1 else None

    def fits(self, scheme: str) -> bool:
        """Whether a component with this scheme may be at what was said."""
        counted = bool(self.numbers or "cylinder" in self.counted)
        placed = bool(self.wheels or self.sides or self.ends)
        if scheme == "cylinder":
            return counted or not placed
        if scheme == "seat":
            return not (self.wheels or self.ends or self.counted)
        if scheme in {"wheel", "tire", "wheel_ul", "axle_side", "side", "axle"}:
            return placed or not (self.numbers or self.counted.keys() - {"axle"})
        return True


def _add(held: list[str], one: str) -> None:
    if one not in held:
        held.append(one)


def _pair(one: str, other: str) -> str:
    """Return the wheel that "left front", "f l" or "rear right" name together."""
    for side, end in ((one, other), (other, one)):
        if side in _SIDE and end in _END and (len(side) == 1) <= (len(end) == 1) + (side != end):
            return _SIDE[side] + _END[end]
    return ""


class Placed(NamedTuple):
    """Places, the words that said them, and what was taken for granted."""

    places: list[str | None]
    used: set[int]
    remark: str


def places_of(
    component: Component,
    keys: Iterable[tuple[str, int]],
    named: Sequence[str],
    words: Words,
    *,
    plural: bool,
    text: str,
) -> Placed:
    """Put places together under the scheme of a component.

    Args:
        component: which.
        keys: words that may say a place, each with its number among the words of the phrase.
        named: words of a place that are part of the component's name, "lower" of a control arm.
        words: the words; they hold the side that the driver sits on.
        plural: whether the part was said in the plural.
        text: the phrase, for the question.

    Raises:
        UsageError: a side or an end is left open, or changes with the country.
    """
    listed = list(keys)
    driver = {"left": "L", "right": "R"}.get(words.driver, "")
    where = Where.of([key for key, _at in listed], driver)
    inner = Where.of(named, driver)
    scheme = component.positions
    if scheme == "none":
        return Placed([None], set(), "")
    for held, more in (
        *((where.levels, inner.levels), (where.ends, inner.ends)),
        (where.words, inner.words),
    ):
        for one in more:
            _add(held, one)
    asked = _Asked(component, where, text, plural=plural or where.many)
    if where.country and scheme not in {"seat", "bank"}:
        asked.refuse(
            f"{where.country[0]!r} changes sides with the country",
            "say left or right as seen from the driver's seat facing forward, or say once which "
            "side the driver sits on, in the shop's words",
        )
    places, kinds, remark = asked.places(scheme)
    used = {at for key, at in listed if _kind(key) in kinds}
    if scheme not in {"cylinder", "bank"}:
        # A figure of its own is no axle: "pads front 3" lacks a unit.
        used -= {
            at
            for n, (key, at) in enumerate(listed)
            if key.isdigit()
            and (n == 0 or listed[n - 1][0] not in {*COUNTED, "all"})
            and (n + 1 == len(listed) or listed[n + 1][0] not in _SIDE)
        }
    return Placed(places, used, remark)


def _kind(key: str) -> str:
    return "number" if key.isdigit() else "counted" if key in COUNTED else tag_of(key)


_WHEELED = frozenset({"side", "end", "wheel", "axled", "country", "many", "counted", "number"})


#: Parts that a wheel has one of. Two tires of a dual are written with inner and outer.
_ONE_AT_WHEEL = frozenset(
    {
        *("suspension.shock", "suspension.strut", "brake.rotor", "brake.drum", "brake.hose"),
        *("brake.wheel_cylinder", "wheel.tire", "wheel.rim"),
    }
)
#: These are driven in front on nearly all vehicles that have them at a side.
_AT_FRONT = frozenset({"drivetrain.cv_axle"})


@dataclass(frozen=True)
class _Asked:
    """One component whose places are put together."""

    component: Component
    where: Where
    text: str
    plural: bool

    def refuse(self, what: str, remedy: str) -> None:
        raise UsageError(f"{what} in {self.text!r}", remedy)

    def places(self, scheme: str) -> tuple[list[str | None], frozenset[str], str]:
        """Return the places, the kinds of words that said them, and a remark."""
        where = self.where
        if scheme in {"wheel", "axle_side"}:
            often = self.component.id in _AT_FRONT and not self.plural
            remark = self._taken_for_front() if often else ""
            return self._wheels(), _WHEELED, remark
        if scheme == "tire":
            return self._tires(), _WHEELED | {"depth", "word"}, ""
        if scheme == "axle":
            return self._axles(), _WHEELED, ""
        if scheme == "wheel_ul":
            return self._levels()
        if scheme == "side":
            return self._sides(), _WHEELED, ""
        if scheme == "cylinder":
            numbers = where.counted.get("cylinder", []) + where.numbers
            return list(numbers) or [None], frozenset({"number", "counted"}), ""
        if scheme in {"bank", "bank_sensor", "bank+cam"}:
            return self._banks(scheme)
        return self._free(scheme)

    def _taken_for_front(self) -> str:
        """Take a bare side for that of the front, and return what was taken for granted."""
        where = self.where
        if not where.sides or where.ends or where.wheels or self._axle_numbers():
            return ""
        where.ends.append("F")
        side = where.sides[0]
        return f"{side} is taken for {side}F: write {side}R where it is at the rear."

    def _axle_numbers(self) -> list[str]:
        return self.where.counted.get("axle", [])

    def _wheels(self, *, open_side: bool = False) -> list[str | None]:
        where = self.where
        if self._means_rear():
            where = replace(where, wheels=[w for w in where.wheels if w != "RR"], ends=["R"])
        made: list[str | None] = list(where.wheels)
        elsewhere = made or where.sides or where.ends or where.counted
        if where.all_four and not elsewhere and self.component.id in _ONE_AT_WHEEL:
            return ["LF", "RF", "LR", "RR"]
        # Of "rear drums LR" the wheel says the axle.
        ends = [end for end in where.ends if end not in {wheel[1] for wheel in where.wheels}]
        sides, axles = where.sides, [*ends, *self._axle_numbers()]
        if axles and not sides and (self.plural or len(axles) > 1 or open_side):
            sides = ["L", "R"]
        if axles and not sides and not made:
            end = {"F": "front", "R": "rear"}.get(axles[0], axles[0])
            left, right = AXLES[end]
            self.refuse(f"Left or right is left open: {left} or {right}", "write which, or both")
        if sides and not axles:
            if made:
                return made
            if self.plural and where.many and len(sides) == 1:
                axles = ["F", "R"]
            else:
                near = f"{sides[0]}F or {sides[0]}R"
                self.refuse(f"Front or rear is left open: {near}", "write which, or both")
        for axle, side in product(axles, sides):
            place = f"{side}{axle}" if axle in "FR" else f"{axle}{side}"
            if place not in made:
                made.append(place)
        return made or [None]

    def _means_rear(self) -> bool:
        """Whether "rr" is the rear: a wheel has one shock, so "rr shocks" are those of both.

        Raises:
            UsageError: it may be right rear as well, as the two pads of that wheel.
        """
        spelled = re.search(r"\brr\b", self.text, re.IGNORECASE)
        other = re.search(r"\b(?:l[rf]|rf)\b", self.text, re.IGNORECASE)
        if not self.plural or spelled is None or "RR" not in self.where.wheels:
            return False
        if other or self.where.many:
            return False
        shouted = spelled[0].isupper() and not self.text.isupper()
        if self.component.id in _ONE_AT_WHEEL and not shouted:
            return True
        if self.component.id in _ONE_AT_WHEEL or (
            not shouted and self.component.positions == "axle"
        ):
            self.refuse("rr is right rear, or the rear", "write RR at one wheel, or rear")
        return False

    def _tires(self) -> list[str | None]:
        where = self.where
        if "spare" in where.words:
            return ["spare"]
        places = self._wheels()
        # A wheel that steers has one tire; "cupped inside" is its inner edge.
        if len(where.depths) == 1 and not {"LF", "RF"} & set(places):
            return [f"{place}-{where.depths[0]}" if place else None for place in places]
        return places

    def _axles(self) -> list[str | None]:
        where = self.where
        if (where.wheels or where.sides) and not self._means_rear():
            return self._wheels()
        ends = [{"F": "front", "R": "rear"}[end] for end in where.ends]
        if where.wheels:
            _add(ends, "rear")
        return [*ends, *self._axle_numbers()] or [None]

    def _levels(self) -> tuple[list[str | None], frozenset[str], str]:
        where = self.where
        # These sit at the front of nearly all vehicles (common practice, no source).
        remark = self._taken_for_front()
        wheels = self._wheels(open_side=self.plural)
        if wheels == [None] or not where.levels:
            return wheels, _WHEELED, remark
        both = [f"{wheel}-{level}" for wheel, level in product(wheels, where.levels)]
        return list(both), _WHEELED | {"level"}, remark

    def _sides(self) -> list[str | None]:
        where = self.where
        sides = [*where.sides, *(wheel[0] for wheel in where.wheels if wheel in {"LF", "RF"})]
        sides += [wheel[1] for wheel in where.wheels if wheel in {"1L", "1R"}]
        wrong = [w for w in where.wheels if w not in {"LF", "RF", "1L", "1R"}]
        if wrong or "R" in where.ends:
            self.refuse(f"{self.component.name} at the rear is not known", "write L or R")
        if not sides and self.plural:
            sides = ["L", "R"]
        return list(dict.fromkeys(sides)) or [None]

    def _banks(self, scheme: str) -> tuple[list[str | None], frozenset[str], str]:
        where = self.where
        banks = where.counted.get("bank", []) or (
            [n for n in where.numbers if n in {"1", "2"}] if scheme == "bank" else []
        )
        kinds = frozenset({"number", "counted", "banked", "stream", "cam"})
        if scheme == "bank":
            return list(banks) or [None], kinds - {"cam", "stream"}, ""
        seconds = where.counted.get("sensor", []) if scheme == "bank_sensor" else where.cams
        if len(banks) == 1 and len(seconds) == 1:
            sensor = scheme == "bank_sensor"
            place = f"B{banks[0]}S{seconds[0]}" if sensor else f"{banks[0]}-{seconds[0]}"
            return [place], kinds, ""
        said = banks or seconds or where.ends or where.wheels or where.sides
        if said and scheme == "bank_sensor":
            self.refuse(
                f"Which {self.component.name} is left open", "write bank and sensor as B1S2"
            )
        return [None], frozenset(), ""

    def _free(self, scheme: str) -> tuple[list[str | None], frozenset[str], str]:
        where = self.where
        ends = [{"F": "front", "R": "rear"}[end] for end in where.ends]
        sides = [{"L": "left", "R": "right"}[side] for side in where.sides]
        said = [*where.country, *where.levels, *where.words, *sides, *ends]
        if scheme == "door":
            said = [*(place for place in self._wheels() if place), *where.words]
        elif where.wheels:
            if scheme == "seat" and not (where.country or {"LF", "RF"}.issuperset(where.wheels)):
                self.refuse("Which seat is left open", "write driver, passenger, left or right")
            said += [{"L": "left", "R": "right"}.get(wheel[0], "") for wheel in where.wheels]
        if scheme == "lamp" and not said and self.plural and where.many:
            said = ["left", "right"]
        found = [place for word in said if (place := read_position_words(word.casefold(), scheme))]
        kinds = _WHEELED | {"level", "word"} if found else frozenset()
        if where.wheels and scheme != "door":
            kinds -= {"wheel"}
        return list(dict.fromkeys(found)) or [None], frozenset(kinds), ""
