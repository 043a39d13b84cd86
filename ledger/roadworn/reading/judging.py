"""A figure without a condition: the limit of the sheet says which.

A mechanic who types ``tire LF 5/32 in`` has said enough where the limits that fit agree. A
condition that was typed stands; `roadworn.checks.measured` gives the second look then.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple, NoReturn

from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.units import UnitError, dimension_of
from roadworn.reading.phrases import read_finding
from roadworn.say.telling import item_words
from roadworn.trade.limits import Judgement, Sheet, SheetItem, judge, limit_tables, load_sheet
from roadworn.trade.sizes import (
    KnownSizes,
    component_of,
    example_of,
    figures_of,
    put_sizes,
    size_in,
    take_sizes,
)

_DEFAULT_SHEET = "light_vehicle"


class JudgedFinding(NamedTuple):
    """A finding as a dictionary, and a word about its figure, often empty."""

    finding: dict[str, Any]
    remark: str


def read_judged_finding(
    text: str, sheet: Sheet | None = None, sizes: KnownSizes | None = None
) -> JudgedFinding:
    """Read one finding; without a condition its figure decides by the limit of the sheet.

    Args:
        text: as `roadworn.reading.phrases.read_finding` takes it, the condition left out or not,
            and sizes as `roadworn.trade.sizes` has them.
        sheet: look-over sheet whose limits hold; None for the light vehicle's.
        sizes: those on record of the vehicle; what the finding says is added.

    Raises:
        UnknownName: no component answers to it.
        UsageError: neither a condition nor a figure that the limits settle was given.
    """
    known = KnownSizes() if sizes is None else sizes
    plain, said = take_sizes(text)
    try:
        found = _read(plain, component_of(said))
    except UsageError as error:
        if isinstance(error, UnknownName):
            raise
        try:
            bare = _without_condition(plain, component_of(said))
        except UsageError as inner:
            # Where the condition was what it lacked, the other fault is the one to mend first.
            raise (inner if "says no condition" in error.message else error) from None
        put_sizes(bare, said)
        known.keep(bare)
        if said and not any(figures_of(bare)):
            # Only a size was said: the part itself was not looked at.
            bare["condition"] = "not_checked"
            return JudgedFinding(bare, "")
        return _judged(text, bare, sheet or load_sheet(_DEFAULT_SHEET), known, error)
    put_sizes(found, said)
    known.keep(found)
    return JudgedFinding(found, "")


def check_agreement(findings: Iterable[Mapping[str, Any]]) -> None:
    """Refuse a place that is given two conditions, or two figures, in one look-over.

    Two figures with two notes are two facts, as the inner and the outer pad.

    Raises:
        UsageError: names the place and both findings.
    """
    seen: dict[tuple[str, str], Mapping[str, Any]] = {}
    for finding in findings:
        place = (finding["component"], finding.get("position", ""))
        first = seen.setdefault(place, finding)
        apart = first.get("note") != finding.get("note")
        if first["condition"] != finding["condition"] or (not apart and _differ(first, finding)):
            raise UsageError(
                f"{item_words(finding)} is given twice and differently ({_short(first)}; "
                f"{_short(finding)}): keep one of them, or say which place each is at."
            )


def join_sizes(findings: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Put a size that was said by itself into the finding of the same place, if there is one."""
    found = [dict(finding) for finding in findings]
    for alone in list(found):
        sizes = alone.get("measurements", [])
        if alone["condition"] != "not_checked" or not sizes or any(figures_of(alone)):
            continue
        keys = ("component", "position")
        for other in found:
            if other is not alone and all(other.get(k) == alone.get(k) for k in keys):
                other["measurements"] = [*other.get("measurements", ()), *sizes]
                found = [finding for finding in found if finding is not alone]
                break
    return found


def _differ(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    figures = [{m["unit"]: m["value"] for m in figures_of(f)} for f in (one, other)]
    return any(figures[0][unit] != figures[1][unit] for unit in figures[0].keys() & figures[1])


def _short(finding: Mapping[str, Any]) -> str:
    figures = [f"{m['value']:.10g} {m['unit']}" for m in finding.get("measurements", ())]
    return " ".join([*figures, finding["condition"].replace("_", " ")])


def judge_at(
    item: SheetItem, finding: Mapping[str, Any], figure: Mapping[str, Any], known: KnownSizes
) -> Judgement:
    """Judge one figure of a finding, with the size that the item's limit asks for.

    Raises:
        UnitError: the unit measures something else.
    """
    size = None
    if item.table is not None:
        table = limit_tables()[item.table]
        size = size_in(finding, table) or known.size_for(table, finding.get("position"))
    return judge(item, figure["value"], figure["unit"], size=size)


def _read(text: str, component: str) -> dict[str, Any]:
    """Read a finding; one that names no component is about that which its size belongs to."""
    try:
        return read_finding(text)
    except UsageError:
        if not component:
            raise
        try:
            return read_finding(f"{component} {text}")
        except UsageError:
            pass
        raise


def _without_condition(text: str, component: str) -> dict[str, Any]:
    """Return a finding in which no condition was said.

    Raises:
        UsageError: more is wrong with it, which is then what to say.
    """
    try:
        finding = _read(f"{text} sound", component)
    except UsageError as error:
        # The word was not typed, so it is not told either.
        raise UsageError(error.message.replace(f"{text} sound", text)) from None
    finding.pop("condition")
    return finding


def _judged(
    text: str, finding: dict[str, Any], sheet: Sheet, known: KnownSizes, error: UsageError
) -> JudgedFinding:
    """Give a finding the condition that its one figure has by every item it fits.

    Raises:
        UsageError: nothing fits, or what fits does not agree.
    """
    figures = list(figures_of(finding))
    if len(figures) != 1:
        raise error from None
    told = []
    for item in sheet.items:
        here = item.component == finding["component"] and item.covers(finding.get("position"))
        if here and _same_kind(item, figures[0]["unit"]):
            told.append((item, judge_at(item, finding, figures[0], known)))
    conditions = {judgement.condition for _item, judgement in told}
    if len(conditions) != 1 or conditions == {"not_checked"}:
        _refuse(text, sheet.name, told, error, placed="position" in finding)
    judgement = told[0][1]
    word = judgement.condition.replace("_", " ")
    made = {**finding, "condition": judgement.condition}
    if judgement.safety:
        made["safety"] = True
    # What is only wearing is so by common practice, and the reason says that itself.
    source = f" ({judgement.citation})" if judgement.condition == "failed" else ""
    return JudgedFinding(made, f"{item_words(made)}: {judgement.reason}{source}: {word}.")


def _refuse(
    text: str,
    sheet: str,
    told: list[tuple[SheetItem, Judgement]],
    error: UsageError,
    *,
    placed: bool,
) -> NoReturn:
    """Say why the limits do not settle a figure.

    Raises:
        UsageError: always.
    """
    if not told:
        if re.search(r"\d", text):
            raise UsageError(
                f"{text.strip()!r} says no condition, and the sheet {sheet} has no limit for "
                "such a figure: add sound, wearing, failed or not checked."
            ) from None
        raise error from None
    asked = [
        limit_tables()[i.table].key for i, j in told if i.table and j.condition == "not_checked"
    ]
    if asked:
        raise UsageError(
            f"{text.strip()!r} says no condition, and its limit depends on the {asked[0]}: add "
            f"it, as '{example_of(asked[0])}', or say sound, wearing, failed or not checked."
        ) from None
    if all(j.limit is None and j.condition == "not_checked" for _i, j in told):
        raise UsageError(
            f"{text.strip()!r} says no condition, and its limit is the one marked on the part: "
            "compare the two, and add sound, wearing or failed."
        ) from None
    if len(told) == 1:
        raise UsageError(
            f"{text.strip()!r} says no condition, and {told[0][1].reason}: add sound, wearing, "
            "failed or not checked."
        ) from None
    parts = "; ".join(f"{i.name}: {j.condition.replace('_', ' ')}" for i, j in told)
    place = "" if placed else "its place, or "
    raise UsageError(
        f"{text.strip()!r} says no condition, and the limits differ ({parts}): add {place}sound, "
        "wearing, failed or not checked."
    ) from None


def _same_kind(item: SheetItem, unit: str) -> bool:
    if item.measurement is None or item.unit is None:
        return False
    try:
        return dimension_of(item.unit) == dimension_of(unit)
    except UnitError:
        return False
