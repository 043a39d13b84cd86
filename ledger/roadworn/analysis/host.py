"""Loads plugins one by one and runs analyses, so that one broken plugin never takes the rest along.

pluggy fails a whole hook call when one plugin raises and a whole load when one entry point
cannot be imported. Here each entry point is loaded alone and each hook is called plugin by
plugin; what breaks is kept as a `Problem` that names the plugin and its error.
"""

import importlib.metadata
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pluggy
from pydantic import ValidationError

from roadworn.analysis import Analysis, Answers, Deferred, Ran, Result, Settings
from roadworn.model.errors import PluginFailure, QueryError, RoadwornError, UnknownName, UsageError
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView, TableSpec


GROUP = "roadworn"
TIME_LIMIT = 300.0


hookspec = pluggy.HookspecMarker("roadworn")
hookimpl = pluggy.HookimplMarker("roadworn")


class Hooks:
    """The three doors a plugin comes in by: each returns descriptors, none is handed a ledger."""

    @hookspec
    def roadworn_analyses(self) -> Sequence["Analysis | Deferred"]:  # type: ignore[empty-body]
        """Return the analyses that this plugin adds."""

    @hookspec
    def roadworn_event_kinds(self) -> Sequence["EventKind"]:  # type: ignore[empty-body]
        """Return the event kinds that this plugin adds, named ``prefix.word``."""

    @hookspec
    def roadworn_tables(self) -> Sequence["TableSpec"]:  # type: ignore[empty-body]
        """Return the tables folded from events that this plugin adds, named ``prefix_word``."""


class PluginHost:
    """The plugins of this process and what they bring.

    Attributes:
        problems: one entry for each plugin, or part of one, that could not be used.
    """

    def __init__(self) -> None:
        self.manager = pluggy.PluginManager("roadworn")
        self.manager.add_hookspecs(Hooks)
        self.problems: list[Problem] = []
        self.versions: dict[str, str] = {}
        self._offered: dict[str, tuple[str, Analysis | Deferred]] | None = None

    @classmethod
    def load(cls) -> "PluginHost":
        """Return a host with every installed plugin, the bundled ones by the same door."""
        host = cls()
        found = importlib.metadata.entry_points(group=GROUP)
        for entry in sorted(found, key=lambda entry: (entry.name != "bundled", entry.name)):
            try:
                module = entry.load()
            # A plugin may raise anything while it is imported, or call sys.exit; it is named and
            # left out.
            except (Exception, SystemExit) as error:  # noqa: BLE001
                host._note(entry.name, "cannot be loaded", error)
                continue
            version = entry.dist.version if entry.dist else ""
            host.register(module, entry.name, version)
        return host

    def register(self, plugin: object, name: str, version: str = "") -> None:
        """Add one plugin (a module or an object with hook implementations)."""
        try:
            self.manager.register(plugin, name=name)
            self.manager.check_pending()
        except (pluggy.PluginValidationError, ValueError) as error:
            self._note(name, "does not fit the hooks", error)
            if self.manager.has_plugin(name):
                self.manager.unregister(name=name)
            return
        self.versions[name] = version
        self._offered = None

    def plugin_names(self) -> list[str]:
        """Return the names of the plugins in use, bundled first."""
        return list(self.versions)

    def analyses(self) -> Mapping[str, tuple[str, Analysis]]:
        """Return analysis name -> (plugin name, analysis), sorted by name."""
        loaded = ((name, self._loaded(name)) for name in list(self._known()))
        return {name: found for name, found in loaded if found is not None}

    def _known(self) -> dict[str, tuple[str, Analysis | Deferred]]:
        """Return what the plugins offer, sorted by name, each imported or not."""
        if self._offered is None:
            found: dict[str, tuple[str, Analysis | Deferred]] = {}
            for plugin, item in self._call("roadworn_analyses"):
                if not isinstance(item, Analysis | Deferred):
                    self._note(plugin, "returned something that is no Analysis", type(item))
                elif item.name in found:
                    self._note(plugin, f"brings a second analysis called {item.name!r}", "left out")
                else:
                    found[item.name] = (plugin, item)
            self._offered = dict(sorted(found.items()))
        return self._offered

    def _loaded(self, name: str) -> tuple[str, Analysis] | None:
        """Return plugin and analysis, imported now if it was not; None when that fails."""
        known = self._known()
        if name not in known:
            return None
        plugin, item = known[name]
        if isinstance(item, Deferred):
            try:
                item = item.load()
            # The plugin's own code is imported here: whatever it raises is its problem, not ours.
            except (Exception, SystemExit) as error:  # noqa: BLE001
                self._note(plugin, f"brings an analysis {name!r} that cannot be loaded", error)
                del known[name]
                return None
            known[name] = (plugin, item)
        return plugin, item

    def analysis(self, name: str) -> tuple[str, Analysis]:
        """Return (plugin name, analysis).

        Raises:
            UnknownName: there is none of that name; carries the nearest.
        """
        found = self._loaded(name)
        if found is None:
            known = self._known()
            raise UnknownName.of(f"analysis {name!r}", name, known, "see `roadworn analyses`.")
        return found

    def answering(self, answers: Answers) -> str:
        """Return the name of the analysis that answers this: the bundled one, if it is there."""
        if answers.value in self._known():
            return answers.value
        found = (name for name, (_plugin, one) in self.analyses().items() if one.answers is answers)
        return next(found, answers.value)

    def kinds(self) -> KindRegistry:
        """Return the core's event kinds with those of the plugins."""
        registry = KindRegistry()
        for plugin, item in self._call("roadworn_event_kinds"):
            if not isinstance(item, EventKind):
                self._note(plugin, "returned something that is no EventKind", type(item))
                continue
            try:
                registry.add(item)
            except UsageError as error:
                self._note(plugin, "brings an event kind that cannot be used", error)
        return registry

    def tables(self) -> tuple["TableSpec", ...]:
        """Return the tables that plugins add to the read model."""
        return tuple(item for _plugin, item in self._call("roadworn_tables"))

    def run(
        self,
        name: str,
        view: "LedgerView",
        settings: Settings | Mapping[str, Any] | None = None,
        time_limit: float = TIME_LIMIT,
    ) -> Ran:
        """Run an analysis on a view.

        Args:
            name: the analysis.
            view: a read-only view of the ledger.
            settings: its settings, as a model or as a mapping of texts or values.
            time_limit: seconds after which the run is given up.

        Raises:
            UnknownName: no such analysis.
            UsageError: a setting does not fit.
            PluginFailure: the analysis raised, ran too long or returned no Result.
        """
        plugin, analysis = self.analysis(name)
        chosen = make_settings(analysis, settings)
        vehicle = getattr(chosen, "vehicle", None)
        if vehicle is not None:
            chosen = chosen.model_copy(update={"vehicle": view.require_vehicle(vehicle)})
        started = time.perf_counter()
        result = _run_with_limit(lambda: analysis.run(view, chosen), time_limit, name, plugin)
        if not isinstance(result, Result):
            raise PluginFailure(
                f"The analysis {name!r} of plugin {plugin!r} returned a {type(result).__name__} "
                "instead of a Result: tell its author, or run without that plugin."
            )
        return Ran(
            analysis=analysis,
            plugin=plugin,
            settings=chosen,
            result=result,
            seconds=time.perf_counter() - started,
            ledger_size=view.checkpoint.size,
            ledger_root=view.checkpoint.root,
        )

    def _call(self, hook: str) -> Iterator[tuple[str, Any]]:
        """Yield (plugin name, item) for each item a hook returns, plugin by plugin."""
        for name in self.plugin_names():
            function = getattr(self.manager.get_plugin(name), hook, None)
            if function is None:
                continue
            try:
                items = list(function())
            # The plugin's own code runs here: whatever it raises is its problem, not ours.
            except (Exception, SystemExit) as error:  # noqa: BLE001
                self._note(name, f"failed in {hook}", error)
                continue
            for item in items:
                yield name, item

    def _note(self, plugin: str, what: str, error: object) -> None:
        kind = f"{type(error).__name__}: " if isinstance(error, BaseException) else ""
        problem = Problem(
            code="broken-plugin",
            message=f"The plugin {plugin!r} {what}: {kind}{error}",
            hint="update or uninstall it; everything else goes on without it",
        )
        if problem not in self.problems:
            self.problems.append(problem)


def make_settings(analysis: Analysis, given: Settings | Mapping[str, Any] | None) -> Settings:
    """Return the settings model of `analysis` filled from `given`.

    Raises:
        UsageError: a name is unknown or a value does not fit, with what would.
    """
    if isinstance(given, Settings):
        return given
    values = {name.replace("-", "_"): value for name, value in (given or {}).items()}
    if isinstance(values.get("component"), str) and "component" in analysis.settings.model_fields:
        values["component"] = _component(values["component"])
    try:
        return analysis.settings.model_validate(values)
    except ValidationError as error:
        from roadworn.checks.shape import remedy_of

        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        known = ", ".join(name.replace("_", "-") for name in analysis.settings.model_fields)
        if first["type"] == "extra_forbidden":
            message = f"{analysis.name} has no setting {field!r}; it has: {known or 'none'}."
        else:
            message = (
                f"The setting {field.replace('_', '-')!r} of {analysis.name} cannot be "
                f"{first['input']!r}: {remedy_of(first)}."
            )
        raise UsageError(message) from None


def _component(text: str) -> str:
    """Return the id of the component that a setting names in words of the trade.

    Raises:
        UnknownName: the catalogue knows none of that name; carries the nearest ids.
    """
    from roadworn.model.catalogue import catalogue

    found = catalogue().resolve(text, allow_other=True)
    if found.component is None:
        near = [component.id for component in found.suggestions[:3]]
        hint = f"did you mean {' or '.join(near)}?" if near else "see `roadworn components`."
        raise UnknownName(f"No component is known by {text!r}; {hint}", near)
    return found.component.id


def _run_with_limit(work: Callable[[], object], limit: float, name: str, plugin: str) -> object:
    """Run `work` in a thread and give up on it after `limit` seconds."""
    outcome: dict[str, Any] = {}

    def target() -> None:
        try:
            outcome["result"] = work()
        # Carried over to the calling thread below.
        except BaseException as error:  # noqa: BLE001
            outcome["error"] = error

    # A daemon thread: a plugin that never comes back must not keep the program alive.
    thread = threading.Thread(target=target, name=f"analysis {name}", daemon=True)
    thread.start()
    thread.join(limit)
    if thread.is_alive():
        raise PluginFailure(
            f"The analysis {name!r} of plugin {plugin!r} took longer than {limit:g} s and was "
            "given up: narrow it with a setting, or raise --time-limit."
        )
    error = outcome.get("error")
    if isinstance(error, RoadwornError) and not isinstance(error, QueryError):
        raise error
    if error is not None:
        raise PluginFailure(
            f"The analysis {name!r} of plugin {plugin!r} failed with "
            f"{type(error).__name__}: {error}; tell its author (ROADWORN_DEBUG=1 shows where)."
        ) from error
    return outcome["result"]
