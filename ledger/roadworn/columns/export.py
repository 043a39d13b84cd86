"""Everything out of the ledger in open forms: events as NDJSON, tables as Parquet or DuckDB.

Each export carries the checkpoint of the ledger it was made from, so that anyone can later
check that the history was not rewritten. NDJSON holds all that is hashed of an event: taken
into an empty ledger in the same order it gives the same root.
"""

import json
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from roadworn.columns.spec import Progress, TableInfo, comments_of, sql_text
from roadworn.model.errors import EnvironmentFailure, LedgerRefused
from roadworn.model.events import StoredEvent, utc_now
from roadworn.store.whole import made_whole

if TYPE_CHECKING:
    import duckdb

    from roadworn.columns.spec import Parameters
    from roadworn.columns.view import LedgerView
    from roadworn.store import LedgerFile


_BATCH = 50_000
_EVENTS = "events.ndjson"
_DATABASE = "roadworn.duckdb"
_CHECKPOINT = "checkpoint.json"
#: What a line says before the payload; what is empty is left out.
_LINE = (
    *("event_id", "vehicle_id", "kind", "version", "occurred_at", "recorded_at", "recorded_by"),
    *("source", "odometer", "odometer_unit", "intake_key"),
)


@dataclass(frozen=True, slots=True)
class Exported:
    """One file or table written: its name, and how many rows it holds."""

    name: str
    rows: int


def export_events(
    ledger: "LedgerFile", folder: Path, progress: Progress | None = None
) -> list[Exported]:
    """Write all events as NDJSON, one a line, in the shape that `roadworn import` takes.

    Args:
        ledger: an open ledger.
        folder: made when it is missing; its files are never overwritten.
        progress: called with (events done, events in all).

    Raises:
        LedgerRefused: a file of that name is there.
        EnvironmentFailure: the folder cannot be written.
    """
    checkpoint = ledger.checkpoint()
    target = _new_file(folder, _EVENTS)
    done = 0
    with (
        made_whole(target, new=True) as making,
        making.open("w", encoding="utf-8", newline="\n") as stream,
    ):
        for event in ledger.events(upto=checkpoint.size):
            stream.write(_line(event))
            done += 1
            if progress is not None and done % _BATCH == 0:
                progress(done, checkpoint.size)
    if progress is not None:
        progress(done, checkpoint.size)
    _write_checkpoint(folder, {"size": checkpoint.size, "root": checkpoint.root})
    return [Exported(_EVENTS, done)]


def export_tables(
    view: "LedgerView",
    tables: list[TableInfo],
    folder: Path,
    form: Literal["parquet", "duckdb"],
    progress: Progress | None = None,
    *,
    by_year: bool = False,
    update: bool = False,
) -> list[Exported]:
    """Write the tables and views of a view, typed and commented.

    Args:
        view: the view, with its day, opened with `folder` as the one that may be written to.
        tables: the dictionary of its tables.
        folder: made when it is missing; what is not ours in it is never overwritten.
        form: one Parquet file a table, or one DuckDB database with all of them.
        progress: called with (tables done, tables in all).
        by_year: part the Parquet of what happened on a day by its year, as
            ``table/year=2026/part.parquet``; what was parted before stays so.
        update: of an earlier export of this form write only the files whose rows differ now, and
            take away those that have none any more.

    Returns:
        What was written, and of an update nothing else.

    Raises:
        LedgerRefused: a file of that name is there; for an update, no earlier export.
        EnvironmentFailure: the folder cannot be written.
    """
    described = {
        info.name: {
            "table": info.name,
            "kind": info.kind,
            "one_row_is": info.comment,
            "columns": [
                {"name": name, "type": kind, "meaning": meaning}
                for name, kind, meaning in info.columns
            ],
        }
        for info in tables
    }
    before: dict[str, Any] = {}
    if update:
        before, parted = _parts_before(folder, form)
        by_year = by_year or parted
    else:
        names = [_DATABASE] if form == "duckdb" else [f"{info.name}.parquet" for info in tables]
        for name in (*names, *described, "tables.json", _CHECKPOINT):
            _new_file(folder, name)
    parts: dict[str, Any] = {}
    written: list[Exported] = []
    if form == "duckdb":
        written = _as_database(view, tables, folder / _DATABASE, progress)
    else:
        origin = view.origin()
        for done, info in enumerate(tables):
            if progress is not None:
                progress(done, len(tables))
            said = {**origin, **described[info.name]}
            for part in _parts(view, info, by_year=by_year):
                parts[part.path] = [part.rows, part.digest]
                if before.get(part.path) != parts[part.path] or not (folder / part.path).exists():
                    _write_part(view, info, part, folder, said)
                    name = info.name if part.year is None else part.path
                    written.append(Exported(name, part.rows))
        for path in before.keys() - parts.keys():
            (folder / path).unlink(missing_ok=True)
    if progress is not None:
        progress(len(tables), len(tables))
    _write_json(folder / "tables.json", list(described.values()), new=not update)
    as_of = view.as_of.isoformat() if view.as_of else None
    content = {
        "size": view.checkpoint.size,
        "root": view.checkpoint.root,
        "as_of": as_of,
        "known_by": view.known_by if as_of else None,
        "today": view.today.isoformat(),
    }
    if form == "parquet":
        content |= {"by_year": by_year, "parts": parts}
    _write_checkpoint(folder, content, new=not update)
    return written


@dataclass(frozen=True, slots=True)
class _Part:
    """A file of a table: which, of what year, how many rows, and a digest over them."""

    path: str
    year: int | None
    rows: int
    digest: str


def _parts(view: "LedgerView", info: TableInfo, *, by_year: bool) -> list[_Part]:
    """Return the files that a table comes to now."""
    import duckdb

    parted = by_year and "occurred_on" in {column[0] for column in info.columns}
    year = "year(occurred_on)" if parted else "NULL"
    found = view.sql(
        f'SELECT {year} AS year, count(*), sum(CAST(hash(t) AS HUGEINT)) FROM "{info.name}" AS t '
        "GROUP BY 1 ORDER BY 1"
    ).rows
    # A hash is the database's own, and another version may have another.
    mark = duckdb.__version__
    if not parted:
        rows, total = found[0][1:] if found else (0, 0)
        return [_Part(f"{info.name}.parquet", None, rows, f"{mark}:{int(total or 0):x}")]
    return [
        _Part(f"{info.name}/year={year}/part.parquet", year, rows, f"{mark}:{int(total):x}")
        for year, rows, total in found
    ]


def _write_part(
    view: "LedgerView", info: TableInfo, part: _Part, folder: Path, said: dict[str, Any]
) -> None:
    columns = ", ".join(f'"{name}"' for name, _kind, _meaning in info.columns)
    where = "" if part.year is None else f" WHERE year(occurred_on) = {part.year}"
    order = " ORDER BY seq" if info.columns[0][0] == "seq" else ""
    query = f'SELECT {columns} FROM "{info.name}"{where}{order}'
    target = folder / part.path
    target.parent.mkdir(parents=True, exist_ok=True)
    with made_whole(target, new=False) as making:
        write_answer(view, query, making, "parquet", said=said)


def _parts_before(folder: Path, form: str) -> tuple[dict[str, Any], bool]:
    """Return the files of an earlier export with their rows and digests; whether it is by year."""
    try:
        kept = json.loads((folder / _CHECKPOINT).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        kept = {}
    if form != "parquet" or "parts" not in kept:
        raise LedgerRefused(
            f"There is no Parquet export in {folder} to update: make one without --update first."
        )
    parts: dict[str, Any] = kept["parts"]
    inside = folder.resolve()
    if not all((folder / path).resolve().is_relative_to(inside) for path in parts):
        raise LedgerRefused(f"{folder / _CHECKPOINT} names files outside its folder: export anew.")
    # Exports of before had no word for it.
    return parts, bool(kept.get("by_year", any("/year=" in path for path in parts)))


def _as_database(
    view: "LedgerView", tables: list[TableInfo], target: Path, progress: Progress | None
) -> list[Exported]:
    """Write one DuckDB database with all tables."""
    import duckdb

    written = []
    with ExitStack() as whole:
        making = whole.enter_context(made_whole(target, new=True))
        making.unlink()  # an empty file is no database
        con = whole.enter_context(duckdb.connect(str(making)))
        con.execute("SET TimeZone = 'UTC'")
        for done, info in enumerate(tables):
            if progress is not None:
                progress(done, len(tables))
            written.append(Exported(info.name, _copy_table(con, view, info)))
    return written


def write_answer(
    view: "LedgerView",
    query: str,
    target: Path,
    form: Literal["csv", "json", "ndjson", "parquet"],
    *,
    parameters: "Parameters" = (),
    seconds: float = 0,
    megabytes: float = 0,
    said: object = None,
) -> int:
    """Write the answer to a query of a person to a file, without its rows being held here.

    A text that a spreadsheet would run has an apostrophe before it in CSV, whose texts all stand
    in quotes; in JSON infinity is a text, and what is no number is null.

    Args:
        view: opened with the folder of the file as the one that may be written to.
        query: one SELECT.
        target: the file; written anew.
        form: of the file.
        parameters: values by place or by name.
        seconds: the most it may take; no bound when 0.
        megabytes: the most that the process may grow by; no bound when 0.
        said: what the file says of itself where its form has room for that, as JSON.

    Returns:
        How many rows were written.

    Raises:
        UsageError: it is no single SELECT, cannot be run, or goes over a bound.
        KeyboardInterrupt: it was stopped by hand.
    """
    from roadworn.columns.bounds import within

    # On lines of its own, so that a comment at its end takes nothing along.
    inner = f"(\n{query.strip().rstrip(';')}\n)"
    with view.asking_for(query) as reader, within(reader, seconds, megabytes):
        head = reader.copy(f"SELECT * FROM {inner} LIMIT 0", parameters).description or ()
        types = {str(column[0]): str(column[1]) for column in head}
        cells = [
            f"{_written(form, name, kind)} AS {_shown(form, name)}" for name, kind in types.items()
        ]
        how = {"csv": "FORMAT csv, HEADER", "json": "FORMAT json, ARRAY true"}
        options = how.get(form, f"FORMAT {'json' if form == 'ndjson' else form}")
        if form == "csv" and (
            texts := [n for n, t in types.items() if t.partition("(")[0] not in _BARE]
        ):
            options += f", FORCE_QUOTE ({', '.join(_shown(form, name) for name in texts)})"
        if form == "parquet" and said is not None:
            text = sql_text(json.dumps(said, ensure_ascii=False))
            options += f", KV_METADATA {{roadworn: {text}}}"
        rows = reader.copy(
            f"COPY (SELECT {', '.join(cells)} FROM {inner}) TO {sql_text(str(target))} ({options})",
            parameters,
        ).fetchall()
    return int(rows[0][0])


#: Types that stand in CSV without quotes.
_BARE = frozenset(
    {
        *(
            "BOOLEAN",
            "DATE",
            "DECIMAL",
            "DOUBLE",
            "FLOAT",
            "BIGINT",
            "HUGEINT",
            "INTEGER",
            "SMALLINT",
        ),
        *("TINYINT", "UBIGINT", "UHUGEINT", "UINTEGER", "USMALLINT", "UTINYINT", "TIMESTAMP"),
    }
)
#: What a spreadsheet takes for the beginning of a formula, in full width as well.
_FORMULA = "['=', '+', '-', '@', chr(9), chr(13), '＝', '＋', '－', '＠']"


def _shown(form: str, name: str) -> str:
    """Return the name of a column as it is written, as SQL."""
    if form == "csv" and name[:1] in tuple("=+-@＝＋－＠\t\r"):
        name = f"'{name}"
    return '"' + name.replace('"', '""') + '"'


def _written(form: str, name: str, kind: str) -> str:
    """Return a column as it is written in a form, as SQL."""
    cell = '"' + name.replace('"', '""') + '"'
    if form == "parquet":
        return cell
    if kind.startswith("TIMESTAMP"):
        return f"replace(CAST({cell} AS VARCHAR), ' ', 'T')"
    if form != "csv":
        if kind not in {"DOUBLE", "FLOAT"}:
            return cell
        word = f"CASE WHEN {cell} > 0 THEN 'Infinity' ELSE '-Infinity' END"
        return (
            f"CASE WHEN isnan({cell}) THEN NULL WHEN isinf({cell}) THEN to_json({word}) "
            f"ELSE to_json({cell}) END"
        )
    if kind == "BOOLEAN":
        return f"CASE WHEN {cell} THEN 'yes' WHEN NOT {cell} THEN 'no' END"
    if kind == "BLOB":
        return f"lower(hex({cell}))"
    if kind.endswith("]") or kind.startswith(("STRUCT", "MAP", "UNION")):
        return f"CAST(to_json({cell}) AS VARCHAR)"
    if kind == "VARCHAR" or kind.startswith("ENUM"):
        text = f"CAST({cell} AS VARCHAR)"
        run = f"left({text}, 1) IN {_FORMULA}"
        number = rf"regexp_full_match({text}, '[+-]?\d+(\.\d+)?')"
        return f"CASE WHEN {run} AND NOT {number} THEN chr(39) || {text} ELSE {text} END"
    return cell


def _copy_table(con: "duckdb.DuckDBPyConnection", view: "LedgerView", info: TableInfo) -> int:
    """Copy one table of the view into `con`, with its comments."""
    columns = ", ".join(f'"{name}" {kind}' for name, kind, _meaning in info.columns)
    con.execute(f'CREATE TABLE "{info.name}" ({columns})')
    rows = 0
    with con.appender(info.name) as appender:
        for batch in _batches(view, info):
            appender.append_rows(batch)
            rows += len(batch)
    con.execute(comments_of("TABLE", f'"{info.name}"', info.comment, info.columns))
    return rows


def _batches(view: "LedgerView", info: TableInfo) -> Iterator[list[tuple[Any, ...]]]:
    """Yield the rows of a table, slice by slice where it can be sliced by its `seq`."""
    columns = ", ".join(f'"{name}"' for name, _kind, _meaning in info.columns)
    if info.columns[0][0] != "seq":
        yield view.sql(f'SELECT {columns} FROM "{info.name}"').rows
        return
    for after in range(0, view.checkpoint.size, _BATCH):
        yield view.sql(
            f'SELECT {columns} FROM "{info.name}" WHERE seq > ? AND seq <= ? ORDER BY seq',
            [after, after + _BATCH],
        ).rows


def _line(event: StoredEvent) -> str:
    """Return an event as one NDJSON line; the payload is the very text that was hashed."""
    kept = {name: value for name in _LINE if (value := getattr(event, name)) is not None}
    head = json.dumps(kept, ensure_ascii=False, separators=(",", ":"))
    return f'{head[:-1]},"payload":{event.payload}}}\n'


def _new_file(folder: Path, name: str) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise EnvironmentFailure(
            f"The folder {folder} cannot be made ({error.strerror}): choose another one."
        ) from error
    target = folder / name
    if target.exists():
        raise LedgerRefused(
            f"{target} exists already: choose an empty folder, an export overwrites nothing."
        )
    return target


def _write_checkpoint(folder: Path, content: dict[str, Any], *, new: bool = True) -> None:
    _write_json(folder / _CHECKPOINT, {**content, "exported_at": utc_now()}, new=new)


def _write_json(path: Path, content: object, *, new: bool = True) -> None:
    with made_whole(path, new=new) as making:
        making.write_text(
            f"{json.dumps(content, indent=1, ensure_ascii=False)}\n", encoding="utf-8"
        )
