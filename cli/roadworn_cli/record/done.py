"""`done`: work made from the approved lines of an estimate; `record test`: what was tried after it.

The estimate has component, place, parts, hours and price already, so only what differed is typed.
All of one command is written down together or not at all.
"""

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from roadworn.model.amounts import read_warranty
from roadworn.model.errors import LedgerRefused, UsageError
from roadworn.say.telling import item_words, test_words
from roadworn_cli.context import (
    default_currency,
    default_unit,
    leave,
    line_again,
    state_of,
    today,
)
from roadworn_cli.output import note as say_note
from roadworn_cli.output import say
from roadworn_cli.record import (
    CurrencyOption,
    Envelope,
    NoteOption,
    Vehicle,
    append,
    ask_first,
    enveloped,
    event_of,
    given,
    tell,
    writing,
)

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.model.events import StoredEvent
    from roadworn.reading.doing import Doing, Job
    from roadworn.reading.done_words import Differs


@enveloped()
def done(
    ctx: typer.Context,
    vehicle: Vehicle,
    lines: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[LINE...]",
            help="Numbers of lines, all approved ones without; what differed behind them: "
            "'1 2.4 h part 44.10 number BP-220', '2 own part', '3 repaired', 'all by JK'.",
            show_default=False,
        ),
    ] = None,
    estimate: Annotated[
        str, typer.Option(metavar="EVENT", help="Which estimate; the last one.")
    ] = "last",
    done_by: Annotated[
        str, typer.Option(metavar="NAME", help="Initials of who did the work.")
    ] = "",
    warranty: Annotated[
        str, typer.Option(metavar="TEXT", help="Of the new parts, '12/12' or 'lifetime'.")
    ] = "",
    order: Annotated[str, typer.Option(metavar="TEXT", help="Work order number.")] = "",
    again: Annotated[
        bool,
        typer.Option(
            "--again", "--allow-repeat", help="Take a line that was done already once more."
        ),
    ] = False,
    currency: CurrencyOption = "",
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """Write down the approved lines of the vehicle's estimate as done.

    What differed is said in the bay's words behind the number of its line: hours (2.4 h), by the
    clock (clock 2.9), part 44.10, number BP-220, from a supplier, made by a maker, by who did it,
    own part (the customer's), from stock, used, warranty 12/12, total 180, worn out or another
    reason, repaired or adjusted, at LF, 4.8 qt 5W-30, note and anything. Tests that the work asks
    for stay open until `roadworn record test`.
    """
    from roadworn.reading.doing import Doing
    from roadworn.reading.done_words import Differs, read_differences
    from roadworn_cli.record.money import find_estimate

    unit = envelope.unit or default_unit()
    with writing(ctx) as ledger:
        found = find_estimate(ledger, vehicle, estimate)
        doing = Doing(found, ledger.facts)
        code = currency or found.data()["lines"][0]["amount"]["currency"] or default_currency()
        whole: dict[str, Any] = {"done_by": done_by, "work_order": order, "note": note}
        if warranty:
            whole |= read_warranty(warranty, unit or _last_unit(ledger, found.vehicle_id))
        said = [
            Differs(fields=given(whole)),
            *read_differences(
                lines or (), doing.lines, code, unit or _last_unit(ledger, found.vehicle_id)
            ),
        ]
        chosen = _chosen(ledger, doing, said, again=again)
        jobs = _planned(ctx, doing, chosen, said, asks=sys.stdin.isatty(), typed=lines or ())
        work = [(job.kind, job.payload) for job in jobs]
        written = _write(ledger, found.vehicle_id, work, envelope, again=again)
        for stored, job in zip(written, jobs, strict=True):
            tell(ledger, stored, envelope)
            if job.why:
                reason = stored.data().get("reason", "").replace("_", " ")
                say_note(f"line {job.line}: {', '.join(filter(None, (reason, job.why)))}.")
        _tell_cautions(jobs)
        _tell_left(Doing(found, ledger.facts))
        _tell_tests(ledger, found.vehicle_id)


def _last_unit(ledger: "Ledger", vehicle_id: str) -> str:
    last = ledger.facts.last_reading(vehicle_id)
    return last.unit if last else ""


def _chosen(
    ledger: "Ledger", doing: "Doing", said: Iterable["Differs"], *, again: bool
) -> list[int]:
    """Return the lines that were named, or all that are approved and not done.

    Raises:
        LedgerRefused: a line is not approved or done already, or there is none to write down.
    """
    named = [number for one in said for number in one.lines]
    if named and not any(one.takes_all for one in said):
        for number in dict.fromkeys(named):
            doing.check(number, again=again)
        return list(dict.fromkeys(named))
    approved = doing.approved()
    for number in dict.fromkeys(named):
        doing.check(number, again=again)
    if not approved:
        _refuse_none(ledger, doing)
    return sorted({*approved, *named})


def _refuse_none(ledger: "Ledger", doing: "Doing") -> NoReturn:
    """Say why no line can be written down as done, and what to type.

    Raises:
        LedgerRefused: always.
    """
    from roadworn.reading.doing import Doing

    vehicle_id, event = doing.estimate.vehicle_id, doing.estimate.event_id[-8:]
    start = f"The estimate {event} of {doing.estimate.occurred_at[:10]}"
    for other in ledger.facts.events(vehicle_id, "estimate"):
        left = Doing(other, ledger.facts).approved()
        if left and other.event_id != doing.estimate.event_id:
            listed = ", ".join(map(str, left))
            raise LedgerRefused(
                f"{start} has no approved line left, but that of {other.occurred_at[:10]} has "
                f"({listed}): write `roadworn done {vehicle_id} --estimate {other.event_id[-8:]}`."
            )
    answered = [number for number in doing.lines if doing.answer(number)[0] == "approved"]
    if answered:
        raise LedgerRefused(f"{start} has no approved line left: all are done already.")
    raise LedgerRefused(
        f"{start} has no approved line: write the customer's answer first, as in `roadworn record "
        f"authorisation {vehicle_id} last 1=ok`."
    )


def _planned(
    ctx: typer.Context,
    doing: "Doing",
    numbers: Sequence[int],
    said: list["Differs"],
    *,
    asks: bool,
    typed: Sequence[str],
) -> list["Job"]:
    """Return the work of lines, asking in a terminal for what a line leaves open.

    Raises:
        UsageError: a line leaves something open, and nobody can be asked.
    """
    from roadworn.reading.doing import Question
    from roadworn.reading.done_words import read_differences

    code = doing.estimate.data()["lines"][0]["amount"]["currency"]
    jobs: list[Job] = []
    left: list[Question] = []
    for number in numbers:
        planned = doing.plan(number, said)
        while isinstance(planned, Question) and asks:
            say(f"{planned.text} (as in: {planned.answer})")
            answer = sys.stdin.readline().strip()
            if not answer:
                break
            try:
                said += read_differences([f"{number} {answer}"], doing.lines, code)
                planned = doing.plan(number, said)
            except UsageError as error:
                say(error.message)
        if isinstance(planned, Question):
            left.append(planned)
        else:
            jobs += planned
    if left:
        for question in left:
            say(question.text)
        words = [*typed] if any(one.lines or one.takes_all for one in said[1:]) else [*typed, "all"]
        again = [*words, *(f"{one.line} {one.answer}" for one in left)]
        told = line_again(ctx, [doing.estimate.vehicle_id, *again])
        raise UsageError(f"Nothing was written yet: say it behind the number, as in `{told}`.")
    return jobs


def _write(
    ledger: "Ledger",
    vehicle_id: str,
    work: Iterable[tuple[str, dict[str, Any]]],
    envelope: Envelope,
    *,
    again: bool,
) -> list["StoredEvent"]:
    """Append work, (kind, payload) each, in one act and return it as stored."""
    from roadworn.model.events import new_event_id

    events = [
        event_of(ledger, vehicle_id, kind, payload, envelope).model_copy(
            update={"event_id": new_event_id()}
        )
        for kind, payload in work
    ]
    first, *others = events
    sure = envelope.sure
    ask_first(ledger, first, envelope.odometer, sure=sure, allow_repeat=again, also=others)
    ledger.append_many(events, allow_repeat=again)
    return [ledger.event(event.event_id or "") for event in events]


def write_spread(
    ctx: typer.Context,
    vehicle: str,
    payload: dict[str, Any],
    envelope: Envelope,
    others: dict[str, Any],
) -> None:
    """Write down a replacement at several places, ``tires rear``: an event for each of them.

    Args:
        ctx: the running command.
        vehicle: as typed.
        payload: of the whole; what it cost is parted among the places.
        envelope: when, by whom, at what reading.
        others: the `places`, and whether to `allow_repeat`.
    """
    from roadworn.reading.done_costs import spread

    whole = {name: value for name, value in payload.items() if name != "position"}
    work = [("replacement", one) for one in spread(given(whole), others["places"])]
    with writing(ctx) as ledger:
        name = ledger.require_vehicle(vehicle)
        for stored in _write(ledger, name, work, envelope, again=others["allow_repeat"]):
            tell(ledger, stored, envelope)


def _tell_cautions(jobs: Iterable["Job"]) -> None:
    """Say the cautions of the work, each once."""
    from roadworn.trade.cautions import brief_cautions_for

    done_on = {job.payload["component"] for job in jobs if job.payload.get("tests")}
    told = brief_cautions_for(done_on)
    if told:
        say(f"caution: {'; '.join(told)}.")


def _tell_left(doing: "Doing") -> None:
    """Say which approved lines of the estimate are still to be done."""
    left = doing.approved()
    if left:
        listed = "; ".join(f"{number} {item_words(doing.lines[number])}" for number in left)
        say(f"Approved and not done yet: {listed}.")


def _tell_tests(ledger: "Ledger", vehicle_id: str) -> None:
    """Say which tests are open, and how each is written down."""
    from roadworn.reading.trying import open_tests
    from roadworn.trade.after_work import when_of

    names = [name for name, _day in open_tests(ledger.facts, vehicle_id)]
    if not names:
        return
    listed = [f"{test_words(n)}{f' ({when_of(n)})' if when_of(n) else ''}" for n in names]
    first = names[0].replace("_", " ")
    say(f"To try before it leaves: {'; '.join(listed)}.")
    say(f"Write down each: roadworn record test {vehicle_id} '{first} ok'")


def tell_open(ctx: typer.Context, vehicle: str) -> None:
    """Say what a vehicle that was handed over leaves with, a line each; nothing is refused."""
    from roadworn.analysis.day import left_open

    state = state_of(ctx)
    with state.open_ledger() as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
    with state.open_view() as view:
        for one in left_open(view, vehicle_id):
            say(f"{one.words}: {'; '.join(one.names)}.")


@enveloped()
def tried(
    ctx: typer.Context,
    vehicle: Vehicle,
    tests: Annotated[
        list[str],
        typer.Argument(
            metavar="TEST...",
            help="As 'test drive ok' 'leak check failed, drips at the hose'; all ok for every one "
            "that is open.",
        ),
    ],
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """What was tried after work: roadworn record test bus-7 "test drive ok" "wheel torque ok"."""
    from roadworn.reading.trying import open_tests, read_tests, says_outcome
    from roadworn.trade.after_work import when_of

    with writing(ctx) as ledger:
        vehicle_id = ledger.require_vehicle(vehicle)
        asked = [name for name, _day in open_tests(ledger.facts, vehicle_id)]
        try:
            made = [one for text in tests for one in read_tests(text, asked)]
        except UsageError:
            # Words that the shell took apart: record test bus-7 test drive ok. Where one of them
            # is a test by itself they are whole, and another is not understood.
            if len(tests) == 1 or any(says_outcome(text) for text in tests):
                raise
            made = read_tests(" ".join(tests), asked)
        if not made:
            say(f"No test is open on {vehicle_id}: nothing was written.")
            leave(1)
        for name, result, words in made:
            if (
                result == "passed"
                and not envelope.sure
                and too_soon(ledger, vehicle_id, name, envelope)
            ):
                say(
                    f"{test_words(name)} stays open: it is due {when_of(name)}, and nothing says "
                    "that it was driven so far since the work. Give --odometer then, or --sure."
                )
                continue
            told = "; ".join(text for text in (words, note) if text)
            payload = {"test": name, "result": result, "note": told}
            append(ledger, vehicle_id, "work_test", payload, envelope)
            if result == "failed":
                say(f"{test_words(name)} failed and stays open: put it right, and try again.")
        _tell_tests(ledger, vehicle_id)


def too_soon(ledger: "Ledger", vehicle_id: str, name: str, envelope: Envelope) -> bool:
    """Whether a test waits for a distance that was not driven since the work, as far as is known.

    Without a figure of the odometer at both, the day of the work itself is too soon.
    """
    from roadworn.checks.facts import WORK
    from roadworn.model.amounts import read_odometer
    from roadworn.model.units import convert
    from roadworn.trade.after_work import drive_first

    least = drive_first(name)
    asking = [
        e for e in ledger.facts.events(vehicle_id, *WORK) if name in (e.data().get("tests") or ())
    ]
    if least is None or not asking:
        return False
    work = max(asking, key=lambda event: (event.occurred_at[:10], event.seq))
    now: tuple[float, str] | None = None
    if envelope.odometer:
        unit = envelope.unit or default_unit() or _last_unit(ledger, vehicle_id)
        now = read_odometer(envelope.odometer, unit)
    elif last := ledger.facts.last_reading(vehicle_id):
        now = last.value, last.unit
    if now is None or work.odometer is None:
        return (envelope.on or today().isoformat()) <= work.occurred_at[:10]
    start = convert(work.odometer, work.odometer_unit or now[1], least[1])
    return convert(*now, least[1]) - start < least[0]
