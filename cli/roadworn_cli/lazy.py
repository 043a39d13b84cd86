"""Verbs that are imported when they run, not when help lists them.

Typer builds every command at once, which would load every library of every verb for a
`--help`. Here a group shows stubs, and the module of the one verb asked for is imported when
its name is resolved.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol, cast

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup

from roadworn.model.errors import UnknownName
from roadworn_cli.output import say

if TYPE_CHECKING:
    from typer._click import HelpFormatter
    from typer.core import TyperOption

SETTINGS = {"help_option_names": ["-h", "--help"]}


@dataclass(frozen=True, slots=True)
class Verb:
    """One line of a table of verbs.

    Attributes:
        name: the word typed.
        where: ``module:attribute``; a function, a `typer.Typer` with verbs of its own, or
            something that makes a function, `as_command`.
        help: one line.
        heading: under which heading help lists it.
        aliases: other words for the same verb, not listed.
    """

    name: str
    where: str
    help: str
    heading: str = "Verbs"
    aliases: tuple[str, ...] = ()


class Commands(Protocol):
    """Knows commands that plugins bring."""

    def command(self, ctx: "typer.Context", word: str) -> TyperCommand | TyperGroup | None:
        """Return the command of a word, None when there is none."""
        ...

    def listed(self, ctx: "typer.Context") -> Mapping[str, str]:
        """Return word -> one line of help, of those that are to be listed."""
        ...

    def left_out(self, ctx: "typer.Context") -> Mapping[str, str]:
        """Return plugin that might bring one and is left out -> what leaves it out."""
        ...


class LazyGroup(TyperGroup):
    """A group whose commands are stubs until one of them is asked for."""

    verbs: tuple[Verb, ...] = ()
    #: ``module:attribute`` of what knows the commands of plugins, see `Commands`.
    more: str = ""

    def parse_args(self, ctx: "typer.Context", args: list[str]) -> list[str]:  # type: ignore[override]
        """Show the help, and leave, when there is no word at all."""
        if not args and not ctx.resilient_parsing:
            say(ctx.get_help())
            raise typer.Exit(2)
        return super().parse_args(ctx, args)

    def list_commands(self, ctx: object) -> list[str]:
        """Return the verbs in the order of their table."""
        del ctx
        return [verb.name for verb in self.verbs]

    def get_command(self, ctx: object, cmd_name: str) -> TyperCommand | None:
        """Return a stub that carries the help line, without importing the verb."""
        del ctx
        verb = self._find(cmd_name)
        return None if verb is None else TyperCommand(verb.name, help=verb.help)

    def resolve_command(
        self, ctx: object, args: list[str]
    ) -> tuple[str, TyperCommand | TyperGroup, list[str]]:
        """Import the verb that the first word names.

        Raises:
            UnknownName: no verb answers to it.
        """
        verb = self._find(args[0])
        more = self._more() if verb is None else None
        if more is not None:
            found = more.command(cast("typer.Context", ctx), args[0])
            if found is not None:
                return args[0], found, args[1:]
        if verb is None:
            path = cast("typer.Context", ctx).command_path
            names = [name for entry in self.verbs for name in (entry.name, *entry.aliases)]
            names += [] if more is None else [*more.listed(cast("typer.Context", ctx))]
            word = args[0].lower()
            begun = [
                entry.name for entry in self.verbs if len(word) > 2 and entry.name.startswith(word)
            ]
            if begun:
                raise UnknownName(
                    f"There is no `{path} {args[0]}`; did you mean {' or '.join(begun)}?", begun
                )
            left_out = {} if more is None else more.left_out(cast("typer.Context", ctx))
            raise UnknownName.of(
                f"`{path} {args[0]}`", args[0], names, f"see `{path} -h`.", left_out
            )
        return verb.name, load(verb), args[1:]

    def _more(self) -> "Commands | None":
        module, _, attribute = self.more.partition(":")
        return getattr(import_module(module), attribute) if module else None

    def _find(self, word: str) -> Verb | None:
        """Return the verb called `word`; `-` and `_` are the same, and aliases count."""
        word = word.lower().replace("_", "-")
        return next((v for v in self.verbs if word == v.name or word in v.aliases), None)

    def format_commands(self, ctx: object, formatter: "HelpFormatter") -> None:
        """List the verbs under their headings; those of plugins where there are no others."""
        verbs = self.verbs
        if not verbs and (more := self._more()) is not None:
            listed = more.listed(cast("typer.Context", ctx))
            verbs = tuple(Verb(name, "", title) for name, title in listed.items())
        width = max((len(verb.name) for verb in verbs), default=0)
        for heading in dict.fromkeys(verb.heading for verb in verbs):
            rows = [(v.name.ljust(width), v.help) for v in verbs if v.heading == heading]
            with formatter.section(heading):
                formatter.write_dl(rows)


def lazy_app(
    table: Sequence[Verb],
    help: str,  # as typer calls it
    callback: Callable[..., None] = lambda: None,
    *,
    completion: bool = False,
    more: str = "",
) -> typer.Typer:
    """Return an application over a table of verbs, for `record` and its like.

    Args:
        table: its verbs.
        help: what its help says above the verbs.
        callback: takes the options before the verb.
        completion: offer to set up the completion of a shell.
        more: who knows commands of plugins, see `LazyGroup.more`.
    """
    made = typer.Typer(
        cls=type("VerbGroup", (LazyGroup,), {"verbs": tuple(table), "more": more}),
        add_completion=completion,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        help=help,
        context_settings=SETTINGS,
    )
    made.callback()(callback)
    return made


def load(verb: Verb) -> TyperCommand | TyperGroup:
    """Import a verb's module and return its command."""
    module, _, attribute = verb.where.partition(":")
    return command_of(verb.name, getattr(import_module(module), attribute))


def command_of(name: str, target: Any) -> TyperCommand | TyperGroup:  # noqa: ANN401
    """Return the command of a function, of an application, or of what makes a function."""
    if not isinstance(target, typer.Typer):
        function = target.as_command() if hasattr(target, "as_command") else target
        target = typer.Typer(add_completion=False, rich_markup_mode=None)
        target.command(name, context_settings=SETTINGS)(function)
    command = cast("TyperCommand | TyperGroup", typer.main.get_command(target))
    command.name = name
    within = [] if isinstance(command, LazyGroup) else getattr(command, "commands", {}).values()
    for parameter in (one for part in (command, *within) for one in part.params):
        _show_plainly(cast("TyperArgument | TyperOption", parameter))
    return command


def _show_plainly(parameter: "TyperArgument | TyperOption") -> None:
    """Keep the names of types out of help: typer adds one to each argument and range."""
    if isinstance(parameter, TyperArgument):
        # Typer itself shows what may be left out or repeated.
        word = parameter.metavar or parameter.name or ""
        parameter.metavar = word.strip("[].").upper()
        parameter.display_type_rich = lambda ctx: ""  # type: ignore[method-assign]  # noqa: ARG005
    elif parameter.min is not None and parameter.max is not None:
        told = f"{parameter.min:g} to {parameter.max:g}"
        parameter._get_number_range_help_str = lambda: told  # type: ignore[method-assign]  # noqa: SLF001
