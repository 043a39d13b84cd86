"""What every verb is given: which ledger, as of which day, and doors to open them.

The doors import what they open, so a verb that only writes never loads the read model.
"""

import os
import sys
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import typer

from roadworn.model.errors import EnvironmentFailure, NotALedger, UsageError

if TYPE_CHECKING:
    from typer._click import Context

    from roadworn.analysis.host import PluginHost
    from roadworn.columns.spec import Outside
    from roadworn.columns.view import LedgerView
    from roadworn.intake import Ledger
    from roadworn.reading.bench_words import Words

#: Header of an SQLite file, and where the application's number stands in it
#: (the published file format of SQLite, section 1.3).
_HEAD_BYTES = 100
_APPLICATION_AT = 68
KnownBy = Literal["recorded", "occurred", "intake"]
_KNOWN_BY: tuple[KnownBy, ...] = ("recorded", "occurred", "intake")


@dataclass(frozen=True, slots=True)
class State:
    """The options that stand before the verb.

    Attributes:
        ledger: path of the ledger file.
        as_of: look at the ledger as it stood at the end of that day, or None for now.
        known_by: what `as_of` goes by.
        without: plugins to leave out.
        at: look at the ledger as it stood at this number of events or root, or None for all.
        today: the day that views speak of without `as_of`, or None to leave it to them.
        loaded: the plugins, once something asked for them; see `plugins`.
    """

    ledger: Path
    as_of: str | None = None
    known_by: KnownBy = "recorded"
    without: tuple[str, ...] = ()
    at: str | None = None
    today: date | None = None
    loaded: "list[PluginHost]" = field(default_factory=list, repr=False, compare=False)
    _opened: "list[LedgerView | Ledger]" = field(default_factory=list, repr=False, compare=False)

    @classmethod
    def of_options(
        cls,
        ledger: str,
        as_of: str | None,
        known_by: str,
        without: Sequence[str] = (),
        at: str = "",
        before: "State | None" = None,
    ) -> "State":
        """Check the options and keep them; plugins that `before` has loaded are not loaded again.

        Raises:
            UsageError: `known_by` is another word.
        """
        from roadworn.store.whole import place_of

        state = cls(place_of(ledger), as_of or None, without=tuple(without), at=at or None)
        if before is not None:
            state = replace(state, loaded=before.loaded)
        for known in _KNOWN_BY:
            if known == known_by:
                return replace(state, known_by=known)
        raise UsageError(f"--known-by is recorded, occurred or intake, not {known_by!r}.")

    def open_ledger(self, *, writable: bool = False, plugin_kinds: bool = False) -> "Ledger":
        """Open the ledger.

        Args:
            writable: for a verb that appends.
            plugin_kinds: load the plugins first, since their event kinds may be written.
        """
        from roadworn.intake import Ledger

        if writable and self.as_of:
            raise UsageError(
                "--as-of is for looking back: leave it out to write, and say with --on when it "
                "happened."
            )
        if self.at:
            raise UsageError(
                "--at is for what reads the tables as they stood: leave it out here, the ledger "
                "itself goes on from where it is."
            )
        self.check_file()
        kinds = self.plugins().kinds() if plugin_kinds else None
        ledger = Ledger.open(self.ledger, kinds=kinds, writable=writable)
        self._opened.append(ledger)
        return ledger

    def open_view(
        self,
        host: "PluginHost | None" = None,
        *,
        kept: bool = True,
        outside: "Outside | None" = None,
    ) -> "LedgerView":
        """Open the read model with the kinds and tables that plugins add.

        Args:
            host: the plugins, when they are loaded already.
            kept: take answers that were kept, and keep them.
            outside: files beside the tables, and where answers may be written.
        """
        from roadworn.columns.spec import NOTHING_OUTSIDE
        from roadworn.columns.view import open_view
        from roadworn_cli.output import progress

        self.check_file()
        host = host or self.plugins()
        view = open_view(
            self.ledger,
            as_of=self.as_of,
            known_by=self.known_by,
            at=self.at,
            today=self.today,
            outside=outside or NOTHING_OUTSIDE,
            kinds=host.kinds,
            tables=host.tables,
            tell=host.take,
            keep=host.keep_by() if kept else "",
            progress=progress("folding events"),
        )
        self._opened.append(view)
        return view

    def origin(self) -> dict[str, Any]:
        """Return what an answer rests on: its view's ledger, day and knowledge.

        A verb that reads the ledger without a view reads it as it is now, and one that opened
        none has no ledger behind it.
        """
        from roadworn.columns.view import LedgerView
        from roadworn.intake import Ledger

        for view in self._opened:
            if isinstance(view, LedgerView):
                return view.origin()
        checkpoint = None
        if self._opened:
            with Ledger.open(self.ledger) as ledger:
                checkpoint = ledger.checkpoint().as_json()
        return {
            "ledger": checkpoint,
            "as_of": None,
            "known_by": self.known_by,
            "today": (self.today or today()).isoformat(),
            "claimed": False,
        }

    def check_file(self) -> None:
        """Refuse a path that is there and no ledger, before anything is opened or changed.

        Raises:
            NotALedger: it is a folder, an empty file, or a database of something else.
        """
        if self.ledger.is_dir():
            raise NotALedger(
                f"{self.ledger} is a folder and not a ledger: name the file in it, as in "
                f"--ledger {self.ledger / 'roadworn.db'}."
            )
        from roadworn.store.schema import APPLICATION_ID

        try:
            with self.ledger.open("rb") as file:
                head = file.read(_HEAD_BYTES)
        except OSError:
            return  # that it is missing or unreadable is said when it is opened
        if not head:
            raise NotALedger(
                f"{self.ledger} is empty and not a ledger: name the right file with --ledger, or "
                "make one under another name with `roadworn create`."
            )
        whole = len(head) == _HEAD_BYTES and head.startswith(b"SQLite format 3\0")
        if whole and int.from_bytes(head[_APPLICATION_AT:][:4]) != APPLICATION_ID:
            raise NotALedger(
                f"{self.ledger} is a database of another program and not a ledger: name the right "
                "file with --ledger."
            )

    def plugins(self) -> "PluginHost":
        """Return the plugins, loaded once; what is broken is said when it comes up."""
        if not self.loaded:
            from roadworn.analysis.host import PluginHost
            from roadworn_cli.output import note

            self.loaded.append(
                PluginHost.load(
                    self.without, lambda problem: note(f"{problem.message}; {problem.hint}.")
                )
            )
        return self.loaded[0]


def state_of(ctx: typer.Context) -> State:
    """Return the state that the options before the verb were put into."""
    state = ctx.find_object(State)
    if state is None:
        # A word that a plugin may bring is looked up when the options are parsed, and before they
        # are put into a state.
        root = ctx.find_root()
        state = State(Path("roadworn.db"), without=tuple(root.params.get("without") or ()))
        root.obj = state
    return state


def today() -> date:
    """Return the day on the wall calendar of this machine."""
    return datetime.now().astimezone().date()


def check_day(text: str, option: str, *, ahead: bool = False) -> str:
    """Return the ISO day that a text says, an empty text as it is.

    Args:
        text: an ISO day, or as people say one: yesterday, fri, 4 dec.
        option: what it was typed for.
        ahead: it is for a day that lies ahead.

    Raises:
        UsageError: it is something else, or says a time of day too.
    """
    day, clock = check_moment(text, option, ahead=ahead)
    if clock:
        raise UsageError(f"{option} takes a day alone: write {day}, without the time of day.")
    return day


def check_moment(text: str, option: str, *, ahead: bool = False) -> tuple[str, str]:
    """Return the ISO day that a text says, and its time of day where it says one.

    Raises:
        UsageError: it is something else.
    """
    if not text:
        return text, ""
    try:
        if text == date.fromisoformat(text).isoformat():
            return text, ""
    except ValueError:
        pass
    from roadworn.reading.said_days import read_said

    said = read_said(text, today(), ahead=ahead)
    if said is not None:
        return said.day, said.clock
    from roadworn.checks.known import day_hint, days_meant

    hint = day_hint(text)
    told = f": {hint}" if days_meant(text) else f" ({hint})." if hint else "."
    raise UsageError(
        f"{option} takes a day as 2026-05-04, yesterday, fri or 4 dec, not {text!r}{told}"
    )


def default_currency() -> str:
    """Return the currency of the environment, or an empty text."""
    return os.environ.get("ROADWORN_CURRENCY", "")


def default_unit() -> str:
    """Return the distance unit of the environment, or an empty text."""
    return os.environ.get("ROADWORN_UNIT", "")


def shop_words(ledger: Path) -> "Callable[[], Words]":
    """Return what reads the words of a shop when they are asked for.

    They stand in the file of ROADWORN_WORDS, which may be the name of words that a plugin brings,
    else in the one beside the ledger: ``shop.words.toml`` beside ``shop.db``; without either the
    packaged words hold.
    """

    def read() -> "Words":
        from roadworn.reading.bench_words import packaged_words, read_words

        named = os.environ.get("ROADWORN_WORDS", "")
        if named:
            return read_words(named)
        path = ledger.with_suffix(".words.toml")
        return read_words(path) if path.is_file() else packaged_words()

    return read


def campaigns_folder(ledger: Path) -> Path:
    """Return where campaigns are kept; it need not be there.

    The folder of ROADWORN_CAMPAIGNS, else the one beside the ledger: ``shop.campaigns`` beside
    ``shop.db``.
    """
    named = os.environ.get("ROADWORN_CAMPAIGNS", "")
    return Path(named) if named else ledger.with_suffix(".campaigns")


def line_again(ctx: typer.Context, words: Sequence[str], but: Collection[str] = ()) -> str:
    """Return the running command as a line to give again, with its options as they were typed.

    Args:
        ctx: the running command.
        words: what stands behind the verb, in place of what was typed there.
        but: parameters, by name, that the line is to leave out.
    """
    from shlex import join

    chain: list[Context] = [ctx]
    while (above := chain[-1].parent) is not None:
        chain.append(above)
    parts: list[str] = []
    for one in reversed(chain):
        parts += [one.info_name or "", *(words if one is ctx else ())]
        for option in one.command.params:
            name = option.name or ""
            source = one.get_parameter_source(name)
            typed = source is not None and source.name == "COMMANDLINE"
            if option.param_type_name != "option" or not typed or name in but:
                continue
            value, flag = one.params.get(name), max(option.opts, key=len)
            if isinstance(value, bool):
                parts.append(flag if value else max(option.secondary_opts, key=len))
                continue
            for each in value if isinstance(value, (list, tuple)) else [value]:
                parts += [flag, str(each)]
    return join(parts)


def text_of(name: str) -> str:
    """Return the text of a file, or what is piped in where the name is ``-``.

    Raises:
        UsageError: it is no UTF-8 text.
        EnvironmentFailure: it cannot be read.
    """
    try:
        return sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise UsageError(f"{name} is no UTF-8 text", "save it as that") from None
    except OSError as error:
        raise EnvironmentFailure.unreadable(name, error) from error


def leave(code: int) -> NoReturn:
    """End the verb with an exit code; 1 is for findings and problems."""
    raise typer.Exit(code)
