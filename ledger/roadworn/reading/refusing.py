"""What is said where a typed part or finding cannot be taken: why, and what to type instead."""

import re
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NoReturn

from roadworn.model.catalogue import OTHER, Component, catalogue, name_key
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.places import near_position, normalise_position, read_position_words
from roadworn.model.units import measurement_at
from roadworn.trade.judging import Judgement, example_of

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words

SAY_ONE = "sound, wearing, failed or not checked"
#: Code of the refusal of a finding that says no condition.
NO_CONDITION = "no-condition"
LONGEST_NAME = 9
_LONGEST_TEXT = 200
_LONGEST_OTHER = 40
#: Likeness in percent from which words are taken for a misspelt component.
_NEARLY = 85.0
#: Words that can only say where, though the component may have no such place.
_PLACE_LIKE = re.compile(
    r"(?i:l|r|left|right|front|rear|upper|lower|inner|outer|[no]/?s[fr]?|[lr][fr]|[1-9][lr].?)[,;:]?"
)


#: A component, its place, and what else was said.
_Part = tuple[Component, str | None, str]


def refuse_figure(text: str, sheet: str, told: Sequence[Judgement], *, placed: bool) -> NoReturn:
    """Say why the limits do not settle a figure.

    Raises:
        UsageError: always.
    """
    start = f"{text.strip()!r} says no condition"
    remedy = f"add {SAY_ONE}"
    asked = next((one.item.sized for one in told if one.missing in {"size", "printed"}), None)
    if not told:
        raise UsageError(f"{start}, and the sheet {sheet} has no limit for such a figure", remedy)
    if asked is not None:
        raise UsageError(
            f"{start}, and its limit depends on the {asked.key}",
            f"add it, as '{example_of(asked.key)}', or say {SAY_ONE}",
        )
    if all(one.missing == "marked" for one in told):
        raise UsageError(
            f"{start}, and its limit is the one marked on the part",
            "compare the two, and add sound, wearing or failed",
        )
    parts = "; ".join(f"{one.item.name}: {one.condition.replace('_', ' ')}" for one in told)
    place = "" if placed else "its place, or "
    raise UsageError(f"{start}, and the limits differ ({parts})", f"add {place}{SAY_ONE}")


def refuse_component(text: str, suggestions: Sequence[Component]) -> NoReturn:
    """Say that no component answers, with the nearest.

    Raises:
        UnknownName: always.
    """
    shown = " ".join(text.split())
    shown = shown if len(shown) <= 60 else f"{shown[:60]}…"
    near = [component.name for component in suggestions[:3]]
    choice = f"did you mean {' or '.join(near)}?" if near else "see `roadworn components`."
    raise UnknownName(
        f"No component is known by {shown!r}; {choice} {outside_line(text)}",
        near,
    )


def outside_line(text: str) -> str:
    """Return the line to type where what a phrase is about is a part outside the catalogue."""
    from roadworn.reading.bench_phrase import content_of, head_end_of, split_phrase
    from roadworn.reading.bench_words import packaged_words, plain_key

    words = packaged_words()
    said = split_phrase(text, words)
    content = content_of(said, head_end_of(said, words) or len(said.words), words)
    named = sorted({said.words[at].token for at in content})
    spelled = re.findall(r"[a-z0-9]+", " ".join(plain_key(said.tokens[at]) for at in named))
    name = "_".join(spelled)[:_LONGEST_OTHER].strip("_") or "roof_rack"
    rest = " ".join(token for at, token in enumerate(said.tokens) if at not in named)
    line = f"{OTHER}{name} {rest}".strip()
    return f"A part outside the catalogue: type {line!r:.120}."


def check_guess(text: str, guess: _Part, near: Sequence[Component]) -> _Part:
    """Return what is only nearly a name, or refuse it where a wrong guess does harm.

    That is one of a safety item, or one with others as near in another system.

    Raises:
        UnknownName: it is; carries the nearest.
    """
    if guess[0].safety_critical or len({one.system for one in (guess[0], *near)}) > 1:
        refuse_component(text, list(dict.fromkeys((guess[0], *near))))
    return guess


def check_words(text: str, component: Component, unread: Sequence[str]) -> None:
    """Refuse words before the condition that may be part of the component or a second one.

    "windshield chipped wearing" is a note said early; "wheel baring LF failed" must not become
    a failed wheel with a note.
    """
    # Up to the first figure; "L 3 mm R 5 mm" are two findings, which the sentence below says.
    figure = next((at for at, word in enumerate(unread) if word[0].isdigit()), len(unread))
    where = unread[: figure or 1]
    if all(_PLACE_LIKE.fullmatch(word) for word in where):
        normalise_position(" ".join(where), component.positions)
    known = catalogue()
    meant = meant_by(component, unread)
    places = any(read_position_words(word.casefold(), component.positions) for word in unread)
    named = any(
        known.resolve(" ".join(unread[start:end]), near=False).component is not None
        for start in range(len(unread))
        for end in range(start + 1, min(len(unread), start + LONGEST_NAME) + 1)
    )
    if meant or places or named or any(word[0].isdigit() for word in unread):
        raise UsageError(
            f"{' '.join(unread)!r} in {text.strip()!r} is not understood after {component.name}: "
            f"write the component, its place, what was measured, the condition, then the note; "
            f"and ; before another finding.{meant}"
        )


def meant_by(component: Component, unread: Sequence[str]) -> str:
    """Return a question when the words after a component are nearly its place, or another one."""
    place = near_position(unread[0], component.positions) if len(unread) == 1 else None
    if place:
        return f" Did you mean {place}?"
    words = [w for w in unread if read_position_words(w.casefold(), component.positions) is None]
    heads = {key for key in (component.name, *component.synonyms) if " " not in key}
    for length in range(min(len(words), 4), 0, -1):
        for head in sorted(heads):
            spelled = name_key(f"{head} {' '.join(words[:length])}"[:_LONGEST_TEXT])
            near = catalogue().nearness.likest(spelled, _NEARLY)
            if near is not None and near != component.id:
                return f" Did you mean {catalogue().name_of(near)}?"
    return ""


def component_before(words: Sequence[str]) -> Component | None:
    """Return the component that `words` name, with nothing besides but its place and figures."""
    for end in range(len(words), 0, -1):
        found = catalogue().resolve(" ".join(words[:end]), near=False).component
        if found is None:
            continue
        rest = list(words[end:])
        while rest and read_position_words(rest[0], found.positions) is not None:
            rest.pop(0)
        while rest:
            _quantity, length = measurement_at(rest, 0)
            if not length:
                break
            rest = rest[length:]
        if not rest:
            return found
    return None


def refuse_plain(
    text: str, finding: Mapping[str, Any], words: "Callable[[], Words] | None"
) -> None:
    """Refuse a plain finding that may mean more, or whose note would change it.

    Raises:
        UsageError: says what to write.
    """
    from roadworn.reading.bench_doubt import refuse_doubt

    refuse_doubt(text, finding)
    if "note" in finding:
        from roadworn.reading.bench_audit import refuse_note

        refuse_note(finding, words() if words else None)
