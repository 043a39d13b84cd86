"""Clauses put into frames: each with its part, or as more of the part before it."""

import itertools
import re
from collections.abc import Sequence
from dataclasses import replace

from roadworn.model.catalogue import catalogue
from roadworn.reading.bench_frame_fill import Filling, fill
from roadworn.reading.bench_frame_marks import PLACED, Frame, Mark, Open
from roadworn.reading.bench_frame_parts import PartReader
from roadworn.reading.bench_names import Said, names_index
from roadworn.reading.bench_phrase import split_phrase
from roadworn.reading.bench_places import tag_of

_RUNS = frozenset({"side", "end", "wheel", "axled"})
_LEVELS = {"top": "upper", "bottom": "lower"}
#: Whose fluid "fluid ok" is, behind a part of a system.
_FLUID_OF = {
    "brake": "brake.fluid",
    "steering": "steering.pump",
    "drivetrain.automatic_transmission": "drivetrain.transmission_fluid",
}
_RUBBING = frozenset({"brake.pad", "brake.shoe"})
_REST = re.compile(r"(?:the )?(?:rest|others?|remaining|remainder)\b", re.IGNORECASE)
_BY_WHEEL = frozenset({"psi", "32nds"})


class ClauseReader(PartReader):
    """Puts the clauses of a line into frames."""

    def take(self, clause: str, before: str, frames: list[Frame]) -> None:
        """Take one more clause.

        Args:
            clause: as typed.
            before: the mark that stands before it.
            frames: those made so far.

        Raises:
            Open: it leaves something open.
        """
        said = split_phrase(clause, self.words)
        if said.behind:
            raise Open("too long")
        names = self.names_in(said)
        if self.spell(said):
            names = self.names_in(said)
        covered = {n for sign in self.long_signs(said, names) for n in sign.span}
        every = [one for one in names if not covered & set(one.span)]
        signs = self.signs_in(said, {n for mark in every for n in mark.span})
        names = self.subjects(said, every, signs, carried=bool(frames))
        self._follow(names, frames)
        where = {n for mark in every if mark not in names for n in mark.span}
        if any(self._is_soiled(mark, said) for mark in every if mark not in names):
            raise Open("what it has soiled")
        filling = Filling(self.words, self.signs, said, signs, where)
        if frames and self._of_the_rest(clause, said, signs, frames[-1]):
            return
        groups = self.groups(said, names) or self._fluid_of(said, signs, frames)
        if not groups:
            self._more(filling, frames)
            return
        for group, (first, last) in zip(groups, self._bounds(said, groups, signs), strict=True):
            for start, end in self._by_place(said, first, last, signs, group):
                frame = Frame(group, text=clause, stop=before.startswith((".", ";")))
                fill(frame, filling, start, end)
                frames.append(frame)

    def _of_the_rest(self, clause: str, said: Said, signs: Sequence[Mark], last: Frame) -> bool:
        """Whether a clause says that the others are good: "LF blinker out, rest good"."""
        good = bool(signs) and all(self.signs.general.get(s.key) == "sound" for s in signs)
        denied = {word.key for word in said.words} & (self.signs.denials | self.signs.doubts)
        doubt = denied - {"rest", "other", "others"}
        if not (_REST.match(clause) and good and last.signs) or said.measured or doubt:
            return False
        last.rest += said.tokens
        last.note += said.tokens
        return True

    @staticmethod
    def _follow(names: Sequence[Mark], frames: Sequence[Frame]) -> None:
        """Take a name of several parts for the one before: "muffler broke, pipe drags"."""
        before = {
            mark.owners[0] for frame in frames for mark in frame.marks if len(mark.owners) == 1
        }
        for mark in names:
            spoken = before & {*mark.owners}
            if len(mark.owners) > 1 and len(spoken) == 1:
                mark.owners = (spoken.pop(),)
            elif len(mark.owners) == 1:
                before.add(mark.owners[0])

    def _is_soiled(self, mark: Mark, said: Said) -> bool:
        """Whether what wears by rubbing is wet of what leaks, "oil on the shoes"."""
        before = [word.key for word in said.words[: mark.at] if word.key != "the"][-3:]
        fluid = before[-1:] == ["on"] and {*before[-2:-1]} & self.signs.set("fluid_names")
        runs = " ".join(before).startswith(tuple(self.signs.set("leaks") - {"wet", "damp"}))
        return bool(fluid) and not runs and bool({*mark.owners} & _RUBBING)

    def _fluid_of(
        self, said: Said, signs: Sequence[Mark], frames: Sequence[Frame]
    ) -> list[list[Mark]]:
        """Return the fluid of the system that was spoken of: "m/c dry, fluid full"."""
        keys = [word.key for word in said.words]
        if not frames or not frames[-1].marks:
            return []
        owner = frames[-1].marks[0].owners[0]
        good = bool(signs) and all(self.signs.general.get(s.key) == "sound" for s in signs)
        if keys[:1] == ["hose"] and good and catalogue().get(owner).system == "cooling":
            return [[Mark(0, 1, "name", ("cooling.hose",), (), "hose")]]
        if keys[:1] != ["fluid"]:
            return []
        part = _FLUID_OF.get(owner) or _FLUID_OF.get(catalogue().get(owner).system)
        told = any(set(sign.key.split()) & self.signs.set("of_fluid") for sign in signs)
        return [[Mark(0, 1, "name", (part,), (), "fluid")]] if part and told else []

    def _bounds(
        self, said: Said, groups: list[list[Mark]], signs: Sequence[Mark]
    ) -> list[tuple[int, int]]:
        """Return the words of each group of parts, from where its place begins."""
        keys = [word.key for word in said.words]
        in_sign = {n for sign in signs for n in sign.span}
        told = self.told_at(said, signs)
        told += [g[0].end for g in groups if g[0].at and keys[g[0].at - 1] == "no"]
        cuts = [0]
        for group, after in itertools.pairwise(groups):
            end, at = group[-1].end, after[0].at
            if not any(end <= one <= at for one in told):
                sign_first = any(one < group[0].at for one in told)
                raise Open("sign first" if sign_first else "two parts")
            while at > end and at - 1 not in in_sign and (
                tag_of(keys[at - 1]) in PLACED | {"many"}
                or said.words[at - 1].used == "join"
                or keys[at - 1] in {"no", "the", "s"}
            ):  # fmt: skip
                at -= 1
            cuts.append(at)
        return list(zip(cuts, [*cuts[1:], len(keys)], strict=True))

    def _by_place(
        self, said: Said, first: int, last: int, signs: Sequence[Mark], group: list[Mark]
    ) -> list[tuple[int, int]]:
        """Part words where a place has its own sign, and another place after it as well."""
        taken = {n for sign in signs for n in sign.span}
        taken |= {n for mark in group for n in mark.span if n not in mark.skipped}
        runs: list[list[int]] = []
        for n in range(first, last):
            if n in taken or tag_of(said.words[n].key) not in _RUNS:
                continue
            near = bool(runs) and runs[-1][-1] == n - 1
            if near and said.words[n].token - said.words[n - 1].token < 2:
                runs[-1].append(n)
            else:
                runs.append([n])
        if cuts := self._figures_first(said, runs):
            return list(itertools.pairwise([first, *cuts, last]))
        told = self.told_at(said, signs)
        cuts = [first, *(run[0] for run in runs[1:]), last]
        pieces = list(itertools.pairwise(cuts))
        each = [
            any(
                run[-1] < at <= end and (at < end or end == last or _figure_before(said, at))
                for at in told
            )
            for run, (_start, end) in zip(runs, pieces, strict=False)
        ]
        return pieces if len(runs) > 1 and all(each) else [(first, last)]

    @staticmethod
    def _figures_first(said: Said, runs: Sequence[Sequence[int]]) -> list[int]:
        """Return where to part words in which each place stands behind its figure, or nothing.

        "9 mm front 8 mm rear".
        """
        tokens = [token for token, _figure in said.measured]
        placed = [said.words[run[0]].token for run in runs]
        ends = [said.words[run[-1]].token for run in runs]
        if len(runs) < 2 or len(tokens) != len(runs):
            return []
        each = all(token < place for token, place in zip(tokens, placed, strict=True))
        apart = all(end < token for end, token in zip(ends, tokens[1:], strict=False))
        if not (each and apart):
            return []
        return [run[-1] + 1 for run in runs[:-1]]

    def _more(self, filling: Filling, frames: list[Frame]) -> None:
        """Take a clause without a part: more of the one before, or of it at another place."""
        said, signs = filling.said, filling.signs_at
        end = len(said.words)
        if not frames:
            for first, after in self._by_place(said, 0, end, signs, []):
                frame = Frame([])
                fill(frame, filling, first, after, carried=True)
                frames.append(frame)
            return
        last = frames[-1]
        told = bool(signs or said.measured)
        pieces = self._by_place(said, 0, end, signs, [])
        if len(pieces) > 1 and last.marks and not (last.is_told or last.keys or last.denied):
            for n, (first, after) in enumerate(pieces):
                if n:
                    frames.append(Frame(last.marks, carried=True, text=said.text))
                fill(frames[-1], filling, first, after, carried=True)
            return
        for frame in self._at_another(filling, frames) if told else ():
            fill(frame, filling, 0, end, carried=True)
            frames.append(frame)
        if frames[-1] is not last:
            return
        if told and self._only_shows(filling, last):
            keys = [word.key for word in said.words]
            last.raw += said.tokens
            last.note += said.tokens
            last.unread += [f"?{key}" for key in keys if key in self.signs.doubts]
            last.symptoms += [sign.key for sign in signs]
            return
        if "both" in filling.keys and not told:
            raise Open("both of which")
        self._refuse_of_another(filling, last)
        fill(last, filling, 0, end, carried=True)

    def _refuse_of_another(self, filling: Filling, last: Frame) -> None:
        """Refuse a figure at a place, or a way to drive, that the part before does not have."""
        owners = {owner for mark in last.marks for owner in mark.owners}
        units = [figure["unit"] for _token, figure in filling.said.measured]
        measured = any(self.signs.measures(one, unit) for one in owners for unit in units)
        if owners and units and filling.places and not (filling.signs_at or measured):
            raise Open("a figure of another")
        drives = tuple(self.signs.set("of_vehicle"))
        good = {self.signs.general.get(sign.key) for sign in last.signs} == {"sound"}
        if good and any(sign.key.startswith(drives) for sign in filling.signs_at):
            raise Open("what is told of the vehicle")

    def _only_shows(self, filling: Filling, last: Frame) -> bool:
        """Whether a clause only says by what it shows that the part before is bad.

        Raises:
            Open: it begins with another part.
        """
        lead = filling.lead
        if not lead:
            return False
        n, key = lead
        if key in self.signs.set("symptom_nouns") and last.signs and not filling.said.measured:
            return True
        if self._is_other(last, n, key, filling.in_sign):
            raise Open("another part leads")
        if last.marks and n not in filling.in_sign and self._is_unknown(key) and filling.signs_at:
            raise Open(f"what {key} is")
        return False

    def _is_unknown(self, key: str) -> bool:
        """Whether a word stands in no list, so that it may be a part."""
        words, signs = self.words, self.signs
        known = signs.ordinary | signs.neutral | signs.vocabulary | words.known
        known |= words.details | words.pieces | words.asides | words.beside | words.counted
        known |= signs.set("subparts") | signs.set("pieces") | signs.set("rubber") | signs.doubts
        plain = key in known or self.is_sign(key) or signs.is_deed(key) or bool(tag_of(key))
        return key.isalpha() and len(key) > 2 and not plain and key not in names_index().weight

    def _is_other(self, last: Frame, n: int, key: str, in_sign: set[int]) -> bool:
        """Whether a word of parts is none of the part before it."""
        if n in in_sign:
            return False
        if key in self.signs.set("part_nouns"):
            return not any(key in mark.key.split() for mark in last.marks)
        plain = self.signs.set("subparts") | self.signs.set("generic") | {"can"}
        if key not in names_index().weight or key in plain:
            return False
        own = {
            word
            for mark in last.marks
            for owner in mark.owners
            for word in names_index().vocabulary.get(owner, ())
        }
        return key not in own | self.words.details | self.words.pieces | self.signs.softens

    def _at_another(self, filling: Filling, frames: list[Frame]) -> list[Frame]:
        """Return frames of the part before at another place, where a clause says one."""
        last = frames[-1]
        signs = {mark.key for mark in filling.signs_at}
        tires = any("wheel.tire" in mark.owners for mark in last.marks)
        if signs & self.signs.implied and filling.places and not tires:
            if any("wheel.alignment" in mark.owners for mark in last.marks):
                raise Open("whether a tire shows it")
            return [
                Frame([Mark(0, 0, "name", ("wheel.tire",), (), "tire")], text=filling.said.text)
            ]
        if inner := self._other_level(filling, last):
            return [inner]
        places = filling.places
        if not places or (filling.lead and self._only_shows(filling, last)):
            return []
        self._refuse_unread_part(filling, last)
        many = "both" in filling.keys and len(frames) > 1
        if many and set(frames[-2].keys) == set(last.keys):
            return [Frame(one.marks, carried=True, text=one.text) for one in frames[-2:]]
        if (filling.lead or said_figure(filling)) and last.is_told and last.keys:
            return [Frame(last.marks, carried=True, text=filling.said.text)]
        return []

    def _other_level(self, filling: Filling, last: Frame) -> Frame | None:
        """Return the part before at another level: "top hose soft, bottom one new"."""
        key = filling.keys[0] if filling.keys else ""
        level = _LEVELS.get(key, key)
        kind = tag_of(level)
        if kind not in {"level", "depth"} or not (last.marks and last.is_told):
            return None
        schemes = {catalogue().get(o).positions for mark in last.marks for o in mark.owners}
        if kind == "level" and not schemes & {"hose", "wheel_ul"}:
            return None
        marks = [
            replace(
                mark,
                place=(level,),
                key=" ".join(word for word in mark.key.split() if tag_of(word) != kind),
            )
            for mark in last.marks
        ]
        kept = [word for word in last.keys if tag_of(word) != kind]
        return Frame(marks, carried=True, text=last.text, keys=kept)

    def _refuse_unread_part(self, filling: Filling, last: Frame) -> None:
        plain = self.signs.set("subparts") | self.words.fillers | {"side", "one"}
        for n, key in enumerate(filling.keys):
            known = n in filling.in_sign or tag_of(key) or key.isdigit() or key in plain
            own = any(key in mark.key.split() for mark in last.marks)
            if key in names_index().weight and not known and not own:
                raise Open("another part unread")

    # --- clauses before the part -------------------------------------------------------

    def share(self, frames: list[Frame]) -> None:
        """Give clauses without a part the one part that the line names behind them.

        Raises:
            Open: it names none.
        """
        if not any(frame.marks for frame in frames):
            self._imply(frames)
        for frame in frames:
            told = {sign.key for sign in frame.signs} & self.signs.implied
            wheels = any(tag_of(key) in {"wheel", "axled"} for key in frame.keys)
            if told and wheels and not (frame.marks or frame.before):
                frame.marks = [Mark(0, 0, "name", ("wheel.tire",), (), "tire")]
        first = next(n for n, frame in enumerate(frames) if frame.marks)
        head, lead = frames[first], frames[:first]
        if not lead:
            return
        if not any(frame.is_told for frame in lead):
            head.keys = [key for frame in lead for key in frame.keys] + head.keys
            head.unread += [u for frame in lead for u in (*frame.unread, *frame.before)]
        elif self._ends_with_part(head, lead):
            for frame in lead:
                frame.marks = head.marks
            return
        elif not {s.key for s in head.signs} - {"need", "needs"} and all(f.signs for f in lead):
            for frame in lead:
                head.signs += frame.signs
                head.unread += [*frame.unread, *frame.before]
                head.keys += frame.keys
        else:
            head.lead = lead
        head.raw = [token for frame in lead for token in frame.raw] + head.raw
        head.note = [token for frame in lead for token in frame.note] + head.note
        del frames[:first]

    def _ends_with_part(self, head: Frame, lead: list[Frame]) -> bool:
        """Whether a list of places ends with the part of them: "LF 6/32, RF 5/32 tires"."""
        last = self.line.casefold().split()[-1]
        return head.marks[-1].key in last and all(
            frame.is_told and any(tag_of(key) in PLACED for key in frame.keys)
            for frame in (*lead, head)
        )

    def _imply(self, frames: list[Frame]) -> None:
        """Take what only a tire has, or is measured in at a wheel, for a tire."""
        for frame in frames:
            wheels = any(tag_of(key) in {"wheel", "axled"} for key in frame.keys)
            placed = wheels or any(tag_of(key) in {"end", "side"} for key in frame.keys)
            told = bool({sign.key for sign in frame.signs} & self.signs.implied)
            told |= bool(frame.figures) and {one["unit"] for one in frame.figures} <= _BY_WHEEL
            if not placed or not told or frame.before:
                raise Open("no part")
            frame.marks = [Mark(0, 0, "name", ("wheel.tire",), (), "tire")]
            frame.text += "" if wheels else " tires"

    def last_place(self, frames: list[Frame]) -> None:
        """Give a place that ends the line to parts before it: "shoes ok, drums bad rear"."""
        last = re.findall(r"[a-z]+", self.line.casefold())[-1:]
        end = self.words.keys_of(last[0]) if last else []
        if len(frames) < 2 or len(end) != 1 or tag_of(end[0]) != "end" or frames[-1].keys != end:
            return
        for frame in frames[:-1]:
            schemes = {catalogue().get(o).positions for mark in frame.marks for o in mark.owners}
            if schemes <= {"axle", "wheel"} and not frame.keys:
                frame.keys += end
                frame.text += " both"


def said_figure(filling: Filling) -> bool:
    """Whether a clause holds one figure."""
    return len(filling.said.measured) == 1


def _figure_before(said: Said, at: int) -> bool:
    """Whether a figure stands just before a word."""
    token = said.words[at].token if at < len(said.words) else len(said.tokens)
    before = said.words[at - 1].token if at else -1
    return any(before < one < token for one, _figure in said.measured)
