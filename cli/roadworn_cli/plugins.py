"""`plugins`: what is installed, what each brings and what is wrong with it; every door."""

import tempfile
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from roadworn.model.errors import QueryError, UnknownName, UsageError
from roadworn_cli.context import State, leave, state_of
from roadworn_cli.output import emit, format_option, note, say

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView


def plugins(
    ctx: typer.Context,
    name: str = typer.Argument(
        "",
        metavar="[PLUGIN]",
        help="Say what this one brings; `hooks` tells of every door, `new` begins a package.",
    ),
    new: str = typer.Argument("", metavar="[NAME]", help="After `new`: what it is to be called."),
    into: str = typer.Option(".", "--into", metavar="DIR", help="With `new`: where to put it."),
    check: bool = typer.Option(
        False, "--check", help="Try everything that they bring, on this ledger if there is one."
    ),
    fmt: str = format_option(),
) -> None:
    """List the plugins with what each brings; a broken one is named with its error.

    \b
    roadworn plugins --check
    roadworn plugins myshop
    roadworn plugins hooks
    roadworn plugins new myshop
    """  # noqa: D301  # typer wants the backspace itself before lines it is not to wrap
    if name == "new" or new:
        _new(name, new, Path(into))
        return
    state = state_of(ctx)
    host = state.plugins()
    brought = brought_by(host)
    if check:
        _try_all(state, host)
    if name == "hooks":
        _doors(brought, fmt)
        return
    known = {**host.versions, **host.broken}
    if name:
        if name not in known:
            see, left_out = "see `roadworn plugins`.", host.left_out()
            if name in left_out:
                raise UsageError(f"The plugin {name} is left out by {left_out[name]}.")
            raise UnknownName.of(f"plugin {name!r}", name, known, see)
        rows = [(hook, item) for plugin, hook, item in brought if plugin == name]
        emit(("door", "brings"), rows, fmt=fmt)
        if host.problems_of(name):
            leave(1)
        return
    told = [
        (
            plugin,
            version,
            ", ".join(item for by, _hook, item in brought if by == plugin),
            len(host.problems_of(plugin)),
        )
        for plugin, version in known.items()
    ]
    emit(("plugin", "version", "brings", "problems"), told, fmt=fmt)
    if host.problems:
        note("leave one out with --without PLUGIN before the verb, all with ROADWORN_PLUGINS=off.")
        leave(1)


def _new(word: str, name: str, into: Path) -> None:
    """Begin a package.

    Raises:
        UsageError: the words are not `new NAME`.
    """
    from roadworn_cli.new_plugin import write_new

    if word != "new" or not name:
        raise UsageError("Begin a package with `roadworn plugins new NAME`, as in new myshop.")
    for path in write_new(name, into):
        typer.echo(path)
    folder = into / f"roadworn-{name}"
    say(f"Next: python -m pip install -e {folder}, then python -m pytest {folder}")


def brought_by(host: "PluginHost") -> list[tuple[str, str, str]]:
    """Return (plugin, hook, name) of everything that passed, door by door."""
    from roadworn.analysis.doors import doors

    host.analyses()
    host.tables()
    host.panels("vehicle")
    return [
        (plugin, door.hook, item.name)
        for door in doors()
        for plugin, item in host.received(door.hook)
    ]


def _doors(brought: list[tuple[str, str, str]], fmt: str) -> None:
    """List every door with what comes in by it."""
    from roadworn.analysis.doors import doors

    rows = []
    for door in doors():
        users = dict.fromkeys(plugin for plugin, hook, _item in brought if hook == door.hook)
        signature = f"{door.hook}() -> Sequence[{door.gives}]"
        rows.append((signature, door.text, door.since, ", ".join(users)))
    emit(("hook", "what it is for", "since", "used by"), rows, fmt=fmt)


def _read_files(host: "PluginHost") -> None:
    """Read every data file as the packaged ones of its kind are read."""
    from importlib import import_module

    from roadworn.trade import read_like

    # What reads a file is imported first; rule sets and schedules with the analyses that use them.
    for module in ("roadworn.reading.bench_words", "roadworn.say", "roadworn.trade.limits"):
        import_module(module)
    host.analyses()
    for plugin, file in host.received("roadworn_data_files"):
        try:
            read = host.data_files(file.what)[file.name.replace("-", "_")]
            read_like(file.what, file.name, read())
        # What a plugin's file or its reader raises is named.
        except Exception as error:  # noqa: BLE001
            host.note(plugin, f"brings a {file.what} {file.name!r} that cannot be read", error)


def _try_all(state: State, host: "PluginHost") -> None:
    """Make every table and view of the plugins, on the ledger or on an empty one."""
    from roadworn.columns.view import open_view
    from roadworn.intake import Ledger

    def look(path: Path) -> "LedgerView":
        return open_view(path, kinds=host.kinds, tables=host.tables, tell=host.take, cache=False)

    _read_files(host)
    with tempfile.TemporaryDirectory(prefix="roadworn-") as folder:
        path = state.ledger
        if not path.is_file():
            path = Path(folder, "empty.db")
            Ledger.create(path).close()
        with look(path) as view:
            view.sql("SELECT 1")
            for spec in host.tables():
                # What cannot be made is told where that comes up.
                with suppress(QueryError):
                    view.sql(f'SELECT count(*) FROM "{spec.name.removeprefix("main.")}"')
