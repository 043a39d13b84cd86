"""Which names of the catalogue a text is nearly: how like each is, and how few letters are wrong.

Imported only when a name is not found, because a well-written record needs none of it. What a
reader asks by the dozen in one refused phrase, "is it one name with a letter wrong" and "which
name is at least so like", is answered under a bound, so that nearly all names are passed over
unseen; what is shown to a person weighs all of them once.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property

from rapidfuzz import fuzz
from rapidfuzz.distance import OSA
from rapidfuzz.process import extract

_SUGGESTION_SCORE = 60.0
#: So short a word is nearly like many: "bat" is no mass air flow sensor.
_SHORT, _SHORT_SCORE = 4, 80.0
#: A typing mistake is trusted from these many letters on: one in five, two in nine.
_TYPO_LENGTHS = ((9, 2), (5, 1))
#: One letter off, or two changed about, is near however short the word.
_CLOSE = 1
_SHOWN = 5


class Nearness:
    """The names of a catalogue, each with the components that go by it."""

    def __init__(self, names: Mapping[str, Sequence[str]]) -> None:
        self._names = names

    @cached_property
    def _of_length(self) -> Mapping[int, Mapping[str, Sequence[str]]]:
        """Spellings by their length. Keys are singular, a misspelt plural may have kept its s."""
        made: dict[int, dict[str, Sequence[str]]] = {}
        for name, owners in self._names.items():
            for spelled in (name, f"{name}s"):
                alike = made.setdefault(len(spelled), {})
                alike[spelled] = (*alike.get(spelled, ()), *owners)
        return made

    @cached_property
    def _spelled(self) -> Mapping[str, Sequence[str]]:
        """Owner -> the spellings of its names."""
        made: dict[str, list[str]] = {}
        for name, owners in self._names.items():
            for owner in owners:
                made.setdefault(owner, []).extend((name, f"{name}s"))
        return made

    def mistaken(self, key: str) -> str | None:
        """Return the one component whose name this is, or is with a letter or two wrong.

        A rival within one more letter makes the text ambiguous.
        """
        if not key or key in self._names:
            return self._names[key][0] if key and len(self._names[key]) == 1 else None
        allowed = next((mistakes for length, mistakes in _TYPO_LENGTHS if len(key) >= length), 0)
        most = allowed + 1
        fewest: dict[str, int] = {}
        for owners, distance in self._within(key, most):
            for owner in owners:
                fewest[owner] = min(fewest.get(owner, most), distance)
        first, *others = sorted(fewest.items(), key=lambda one: one[1]) or [("", most)]
        clear = first[1] <= allowed and (not others or others[0][1] >= first[1] + 2)
        return first[0] if clear else None

    def likest(self, key: str, least: float) -> str | None:
        """Return what is named first where a text is refused, if it is so like in percent.

        What is the name of one component is not refused; of several, they are named.
        """
        owners = self._names.get(key, ())
        if not key or owners:
            return owners[0] if len(owners) > 1 else None
        likeness: dict[str, float] = {}
        # The mean of two is no less than `least`: neither falls short of it by more than the
        # other can make good.
        for name, plain, _at in extract(
            key, self._names.keys(), scorer=fuzz.ratio, score_cutoff=2 * least - 100, limit=None
        ):
            score = (plain + fuzz.token_set_ratio(key, name)) / 2
            for owner in self._names[name]:
                likeness[owner] = max(likeness.get(owner, 0.0), score)
        best = max(likeness.values(), default=0.0)
        if best < least:
            return None
        alike = (owner for owner, score in likeness.items() if score == best)
        return min(alike, key=lambda owner: (self._mistakes(key, owner), owner))

    def nearest(self, key: str) -> tuple[list[str], float]:
        """Return the components that are near, best first, and the best likeness in percent."""
        likeness: dict[str, float] = {}
        sets = {
            name: score
            for name, score, _at in extract(
                key, self._names.keys(), scorer=fuzz.token_set_ratio, limit=None
            )
        }
        for name, plain, _at in extract(key, self._names.keys(), scorer=fuzz.ratio, limit=None):
            score = (plain + sets[name]) / 2
            for owner in self._names[name]:
                likeness[owner] = max(likeness.get(owner, 0.0), score)
        least = _SHORT_SCORE if len(key) <= _SHORT else _SUGGESTION_SCORE
        close = {owner for owners, _n in self._within(key, _CLOSE) for owner in owners}
        near = [owner for owner, score in likeness.items() if score >= least or owner in close]
        near.sort(key=lambda owner: -likeness[owner])
        # Where two are as like, the one with fewer letters wrong is named first.
        last = likeness[near[_SHOWN - 1]] if len(near) > _SHOWN else 0.0
        shown = [owner for owner in near if likeness[owner] >= last]
        shown.sort(key=lambda owner: (-likeness[owner], self._mistakes(key, owner), owner))
        return shown[:_SHOWN], max(likeness.values(), default=0.0)

    def _within(self, key: str, most: int) -> Iterator[tuple[Sequence[str], int]]:
        """Yield who goes by each spelling that at most so many letters part from a text."""
        for length in range(len(key) - most, len(key) + most + 1):
            alike = self._of_length.get(length, {})
            for spelled, distance, _at in extract(
                key, alike.keys(), scorer=OSA.distance, score_cutoff=most, limit=None
            ):
                yield alike[spelled], int(distance)

    def _mistakes(self, key: str, owner: str) -> int:
        return min(OSA.distance(key, spelled) for spelled in self._spelled[owner])
