"""The words of a clause put into a frame: places, signs, figures, denials, and what is unread."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from roadworn.reading.bench_frame_marks import ASIDE, FIGURE, PLACE, Frame, Mark, Open, Sign
from roadworn.reading.bench_frame_signs import Signs
from roadworn.reading.bench_names import Said
from roadworn.reading.bench_places import COUNTED, tag_of
from roadworn.reading.bench_words import Words

#: Before a name these say that the part is missing or does nothing.
_LACKS = frozenset({"no", "sin", "without", "none"})
_DENIES = frozenset({"nothing", "wont", "not", "no", "never"})
#: No denial stands so far before the first word.
_NONE = -9
_TAKEN_BACK = frozenset({"wheel", "axled", "side", "end"})


@dataclass
class Filling:
    """A clause with what was found in it."""

    words: Words
    signs: Signs
    said: Said
    signs_at: Sequence[Mark]
    where: set[int]

    def __post_init__(self) -> None:
        self.keys = [word.key for word in self.said.words]
        self.sign_at = {mark.at: mark for mark in self.signs_at}
        self.in_sign = {n for mark in self.signs_at for n in mark.span}
        self.places = [
            n for n, key in enumerate(self.keys) if tag_of(key) in ASIDE and n not in self.in_sign
        ]
        plain = self.words.fillers
        #: The first word that is no place and says something.
        self.lead = next(
            (
                (n, key)
                for n, key in enumerate(self.keys)
                if not tag_of(key) and key not in plain and n not in self.where
            ),
            None,
        )


def fill(frame: Frame, filling: Filling, start: int, end: int, *, carried: bool = False) -> None:
    """Put words of a clause into a frame.

    Args:
        frame: it is added to.
        filling: the clause.
        start: the first of the words.
        end: behind the last of them.
        carried: the part is that of a clause before.

    Raises:
        Open: a denial leaves something open.
    """
    _Filler(frame, filling, start, end, carried=carried).fill()


class _Filler:
    def __init__(
        self, frame: Frame, filling: Filling, start: int, end: int, *, carried: bool
    ) -> None:
        self.frame, self.of, self.start, self.end = frame, filling, start, end
        self.carried = carried
        self.keys, self.said = filling.keys, filling.said
        marks = () if carried else frame.marks
        self.in_name = {n for mark in marks for n in mark.span if n not in mark.skipped}
        self.first_name = min(self.in_name, default=-1)
        none_of = self.keys[start : start + 2] in (["none", "of"], ["none", "the"])
        self.denial, self.reach = (start, 9) if none_of else (_NONE, 3)
        #: What the last denial was said of has been found.
        self.is_answered = True

    def fill(self) -> None:
        words, tokens = self.said.words, len(self.said.tokens)
        first = words[self.start].token if self.start < len(words) else tokens
        first = first if self.start else 0
        last = words[self.end].token if self.end < len(words) else tokens
        self.frame.figures += [f for token, f in self.said.measured if first <= token < last]
        at = self.start
        while at < self.end:
            self.frame.words.append(self.keys[at])
            if at in self.of.sign_at and at not in self.in_name:
                at = self._take_sign(self.of.sign_at[at])
                continue
            self._take(at)
            at += 1
        self._end()
        self._doubts(first, last)
        self._note(first, last)

    def _take_sign(self, mark: Mark) -> int:
        denied = self.denial >= 0 and mark.at - self.denial <= self.reach
        if (
            self.denial >= 0
            and self.reach < 9
            and self.in_name & set(range(self.denial + 1, mark.at))
        ):
            raise Open("what is denied")
        signs = self.of.signs
        near = set(self.keys[max(self.start, mark.at - 3) : mark.at])
        about = set(self.keys[max(self.start, mark.at - 2) : min(self.end, mark.end + 2)])
        before = set(self.keys[self.start : mark.at])
        self.frame.signs.append(
            Sign(
                mark.key,
                denied,
                bool(near & signs.set("subparts")),
                bool(about & signs.set("slight")),
                self.carried and not self.frame.carried and bool(before & signs.set("elsewhere")),
            )
        )
        self.frame.words += self.keys[mark.at + 1 : mark.end]
        self.is_answered |= denied
        self._lose_denial()
        return mark.end

    def _take(self, at: int) -> None:
        frame, key, signs = self.frame, self.keys[at], self.of.signs
        denied = self.denial >= 0
        if at in self.of.where and not tag_of(key) and not key.isdigit():
            if key in signs.set("fluid_names") and not denied:
                frame.symptoms.append(key)  # beside what is sound it may have run out
            self.is_answered |= self.keys[at - 1] == "no" and self.denial == at - 1
            return
        if at in self.in_name:
            self._take_name(at)
        elif key in _DENIES or key in signs.denials:
            self._lose_denial()
            self.denial, self.is_answered = at, False
        elif self.said.words[at].used in {"join", "figure"}:
            self._take_bare(at)
        elif tag_of(key) or key in COUNTED or key.isdigit():
            if denied and self.denial == at - 1 and frame.keys and tag_of(key) in _TAKEN_BACK:
                raise Open("takes back a place")
            frame.keys.append(key)
        elif key in signs.doubts:
            frame.unread.append(f"?{key}")
        elif denied and at - self.denial <= 2 and signs.is_deed(key):
            frame.signs.append(Sign(key, denied=True))
            self.denial, self.is_answered = _NONE, True
        elif key in signs.set("part_nouns") or not (
            key in signs.neutral or key in self.of.words.fillers
        ):
            is_denied = denied and at - self.denial <= 4
            self.is_answered |= is_denied
            word = f"!{key}" if is_denied else key
            just_before = self.first_name - 3 <= at < self.first_name or at - 1 in self.in_name
            (frame.before if just_before else frame.unread).append(word)

    def _take_name(self, at: int) -> None:
        if self.denial == at - 1:
            if self.keys[self.denial] not in _LACKS:
                raise Open("what is denied")
            self.frame.denied = self.is_answered = True

    def _take_bare(self, at: int) -> None:
        word = self.said.words[at]
        token = self.said.tokens[word.token].strip(",;:()")
        if word.used == "figure" and token not in self.frame.bare:
            self.frame.bare.append(token)

    def _lose_denial(self) -> None:
        """Let a denial go, as a doubt where nothing was found that it is said of.

        Behind a sign it may say what a part fails to do, "stuck open, never gets over 140".
        """
        if not self.is_answered:
            behind = [*self.keys[self.denial + 1 : self.end], ""][0]
            more = self.frame.signs and behind.isalpha() and not tag_of(behind)
            mark = "!" if more else "?"
            self.frame.unread.append(f"{mark}{self.keys[self.denial]}")
        self.denial, self.is_answered = _NONE, True

    def _end(self) -> None:
        """Take a denial that ends the words: "right one dont", "squirts nothing"."""
        frame = self.frame
        if self.denial >= 0 and not frame.denied and any(n > self.denial for n in self.in_name):
            raise Open("what is denied")
        if self.denial < 0 or self.denial != self.end - 1:
            self._lose_denial()
            return
        if self.keys[self.denial] == "nothing" and frame.signs:
            last = frame.signs[-1].key
            if self.of.signs.general.get(last, "sound") == "sound":
                frame.signs.pop()
        elif frame.signs or frame.denied:
            raise Open("ends in a denial")
        else:
            frame.tail = True
        frame.signs.append(Sign("work", denied=True))

    def _doubts(self, first: int, last: int) -> None:
        keys = self.keys[self.start : self.end]
        pairs = {f"{one} {other}" for one, other in itertools.pairwise(keys)}
        self.frame.unread += [f"?{pair}" for pair in sorted(pairs & self.of.signs.doubts)]
        if any("?" in token for token in self.said.tokens[first:last]):
            self.frame.unread.append("??")

    def _note(self, first: int, last: int) -> None:
        frame, said = self.frame, self.said
        frame.raw += said.tokens[first:last]
        worded = {word.token for word in said.words} | said.counted
        spent = {
            said.words[n].token
            for n in range(self.start, self.end)
            if n not in self.of.in_sign and n in self.in_name
        }
        placed = {
            said.words[n].token
            for n in range(self.start, self.end)
            if n not in self.of.in_sign and tag_of(self.keys[n])
        } - spent
        for token in range(first, last):
            if token not in worded:
                frame.note.append(f"{FIGURE}{said.tokens[token]}")
            elif token in placed:
                frame.note.append(f"{PLACE}{said.tokens[token]}")
            elif token not in spent:
                frame.note.append(said.tokens[token])
        frame.counts |= any(said.tokens[n].isdigit() for n in said.counted if first <= n < last)
