"""In what condition a phrase says a part to be, and what of its figures belongs to it."""

import re
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple, NoReturn, get_args

from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UsageError
from roadworn.model.payloads import Condition
from roadworn.reading.bench_names import Match, Said, names_index
from roadworn.reading.bench_phrase import condition_length
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import Words
from roadworn.trade.judging import denial_before

_ORDER = {"sound": 0, "not_checked": 1, "wearing": 2, "failed": 3}
_EXPLICIT = frozenset({"sound", "wearing", "failed", "not checked"})
#: From these words on a note says where or when.
_BREAKS = frozenset({"from", "by", "near", "when", "because", "behind", "around"})
_PLACES = frozenset({"side", "end", "wheel", "axled"})
#: Schemes of which a vehicle has several, so that one that is bad is at one of them.
_AT_PLACES = frozenset({"wheel", "tire", "side", "wheel_ul", "axle"})
_NONE = frozenset({"no", "sin"})
#: Before what is bad, behind something bad, these say that it is no worse than that.
_NOT = frozenset({"not", "no"})
_BUT = frozenset({"but", "though", "still"})
_BAD = frozenset({"wearing", "failed"})
#: "cracked but holding" wears yet where nobody is hurt by it, and is asked about elsewhere; what
#: leaks or is torn has failed, whatever holds.
_MILD = frozenset({"cracked", "crack", "dented"})


class _Told(NamedTuple):
    """The conditions said of a part, and whether a word softens them."""

    plain: list[tuple[str, bool, range]]
    softened: bool


def _told_of(said: Said, component: Component, words: Words, named: set[int]) -> _Told:
    told: list[tuple[str, bool, range]] = []
    weak: list[tuple[str, bool, range]] = []
    at = first = 0
    softened = False
    while at < len(said.words):
        length = 0 if at in named else condition_length(said, at, words)
        key = " ".join(word.key for word in said.words[at : at + length])
        means = words.condition_of(key, component) if length else ""
        if means and _is_denied(said, at, key, means, told):
            said.words[at - 1].used = "condition"  # so that the note keeps the "not"
            softened = True
            at += length
            continue
        behind = any(word.key in _BREAKS for word in said.words[first:at])
        plainly = key in _EXPLICIT
        # "seeping from the weep hole": what stands behind says where, not how it is.
        if means and (plainly or not told or not behind):
            soft = means == "sound" and _is_soft(said, at, key, told, words)
            softened |= soft
            # "torn, no play" is torn all the same.
            denied = soft or (means == "sound" and key.split()[0] in {*_NONE, "not"})
            (weak if denied else told).append((means, plainly, range(at, at + length)))
            first = at + length if len(told) + len(weak) == 1 else first
            for one in said.words[at : at + length]:
                one.used = one.used or "condition"
        at += max(length, 1)
    return _Told(told or weak, softened)


def _is_denied(
    said: Said, at: int, key: str, means: str, told: Sequence[tuple[str, bool, range]]
) -> bool:
    """Whether a "not" says that a bad part is no worse: "cracked, not wet yet".

    Raises:
        UsageError: it leaves open what the part is.
    """
    keys = [word.key for word in said.words]
    denial = denial_before(keys, at, [said.tokens[word.token] for word in said.words])
    is_bad = any(one in _BAD for one, _plainly, _at in told)
    if denial and not (is_bad and denial in _NOT and means in _BAD and keys[at - 1] == denial):
        raise UsageError(
            f"'{denial} {key}' in {said.shown!r} leaves open what it is",
            "say sound, wearing, failed or not checked",
        )
    return bool(denial)


def _is_soft(
    said: Said, at: int, key: str, told: Sequence[tuple[str, bool, range]], words: Words
) -> bool:
    """Whether what is good takes nothing back of what is bad: "noisy but charges"."""
    # "nail in tread, holding air" leaves it open.
    is_bad = any(one in _BAD for one, _plainly, _at in told)
    is_bad = is_bad and set(_said_failed(said, told)) <= _MILD
    return is_bad and ((at > 0 and said.words[at - 1].key in _BUT) or key in words.softeners)


def condition_said(
    said: Said, component: Component, words: Words, named: set[int]
) -> tuple[Condition | None, set[int]]:
    """Return the condition said of a component, and the words that say it and no more.

    Raises:
        UsageError: it is said to be sound and not, or "not" leaves open what it is.
    """
    told, softened = _told_of(said, component, words, named)
    explicit = {means for means, plainly, _at in told if plainly}
    trade = {means for means, _plainly, _at in told}
    means_all = explicit or trade
    used = {at for means, plainly, places in told if plainly for at in places}
    used |= {at for m, _p, places in told if m == "sound" for at in places if len(places) == 1}
    if "ask" in means_all and component.id in words.movers:
        mover = catalogue().get(words.movers[component.id])
        raise UsageError(f"{said.shown!r} may be {component.name} or {mover.name}: write which.")
    # "passed load test batt, failed load test"
    parted = bool(explicit) and "sound" in trade - explicit
    if "ask" in means_all or parted or (len(means_all) > 1 and (explicit or "sound" in means_all)):
        _refuse_open(said, component)
    if not means_all and said.words[0].key in _NONE and named == set(range(1, len(said.words))):
        return "failed", used  # "no horn"
    if not means_all:
        return None, used
    failing = set(_said_failed(said, told))
    if softened and failing and failing <= _MILD:
        if component.safety_critical:
            _refuse_open(said, component)
        means_all = {"wearing"}
    worst = max(means_all, key=_ORDER.__getitem__)
    return next(one for one in get_args(Condition) if one == worst), used


def _said_failed(said: Said, told: Sequence[tuple[str, bool, range]]) -> list[str]:
    """Return the words that say that a part failed."""
    return [" ".join(said.words[n].key for n in at) for means, _p, at in told if means == "failed"]


def _refuse_open(said: Said, component: Component) -> NoReturn:
    raise UsageError(
        f"{said.shown!r} leaves open in what condition {component.name} is",
        "say sound, wearing, failed or not checked",
    )


def only_measured(said: Said, content: Sequence[int], words: Words) -> Component | None:
    """Return the part that is measured at a wheel in the unit said, where no part was: 28 psi."""
    wheels = sum(tag_of(word.key) in {"wheel", "axled"} for word in said.words)
    found = {words.measures.get(figure["unit"], "") for _at, figure in said.measured}
    if content or wheels != 1 or len(found) != 1 or "" in found:
        return None
    return catalogue().get(found.pop())


def refuse_bare(
    said: Said, component: Component, used: set[int], head_end: int, words: Words
) -> None:
    """Refuse a figure that has no unit and is no place: what it measures is not guessed."""
    for at, word in enumerate(said.words[:head_end]):
        if not word.key.isdigit() or at in used or word.used in {"name", "own"}:
            continue
        after = said.words[at + 1].key if at + 1 < len(said.words) else ""
        before = said.words[at - 1].key if at else ""
        signed = said.tokens[word.token][0] in "+-"
        if signed or before == "all" or (after in words.fillers and not tag_of(after)):
            continue
        raise UsageError(
            f"{said.tokens[word.token]!r} in {said.shown!r} has no unit and is no "
            f"place of {component.name}",
            "write it as 3 mm, 4/32 in or 12.4 V",
        )


def refuse_figures(said: Said, within: Sequence[int]) -> None:
    """Refuse figures of several places: "front 5 mm rear 3 mm" are two findings."""
    places = [
        said.words[at].token
        for at in within
        if tag_of(said.words[at].key) in {"side", "end", "wheel", "axled"}
    ]
    parted = any(
        min(places, default=at) < at < max(places, default=at) for at, _figure in said.measured
    )
    # "pads LF 3 mm RF" leaves open whose figure it is.
    wheels = {
        said.words[at].key: said.words[at].token
        for at in within
        if tag_of(said.words[at].key) in {"wheel", "axled"}
    }
    tokens = wheels.values()
    between = any(
        min(tokens, default=at) < at < max(tokens, default=at) for at, _f in said.measured
    )
    if between or len(said.measured) > 2 or (parted and len(said.measured) > 1):
        raise UsageError(
            f"{said.shown!r} has figures of several places",
            "give each finding by itself, with ; between them",
        )


def bare_figure(
    said: Said, component: Component, words: Words
) -> tuple[set[int], tuple[Mapping[str, Any], ...]]:
    """Return the words of a bare figure with decimals, and it with the one unit it can have."""
    unit = words.units.get(component.id)
    for token, text in enumerate(said.tokens if unit else ()):
        at = {n for n, word in enumerate(said.words) if word.token == token}
        if at and re.fullmatch(r"\d{1,2}\.\d{1,2}[,;:]?", text):
            return at, ({"value": float(text.rstrip(",;:")), "unit": unit},)
    return set(), ()


def refuse_between(said: Said) -> None:
    """Refuse two conditions at two places: "LF tire worn RF bald" is no one condition of both.

    Raises:
        UsageError: a place stands between two conditions, and another one besides.
    """
    for before, at, after in zip(said.words, said.words[1:], said.words[2:], strict=False):
        if at.key == "no" and tag_of(before.key) in _PLACES and tag_of(after.key) in _PLACES:
            _refuse_more(said)  # "RF no LF pad" takes back what it said first
    told = [at for at in range(len(said.words)) if said.words[at].used == "condition"]
    places = {at: word.key for at, word in enumerate(said.words) if tag_of(word.key) in _PLACES}
    between = {key for at, key in places.items() if told and told[0] < at < told[-1]}
    besides = {key for at, key in places.items() if told and not told[0] < at < told[-1]}
    if between and besides - between:
        _refuse_more(said)
    if len(between) > 1 and told and said.words[told[0]].key in _NONE:
        _refuse_more(said)  # "no play LF wheel bearing, RF rough": the one is sound


def refuse_parted(said: Said, name: int, words: Words) -> None:
    """Refuse a part that is named behind a comma where something was told of another before it.

    Raises:
        UsageError: "rear brakes 4 mm, drums ok".
    """
    at = said.words[name].token
    commas = [token for token in range(at) if said.tokens[token].endswith(",")]
    before = [n for n in range(name) if commas and said.words[n].token <= commas[-1]]
    conditions = [n for n in before if condition_length(said, n, words)]
    figures = [token for token, _figure in said.measured if commas and token <= commas[-1]]
    named = [
        n
        for n in before
        if said.words[n].key in names_index().weight
        and not tag_of(said.words[n].key)
        and n not in conditions
        and said.words[n].key not in words.fillers
    ]
    if named and (conditions or figures):
        _refuse_more(said)


def refuse_taken_back(condition: str | None, more: str, text: str) -> None:
    """Refuse another plain condition behind a comma: "passed load test batt, failed load test".

    Raises:
        UsageError: says that it leaves open which holds.
    """
    plainly = {"sound", "wearing", "failed"} & set(more.casefold().split())
    if condition and plainly - {condition}:
        raise UsageError(
            f"{' '.join(text.split())!r:.90} leaves open in what condition it is",
            "say sound, wearing, failed or not checked",
        )


def _refuse_more(said: Said) -> NoReturn:
    raise UsageError(
        f"{said.shown!r} says more than one finding",
        "write ; before another one, or give each by itself",
    )


def is_left_open(
    said: Said,
    component: Component,
    match: Match,
    condition: Condition | None,
    words: Words,
    *,
    plural: bool,
) -> bool:
    """Whether a finding without a place must have one: a shock leaks at one wheel.

    "tires good" are all of them, and a parking brake a vehicle has once.
    """
    at_wheels = component.positions == "axle_side" and component.system in {"brake", "wheel"}
    at_wheels |= component.positions == "lamp" and not plural
    if component.positions not in _AT_PLACES and not at_wheels:
        return False
    if any(tag_of(word.key) == "many" for word in said.words):
        return False
    named = {said.words[at].key for at in match.at}
    if any(once <= named for once in words.once):
        return False
    return condition != "sound" or (bool(said.measured) and not plural)
