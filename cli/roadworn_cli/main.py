"""The door: the table of verbs, and how every failure becomes one plain sentence.

A verb's module is imported only when that verb runs, so that `roadworn --help` costs no more
than typer itself. Registering a verb is one line in `VERBS`.
"""

import gc
import os
import sys
from collections.abc import Sequence
from typing import Any

import typer

from roadworn.model import using
from roadworn.model.errors import SEVERAL, ProblemsFound, RoadwornError, UnknownName
from roadworn_cli.context import State, check_day
from roadworn_cli.lazy import Verb, lazy_app
from roadworn_cli.output import RESTING, say

#: New containers before cycles are looked for.
_COLLECT_AFTER = 500_000

#: Verbs in the order in which help shows them: name, where it lives, one line, heading.
VERBS: tuple[Verb, ...] = (
    Verb("demo", "roadworn_cli.demo:demo", "Build the demo ledger and look at it.", "Begin"),
    Verb("create", "roadworn_cli.vehicle:create", "Begin a new, empty ledger.", "Write down"),
    Verb("enrol", "roadworn_cli.record.entry:enrol", "Take in a vehicle.", "Write down"),
    Verb("record", "roadworn_cli.record:verb", "Write down what was seen or done.", "Write down"),
    Verb("done", "roadworn_cli.record.done:done", "Approved work was done.", "Write down"),
    Verb("wheels", "roadworn_cli.wheels:wheels", "Rotate or swap tires.", "Write down"),
    Verb("import", "roadworn_cli.import_:import_", "Take in events from files.", "Write down"),
    Verb("contact", "roadworn_cli.vehicle:contact", "Names, apart from events.", "Write down"),
    Verb("undo", "roadworn_cli.undo:undo", "Take back the last entry or import.", "Write down"),
    Verb("retract", "roadworn_cli.amend:retract", "Take an event back.", "Write down"),
    Verb("correct", "roadworn_cli.amend:correct", "Write an event anew.", "Write down"),
    Verb("move", "roadworn_cli.amend:move", "Put an event to another vehicle.", "Write down"),
    Verb("find", "roadworn_cli.find:find", "Find a vehicle by anything known.", "Look"),
    Verb("today", "roadworn_cli.today:today", "What the day asks, and whom to call.", "Look"),
    Verb("campaign", "roadworn_cli.campaign:campaign", "Recalls: who is open.", "Look"),
    Verb("vehicles", "roadworn_cli.history:vehicles", "List the vehicles.", "Look"),
    Verb("history", "roadworn_cli.history:history", "Tell a vehicle's history.", "Look"),
    Verb("outlook", "roadworn_cli.outlook:outlook", "The whole answer for one vehicle.", "Look"),
    Verb("serve", "roadworn_cli.page.serve:serve", "A page for tablet and counter.", "Look"),
    Verb("analyses", "roadworn_cli.analyse:analyses", "List the questions to ask.", "Look"),
    Verb("analyse", "roadworn_cli.analyse:analyse", "Ask one of them.", "Look"),
    Verb("report", "roadworn_cli.report:verb", "Write a report to print or send.", "Look"),
    Verb("components", "roadworn_cli.lookup:components", "List the components, by name.", "Look"),
    Verb("sheets", "roadworn_cli.lookup:sheets", "Look-over sheets and rules to copy.", "Look"),
    Verb("redo", "roadworn_cli.redo:redo", "Make a kept result again, and compare.", "Look closer"),
    Verb("sql", "roadworn_cli.sql:sql", "Query the tables with SQL.", "Look closer"),
    Verb("tables", "roadworn_cli.sql:tables", "Explain tables and columns.", "Look closer"),
    Verb("export", "roadworn_cli.export:export", "Write everything to files.", "Look closer"),
    Verb("pool", "roadworn_cli.pool:verb", "Share lives with other shops.", "Look closer"),
    Verb("fit", "roadworn_cli.fit:verb", "Fit lives or repairs of any table.", "Look closer"),
    Verb("decode", "roadworn_cli.decode:verb", "Decode VINs, codes and bytes.", "Look closer"),
    Verb("plugins", "roadworn_cli.plugins:plugins", "List what is installed.", "Look closer"),
    Verb("verify", "roadworn_cli.trust:verify", "Check that nothing was altered.", "Trust"),
    Verb("proof", "roadworn_cli.trust:proof", "Prove that an event is in it.", "Trust"),
    Verb("backup", "roadworn_cli.trust:backup", "Copy the ledger, and check it.", "Trust"),
    Verb("restore", "roadworn_cli.trust:restore", "Put a backup back.", "Trust"),
    Verb("head", "roadworn_cli.heads:head", "Sign what the ledger is now.", "Trust"),
    Verb("witness", "roadworn_cli.heads:witness", "Sign another ledger's head.", "Trust"),
)


def _version(wanted: bool) -> None:
    """Print the version and leave."""
    if wanted:
        from importlib.metadata import version

        typer.echo(version("roadworn"))
        raise typer.Exit


def _resting(ctx: typer.Context) -> dict[str, Any]:
    from roadworn_cli.results import resting

    return resting(ctx)


def roadworn(
    ctx: typer.Context,
    ledger: str = typer.Option(
        "roadworn.db",
        "--ledger",
        metavar="FILE",
        envvar="ROADWORN_LEDGER",
        help="The ledger file, or the address of a database, as postgresql://ACCOUNT@HOST/NAME.",
    ),
    as_of: str = typer.Option(
        "", "--as-of", metavar="DATE", help="Look at the ledger as it stood at the end of that day."
    ),
    known_by: str = typer.Option(
        "recorded",
        "--known-by",
        metavar="recorded|occurred|intake",
        help="What --as-of goes by: the day an event says it was written down, the day it "
        "happened, or the day this ledger took it in.",
    ),
    at: str = typer.Option(
        "",
        "--at",
        metavar="ROOT|SIZE",
        help="Look at the ledger as it stood at this root or number of events.",
    ),
    without: list[str] = typer.Option(
        [], "--without", metavar="PLUGIN", help="Leave out this plugin; may be repeated."
    ),
    version: bool = typer.Option(
        False, "--version", callback=_version, is_eager=True, help="Print the version and leave."
    ),
) -> None:
    """The service memory of a repair shop or a small fleet.

    Options of this page stand before the verb: roadworn --ledger shop.db vehicles
    """
    del version
    day = check_day(as_of, "--as-of")
    state = State.of_options(ledger, day, known_by, without, at, before=ctx.find_object(State))
    ctx.obj = state
    ctx.meta[RESTING] = _resting
    # Loaded by the first that asks for something by a name that does not ship.
    ctx.with_resource(using(state.plugins))


app = lazy_app(
    VERBS, roadworn.__doc__ or "", roadworn, completion=True, more="roadworn_cli.brought:commands"
)


def main(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code; never raises.

    Args:
        arguments: the words after `roadworn`.

    Returns:
        0 fine, 1 findings or problems, 2 usage, 3 refused by the ledger, 4 environment.
    """
    for word in arguments:
        if any("\ud800" <= character <= "\udfff" for character in word):
            say(f"{word!r} is not text in the encoding of this terminal: type it in UTF-8.")
            return 2
    command = typer.main.get_command(app)
    try:
        result = command.main(list(arguments), prog_name="roadworn", standalone_mode=False)
        sys.stdout.flush()
    except RoadwornError as error:
        return _tell(error)
    except typer.TyperException as error:
        return _tell_misuse(error)
    except typer.Abort:
        return 130
    except BrokenPipeError:
        return _close_quietly()
    except SystemExit as leave:  # typer's own way out of a broken pipe or shell completion
        return leave.code if isinstance(leave.code, int) else 0
    except OSError as error:
        what = error.strerror or str(error)
        where = f" ({error.filename})" if error.filename else ""
        say(f"The system said: {what}{where}; see to that and try again.")
        return 4
    except Exception as error:  # noqa: BLE001  # the last door: a fault must not show a traceback
        return _tell_fault(error)
    return result if isinstance(result, int) else 0


def run() -> None:
    """Entry point of the `roadworn` command."""
    for stream in (sys.stdout, sys.stderr):
        # A note may hold what the terminal's encoding lacks; it is escaped, never a fault.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    # A command lives for a moment and makes few cycles; looking for them takes a tenth of it.
    gc.set_threshold(_COLLECT_AFTER, 50, 50)
    code = main(sys.argv[1:])
    gc.freeze()
    sys.exit(code)


def _tell(error: RoadwornError) -> int:
    """Say a refusal in one sentence, its problems a line each, and return its exit code."""
    say(error.message)
    for problem in error.problems[1:] if isinstance(error, ProblemsFound) else ():
        say(f"  also: {problem}")
    if isinstance(error, UnknownName) and error.code == SEVERAL:
        say(f"Near: {', '.join(error.near)}")
    return error.exit_code


def _tell_misuse(error: typer.TyperException) -> int:
    """Say what typer could not understand, and where the help for it stands."""
    context: typer.Context | None = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "roadworn"
    option = getattr(error, "option_name", "")
    before_the_verb = {"--ledger", "--as-of", "--known-by", "--without", "--at"}
    if option in before_the_verb and context and context.parent:
        say(f"{option} stands before the verb: roadworn {option} … {path.partition(' ')[2]} …")
        return 2
    told = " ".join(error.format_message().split())
    say(f"{told}{'' if told[-1:] in '.?!)' else '.'} See `{path} --help`.")
    return 2


def _tell_fault(error: Exception) -> int:
    """Say that the program is at fault; details only when asked for."""
    if os.environ.get("ROADWORN_DEBUG"):
        import traceback

        traceback.print_exc()
    say(
        f"This is a fault in Roadworn: {type(error).__name__}: {error}; nothing more was written. "
        "Set ROADWORN_DEBUG=1 and run it again to see the details to report."
    )
    return 4


def _close_quietly() -> int:
    """The reader of our output went away; leave without a word."""
    # Python flushes stdout once more at exit, which must not fail aloud either.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0
