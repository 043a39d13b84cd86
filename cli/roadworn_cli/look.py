"""`roadworn import --look FILE…`: what a map of a table needs, asked in a walk or in the files."""

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import orjson
import typer

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn_cli.context import State, default_currency, default_unit
from roadworn_cli.output import counted, note, say

if TYPE_CHECKING:
    from roadworn.intake.look_ask import Known
    from roadworn.intake.look_draft import Draft, Question

#: Keys of a walk besides the numbers of answers.
_SKIP, _STOP = "-", "q"


def look_at(state: State, paths: list[Path], map_name: str) -> None:
    """Look at tables; write a map and a file of aliases for each, asking what is open.

    Args:
        state: names the ledger, whose vehicles are known; it need not be there.
        paths: tables.
        map_name: file for the map of one table; else named after the table.

    Raises:
        UsageError: a file to write is there already.
    """
    from roadworn.intake.look import look

    known = _known(state)
    drafts = look(paths, known)
    named = _names(drafts, map_name)
    for draft, path in zip(drafts, named, strict=True):
        for file in (path, _aliases_of(path)):
            if file.exists():
                raise UsageError(
                    f"{file} is there already and is left as it is: read by it with --map {path}, "
                    "or name another file with --map."
                )
        _tell(draft)
        if draft.questions and sys.stdin.isatty():
            _walk(draft)
        _write(draft, path, known)


def _known(state: State) -> "Known":
    """Return what the ledger and the environment know."""
    from roadworn.intake.look_ask import Known
    from roadworn.model.kinds import KindRegistry

    ids: dict[str, str] = {}
    plates: dict[str, str] = {}
    if state.ledger.is_file():
        from roadworn.intake.finding import profiles

        with state.open_ledger() as ledger:
            for vehicle, profile in profiles(ledger).items():
                if label := profile.get("label"):
                    ids[str(label)] = vehicle
                ids[vehicle] = vehicle
            plates = ledger.plates.vehicles()
    return Known(KindRegistry(), ids, plates, default_currency(), default_unit())


def _names(drafts: "list[Draft]", map_name: str) -> list[Path]:
    if map_name and len(drafts) > 1:
        raise UsageError(
            f"{counted(len(drafts), 'table')} are looked at and --map names one file: leave it "
            "out, and each map is named after its table."
        )
    made = []
    for draft in drafts:
        alone = sum(one.path == draft.path for one in drafts) == 1
        sheet = "" if alone else f".{'-'.join(draft.layout.sheet.split())}"
        made.append(Path(map_name or f"{draft.path.stem}{sheet}.map.toml"))
    return made


def _aliases_of(path: Path) -> Path:
    stem = path.name.removesuffix(".toml").removesuffix(".map")
    return path.with_name(f"{stem}.aliases.toml")


def _tell(draft: "Draft") -> None:
    """Say what was found."""
    sheet = f", sheet {draft.layout.sheet}" if draft.layout.sheet else ""
    say(f"{draft.path.name}{sheet}: {counted(draft.rows, 'row')}.")
    for one in draft.notes:
        say(f"  {one[:1].upper()}{one[1:]}.")
    for name, target in draft.columns.items():
        many = draft.distinct.get(target, 0)
        distinct = f", {counted(many, 'distinct word')}" if many else ""
        say(f"  {name} is {target}{distinct}")
    for name, why in draft.unused.items():
        say(f"  {name} is not used: {why}")


def _walk(draft: "Draft") -> None:
    """Ask what is open, a question at a time; what is left open waits in the files."""
    from roadworn_cli.record.keys import Answers

    say(
        f"\n{counted(len(draft.questions), 'question')}: a number or a word answers, Enter takes "
        f"the likely one, {_SKIP} leaves it for the file, {_STOP} leaves all that are left."
    )
    left: set[int] = set()
    with Answers() as answers:
        while question := next((one for one in draft.questions if id(one) not in left), None):
            left.add(id(question))
            _show(question)
            numbers = "".join(str(n + 1) for n in range(min(9, len(question.choices))))
            given = answers.read(numbers + _SKIP)
            if given is None or given.strip() == _STOP:
                return
            _take(draft, question, given.strip())


def _show(question: "Question") -> None:
    rows = f" ({counted(question.rows, 'row')})" if question.rows else ""
    say(f"\n{question.text}{rows}")
    for number, (value, words) in enumerate(question.choices[:9], start=1):
        told = f"{value}: {words}" if words else value
        say(f"  {number} {told}{'  (likely)' if value == question.likely else ''}")
    typer.echo("> ", nl=False, err=True)


def _take(draft: "Draft", question: "Question", given: str) -> None:
    if given == _SKIP:
        return
    given = given or question.likely
    if given.isdecimal() and 0 < int(given) <= len(question.choices):
        given = question.choices[int(given) - 1][0]
    if not given:
        return
    if not question.free and given not in dict(question.choices):
        say("  That is none of the answers: it is left for the file.")
        return
    try:
        draft.answer(question, given)
    except UsageError as error:
        say(f"  {error} It is left for the file.")


def _write(draft: "Draft", path: Path, known: "Known") -> None:
    from roadworn.intake.look_files import aliases_text, map_text

    aliases = _aliases_of(path)
    made = [
        (path, map_text(draft, aliases.name)),
        (aliases, aliases_text(draft, path.name)),
    ]
    new = _new_vehicles(draft)
    if new:
        made.append((path.with_name(f"{draft.path.stem}.vehicles.ndjson"), new))
    for file, text in made:
        try:
            with file.open("x", encoding="utf-8") as stream:
                stream.write(text)
        except FileExistsError:
            note(f"{file} is there already and is left as it is.")
        except OSError as error:
            raise EnvironmentFailure(
                f"{file} cannot be written ({error.strerror}): check the folder and its rights."
            ) from error
    typer.echo(f"{path}\n{aliases}")
    _tell_share(draft, path, known)
    if draft.questions:
        rows = max(question.rows for question in draft.questions)
        say(
            f"{counted(len(draft.questions), 'question')} left, of up to {counted(rows, 'row')}: "
            "each waits in these files as a comment that begins with ASKED."
        )
    sheet = draft.path.name if os.sep not in str(draft.path) else draft.path
    if new:
        file = made[-1][0]
        say(
            f"The ledger does not have {counted(len(draft.unknown), 'vehicle')} of it: look "
            f"through {file}, then: roadworn import {file}"
        )
    say(f"Next: roadworn import {sheet} --map {path} --dry-run")


def _tell_share(draft: "Draft", path: Path, known: "Known") -> None:
    """Say how many rows would come in as the map stands."""
    from roadworn.intake.look_share import understood

    found = understood(draft.path, path, known)
    if not found.tried:
        say("No row is understood yet: answer what is asked for the columns.")
        return
    share = 100.0 * found.rows / found.tried
    first = "the first " if found.tried < draft.rows else ""
    told = f"{found.rows:,} of {first}{counted(found.tried, 'row')}"
    say(f"Understood as it stands: {told} ({share:.4g} %).")


def _new_vehicles(draft: "Draft") -> str:
    """Return enrolments of the vehicles that the ledger does not have, as lines to import."""
    if draft.kind == "enrolment" or not draft.first_day:
        return ""
    # Where only the order of day and month is open, the day is the earliest that it can be.
    if any(question.about in {"vehicles", "column"} for question in draft.questions):
        return ""
    return "".join(_enrolments(draft.unknown, draft.first_day))


def _enrolments(vehicles: Iterable[str], day: str) -> Iterable[str]:
    for vehicle in vehicles:
        event = {"vehicle_id": vehicle, "kind": "enrolment", "occurred_at": day, "payload": {}}
        yield orjson.dumps(event).decode() + "\n"
