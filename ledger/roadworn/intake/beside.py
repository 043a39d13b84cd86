"""What else is wrong with an event that one stage refused already, as far as it can be judged.

Whoever corrects a file wants to know of all its slips at once, not of the next when the first is
mended.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from roadworn.errors import UnknownName
from roadworn.events import utc_now
from roadworn.intake.context import component_problems
from roadworn.intake.rows import envelope_problems, payload_problems, validated_payload
from roadworn.intake.slips import slips
from roadworn.problems import Problem
from roadworn.registry import EventKind, KindRegistry


def beside(
    given: Mapping[str, Any], found: Sequence[Problem], kinds: KindRegistry
) -> Iterator[Problem]:
    """Yield the problems of the other stages, none at a place that has one already.

    Args:
        given: the event as it came.
        found: what was found.
        kinds: the kinds there are.
    """
    told = {problem.column for problem in found}
    for problem in (*_envelope(given), *_payload(given, kinds)):
        if problem.column not in told:
            told.add(problem.column)
            yield problem


def _envelope(given: Mapping[str, Any]) -> list[Problem]:
    occurred, recorded = given.get("occurred_at"), given.get("recorded_at") or utc_now()
    if not isinstance(occurred, str) or not isinstance(recorded, str):
        return []
    return envelope_problems(occurred, recorded, None, None)


def _payload(given: Mapping[str, Any], kinds: KindRegistry) -> Iterator[Problem]:
    payload, kind = given.get("payload"), _kind(given, kinds)
    if not isinstance(payload, dict) or kind is None:
        return
    valid = validated_payload(kind, kind.version, payload)
    if isinstance(valid, list):
        yield from valid
    else:
        yield from payload_problems(valid)
    yield from slips(kind.name, payload)
    yield from component_problems(payload)


def _kind(given: Mapping[str, Any], kinds: KindRegistry) -> EventKind | None:
    name, version = given.get("kind"), given.get("version")
    if not isinstance(name, str):
        return None
    try:
        kind = kinds.get(name)
    except UnknownName:
        return None
    # A payload of an older version has other words.
    return kind if version in (None, kind.version) else None
