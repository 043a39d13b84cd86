"""The plugins of this process and what they bring, each thing checked when it is received.

pluggy fails a whole hook call when one plugin raises and a whole load when one entry point
cannot be imported. Here each entry point is loaded alone and each hook is called plugin by
plugin; what does not fit is left out and kept as a `Problem` that names its plugin. Whoever came
first holds a name: nobody is removed by one who comes later, and ``bundled`` is not to be had.
"""

import importlib.metadata
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from difflib import get_close_matches
from functools import partial
from textwrap import shorten
from typing import TYPE_CHECKING, Any, Final, cast

import pluggy

from roadworn.analysis import Analysis, Deferred
from roadworn.analysis.doors import (
    CHECKS,
    HOOKS,
    NAMED,
    Hooks,
    a_kind,
    doors,
    imported,
    items_of,
)
from roadworn.analysis.guarded import HOOK_LIMIT, IMPORT_LIMIT, guarded
from roadworn.model import using
from roadworn.model.errors import PluginFailure, RoadwornError, UnknownName, UsageError
from roadworn.model.messages import Problem, Sentence, broken

if TYPE_CHECKING:
    from roadworn.analysis.brought import Panel
    from roadworn.analysis.life_law import LifeModel
    from roadworn.columns.spec import TableSpec, ViewSpec
    from roadworn.model.kinds import KindRegistry

GROUP: Final = "roadworn"
#: Set to ``off`` in the environment, no plugin but the bundled one is loaded.
PLUGINS: Final = "ROADWORN_PLUGINS"
#: What a plugin says of the number of the doors that it needs.
NEEDS: Final = "ROADWORN_HOOKS"
BUNDLED: Final = "bundled"
#: In the environment, which life model holds for all that looks ahead.
LIFE_MODEL: Final = "ROADWORN_LIFE_MODEL"
_USUAL_MODEL: Final = "weibull"
#: Of what an error of a plugin says, in letters.
_LONGEST: Final = 400
_BUNDLE: Final = "roadworn_plugins.bundle"


class Plugged:
    """The plugins in use and what they bring.

    Attributes:
        problems: one for each plugin, or part of one, that could not be used.
        tell: is told each problem once, when it comes up; the first call may be long after loading.
        versions: plugin -> version of its distribution, in the order they came.
        distributions: plugin -> name of its distribution.
        broken: plugin that could not be taken in -> version of its distribution.
    """

    def __init__(self, tell: Callable[[Problem], object] | None = None) -> None:
        self.manager = pluggy.PluginManager("roadworn")
        self.manager.add_hookspecs(Hooks)
        self.problems: list[Problem] = []
        self.tell = tell
        self.versions: dict[str, str] = {}
        self.distributions: dict[str, str] = {}
        self.broken: dict[str, str] = {}
        self._left_out: dict[str, str] = {}
        self._received: dict[str, list[tuple[str, Any]]] = {}
        self._prefixes: dict[str, str] = {}
        self._offered: dict[str, tuple[str, Analysis | Deferred]] | None = None
        self._registry: KindRegistry | None = None
        self._languages: dict[str, list[str]] | None = None

    def load_entries(self, without: Iterable[str] = ()) -> None:
        """Take in every installed plugin, the bundled ones first and by the same door.

        Raises:
            UsageError: there is no plugin of a name in `without`, or `PLUGINS` is another word.
        """
        left_out = set(without)
        found = importlib.metadata.entry_points(group=GROUP)
        asked = os.environ.get(PLUGINS, "").strip()
        off = asked.lower() in {"off", "no", "0"}
        if asked and not off and asked.lower() not in {"on", "yes", "1"}:
            raise UsageError(
                f"{PLUGINS} is {asked!r}", "set it to off, or leave one out with --without PLUGIN"
            )
        met = set()
        for entry in sorted(found, key=_order):
            name = self._free_name(entry)
            met.add(name)
            if name in left_out or (off and name not in {"", BUNDLED}):
                by = f"--without {name}" if name in left_out else f"{PLUGINS}={asked}"
                self._left_out[name] = by
                continue
            if not name:
                continue
            version = entry.dist.version if entry.dist else ""
            try:
                module = self._guarded(name, entry.load, IMPORT_LIMIT)
            # A plugin may raise anything while it is imported, or call sys.exit; it is named and
            # left out.
            except (Exception, SystemExit) as error:  # noqa: BLE001
                self.broken[name] = version
                self.note(name, "cannot be loaded", error)
                continue
            self.register(module, name, version)
            self.distributions[name] = _distribution(entry)
        if left_out - met:
            unknown = min(left_out - met)
            near = get_close_matches(unknown, met - {""}, n=1)
            hint = f"did you mean {near[0]}?" if near else "see `roadworn plugins`."
            raise UsageError(f"There is no plugin {unknown!r} to leave out; {hint}")

    def _free_name(self, entry: importlib.metadata.EntryPoint) -> str:
        """Return what a plugin is called here; an empty text when it cannot be taken in."""
        ours = entry.value.partition(":")[0] == _BUNDLE
        if (entry.name == BUNDLED) is not ours:
            what = "calls itself 'bundled', which only Roadworn's own plugin is"
            self.note(f"{_distribution(entry)}/{entry.name}", what, "rename its entry point")
            return ""
        if entry.name not in self.versions:
            return entry.name
        # Two packages of one name both stay, told apart by their distributions.
        other = f"{_distribution(entry)}/{entry.name}"
        if other in self.versions or ours:
            return ""
        taken = f"has the name of one of {self.distributions.get(entry.name) or 'another package'}"
        self.note(other, taken, "it goes by its longer name here; one of the two should be renamed")
        return other

    def register(self, plugin: object, name: str, version: str = "") -> None:
        """Add one plugin: a module, or an object with hook implementations."""
        if name in self.versions:
            self.note(name, "has a name that is taken", "the one that came first stays")
            return
        try:
            needs = getattr(plugin, NEEDS, 1)
            if not isinstance(needs, int) or needs > HOOKS:
                self.broken[name] = version
                why = f"it needs the doors {needs!r} and this Roadworn has {HOOKS}: update Roadworn"
                self.note(name, "cannot be used", why)
                return
            self.manager.register(plugin, name=name)
            self._check_hooks(plugin, name)
            self.manager.check_pending()
        # An object may raise when it is looked at.
        except Exception as error:  # noqa: BLE001
            self.broken[name] = version
            self.note(name, "does not fit the hooks", error)
            if self.manager.has_plugin(name):
                self.manager.unregister(name=name)
            return
        self.versions[name] = version
        self._received.clear()
        self._prefixes.clear()
        self._offered = self._registry = self._languages = None

    def _check_hooks(self, plugin: object, name: str) -> None:
        """Name hooks that nobody calls: a slip in a name would go unnoticed for ever."""
        known = [door.hook for door in doors()]
        for hook in dir(plugin):
            if hook.startswith("roadworn_") and hook not in known:
                if getattr(getattr(plugin, hook, None), "roadworn_impl", None) is None:
                    continue
                near = get_close_matches(hook, known, n=1)
                told = f"did you mean {near[0]}?" if near else "see `roadworn plugins hooks`"
                self.note(name, f"has a hook {hook} that nobody calls", told)

    def left_out(self) -> Mapping[str, str]:
        """Return plugin that is installed and was left out -> what left it out."""
        return self._left_out

    def plugin_names(self) -> list[str]:
        """Return the names of the plugins in use, bundled first."""
        return list(self.versions)

    def received(self, hook: str) -> list[tuple[str, Any]]:
        """Return (plugin, item) for each item that passed, in the order the plugins came."""
        if hook not in self._received:
            check = CHECKS[hook]
            seen: dict[str, str] = {}
            kept: list[tuple[str, Any]] = []
            for plugin, item in self._call(hook):
                try:
                    fault = check(item)
                # An item may raise when it is looked at.
                except Exception as error:  # noqa: BLE001
                    fault = f"brings something broken through {hook} ({_told(error)})"
                if fault:
                    self.note(plugin, fault, "it is left out")
                    continue
                name = item.name
                if not self._owns(hook, plugin, name):
                    continue
                if name in seen:
                    holder = seen[name]
                    whose = (
                        "already" if holder == plugin else f"as {holder!r} has, which came first"
                    )
                    self.note(plugin, f"brings {NAMED[hook]} {name!r} {whose}", "it is left out")
                    continue
                seen[name] = plugin
                kept.append((plugin, item))
            self._received[hook] = kept
        return self._received[hook]

    def _owns(self, hook: str, plugin: str, name: str) -> bool:
        """Return whether the prefix of a kind or table is this plugin's.

        It is that of the plugin of this name, else of the first that uses it.
        """
        if hook not in {"roadworn_event_kinds", "roadworn_tables", "roadworn_views"}:
            return True
        prefix = re.split(r"[._]", name.removeprefix("main."), maxsplit=1)[0]
        first = prefix if prefix in self.versions else plugin
        holder = self._prefixes.setdefault(prefix, first)
        if holder != plugin:
            what = f"brings {NAMED[hook]} {name!r} with the prefix of the plugin {holder!r}"
            self.note(plugin, what, "it is left out")
        return holder == plugin

    def panels(self, on: str) -> "list[Panel]":
        """Return the panels of a report, one for an analysis, in the order of the plugins."""
        found: dict[str, Panel] = {}
        for plugin, panel in self.received("roadworn_panels"):
            if panel.analysis not in self.offered():
                what = f"brings a panel {panel.name!r} of an analysis that is not there"
                self.note(plugin, what, panel.analysis)
            elif on in panel.on:
                found.setdefault(panel.analysis, panel)
        return [*found.values()]

    def data_files(self, what: str) -> dict[str, Callable[[], str]]:
        """Return name -> what reads it, of the data files of one kind."""
        received = self.received("roadworn_data_files")
        return {
            item.name.replace("-", "_"): partial(self._text_of, plugin, item)
            for plugin, item in received
            if item.what == what
        }

    def _text_of(self, plugin: str, item: Any) -> str:  # noqa: ANN401
        """Return the text of a data file.

        Raises:
            PluginFailure: it cannot be read.
        """
        try:
            text = self._guarded(plugin, item.read, HOOK_LIMIT)
            if not isinstance(text, str):
                raise TypeError(f"it gave {a_kind(text)} and no text")  # noqa: TRY301
        # The plugin's own code runs here: whatever it raises is its problem, not ours.
        except (Exception, SystemExit) as error:
            called = f"The {item.what} {item.name!r} of plugin {plugin!r}"
            raise PluginFailure(
                f"{called} cannot be read ({_told(error)}): tell its author, or name another."
            ) from error
        return text

    def languages(self) -> dict[str, list[str]]:
        """Return code of a language -> the texts of its files, of those that can be read."""
        if self._languages is None:
            from roadworn.say import check_language, language_of

            self._languages = {}
            for plugin, item in self.received("roadworn_data_files"):
                if item.what != "language":
                    continue
                try:
                    text = self._text_of(plugin, item)
                    check_language(item.name, text)
                except RoadwornError as error:
                    self.note(plugin, f"brings a language {item.name!r} that is left out", error)
                    continue
                code = language_of(text).locale.casefold()
                self._languages.setdefault(code, []).append(text)
        return self._languages

    def life_model(self) -> tuple[str, Callable[..., list[Any]]] | None:
        """Return name and fit of the life model that the environment names, else the bundled one.

        Raises:
            UnknownName: there is none of that name; carries the nearest.
        """
        found = self.life_model_of()
        if found is None:
            return None
        plugin, model = found
        if plugin == BUNDLED:
            return model.name, cast("Any", model.fit)
        from roadworn.analysis.life_law import held_to_form

        return model.name, held_to_form(
            model.fit, f"The life model {model.name!r} of plugin {plugin!r}"
        )

    def life_model_of(self) -> "tuple[str, LifeModel] | None":
        """Return plugin and life model in use, None where not even the bundled one is there.

        Raises:
            UnknownName: the environment names one that is not there.
        """
        asked = os.environ.get(LIFE_MODEL, "")
        known = {item.name: (one, item) for one, item in self.received("roadworn_life_models")}
        if asked and asked not in known:
            told = f"life model {asked!r} ({LIFE_MODEL})"
            raise UnknownName.of(told, asked, known, "see `roadworn plugins`.", self.left_out())
        return known.get(asked or _USUAL_MODEL)

    def kinds(self) -> "KindRegistry":
        """Return the core's event kinds with those of the plugins, each with its owner."""
        if self._registry is None:
            from roadworn.model.kinds import KindRegistry

            self._registry = KindRegistry()
            for plugin, kind in self.received("roadworn_event_kinds"):
                self._registry.add(replace(kind, owner=plugin))
        return self._registry

    def told_of(self, kind: str) -> tuple[str, tuple[str, ...]] | None:
        """Return the sentence of an event kind and the fields it may tell of, None without one."""
        known = self.kinds()
        if kind not in known or not known.get(kind).sentence:
            return None
        found = known.get(kind)
        return found.sentence, tuple(found.model.model_fields)

    def tables(self) -> "tuple[TableSpec | ViewSpec, ...]":
        """Return the tables and views that plugins add to the read model, each with its owner."""
        brought = [
            (hook, *one)
            for hook in ("roadworn_tables", "roadworn_views")
            for one in self.received(hook)
        ]
        if not brought:
            return ()
        from roadworn.columns.session import dictionary_of
        from roadworn.columns.tables import CORE_TABLES

        taken = {info.name for info in dictionary_of(CORE_TABLES)}
        taken |= {spec.name for spec in CORE_TABLES}
        found = []
        for hook, plugin, spec in brought:
            name = spec.name.removeprefix("main.").lower()
            if name in taken:
                what = f"brings {NAMED[hook]} {name!r}, a name that is taken"
                self.note(plugin, what, "it is left out")
                continue
            taken.add(name)
            found.append(replace(spec, owner=plugin))
        return tuple(found)

    def offered(self) -> dict[str, tuple[str, Analysis | Deferred]]:
        """Return what analyses the plugins offer, sorted by name, each imported or not."""
        if self._offered is None:
            received = self.received("roadworn_analyses")
            self._offered = dict(sorted((item.name, (plugin, item)) for plugin, item in received))
        return self._offered

    def loaded(self, name: str) -> tuple[str, Analysis] | None:
        """Return plugin and analysis, imported now if it was not; None when that fails."""
        known = self.offered()
        if name not in known:
            return None
        plugin, item = known[name]
        if isinstance(item, Deferred):
            try:
                item = self._guarded(plugin, partial(imported, item), IMPORT_LIMIT)
            # The plugin's own code is imported here: whatever it raises is its problem, not ours.
            except (Exception, SystemExit) as error:  # noqa: BLE001
                self.note(plugin, f"brings an analysis {name!r} that cannot be loaded", error)
                del known[name]
                return None
            known[name] = (plugin, item)
        return plugin, item

    def _call(self, hook: str) -> Iterator[tuple[str, Any]]:
        """Yield (plugin name, item) for each item a hook returns, plugin by plugin."""
        for name in self.plugin_names():
            function = getattr(self.manager.get_plugin(name), hook, None)
            if function is None:
                continue
            try:
                items = self._guarded(name, partial(items_of, function), HOOK_LIMIT)
            # The plugin's own code runs here: whatever it raises is its problem, not ours.
            except (Exception, SystemExit) as error:  # noqa: BLE001
                self.note(name, f"failed in {hook}", error)
                continue
            for item in items:
                yield name, item

    def _guarded(self, plugin: str, work: Callable[[], Any], limit: float) -> Any:  # noqa: ANN401
        """Run a plugin's code within bounds; that of the program itself needs none."""
        if plugin == BUNDLED:
            return work()
        with using(lambda: self):
            return guarded(work, limit)

    def note(self, plugin: str, what: str, error: object) -> None:
        """Keep a problem of a plugin, and tell it once."""
        self.take(broken(plugin, what, _told(error)))

    def take(self, problem: Problem) -> None:
        """Keep a problem that was met elsewhere, and tell it once."""
        if problem not in self.problems:
            self.problems.append(problem)
            if self.tell is not None:
                self.tell(problem)

    def problems_of(self, plugin: str) -> list[Problem]:
        """Return the problems that name a plugin."""
        return [
            one
            for one in self.problems
            if isinstance(one.message, Sentence) and one.message.arguments.get("plugin") == plugin
        ]


def _order(entry: importlib.metadata.EntryPoint) -> tuple[bool, str, str]:
    return entry.value.partition(":")[0] != _BUNDLE, entry.name, _distribution(entry)


def _distribution(entry: importlib.metadata.EntryPoint) -> str:
    return entry.dist.name if entry.dist else entry.value.partition(".")[0].partition(":")[0]


def _told(error: object) -> str:
    # What we raise on purpose is a sentence; its class says nothing to whoever reads it.
    ours = isinstance(error, RoadwornError)
    kind = f"{type(error).__name__}: " if isinstance(error, BaseException) and not ours else ""
    return kind + shorten(str(error), _LONGEST, placeholder=" ...").removesuffix(".")
