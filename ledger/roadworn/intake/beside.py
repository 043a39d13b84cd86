"""What else is wrong with a row whose envelope or payload is refused."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from roadworn.checks import payload_findings
from roadworn.checks.known import envelope_problems, payload_problems, unknown_components
from roadworn.intake import validated_payload
from roadworn.model.errors import UnknownName
from roadworn.model.events import utc_now
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem, Severity


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
    yield from payload_findings(kind.name, payload, Severity.REFUSED)
    yield from unknown_components(payload)


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
