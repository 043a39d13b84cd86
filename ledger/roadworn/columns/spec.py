"""What a table or view of the read model is: its name, its columns, where its rows come from.

Every column carries its meaning, so that the dictionary that `roadworn tables` prints, the
comments in the database and the documentation all come from one place.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

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
    """

    name: str
    comment: str
    kinds: tuple[str, ...]
    columns: tuple[ColumnSpec, ...]
    select: str


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
    """

    name: str
    comment: str
    columns: tuple[ColumnSpec, ...]
    sql: str
    needs: tuple[str, ...] = ()
    kept: bool = False


@dataclass(frozen=True, slots=True)
class TableInfo:
    """One entry of the dictionary."""

    name: str
    kind: Literal["table", "view"]
    comment: str
    columns: tuple[ColumnSpec, ...]


def sql_text(text: str) -> str:
    """Return a text as a SQL literal."""
    return "'" + text.replace("'", "''") + "'"


def from_payload(shape: Mapping[str, object], columns: str, *, unnest: str = "") -> str:
    """Return a SELECT that reads the payload once into a typed struct `p`.

    Args:
        shape: JSON structure of the fields wanted, as DuckDB's `from_json` takes it.
        columns: the select list over `p` (and `x`, each element, when unnesting).
        unnest: expression of a list in `p` that gives one row an element.
    """
    import orjson

    structure = sql_text(orjson.dumps(shape).decode())
    parsed = f"SELECT seq, from_json(payload, {structure}) AS p FROM batch"
    if unnest:
        parsed = f"SELECT seq, p, unnest({unnest}) AS x FROM ({parsed})"
    return f"SELECT seq, {columns} FROM ({parsed})"


@dataclass(frozen=True, slots=True)
class Rows:
    """The answer to a query: column names, and rows as tuples."""

    columns: tuple[str, ...] = ()
    rows: list[tuple[Any, ...]] = field(default_factory=list)
