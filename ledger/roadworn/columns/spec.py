"""What a table or view of the read model is: its name, its columns, where its rows come from.

Every column carries its meaning, so that the dictionary that `roadworn tables` prints, the
comments in the database and the documentation all come from one place.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Literal, NamedTuple

import orjson
from pydantic import BaseModel

_WORD = re.compile(r"\w+")
#: Called with what is done and how much there is in all.
Progress = Callable[[int, int], None]
#: name, SQL type, meaning
ColumnSpec = tuple[str, str, str]

#: What the builder puts before a typed table's own columns.
COMMON: tuple[ColumnSpec, ...] = (
    ("seq", "BIGINT", "number of the event in the ledger, from 1 without gaps"),
    ("event_id", "VARCHAR", "id of the event, a UUID"),
    ("vehicle_id", "VARCHAR", "the vehicle"),
    ("occurred_at", "TIMESTAMP", "when it happened, UTC; midnight when only the day is known"),
    ("occurred_on", "DATE", "the day it happened"),
    ("recorded_at", "TIMESTAMP", "when it was written down, UTC"),
    ("odometer_km", "DOUBLE", "odometer reading as entered, in km; 1 mi = 1.609344 km exactly"),
    ("odometer_mi", "DOUBLE", "odometer reading as entered, in mi"),
    ("true_km", "DOUBLE", "true distance at that moment, see true_distance"),
    ("true_km_estimated", "BOOLEAN", "true_km is interpolated or clamped, not read"),
)

#: What is known of every event.
ENVELOPE: tuple[ColumnSpec, ...] = (
    *COMMON,
    ("kind", "VARCHAR", "kind of the event"),
    ("version", "INTEGER", "version its payload was written in"),
    ("date_only", "BOOLEAN", "only the day it happened is known"),
    ("recorded_by", "VARCHAR", "who wrote it down, as entered"),
    ("source", "VARCHAR", "how it came in, for instance typed or the name of an import"),
    ("odometer", "DOUBLE", "odometer reading as entered"),
    ("odometer_unit", "VARCHAR", "its unit, km or mi"),
    ("day", "INTEGER", "the day it happened, counted from 1970-01-01"),
)


@dataclass(frozen=True, slots=True)
class TableSpec:
    """A table folded from events.

    Attributes:
        name: table name; a plugin's carries its prefix, ``prefix_word``.
        comment: what one row is.
        kinds: event kinds it is folded from; empty for all kinds.
        columns: its own columns as (name, type, meaning); the common ones come before them.
        select: a SELECT over the relation `batch` that gives ``seq`` and the columns by name.
            `batch` has the rows of `kinds` with the columns of ``raw.events``: ``payload`` is
            the JSON text in the kind's current version. It must look at one row at a time,
            because events are folded in batches.
        owner: the plugin that brings it, filled in by the host; empty for the core's.
    """

    name: str
    comment: str
    kinds: tuple[str, ...]
    columns: tuple[ColumnSpec, ...]
    select: str
    owner: str = ""


@dataclass(frozen=True, slots=True)
class ViewSpec:
    """A view over the folded tables.

    Attributes:
        name: name with its schema: ``main`` for the public ones, ``base`` for the steps.
        comment: what one row is.
        columns: (name, type, meaning) of each column.
        sql: the SELECT.
        needs: views that must be there before it.
        kept: computed once when first asked for, and kept for as long as the view is open.
        owner: the plugin that brings it, filled in by the host; empty for the core's.
    """

    name: str
    comment: str
    columns: tuple[ColumnSpec, ...]
    sql: str
    needs: tuple[str, ...] = ()
    kept: bool = False
    owner: str = ""


@dataclass(frozen=True, slots=True)
class TableInfo:
    """One entry of the dictionary."""

    name: str
    kind: Literal["table", "view"]
    comment: str
    columns: tuple[ColumnSpec, ...]


def columns_of(spec: "TableSpec | ViewSpec", *names: str) -> tuple[ColumnSpec, ...]:
    """Return columns of another table or view, for a view that hands them on."""
    known = {column[0]: column for column in spec.columns}
    return tuple(known[name] for name in names)


def comments_of(word: str, name: str, comment: str, columns: tuple[ColumnSpec, ...]) -> str:
    """Return the statements that keep the meaning of a ``TABLE`` or ``VIEW`` in the database."""
    said = [f"COMMENT ON {word} {name} IS {sql_text(comment)}"]
    said += [f'COMMENT ON COLUMN {name}."{c}" IS {sql_text(meaning)}' for c, _, meaning in columns]
    return "; ".join(said)


def common_of(alias: str) -> str:
    """Return the common columns of a relation as a select list."""
    return ", ".join(f"{alias}.{name}" for name, _type, _meaning in COMMON)


def day_of(date: str) -> str:
    """Return SQL for a date as a number of days, counted from 1970-01-01."""
    return f"datediff('day', DATE '1970-01-01', {date})"


def sql_text(text: str) -> str:
    """Return a text as a SQL literal."""
    return "'" + text.replace("'", "''") + "'"


class Made(NamedTuple):
    """A column that is more than one field: its name, type, meaning and SQL.

    The SQL reads the payload as `p`, and the elements of unnested lists as `x` and `y`.
    """

    name: str
    type: str
    meaning: str
    sql: str


#: The name of a field of the payload, and what it means as a column.
Told = tuple[str, str]

_SQL_TYPES: Mapping[str, str] = {
    "day": "DATE",
    "money": "DECIMAL(18,4)",
    "distance": "DOUBLE",
    "number": "DOUBLE",
    "integer": "INTEGER",
    "truth": "BOOLEAN",
}
_MONEY = {"amount": _SQL_TYPES["money"], "currency": "VARCHAR"}


def table(
    name: str,
    comment: str,
    kinds: tuple[str, ...],
    *columns: Told | Made,
    each: tuple[str, ...] = (),
    parsed: Mapping[str, object] | None = None,
) -> TableSpec:
    """Return a table whose columns are fields of a payload, typed as the payload model says.

    Args:
        name: of the table.
        comment: what one row is.
        kinds: event kinds it is folded from, the first of which has every field named.
        columns: a field with its meaning, or a column made from several.
        each: field with a list of which each element, `x`, is a row; a second one names a list
            inside those, whose elements are `y`.
        parsed: JSON structure of fields that are read otherwise than the model says.
    """
    # A screen that is answered from what is kept does without the payloads.
    from roadworn.model.kinds import CORE_KINDS, value_type

    models: dict[str, Any] = {"p": CORE_KINDS[kinds[0]]}
    lists = []
    for outer, alias, field_name in zip("px", "xy", each, strict=False):
        models[alias] = value_type(models[outer].model_fields[field_name].annotation)
        lists.append(f"{outer}.{field_name}")
    made = [c if isinstance(c, Made) else _told(*c, models) for c in columns]
    selected = ", ".join(f'{column.sql} AS "{column.name}"' for column in made)
    # Only what is read is parsed: the rest of a payload can be long.
    read = {*_WORD.findall(selected), *each}
    shape = {field: kind for field, kind in _shape(models["p"]).items() if field in read}
    return TableSpec(
        name,
        comment,
        kinds,
        tuple((column.name, column.type, column.meaning) for column in made),
        from_payload({**shape, **(parsed or {})}, selected, *lists),
    )


def _told(name: str, meaning: str, models: dict[str, Any]) -> Made:
    """Return the column of a field, of the innermost model that has it."""
    from roadworn.model.kinds import fields_of

    alias, known = next(
        (alias, found)
        for alias, model in reversed(models.items())
        if (found := fields_of(model).get(name)) is not None
    )
    sql = f'{alias}."{name}"'
    if known.type == "money":
        sql = f"{sql}.amount"
    elif known.type == "texts":
        sql = f"array_to_string({sql}, '; ')"
    elif known.default is not None:
        default = sql_text(known.default) if isinstance(known.default, str) else known.default
        sql = f"coalesce({sql}, {default})"
    return Made(name, _SQL_TYPES.get(known.type, "VARCHAR"), meaning, sql)


def _shape(model: type[BaseModel]) -> dict[str, object]:
    """Return the JSON structure of a payload, or of a part of one, for `from_payload`."""
    from roadworn.model.kinds import fields_of, is_list, value_type
    from roadworn.model.payloads import Money

    flat = fields_of(model)
    shape: dict[str, object] = {}
    for name, info in model.model_fields.items():
        inner = value_type(info.annotation)
        of_one: object = "VARCHAR"
        if name in flat:
            of_one = _MONEY if inner is Money else _SQL_TYPES.get(flat[name].type, "VARCHAR")
        elif isinstance(inner, type) and issubclass(inner, BaseModel):
            of_one = _shape(inner)
        shape[name] = [of_one] if is_list(info.annotation) else of_one
    return shape


def from_payload(shape: Mapping[str, object], columns: str, *lists: str) -> str:
    """Return a SELECT that reads the payload once into a typed struct `p`.

    Args:
        shape: JSON structure of the fields wanted, as DuckDB's `from_json` takes it.
        columns: the select list over `p` (and `x`, and `y`, elements of the lists).
        lists: expression of a list in `p` that gives one row an element, then of one in `x`.
    """
    structure = sql_text(orjson.dumps(shape).decode())
    source = f"SELECT seq, from_json(payload, {structure}) AS p FROM batch"
    known = "seq, p"
    for alias, unnested in zip("xy", lists, strict=False):
        source = f"SELECT {known}, unnest({unnested}) AS {alias} FROM ({source})"
        known += f", {alias}"
    return f"SELECT seq, {columns} FROM ({source})"


def km(value: str, unit: str) -> str:
    """Return SQL for a distance in km; 1 mi = 1.609344 km exactly."""
    return f"CASE {unit} WHEN 'mi' THEN {value} * 1609344 / 1000000 WHEN 'km' THEN {value} END"


@dataclass(frozen=True, slots=True)
class Rows:
    """The answer to a query: column names, and rows as tuples."""

    columns: tuple[str, ...] = ()
    rows: list[tuple[Any, ...]] = field(default_factory=list)


def known_until(as_of: date | None, known_by: str, taken_in: int = 0) -> str:
    """Return which events are known as of a day, as SQL over raw.events.

    Args:
        as_of: the day, or None for all.
        known_by: recorded, occurred or intake.
        taken_in: number of the last event that the ledger had taken in by then, for intake.
    """
    if as_of is None:
        return "TRUE"
    end = f"TIMESTAMP '{(as_of + timedelta(days=1)).isoformat()} 00:00:00'"
    happened = f"occurred_at < {end}"
    if known_by == "intake":
        return f"{happened} AND seq <= {taken_in}"
    return happened if known_by == "occurred" else f"{happened} AND recorded_at < {end}"


@dataclass(frozen=True, slots=True)
class Options:
    """What the views depend on besides the events.

    Attributes:
        condition: which events are known, as SQL over raw.events.
        today: the day the view speaks of.
        unseen_days: a vehicle not seen for longer is no longer taken to be running.
        most_km_per_day: a reading that needs more than this from its neighbours is doubted.
        comeback_days: what fails again at its place within so many days is a comeback,
        comeback_km: if it is within this distance too, where that is known.
        few: there are so few events that every view is computed once and held: planning a query
            over views of views takes longer than reading the rows.
    """

    condition: str
    today: date
    unseen_days: int
    most_km_per_day: float
    comeback_days: int
    comeback_km: float
    few: bool = False


#: Values of a query by place, or by name.
Parameters = Sequence[Any] | Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Outside:
    """What a session may read and write besides the ledger; opened before it is locked.

    Attributes:
        files: table name -> a CSV, Parquet or JSON file that becomes it.
        into: the folder that answers may be written to, or None for none.
    """

    files: Mapping[str, Path] = field(default_factory=dict)
    into: Path | None = None


NOTHING_OUTSIDE = Outside()
