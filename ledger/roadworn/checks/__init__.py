"""Every rule about what is refused, odd or doubtful: one ordered list, run by every door.

A rule is a function ``(draft, facts) -> Iterable[Problem]`` in a module of this room. A door
(typed, corrected, filled table, import) only chooses when to ask, and words what was found.
Rules are named and not imported, since a reading should not wait for the estimates' rules.
"""

from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import replace
from enum import StrEnum
from functools import cache
from importlib import import_module
from typing import Any, NamedTuple

from roadworn.checks.facts import WORK, Draft, Facts
from roadworn.model.messages import Problem, Severity

Rule = Callable[[Draft, Facts], Iterable[Problem]]


class Needs(StrEnum):
    """What a rule looks at besides the envelope, which decides when a door can ask it."""

    PAYLOAD = "payload"  #: nothing but the payload
    LEDGER = "ledger"  #: what must agree in the ledger before a row is added
    REPEAT = "repeat"  #: work entered before; asked last, and not where it may be repeated
    PROFILE = "profile"  #: what is known of the vehicle
    READINGS = "readings"  #: the figures of its odometer; an import goes through them in order
    #: Its other events; told to whoever stands at the vehicle, and not of years in a file.
    HISTORY = "history"


class Check(NamedTuple):
    """A rule and when it is asked.

    Attributes:
        rule: ``module:function`` of this room.
        needs: what it looks at.
        kinds: the kinds that it is about, all of them when empty.
        severity: what its findings are.
    """

    rule: str
    needs: Needs
    kinds: Collection[str] = ()
    severity: Severity = Severity.ODD


_REFUSED = Severity.REFUSED
_PROFILE = ("enrolment", "profile_change")
_JOBS = ("replacement", "repair", "complaint")

CHECKS = (
    Check("known:vehicle", Needs.LEDGER, severity=_REFUSED),
    Check("known:component", Needs.LEDGER, severity=_REFUSED),
    Check("known:reference", Needs.LEDGER, severity=_REFUSED),
    Check("known:repeat", Needs.REPEAT, ("replacement",), _REFUSED),
    Check("slips:slip", Needs.PAYLOAD, severity=_REFUSED),
    Check("odd:reading", Needs.READINGS),
    Check("odd:day", Needs.PROFILE),
    Check("odd:figure", Needs.PROFILE),
    Check("identity:weight", Needs.PROFILE, _PROFILE),
    Check("odd:far_day", Needs.PAYLOAD),
    Check("known:service_twice", Needs.HISTORY, ("maintenance",)),
    Check("odd:private", Needs.PAYLOAD),
    Check("measured:worse_than_said", Needs.PAYLOAD, ("inspection",)),
    Check("measured:grown_since", Needs.HISTORY, ("inspection",)),
    Check("comebacks:codes", Needs.HISTORY, ("scan",)),
    Check("comebacks:back", Needs.HISTORY, _JOBS),
    Check("consent:unagreed", Needs.HISTORY, WORK),
    Check("identity:vin", Needs.PROFILE, _PROFILE),
    Check("identity:vin_of_another", Needs.PROFILE, _PROFILE),
)


_NAMED = frozenset(kind for check in CHECKS for kind in check.kinds)
_NOTHING = Facts(lambda _sql, _parameters: [])


@cache
def rule_of(name: str) -> Rule:
    """Return the function that a check names."""
    module, _, function = name.partition(":")
    found: Rule = getattr(import_module(f"{__name__}.{module}"), function)
    return found


def found(
    draft: Draft,
    facts: Facts,
    needs: Collection[Needs],
    severity: Severity = Severity.ODD,
) -> Iterator[Problem]:
    """Yield what the rules of one severity find, in the order of the list.

    Args:
        draft: what to judge.
        facts: what its ledger knows.
        needs: which rules to ask, by what they look at.
        severity: refused, or odd.
    """
    for rule in _rules(draft.kind if draft.kind in _NAMED else "", tuple(needs), severity):
        for problem in rule(draft, facts):
            yield replace(problem, severity=severity)


@cache
def _rules(kind: str, needs: Collection[Needs], severity: Severity) -> tuple[Rule, ...]:
    """Return the rules to ask of a kind; "" is any kind that no check names."""
    return tuple(
        rule_of(check.rule)
        for check in CHECKS
        if check.needs in needs
        and check.severity is severity
        and (not check.kinds or kind in check.kinds)
    )


def payload_findings(kind: str, payload: dict[str, Any], severity: Severity) -> list[Problem]:
    """Return what a payload alone tells, whether its model takes it or not."""
    draft = Draft("", kind, "", None, None, payload)
    return list(found(draft, _NOTHING, (Needs.PAYLOAD,), severity))


def refusals(draft: Draft, facts: Facts, *, allow_repeat: bool = False) -> list[Problem]:
    """Return why the ledger does not take a draft; looks at nothing but the ledger.

    Args:
        draft: what to judge.
        facts: what the ledger knows.
        allow_repeat: take a replacement that looks like one already entered.
    """
    problems = list(found(draft, facts, (Needs.LEDGER,), _REFUSED))
    if not problems and not allow_repeat:
        problems += found(draft, facts, (Needs.REPEAT,), _REFUSED)
    return problems
