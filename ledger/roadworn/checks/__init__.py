"""Every rule about what is refused, odd or doubtful: one ordered list, run by every door.

A rule is a function ``(draft, facts) -> Iterable[Problem]`` in a module of this room. A door
(typed, corrected, filled table, import) only chooses when to ask, and words what was found.
Rules are named and not imported, since a reading should not wait for the estimates' rules.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import replace
from enum import StrEnum
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.checks.facts import WORK, Draft, Facts
from roadworn.model.events import Holds
from roadworn.model.messages import Problem, Severity

if TYPE_CHECKING:
    from roadworn.model.kinds import EventKind

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
        fields: the payload fields that it looks at, by name or by what they hold, at any depth;
            a payload without them is passed over. All of them where it says none.
    """

    rule: str
    needs: Needs
    kinds: Collection[str] = ()
    severity: Severity = Severity.ODD
    fields: Collection[str | Holds] | None = None


_REFUSED = Severity.REFUSED
_PROFILE = ("enrolment", "profile_change")
_ON_A_PART = ("replacement", "repair", "maintenance", "inspection")
_JOBS = ("replacement", "repair", "complaint")

CHECKS = (
    Check("known:vehicle", Needs.LEDGER, severity=_REFUSED),
    Check("known:component", Needs.LEDGER, severity=_REFUSED),
    Check("known:reference", Needs.LEDGER, severity=_REFUSED),
    Check("identity:merge_possible", Needs.LEDGER, ("merge",), _REFUSED),
    Check("known:brought", Needs.LEDGER, ("replacement",), _REFUSED, fields=("part_source",)),
    Check("slips:back_before", Needs.LEDGER, ("out_of_service",), _REFUSED, fields=("until",)),
    Check("known:repeat", Needs.REPEAT, ("replacement",), _REFUSED),
    Check("slips:slip", Needs.PAYLOAD, severity=_REFUSED),
    Check("odd:reading", Needs.READINGS),
    Check("odd:day", Needs.PROFILE),
    Check("odd:figure", Needs.PROFILE),
    Check("odd:before_watched", Needs.PROFILE, WORK),
    Check("odd:no_such_part", Needs.PROFILE, _ON_A_PART, fields=(Holds.COMPONENT,)),
    Check("identity:weight", Needs.PROFILE, _PROFILE),
    Check("odd:far_day", Needs.PAYLOAD, fields=(Holds.DAY,)),
    Check("known:service_twice", Needs.HISTORY, ("maintenance",)),
    Check("odd:private", Needs.PAYLOAD, fields=(Holds.FREE_TEXT,)),
    Check("measured:worse_than_said", Needs.PAYLOAD, ("inspection",), fields=("measurements",)),
    Check("measured:grown_since", Needs.HISTORY, ("inspection",)),
    Check("measured:sound_again", Needs.HISTORY, ("inspection",)),
    Check("comebacks:codes", Needs.HISTORY, ("scan",)),
    Check("comebacks:back", Needs.HISTORY, _JOBS),
    Check("comebacks:covered", Needs.HISTORY, ("estimate",)),
    Check("comebacks:level_unsaid", Needs.HISTORY, WORK),
    Check("consent:unagreed", Needs.HISTORY, WORK),
    Check("identity:vin", Needs.PROFILE, _PROFILE),
    Check("identity:vin_of_another", Needs.PROFILE, _PROFILE),
    Check("identity:merge_other_vin", Needs.PROFILE, ("merge",)),
)


#: What whoever types is asked about before anything is written, by the codes of the findings: a
#: figure of the odometer, a day, what tells who somebody is, and what forbade driving and is sound
#: by one word. An import says it and goes on.
ASKED_FIRST = frozenset(
    {
        *("reading-lower", "reading-higher", "reading-jump", "reading-too-far", "old-lower"),
        *("three-decimals", "beyond-digits", "may-have-rolled", "unlikely-day", "private"),
        *("merge-other-vin", "sound-again"),
    }
)
_ASKING = (
    "odd:reading",
    "odd:day",
    "odd:figure",
    "odd:far_day",
    "odd:private",
    "identity:merge_other_vin",
    "measured:sound_again",
)
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
    for rule in _rules(draft.kind, tuple(needs), severity):
        for problem in rule(draft, facts):
            yield replace(problem, severity=severity)


def asked_first(draft: Draft, facts: Facts) -> list[Problem]:
    """Return what is to be asked about a draft before it is written, in the order of the list."""
    needs = (Needs.PAYLOAD, Needs.PROFILE, Needs.READINGS, Needs.HISTORY)
    odd = (
        problem
        for check in _asked(draft.kind, needs, Severity.ODD)
        if check.rule in _ASKING
        for problem in rule_of(check.rule)(draft, facts)
    )
    return [replace(one, severity=Severity.ODD) for one in odd if one.code in ASKED_FIRST]


def _asked(kind: str, needs: Collection[Needs], severity: Severity) -> Iterator[Check]:
    for check in CHECKS:
        about = not check.kinds or kind in check.kinds
        if about and check.needs in needs and check.severity is severity:
            yield check


@cache
def _rules(kind: str, needs: Collection[Needs], severity: Severity) -> tuple[Rule, ...]:
    return tuple(rule_of(check.rule) for check in _asked(kind, needs, severity))


class AskedWhere(NamedTuple):
    """A rule, and where in a payload of a kind something must be said for it to find anything.

    Attributes:
        rule: the function.
        always: whether it looks at everything.
        fields: fields of the payload itself.
        inside: paths to fields of parts.
    """

    rule: Rule
    always: bool
    fields: frozenset[str]
    inside: tuple[tuple[str, ...], ...]

    def may_find(self, payload: dict[str, Any]) -> bool:
        """Return whether a payload says something that the rule looks at."""
        if self.always or not self.fields.isdisjoint(payload):
            return True
        for path in self.inside:  # noqa: SIM110  # a generator costs more than all the rest
            if _is_said(payload, path, 0):
                return True
        return False


def asked_where(
    kind: "EventKind", needs: Needs, severity: Severity, besides: Collection[str] = ()
) -> tuple[AskedWhere, ...]:
    """Return the rules that may find something in payloads of a kind, in the order of the list.

    Args:
        kind: whose payloads.
        needs: which rules, by what they look at.
        severity: refused, or odd.
        besides: rules to leave out, since somebody else looks after them.
    """
    made = (
        _where(check, kind)
        for check in _asked(kind.name, (needs,), severity)
        if check.rule not in besides
    )
    return tuple(one for one in made if one.always or one.fields or one.inside)


def _where(check: Check, kind: "EventKind") -> AskedWhere:
    from roadworn.model.kinds import paths_to

    paths = {path for field in check.fields or () for path in paths_to(kind.model, field)}
    return AskedWhere(
        rule_of(check.rule),
        check.fields is None,
        frozenset(path[0] for path in paths if len(path) == 1),
        tuple(sorted(path for path in paths if len(path) > 1)),
    )


def payload_findings(
    kind: str, payload: dict[str, Any], severity: Severity, by: str = ""
) -> list[Problem]:
    """Return what a payload alone tells, with who wrote it, whether its model takes it or not."""
    return _told(_rules(kind, (Needs.PAYLOAD,), severity), kind, payload, severity, by)


def findings_where(
    asked: Iterable[AskedWhere], kind: str, payload: dict[str, Any], severity: Severity
) -> list[Problem]:
    """Return what `payload_findings` does, only asking where something is said to look at."""
    rules = [where.rule for where in asked if where.may_find(payload)]
    return _told(rules, kind, payload, severity) if rules else []


def _is_said(value: Any, path: Sequence[str], at: int) -> bool:  # noqa: ANN401
    """Whether something stands at the end of a path, of any entry where it leads into a list."""
    if at == len(path):
        return value is not None and value != []
    if type(value) is list:
        for one in value:  # noqa: SIM110
            if _is_said(one, path, at):
                return True
        return False
    return bool(value) and path[at] in value and _is_said(value[path[at]], path, at + 1)


def _told(
    rules: Iterable[Rule], kind: str, payload: dict[str, Any], severity: Severity, by: str = ""
) -> list[Problem]:
    draft = Draft("", kind, "", None, None, payload, recorded_by=by)
    return [
        replace(problem, severity=severity) for rule in rules for problem in rule(draft, _NOTHING)
    ]


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
