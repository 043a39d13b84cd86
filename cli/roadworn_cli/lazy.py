"""Verbs that are imported when they run, not when help lists them.

Typer builds every command at once, which would load every library of every verb for a
`--help`. Here a group shows stubs, and the module of the one verb asked for is imported when
its name is resolved.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from importlib import import_module
from typing import TYPE_CHECKING, cast

import typer
from typer.core import TyperCommand, TyperGroup

from roadworn.model.errors import UnknownName

if TYPE_CHECKING:
    from typer._click import HelpFormatter


_SETTINGS = {"help_option_names": ["-h", "--help"]}


@dataclass(frozen=True, slots=True)
class Verb:
    """One line of a table of verbs.

    Attributes:
        name: the word typed.
        where: ``module:attribute``; a function, or a `typer.Typer` with verbs of its own.
        help: one line.
        heading: under which heading help lists it.
        aliases: other words for the same verb, not listed.
    """

    name: str
    where: str
    help: str
    heading: str = "Verbs"
    aliases: tuple[str, ...] = ()


class LazyGroup(TyperGroup):
    """A group whose commands are stubs until one of them is asked for."""

    verbs: tuple[Verb, ...] = ()

    def list_commands(self, ctx: object) -> list[str]:
        """Return the verbs in the order of their table."""
        del ctx
        return [verb.name for verb in self.verbs]

    def get_command(self, ctx: object, cmd_name: str) -> TyperCommand | None:
        """Return a stub that carries the help line, without importing the verb."""
        del ctx
        verb = find_verb(self.verbs, cmd_name)
        return None if verb is None else TyperCommand(verb.name, help=verb.help)

    def resolve_command(
        self, ctx: object, args: list[str]
    ) -> tuple[str, TyperCommand | TyperGroup, list[str]]:
        """Import the verb that the first word names.

        Raises:
            UnknownName: no verb answers to it.
        """
        context = cast("typer.Context", ctx)
        verb = find_verb(self.verbs, args[0])
        if verb is None:
            names = [name for entry in self.verbs for name in (entry.name, *entry.aliases)]
            near = get_close_matches(args[0], names, n=2)
            hint = (
                f"did you mean {' or '.join(near)}?"
                if near
                else f"see `{context.command_path} -h`."
            )
            raise UnknownName(f"There is no `{context.command_path} {args[0]}`; {hint}", near)
        return verb.name, load(verb), args[1:]

    def format_commands(self, ctx: object, formatter: "HelpFormatter") -> None:
        """List the verbs under their headings."""
        del ctx
        headings = dict.fromkeys(verb.heading for verb in self.verbs)
        width = max(len(verb.name) for verb in self.verbs)
        for heading in headings:
            rows = [
                (verb.name.ljust(width), verb.help)
                for verb in self.verbs
                if verb.heading == heading
            ]
            with formatter.section(heading):
                formatter.write_dl(rows)


def find_verb(verbs: Sequence[Verb], word: str) -> Verb | None:
    """Return the verb called `word`; `-` and `_` are the same, and aliases count."""
    word = word.lower().replace("_", "-")
    for verb in verbs:
        if word == verb.name or word in verb.aliases:
            return verb
    return None


def group_of(table: Sequence[Verb]) -> type[LazyGroup]:
    """Return a group class over a table of verbs, to give to `typer.Typer(cls=...)`."""
    return type("VerbGroup", (LazyGroup,), {"verbs": tuple(table)})


def load(verb: Verb) -> TyperCommand | TyperGroup:
    """Import a verb's module and return its command."""
    module, _, attribute = verb.where.partition(":")
    target = getattr(import_module(module), attribute)
    if hasattr(target, "as_command"):
        target = target.as_command()
    if not isinstance(target, typer.Typer):
        target = _single(target, verb.name)
    command = cast("TyperCommand | TyperGroup", typer.main.get_command(target))
    command.name = verb.name
    for parameter in command.params:
        # typer shows what may be left out or repeated; the word itself is the same everywhere.
        if parameter.param_type_name == "argument":
            word = parameter.metavar or parameter.name or ""
            parameter.metavar = word.strip("[].").upper()
    return command


def _single(function: Callable[..., None], name: str) -> typer.Typer:
    """Wrap one function as an application of one command."""
    single = typer.Typer(add_completion=False, rich_markup_mode=None)
    single.command(name, context_settings=_SETTINGS)(function)
    return single


def subgroup(table: Sequence[Verb], help_text: str) -> typer.Typer:
    """Return an application over a table of verbs, for `record` and its like."""
    made = typer.Typer(
        cls=group_of(table),
        add_completion=False,
        no_args_is_help=True,
        rich_markup_mode=None,
        help=help_text,
        context_settings=_SETTINGS,
    )
    made.callback()(_nothing)
    return made


def _nothing() -> None:
    """Stand in for the callback that typer wants of a group."""
