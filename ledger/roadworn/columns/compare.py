"""Whether the columns kept beside a ledger are those that its events give.

The cache carries digests of its own files, which tell damage and not intent: whoever can write
there can write both. So they are folded once more from the ledger and compared row by row.
"""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.columns.build import Cache, build, folder_of, open_ledger
from roadworn.columns.spec import Progress, TableSpec
from roadworn.model.errors import RoadwornError
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem
from roadworn.store.merkle import has_checkpoint

if TYPE_CHECKING:
    import duckdb


def compare_columns(
    path: Path,
    tables: Sequence[TableSpec],
    kinds: KindRegistry,
    progress: Progress | None = None,
) -> list[Problem]:
    """Return what differs between the kept columns and the ledger, a Problem a table.

    Only what this program with these plugins would read is compared; `row` of a problem is the
    first event that differs. Without a cache the ledger is folded all the same.

    Args:
        path: the ledger.
        tables: the tables that are folded, the core's and the plugins'.
        kinds: the event kinds.
        progress: called with (events done, events in all) while folding.
    """
    import duckdb

    cache = Cache(path, tables, kinds)
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        try:
            build(con, path, tables, kinds, use_cache=False, progress=progress)
            with closing(open_ledger(path)) as ledger:
                kept = cache.usable(lambda checkpoint: has_checkpoint(ledger, checkpoint))
        except (RoadwornError, duckdb.Error) as error:
            message = f"The events cannot be folded into columns: {str(error).splitlines()[0]}"
            return [Problem("cannot-fold", message, "keep the file as it is", path.name)]
        if kept is None:
            return []
        checkpoint, files_of = kept
        problems = []
        for name in cache.names:
            first = _first_difference(con, name, checkpoint.size, files_of.get(name, []))
            if first is not None:
                message = f"The table {name} is not what the events give, from event {first} on."
                hint = f"remove {folder_of(path).name}; it is made again from the ledger"
                problems.append(Problem("columns-changed", message, hint, path.name, first))
        return problems


def _first_difference(
    con: "duckdb.DuckDBPyConnection", table: str, upto: int, files: list[str]
) -> int | None:
    """Return the first event whose rows differ, 0 when the files have other columns."""
    import duckdb

    names = ", ".join(f'"{name}"' for name, *_ in con.execute(f'DESCRIBE raw."{table}"').fetchall())
    folded = f'SELECT {names} FROM raw."{table}" WHERE seq <= {int(upto)}'
    kept = f"SELECT {names} FROM read_parquet($files)" if files else f"{folded} AND FALSE"
    given = {"files": files} if files else {}
    try:
        (first,) = con.execute(
            f"SELECT min(seq) FROM (({folded} EXCEPT ALL {kept}) UNION ALL "
            f"({kept} EXCEPT ALL {folded}))",
            given,
        ).fetchall()[0]
    except duckdb.Error:
        return 0
    return None if first is None else int(first)
