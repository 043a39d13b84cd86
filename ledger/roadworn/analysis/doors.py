"""The doors a plugin comes in by: the hooks, and since when each is there.

A hook returns descriptors: plain values that say what something is called and where its code
stands. None is handed a ledger. What a plugin returns is checked when it is received
(`roadworn.analysis.plugged`), and its owner is kept with it; so is the result of a run, before it
breaks a screen.
"""

import inspect
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from string import Formatter
from typing import TYPE_CHECKING, Any, Final

import pluggy

from roadworn.analysis import Analysis, Chart, Deferred, Estimate, Result, Settings, Table

if TYPE_CHECKING:
    from roadworn.analysis.brought import Command, DataFile, Decoder, Importer, Panel
    from roadworn.analysis.life_law import LifeModel
    from roadworn.columns.spec import TableSpec, ViewSpec
    from roadworn.model.kinds import EventKind

#: Number of the doors, raised whenever one is added or changed. 1 had analyses, kinds and tables.
HOOKS: Final = 2

_KIND: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,30}\.[A-Za-z0-9_.-]{1,60}")
_TABLE: Final = re.compile(r"[A-Za-z][A-Za-z0-9]{0,30}_[A-Za-z0-9_]{1,60}")
_WORDS: Final = re.compile(r"[a-z][a-z0-9_-]{0,60}")
_WORD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,60}")
#: What a result consists of, and what may stand in a cell.
_PARTS = {
    "tables": Table,
    "estimates": Estimate,
    "charts": Chart,
    "caveats": str,
    "cautions": str,
}
_CELLS = (str, int, float, Decimal, date, type(None))
hookspec = pluggy.HookspecMarker("roadworn")
hookimpl = pluggy.HookimplMarker("roadworn")


class Hooks:
    """The doors, in the order in which `roadworn plugins hooks` tells of them."""

    @hookspec
    def roadworn_analyses(self) -> "Sequence[Analysis | Deferred]":  # type: ignore[empty-body]
        """Return the analyses that this plugin adds."""

    @hookspec
    def roadworn_event_kinds(self) -> "Sequence[EventKind]":  # type: ignore[empty-body]
        """Return the event kinds that this plugin adds, named ``prefix.word``."""

    @hookspec
    def roadworn_tables(self) -> "Sequence[TableSpec]":  # type: ignore[empty-body]
        """Return the tables folded from events that this plugin adds, named ``prefix_word``."""

    @hookspec
    def roadworn_views(self) -> "Sequence[ViewSpec]":  # type: ignore[empty-body]
        """Return the views over tables that this plugin adds, named ``main.prefix_word``."""

    @hookspec
    def roadworn_data_files(self) -> "Sequence[DataFile]":  # type: ignore[empty-body]
        """Return sheets, rule sets, schedules, words and languages that this plugin adds."""

    @hookspec
    def roadworn_panels(self) -> "Sequence[Panel]":  # type: ignore[empty-body]
        """Return the analyses that stand on a report under a heading of their own."""

    @hookspec
    def roadworn_importers(self) -> "Sequence[Importer]":  # type: ignore[empty-body]
        """Return what reads files of another form into events, for ``import --with NAME``."""

    @hookspec
    def roadworn_decoders(self) -> "Sequence[Decoder]":  # type: ignore[empty-body]
        """Return what says what a text of the trade means, for ``decode NAME``."""

    @hookspec
    def roadworn_commands(self) -> "Sequence[Command]":  # type: ignore[empty-body]
        """Return verbs under the word of this plugin, for ``roadworn PLUGIN NAME``."""

    @hookspec
    def roadworn_life_models(self) -> "Sequence[LifeModel]":  # type: ignore[empty-body]
        """Return laws of how long parts last, one of which ROADWORN_LIFE_MODEL names."""


@dataclass(frozen=True, slots=True)
class Door:
    """One door.

    Attributes:
        hook: its name.
        gives: what the hook returns a sequence of.
        since: number of the doors (`HOOKS`) that first had it.
        text: what it is for.
    """

    hook: str
    gives: str
    since: int
    text: str


def doors() -> list[Door]:
    """Return every door."""
    return [
        Door(hook, gives, since, (getattr(Hooks, hook).__doc__ or "").strip().replace("``", "`"))
        for hook, (gives, since) in _GIVES.items()
    ]


def _is(item: object, kind: type) -> bool:
    """Return whether an item is of a type; what its parts are is not believed, whatever it says."""
    return isinstance(item, kind)


def a_kind(item: object) -> str:
    """Return of what type something is, with its article."""
    if item is None:
        return "None"
    name = type(item).__name__
    return f"{'an' if name[:1].lower() in 'aeiou' else 'a'} {name}"


def items_of(hook: Callable[[], object]) -> list[Any]:
    """Return what a hook gives as a list.

    Raises:
        TypeError: it is no sequence.
    """
    items = hook()
    if isinstance(items, str | bytes | Mapping) or not isinstance(items, Iterable):
        raise TypeError(f"it returned {a_kind(items)} and not a list")
    return list(items)


def _text(item: object, *names: str) -> str:
    """Return which of some attributes is no text with something in it, or an empty text."""
    return next(
        (n for n in names if not isinstance(v := getattr(item, n), str) or not v.strip()), ""
    )


def analysis_fault(item: Any) -> str:  # noqa: ANN401
    """Return what is wrong with an analysis that a plugin brings, or an empty text."""
    if _is(item, Deferred):
        bad = _text(item, "name", "module", "attribute")
        return f"brings an analysis {item.name!r} whose {bad} is no text" if bad else ""
    if not _is(item, Analysis):
        return f"returned {a_kind(item)}, which is no Analysis"
    called = f"brings an analysis {item.name!r}"
    if bad := _text(item, "title", "question"):
        return f"{called} whose {bad} is no text"
    if not callable(item.run):
        return f"{called} whose run is {a_kind(item.run)} and no function"
    return _settings_fault(called, item.settings)


def imported(deferred: Deferred) -> Analysis:
    """Import an analysis.

    Raises:
        ValueError: it is none, or not as it must be.
    """
    found = deferred.load()
    fault = analysis_fault(found)
    if fault:
        raise ValueError(fault)
    return found


def takes_job(run: Callable[..., object]) -> bool:
    """Return whether a function has a third place, for the job; what was written before has two."""
    try:
        places = inspect.signature(run).parameters.values()
    except (TypeError, ValueError):
        return False
    by_place = [
        one for one in places if one.kind in {one.POSITIONAL_ONLY, one.POSITIONAL_OR_KEYWORD}
    ]
    return len([one for one in by_place if one.default is one.empty or one.name == "job"]) > 2


def _kind_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.model.kinds import EventKind
    from roadworn.model.payloads import Payload

    if not _is(item, EventKind):
        return f"returned {a_kind(item)}, which is no EventKind"
    called = f"brings an event kind {item.name!r}"
    if not isinstance(item.name, str) or not _KIND.fullmatch(item.name):
        return f"{called}, which needs a prefix of its plugin, as in 'myshop.wash'"
    if not (isinstance(item.model, type) and issubclass(item.model, Payload)):
        return f"{called} whose model is no Payload"
    if type(item.version) is not int or item.version < 1:
        return f"{called} whose version is {item.version!r} and no whole number from 1"
    if not isinstance(item.upcasts, Mapping):
        return f"{called} whose upcasts are {a_kind(item.upcasts)} and no mapping"
    if missing := [step for step in range(1, item.version) if not callable(item.upcasts.get(step))]:
        return f"{called} that has no upcast from version {missing[0]}"
    fields = item.model.model_fields
    if unknown := [name for name in item.short if name not in fields]:
        return f"{called} whose short form has {unknown[0]!r}, which is no field"
    told = [name for _text, name, _form, _conv in Formatter().parse(item.sentence) if name]
    if unknown := [name for name in told if name not in fields]:
        return f"{called} whose sentence has {unknown[0]!r}, which is no field"
    return ""


def _table_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.columns.spec import COMMON, TableSpec

    if not _is(item, TableSpec):
        return f"returned {a_kind(item)}, which is no TableSpec"
    called = f"brings a table {item.name!r}"
    if not isinstance(item.name, str) or not _TABLE.fullmatch(item.name):
        return f"{called}, which needs a prefix of its plugin, as in 'myshop_washes'"
    if not isinstance(item.kinds, tuple) or not all(isinstance(kind, str) for kind in item.kinds):
        return f"{called} whose kinds are no tuple of texts"
    if not isinstance(item.select, str):
        return f"{called} whose select is {a_kind(item.select)} and no text"
    return _columns_fault(called, item, {column[0] for column in COMMON})


def _view_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.columns.spec import ViewSpec

    if not _is(item, ViewSpec):
        return f"returned {a_kind(item)}, which is no ViewSpec"
    called = f"brings a view {item.name!r}"
    schema, _, word = str(item.name).partition(".")
    if schema != "main" or not _TABLE.fullmatch(word):
        return f"{called}, which needs a prefix of its plugin, as in 'main.myshop_washes'"
    if not isinstance(item.sql, str) or not isinstance(item.needs, tuple):
        return f"{called} whose sql or needs are not as ViewSpec says"
    return _columns_fault(called, item, set())


def _columns_fault(called: str, item: Any, taken: set[str]) -> str:  # noqa: ANN401
    """Return what is wrong with a comment and columns of a table or view, or an empty text."""
    if bad := _text(item, "comment"):
        return f"{called} whose {bad} is no text"
    if not isinstance(item.columns, tuple) or not item.columns:
        return f"{called} without columns"
    for column in item.columns:
        plain = isinstance(column, tuple) and len(column) == 3
        if not plain or not all(isinstance(part, str) and part for part in column):
            return f"{called} with a column {column!r}, which is no (name, type, meaning)"
        if not _WORD.fullmatch(column[0]):
            return f"{called} with a column called {column[0]!r}: use letters, digits and _"
        if column[0].lower() in taken:
            return f"{called} with a column {column[0]!r}, which is there already"
        taken.add(column[0].lower())
    return ""


def _named_fault(item: Any, kind: type, hook: str, function: str) -> str:  # noqa: ANN401
    """Return what is wrong with a descriptor that has a name, a title and a function."""
    if not _is(item, kind):
        return f"returned {a_kind(item)}, which is no {kind.__name__}"
    called = f"brings {NAMED[hook]} {item.name!r}"
    if not isinstance(item.name, str) or not _WORDS.fullmatch(item.name):
        return f"{called}, a name that nobody can type: use small letters, digits, - and _"
    if bad := _text(item, "title"):
        return f"{called} whose {bad} is no text"
    run = getattr(item, function)
    return "" if callable(run) else f"{called} whose {function} is {a_kind(run)} and no function"


def _file_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.analysis.brought import DATA_FILES, DataFile

    fault = _named_fault(item, DataFile, "roadworn_data_files", "read")
    if not fault and item.what not in DATA_FILES:
        return f"brings a data file {item.name!r} that is {item.what!r}: {' or '.join(DATA_FILES)}"
    return fault


def _panel_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.analysis.brought import Panel

    if not _is(item, Panel):
        return f"returned {a_kind(item)}, which is no Panel"
    if bad := _text(item, "name", "analysis"):
        return f"brings a panel {item.name!r} whose {bad} is no text"
    if not (isinstance(item.on, tuple) and {*item.on} <= {"vehicle", "fleet"} and item.on):
        return f"brings a panel {item.name!r} on {item.on!r}: say vehicle or fleet"
    fits = isinstance(item.heading, str) and type(item.rows) is int and item.rows >= 0
    told = f"brings a panel {item.name!r} whose heading is no text or whose rows are no number"
    return "" if fits else told


def _importer_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.analysis.brought import Importer

    return _named_fault(item, Importer, "roadworn_importers", "read")


def _decoder_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.analysis.brought import Decoder

    fault = _named_fault(item, Decoder, "roadworn_decoders", "decode")
    if not fault and not isinstance(item.text, str):
        return f"brings a decoder {item.name!r} whose text is {a_kind(item.text)} and no text"
    return fault


def _command_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.analysis.brought import Command

    fault = _named_fault(item, Command, "roadworn_commands", "run")
    return fault or _settings_fault(f"brings a command {item.name!r}", item.settings)


def _model_fault(item: Any) -> str:  # noqa: ANN401
    from roadworn.analysis.life_law import LifeModel

    return _named_fault(item, LifeModel, "roadworn_life_models", "fit")


def _settings_fault(called: str, settings: Any) -> str:  # noqa: ANN401
    if not (isinstance(settings, type) and issubclass(settings, Settings)):
        return f"{called} whose settings are no model of Settings"
    must = [name for name, info in settings.model_fields.items() if info.is_required()]
    return f"{called} whose setting {must[0]!r} has no default" if must else ""


def fault_of(result: object) -> str:
    """Return why a host cannot show a result, or an empty text; words are for its author."""
    if not isinstance(result, Result):
        return f"returned a {type(result).__name__} instead of a Result"
    headline: object = result.headline
    if not isinstance(headline, str):
        return f"returned a headline that is a {type(headline).__name__} and no text"
    for what, kind in _PARTS.items():
        given = getattr(result, what)
        if not isinstance(given, tuple | list):
            return f"returned {what} that are a {type(given).__name__} and no tuple"
        odd = [type(one).__name__ for one in given if not isinstance(one, kind)]
        if odd:
            return f"returned {what} with a {odd[0]} among them"
    names = [table.name for table in result.tables]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        return f"returned two tables called {twice[0]!r}"
    for table in result.tables:
        types: set[type] = {type(cell) for row in table.rows for cell in row}
        odd_types = [t for t in types if not issubclass(t, _CELLS) and t.__module__ != "numpy"]
        if odd_types:
            return f"returned a table {table.name!r} with a {odd_types[0].__name__} in a cell"
        columns = [column.name for column in table.columns]
        if len(set(columns)) < len(columns):
            return f"returned a table {table.name!r} with two columns of one name"
    return ""


#: hook -> (what it returns a sequence of, since when).
_GIVES: Final = {
    "roadworn_analyses": ("Analysis | Deferred", 1),
    "roadworn_event_kinds": ("EventKind", 1),
    "roadworn_tables": ("TableSpec", 1),
    "roadworn_views": ("ViewSpec", 2),
    "roadworn_data_files": ("DataFile", 2),
    "roadworn_panels": ("Panel", 2),
    "roadworn_importers": ("Importer", 2),
    "roadworn_decoders": ("Decoder", 2),
    "roadworn_commands": ("Command", 2),
    "roadworn_life_models": ("LifeModel", 2),
}
#: hook -> what is wrong with a thing that it brings, or an empty text.
CHECKS: Final[Mapping[str, Callable[[Any], str]]] = {
    "roadworn_analyses": analysis_fault,
    "roadworn_event_kinds": _kind_fault,
    "roadworn_tables": _table_fault,
    "roadworn_views": _view_fault,
    "roadworn_data_files": _file_fault,
    "roadworn_panels": _panel_fault,
    "roadworn_importers": _importer_fault,
    "roadworn_decoders": _decoder_fault,
    "roadworn_commands": _command_fault,
    "roadworn_life_models": _model_fault,
}
#: hook -> what one thing that it brings is called.
NAMED: Final[Mapping[str, str]] = {
    "roadworn_analyses": "an analysis",
    "roadworn_event_kinds": "an event kind",
    "roadworn_tables": "a table",
    "roadworn_views": "a view",
    "roadworn_data_files": "a data file",
    "roadworn_panels": "a panel",
    "roadworn_importers": "an importer",
    "roadworn_decoders": "a decoder",
    "roadworn_commands": "a command",
    "roadworn_life_models": "a life model",
}
