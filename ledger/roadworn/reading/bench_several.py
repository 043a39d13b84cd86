"""Several findings in one breath: "frt pads 8 mm rr pads 5 mm", "batt ok terminals corroded".

A phrase is parted only where each part is a finding by itself, or becomes one by the part or
the place that was named just before; what was carried over is said. Everything else is left to
be read as one, or asked.
"""

import re
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from roadworn.model.errors import UsageError
from roadworn.model.places import AXLES
from roadworn.reading.bench import Has, Heard, overhear, refuse_open
from roadworn.reading.bench_denials import is_denied_at
from roadworn.reading.bench_names import names_index
from roadworn.reading.bench_phrase import condition_length, split_phrase
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import Words, packaged_words, plain_key

#: A longer phrase is asked about.
_MOST_TOKENS = 24
_AND = frozenset({"and", "&", "but", "n", "y", "pero"})
#: Behind these stands where or why, not another finding.
_WHY = frozenset(
    {
        "ahead",
        "nr",
        "beside",
        "at",
        "from",
        "by",
        "near",
        "when",
        "because",
        "behind",
        "around",
        "with",
        "on",
    }
)
#: What leaks is no second part: "turbo leaking oil bad".
_FLUIDS = frozenset({"oil", "coolant", "fluid", "water", "fuel", "gas", "grease", "air", "atf"})
#: "F6 R4 mm"
_ENDS_IN_SHORT = re.compile(r"\bf(\d[\d.]*),? r(\d[\d.]*) ?([a-z0-9]+)", re.IGNORECASE)
#: A stop between two sentences, "full of cords. toe out"; "frt. pads" is a word cut short.
_STOP = re.compile(r"(?<=[a-z]{4})\.(?=\s+[a-z])", re.IGNORECASE)
_ENDS = frozenset({"front", "rear"})
#: Places that end a finding before a comma; "pulls right," is no place.
_ENDING = frozenset({"wheel", "axled", "depth"})
_BY_AXLE = frozenset({"axle", "wheel", "tire", "wheel_ul"})
#: Words of a part in the part before it, and of a finding that is like the one before it.
_IN = frozenset({"in", "on", "of", "inside", "from", "behind", "under"})
_BACK = frozenset({"it", "em", "them", "this", "that"})
_TOO = frozenset({"too", "also", "likewise", "tambien"})
#: What shows a thing, and the ends of the names of the parts that it is shown for.
_SHOWS = frozenset({"gauge", "needle", "cluster"})
_SENSES = ("_sensor", "_sender")
_FRONT = frozenset({"front", "frt", "frnt", "fnt", "f", "delantera", "delantero"})


class _Clause(NamedTuple):
    """A finding of several: its words, what they say, the words of its parts, and a remark."""

    text: str
    heard: Sequence[Heard]
    named: str
    remark: str = ""

    @property
    def place(self) -> str:
        """The one place, or the axle whose both sides are meant; empty where there is none."""
        places = {one.position for one in self.heard}
        if len(places) == 1:
            return places.pop() or ""
        return next((axle for axle, sides in AXLES.items() if places == set(sides)), "")


def parted(
    text: str, shop: Words | None = None, has: Has | None = None, *, at_commas: bool = False
) -> list[tuple[str, str]]:
    """Return the findings of a phrase that says several, each as a phrase with a remark.

    Args:
        text: as typed.
        shop: words, as `roadworn.reading.bench.hear` takes them.
        has: likewise.
        at_commas: part it at commas only, and only before a part that is named.

    Returns:
        None of them where it says one finding, or cannot be parted.

    Raises:
        UsageError: a finding behind a comma leaves its place open.
    """
    text = _STOP.sub(",", text)
    tokens = _rear_beside_front(_ENDS_IN_SHORT.sub(r"front \1 \3 rear \2 \3", text).split())
    if len(tokens) > _MOST_TOKENS:
        return []
    parting = _Parting(shop, has, at_commas=at_commas)
    found = parting.clauses(tokens, None) or parting.clauses(parting.part_first(tokens), None)
    if found is None or len(found) < 2:
        return []
    return [(one.text, one.remark) for one in parting.with_last_axle(found)]


def _rear_beside_front(tokens: Sequence[str]) -> list[str]:
    """Return words with "rr" as rear beside front, and as the wheel beside other wheels."""
    keys = [plain_key(token) for token in tokens]
    wheels, sides = {"lf", "rf", "lr"} & set(keys), {"left", "right", "l", "r"} & set(keys)
    listed = len(wheels) > 1
    if not listed and (wheels or sides or not _FRONT & set(keys)):
        return list(tokens)
    meant = "right rear" if listed else "rear"
    return [
        piece
        for token, key in zip(tokens, keys, strict=True)
        for piece in (token.casefold().replace("rr", meant) if key == "rr" else token).split()
    ]


class _Parting:
    def __init__(self, shop: Words | None, has: Has | None, *, at_commas: bool) -> None:
        self.shop, self.has, self.at_commas = shop, has, at_commas
        self.words = shop or packaged_words()

    def clauses(self, tokens: Sequence[str], before: _Clause | None) -> list[_Clause] | None:
        """Return the findings of words, the first as short as can be; None where some is none."""
        for cut in range(1, len(tokens)):
            if not self._may_part(tokens, cut):
                continue
            first = self._clause(tokens[:cut], before)
            rest = tokens[cut + 1 :] if plain_key(tokens[cut]) in _AND else tokens[cut:]
            if first is None or not rest:
                continue
            others = self.clauses(rest, first)
            if others is not None:
                return [first, *others]
        last = self._clause(tokens, before)
        return None if last is None else [last]

    def part_first(self, tokens: Sequence[str]) -> Sequence[str]:
        """Return words with the part that ends them first: "LF 5/32 RF 4/32 tires"."""
        keys = self.words.keys_of(tokens[-1]) if tokens else []
        names_it = len(keys) == 1 and (keys[0],) in names_index().names
        placed = names_it and tag_of(plain_key(tokens[0]))
        return [*tokens[-1:], *tokens[:-1]] if placed else ()

    def _may_part(self, tokens: Sequence[str], cut: int) -> bool:
        if tokens[cut - 1].endswith(","):
            return not self.at_commas or self._names_part(tokens[cut:])
        key, last = plain_key(tokens[cut]), plain_key(tokens[cut - 1])
        if tag_of(key) in _ENDING and tokens[cut].endswith(","):
            return False  # It ends what is before: "4 mm LF, 2 mm RF", "wore inside, RF 6/32".
        pair = (*self.words.keys_of(last), *self.words.keys_of(key))
        if pair in names_index().names or is_denied_at(tokens, cut, self.words):
            return False
        if self.at_commas or last in _WHY or self._says_where(tokens[:cut]):
            return False
        spelled = self.words.keys_of(key)
        begins = any(word in names_index().weight or tag_of(word) for word in spelled)
        return key in _AND or (begins and not _FLUIDS & set(spelled))

    def _names_part(self, tokens: Sequence[str]) -> bool:
        """Whether a part is named before the next comma: "rotor scored, below min, horn dead"."""
        end = next((n for n, token in enumerate(tokens, 1) if token.endswith(",")), len(tokens))
        keys = self.words.keys_of(" ".join(tokens[:end]))
        return any(key in names_index().weight and key not in self.words.fillers for key in keys)

    @staticmethod
    def _says_where(tokens: Sequence[str]) -> bool:
        """Whether where or why is being said: the hanger of "rot by rear hanger" is no finding."""
        for token in reversed(tokens):
            if token.endswith(","):
                return False
            if plain_key(token) in _WHY - {"with"}:
                return True
        return False

    def _clause(self, tokens: Sequence[str], before: _Clause | None) -> _Clause | None:
        text = " ".join(tokens).strip(" ,;")
        if before is not None and not (
            self._told_before_why(tokens) and self._begins_with_part(tokens)
        ):
            return None
        own = self._heard(text)
        if own is not None and any(one.is_open for one in own.heard):
            return self._placed(own, before, may_be_open=tokens[-1].endswith(","))
        if before is None:
            return own
        if own is not None and (_points_back(tokens) or self._all_of(own, before)):
            return None  # "no signal from tpms LF, batt dead in it"
        ids = {one.component.id for one in before.heard}
        if own is not None:
            # "RF tire nail in tread, holding air": of the same part at no other place, no finding.
            parts = {one.component.id for one in own.heard}
            if (parts <= ids and not own.place) or self._shows(before, own):
                return None
            as_well = not own.place and before.place and {plain_key(t) for t in tokens} & _TOO
            return self._placed(own, before, may_be_open=False) if as_well else own
        along = self._heard(f"{before.named} {text}")
        if along is None or any(one.is_open for one in along.heard):
            return None
        if {one.component.id for one in along.heard} - ids:
            if self._shows(before, along):
                return None
            return along  # "batt ok terminals corroded"
        # "tires frt 6/32 rr 3/32": a place of its own, and no other part.
        places = {one.position for one in along.heard}
        earlier = {one.position for one in before.heard}
        same = places & earlier or None in places | earlier
        return None if self.at_commas or same else along

    def _told_before_why(self, tokens: Sequence[str]) -> bool:
        """Whether nothing says where or why, or a whole finding stands before it."""
        why = next((n for n, token in enumerate(tokens) if plain_key(token) in _WHY), -1)
        if why < 0:
            return True
        head = self._heard(" ".join(tokens[:why])) if self.at_commas and why else None
        return head is not None and not any(one.is_open for one in head.heard)

    def _begins_with_part(self, tokens: Sequence[str]) -> bool:
        """Whether no condition between commas stands before the part: "pedal hard, pads thin"."""
        end = next((n for n, token in enumerate(tokens[:-1], 1) if token.endswith(",")), 0)
        said = split_phrase(" ".join(tokens[:end]), self.words)
        tells = any(condition_length(said, at, self.words) for at in range(len(said.words)))
        return not tells or self._heard(" ".join(tokens[:end])) is not None

    @staticmethod
    def _all_of(own: _Clause, before: _Clause) -> bool:
        """Whether "both" leaves open what of: "wheel cyl leaking LR, shoes soaked, do both"."""
        schemes = {one.component.positions for one in own.heard}
        many = any(tag_of(plain_key(token)) == "many" for token in own.text.split())
        bad = any(one.condition != "sound" for one in own.heard)
        return bool(before.place) and not own.place and many and bad and schemes <= _BY_AXLE

    def _shows(self, one: _Clause, other: _Clause) -> bool:
        """Whether a part only shows what is bad about the other: "gauge stuck, sender bad"."""
        senses = any(part.component.id.endswith(_SENSES) for part in other.heard)
        return senses and bool(set(self.words.keys_of(one.named)) & _SHOWS)

    def _heard(self, text: str) -> _Clause | None:
        """Return what words say where they say a part and how it is."""
        try:
            named, heard = overhear(text, self.shop, self.has)
        except UsageError:
            return None
        told = all(one.condition or one.measurements for one in heard)
        return _Clause(text, heard, named) if told else None

    def _placed(self, own: _Clause, before: _Clause | None, *, may_be_open: bool) -> _Clause | None:
        """Return a finding without a place at that of the one before: "wheel cyl, shoes soaked"."""
        if before is None:
            return own if may_be_open else None
        if {one.component.id for one in own.heard} <= {one.component.id for one in before.heard}:
            return None  # More of the same part: "LF tire 24 psi, screw in tread".
        placed = self._heard(f"{own.text} {before.place}") if before.place else None
        if placed is None or any(one.is_open for one in placed.heard):
            if self.at_commas:
                refuse_open(own.heard, own.text)
            return None
        return placed._replace(remark=_remark(own, before.place))

    def with_last_axle(self, clauses: Sequence[_Clause]) -> list[_Clause]:
        """Return findings with the axle that ends the phrase: "shoes ok, drums scored rear".

        Raises:
            UsageError: a finding leaves its place open.
        """
        last = clauses[-1]
        said = tag_of(plain_key(last.text.split()[-1])) == "end" and last.place in _ENDS
        made = []
        for one in clauses:
            schemes = {heard.component.positions for heard in one.heard}
            bare = not one.place and schemes <= _BY_AXLE and one is not last
            placed = self._heard(f"{one.text} {last.place}") if said and bare else None
            if placed is None:
                refuse_open(one.heard, one.text)
            made.append(one if placed is None else placed._replace(remark=_remark(one, last.place)))
        return made


def _points_back(tokens: Sequence[str]) -> bool:
    """Whether words say that their part is one in the part before them: "batt dead in it"."""
    keys = [plain_key(token) for token in tokens]
    return any(one in _IN and other in _BACK for one, other in pairwise(keys))


def _remark(clause: _Clause, place: str) -> str:
    name = clause.heard[0].component.name
    return f"{name} is taken for {place}: write its own place where that is another."
