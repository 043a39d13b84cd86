"""Loads plugins one by one and runs analyses, so that one broken plugin never takes the rest along.

pluggy fails a whole hook call when one plugin raises and a whole load when one entry point
cannot be imported. Here each entry point is loaded alone and each hook is called plugin by
plugin; what breaks is kept as a `Problem` that names the plugin and its error.
"""

import importlib.metadata
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pluggy
from pydantic import ConfigDict, ValidationError

from roadworn.analysis import (
    RESULT_TYPES,
    Analysis,
    Answers,
    Deferred,
    Ran,
    Result,
    Settings,
    component_named,
)
from roadworn.columns.kept import Codec, files_mark, named_files, nothing
from roadworn.model.errors import PluginFailure, QueryError, RoadwornError, UnknownName, UsageError
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView, TableSpec


GROUP = "roadworn"
TIME_LIMIT = 300.0
#: Set to ``off`` in the environment, nothing is kept beside the columns and nothing kept is read.
KEPT = "ROADWORN_KEPT"


#: Of the environment, what no answer depends on; everything else of ours may be a setting.
_NO_SETTINGS = frozenset({"ROADWORN_LEDGER", "ROADWORN_DEBUG", KEPT})
#: Libraries whose versions a figure may depend on.
_COMPUTES = ("duckdb", "numpy", "scipy")
#: Errors of the database that another hour may not bring.
_PASSING = frozenset({"OutOfMemoryException", "IOException", "InterruptException"})
_CODEC = Codec(RESULT_TYPES)
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

    def keep_by(self) -> str:
        """Return what a kept answer depends on besides the ledger; empty when none is kept.

        The plugins by name, version and the files of their packages, so that no changed line of
        code finds an answer of the old one; the libraries that compute; and what our variables
        of the environment say, with the files that they name.
        """
        if os.environ.get(KEPT, "").lower() in {"off", "no", "0"}:
            return ""
        packages = {"roadworn"}
        for name in self.versions:
            module = self.manager.get_plugin(name)
            found = getattr(module, "__name__", type(module).__module__)
            packages.add(found.partition(".")[0])
        folders = []
        for name in packages:
            file = getattr(sys.modules.get(name), "__file__", None)
            if file is None:
                # What does not come from files could change unnoticed.
                return ""
            path = Path(file)
            folders.append(path.parent if path.stem == "__init__" else path)
        ours = {
            name: value
            for name, value in sorted(os.environ.items())
            if name.startswith("ROADWORN_") and name not in _NO_SETTINGS
        }
        libraries = [importlib.metadata.version(name) for name in _COMPUTES]
        parts = [sys.version, libraries, self.versions, files_mark(folders)]
        return repr([*parts, ours, named_files(ours.values())])

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

    def names(self) -> list[str]:
        """Return the names of the analyses that are offered, none of them imported."""
        return list(self._known())

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
        *,
        also: Mapping[str, Any] | None = None,
    ) -> Ran:
        """Return what an analysis says of a view: what is kept of it, else run now and kept.

        Args:
            name: the analysis.
            view: a read-only view of the ledger.
            settings: its settings, as a model or as a mapping of texts or values.
            time_limit: seconds after which the run is given up.
            also: settings that are handed over where the analysis has them.

        Raises:
            UnknownName: no such analysis.
            UsageError: a setting does not fit.
            PluginFailure: the analysis raised, ran too long or returned no Result.
        """
        started = time.perf_counter()
        asked = _asked(name, view, settings, also)
        ran = self._kept(asked, view, started)
        if ran is not None:
            return ran
        plugin, analysis = self.analysis(name)
        known = analysis.settings.model_fields
        if not isinstance(settings, Settings):
            more = {key: v for key, v in (also or {}).items() if key in known and v is not None}
            settings = {**more, **(settings or {})}
        chosen = make_settings(analysis, settings)
        vehicle = getattr(chosen, "vehicle", None)
        if vehicle is not None:
            chosen = chosen.model_copy(update={"vehicle": view.require_vehicle(vehicle)})
        try:
            with view.working():
                result = _run_with_limit(
                    lambda: analysis.run(view, chosen), time_limit, name, plugin
                )
        except PluginFailure as failure:
            if analysis.kept and _comes_again(failure.__cause__):
                view.keep(asked, (failure.message,), _CODEC)
            raise
        if not isinstance(result, Result):
            raise PluginFailure(
                f"The analysis {name!r} of plugin {plugin!r} returned a {type(result).__name__} "
                "instead of a Result: tell its author, or run without that plugin."
            )
        if analysis.kept:
            told = (plugin, analysis.title, analysis.question, analysis.answers)
            settled = chosen.model_dump(mode="json")
            *_told, result = view.keep(asked, (*told, settled, result), _CODEC)
        return Ran(
            analysis=analysis,
            plugin=plugin,
            settings=chosen,
            result=result,
            seconds=time.perf_counter() - started,
            ledger_size=view.checkpoint.size,
            ledger_root=view.checkpoint.root,
        )

    def kept(
        self,
        name: str,
        view: "LedgerView",
        settings: Settings | Mapping[str, Any] | None = None,
        *,
        also: Mapping[str, Any] | None = None,
    ) -> Ran | None:
        """Return what is kept of a run with these arguments, None where it would be run anew."""
        try:
            return self._kept(_asked(name, view, settings, also), view, time.perf_counter())
        except PluginFailure:
            return None

    def _kept(self, asked: list[Any], view: "LedgerView", started: float) -> Ran | None:
        """Return a kept answer with its question, without importing the analysis.

        Raises:
            PluginFailure: it broke on this state of the ledger, and would again.
        """
        name = asked[1]
        found = view.answered(asked, _CODEC) if name in self._known() else nothing
        if found is nothing:
            return None
        if len(found) == 1:
            # Whoever wants to see where it broke has it broken again.
            if os.environ.get("ROADWORN_DEBUG"):
                return None
            raise PluginFailure(found[0])
        plugin, title, question, answers, settled, result = found
        return Ran(
            analysis=Analysis(name, title, question, _runs_anew, answers=answers),
            plugin=plugin,
            settings=_Settled(**settled),
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


class _Settled(Settings):
    """Settings as they were kept: whatever names they have, the values as JSON has them."""

    model_config = ConfigDict(frozen=True, extra="allow", defer_build=True)


def _comes_again(error: BaseException | None) -> bool:
    """Return whether what broke an analysis hangs on nothing but the ledger and the program."""
    causes = [error, error.__cause__ if error is not None else None]
    return isinstance(error, Exception) and not any(
        isinstance(one, OSError | MemoryError) or type(one).__name__ in _PASSING for one in causes
    )


def _runs_anew(*_: object) -> Result:
    raise RoadwornError("A kept answer is not run: ask the host for the analysis by its name.")


def _asked(
    name: str,
    view: "LedgerView",
    settings: Settings | Mapping[str, Any] | None,
    also: Mapping[str, Any] | None,
) -> list[Any]:
    """Return a run with its settings as the question by which its answer is kept."""
    given = settings.model_dump() if isinstance(settings, Settings) else dict(settings or {})
    values = {key.replace("-", "_"): value for key, value in given.items()}
    if isinstance(values.get("vehicle"), str):
        values["vehicle"] = view.require_vehicle(values["vehicle"])
    more = sorted((key, value) for key, value in (also or {}).items() if value is not None)
    return ["analysis", name, sorted(values.items()), more, named_files(values.values())]


def make_settings(analysis: Analysis, given: Settings | Mapping[str, Any] | None) -> Settings:
    """Return the settings model of `analysis` filled from `given`.

    Raises:
        UsageError: a name is unknown or a value does not fit, with what would.
    """
    if isinstance(given, Settings):
        return given
    values = {name.replace("-", "_"): value for name, value in (given or {}).items()}
    if isinstance(values.get("component"), str) and "component" in analysis.settings.model_fields:
        values["component"] = component_named(values["component"])
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
