"""The places of a frame, under the scheme of its component; what leaves one open is asked."""

import re
from collections.abc import Sequence

from roadworn.model.catalogue import OTHER, Component
from roadworn.model.places import AXLES
from roadworn.reading.bench_frame_clauses import ClauseReader
from roadworn.reading.bench_frame_marks import ASIDE, Found, Frame, Mark, Open
from roadworn.reading.bench_places import places_of, tag_of
from roadworn.reading.bench_words import plain_key

_AT_PLACES = frozenset({"wheel", "tire", "side", "wheel_ul", "axle"})
#: Schemes that keep a place they have no room for in words.
_LOOSE = frozenset(
    {"none", "bank", "cylinder", "bank+cam", "lamp", "seat", "door", "hose", "mount", "fan"}
)
#: Words from here on are no words of the line, but follow from others.
_FOLLOWS = 90
_BY_END = re.compile(r"\b(rear|front) ?(?:end|diff|axle)|pumpkin")
#: A vehicle has one of these at an axle, filed under both its wheels.
_ONE_AT_AXLE = re.compile(
    r"track ?bar|trac bar|panhard|pinion|height valve|level(?:l?ing)? valve"
)  # fmt: skip
_ONE_SEAL = re.compile(r"pinion|output|yoke|tail ?shaft")
_ON_TANK = frozenset({"strap", "line", "hose", "crossover"})
#: Here "all" says how far, not how many.
_EXTENT = r"\ball\b(?= (?:the )?(?:way|over|around|along|time|down|through|thru)\b)"
_HOW_FAR = re.compile(_EXTENT)
_ALL_TIRES = re.compile(rf"\ball (?:of )?(?:the )?tires?\b|\btires? (?:are )?(?!{_EXTENT})all\b")
#: More tires than four, or others.
_HEAVY = re.compile(
    r"\b(trucks?|tractor|trailer|trlr|bus|axles?|steers?|drives?|duals?|inners?|outers?|18|10)\b"
)
_WHOLE = frozenset({"engine.assembly", "drivetrain.differential", "brake.parking_brake"})
_NO_PLURALS = frozenset({"this", "gas", "abs"})


def _axle_of(found: Sequence[Found]) -> str | None:
    """Return the axle of which the parts before were at both wheels."""
    places = {one.position for one in found}
    both = len({one.component.id for one in found}) == 1
    return next((axle for axle, two in AXLES.items() if both and places == {*two}), None)


class PlaceReader(ClauseReader):
    """Puts the places of a frame together."""

    def places(
        self,
        frame: Frame,
        component: Component,
        mark: Mark,
        condition: str | None,
        previous: Sequence[Found],
    ) -> tuple[list[str | None], str]:
        """Return the places of a part, and what was taken for granted.

        Raises:
            UsageError: a place is left open.
        """
        scheme = component.positions
        if (own := self._of_its_own(frame, component, mark, condition)) is not None:
            return own, ""
        keys = [
            *enumerate(frame.keys),
            *enumerate(self._following(frame, component, mark), _FOLLOWS),
        ]
        said = [(key, n) for n, key in keys]
        named = [key for key in (*mark.place, *mark.key.split()) if tag_of(key)]
        plural = self._plural(frame, mark)
        plural |= scheme == "axle_side" and bool(_ONE_AT_AXLE.search(frame.line))
        text = frame.text or mark.key
        found = places_of(component, said, named, self.words, plural=plural, text=text)
        if scheme in {"bank+cam", "bank_sensor"} and {"bank", "1", "2"} & set(frame.keys):
            self._need(found.places, "which bank")
        if scheme not in _LOOSE:
            self._refuse_unused(frame, scheme, found.used)
        if found.places != [None]:
            self._refuse_other_side(frame, scheme, found.places)
            return found.places, found.remark
        if self._all_four(component, frame, plural=plural):
            return ["LF", "RF", "LR", "RR"], ""
        if inherited := self._inherited(frame, component, named, previous, plural=plural):
            where = previous[0].position if len(previous) == 1 else _axle_of(previous)
            other = "write its own place where that is another"
            return inherited, f"{component.name} is taken for {where}: {other}."
        if self._is_open(component, mark, frame, condition, plural=plural):
            raise Open("place left open")
        return found.places, ""

    def _of_its_own(
        self, frame: Frame, component: Component, mark: Mark, condition: str | None
    ) -> list[str | None] | None:
        """Return the places of a part that is placed as no other is, or None."""
        scheme = component.positions
        if component.id.startswith(OTHER):
            return [None]  # a part outside the catalogue has its place in the note
        if scheme == "end":
            ends = [key for key in (*mark.place, *frame.keys) if key in {"front", "rear"}]
            return [ends[0] if ends else None]
        sided = any(tag_of(key) in {"side", "country", "wheel"} for key in frame.keys)
        if scheme == "seat" and "front" in frame.keys and not sided:
            if not self._plural(frame, mark):
                raise Open("which seat")
            return ["L", "R"]
        tags = {tag_of(key) for key in frame.keys}
        if scheme == "tank" and _ON_TANK & {*mark.key.split()} and tags <= {"end"}:
            return [None]  # where a strap or a line is, the note says
        if scheme == "wiper" and "front" in {*frame.keys, *mark.key.split()}:
            return self._front_wipers(frame, condition)
        return None

    def _all_four(self, component: Component, frame: Frame, *, plural: bool) -> bool:
        """Whether tires are those of all wheels, "tires 5/32", of which there are four."""
        if component.id not in self.signs.set("at_four_wheels") | {"wheel.fastener"}:
            return False
        tire = component.id == "wheel.tire"
        said = _ALL_TIRES.search(self.line.casefold()) if tire else "all" in frame.keys
        many = bool(said) or (tire and plural and bool(frame.figures))
        few = not _HEAVY.search(self.line.casefold())
        if not many or any(map(tag_of, {*frame.keys} - {"all"})):
            return False
        return few and not (self.has and self.has("brake.air_chamber", None))

    @staticmethod
    def _need(places: Sequence[str | None], what: str) -> None:
        if places == [None]:
            raise Open(what)

    def _front_wipers(self, frame: Frame, condition: str | None) -> list[str | None]:
        """Return both blades in front, which have no one place."""
        sides = [key for key in frame.keys if tag_of(key) in {"side", "wheel", "country"}]
        if condition == "sound" and not sides:
            return [None]
        if sides or "both" not in self.line.casefold():
            raise Open("which wiper")
        return ["L", "R"]

    def _following(self, frame: Frame, component: Component, mark: Mark) -> list[str]:
        """Return words of a place that follow from the name, or from other words."""
        tags = {tag_of(key) for key in frame.keys}
        scheme = component.positions
        if (
            component.id == "drivetrain.differential"
            and not {"front", "rear", "axle"} & {*frame.keys}
            and (end := _BY_END.search(self.line.casefold()))
        ):
            return [end[1] or "rear"]
        if scheme == "door" and "country" in tags and not tags & {"end", "wheel"}:
            return ["front", *mark.place]  # who drives opens the front door
        if scheme == "wheel_ul" and "both" in frame.keys and not tags & ASIDE:
            return ["left", "right", *mark.place]
        if scheme == "tire":
            return [*mark.place, *(w for w in mark.key.split() if tag_of(w) == "depth")]
        return list(mark.place)

    @staticmethod
    def _refuse_other_side(frame: Frame, scheme: str, places: Sequence[str | None]) -> None:
        """Refuse a side that none of the wheels has: "right 1 stud snapped lf"."""
        told = "".join(place or "" for place in places)
        ends = {"LF": "front", "RF": "front", "LR": "rear", "RR": "rear"}
        held = {ends.get((place or "")[:2], "") for place in places}
        said = {"front", "rear"} & set(frame.keys)
        if scheme in {"wheel", "tire", "wheel_ul"} and said and held <= {"front", "rear"} - said:
            raise Open("which end")
        wheels = scheme in _AT_PLACES | {"axle_side"}
        for side, letter in (("left", "L"), ("right", "R")):
            if wheels and side in frame.keys and letter not in told.replace("RR", "R"):
                raise Open("which side")
            lone = wheels and side == "right" and side in frame.keys
            if lone and set(frame.keys) & {"lf", "lr"} and not set(frame.keys) & {"rf", "rr"}:
                raise Open("which side")

    @staticmethod
    def _refuse_unused(frame: Frame, scheme: str, used: set[int]) -> None:
        unused = {key for n, key in enumerate(frame.keys) if n not in used and tag_of(key) in ASIDE}
        # What has a side sits at the front.
        if unused and not (scheme == "side" and unused == {"front"}):
            raise Open(f"place {', '.join(sorted(unused))}")

    def _inherited(
        self,
        frame: Frame,
        component: Component,
        named: Sequence[str],
        previous: Sequence[Found],
        *,
        plural: bool,
    ) -> list[str | None]:
        """Return the one place of the part before: "caliper LF seized, rotor blue"."""
        placed = any(tag_of(key) not in {"many", ""} for key in frame.keys)
        earlier = previous[0].position if len(previous) == 1 else _axle_of(previous)
        if placed or frame.stop or not earlier:
            return []
        at_wheels = _AT_PLACES | {"axle_side"}
        held = {component.positions, previous[0].component.positions} <= at_wheels
        other = component.system != previous[0].component.system
        if not held or "all" in frame.keys or (plural and other):
            return []
        word = earlier.partition("-")[0].casefold()
        found = places_of(component, [(word, 0)], named, self.words, plural=plural, text=frame.text)
        return found.places if found.places != [None] else []

    def _plural(self, frame: Frame, mark: Mark) -> bool:
        """Whether a part was said in the plural."""
        last = mark.key.split()[-1]
        written = re.findall(r"[a-z]+", _HOW_FAR.sub("", frame.text.casefold()))
        keys = {*frame.keys} - ({"all"} - {*written})
        if {"both", "all", "fronts", "rears"} & {*keys, *written}:
            return True
        many = [word for word in written if word.endswith("s") and not word.endswith("ss")]
        return any(word in self.words.plurals for word in written) or any(
            last in self.words.keys_of(word) or last == plain_key(word)
            for word in many
            if word not in _NO_PLURALS
        )

    def _is_open(
        self, component: Component, mark: Mark, frame: Frame, condition: str | None, *, plural: bool
    ) -> bool:
        """Whether a finding without a place must have one: a shock leaks at one wheel."""
        scheme = component.positions
        own = set(mark.key.split())
        once = any(words <= own for words in self.words.once) or component.id in _WHOLE
        once |= component.id == "drivetrain.axle_seal" and bool(_ONE_SEAL.search(frame.line))
        once |= scheme == "axle_side" and bool(_ONE_AT_AXLE.search(frame.line))
        once |= condition == "sound" and "any" in frame.words
        if once or any(tag_of(key) == "many" for key in frame.keys):
            return False
        at = scheme in _AT_PLACES | {"axle_side", "seat"}
        at |= scheme == "lamp" and not plural and not mark.place
        at |= scheme == "door" and not plural
        return at and (condition != "sound" or bool(frame.figures) or not plural)
