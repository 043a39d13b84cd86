"""What plugins add to the command line: importers, decoders, commands under their own word.

Nothing of this is loaded before a word is typed that no verb of the program answers to.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.analysis.brought import Decoded
from roadworn.analysis.guarded import TookTooLong, guarded
from roadworn.model.errors import PluginFailure, UnknownName, UsageError
from roadworn_cli.context import leave, state_of
from roadworn_cli.lazy import SETTINGS, command_of
from roadworn_cli.output import FORMATS, check_format, counted, escape, format_option, note

if TYPE_CHECKING:
    from typer.core import TyperCommand, TyperGroup

    from roadworn.analysis.brought import Command, Decoder, Importer
    from roadworn.analysis.host import PluginHost
    from roadworn.intake.files import ImportReport
    from roadworn.model.messages import Problem

#: Seconds after which an importer of one file, a decoder or a command is given up.
_FILE_LIMIT, _DECODE_LIMIT, _COMMAND_LIMIT = 600.0, 5.0, 300.0


def _of(host: "PluginHost", hook: str, name: str, what: str) -> tuple[str, Any]:
    """Return (plugin, item) of a name.

    Raises:
        UnknownName: no plugin brings it; carries the nearest.
    """
    known = {item.name: (plugin, item) for plugin, item in host.received(hook)}
    if name not in known:
        see = "see `roadworn plugins`."
        raise UnknownName.of(f"{what} {name!r}", name, known, see, host.left_out())
    return known[name]


def _run(
    plugin: str,
    what: str,
    work: Any,  # noqa: ANN401
    limit: float,
    where: Callable[[], str] = str,
) -> Any:  # noqa: ANN401
    """Run a plugin's function within bounds.

    Args:
        plugin: its name.
        what: of it is run, in words.
        work: does it.
        limit: seconds after which it is given up.
        where: says how far it had come, as `` after …``.

    Raises:
        PluginFailure: it broke, or took too long.
    """
    called = f"The {what} of plugin {plugin!r}"
    try:
        return guarded(work, limit)
    except TookTooLong:
        raise PluginFailure(
            f"{called} took longer than {limit:g} s{where()} and was given up."
        ) from None
    except UsageError:
        raise
    # Whatever else a plugin raises is its own fault.
    except BaseException as error:
        told = f"{type(error).__name__}: {error}".rstrip(".")
        raise PluginFailure(
            f"{called} failed{where()} with {told}; nothing was written. Tell its author, or run "
            "without it."
        ) from error


@dataclass(frozen=True, slots=True)
class ReadFile:
    """What an importer made of a file.

    Attributes:
        path: of the events, a line each; it keeps the name of the file.
        rows: where in the file each is from, as the importer says, else which of them it is.
    """

    path: Path
    rows: Sequence[int]


def as_ndjson(host: "PluginHost", name: str, paths: Sequence[Path], folder: Path) -> list[ReadFile]:
    """Return files of events that an importer made of other files.

    Raises:
        UnknownName: no plugin brings that importer.
        PluginFailure: it broke on a file.
    """
    plugin, importer = _of(host, "roadworn_importers", name, "importer")
    made = []
    for number, path in enumerate(paths):
        target = folder / str(number) / f"{path.name}.ndjson"
        target.parent.mkdir()
        lines: list[bytes] = []
        rows: list[int] = []
        work = partial(_read_into, lines, rows, importer, path)
        where = partial(_after, lines, rows, path.name)
        _run(plugin, f"importer {name!r}", work, _FILE_LIMIT, where)
        target.write_bytes(b"".join(lines))
        made.append(ReadFile(target, rows))
    return made


def _after(lines: Sequence[bytes], rows: Sequence[int], name: str) -> str:
    """Return after which event of a file an importer stopped, in words."""
    from json import loads

    if not lines:
        return f" before the first event of {name}"
    last = loads(lines[-1])
    told = [str(last[key]) for key in ("vehicle_id", "kind", "occurred_at") if key in last]
    told += [f"({key})"] if (key := last.get("intake_key")) else []
    told += [f"of row {rows[-1]}"] if rows[-1] != len(lines) else []
    return f" after {counted(len(lines), 'event')} of {name}, the last being {' '.join(told)},"


def _read_into(lines: list[bytes], rows: list[int], importer: "Importer", path: Path) -> None:
    """Add the events of a file as lines of NDJSON; all are made before one is taken.

    Raises:
        TypeError: something that it yields is no event.
    """
    import orjson

    from roadworn.analysis.doors import a_kind
    from roadworn.model.events import NewEvent

    found: Iterable[object] = importer.read(path)
    for item in found:
        if isinstance(item, Mapping):
            draft = {"source": importer.name, **item}
            row = draft.pop("row", len(lines) + 1)
            if type(row) is not int or row < 1:
                raise TypeError(f"row is {row!r}: hand over the number of the row, from 1")
            _refuse_decimals(draft)
            lines.append(orjson.dumps(draft) + b"\n")
            rows.append(row)
            continue
        if not isinstance(item, NewEvent):
            told = f"it yielded {a_kind(item)}, which is no NewEvent and no draft of one"
            raise TypeError(told)
        made = item if item.source else item.model_copy(update={"source": importer.name})
        lines.append(made.model_dump_json(exclude_none=True).encode() + b"\n")
        rows.append(len(lines))


def at_their_rows(report: "ImportReport", rows: Mapping[str, Sequence[int]]) -> "ImportReport":
    """Return a report whose findings stand at the rows of the files that were read.

    Args:
        report: its findings stand at the events that were made.
        rows: file -> the row of each of its events.
    """

    def moved(found: Iterable["Problem"]) -> tuple["Problem", ...]:
        return tuple(
            one.at(rows[one.file][one.row - 1]) if one.row and one.file in rows else one
            for one in found
        )

    return replace(
        report,
        problems=moved(report.problems),
        causes=tuple(replace(one, kept=moved(one.kept)) for one in report.causes),
        doubts=tuple(replace(one, kept=moved(one.kept)) for one in report.doubts),
    )


def _refuse_decimals(draft: Any, field: str = "it") -> None:  # noqa: ANN401
    """Refuse what has two ways into NDJSON, neither of which can be guessed.

    Raises:
        TypeError: there is a Decimal; says in which field.
    """
    if isinstance(draft, Decimal):
        told = f"{field} is a Decimal: hand over float(...) where a number belongs, str(...) in an"
        raise TypeError(f"{told} amount of money")
    if isinstance(draft, Mapping):
        for name, value in draft.items():
            _refuse_decimals(value, str(name))
    elif isinstance(draft, list | tuple):
        for value in draft:
            _refuse_decimals(value, field)


class _Decoders:
    """The decoders, bundled ones among them."""

    def listed(self, ctx: typer.Context) -> dict[str, str]:
        received = state_of(ctx).plugins().received("roadworn_decoders")
        return {item.name: item.title for _plugin, item in received}

    def command(self, ctx: typer.Context, word: str) -> "TyperCommand | TyperGroup | None":
        received = state_of(ctx).plugins().received("roadworn_decoders")
        found = next(((one, item) for one, item in received if item.name == word.lower()), None)
        if found is None:
            return None
        plugin, item = found

        def decode(
            text: Annotated[
                list[str],
                typer.Argument(metavar="TEXT...", help=item.text or "What is to be decoded."),
            ],
            fmt: str = format_option(),
        ) -> None:
            check_format(fmt)
            _decode(plugin, item, " ".join(text), fmt)

        decode.__doc__ = item.title
        return command_of(item.name, decode)

    def left_out(self, ctx: typer.Context) -> Mapping[str, str]:
        return state_of(ctx).plugins().left_out()


decoders = _Decoders()


def _decode(plugin: str, item: "Decoder", text: str, fmt: str) -> None:
    """Decode a text and print what it means."""
    from roadworn_cli.decode import show

    def work() -> Decoded:
        try:
            found = item.decode(text)
        except ValueError as error:
            raise UsageError(str(error)) from None
        return found if isinstance(found, Decoded) else Decoded(dict(found))

    found = _run(plugin, f"decoder {item.name!r}", work, _DECODE_LIMIT)
    show(found.values, fmt)
    for told in found.notes:
        note(told)
    if found.wrong:
        leave(1)


class _Kinds:
    """The kinds of plugins, which are typed behind `other` and not as verbs."""

    def listed(self, ctx: typer.Context) -> dict[str, str]:
        del ctx
        return {}

    def command(self, ctx: typer.Context, word: str) -> None:
        """Say how a kind of a plugin is typed.

        Raises:
            UnknownName: it is one.
        """
        if "." in word:
            path = ctx.command_path
            told = f"There is no `{path} {word}`; did you mean `{path} other {word}`?"
            raise UnknownName(told, ("other",))

    def left_out(self, ctx: typer.Context) -> Mapping[str, str]:
        del ctx
        return {}


kinds = _Kinds()


class _Commands:
    """The words of plugins that bring commands."""

    def listed(self, ctx: typer.Context) -> dict[str, str]:
        received = state_of(ctx).plugins().received("roadworn_commands")
        return {plugin: f"What the plugin {plugin} adds." for plugin, _item in received}

    def command(self, ctx: typer.Context, word: str) -> "TyperCommand | TyperGroup | None":
        return _commands(ctx, word)

    def left_out(self, ctx: typer.Context) -> Mapping[str, str]:
        return state_of(ctx).plugins().left_out()


commands = _Commands()


def _commands(ctx: typer.Context, word: str) -> "TyperCommand | TyperGroup | None":
    """Return the commands under a plugin's word, None when no plugin of that name has any."""
    if not re.fullmatch(r"[a-z][a-z0-9_-]*", word):
        return None
    received = state_of(ctx).plugins().received("roadworn_commands")
    mine = [item for plugin, item in received if plugin == word]
    if not mine:
        under = [f"{plugin} {item.name}" for plugin, item in received if item.name == word]
        if under:
            near = " or ".join(f"`roadworn {one}`" for one in under)
            raise UnknownName(f"There is no `roadworn {word}`; did you mean {near}?", under)
        from roadworn_cli.record import KINDS

        meant = [kind.name for kind in KINDS for name in (kind.name, *kind.aliases) if name == word]
        if meant:
            told = f"There is no `roadworn {word}`; did you mean `roadworn record {meant[0]}`?"
            raise UnknownName(told, meant)
        return None
    app = typer.Typer(
        add_completion=False,
        rich_markup_mode=None,
        help=f"What the plugin {word} adds.",
        context_settings=SETTINGS,
    )
    app.callback()(lambda: None)
    for item in mine:
        app.command(item.name, help=item.title, context_settings=SETTINGS)(_command(word, item))
    return command_of(word, app)


def _settings_of(item: "Command") -> str:
    """Return what may be set for a command, each with its default and what it is."""
    told = [
        f"{name.replace('_', '-')}={'' if field.default is None else field.default}"
        + (f" ({field.description})" if field.description else "")
        for name, field in item.settings.model_fields.items()
    ]
    return f"Its settings: {'; '.join(told)}." if told else "It has no settings."


def _command(plugin: str, item: "Command") -> Any:  # noqa: ANN401
    """Return the function that typer runs for a command of a plugin."""

    def run(
        ctx: typer.Context,
        settings: Annotated[
            list[str] | None, typer.Argument(metavar="SETTING=VALUE", help=_settings_of(item))
        ] = None,
        fmt: str = format_option(),
    ) -> None:
        from roadworn.analysis import Analysis, Ran, Result
        from roadworn.analysis.doors import fault_of
        from roadworn.analysis.host import make_settings
        from roadworn_cli.analyse import given
        from roadworn_cli.results import show

        if fmt not in FORMATS:
            check_format(fmt)
        named = f"{plugin}-{item.name}".replace("_", "-")
        act: Any = item.run
        asked = Analysis(named, item.title, item.title, act, item.settings)
        chosen = make_settings(asked, given(settings or []))
        with state_of(ctx).open_view() as view:
            work = partial(item.run, view, chosen)
            found = _run(plugin, f"command {item.name!r}", work, _COMMAND_LIMIT)
        if isinstance(found, Result):
            if fault := fault_of(found):
                raise PluginFailure(f"The command {item.name!r} of plugin {plugin!r} {fault}.")
            show(Ran(asked, plugin, chosen, found), fmt=fmt)
        elif isinstance(found, str) and fmt == "json":
            from json import dumps

            typer.echo(dumps(found, ensure_ascii=False))
        elif isinstance(found, str):
            typer.echo("\n".join(escape(line) for line in found.split("\n")))
        elif found is not None:
            kind = type(found).__name__
            raise PluginFailure(
                f"The command {item.name!r} of plugin {plugin!r} returned a {kind}, which is no "
                "Result and no text."
            )

    return run
