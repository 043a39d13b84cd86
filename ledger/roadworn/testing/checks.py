"""Checks of all that a plugin brings; each says in one sentence what does not hold."""

import io
import json
import math
import tempfile
from collections.abc import Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import fields, is_dataclass, replace
from datetime import date
from decimal import Decimal
from importlib.metadata import entry_points
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from roadworn.analysis import RESULT_TYPES, Analysis, Ran, Result, Table, Tells
from roadworn.analysis.brought import DataFile, Job
from roadworn.analysis.doors import fault_of, hookimpl, takes_job
from roadworn.analysis.host import PluginHost, make_settings
from roadworn.columns.kept import Codec
from roadworn.model import using
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.model.kinds import EventKind, fields_of
from roadworn.model.messages import Sentence
from roadworn.model.payloads import Payload
from roadworn.reading.fields import change_fields
from roadworn.say import language_of, places_of
from roadworn.say.telling import describe
from roadworn.testing.ledgers import event, view_of

if TYPE_CHECKING:
    from roadworn.columns.spec import TableSpec
    from roadworn.columns.view import LedgerView

#: What may stand in a column besides None, by its kind.
_CELLS: Final[Mapping[str, tuple[type, ...]]] = {
    "text": (str,),
    "component": (str,),
    "sentence": (str,),
    "integer": (int,),
    "number": (Real, Decimal),
    "distance": (Real, Decimal),
    "money": (Real, Decimal),
    "chance": (Real, Decimal),
    "date": (date,),
}


def check_analysis(
    analysis: Analysis, view: "LedgerView", settings: Mapping[str, Any] | None = None
) -> Result:
    """Run an analysis twice and check what every host relies on; return its result.

    Checked: it returns a Result, with a headline of one line; both runs agree; names of tables,
    columns, estimates and charts are unlike; cells are of the kind of their column, and distances
    and money have a unit; it can be kept and is the same read back; every event id it names as
    evidence is in the ledger; it can be shown as a table, JSON, CSV and a page where the command is
    installed; nothing was printed; the ledger file is unchanged.

    Raises:
        AssertionError: with one sentence that says which of these does not hold.
    """
    from roadworn.columns.build import head_of

    chosen = make_settings(analysis, settings)
    before, printed = head_of(view.path), io.StringIO()
    given = (view, chosen, Job(view)) if takes_job(analysis.run) else (view, chosen)
    with redirect_stdout(printed):
        result, again = analysis.run(*given), analysis.run(*given)
    name = analysis.name
    if not isinstance(result, Result):
        raise AssertionError(  # noqa: TRY004
            f"{name} returned {type(result).__name__}, not a Result."
        )
    fault = fault_of(result)
    _hold(not fault, f"{name} {fault}.")
    one_line = result.headline.splitlines() == [result.headline]
    _hold(one_line, f"{name} needs a headline of one line.")
    _hold(_alike(result, again), f"{name} gave two different results on the same view.")
    _hold(not printed.getvalue(), f"{name} prints, and standard output is data: return it instead.")
    for what in ("estimates", "charts"):
        names = [one.name for one in getattr(result, what)]
        _hold(len(set(names)) == len(names), f"{name} has two {what} of one name.")
    for table in result.tables:
        _check_cells(name, table)
    known = {row[0] for row in view.sql("SELECT event_id FROM events").rows}
    missing = sorted(set(result.evidence()) - known)
    _hold(not missing, f"{name} names events that are not there: {missing[:3]}.")
    _check_shown(Ran(analysis, "tried", chosen, result), view)
    unchanged = head_of(view.path) == before
    _hold(unchanged, f"{name} wrote to the ledger, or something else did meanwhile: it only reads.")
    return result


def _check_shown(ran: Ran, view: "LedgerView") -> None:
    """Hold that an answer can be kept, and shown in every form."""
    name, codec = ran.analysis.name, Codec(RESULT_TYPES)
    try:
        again = codec.made(json.loads(json.dumps(codec.plain(ran.result))))
    except Exception as error:
        raise AssertionError(f"{name} returned what cannot be kept: {error}") from error
    _hold(_alike(ran.result, again), f"{name} returned what is not the same once it was kept.")
    shows = next(iter(entry_points(group="roadworn.pages", name="formats")), None)
    if shows is None:
        return
    try:
        shows.load()(ran, view)
    except Exception as error:
        told = f"{type(error).__name__}: {error}"
        raise AssertionError(f"{name} returned what cannot be shown: {told}") from error


def _hold(holds: bool, otherwise: str) -> None:
    if not holds:
        raise AssertionError(otherwise)


def _check_cells(name: str, table: Table) -> None:
    """Hold that the cells of a table are what its columns say."""
    currency = table.place(Tells.CURRENCY) is not None or table.named("currency") is not None
    for at, column in enumerate(table.columns):
        where = f"{name}: the column {column.name!r} of table {table.name!r}"
        if column.kind == "distance":
            _hold(bool(column.unit), f"{where} is a distance without a unit: say mi or km.")
        if column.kind == "money":
            # A ledger without an amount has no currency either.
            told = bool(column.unit) or currency or not any(row[at] for row in table.rows)
            _hold(told, f"{where} is money without a unit, and no column tells the currency.")
        for row in table.rows:
            cell: Any = row[at]
            cell = cell.item() if type(cell).__module__ == "numpy" else cell
            wrong = isinstance(cell, bool) and column.kind != "text"
            fits = cell is None or (isinstance(cell, _CELLS[column.kind]) and not wrong)
            if column.kind == "text":
                continue
            kind = type(cell).__name__
            _hold(fits, f"{where} is of kind {column.kind!r} and has a {kind} in it: {cell!r}.")


def _alike(one: Any, other: Any) -> bool:  # noqa: ANN401
    """Return whether two results are the same; not a number is like itself."""
    if isinstance(one, float) and isinstance(other, float):
        return one == other or (math.isnan(one) and math.isnan(other))
    if is_dataclass(one) and type(one) is type(other):
        return all(_alike(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, tuple | list) and isinstance(other, tuple | list):
        return len(one) == len(other) and all(map(_alike, one, other))
    return bool(one == other)


def check_kind(
    kind: EventKind,
    *payloads: Mapping[str, Any],
    older: Mapping[int, Sequence[Mapping[str, Any]]] | None = None,
    languages: Sequence[DataFile] = (),
) -> None:
    """Check that a kind can be typed, imported, written, told and read again.

    Its sentence must tell each example, with and without what it may leave out, in each language.

    Args:
        kind: the kind.
        payloads: examples of its current version.
        older: version -> examples of it, which are lifted to the current one.
        languages: language files of the plugin, each of which says the sentence by the name of
            the kind.

    Raises:
        AssertionError: with one sentence that says what does not hold.
    """
    host = PluginHost()
    host.register(_Brings(kind), kind.name.partition(".")[0])
    _received(host, f"event kind {kind.name}", "roadworn_event_kinds")
    flat = fields_of(kind.model)
    own = (one for one in kind.model.model_fields.items() if one[0] not in Payload.model_fields)
    for name, info in own:
        told = f"{kind.name}: the field {name!r}"
        odd = (
            name not in flat and info.annotation is not None and Decimal in _types(info.annotation)
        )
        _hold(not odd, f"{told} is a plain Decimal, which no file can feed: use Money or float.")
        _hold(bool(info.description), f"{told} says not what it is: write it with about(...).")
    _hold(bool(payloads), f"Give check_kind an example of a payload of {kind.name}.")
    written = [event("made-1", kind.name, "2025-01-02", **payload) for payload in payloads]
    enrolled = event("made-1", "enrolment", "2025-01-01", odometer=1)
    with tempfile.TemporaryDirectory() as folder:
        try:
            with view_of([enrolled, *written], Path(folder), host=host) as view:
                rows = view.sql("SELECT payload FROM events WHERE kind = ?", (kind.name,)).rows
        except Exception as error:
            raise AssertionError(f"{kind.name} cannot be written: {error}") from error
    _hold(len(rows) == len(payloads), f"{kind.name}: not every example came back.")
    with using(lambda: host):
        for payload in payloads:
            _check_told(kind, payload)
            _check_typed(kind, payload)
            for file in languages:
                _check_said(kind, payload, file)
    for version, examples in (older or {}).items():
        for example in examples:
            try:
                kind.model.model_validate_json(_json(kind.upcast(version, dict(example))))
            except Exception as error:
                raise AssertionError(
                    f"{kind.name}: an example of version {version} is not lifted: {error}"
                ) from error


def _check_told(kind: EventKind, payload: Mapping[str, Any]) -> None:
    """Hold that the sentence of a kind tells an example, whole and with only what it must have."""
    must = [name for name, info in kind.model.model_fields.items() if info.is_required()]
    for given in (payload, {name: payload[name] for name in must if name in payload}):
        held = kind.model.model_validate_json(_json(given))
        told = describe(kind.name, held.model_dump(mode="json", exclude_none=True))
        # What cannot be told as its author says is told field by field, by another type.
        fits = not kind.sentence or isinstance(told, Sentence)
        _hold(fits, f"{kind.name}: the sentence {kind.sentence!r} does not fit {dict(given)}.")


def _check_said(kind: EventKind, payload: Mapping[str, Any], file: DataFile) -> None:
    """Hold that a language file says the sentence of a kind as the kind does."""
    told = f"The language {file.name!r}"
    try:
        spoken = language_of(file.read())
    except Exception as error:
        raise AssertionError(f"{told} cannot be read: {error}") from error
    template = spoken.sentences.get(kind.name)
    entry = f'"{kind.name}" = "..." under [sentences]'
    _hold(isinstance(template, str), f"{told} says nothing of {kind.name}: write {entry}.")
    unknown = sorted(places_of(str(template)) - kind.model.model_fields.keys())
    _hold(not unknown, f"{told}: the sentence of {kind.name} has {unknown[:1]}, which is no field.")
    translated = replace(kind, sentence=str(template))
    host = PluginHost()
    host.register(_Brings(translated), kind.name.partition(".")[0])
    with using(lambda: host):
        _check_told(translated, payload)


def _check_typed(kind: EventKind, payload: Mapping[str, Any]) -> None:
    """Hold that what an example says can be typed, field by field."""
    typed = {}
    for name, value in payload.items():
        if isinstance(value, Mapping) and value.keys() == {"amount", "currency"}:
            typed[name] = f"{name}={value['amount']} {value['currency']}"
        elif isinstance(value, str | int | float) and not isinstance(value, bool):
            typed[name] = f"{name}={value}"
    rest = {name: value for name, value in payload.items() if name not in typed}
    told = f"{kind.name}: {' '.join(typed.values())}"
    try:
        made = change_fields(kind.model, rest, typed.values())
        found = kind.model.model_validate_json(_json(made))
    except Exception as error:
        raise AssertionError(f"{told} cannot be typed: {error}") from error
    same = found == kind.model.model_validate_json(_json(payload))
    _hold(same, f"{told} is not read as it was typed.")


def _types(annotation: Any) -> list[Any]:  # noqa: ANN401
    inside = getattr(annotation, "__args__", ())
    return [annotation, *(found for one in inside for found in _types(one))]


def _json(payload: Mapping[str, Any]) -> bytes:
    import orjson

    return orjson.dumps(payload)


class _Brings:
    """A plugin of one kind, and of tables."""

    def __init__(self, *items: object) -> None:
        self.items = items

    @hookimpl
    def roadworn_event_kinds(self) -> list[object]:
        """Return the kinds among the items."""
        return [one for one in self.items if isinstance(one, EventKind)]

    @hookimpl
    def roadworn_tables(self) -> list[object]:
        """Return the rest."""
        return [one for one in self.items if not isinstance(one, EventKind)]


def _received(host: PluginHost, what: str, hook: str) -> None:
    host.received(hook)
    said = "; ".join(str(problem.message) for problem in host.problems)
    _hold(not said, f"The {what} is not taken: {said}.")


def check_table(
    spec: "TableSpec", events: Sequence[NewEvent], kinds: Sequence[EventKind] = ()
) -> list[tuple[Any, ...]]:
    """Fold a table from events at once and one by one, and hold that both give the same rows.

    Args:
        spec: the table.
        events: from which it is folded.
        kinds: of the plugin, where the events have any.

    Returns:
        The rows of its own columns, in the order of the events.

    Raises:
        AssertionError: with one sentence that says what does not hold.
    """
    host = PluginHost()
    host.register(_Brings(spec, *kinds), spec.name.partition("_")[0])
    host.tables()
    host.kinds()
    own = ", ".join(f'"{column[0]}"' for column in spec.columns)
    query = f'SELECT {own} FROM "{spec.name}" ORDER BY seq'
    with tempfile.TemporaryDirectory() as folder, view_of(events, Path(folder), host=host) as view:
        view.sql("SELECT 1")
        said = "; ".join(str(problem.message) for problem in host.problems)
        _hold(not said, f"The table {spec.name} is not taken: {said}.")
        rows = view.sql(query).rows
        alone = _one_by_one(spec, view.path, host)
    if rows or alone:
        counted = f"{len(rows)} rows at once and {alone} one by one"
        _hold(len(rows) == alone, f"{spec.name} looks at more than one event at a time: {counted}.")
    return rows


def _one_by_one(spec: "TableSpec", path: Path, host: PluginHost) -> int:
    """Return how many rows come of a table when each event is folded by itself."""
    import duckdb

    from roadworn.columns.build import head_of, open_ledger
    from roadworn.columns.fold import create_tables, fetch, fold_rows

    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        create_tables(con, [spec])
        ledger = open_ledger(path)
        try:
            for seq in range(head_of(path).size):
                fold_rows(con, fetch(ledger, seq, seq + 1, host.kinds()), [spec])
        finally:
            ledger.close()
        return int(con.execute(f'SELECT count(*) FROM raw."{spec.name}"').fetchall()[0][0])


def check_plugin(
    plugin: object,
    events: Sequence[NewEvent] = (),
    *,
    as_of: str | None = None,
    settings: Mapping[str, Mapping[str, Any]] | None = None,
) -> PluginHost:
    """Check all that a plugin brings; return a host with it alone.

    Everything is received without a problem; each analysis holds what `check_analysis` holds on
    the events, and runs on a ledger without events and on one with a single vehicle; with
    `as_of`, nothing that was recorded later changes what it says of that day.

    Args:
        plugin: the module or object that has the hooks.
        events: of a ledger to try it on.
        as_of: a day within them.
        settings: analysis -> settings to run it with.

    Raises:
        AssertionError: with one sentence that says what does not hold.
    """
    host = PluginHost()
    host.register(plugin, "tried")
    analyses = {name: analysis for name, (_plugin, analysis) in host.analyses().items()}
    host.kinds()
    host.tables()
    said = "; ".join(str(problem.message) for problem in host.problems)
    _hold(not said, f"Not all is taken: {said}.")
    one = (event("made-1", "enrolment", "2025-01-01", odometer=1),)
    known = [ev for ev in events if as_of is None or str(ev.recorded_at)[:10] <= as_of]
    for ledger in ((), one, events):
        with (
            tempfile.TemporaryDirectory() as folder,
            view_of(ledger, Path(folder), as_of=as_of, host=host) as view,
        ):
            found = _all_run(analyses, view, settings or {}, strict=ledger is events)
            _hold(not host.problems, f"{[str(one.message) for one in host.problems]}")
    if as_of is not None and len(known) < len(events):
        with (
            tempfile.TemporaryDirectory() as folder,
            view_of(known, Path(folder), as_of=as_of, host=host) as view,
        ):
            for name, result in _all_run(analyses, view, settings or {}, strict=True).items():
                alike = _without_ids(result) == _without_ids(found[name])
                _hold(alike, f"{name} as of {as_of} knows of what was recorded later.")
    return host


def _all_run(
    analyses: Mapping[str, Analysis],
    view: "LedgerView",
    settings: Mapping[str, Mapping[str, Any]],
    *,
    strict: bool,
) -> dict[str, Result]:
    """Return analysis -> result; on a ledger of nothing a user's slip may be the answer."""
    found = {}
    for name, analysis in analyses.items():
        try:
            found[name] = check_analysis(analysis, view, settings.get(name))
        except UsageError:
            if strict:
                raise
        except AssertionError:
            raise
        except Exception as error:
            told = f"{type(error).__name__}: {error}"
            raise AssertionError(
                f"{name} breaks on {view.checkpoint.size} events: {told}"
            ) from error
    return found


def _without_ids(result: Result) -> str:
    """Return what a result says, without the ids of events, which are drawn anew."""
    tables = [(table.name, table.rows) for table in result.tables]
    return repr((str(result.headline), tables, [str(one) for one in result.caveats]))
