"""`roadworn record KIND`: one short command for each kind of event, and what they all share.

Acknowledged on stdout once durable; what is odd goes to stderr while one still stands there.
"""

import sys
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from inspect import Parameter, Signature, signature
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.checks import Needs, found
from roadworn.checks.facts import Draft, Facts
from roadworn.model.amounts import read_money, read_odometer
from roadworn.model.errors import ProblemsFound
from roadworn.model.messages import Problem, Remedy, Sentence, ended
from roadworn.say.telling import brief, describe, item_words
from roadworn_cli.context import check_day, default_currency, default_unit, state_of, today
from roadworn_cli.lazy import Verb, lazy_app
from roadworn_cli.output import escape, note, say

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.model.events import NewEvent, StoredEvent
    from roadworn.trade.limits import Sheet

Asked = tuple[Any, object]  # annotation and default: what typer makes a parameter of
Vehicle = Annotated[str, typer.Argument(metavar="VEHICLE", help="Name of an enrolled vehicle.")]
OdometerOption = Annotated[
    str, typer.Option("--odometer", "-o", metavar="FIGURE", help="As read, '61,250 mi'.")
]
UnitOption = Annotated[
    str,
    typer.Option(
        metavar="km|mi",
        help="Unit of a figure that has none; else ROADWORN_UNIT, else the vehicle's last one.",
    ),
]
_WHEN = "The day it happened, as 2026-05-04 or yesterday; today."
_ON = typer.Option(metavar="DATE", help=_WHEN, callback=lambda on: check_day(on, "--on"))
OnOption = Annotated[str, _ON]
ByOption = Annotated[str, typer.Option(metavar="NAME", help="Initials of who writes it down.")]
SureOption = Annotated[
    bool, typer.Option("--sure", help="Do not ask about what is odd in it: it is right.")
]
NoteOption = Annotated[str, typer.Option(metavar="TEXT", help="Anything worth keeping.")]
CurrencyOption = Annotated[
    str, typer.Option(metavar="CODE", help="Currency of the amounts, USD; else ROADWORN_CURRENCY.")
]


@dataclass(frozen=True, slots=True)
class Envelope:
    """When, by whom and at what reading.

    Attributes:
        odometer: as typed, or an empty text.
        unit: unit of a figure without one, or an empty text.
        on: ISO day, or an empty text for today.
        by: who writes it down.
        sure: what is odd about it is right.
    """

    odometer: str = ""
    unit: str = ""
    on: str = ""
    by: str = ""
    sure: bool = False


#: The options of an envelope, in the order of help.
ENVELOPE: Mapping[str, Asked] = {
    "odometer": (OdometerOption, ""),
    "unit": (UnitOption, ""),
    "on": (OnOption, ""),
    "by": (ByOption, ""),
    "sure": (SureOption, False),
}


def asking(function: Callable[..., None], asked: Mapping[str, Asked]) -> Callable[..., None]:
    """Let typer ask for parameters that a function does not name, and return it."""
    function.__annotations__ = {name: annotation for name, (annotation, _) in asked.items()}
    function.__signature__ = Signature(  # type: ignore[attr-defined]  # what typer reads
        [
            Parameter(name, Parameter.KEYWORD_ONLY, annotation=annotation, default=default)
            for name, (annotation, default) in asked.items()
        ]
    )
    return function


def enveloped(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Put options of the envelope, all unless named, in the place of the parameter `envelope`."""
    options = {name: ENVELOPE[name] for name in (*names, "sure")} if names else {**ENVELOPE}

    def with_options(function: Callable[..., None]) -> Callable[..., None]:
        asked: dict[str, Asked] = {}
        for name, one in signature(function).parameters.items():
            asked |= options if name == "envelope" else {name: (one.annotation, one.default)}

        def run(**typed: Any) -> None:  # noqa: ANN401
            words = {name: typed.pop(name) for name in options}
            function(**typed, envelope=Envelope(**words))

        run.__doc__ = function.__doc__
        return asking(run, asked)

    return with_options


@contextmanager
def writing(ctx: typer.Context, kind: str = "") -> "Iterator[Ledger]":
    """Open the ledger for one act; the kinds of plugins too where one of theirs is written."""
    with state_of(ctx).open_ledger(writable=True, plugin_kinds="." in kind) as ledger:
        yield ledger


def write(
    ctx: typer.Context,
    vehicle: str,
    kind: str,
    payload: Mapping[str, Any],
    envelope: Envelope,
    *,
    allow_repeat: bool = False,
    typed: str = "",
    besides: Iterable[str] = (),
) -> "StoredEvent":
    """Open the ledger and `append` one event of a vehicle as typed."""
    with writing(ctx, kind) as ledger:
        if payload.get("comeback_of") or payload.get("estimate"):
            from roadworn_cli.record.bay_words import whole_ids

            payload = {**payload, **whole_ids(ledger, vehicle, payload)}
        return append(
            ledger,
            ledger.require_vehicle(vehicle),
            kind,
            payload,
            envelope,
            allow_repeat=allow_repeat,
            typed=typed,
            besides=besides,
        )


def append(
    ledger: "Ledger",
    vehicle_id: str,
    kind: str,
    payload: Mapping[str, Any],
    envelope: Envelope,
    *,
    allow_repeat: bool = False,
    typed: str = "",
    sheet: "Sheet | None" = None,
    besides: Iterable[str] = (),
) -> "StoredEvent":
    """Append one event, say what was written and what is odd about it, and return it.

    Args:
        ledger: where to.
        vehicle_id: an enrolled vehicle, or the one to enrol.
        kind: stored name of the kind.
        payload: its fields; None and empty texts are left out.
        envelope: when, by whom, at what reading.
        allow_repeat: take a replacement that looks like one already entered.
        typed: a figure outside the envelope, as typed, to look at instead of its own.
        sheet: whose limits the figures of a look-over were judged by.
        besides: what was noticed when it was read, to say after the cautions.
    """
    event = event_of(ledger, vehicle_id, kind, payload, envelope)
    figure = typed or envelope.odometer
    asked = ask_first(ledger, event, figure, sure=envelope.sure, allow_repeat=allow_repeat)
    stored = ledger.append(event, allow_repeat=allow_repeat)
    tell(ledger, stored, envelope, typed=typed, sheet=sheet, besides=besides, but=asked)
    return stored


def event_of(
    ledger: "Ledger", vehicle_id: str, kind: str, payload: Mapping[str, Any], envelope: Envelope
) -> "NewEvent":
    """Return the event that was typed, not yet written."""
    odometer, unit = figure_of(envelope, vehicle_id, ledger.facts)
    day = envelope.on or today().isoformat()
    said = {"vehicle_id": vehicle_id, "kind": kind, "occurred_at": day, "payload": given(payload)}
    return new_event(
        {**said, "odometer": odometer, "odometer_unit": unit, "recorded_by": envelope.by}
    )


def tell(
    ledger: "Ledger",
    stored: "StoredEvent",
    envelope: Envelope,
    *,
    typed: str = "",
    sheet: "Sheet | None" = None,
    besides: Iterable[str] = (),
    but: Collection[str] = (),
) -> None:
    """Print the line of an event, and say what is odd about it `but` what was asked before."""
    acknowledge(stored)
    draft = Draft.of(stored, typed or envelope.odometer, sheet)
    odd = [p for p in found(draft, ledger.facts, ALL) if envelope.on or p.column != "occurred_at"]
    odd = [p for p in odd if p.code not in but]
    say_odd((p for p in odd if p.code not in _LAST), stored)
    for text in cautions(stored):
        say(text)
    for text in besides:
        note(text)
    say_odd((p for p in odd if p.code in _LAST), stored)


def ask_first(
    ledger: "Ledger",
    event: "NewEvent",
    typed: str = "",
    *,
    sure: bool,
    allow_repeat: bool = False,
    changed: Collection[str] | None = None,
    but: str = "",
    also: Iterable["NewEvent"] = (),
) -> Collection[str]:
    """Ask about what is odd in an event before it is written, and return what was asked about.

    Args:
        ledger: where to.
        event: what will be written.
        typed: its odometer figure as typed.
        sure: somebody said that it is right: nothing is asked.
        allow_repeat: as `append` takes it; what the ledger refuses anyhow is not asked about.
        changed: the columns to ask about; all of them when None.
        but: id of an event that it takes the place of.
        also: others of the same act; what is odd about each in the same way is asked once.

    Raises:
        ProblemsFound: there is nobody to ask, or the answer is no; nothing was written.
    """
    if sure:
        return ()
    from roadworn.intake import asked_about

    problems = [
        problem
        for one in (event, *also)
        for problem in asked_about(ledger, one, typed, but=but, allow_repeat=allow_repeat)
    ]
    problems = [p for p in problems if changed is None or p.column.partition("[")[0] in changed]
    if not problems:
        return ()
    told = list(dict.fromkeys(_asked(problem, event.vehicle_id) for problem in problems))
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise ProblemsFound(
            f"Not written: {' '.join(told)} If it is right all the same, add --sure.", ()
        )
    for text in told:
        say(text)
    if not typer.confirm("Write it down all the same?", default=False, err=True):
        raise ProblemsFound("Nothing was written.", ())
    return {problem.code for problem in problems}


def _asked(problem: Problem, vehicle_id: str) -> str:
    """Return a finding as it is asked about before anything is written."""
    value = "" if problem.remedy is None else problem.remedy.value
    if problem.code == "may-have-rolled":
        return (
            f"{problem.message}: {_PROFILE.format(vehicle=vehicle_id)} --odometer-digits {value}."
        )
    lead = f"{problem.subject.replace('_', '-')}: " if problem.subject else ""
    if problem.code == "reading-lower" and not value:
        return f"{lead}{problem.message} An exchanged instrument: roadworn record exchange."
    said = f"perhaps {value}?" if value else problem.hint
    return f"{lead}{problem.message}{f' {ended(said)}' if said else ''}"


def acknowledge(stored: "StoredEvent", besides: str = "") -> None:
    """Print the line of an event that is durable now: its id, and what was written."""
    at = "" if stored.odometer is None else f" at {stored.odometer:,.10g} {stored.odometer_unit}"
    told = escape(describe(stored.kind, brief(stored.data())))
    start = f"{short(stored.event_id)}  {stored.vehicle_id}  {stored.occurred_at}{at}"
    typer.echo(f"{start}  {told}{besides}")


def short(event_id: str) -> str:
    """Return the end of an event id, which is enough to name it; ids of one day begin alike."""
    return event_id[-8:]


def new_event(fields: Mapping[str, Any]) -> "NewEvent":
    """Return an event to append.

    Raises:
        ProblemsFound: a field of the envelope does not fit, told in plain words.
    """
    from pydantic import ValidationError

    from roadworn.model.events import NewEvent

    try:
        return NewEvent.model_validate(fields)
    except ValidationError as error:
        from roadworn.checks.shape import problems_of

        problems = tuple(problems_of(error, NewEvent, "An event"))
        raise ProblemsFound(f"Not taken: {problems[0]}", problems) from None


def figure_of(envelope: Envelope, vehicle_id: str, facts: Facts) -> tuple[float | None, str | None]:
    """Return the odometer figure and its unit, or two None when none was typed."""
    if not envelope.odometer:
        return None, None
    unit = envelope.unit or default_unit()
    if not unit and (last := facts.last_reading(vehicle_id)):
        unit = last.unit
    return read_odometer(envelope.odometer, unit)


def given(fields: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields that were given, without None, empty texts and empty lists."""
    return {name: value for name, value in fields.items() if value not in (None, "", [], ())}


def as_money(text: str, currency: str) -> dict[str, str] | None:
    """Return a typed amount as a payload value, or None when none was typed."""
    return read_money(text, currency or default_currency()) if text else None


_KEPT = "{message} It is kept and flagged. A slip: {correct}=…{fits}"
_PROFILE = "roadworn record profile {vehicle}"
#: How a finding is said to whoever has just typed the event: by its code, else by its column.
_WORDED = {
    "three-decimals": "{message} Then: {correct}='{value}'",
    "other-unit": "{message} A slip: {correct}='{value}'",
    "reading-too-far": _KEPT,
    "reading-jump": _KEPT,
    "reading-lower": f"{_KEPT} An exchanged instrument: roadworn record exchange.",
    "old-lower": "{message} A slip: {correct}=…",
    "may-have-rolled": f"{{message}}: {_PROFILE} --odometer-digits {{value}}",
    "unlikely-day": "{field}: {message} It is kept; {hint}",
    "beyond-digits": "{message} It is kept. {hint}: {correct}=…",
    "weight": f"{{what}}: {{hint}}. Kept as typed. To change it: {_PROFILE} --weight-class ...",
    "before-watched": "{message} If all work on it is on record from an earlier day on: "
    f"{_PROFILE} --records-since {{value}}",
    "no-such-part": f"{{message}} It is kept: {{hint}} To change the vehicle: {_PROFILE}",
    "service-twice": "{message} Both are kept. The same work: roadworn retract {event} "
    "--reason {value}",
    "private": "{what}: {hint}.",
    "vin-shared": "{message} It is kept; {hint}.",
    "occurred_at": "--on: {message} It is kept.{meant} A slip: {correct}=…",
    "payload.vin": "{message} Kept as typed; {hint}.",
    "payload.model_year": "{message} Kept as typed; {hint}.",
}
#: They follow the cautions.
_LAST = frozenset({"worse-than-said", "grown", "codes-since", "comeback", "no-consent"})
ALL = (Needs.PAYLOAD, Needs.PROFILE, Needs.READINGS, Needs.HISTORY)


def _worded(problem: Problem, stored: "StoredEvent") -> str:
    """Return a finding with what to type about it."""
    remedy = problem.remedy or Remedy("")
    event, message = short(stored.event_id), problem.message
    worded = _WORDED.get(problem.column if problem.column == "occurred_at" else problem.code)
    return (worded or _WORDED.get(problem.column) or "{message}").format(
        message=message,
        what=message.arguments.get("what") if isinstance(message, Sentence) else message,
        hint=problem.hint,
        event=event,
        vehicle=stored.vehicle_id,
        correct=f"roadworn correct {event} {remedy.field}",
        field=remedy.field,
        value=remedy.value,
        fits=f" It would fit as {remedy.value}." if remedy.value else "",
        meant=f" Did you mean {remedy.value}?" if remedy.value else "",
    )


def say_odd(problems: Iterable[Problem], stored: "StoredEvent") -> None:
    """Say findings, each of the same words once."""
    for text in dict.fromkeys(_worded(problem, stored) for problem in problems):
        note(text)


def cautions(stored: "StoredEvent") -> Iterable[str]:
    """Yield a line for each failed safety item, and the cautions that go with them."""
    if stored.kind != "inspection":
        return
    failed = [finding for finding in stored.data().get("findings", ()) if finding.get("safety")]
    for finding in failed:
        yield f"SAFETY: {item_words(finding)} failed. Do not drive it until it is repaired."
    if failed:
        from roadworn.trade.cautions import cautions_for

        for text in cautions_for(finding["component"] for finding in failed):
            yield f"caution: {text}"
        yield "Local law, the maker's service information and a qualified technician come first."


_HERE = "roadworn_cli.record"
#: Kinds as typed; the stored names are accepted too, with - or _.
KINDS: tuple[Verb, ...] = (
    Verb("reading", f"{_HERE}.entry:reading", "An odometer reading.", "Every day",
         ("odometer-reading",)),
    Verb("inspection", f"{_HERE}.look_over:inspection", "A look-over: what was found.", "Every day",
         ("look-over", "lookover")),
    Verb("scan", f"{_HERE}.scan:scan", "A read-out of the diagnostic socket.", "Every day"),
    Verb("replacement", f"{_HERE}.entry:replacement", "A part was replaced.", "Every day"),
    Verb("repair", f"{_HERE}.entry:repair", "Work without a new part.", "Every day"),
    Verb("maintenance", f"{_HERE}.entry:maintenance", "Service work by plan.", "Every day"),
    Verb("test", f"{_HERE}.done:tried", "A test after work.", "Every day", ("work-test",)),
    Verb("complaint", f"{_HERE}.entry:complaint", "What the customer says.", "With the customer"),
    Verb("estimate", f"{_HERE}.money:estimate", "What work would cost.", "With the customer"),
    Verb("authorisation", f"{_HERE}.money:authorisation", "The answers to an estimate.",
         "With the customer", ("authorization",)),
    Verb("visit", f"{_HERE}.entry:visit", "It came in, or was handed over.", "With the customer"),
    Verb("valuation", f"{_HERE}.entry:valuation", "What the vehicle is worth.",
         "With the customer"),
    Verb("inspection-result", f"{_HERE}.entry:inspection_result",
         "Outcome of an official inspection.", "The vehicle"),
    Verb("profile", f"{_HERE}.entry:profile", "Some of its description changed.", "The vehicle",
         ("profile-change",)),
    Verb("sale", f"{_HERE}.owner:sale", "It has another owner now.", "The vehicle",
         ("sold", "new-owner")),
    Verb("merge", f"{_HERE}.owner:merge", "Two records are one vehicle.", "The vehicle"),
    Verb("exchange", f"{_HERE}.entry:exchange", "The odometer was exchanged.", "The vehicle",
         ("odometer-exchange",)),
    Verb("out-of-service", f"{_HERE}.entry:out_of_service", "It cannot serve.", "The vehicle"),
    Verb("back-in-service", f"{_HERE}.entry:back_in_service", "It serves again.", "The vehicle"),
    Verb("energy", f"{_HERE}.entry:energy", "Fuel or electricity put in.", "The vehicle"),
    Verb("hours", f"{_HERE}.entry:hours", "Hours of the engine.", "The vehicle",
         ("hours-reading",)),
    Verb("retirement", f"{_HERE}.entry:retirement", "The vehicle left.", "The vehicle"),
    Verb("other", f"{_HERE}.other:other", "An event of a kind that a plugin brings.",
         "The vehicle"),
)  # fmt: skip

verb = lazy_app(
    KINDS,
    "Write down what was seen, measured, read out or done on a vehicle.\n\n"
    "One line is printed for each event: its id, and what was written; an estimate by a shop's "
    "terms is printed below it. Wrong ones are taken back with `roadworn retract` or written anew "
    "with `roadworn correct`.",
    more="roadworn_cli.brought:kinds",
)
