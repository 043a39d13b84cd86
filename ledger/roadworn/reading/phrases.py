"""Findings, parts and estimate lines said in one breath.

``brake pads front 3 mm wearing``: the catalogue takes component and place, then come
measurements and the condition in any order, and what is left is the note.
"""

import re
from collections.abc import Sequence
from typing import Any, NoReturn, get_args

from roadworn.checks.measured import check_measurements
from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.payloads import Condition
from roadworn.model.places import (
    PositionError,
    near_position,
    normalise_position,
    read_position_words,
)
from roadworn.model.units import UnitError, parse_measurement
from roadworn.reading.amounts import choose, read_money

#: Conditions of a finding, as words a person types.
CONDITIONS: tuple[str, ...] = get_args(Condition)
_CONDITION_WORDS = "sound, wearing, failed or not checked"
# In the middle of a note only units that are no words of their own count as measured.
_UNITS_IN_NOTES = frozenset({"mm", "32nds", "V", "psi", "kPa", "bar"})
# "3 in the morning" measures nothing.
_NOT_INCHES = frozenset({"a", "all", "both", "each", "every", "the", "this"})
_LONGEST_NAME = 9
#: A note is looked over this far for a second finding.
_LOOKED_AT = 60
#: Likeness in percent from which words are taken for a misspelt component.
_NEARLY = 85.0
#: Words that can only say where, though the component may have no such place.
_PLACE_LIKE = re.compile(
    r"(?i:l|r|left|right|front|rear|upper|lower|inner|outer|[no]/?s[fr]?|[lr][fr]|[1-9][lr].?)[,;:]?"
)
_DECISIONS = ("approved", "declined", "deferred")


def read_item(text: str) -> dict[str, str]:
    """Read a component and its place, ``wheel bearing LF``, with nothing left over.

    Returns:
        `component` and, when given, `position`.

    Raises:
        UnknownName: no component answers to it; carries the nearest.
        UsageError: something is left over.
    """
    component, position, rest = _split(text)
    if rest:
        meant = _meant(component, rest.split())
        raise UsageError(
            f"{rest!r} in {text.strip()!r} is no position of {component.name} "
            f"({component.positions}): leave it out, or put it into --note.{meant}"
        )
    return _place(component, position)


def read_finding(text: str) -> dict[str, Any]:
    """Read one finding of a look-over.

    Args:
        text: component, place, measurements with unit, condition, and a note.

    Returns:
        A `Finding` as a dictionary; `safety` is set when a safety-critical component failed.

    Raises:
        UnknownName: no component answers to it.
        UsageError: no condition was said, or a figure has no unit.
    """
    component, position, rest = _split(text)
    tokens = rest.split()
    condition, at, length = _condition(tokens, text)
    measurements, unread = _measurements(tokens[:at], text)
    if unread:
        _check_words(text, component, unread)
    _refuse_second(text, tokens[at + length :])
    more, left = _measurements(tokens[at + length :], text, may_note=True)
    measurements += more
    check_measurements(component.id, measurements)
    left = [*unread, *left]
    finding: dict[str, Any] = {**_place(component, position), "condition": condition}
    if measurements:
        finding["measurements"] = measurements
    if component.safety_critical and condition == "failed":
        finding["safety"] = True
    if left:
        finding["note"] = " ".join(left).strip(" ,;:-") or None
    return {key: value for key, value in finding.items() if value is not None}


def read_measurements(text: str) -> list[dict[str, Any]]:
    """Read measurements alone, ``3 mm`` or ``12.4 V 35 psi``.

    Raises:
        UsageError: something in it is no measurement.
    """
    measurements, left = _measurements(text.split(), text)
    if left:
        raise UsageError(f"{' '.join(left)!r} is no measurement: write it as 3 mm or 4/32 in.")
    return measurements


def read_estimate_line(text: str, line: int, currency: str = "") -> dict[str, Any]:
    """Read one line of an estimate, ``brake pads front, machine discs 180.00``.

    Args:
        text: component, place, what would be done, and the amount at the end.
        line: its number, by which an answer names it.
        currency: code to use when the text has none.

    Raises:
        UnknownName: no component answers to it.
        UsageError: no amount stands at the end.
    """
    found = re.fullmatch(
        r"(?P<what>.*?)[\s:=]+(?P<amount>-?\d[\d,]*(?:\.\d+)?(?:\s+[A-Za-z]{3})?)", text.strip()
    )
    if found is None:
        raise UsageError(
            f"The estimate line {text.strip()!r} ends in no amount: write it as "
            "'brake pads front 180.00'."
        )
    component, position, rest = _split(found["what"])
    made: dict[str, Any] = {
        "line": line,
        **_place(component, position),
        "amount": read_money(found["amount"], currency, allow_negative=True),
    }
    if component.safety_critical:
        made["safety"] = True
    work = rest.strip(" ,;:-")
    if work:
        made["work"] = work
    return made


def read_decisions(words: Sequence[str]) -> list[dict[str, Any]]:
    """Read the answers to an estimate, ``1=approved 2=declined 3=deferred``.

    Raises:
        UsageError: an answer is not of that form, or a line is answered twice.
    """
    answers: dict[int, str] = {}
    for word in words:
        number, equals, decision = word.partition("=")
        if not equals or not number.strip().isascii() or not number.strip().isdigit():
            raise UsageError(
                f"{word!r} is no answer: write the line's number and the answer, as 1=approved."
            )
        if int(number) in answers:
            raise UsageError(f"Line {int(number)} is answered twice: give one answer a line.")
        answers[int(number)] = choose(decision, _DECISIONS, f"The answer to line {int(number)}")
    if not answers:
        raise UsageError("There are no answers: write them as 1=approved 2=declined.")
    return [{"line": line, "decision": decision} for line, decision in answers.items()]


def _split(text: str) -> tuple[Component, str | None, str]:
    if not text.strip():
        raise UsageError("A component is missing: write it as 'wheel bearing LF'.")
    found = catalogue().resolve_phrase(text, allow_other=True)
    if found.component is None:
        _refuse_component(text, found.suggestions)
    return found.component, found.position, found.rest


def _refuse_component(text: str, suggestions: Sequence[Component]) -> NoReturn:
    shown = " ".join(text.split())
    shown = shown if len(shown) <= 60 else f"{shown[:60]}…"
    near = [component.name for component in suggestions[:3]]
    choice = f"did you mean {' or '.join(near)}?" if near else "see `roadworn components`."
    raise UnknownName(
        f"No component is known by {shown!r}; {choice} A part outside the catalogue is written "
        "as other.roof_rack.",
        near,
    )


def _check_words(text: str, component: Component, unread: Sequence[str]) -> None:
    """Refuse words before the condition that may be part of the component or a second one.

    "windshield chipped wearing" is a note said early; "wheel baring LF failed" must not become
    a failed wheel with a note.
    """
    # Up to the first figure; "L 3 mm R 5 mm" are two findings, which the sentence below says.
    figure = next((at for at, word in enumerate(unread) if word[0].isdigit()), len(unread))
    where = unread[: figure or 1]
    if all(_PLACE_LIKE.fullmatch(word) for word in where):
        try:
            normalise_position(" ".join(where), component.positions)
        except PositionError as error:
            raise UsageError(str(error)) from None
    known = catalogue()
    meant = _meant(component, unread)
    places = any(read_position_words(word.casefold(), component.positions) for word in unread)
    named = any(
        known.resolve(" ".join(unread[start:end]), near=False).component is not None
        for start in range(len(unread))
        for end in range(start + 1, min(len(unread), start + _LONGEST_NAME) + 1)
    )
    if meant or places or named or any(word[0].isdigit() for word in unread):
        raise UsageError(
            f"{' '.join(unread)!r} in {text.strip()!r} is not understood after {component.name}: "
            f"write the component, its place, what was measured, the condition, then the note; "
            f"and ; before another finding.{meant}"
        )


def _meant(component: Component, unread: Sequence[str]) -> str:
    """Return a question when the words after a component are nearly its place, or another one."""
    place = near_position(unread[0], component.positions) if len(unread) == 1 else None
    if place:
        return f" Did you mean {place}?"
    words = [w for w in unread if read_position_words(w.casefold(), component.positions) is None]
    heads = {key for key in (component.name, *component.synonyms) if " " not in key}
    for length in range(min(len(words), 4), 0, -1):
        for head in sorted(heads):
            found = catalogue().resolve(f"{head} {' '.join(words[:length])}")
            near = found.suggestions[:1]
            if near and near[0].id != component.id and found.score >= _NEARLY:
                return f" Did you mean {near[0].name}?"
    return ""


def _refuse_second(text: str, tail: Sequence[str]) -> None:
    """Refuse a second finding behind the condition: it would be lost in the note of the first."""
    words = [token.casefold().strip(",;:.") for token in tail[:_LOOKED_AT]]
    for at, word in enumerate(words):
        if word not in CONDITIONS:
            continue
        for start in range(max(0, at - _LONGEST_NAME), at):
            found = _component_before(words[start:at])
            if found is not None:
                raise UsageError(
                    f"{text.strip()!r} says more than one finding ({found.name} comes after "
                    "another condition): write ; before it, or give each finding by itself."
                )


def _component_before(words: Sequence[str]) -> Component | None:
    """Return the component that `words` name, with nothing besides but its place and figures."""
    for end in range(len(words), 0, -1):
        found = catalogue().resolve(" ".join(words[:end]), near=False).component
        if found is None:
            continue
        rest = list(words[end:])
        while rest and read_position_words(rest[0], found.positions) is not None:
            rest.pop(0)
        while rest:
            _quantity, length = _measurement_at(rest, 0)
            if not length:
                break
            rest = rest[length:]
        if not rest:
            return found
    return None


def _place(component: Component, position: str | None) -> dict[str, str]:
    item = {"component": component.id}
    return item | {"position": position} if position else item


def _condition(tokens: Sequence[str], text: str) -> tuple[str, int, int]:
    """Return the first condition word, where it stands, and how many words it takes."""
    words = [token.casefold().strip(",;:.") for token in tokens]
    for at, word in enumerate(words):
        following = words[at + 1] if at + 1 < len(words) else ""
        if word in {"not-checked", "not_checked"}:
            return "not_checked", at, 1
        if word == "not" and following == "checked":
            return "not_checked", at, 2
        if word == "not" and following in CONDITIONS:
            raise UsageError(
                f"'not {following}' in {text.strip()!r} leaves open what it is: "
                f"say {_CONDITION_WORDS}."
            )
        if word in CONDITIONS:
            return word, at, 1
    raise UsageError(f"{text.strip()!r} says no condition: add {_CONDITION_WORDS}.")


def _measurements(
    tokens: Sequence[str], text: str, *, may_note: bool = False
) -> tuple[list[dict[str, Any]], list[str]]:
    """Take measurements out of the words; in a note they are read but left standing."""
    found: list[dict[str, Any]] = []
    left: list[str] = []
    at = 0
    while at < len(tokens):
        quantity, length = _measurement_at(tokens, at)
        if quantity is None:
            # A figure alone lacks its unit; before other words it begins a note: 2 times.
            alone = len(tokens) == 1 or not may_note
            if alone and not left and re.fullmatch(r"\d+,\d{1,2}[,;]?", tokens[at]):
                point = tokens[at].rstrip(",;").replace(",", ".")
                raise UsageError(
                    f"{tokens[at]!r} in {text.strip()!r} has a comma before its decimals: write "
                    f"{point} with its unit."
                )
            if alone and not left and _is_bare_number(tokens[at]):
                raise UsageError(
                    f"{tokens[at]!r} in {text.strip()!r} has no unit: write it as 3 mm, 4/32 in "
                    "or 12.4 V."
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


def _measurement_at(tokens: Sequence[str], at: int) -> tuple[tuple[float, str] | None, int]:
    if not re.match(r"[+-]?\.?\d", tokens[at]):
        return None, 0
    for length in range(min(3, len(tokens) - at), 0, -1):
        try:
            value, unit = parse_measurement(" ".join(tokens[at : at + length]).rstrip(",;"))
        except UnitError:
            continue
        return (float(value), unit), length
    return None, 0


def _is_bare_number(token: str) -> bool:
    return re.fullmatch(r"\d+([.,]\d+)?[,;]?", token) is not None
