"""The parts that a clause is about: which names are subjects, and which only say where."""

import re
from collections.abc import Sequence

from roadworn.model.catalogue import Component, catalogue
from roadworn.reading.bench_frame_marks import PLACED, Frame, Has, Mark, Open
from roadworn.reading.bench_frame_signs import Signs
from roadworn.reading.bench_names import Said, correct_spelling, names_index
from roadworn.reading.bench_places import COUNTED, Where, tag_of
from roadworn.reading.bench_words import Words

_LONGEST_SIGN, _LONGEST_NAME = 5, 6
_ONWARD = frozenset(
    {"in", "out", "on", "from", "at", "all", "everywhere", "down", "over", "around", "and"}
)
#: Before a name with no article these say how something moves.
_WAYS = frozenset({"up", "down"})
_THROUGH = frozenset({"thru", "through", "off", "out"})
_HOW_LOW = frozenset({"about", "bout", "a", "half", "one", "two"})
_ARTICLES = frozenset({"the", "a", "my", "s"})
#: A shorter word is no slip for a sign: it is near too many others.
_SLIP = 5
_HOLDING = frozenset({"in", "inside", "of", "from", "at"})
_WARNS = frozenset({"light", "lamp", "lite", "warning"})
_GLAZED = re.compile(r"window|door|mirror|light|lamp|lens")
_IN_IT = re.compile(r"\b(in|(?<!eye )on|inside|of) (it|em|them)$")


class PartReader:
    """Finds names and signs in a clause, and sorts the names."""

    def __init__(self, words: Words, signs: Signs, has: Has | None = None) -> None:
        self.words, self.signs, self.has, self.line = words, signs, has, ""

    def names_in(self, said: Said) -> list[Mark]:
        """Return the names of a clause, the longest from each word on."""
        keys = [word.key for word in said.words]
        made: list[Mark] = []
        at = 0
        while at < len(keys):
            best = self._name_at(said, keys, at)
            numbered = best is not None and best.key in COUNTED and keys[at + 1 : at + 2]
            plain = best is not None and best.key in self.signs.set("no_names")
            if best is None or plain or (numbered and keys[at + 1].isdigit()):
                at += 1
                continue
            best.misspelt = any(said.words[n].misspelt for n in best.span)
            made.append(best)
            at = best.end
        return made

    def _name_at(self, said: Said, keys: Sequence[str], at: int) -> Mark | None:
        index = names_index().names
        best: Mark | None = None
        longest = 0
        for skip in (False, True):
            taken: list[str] = []
            skipped: list[int] = []
            for n in range(at, len(keys)):
                key = keys[n]
                if skip and taken and (tag_of(key) in PLACED or key in {"the", "s", "side", "of"}):
                    skipped.append(n)
                    continue
                joins = said.words[n].used == "join" and not (taken and key in {"and", "/"})
                if joins or len(taken) == _LONGEST_NAME:
                    break
                taken.append(key)
                form = self._form_of(taken)
                if form and len(taken) > longest:
                    longest = len(taken)
                    own = self.signs.names.get(form) or (index[form], ())
                    between = tuple(one for one in skipped if one < n)
                    best = Mark(at, n + 1, "name", own[0], own[1], " ".join(form), between)
        pair = tuple(reversed(keys[at : at + 2]))
        if best is None and len(set(pair)) == 2 and len(index.get(pair, ())) == 1:
            return Mark(at, at + 2, "name", index[pair], (), " ".join(pair))
        return best

    def _form_of(self, taken: Sequence[str]) -> tuple[str, ...]:
        """Return words as the name that they are, with or without "and", or nothing."""
        plain = tuple(key for key in taken if key not in {"and", "/"})
        for form in (tuple(taken), plain):
            if form in self.signs.names or form in names_index().names:
                return form
        return ()

    def signs_in(self, said: Said, named: set[int]) -> list[Mark]:
        """Return the signs of a clause beside the words of names."""
        made: list[Mark] = []
        keys = [word.key for word in said.words]
        at = 0
        while at < len(keys):
            length = 0
            for longer in range(min(_LONGEST_SIGN, len(keys) - at), 0, -1):
                key = " ".join(keys[at : at + longer])
                if self.is_sign(key) and not named & set(range(at, at + longer)):
                    made.append(Mark(at, at + longer, "sign", key=key))
                    length = longer
                    break
            at += max(length, 1)
        return made

    def is_sign(self, key: str) -> bool:
        """Whether words tell how a part is."""
        return key in self.words.conditions or key in self.signs.known

    def spell(self, said: Said) -> bool:
        """Spell words that are no plain English as parts; whether any might have been."""
        kept = [(word, word.key) for word in said.words]
        known = self.signs.neutral | self.signs.ordinary | self.signs.vocabulary
        weight = names_index().weight
        unread = {
            key
            for _word, key in kept
            if len(key) > 2 and key not in known and key not in weight and not self.is_sign(key)
        }
        if not unread:
            return False
        correct_spelling(said, self.words, len(said.words))
        for word, key in kept:
            if word.key != key and (key in self.signs.ordinary or key not in unread):
                word.key, word.misspelt = key, False
            elif word.key == key in unread and len(key) >= _SLIP:
                word.key = self._spelled_sign(key)
        return True

    def _spelled_sign(self, key: str) -> str:
        """Return a slip for a sign as that sign: "leakign", "craked"."""
        from rapidfuzz.distance import OSA

        alike = {
            one
            for one in self.signs.single
            if one[0] == key[0] and OSA.distance(key, one, score_cutoff=1) <= 1
        }
        if len(key) == _SLIP:
            alike = {one for one in alike if sorted(one) == sorted(key)}
        grades = {self.signs.general.get(one, "") for one in alike}
        if len(grades) != 1 or {"", "sound"} & grades:
            return key
        return min(alike, key=lambda one: (sorted(one) != sorted(key), one))

    def long_signs(self, said: Said, names: Sequence[Mark]) -> list[Mark]:
        """Return signs of more words than the name that they hold: "no brake", "full of oil"."""
        made = []
        for sign in self.signs_in(said, set()):
            first, _, rest = sign.key.partition(" ")
            fluid = first == "no" and rest in self.signs.set("fluid_names")
            if (fluid or first in {"need", "needs"}) and any(one.key == rest for one in names):
                continue  # "no oil", "needs alignment"
            within = [one for one in names if set(one.span) & set(sign.span)]
            if within and all(
                set(one.span) <= set(sign.span) and len(sign.span) > len(one.span) for one in within
            ):
                made.append(sign)
        return made

    def subjects(
        self, said: Said, names: list[Mark], signs: Sequence[Mark], *, carried: bool
    ) -> list[Mark]:
        """Return the names that a clause is about; the others are marked as where.

        Raises:
            Open: which part something is told of is not said.
        """
        keys = [word.key for word in said.words]
        made: list[Mark] = []
        weak: list[Mark] = []
        if carried and (names or not signs) and _IN_IT.search(" ".join(keys)):
            raise Open("what is in it")
        if any("tie rod" in mark.key for mark in names) and {"inner", "outer"} <= set(keys):
            raise Open("inner or outer")
        for mark in names:
            first = not made and not weak
            if self._is_where(mark, keys, signs, carried=carried, first=first):
                mark.kind = "where"
            elif carried and len(mark.owners) > 1 and not made and not self._placed(keys):
                self._take_one(mark, signs)
                made += [] if mark.kind == "where" else [mark]
            elif mark.key in self.signs.set("weak"):
                weak.append(mark)
            else:
                made.append(mark)
        self._refuse_its_fluid(said, names, signs)
        if made:
            return self._with_weak(said, made, weak, signs) if weak else made
        if weak and carried and not self._is_own(weak[0], keys, signs):
            for mark in weak:
                mark.kind = "where"
            return []
        return weak if len(weak) < 2 else self._several(said, weak, signs)

    def _refuse_its_fluid(self, said: Said, names: Sequence[Mark], signs: Sequence[Mark]) -> None:
        """Refuse a fluid that is told of behind a part: "trans slips fluid pink"."""
        named = {n for mark in names for n in mark.span}
        own = {sign.at for sign in signs if sign.key in self.signs.set("of_fluid")}
        for n, word in enumerate(said.words):
            behind = any(mark.end <= sign.at < n for mark in names for sign in signs)
            if word.key == "fluid" and n not in named and n + 1 in own and behind:
                raise Open("the fluid of what")

    @staticmethod
    def _placed(keys: Sequence[str]) -> bool:
        return any(tag_of(key) in PLACED for key in keys)

    def _is_where(
        self, mark: Mark, keys: Sequence[str], signs: Sequence[Mark], *, carried: bool, first: bool
    ) -> bool:
        """Whether a name says where something is, or what warns of it."""
        systems = {catalogue().get(owner).system for owner in mark.owners}
        after = keys[mark.end : mark.end + 1]
        warns = bool(_WARNS & set(after)) and not systems & {"lighting", "brake"}
        warns &= bool({"on", "lit", "flashing"} & set(keys[mark.end :]))
        glass = carried and mark.key == "glass" and _GLAZED.search(self.line.casefold())
        if (warns and mark.key != "low air") or glass or self._is_spilt(mark, keys, signs):
            return True
        before = mark.at - 1
        beside = self.signs.set("beside")
        while before >= 0 and keys[before] not in beside and (
            tag_of(keys[before]) or keys[before] in _ARTICLES
        ):  # fmt: skip
            before -= 1
        if before < 0 or keys[before] not in beside or self._is_plenty(before, signs):
            return False
        told = (
            any(before in one.span and len(one.span) > 1 for one in signs)
            and keys[before] in _THROUGH
        )
        if (told or keys[before] in _WAYS) and keys[mark.at - 1] not in _ARTICLES:
            return False  # "loose up / down caliper", "rusted thru radiator": two parts
        if set(keys[max(0, before - 2) : before]) & self.signs.set("shows_inside"):
            return True
        if not first or carried or mark.key in self.signs.set("fluid_names"):
            return True
        along = keys[before] in self.signs.set("along")
        told_before = any(sign.at < before for sign in signs)
        if along and told_before and not any(sign.at >= mark.end for sign in signs):
            raise Open("only where it lies is told")
        return keys[before] not in _HOLDING and self._is_content(keys[:before], signs)

    def _is_plenty(self, at: int, signs: Sequence[Mark]) -> bool:
        """Whether a word ends a sign of much that is good: "plenty of shoe"."""
        return any(
            sign.end == at + 1 and self.signs.general.get(sign.key) == "sound" for sign in signs
        )

    def _is_content(self, keys: Sequence[str], signs: Sequence[Mark]) -> bool:
        in_sign = {n for sign in signs for n in sign.span}
        plain = self.signs.neutral | self.words.fillers
        return any(
            key not in plain and not tag_of(key) and n not in in_sign and not key.isdigit()
            for n, key in enumerate(keys)
        )

    def _is_spilt(self, mark: Mark, keys: Sequence[str], signs: Sequence[Mark]) -> bool:
        """Whether a fluid only runs out of something: "oil leak", "coolant in the oil"."""
        if mark.key not in self.signs.set("fluid_names"):
            return False
        onward = set(keys[mark.end : mark.end + 2])
        behind = keys[mark.end + 1 : mark.end + 2]
        if keys[mark.end : mark.end + 1] == ["down"] and (
            not behind or behind[0].isdigit() or behind[0] in _HOW_LOW
        ):  # fmt: skip
            return False  # "oil down about 2 qts" is low
        if onward & set(_ONWARD & set(keys[mark.end : mark.end + 1])):
            return not onward & self.signs.set("of_fluid")
        leaks = tuple(self.signs.set("leaks"))
        return any(sign.key.startswith(leaks) and abs(sign.at - mark.at) <= 2 for sign in signs)

    def _take_one(self, mark: Mark, signs: Sequence[Mark]) -> None:
        """Take a name of several parts for the one that is hinted at, or as more of the last."""
        hinted = self.hinted(mark)
        if len(hinted) == 1 and mark.key != "pump":
            mark.owners = (hinted.pop(),)
            return
        plain = self.signs.set("generic") | self.signs.set("pieces") | {"pipe"}
        if mark.key not in plain or re.search(r"#|\d", self.line.partition(",")[2]):
            raise Open("two parts")
        sound = any(self.signs.general.get(sign.key) == "sound" for sign in signs)
        if sound and any(sign.at >= mark.end for sign in signs):
            raise Open("which part is sound")
        mark.kind = "where"

    def _is_own(self, first: Mark, keys: Sequence[str], signs: Sequence[Mark]) -> bool:
        """Whether a plain name is a part by itself: "horn ok, brakes low", "oil full n clean"."""
        plain = self.signs.neutral
        if any(not (tag_of(key) or key.isdigit() or key in plain) for key in keys[: first.at]):
            return False
        of_fluid = self.signs.set("of_fluid")
        # What is good behind the name of a fluid is the fluid, which no part leaks.
        fluid = first.key in {"oil", "coolant"} and any(
            sign.at >= first.end
            and (
                set(sign.key.split()) & of_fluid
                or self.signs.grade(sign.key, catalogue().get(first.owners[0]), self.words)
                == "sound"
            )
            for sign in signs
        )
        generic = (
            self._is_again(first) or first.key in self.signs.set("generic") or len(first.owners) > 1
        )
        return self._placed(keys) or fluid or not generic

    def _is_again(self, mark: Mark) -> bool:
        """Whether a name is a word that the line has said before: the spring of a spring brake."""
        return len(re.findall(rf"\b{re.escape(mark.key)}", self.line.casefold())) > 1

    def _several(self, said: Said, weak: list[Mark], signs: Sequence[Mark]) -> list[Mark]:
        told_at = self.told_at(said, signs)
        told = [
            mark
            for n, mark in enumerate(weak)
            if any(
                mark.end <= at and (n + 1 == len(weak) or at <= weak[n + 1].at) for at in told_at
            )
        ]
        return told if len(told) == len(weak) else weak[:1]

    @staticmethod
    def told_at(said: Said, signs: Sequence[Mark]) -> list[int]:
        """Return where signs stand, and behind which words figures do."""
        tokens = [token for token, _figure in said.measured]
        tokens += [word.token for word in said.words if word.used == "figure"]
        return [sign.at for sign in signs] + [
            next((n for n, word in enumerate(said.words) if word.token > token), len(said.words))
            for token in tokens
        ]

    def _with_weak(
        self, said: Said, made: list[Mark], weak: list[Mark], signs: Sequence[Mark]
    ) -> list[Mark]:
        """Return parts with those of a plain name that are told by themselves."""
        if any(mark.at == one.end and not self._is_piece(mark) for mark in weak for one in made):
            own = {w for one in made for o in one.owners for w in names_index().vocabulary[o]}
            if any(mark.key not in own | self.words.details for mark in weak):
                raise Open("two parts")
        told = sorted(self.told_at(said, signs))
        both = sorted([*made, *weak], key=lambda mark: mark.at)
        kept = list(made)
        for n, mark in enumerate(both):
            plain = mark.key in self.signs.set("generic") or self._is_again(mark)
            if mark in made or len(mark.owners) > 1 or plain:
                continue
            before = both[n - 1].end if n else 0
            after = both[n + 1].at if n + 1 < len(both) else len(said.words) + 1
            first = not n or any(before <= at <= mark.at for at in told)
            if first and any(mark.end <= at < after for at in told):
                kept.append(mark)
        return sorted(kept, key=lambda mark: mark.at)

    def groups(self, said: Said, names: list[Mark]) -> list[list[Mark]]:
        """Return parts in groups of which the same is told: "pads and rotors"."""
        groups: list[list[Mark]] = []
        for mark in names:
            last = groups[-1][-1] if groups else None
            between = said.words[last.end : mark.at] if last else []
            joined = any(word.used == "join" for word in between)
            plain = all(w.used == "join" or tag_of(w.key) or w.key == "the" for w in between)
            if last and joined and plain:
                groups[-1].append(mark)
            elif last and not between and set(mark.owners) & set(last.owners):
                last.owners = tuple(one for one in last.owners if one in mark.owners)
                last.end, last.key = mark.end, f"{last.key} {mark.key}"
            elif last and not between and self._is_piece(mark):
                last.end = mark.end
            else:
                groups.append([mark])
        return groups

    def _is_piece(self, mark: Mark) -> bool:
        return mark.key in self.signs.set("pieces")

    def hinted(self, mark: Mark) -> set[str]:
        """Return the owners of a name that other words of the line speak for."""
        told = set(re.findall(r"[a-z0-9]+", self.line.casefold()))
        figure = re.search(r"\d ?mm|/32|32nds", self.line)
        return {
            part
            for name, part, words in self.signs.hints
            if name in mark.key.split()
            and part in mark.owners
            and words & told
            and (part != "brake.pad" or figure)
        }

    def component_of(self, mark: Mark, frame: Frame) -> Component:
        """Return the one component of a name.

        Raises:
            Open: several go by it.
        """
        owners = [catalogue().get(owner) for owner in mark.owners]
        if len(owners) == 1:
            return owners[0]
        where = Where.of([*mark.place, *frame.keys])
        fitting = [part for part in owners if where.fits(part.positions)]
        there = [part for part in owners if self.has and self.has(part.id, where.end)]
        hinted = [catalogue().get(part) for part in self.hinted(mark)]
        for found in (fitting, there, hinted):
            if len(found) == 1:
                return found[0]
        if len(self.signs.names.get(tuple(mark.key.split()), ((), ()))[0]) > 1:
            raise Open(f"{mark.key} is a name of several parts")
        raise Open(f"which of {owners[0].name} and {owners[1].name}")
