"""A line in clauses, each with a part, a place and signs of how it is.

A clause with a part of its own begins a finding; one without says more of the part before it, or
of the same part at another place. What is left unread goes into the note where it can change
nothing, and is asked about where it may be a part, a place or a denial. The worst sign counts.
"""

import re
from collections.abc import Sequence

from roadworn.model.catalogue import OTHER, Component
from roadworn.model.errors import UsageError
from roadworn.reading.bench_audit import refuse_lost_place
from roadworn.reading.bench_doubt import refuse_more, small_part
from roadworn.reading.bench_frame_figures import figures_of, with_units
from roadworn.reading.bench_frame_grades import GradeReader
from roadworn.reading.bench_frame_marks import (
    ASIDE,
    Found,
    Frame,
    Has,
    Mark,
    Open,
    Symptom,
    clauses_of,
    rewritten,
)
from roadworn.reading.bench_frame_signs import packaged_signs
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import Words, packaged_words

#: Lines that have a part only another reading finds, or figures of two.
_OTHERWISE = (
    (re.compile(r"\bexh?au?s?t? leak (at|from|by|near)\b"), "two parts"),
    (re.compile(r"\bholds? \d+ (of|out of) \d+"), "a figure of another"),
)
_SHARE = re.compile(r"\b(one|1|two|2|some|most) (out )?of\b(?! the time)")
_OF_PIECES = re.compile(
    r"\d mm|\bend of\b|\b(hose|side|end|bolts?|nuts?|studs?|lugs?|teeth|ribs?|pins?|tabs?|leaves)\b"
)
#: Parts of which a line must say which one: of plugs or bolts some are enough.
_SEVERAL = re.compile(
    r"\b(t[iy]res?|shocks?|struts?|calipers?|chambers?|drums?|rotors?|hubs?|bearings?|slacks?|"
    r"lights?|lamps?|springs?|hoses?|mirrors?|belts?)\b"
)
#: What is measured in lengths, so that a bare figure lacks its unit.
_MEASURED = frozenset({"brake.pad", "brake.shoe", "brake.rotor", "brake.drum", "wheel.tire"})
#: Schemes whose places are kept whole, so that the note needs no word of them.
_PLACELESS = frozenset({"none", "bank", "cylinder", "bank+cam", "bank_sensor"})
_WHEELS = frozenset({"LF", "RF", "LR", "RR"})
_ORDER = {"sound": 0, None: 1, "wearing": 2, "failed": 3}


def found_in(text: str, shop: Words | None, has: Has | None) -> list[Found]:
    """Return what a line says, clause by clause.

    Args:
        text: as typed, without sizes.
        shop: words, those of a shop among them; None for the packaged ones.
        has: whether the vehicle has a component at a place, where somebody knows.

    Raises:
        UsageError: something is left open.
    """
    if text.lstrip().startswith(OTHER):
        raise Open("two parts")
    return _FrameReader(shop or packaged_words(), packaged_signs(), has).found_in(text)


def measured_in(text: str, shop: Words | None, has: Has | None) -> list[Found]:
    """Return what a line says where a figure is all that it says of a part; else nothing."""
    try:
        found = found_in(text, shop, has)
    except UsageError:
        return []
    return found if any(one.condition is None for one in found) else []


class _FrameReader(GradeReader):
    def found_in(self, text: str) -> list[Found]:
        self.typed, self.line = text, rewritten(with_units(text))
        self._refuse_line(self.line.casefold())
        frames: list[Frame] = []
        for clause, before in clauses_of(self.line):
            known = len(frames)
            self.take(clause, before, frames)
            self._refuse_breath(frames[known:])
        if not frames:
            raise Open("no part")
        self.share(frames)
        self.last_place(frames)
        return self._merged(self._without_shown(self._finished(_joined(frames))))

    @staticmethod
    def _refuse_line(folded: str) -> None:
        for pattern, why in _OTHERWISE:
            if pattern.search(folded):
                raise Open(why)
        share = _SHARE.search(folded) and not _OF_PIECES.search(folded)
        if share and _SEVERAL.search(folded):
            raise Open("one of several")

    @staticmethod
    def _refuse_breath(frames: list[Frame]) -> None:
        """Refuse several parts at several places in one breath: whose sign is whose."""
        placed = [frame for frame in frames if frame.keys and not frame.carried]
        owners = {mark.owners for frame in placed for mark in frame.marks}
        bad = all(frame.signs for frame in placed)
        if len(placed) > 1 and len(owners) > 1 and bad:
            raise Open("two parts in one breath")

    def _finished(self, frames: list[Frame]) -> list[Found]:
        """Return the findings of frames; a symptom beside what is bad goes into its note."""
        made: list[Found] = []
        previous: list[Found] = []
        shown = False
        for frame in frames:
            try:
                found = self._finish(frame, [] if _is_at_more(previous, made) else previous)
            except Symptom as symptom:
                if len(frames) == 1 or not self._only_shows_it(frame, symptom):
                    raise
                shown = True
                continue
            if frame.tail and not (previous and all(one.condition == "sound" for one in previous)):
                raise Open("what it does not do is said of something bad")
            self._check_lead(frame, found[0])
            previous = found
            made += [*previous, *self._others(frame, found)]
        if shown and not (made and all(one.condition in {"failed", "wearing"} for one in made)):
            raise Open("a symptom beside what is not bad")
        return made

    def _others(self, frame: Frame, found: Sequence[Found]) -> list[Found]:
        """Return the same part at the other wheels, where the rest is said to be good."""
        held = {one.position for one in found}
        every = self.signs.set("at_four_wheels") & {one.component.id for one in found}
        if not (frame.rest and every and held < _WHEELS):
            return []
        note = " ".join(frame.rest)
        return [
            found[0]._replace(position=place, condition="sound", figures=(), note=note, remark="")
            for place in sorted(_WHEELS - held)
        ]

    def _only_shows_it(self, frame: Frame, symptom: Symptom) -> bool:
        names = {mark.key for mark in frame.marks}
        return names <= self.signs.set("shown") or symptom.why == "a warning lamp"

    def _finish(self, frame: Frame, previous: Sequence[Found]) -> list[Found]:
        made: list[Found] = []
        for mark in frame.marks:
            component = self.component_of(mark, frame)
            condition = self.condition_of(frame, component, mark)
            figures = figures_of(frame, component, self.words, self.signs)
            self._refuse_part(frame, mark, component)
            unused = [
                k
                for n, k in enumerate(frame.keys)
                if k.isdigit() and frame.keys[n - 1 : n] not in (["axle"], ["all"])
            ]
            if unused and component.id in _MEASURED:
                raise Open("a figure without its unit")
            if component.id == "ignition.spark_plug" and figures and condition:
                raise Open("a gap and a sign")
            if component.id == "engine.mount" and frame.figures and "eng" in self.line.casefold():
                raise Open("how far it lifts")
            if condition is None and not figures and not frame.counts:
                raise Open("no condition")
            if len(figures) > 1:
                raise Open("figures of two")
            places, remark = self.places(frame, component, mark, condition, previous)
            small = "" if figures else small_part(component.id, mark.key) or mark.key
            refuse_more(self.typed, component, places, condition, small)
            refuse_lost_place(" ".join(frame.raw), component, mark.key, places, self.words)
            held = "-".join(place or "" for place in places) if _holds(component, places) else None
            note = frame.note_of(measured=bool(figures), held=held)
            made += [
                Found(component, place, condition, figures, note, remark, mark.key)
                for place in places
            ]
        return made

    def _refuse_part(self, frame: Frame, mark: Mark, component: Component) -> None:
        """Refuse a name that its own words leave open, or that was misspelt and can hurt."""
        if mark.misspelt and component.safety_critical:
            raise Open(f"two parts: {component.name} is not spelled so")
        if component.id == "electrical.wiring" and any(key.isdigit() for key in frame.keys):
            raise Open("which wire")
        bare = any(
            key.isdigit() and frame.keys[n - 1 : n] != ["axle"] for n, key in enumerate(frame.keys)
        )
        if bare and component.id in _MEASURED and not frame.figures:
            raise Open("a figure without its unit")
        if component.id == "wheel.bearing" and "oil" in frame.line:
            raise Open("a hub or its oil")
        repaired = component.id == "body.windshield" and "filled" in frame.words
        if repaired or (component.id == "engine.oil" and "out of" in frame.line):
            raise Open("what it is now" if repaired else "where it came from")
        if mark.key == "cable" and "cables" not in self.line.casefold():
            raise Open("which cable")

    def _check_lead(self, frame: Frame, found: Found) -> None:
        """Refuse what is told before a part, where it may be worse than that part."""
        for lead in frame.lead:
            grades = {
                self.signs.grade(sign.key, found.component, self.words)
                for sign in lead.signs
                if not sign.denied
            }
            denied = any(sign.denied for sign in lead.signs)
            doubt = any(word.startswith("?") for word in lead.unread)
            fits = {
                "failed": True,
                "wearing": "failed" not in grades and not denied,
                "sound": grades <= {"sound", ""} and not denied and not lead.unread,
            }
            placed = any(tag_of(key) in ASIDE for key in lead.keys)
            lost = placed and found.component.positions in _PLACELESS
            if lost or doubt or lead.figures or not fits.get(found.condition or ""):
                raise Open("something is told before the part")

    def _without_shown(self, found: list[Found]) -> list[Found]:
        """Return findings without what only shows that another one has failed."""
        ids = {one.component.id for one in found}
        if {"hvac.refrigerant", "hvac.compressor"} <= ids and any(one.figures for one in found):
            raise Open("which of the two was measured")
        if {"wheel.tire", "wheel.alignment"} <= ids and "need" in self.line.casefold():
            raise Open("how far it is out")
        bad = {one.component.id for one in found if one.condition == "failed"}
        drop = {shown for part in bad for shown in self.signs.shown_by.get(part, ())}
        return [one for one in found if one.component.id not in drop]

    @staticmethod
    def _merged(found: list[Found]) -> list[Found]:
        """Return findings, two of one part at one place as the worse of them."""
        made: dict[tuple[str, str | None], Found] = {}
        for one in found:
            key = (one.component.id, one.position)
            before = made.get(key)
            if before is None:
                made[key] = one
                continue
            said = {before.condition, one.condition}
            two = before.name != one.name and bool(before.figures or one.figures)
            if (
                None in said
                or said == {"sound", "failed"}
                or (before.figures and one.figures)
                or two
            ):
                raise Open("twice")
            worse = max(before, one, key=lambda each: _ORDER[each.condition])
            note = " ".join(filter(None, (before.note, one.note)))
            made[key] = worse._replace(note=note, figures=before.figures or one.figures)
        whole = {part for part, place in made if place is None}
        if any(place and part in whole for part, place in made):
            raise Open("at a place and at none")
        return list(made.values())


def _holds(component: Component, places: Sequence[str | None]) -> bool:
    """Whether the places of a part hold all that was said of them."""
    return places != [None] and component.positions not in _PLACELESS


def _joined(frames: list[Frame]) -> list[Frame]:
    """Return frames, one that names a part again and tells nothing as more of the one before."""
    kept: list[Frame] = []
    for frame in frames:
        last = kept[-1] if kept else None
        empty = not (frame.is_told or {*frame.keys} - {"all", "both"} or frame.denied)
        if last and empty and _owners(last) == _owners(frame):
            last.raw += frame.raw
            last.note += frame.note
            last.unread += frame.unread
            continue
        bare = last and not (last.is_told or last.denied)
        if last and bare and not frame.keys and _owners(frame) <= _owners(last):
            frame.keys = last.keys + frame.keys
            frame.raw = last.raw + frame.raw
            frame.note = last.note + frame.note
            frame.unread = last.unread + last.before + frame.unread
            kept.pop()
        kept.append(frame)
    return kept


def _is_at_more(previous: Sequence[Found], made: Sequence[Found]) -> bool:
    """Whether the part before was told of at other places as well, so that it gives none on."""
    ids = {one.component.id for one in previous}
    held = {one.position for one in previous}
    return any(one.component.id in ids and one.position not in held for one in made)


def _owners(frame: Frame) -> set[str]:
    return {one for mark in frame.marks for one in mark.owners}
