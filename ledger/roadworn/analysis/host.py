"""Runs analyses, whoever brings them, and keeps what they answered.

What breaks is the plugin's, and named so: it raised, ran too long, or returned what cannot be
shown. Everything else goes on.
"""

import importlib.metadata
import os
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ConfigDict, ValidationError

from roadworn.analysis import (
    RESULT_TYPES,
    Analysis,
    Answers,
    Ran,
    Result,
    Settings,
    component_named,
    doors,
)
from roadworn.analysis.doors import fault_of
from roadworn.analysis.guarded import Size, run_within
from roadworn.analysis.plugged import BUNDLED, Plugged
from roadworn.columns.kept import Codec, files_mark, named_files, nothing
from roadworn.model import using
from roadworn.model.errors import (
    PluginFailure,
    RoadwornError,
    UnknownName,
    UsageError,
)
from roadworn.model.messages import Problem, Says

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView


TIME_LIMIT = 300.0
hookimpl = doors.hookimpl
#: Set to ``off`` in the environment, nothing is kept beside the columns and nothing kept is read.
KEPT = "ROADWORN_KEPT"
#: In the environment, which analyses of plugins answer in the place of others.
INSTEAD = "ROADWORN_INSTEAD"
APART = "ROADWORN_APART"  # and which plugins run in a process of their own


#: Of the environment, what no answer depends on; everything else of ours may be a setting.
_NO_SETTINGS = frozenset({"ROADWORN_LEDGER", "ROADWORN_DEBUG", KEPT})
#: Libraries whose versions a figure may depend on.
_COMPUTES = ("duckdb", "numpy", "scipy")
#: Errors of the database that another hour may not bring.
_PASSING = frozenset({"OutOfMemoryException", "IOException", "InterruptException"})
_say = Says(
    "host",
    {
        "instead": "{other} of the plugin {plugin} answered in the place of {name}, as asked.",
        "life-model": "How long parts last is by the life model {name} of the plugin {plugin}, as "
        "asked.",
        "written": "While it ran, {n} {n:event was|events were} written, by it or by somebody "
        "else: an analysis only reads.",
    },
)
_CODEC = Codec(RESULT_TYPES)


class PluginHost(Plugged):
    """The plugins of this process, and the door to run what they bring.

    Attributes:
        progress: is told (done, of all) by an analysis that says how far it is.
        instead: analysis -> the one that answers in its place, by the user's word.
        apart: plugin -> megabytes for each run in a process of its own, 0 for any.
        without: plugins that were left out.
    """

    progress: Callable[[int, int], object] | None = None
    instead: Mapping[str, str] = {}  # replaced, never changed
    apart: Mapping[str, int] = {}  # replaced, never changed
    without: tuple[str, ...] = ()

    @classmethod
    def load(
        cls, without: Iterable[str] = (), tell: Callable[[Problem], object] | None = None
    ) -> "PluginHost":
        """Return a host with every installed plugin, the bundled ones by the same door.

        Args:
            without: names of plugins to leave out.
            tell: is told each problem when it comes up, also long after this call.

        Raises:
            UsageError: there is no plugin of a name in `without`.
        """
        host = cls(tell)
        host.load_entries(without)
        host.instead = _instead(os.environ.get(INSTEAD, ""))
        host.without = tuple(without)
        if os.environ.get(APART):
            from roadworn.analysis.apart import named_apart

            host.apart = named_apart(os.environ[APART])
        return host

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

    def analyses(self) -> Mapping[str, tuple[str, Analysis]]:
        """Return analysis name -> (plugin name, analysis), sorted by name."""
        loaded = ((name, self.loaded(name)) for name in list(self.offered()))
        return {name: found for name, found in loaded if found is not None}

    def analysis(self, name: str) -> tuple[str, Analysis]:
        """Return (plugin name, analysis).

        Raises:
            UnknownName: there is none of that name; carries the nearest.
        """
        found = self.loaded(name)
        if found is None:
            known = self.offered()
            see = "see `roadworn analyses`."
            raise UnknownName.of(f"analysis {name!r}", name, known, see, self.left_out())
        return found

    def names(self) -> list[str]:
        """Return the names of the analyses that are offered, none of them imported."""
        return list(self.offered())

    def answering(self, answers: Answers) -> str:
        """Return the name of the analysis that answers this: the bundled one, if it is there."""
        if answers.value in self.offered():
            return answers.value
        found = (name for name, (_plugin, one) in self.analyses().items() if one.answers is answers)
        return next(found, answers.value)

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
        if name in self.instead:
            other = self.run(self._in_place_of(name), view, settings, time_limit, also=also)
            said = _say("instead", other=other.analysis.name, plugin=other.plugin, name=name)
            caveats = (said, *other.result.caveats)
            return replace(other, result=replace(other.result, caveats=caveats))
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
        size = Size(getattr(view, "path", None) if plugin != BUNDLED else None)
        try:
            scope = _Scope(self)
            with view.working(), using(lambda: scope):
                result = self._result(plugin, analysis, view, chosen, time_limit)
        except PluginFailure as failure:
            if analysis.kept and _comes_again(failure.__cause__):
                view.keep(asked, (failure.message,), _CODEC)
            raise
        fault = fault_of(result)
        if fault or not isinstance(result, Result):
            raise PluginFailure(
                f"The analysis {name!r} of plugin {plugin!r} {fault}: tell its author, or run "
                f"without that plugin (--without {plugin})."
            )
        by_model = scope.by_model
        # What an earlier run of this view left behind may be taken again, the model unasked.
        if by_model is None and plugin not in self.apart and analysis.answers in _BY_LIVES:
            scope.life_model()
            by_model = scope.by_model
        if by_model:
            said = _say("life-model", name=by_model[0], plugin=by_model[1])
            result = replace(result, caveats=(said, *result.caveats))
        if grown := size.more():
            result = replace(result, caveats=(_say("written", n=grown), *result.caveats))
        elif analysis.kept:
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

    def _result(
        self,
        plugin: str,
        analysis: Analysis,
        view: "LedgerView",
        chosen: Settings,
        time_limit: float,
    ) -> object:
        """Return what an analysis gives, run here or in a process of its own."""
        settled = chosen.model_dump(mode="json")
        if plugin in self.apart:
            from roadworn.analysis.apart import run_apart

            limits = time_limit, self.apart[plugin]
            return run_apart(view, (plugin, analysis.name), settled, limits, self.without)
        given = [view, chosen]
        if doors.takes_job(analysis.run):
            from roadworn.analysis.brought import Job

            given.append(Job(view, (plugin, analysis.name, settled), self.progress))
        work = partial(analysis.run, *given)
        return run_within(work, time_limit, view.give_up, analysis.name, plugin)

    def _in_place_of(self, name: str) -> str:
        """Return what answers in the place of an analysis.

        Raises:
            UsageError: it answers something else, or is itself replaced.
        """
        self.analysis(name)
        other = self.instead[name]
        if (
            self.analysis(other)[1].answers != self.analysis(name)[1].answers
            or other in self.instead
        ):
            raise UsageError(
                f"{other} does not answer what {name} does, so it cannot stand in its place: its "
                "author says with `answers` what it answers."
            )
        return other

    def kept(
        self,
        name: str,
        view: "LedgerView",
        settings: Settings | Mapping[str, Any] | None = None,
        *,
        also: Mapping[str, Any] | None = None,
    ) -> Ran | None:
        """Return what is kept of a run with these arguments, None where it would be run anew."""
        if name in self.instead:
            return None
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
        found = view.answered(asked, _CODEC) if name in self.offered() else nothing
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


#: Answers that rest on how long parts last.
_BY_LIVES = frozenset(
    {
        Answers.GOES_NEXT,
        Answers.KEEP_OR_SELL,
        Answers.CLASSES,
        Answers.CAME_TRUE,
        Answers.STOCK,
        Answers.WARRANTY,
    }
)


class _Scope:
    """A host in use by one run: it notes by which life model of a plugin the run went.

    Attributes:
        by_model: its name and its plugin, None where none or the bundled one was asked for.
    """

    def __init__(self, host: PluginHost) -> None:
        self._host = host
        self.by_model: tuple[str, str] | None = None
        self.data_files, self.languages = host.data_files, host.languages
        self.told_of, self.left_out = host.told_of, host.left_out

    def life_model(self) -> tuple[str, Callable[..., list[Any]]] | None:
        """Return the life model of the host, and note it."""
        found = self._host.life_model_of()
        if found is not None and found[0] != BUNDLED:
            self.by_model = found[1].name, found[0]
        return self._host.life_model()


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


def _instead(text: str) -> dict[str, str]:
    """Return analysis -> the one in its place, of ``next-repairs=myshop-next``, more by commas.

    Raises:
        UsageError: it is not written so.
    """
    found = {}
    for pair in filter(None, map(str.strip, text.split(","))):
        name, sign, other = pair.partition("=")
        if not (name and sign and other):
            raise UsageError(f"{INSTEAD} is written ANALYSIS=OTHER, not {pair!r}.")
        found[name.strip()] = other.strip()
    return found
