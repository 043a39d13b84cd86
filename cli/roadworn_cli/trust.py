"""`verify`, `proof` and `backup`: whether the ledger is what was written."""

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.errors import LedgerDamaged, UsageError
from roadworn_cli.context import State, leave, state_of, text_of
from roadworn_cli.output import (
    check_format,
    counted,
    emit,
    emit_json,
    format_option,
    note,
    progress,
    say,
)

if TYPE_CHECKING:
    from roadworn.store.backup import Backup
    from roadworn.store.verify import VerifyReport


def verify(
    ctx: typer.Context,
    upgrade: Annotated[
        bool, typer.Option("--upgrade", help="Bring a ledger of an older shape up to date first.")
    ] = False,
    full: Annotated[
        bool,
        typer.Option(
            "--full", help="Read every payload too, and fold the tables anew to compare them."
        ),
    ] = False,
    against: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FILE",
            help="Compare with a head that was kept elsewhere, also a witnessed one; repeatable.",
        ),
    ] = None,
    key: Annotated[
        str, typer.Option(metavar="KEY", help="With --against: who must have signed it.")
    ] = "",
    fmt: str = format_option(),
) -> None:
    """Check every event against the ledger's checkpoints; exit 1 when something is wrong.

    The last head that was signed here is compared as well, and a new one signed when all is well.
    """
    check_format(fmt)
    from roadworn.store.photographs import check_photographs
    from roadworn.store.verify import verify as check
    from roadworn.store.whole import shown
    from roadworn_cli.heads import contacts_changed, known_heads, sign_anew

    state = state_of(ctx)
    if upgrade:
        with state.open_ledger(writable=True):
            pass
    path = state.ledger
    state.check_file()
    heads = known_heads(path, against or (), key)
    try:
        report = check(path, progress=progress("checking events"), outside=heads.outside)
    except LedgerDamaged:
        raise LedgerDamaged(
            f"{path} is so damaged that it cannot be read at all: keep the file as it is, and go "
            "on from a backup that verifies."
        ) from None
    report = replace(
        report,
        problems=(*report.problems, *heads.problems, *contacts_changed(path, report)),
        notes=(*report.notes, *heads.notes),
    )
    if full:
        report = _in_full(state, report)
    pictures = check_photographs(path)
    if fmt == "json":
        emit_json(
            {
                "size": report.size,
                "root": report.root,
                "problems": [problem.as_json() for problem in (*report.problems, *pictures)],
            }
        )
    else:
        rows = [(problem.code, problem.row or None, problem.message, problem.hint)
                for problem in (*report.problems, *pictures)]  # fmt: skip
        if rows or fmt == "csv":
            emit(("problem", "event", "what", "remedy"), rows, fmt=fmt)
        else:
            typer.echo(f"{counted(report.size, 'event')}, root {report.root}")
    for text in report.notes:
        note(text)
    if report.problems:
        say(
            f"{shown(path)} does not verify: {counted(len(report.problems), 'problem')} in "
            f"{counted(report.size, 'event')}. "
            "Keep the file as it is, and go on from a backup that verifies."
        )
        leave(1)
    since = "what was signed" if heads.outside else "the checkpoint"
    say(f"{shown(path)} verifies: nothing was altered, removed or slipped in since {since}.")
    sign_anew(path, heads, report)
    if pictures:
        say(
            f"{counted(len(pictures), 'photograph')} beside it missing or changed; the events that "
            "name them are whole."
        )
        leave(1)


def _in_full(state: State, report: "VerifyReport") -> "VerifyReport":
    """Add what is found in the payloads and in the columns kept beside the ledger."""
    if report.problems:
        told = "The payloads and the tables were not looked at, since the events do not verify."
        return replace(report, notes=(*report.notes, told))
    from roadworn.columns.compare import compare_columns
    from roadworn.columns.spec import TableSpec
    from roadworn.columns.tables import CORE_TABLES
    from roadworn.intake import Ledger

    host = state.plugins()
    brought = [spec for spec in host.tables() if isinstance(spec, TableSpec)]
    kinds, tables = host.kinds(), (*CORE_TABLES, *brought)
    with Ledger.open(state.ledger, kinds, writable=False) as ledger:
        found = list(ledger.undecodable())
    unknown = [problem for problem in found if problem.code == "unknown-kind"]
    notes = report.notes
    if unknown:
        count = counted(len(unknown), "event")
        told = f"{count} could not be read, since no plugin here brings the kind; the first is"
        notes += (f"{told} event {unknown[0].row}.",)
    problems = [problem for problem in found if problem.code != "unknown-kind"]
    problems += compare_columns(state.ledger, tables, kinds, progress("folding events"))
    return replace(report, problems=tuple(problems), notes=notes)


def proof(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="[EVENT]", help="Its id, or the beginning or end of it.")
    ] = "",
    size: Annotated[
        int | None, typer.Option(metavar="N", help="In the ledger of the first N events.")
    ] = None,
    since: Annotated[
        int | None,
        typer.Option(metavar="N", help="Prove that the ledger grew from its first N events."),
    ] = None,
    check: Annotated[
        str, typer.Option(metavar="FILE", help="Check a proof from a file; - reads it from stdin.")
    ] = "",
    root: Annotated[
        str, typer.Option(metavar="HEX", help="With --check: the root that was printed.")
    ] = "",
) -> None:
    """Prove that an event is in the ledger, or that the ledger only grew (RFC 6962), as JSON."""
    from roadworn.store.proof import check_proof, consistency_proof, inclusion_proof

    if sum((bool(event), since is not None, bool(check))) != 1:
        raise UsageError(
            "Name one thing to prove: an EVENT, or --since N for an older state of the ledger, "
            "or --check FILE for a proof that was kept."
        )
    if check:
        if check_proof(_read(check), root or None):
            typer.echo("holds")
            return
        typer.echo("does not hold")
        say("The proof does not hold: the event, the path or the root is another one.")
        leave(1)
    path = state_of(ctx).ledger
    if since is not None:
        emit_json(consistency_proof(path, since, size))
    else:
        emit_json(inclusion_proof(path, event, size))


def _read(name: str) -> dict[str, Any]:
    try:
        found = json.loads(text_of(name))
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise UsageError(f"{name} is no proof: give the JSON that `roadworn proof` printed.")
    return found


def restore(
    ctx: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A backup.")],
) -> None:
    """Put a backup back as the ledger, checked event by event; an existing file is never touched.

    Where a signed head is kept, it is said how many events it had that the backup lacks.
    """
    from roadworn.store.backup import back_up
    from roadworn.store.keeping import kept_of
    from roadworn.store.whole import place_of, shown
    from roadworn_cli.heads import known_heads

    path, source = state_of(ctx).ledger, place_of(file)
    made = back_up(source, path)
    heads = known_heads(path, (), "", signed_here=True)
    if (kept := kept_of(path)) is not None:
        kept.move_home(path)
    with state_of(ctx).open_ledger(writable=True) as ledger:
        ledger.contacts.seal()
        ledger.plates.seal()
    typer.echo(shown(made.path))
    say(f"{counted(made.size, 'event')} put back and checked, root {made.root}.")
    _tell_photographs(made)
    last = max((head.size for head in heads.outside), default=0)
    if last > made.size:
        are = "is" if last == made.size + 1 else "are"
        lost = f"{counted(last - made.size, 'event')} written after the backup {are}"
        say(
            f"The last signed head was of {counted(last, 'event')}: "
            f"{lost} lost. "
            "`roadworn verify` goes on saying so until `roadworn head --accept` says that you know."
        )
        leave(1)


def backup(
    ctx: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="The copy; it must not exist.")],
) -> None:
    """Copy the ledger while others may write, and check the copy event by event.

    Its photographs go with it, into a folder beside the copy.
    """
    from roadworn.store.backup import back_up
    from roadworn.store.whole import place_of, shown

    made = back_up(state_of(ctx).ledger, place_of(file))
    typer.echo(shown(made.path))
    say(f"{counted(made.size, 'event')} copied and checked, root {made.root}.")
    _tell_photographs(made)


def _tell_photographs(made: "Backup") -> None:
    """Say how many photographs went with a copy, and how many could not."""
    if made.photographs:
        folder = f"{made.path.name}.photographs"
        say(f"{counted(made.photographs, 'photograph')} copied beside it into {folder}.")
    if made.left_out:
        are = "is" if made.left_out == 1 else "are"
        say(
            f"{counted(made.left_out, 'photograph')} that events name {are} missing or changed and "
            "not in the copy: `roadworn verify` says which."
        )
