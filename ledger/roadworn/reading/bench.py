"""A phrase as a bay writes it: short words, slips, any order, places anywhere, several parts.

Read only where the plain form (`roadworn.reading`) does not fit, so that a plain finding pays
nothing. The words are data: ``words.csv`` beside this, a shop's own after them. A component is
found by how well its words tell components apart; what leaves two open is asked, never guessed,
and a part that can hurt somebody is never taken by a misspelt word. Which word means what:
common practice, no source.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import Any, NamedTuple, NoReturn

from roadworn.model.catalogue import OTHER, Component, catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.payloads import Condition
from roadworn.reading.bench_asides import asides, cuts, is_remark, only_where, subjects
from roadworn.reading.bench_audit import refuse_other_part, refuse_unread, unexpressed
from roadworn.reading.bench_names import (
    Match,
    Said,
    correct_spelling,
    covering,
    matches_in,
    names_index,
    nearest_parts,
)
from roadworn.reading.bench_phrase import (
    condition_length,
    content_of,
    head_end_of,
    is_content,
    is_of_piece,
    is_plural_at,
    is_way,
    note_of,
    says_place,
    split_phrase,
    tail_places,
    told_behind,
    within_condition,
    words_of_name,
)
from roadworn.reading.bench_places import Where, may_place, places_of, tag_of
from roadworn.reading.bench_told import (
    bare_figure,
    condition_said,
    is_left_open,
    only_measured,
    refuse_bare,
    refuse_between,
    refuse_figures,
    refuse_parted,
    refuse_taken_back,
)
from roadworn.reading.bench_words import Words, packaged_words
from roadworn.reading.refusing import NO_CONDITION, outside_line

#: A part outside the catalogue, and what is said of it.
_OTHER = re.compile(rf"\s*({re.escape(OTHER)}[a-z0-9_]{{1,50}})(?![\w.])[\s,:]*(\S.*)", re.DOTALL)
Has = Callable[[str, str | None], bool]


class Heard(NamedTuple):
    """What a phrase says of one part at one place.

    Attributes:
        component: what.
        position: canonical place, or None.
        condition: None when none was said.
        measurements: as a finding has them.
        note: the words that say more, as written, or an empty text.
        remark: what was taken for granted, or an empty text.
        is_open: it is about one of several places and says none of them.
    """

    component: Component
    position: str | None
    condition: Condition | None
    measurements: tuple[Mapping[str, Any], ...] = ()
    note: str = ""
    remark: str = ""
    is_open: bool = False


def hear(text: str, shop: Words | None = None, has: Has | None = None) -> list[Heard]:
    """Read one phrase into the parts and places that it names.

    Args:
        text: as typed.
        shop: words, those of a shop among them; None for the packaged ones.
        has: whether the vehicle has a component at a place, where somebody knows.

    Raises:
        UsageError: it names none, or leaves open which; says what to type instead.
    """
    try:
        return overhear(text, shop, has)[1]
    except UsageError:
        from roadworn.reading.bench_frame import measured_in

        if found := measured_in(text, shop, has):
            return [Heard(*one[:6]) for one in found]
        raise


def overhear(
    text: str, shop: Words | None = None, has: Has | None = None
) -> tuple[str, list[Heard]]:
    """Return the words that name the parts besides what `hear` returns; raises as it does."""
    words = shop or packaged_words()
    if found := _OTHER.fullmatch(text):
        part, said = catalogue().get(found[1]), split_phrase(found[2], words)
        own = Match((part.id,), (), 0.0)
        refuse_other_part(said, [(part, own)], words)
        return found[1], _heard_of(said, part, own, [(part, own)], 0, words)
    said = split_phrase(text, words)
    head_end = head_end_of(said, words)
    if correct_spelling(said, words, head_end):
        head_end = head_end_of(said, words)
    if not (matches := matches_in(said, head_end)) and head_end < len(said.words):
        head_end = len(said.words)
        matches = matches_in(said, head_end)
    if not matches and correct_spelling(said, words, head_end):
        matches = matches_in(said, head_end)
    parts = _parts(said, matches, head_end, words, has)
    refuse_other_part(said, parts, words)
    heard: list[Heard] = []
    for component, match in parts:
        heard += _heard_of(said, component, match, parts, head_end, words)
    named = dict.fromkeys(one.token for one in said.words if one.used in {"name", "own"})
    return " ".join(said.tokens[token].strip(",;") for token in named), heard


def refuse_open(heard: Iterable[Heard], text: str) -> None:
    """Refuse what is about one of several places and says none of them.

    Raises:
        UsageError: names the part.
    """
    for one in heard:
        if one.is_open:
            shown = " ".join(text.split())
            raise UsageError(
                f"Which {one.component.name} is left open in {shown!r:.90}",
                "write its place, as LF or rear, or all",
            )


def hear_findings(
    text: str, refused: UsageError | None, shop: Words | None = None, has: Has | None = None
) -> list[tuple[dict[str, Any], str]]:
    """Read a phrase into findings, each with a remark; one that said no condition has none yet.

    Args:
        text: as typed, without sizes.
        refused: why it is no plain finding, raised where the bay's words say no more.
        shop: words, as `hear` takes them.
        has: likewise.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it leaves open which part, where, or in what condition.
    """
    try:
        heard = _hear_whole(text, shop, has)
    except UnknownName as error:
        # The plain reader knows better what is wrong with a phrase that is nearly plain.
        plainly = refused is not None and not isinstance(refused, UnknownName)
        if plainly and refused and (refused.code != NO_CONDITION or not error.near):
            raise refused from None
        raise
    refuse_open(heard, text)
    return [(_finding_of(one), one.remark) for one in heard]


def _hear_whole(text: str, shop: Words | None, has: Has | None) -> list[Heard]:
    """Hear a phrase, and where that is asked, what stands before a remark that changes nothing."""
    words = shop or packaged_words()
    try:
        return hear(text, shop, has)
    except UsageError:
        for head, tail in cuts(text):
            with suppress(UsageError):
                heard = hear(head, shop, has)
                told = [(one.component.id, one.condition) for one in heard]
                said_how = all(one.condition or one.measurements for one in heard)
                whole = said_how and not any(one.is_open for one in heard)
                if whole and is_remark(tail, told, words):
                    return [one._replace(note=f"{one.note} {tail}".strip()) for one in heard]
        raise


def _finding_of(heard: Heard) -> dict[str, Any]:
    finding: dict[str, Any] = {
        "component": heard.component.id,
        "position": heard.position,
        "condition": heard.condition,
        "measurements": [dict(one) for one in heard.measurements],
        "safety": heard.component.safety_critical and heard.condition == "failed",
        "note": heard.note,
    }
    return {key: value for key, value in finding.items() if value}


def hear_part(text: str, shop: Words | None = None) -> tuple[Component, str | None, str]:
    """Read a part with its place, and what else is said, ``frt pads, machine rotors``.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it leaves open which, names several, or holds a figure.
    """
    named, comma, more = text.partition(",")
    heard = hear(named, shop)
    if len(heard) > 1 or heard[0].measurements:
        listed = " and ".join(f"{h.component.name} {h.position or ''}".strip() for h in heard)
        what = f"means {listed}" if len(heard) > 1 else "has a figure besides a part"
        raise UsageError(f"{named.strip()!r:.90} {what}", "write each by itself")
    only = heard[0]
    refuse_taken_back(only.condition, more, text)
    rest = " ".join(filter(None, (only.note, more.strip() if comma else "")))
    return only.component, only.position, rest


def _parts(
    said: Said, matches: Sequence[Match], head_end: int, words: Words, has: Has | None
) -> list[tuple[Component, Match]]:
    """Return the components that a phrase is about; more than one only where it joins them."""
    content = content_of(said, head_end, words)
    if not matches:
        only = only_measured(said, content, words)
        if only is not None:
            return [(only, Match((only.id,), (), 0.0))]
        return _by_words(said, content, words)
    first, *others = subjects(said, matches, words)
    joined = [first, *(one for one in others if _joined(said, first, one))]
    joined.sort(key=lambda match: match.at)
    index = names_index()
    own = {word for match in joined for part in match.owners for word in index.vocabulary[part]}
    foreign = [
        at
        for at in content
        if said.words[at].key not in own
        and not any(at in match.at for match in joined)
        and not any(
            may_place(said.words[at].key, catalogue().get(owner).positions)
            for match in joined
            for owner in match.owners
        )
    ]
    spare = asides(said, foreign, joined, words) if foreign else set()
    foreign = [at for at in foreign if at not in spare]
    if foreign:
        wider = _refuse_foreign(said, content, foreign, joined, words)
        if wider is not None:
            return [(wider, first)]
    refuse_parted(said, min(match.at[-1] for match in joined), words)
    parts = [(_one_of(said, match, has), match) for match in joined]
    _refuse_misspelt(said, parts)
    _refuse_behind(said, parts, head_end, words)
    for _part, match in parts:
        for at in match.at:
            said.words[at].used = "name"
    own = {word for part, _match in parts for word in index.vocabulary[part.id]}
    for at in content:
        if said.words[at].key in own:
            said.words[at].used = said.words[at].used or "own"
    return parts


def _refuse_foreign(
    said: Said,
    content: Sequence[int],
    foreign: Sequence[int],
    joined: Sequence[Match],
    words: Words,
) -> Component | None:
    """Return the part that has a name's other words too; refuse words that may be another part.

    Raises:
        UsageError: the words left over are no piece of the part that was found.
    """
    known = any(said.words[at].key in names_index().weight for at in foreign)
    wider = covering(said, content) if known and len(joined) == 1 else []
    if len(wider) == 1 and not wider[0].safety_critical and not said.measured:
        return wider[0]
    detail = all(
        (said.words[at].key in words.details and said.words[at - 1].used != "join")
        or is_way(said, at)
        or is_of_piece(said, at, words)
        for at in foreign
    )
    if detail and not wider:
        return None
    left = " ".join(dict.fromkeys(said.tokens[said.words[at].token] for at in foreign))
    found = [catalogue().get(owner) for match in joined for owner in match.owners]
    near = list(
        dict.fromkeys((*wider, *found[: 2 - len(found)], *nearest_parts(said, content), *found))
    )[:2]
    names = [component.name for component in near]
    raise UnknownName(
        f"{left!r} in {said.shown!r} is not understood: did you mean {' or '.join(names)}? Other "
        f"words go into the note, after the condition. {outside_line(said.text)}",
        names,
    )


def _joined(said: Said, one: Match, other: Match) -> bool:
    low, high = sorted((one, other), key=lambda match: match.at)
    between = said.words[low.at[-1] + 1 : high.at[0]]
    return any(word.used == "join" for word in between)


def _one_of(said: Said, match: Match, has: Has | None) -> Component:
    """Return the one component of a name that several have: by its place, or by the vehicle."""
    owners = [catalogue().get(owner) for owner in match.owners]
    if len(owners) > 1:
        where = Where.of([word.key for word in said.words])
        fitting = [part for part in owners if where.fits(part.positions)]
        owners = fitting or owners
    if len(owners) > 1 and has is not None:
        there = [part for part in owners if has(part.id, where.end)]
        owners = there or owners
    if len(owners) > 1:
        raise UsageError(
            f"{said.shown!r} may be {owners[0].name} or {owners[1].name}: write which."
        )
    return owners[0]


def _by_words(said: Said, content: Sequence[int], words: Words) -> list[tuple[Component, Match]]:
    """Take the one component that has all the words, though no name is whole.

    Raises:
        UsageError: there is none, several, or a doubtful one that can hurt somebody.
    """
    index = names_index()
    keys = {said.words[at].key for at in content}
    owners = [owner for owner, own in index.vocabulary.items() if keys and keys <= own]
    misspelt = any(said.words[at].misspelt for at in content)
    # "clamp" alone may be of anything, though one name only has it.
    tells = len(keys) > 1 or not keys & (words.details | words.pieces)
    # "oil pressure 8 psi" is no sensor, and "running" no running board.
    tells &= not said.measured and not any(owner.startswith(OTHER) for owner in owners)
    sure = len(owners) == 1 and not catalogue().get(owners[0]).safety_critical
    if sure and tells and not misspelt:
        for at in content:
            said.words[at].used = "name"
        return [(catalogue().get(owners[0]), Match(tuple(owners), tuple(content), 0.0))]
    near = nearest_parts(said, content)
    names = [component.name for component in near[:2]]
    choice = f"did you mean {' or '.join(names)}?" if near else "see `roadworn components`."
    raise UnknownName(
        f"No component is known by {said.shown!r}; {choice} {outside_line(said.text)}",
        names,
    )


def _refuse_misspelt(said: Said, parts: Iterable[tuple[Component, Match]]) -> None:
    """Ask about a misspelt part that can hurt somebody."""
    for part, match in parts:
        if part.safety_critical and any(said.words[at].misspelt for at in match.at):
            raise UnknownName(
                f"No component is known by {said.shown!r}; did you mean {part.name}?", [part.name]
            )


def _refuse_behind(
    said: Said, parts: Sequence[tuple[Component, Match]], head_end: int, words: Words
) -> None:
    """Refuse a second part behind the condition that has a condition of its own, or is joined."""
    ids = {part.id for part, _match in parts}
    own = {word for part in ids for word in names_index().vocabulary[part]}
    for match in matches_in(said, len(said.words)):
        start = match.at[0]
        if start < head_end or ids & set(match.owners) or within_condition(said, match.at, words):
            continue
        joined = said.words[start - 1].used == "join"
        told = told_behind(said, match.at[-1], words) and not only_where(said, match, words)
        if joined or told:
            _refuse_second(said, catalogue().get(match.owners[0]).name)
    for at in range(head_end + condition_length(said, head_end, words), len(said.words)):
        key = said.words[at].key
        of_another = key in names_index().weight and key not in own | words.details | words.pieces
        content = not tag_of(key) and is_content(said, at, words)
        content = content and not only_where(said, Match((), (at,), 0.0), words)
        if of_another and content and told_behind(said, at, words):
            _refuse_second(said, said.tokens[said.words[at].token])


def _refuse_second(said: Said, name: str) -> NoReturn:
    raise UsageError(
        f"{said.shown!r} says more than one finding ({name} comes after another condition)",
        "write ; before it, or give each finding by itself",
    )


def _heard_of(
    said: Said,
    component: Component,
    match: Match,
    parts: Sequence[tuple[Component, Match]],
    head_end: int,
    words: Words,
) -> list[Heard]:
    """Return what is said of one component, at each of its places."""
    condition, used = condition_said(said, component, words, {at for _p, m in parts for at in m.at})
    tail = tail_places(said, head_end, words)
    within = [at for at in range(head_end) if says_place(said, at)] + tail
    named = [said.words[at].key for at in within if at in match.at]
    keys = [(said.words[at].key, at) for at in within if said.words[at].used != "name"]
    is_plural = any(is_plural_at(said, at, words) for at in match.at)
    found = places_of(component, keys, named, words, plural=is_plural, text=said.shown)
    bare, figure = bare_figure(said, component, words)
    refuse_bare(said, component, found.used | bare, head_end, words)
    refuse_figures(said, within)
    refuse_between(said)
    measured = (*(figure for _at, figure in said.measured), *figure)
    if measured and len(parts) > 1:
        raise UsageError(
            f"{said.shown!r} has a figure and names several parts: "
            "give each finding by itself, with ; between them"
        )
    # The name of the other part, of two in a line, is no note on this one.
    names = {at for part, one in parts for at in words_of_name(said, part, one, words)}
    own = words.keys_of(component.name)
    placed = {at for at in (*found.used, *names) if tag_of(said.words[at].key)}
    placed -= {at for at in names if said.words[at].key in own}
    names -= (lost := unexpressed(said, component, placed, found.places, words))
    spare = {*used, *bare, *names, *found.used - lost}
    refuse_unread(said, component, match, found.places, condition, words)
    note = note_of(said, spare, words)
    is_open = is_left_open(said, component, match, condition, words, plural=is_plural)
    taken = f"{figure[0]['value']:g} is taken for {figure[0]['unit']}." if figure else ""
    remark = " ".join(filter(None, (found.remark, taken)))
    # "rear tires 1 of 2 bald" leaves open which.
    is_share = len(found.places) > 1 and any(said.tokens[at] == "of" for at in said.counted)
    open_at = {place: is_share or (place is None and is_open) for place in found.places}
    return [
        Heard(component, place, condition, measured, note, remark, is_open=is_left)
        for place, is_left in open_at.items()
    ]
