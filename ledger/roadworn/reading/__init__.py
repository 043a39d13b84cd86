"""What a person types or pastes, read into payloads; nothing is guessed.

Pure functions from text; what cannot be read raises `UsageError` with what to type instead. Here
are findings and parts said in one breath, and the condition that a figure has by its limit.

``brake pads front 3 mm wearing``: the catalogue takes component and place, then come
measurements and the condition in any order, and what is left is the note. A mechanic who types
``tire LF 5/32 in`` has said enough where the limits that fit agree. A condition that was typed
stands; `roadworn.checks.measured` gives the second look then.
"""

import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NamedTuple, get_args

from roadworn.checks.measured import check_measurements
from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.payloads import Condition
from roadworn.model.places import PLACED, loses_level
from roadworn.model.units import measurement_at
from roadworn.trade.judging import (
    KnownSizes,
    component_of,
    denial_before,
    figures_of,
    judge_by_all,
    put_sizes,
    take_sizes,
)
from roadworn.trade.limits import Sheet, load_sheet, name_way, take_way

if TYPE_CHECKING:
    from roadworn.reading.bench import Has
    from roadworn.reading.bench_words import Words

#: Conditions of a finding, as they are stored.
CONDITIONS: tuple[str, ...] = get_args(Condition)
#: What a person types -> the condition it stands for; a letter only answers a question. What is
#: stored has its own words (`roadworn.model.payloads.Condition`).
CONDITION_WORDS: dict[str, Condition] = {
    "sound": "sound", "s": "sound",
    "wearing": "wearing", "w": "wearing",
    "failed": "failed", "f": "failed",
    "not checked": "not_checked", "not-checked": "not_checked", "not_checked": "not_checked",
    "n": "not_checked",
}  # fmt: skip
_SAY_ONE = "sound, wearing, failed or not checked"
# In the middle of a note only units that are no words of their own count as measured.
_UNITS_IN_NOTES = frozenset({"mm", "32nds", "V", "psi", "kPa", "bar"})
# "3 in the morning" measures nothing.
_NOT_INCHES = frozenset({"a", "all", "both", "each", "every", "the", "this"})
#: A note is looked over this far for a second finding.
_LOOKED_AT = 60
_BARE_NUMBER = re.compile(r"\d+([.,]\d+)?[,;]?")
_MAY_MEAN_MORE = re.compile(r"\b(?i:sound|both|amb[oa]s|l/r|(?-i:lr))\b")
DEFAULT_SHEET = "light_vehicle"


class JudgedFinding(NamedTuple):
    """A finding as a dictionary, and a word about its figure, often empty."""

    finding: dict[str, Any]
    remark: str


def read_item(text: str, words: "Callable[[], Words] | None" = None) -> dict[str, str]:
    """Read a component and its place, ``wheel bearing LF``, with nothing left over.

    Args:
        text: as typed.
        words: gives the words to read by, a shop's own among them; asked only where needed.

    Returns:
        `component` and, when given, `position`.

    Raises:
        UnknownName: no component answers to it; carries the nearest.
        UsageError: something is left over.
    """
    component, position, rest = split_part(text, words)
    if rest:
        from roadworn.reading.bench import hear_part
        from roadworn.reading.refusing import meant_by

        with suppress(UsageError):
            heard = hear_part(text, words() if words else None)
            if not heard[2]:
                return part_fields(*heard[:2])
        meant = meant_by(component, rest.split())
        raise UsageError(
            f"{rest!r} in {text.strip()!r} is no position of {component.name} "
            f"({component.positions}): leave it out, or put it into the note.{meant}"
        )
    return part_fields(component, position)


def read_finding(text: str) -> dict[str, Any]:
    """Read one finding of a look-over.

    Returns:
        A `Finding` as a dictionary; `safety` is set when a safety-critical component failed.

    Raises:
        UnknownName: no component answers to it.
        UsageError: no condition was said, or a figure has no unit.
    """
    return _finding(text)


def _finding(text: str, *, must_say: bool = True) -> dict[str, Any]:
    """Read a finding; unless it must say a condition, one that says none comes without."""
    component, position, rest = split_part(text)
    tokens = rest.split()
    condition, at, length = _condition(tokens, text)
    if must_say and condition is None:
        raise no_condition(text)
    measurements, unread = _measurements(tokens[:at], text)
    if unread:
        from roadworn.reading.refusing import check_words

        check_words(text, component, unread)
    _refuse_second(text, tokens[at + length :])
    more, left = _measurements(tokens[at + length :], text, may_note=True)
    measurements += more
    check_measurements(component.id, measurements)
    left = [*unread, *left]
    finding: dict[str, Any] = {**part_fields(component, position), "condition": condition}
    if measurements:
        finding["measurements"] = measurements
    if component.safety_critical and condition == "failed":
        finding["safety"] = True
    if left:
        finding["note"] = " ".join(left).strip(" ,;:-") or None
    return {key: value for key, value in finding.items() if value is not None}


def read_measurements(text: str) -> list[dict[str, Any]]:
    """Read measurements alone, ``12.4 V 35 psi``; UsageError where something is none."""
    measurements, left = _measurements(text.split(), text)
    if left:
        raise UsageError(f"{' '.join(left)!r} is no measurement", "write it as 3 mm or 4/32 in")
    return measurements


def read_judged_finding(
    text: str, sheet: Sheet | None = None, sizes: KnownSizes | None = None
) -> JudgedFinding:
    """Read one finding; without a condition its figure decides by the limit of the sheet.

    Args:
        text: as `read_finding` takes it, the condition left out or not, and sizes as
            `roadworn.trade.judging` has them.
        sheet: look-over sheet whose limits hold; None for the light vehicle's.
        sizes: those on record of the vehicle; what the finding says is added.

    Raises:
        UnknownName: no component answers to it.
        UsageError: neither a condition nor a figure that the limits settle was given.
    """
    known = KnownSizes() if sizes is None else sizes
    plain, said = take_sizes(text)
    plain, way = take_way(plain)
    found = _about(plain, component_of(said))
    name_way(found, way)
    put_sizes(found, said)
    known.keep(found)
    if "condition" in found:
        return JudgedFinding(found, "")
    if said and not any(figures_of(found)):
        # Only a size was said: the part itself was not looked at.
        return JudgedFinding({**found, "condition": "not_checked"}, "")
    return judged(plain, found, sheet or load_sheet(DEFAULT_SHEET), known)


def read_findings(
    text: str,
    sheet: Sheet | None = None,
    sizes: KnownSizes | None = None,
    *,
    words: "Callable[[], Words] | None" = None,
    has: "Has | None" = None,
) -> list[JudgedFinding]:
    """Read what one phrase says, plainly or as a bay says it: several parts or places of one.

    Args:
        text: as `read_judged_finding` takes it, or as `roadworn.reading.bench` does.
        sheet: look-over sheet whose limits hold; None for the light vehicle's.
        sizes: those on record of the vehicle; what is said is added.
        words: gives the words to read by, a shop's own among them; asked only where needed.
        has: whether the vehicle has a component at a place.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it leaves open which part, where, or in what condition.
    """
    known = KnownSizes() if sizes is None else sizes
    refused: UsageError | None = None
    try:
        read = read_judged_finding(text, sheet, sizes)
        if _says_all(text, read):
            if "note" in read.finding or _MAY_MEAN_MORE.search(text):
                from roadworn.reading.refusing import refuse_plain

                refuse_plain(text, read.finding, words)
            return [read]
    except UsageError as error:
        refused = error
    from roadworn.reading.bench_door import said_findings

    def judge(said: str, finding: dict[str, Any], sized: KnownSizes) -> JudgedFinding:
        return judged(said, finding, sheet or load_sheet(DEFAULT_SHEET), sized)

    shop = words() if words else None
    return [JudgedFinding(*one) for one in said_findings(text, refused, judge, known, shop, has)]


def _says_all(text: str, read: JudgedFinding) -> bool:
    """Whether a plain reading left nothing out: words beside a figure may say how it is."""
    finding = read.finding
    component = catalogue().get(finding["component"])
    open_place = "position" not in finding and component.positions in PLACED
    if read.remark and ("note" in finding or open_place):
        return False
    position = finding.get("position")
    if position is None and component.positions == "side":
        return not any(w.casefold().strip(",;:.").endswith("s") for w in text.split()[:3])
    return not loses_level(text, component.positions, position)


def _about(text: str, component: str) -> dict[str, Any]:
    """Read a finding; one that names no component is about that which its size belongs to."""
    try:
        return _finding(text, must_say=False)
    except UsageError as error:
        if not component:
            raise
        try:
            found = _finding(f"{component} {text}", must_say=False)
        except UsageError:
            raise error from None
        if isinstance(error, UnknownName) and "condition" not in found:
            raise
        return found


def judged(text: str, finding: dict[str, Any], sheet: Sheet, known: KnownSizes) -> JudgedFinding:
    """Give a finding the condition of its one figure; UsageError where what fits disagrees."""
    from roadworn.reading.ways import judged_words, taken_as_usual

    figures = list(figures_of(finding))
    if len(figures) != 1:
        raise no_condition(text)
    told = judge_by_all(sheet.items, finding, figures[0], known)
    if len({one.condition for one in told}) != 1 or told[0].condition == "not_checked":
        if usual := taken_as_usual(finding, told):
            return JudgedFinding(usual[0], f"{judged_words(*usual[:2])} {usual[2]}")
        from roadworn.reading.refusing import refuse_figure

        refuse_figure(text, sheet.name, told, placed="position" in finding)
    judgement = told[0]
    made = {**finding, "condition": judgement.condition}
    if judgement.safety:
        made["safety"] = True
    return JudgedFinding(made, judged_words(made, judgement))


def split_part(
    text: str, words: "Callable[[], Words] | None" = None
) -> tuple[Component, str | None, str]:
    """Return component and place that a phrase begins with, and the rest; raises UnknownName."""
    if not text.strip():
        raise UsageError("A component is missing", "write it as 'wheel bearing LF'")
    found = catalogue().resolve_phrase(text, allow_other=True, near=False)
    if found.part and _is_plain(text, *found.part):
        return found.part
    from roadworn.reading.bench import hear_part
    from roadworn.reading.refusing import check_guess, refuse_component

    try:
        return hear_part(text, words and words())
    except UsageError as error:
        if not found.exact:
            found = catalogue().resolve_phrase(text, allow_other=True)
        if found.part and not found.exact and _is_plain(text, *found.part):
            return check_guess(text, found.part, found.suggestions)
        if found.component or not found.suggestions or getattr(error, "near", True):
            raise
        refuse_component(text, found.suggestions)


def _is_plain(text: str, component: Component, position: str | None, rest: str) -> bool:
    """Whether a part is all that was said of it: "wheel brg RF" is no wheel, and its work none."""
    if loses_level(text, component.positions, position):
        return False
    first = rest.split(maxsplit=1)[:1]
    if not first or text.strip().removesuffix(rest).rstrip().endswith((",", ":", ";")):
        return True
    if not first[0][0].isalpha() or condition_of(first[0].strip(",;:.")):
        return True
    from roadworn.reading.bench_words import packaged_words, plain_key

    return (plain_key(first[0]),) not in packaged_words().short


def _refuse_second(text: str, tail: Sequence[str]) -> None:
    """Refuse a second finding behind the condition: it would be lost in the note of the first."""
    words = _plain_words(tail[:_LOOKED_AT])
    for at in range(1, len(words)):
        if not _length_of_condition(words, at):
            continue
        from roadworn.reading.refusing import LONGEST_NAME, component_before

        for start in range(max(0, at - LONGEST_NAME), at):
            found = component_before(words[start:at])
            if found is not None:
                raise UsageError(
                    f"{text.strip()!r} says more than one finding ({found.name} comes after "
                    "another condition)",
                    "write ; before it, or give each finding by itself",
                )


def part_fields(component: Component, position: str | None) -> dict[str, str]:
    """Return the two fields of a payload that say what a thing is about."""
    item = {"component": component.id}
    return item | {"position": position} if position else item


def condition_of(word: str, *, may_be_key: bool = False) -> Condition | None:
    """Return the condition that a word or two stand for; a letter does where keys are asked for."""
    spelled = " ".join(word.casefold().split())
    return CONDITION_WORDS.get(spelled) if may_be_key or len(spelled) > 1 else None


def says_condition(text: str) -> bool:
    """Return whether a condition is said somewhere in a text."""
    words = _plain_words(text.split())
    return any(_length_of_condition(words, at) for at in range(len(words)))


def _plain_words(tokens: Iterable[str]) -> list[str]:
    return [token.casefold().strip(",;:.") for token in tokens]


def _length_of_condition(words: Sequence[str], at: int) -> int:
    """Return of how many words the condition consists that is said from `at` on, 0 if none is."""
    longest = max(len(spelled.split()) for spelled in CONDITION_WORDS)
    for length in range(min(longest, len(words) - at), 0, -1):
        if condition_of(" ".join(words[at : at + length])):
            return length
    return 0


def _condition(tokens: Sequence[str], text: str) -> tuple[Condition | None, int, int]:
    """Return the first condition said or None, where it stands, and how many words it takes."""
    words = _plain_words(tokens)
    for at in range(len(words)):
        length = _length_of_condition(words, at)
        if length and (denied := denial_before(words, at, tokens)):
            raise UsageError(
                f"'{denied} {words[at]}' in {text.strip()!r} leaves open what it is",
                f"say {_SAY_ONE}",
            )
        if length:
            return condition_of(" ".join(words[at : at + length])), at, length
    return None, len(tokens), 0


def no_condition(text: str) -> UsageError:
    """Return what is said where a line says no condition."""
    return UsageError(f"{text.strip()!r} says no condition", f"add {_SAY_ONE}", "no-condition")


def _measurements(
    tokens: Sequence[str], text: str, *, may_note: bool = False
) -> tuple[list[dict[str, Any]], list[str]]:
    """Take measurements out of the words; in a note they are read but left standing."""
    found: list[dict[str, Any]] = []
    left: list[str] = []
    at = 0
    while at < len(tokens):
        quantity, length = measurement_at(tokens, at)
        if quantity is None:
            # A figure alone lacks its unit; before other words it begins a note: 2 times.
            alone = len(tokens) == 1 or not may_note
            if alone and not left and re.fullmatch(r"\d+,\d{1,2}[,;]?", tokens[at]):
                point = tokens[at].rstrip(",;").replace(",", ".")
                raise UsageError(
                    f"{tokens[at]!r} in {text.strip()!r} has a comma before its decimals",
                    f"write {point} with its unit",
                )
            if alone and not left and _BARE_NUMBER.fullmatch(tokens[at]):
                raise UsageError(
                    f"{tokens[at]!r} in {text.strip()!r} has no unit",
                    "write it as 3 mm, 4/32 in or 12.4 V",
                )
            left.append(tokens[at])
            at += 1
            continue
        value, unit = quantity
        after = tokens[at + length] if at + length < len(tokens) else ""
        if unit == "in" and after.casefold() in _NOT_INCHES:
            left.extend(tokens[at : at + length])
            at += length
            continue
        if not left or unit in _UNITS_IN_NOTES:
            found.append({"value": value, "unit": unit})
        if left:
            left.extend(tokens[at : at + length])
        at += length
    return found, left
