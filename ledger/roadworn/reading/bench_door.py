"""The two readings of a line held against each other: by clauses, and by one phrase or several.

What both say stands. Where only the clauses are understood they stand; where they leave something
open, a line is asked about, unless they only lack a word that the other reading has.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from copy import deepcopy
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.checks.measured import check_measurements
from roadworn.model.catalogue import OTHER
from roadworn.model.errors import UsageError
from roadworn.reading.bench import Has, Heard, hear, hear_findings
from roadworn.reading.bench_frame import found_in
from roadworn.reading.bench_frame_figures import with_units
from roadworn.reading.bench_frame_marks import Found, Open
from roadworn.reading.bench_names import names_index
from roadworn.reading.bench_several import parted
from roadworn.reading.refusing import NO_CONDITION
from roadworn.trade.judging import KnownSizes, Size, put_sizes, take_sizes
from roadworn.trade.limits import name_way, take_way

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words


class JudgedFinding(NamedTuple):
    """A finding as a dictionary, and a word about its figure, often empty."""

    finding: dict[str, Any]
    remark: str


#: Gives a finding of a line the condition of its figure.
Judge = Callable[[str, dict[str, Any], KnownSizes], tuple[dict[str, Any], str]]
#: A condition typed as it is stored: what stands beside it is judged as before.
_PLAINLY = re.compile(
    r"\b(sound|wearing|failed)\b(?! (even|thin|out|on|in|down|load|the|test|at|under|when))",
    re.IGNORECASE,
)
#: A place in a note, which the clauses would have kept as one.
_PLACED = re.compile(r"\b(?:fronts?|rears?|left|right|[lr][fr])\b", re.IGNORECASE)


def said_findings(
    text: str,
    refused: UsageError | None,
    judge: Judge,
    known: KnownSizes,
    words: "Words | None",
    has: Has | None,
) -> list[JudgedFinding]:
    """Return what a line says in a bay's words.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it leaves open which part, where, or in what condition.
    """
    text = with_units(text)
    asked: UsageError | None = None
    by_phrase: list[JudgedFinding] = []
    try:
        by_phrase = _by_phrase(text, refused, judge, deepcopy(known), words, has)
    except UsageError as error:
        asked = error
    made = by_phrase
    if asked is not None and _PLAINLY.search(text):
        raise asked
    try:
        by_clause = _by_clause(text, refused, judge, deepcopy(known), words, has)
        if not by_phrase or _told(by_clause) != _told(by_phrase):
            made = by_clause
    except UsageError as error:
        if asked is not None:
            raise asked from None
        if not (isinstance(error, Open) and error.lacks_words):
            raise
        if any(map(_loses, by_phrase)):
            raise
    for one in made:
        known.keep(one.finding)
    return made


def _loses(found: JudgedFinding) -> bool:
    """Whether a reading of a phrase left a place or another part in its note."""
    note, own = found.finding.get("note", ""), found.finding.get("component")
    named = {
        one
        for key in note.casefold().replace(",", " ").split()
        for one in names_index().names.get((key,), ())
    }
    if str(own).startswith(OTHER):
        return False
    return bool(_PLACED.search(note)) or bool(named - {own} and own not in named)


def _told(found: list[JudgedFinding]) -> list[tuple[str, str, str, str]]:
    return sorted(
        (
            one.finding["component"],
            one.finding.get("position", ""),
            one.finding["condition"],
            str([(m["value"], m["unit"]) for m in one.finding.get("measurements", ())]),
        )
        for one in found
    )


def _by_phrase(
    text: str,
    refused: UsageError | None,
    judge: Judge,
    known: KnownSizes,
    words: "Words | None",
    has: Has | None,
) -> list[JudgedFinding]:
    def heard(said: str, instead: UsageError | None) -> list[JudgedFinding]:
        plain, sizes = take_sizes(said)
        plain, way = take_way(plain)
        findings = hear_findings(plain, instead, words, has)
        return list(_judged(said, findings, sizes, way, instead, judge, known))

    parts = parted(text, words, has, at_commas=True) if {",", "."} & {*text} else []
    if not parts:
        try:
            return heard(text, refused)
        except UsageError:
            parts = parted(text, words, has)
            if not parts:
                raise
    return [
        one._replace(remark=f"{one.remark} {remark}".strip())
        for part, remark in parts
        for one in heard(part, None)
    ]


def _by_clause(
    text: str,
    refused: UsageError | None,
    judge: Judge,
    known: KnownSizes,
    words: "Words | None",
    has: Has | None,
) -> list[JudgedFinding]:
    plain, sizes = take_sizes(text)
    plain, way = take_way(plain)
    findings = [(_finding_of(one), one.remark) for one in found_in(plain, words, has)]
    return list(_judged(text, findings, sizes, way, refused, judge, known))


def _finding_of(found: Found) -> dict[str, Any]:
    finding: dict[str, Any] = {
        "component": found.component.id,
        "position": found.position,
        "condition": found.condition,
        "measurements": [dict(one) for one in found.figures],
        "safety": found.component.safety_critical and found.condition == "failed",
        "note": found.note,
    }
    return {key: value for key, value in finding.items() if value}


def _judged(
    text: str,
    findings: list[tuple[dict[str, Any], str]],
    sizes: Sequence[Size],
    way: str,
    refused: UsageError | None,
    judge: Judge,
    known: KnownSizes,
) -> Iterator[JudgedFinding]:
    """Yield findings; the limits give a condition where a line says none."""
    for finding, remark in findings:
        check_measurements(finding["component"], finding.get("measurements", ()))
        name_way(finding, way)
        one = JudgedFinding(finding, remark)
        if "condition" not in finding:
            if len(finding.get("measurements", ())) != 1:
                raise refused or UsageError(
                    f"{text.strip()!r} says no condition",
                    "add sound, wearing, failed or not checked",
                    NO_CONDITION,
                )
            one = JudgedFinding(*judge(text, finding, known))
            one = one._replace(remark=f"{one.remark} {remark}".strip())
        put_sizes(one.finding, sizes)
        known.keep(one.finding)
        yield one


def hear_places(text: str, shop: "Words | None" = None) -> list[dict[str, str]]:
    """Return one part at each of several places, ``tires rear``, as items; else nothing."""
    heard: list[Heard] = []
    with suppress(UsageError):
        heard = hear(text, shop)
    alike = len({one.component.id for one in heard}) == 1 < len(heard)
    items = [
        {"component": one.component.id, "position": one.position}
        for one in heard
        if one.position and not one.note and not one.measurements
    ]
    return items if alike and len(items) == len(heard) else []
