"""In what condition a frame says its part to be: the worst sign counts, and doubt is asked."""

import re
from dataclasses import dataclass, field

from roadworn.model.catalogue import Component
from roadworn.model.payloads import Condition
from roadworn.reading.bench_frame_figures import figures_of
from roadworn.reading.bench_frame_marks import Frame, Mark, Open, Sign, Symptom
from roadworn.reading.bench_frame_places import PlaceReader
from roadworn.reading.bench_names import names_index
from roadworn.reading.bench_places import tag_of

_BAD = frozenset({"failed", "wearing"})
_GOOD = frozenset({"ok", "good", "fine"})
_YET = re.compile(r"\b(though|tho|still|anyway|but|yet)\b")
#: So much oil is missing that the engine may not run.
_LOW = re.compile(r"\b([2-9]|two|three|four) ?(?:\+ )?(?:qts?|quarts?)\b", re.IGNORECASE)
_JOINED = re.compile(r"\b[lr][fr] ?(?:\+|&|/|and|n|plus) ?[lr][fr]\b")
_HIGH_ONLY = re.compile(
    r"\bonly (?:works? |blows? |runs? )?(?:on |in )?(?:hi|high|lo|low|speed|\d)\b"
)
_BUT = re.compile(r"\bbut\b")
_WARNING = re.compile(
    r"\b(light|lite|lt|lamp|warning|code|msg|message)s?\b.*\b(on|set|lit|flash\w*)\b"
)
_GAS = re.compile(r"freon|refrigerant|charge|\bgas\b|low on")
_ENGINE = re.compile(r"\beng|\bmotor")
_SLIDES = re.compile(r"slide|pin")
_CRACKING = frozenset({"crack", "cracking", "crackin"})
_GOES_OFF = frozenset({"go off", "turn off", "shut off"})
_NOISE = ("growl", "hum", "roar", "howl", "rumble", "nois", "grumble", "drone", "loud")
_RUNS_OR_STICKS = ("no leak", "leak", "stuck", "seiz", "froz")
_REPAIRED = frozenset({"filled", "repaired", "resealed"})
#: These work at some of their speeds only, which is a failure of the others.
_BY_SPEEDS = frozenset({"hvac.blower", "body.wiper_motor"})


@dataclass
class _Told:
    """The signs of a frame with what they mean of its part."""

    grades: list[tuple[str, Sign]] = field(default_factory=list)
    weak: list[str] = field(default_factory=list)
    soft: list[str] = field(default_factory=list)

    def keys(self, grade: str) -> list[str]:
        return [sign.key for one, sign in self.grades if one == grade]

    @property
    def all(self) -> set[str]:
        return {grade for grade, _sign in self.grades}


class GradeReader(PlaceReader):
    """Says in what condition a part is."""

    def condition_of(self, frame: Frame, component: Component, mark: Mark) -> Condition | None:
        """Return the condition of a part, None where only a figure is said.

        Raises:
            Open: it is left open.
            Symptom: it is told of a system, or of a lamp that warns.
        """
        if frame.denied and not frame.signs:
            return "failed"
        told = self._told(frame, component, mark)
        wheels = {key for key in frame.keys if tag_of(key) in {"wheel", "axled"}}
        joined = _JOINED.search(self.line.casefold())
        if (
            len(wheels) > 1
            and not joined
            and told.all & _BAD
            and (told.weak or "sound" in told.all)
        ):
            raise Open("which wheel is bad")
        core = self.signs.set("core_sound") | _GOOD
        first = told.grades[0] if told.grades else ("", None)
        if (
            first[1]
            and first[1].key in core
            and told.all == {"sound", "wearing"}
            and _BUT.search(self.line.casefold())
        ):
            raise Open("good, but worn")
        self._settle(told)
        self._refuse_system(frame, mark, told)
        self._refuse_doubt(frame, told)
        if component.id == "engine.oil" and told.all == {"wearing"} and _LOW.search(self.line):
            return "failed"
        if told.all == {"wearing"} and component.system == "fuel" and "smell" in self.line:
            return "failed"
        if "failed" in told.all:
            return self._failed(frame, component, mark, told)
        if "wearing" in told.all:
            self._check_before(frame, component)
            if any(word.startswith("!") for word in frame.unread):
                raise Open("something is denied beside wear")
            return "wearing"
        return self._sound(frame, component, mark, told)

    def _told(self, frame: Frame, component: Component, mark: Mark) -> _Told:
        told = _Told()
        for sign in frame.signs:
            grade = self._grade(sign, frame, component, mark)
            if sign.denied:
                self._take_denied(sign, grade, component, told)
            else:
                self._take_sign(sign, grade, frame, component, told)
        return told

    def _grade(self, sign: Sign, frame: Frame, component: Component, mark: Mark) -> str:
        key = sign.key
        grade = self.signs.grade(key, component, self.words)
        rubber = self.signs.set("rubber") & set(mark.key.split())
        if key in _CRACKING and grade == "failed" and rubber:
            return "wearing"
        if component.id == "brake.caliper" and key == "dry" and _SLIDES.search(frame.line):
            return "wearing"
        if not sign.denied and grade == "failed" and sign.slight:
            return "wearing" if key.startswith(tuple(self.signs.set("milder"))) else grade
        return grade

    def _take_denied(self, sign: Sign, grade: str, component: Component, told: _Told) -> None:
        """Take what is denied: a deed is a failure, and what is bad leaves a part sound.

        Raises:
            Open: "not good" is neither.
        """
        if component.id == "lighting.tail_stop_lamp" and sign.key in _GOES_OFF:
            raise Open("lamp or switch")
        does = self.signs.does(sign.key, component)
        if does or (grade == "sound" and self.signs.is_deed(sign.key)):
            told.grades.append(("failed", sign))
        elif grade in {"failed", "wearing", "ask"}:
            told.weak.append(sign.key)
        elif sign.key not in self.signs.set("cared"):
            raise Open(f"not {sign.key}")

    def _take_sign(
        self, sign: Sign, grade: str, frame: Frame, component: Component, told: _Told
    ) -> None:
        key = sign.key
        if key in self.signs.softens:
            told.soft.append(key)
            if not grade and not key.startswith(("not ", "no ")):
                told.weak.append(key)
        if not grade and self.signs.does(key, component):
            grade = "sound"
        if not grade:
            plain = self.signs.softens | self.signs.neutral
            if key not in plain and not self.signs.is_mute(key, component):
                frame.unread.append(key)
            return
        if key in self.signs.set("ceases") and "wearing" in told.all:
            return  # the noise that was told before it
        if grade == "sound" and sign.elsewhere and told.all & _BAD:
            return
        if grade == "sound" and key.split()[0] in {"no", "not", "without"}:
            told.weak.append(key)
            return
        told.grades.append((grade, sign))

    def _settle(self, told: _Told) -> None:
        """Leave out what means nothing beside other signs."""
        if len(told.grades) > 1:
            told.grades = [one for one in told.grades if one[1].key != "done"]
        if set(told.keys("ask")) & self.signs.doubts:
            raise Open("a doubt is said")
        if "ask" in told.all:
            if not told.all & _BAD:
                raise Open(f"what {told.keys('ask')[0]} means")
            told.grades = [one for one in told.grades if one[0] != "ask"]
        if not told.grades or told.all - {"wearing", "sound"}:
            return
        grade, last = told.grades[-1]
        repaired = _REPAIRED & {sign.key for _grade, sign in told.grades}
        if last.key in self.signs.set("now") or (repaired and grade == "sound"):
            told.grades = told.grades[-1:]

    def _refuse_system(self, frame: Frame, mark: Mark, told: _Told) -> None:
        key = mark.key
        whole = key not in {"engine", "motor"} or bool(_ENGINE.search(frame.line))
        if key == "wheel":
            whole = not any(s.key.startswith(("bent", "crack")) for _grade, s in told.grades)
        gas = _GAS.search(self.line.casefold())
        if key in self.signs.set("systems") and whole and told.all & _BAD and not gas:
            raise Symptom("a system")
        if key in {"wheel", "floor"} and "failed" not in told.all:
            raise Open("plain name")

    def _refuse_doubt(self, frame: Frame, told: _Told) -> None:
        limiting = {f"?{word}" for word in self.signs.set("limiting")}
        spare = limiting if "failed" in told.all else set[str]()
        doubts = [word for word in frame.unread if word.startswith("?") and word not in spare]
        if doubts:
            raise Open(f"{doubts[0][1:] or '?'} is said")

    def _failed(self, frame: Frame, component: Component, mark: Mark, told: _Told) -> Condition:
        """Return failed, or wearing where it is said to serve yet."""
        failing = told.keys("failed")
        if any(word.startswith(_RUNS_OR_STICKS) for word in told.weak) and any(
            key.startswith(tuple(self.signs.set("contrary"))) for key in failing
        ):
            raise Open("it does and does not")
        if "swollen" in failing and "wearing" in told.all:
            raise Open("how swollen")
        strong = [key for key in told.keys("sound") if self._is_strong(key, component)]
        pieces = all(sign.of_piece for grade, sign in told.grades if grade == "failed")
        serves = any(not key.startswith(("no ", "not ")) for key in told.soft)
        quiet = component.id == "wheel.bearing" and any("play" in word for word in told.weak)
        if (strong or told.soft) and pieces:
            return "wearing"
        hurts = component.safety_critical and not pieces
        said = {*frame.words, *(sign.key for sign in frame.signs)}
        worn = tuple(self.signs.set("worn_at_times"))
        if not hurts and self.signs.set("at_times") & said and all(
            key.startswith(worn) for key in failing
        ):  # fmt: skip
            return "wearing"
        if quiet and all(key.startswith(_NOISE) for key in failing):
            return "wearing"
        wear = tuple(self.signs.set("wearlike"))
        if (serves or strong) and all(key.startswith(wear) for key in failing):
            return "wearing"
        mild = tuple(self.signs.set("mild"))
        is_mild = all(key.startswith(mild) or key.endswith(mild) for key in failing)
        cracked = bool(told.weak) and all(key.startswith("crack") for key in failing)
        if cracked and self.signs.set("bushes") & {*mark.key.split()}:
            return "wearing"  # rubber that holds
        if is_mild and (serves or strong or cracked):
            if hurts and (serves or strong or told.soft):
                raise Open("it may hurt, and serves yet")
            return "wearing" if not hurts else "failed"
        if told.soft and is_mild and hurts:
            raise Open("it may hurt, and serves yet")
        faint = any(not sign.denied and one == "sound" for one, sign in told.grades)
        if serves or strong or (faint and _YET.search(self.line.casefold())):
            raise Open("failed and sound")
        self._check_before(frame, component)
        return "failed"

    def _is_strong(self, key: str, component: Component) -> bool:
        """Whether what is sound takes back what is bad: "ok", not "dry"."""
        core = key.split(maxsplit=1)[0] in self.signs.set("core_sound")
        faint = key.split(maxsplit=1)[0] in self.signs.set("faint")
        return not faint and (core or not self.signs.does(key, component))

    def _sound(
        self, frame: Frame, component: Component, mark: Mark, told: _Told
    ) -> Condition | None:
        figures = figures_of(frame, component, self.words, self.signs)
        only = "only" in frame.words and any(
            self.signs.does(sign.key, component) for sign in frame.signs
        )
        if component.id in _BY_SPEEDS and (only or _HIGH_ONLY.search(frame.line)):
            return "failed"
        if only and not figures:
            raise Open("only is said")
        if frame.counts and not figures and _BUT.search(self.line.casefold()):
            raise Open("how far it goes, but good")
        if frame.denied:
            raise Open("what is denied")
        if not only and (told.all or told.weak):
            self._check_sound(frame, component, mark, only_weak=not told.all)
            return "sound"
        if only or ((figures or frame.counts) and not self._strange(frame, component)):
            return None
        if _WARNING.search(frame.line):
            raise Symptom("a warning lamp")
        raise Open("nothing told of it")

    def _strange(self, frame: Frame, component: Component) -> list[str]:
        """Return the words that may change what is said."""
        words = self.words
        known = names_index().vocabulary.get(component.id, frozenset()) | words.details
        known |= words.pieces | words.counted | words.asides | words.beside
        return [
            word
            for word in (*frame.before, *frame.unread)
            if word not in known
            and not self.signs.does(word, component)
            and not word.isdigit()
            and not (word.endswith("ly") and len(word) > 4)
        ]

    def _check_before(self, frame: Frame, component: Component) -> None:
        """Refuse words that may make another part of it."""
        own = names_index().vocabulary.get(component.id, frozenset()) | self.words.details
        own |= self.signs.ordinary
        strange = [w for w in frame.before if w not in own and not w.endswith("ly")]
        if strange:
            raise Open(f"what {strange[0]} is")
        parts = names_index().weight.keys() - own - self.words.pieces
        if sum(word in parts for word in frame.unread) > 2:
            raise Open("other parts are named")

    def _check_sound(
        self, frame: Frame, component: Component, mark: Mark, *, only_weak: bool
    ) -> None:
        """Refuse to take for sound what other words may limit."""
        own = names_index().vocabulary.get(component.id, frozenset()) | {*mark.key.split()}
        strange = self._strange(frame, component)
        strange += [word for word in frame.unread if word in self.words.pieces - own]
        limits = [
            word
            for word in frame.words
            if word in self.signs.set("limits") - {*mark.key.split()} and not tag_of(word)
        ]
        if frame.symptoms or strange or limits:
            raise Open(f"unread {(*strange, *limits, *frame.symptoms)[0]}")
        if "not" in frame.words and not only_weak and "," not in self.line:
            raise Open("not is said of what is good")
        if only_weak and "yet" in frame.words:
            raise Open("yet is said")
