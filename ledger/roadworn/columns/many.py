"""A view over the exported columns of one ledger or of many, on this machine or beyond it.

What `export parquet` writes holds every table and view, so an analysis can be asked of the files
alone, of several ledgers at once, with their vehicles apart. It asks the same SQL as ever: DuckDB
runs it as it stands, another engine in its own words (`columns.spark`), and the estimators are
handed the same columns.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn, Protocol

from roadworn.columns.spec import TableInfo, sql_text
from roadworn.columns.view import KnownBy, LedgerView
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.store.merkle import Checkpoint

if TYPE_CHECKING:
    import duckdb

    from roadworn.columns.spark import FileTable

Engine = Literal["duckdb", "spark"]
#: Columns that name a vehicle or a customer: two shops may both have a van-3.
_APART = frozenset({"vehicle_id", "record", "said_into", "into", "owner_reference"})
#: Events of one ledger are numbered below this.
_NUMBERED = 10**12


class Source(Protocol):
    """What answers queries: a Reader of DuckDB, or of another engine."""

    con: Any

    def run(self, query: str, parameters: Any = ()) -> Any:  # noqa: ANN401
        """Run a query; the rows wait to be fetched."""


@dataclass(frozen=True, slots=True)
class Folder:
    """One exported ledger.

    Attributes:
        path: of the export.
        name: by which its vehicles are told from those of others; empty where it is alone.
        number: of it among the others.
        checkpoint: of the ledger.
        today: the day its tables speak of.
        known_by: what that day goes by, None where it has no day of its own.
    """

    path: Path
    name: str
    number: int
    checkpoint: Checkpoint
    today: str
    known_by: KnownBy | None

    def files(self, table: str) -> list[Path]:
        """Return the files of a table; none where it has no rows in an export by year."""
        whole = self.path / f"{table}.parquet"
        return [whole] if whole.is_file() else sorted(self.path.glob(f"{table}/year=*/*.parquet"))

    def select(self, info: TableInfo, rows: str) -> str:
        """Return the SELECT of its rows of a table, its ids told apart.

        Args:
            info: the table.
            rows: what is read, as SQL.
        """
        cells = []
        for name, kind, _meaning in info.columns:
            cell = f'"{name}"'
            if self.name and name in _APART:
                cell = f"{sql_text(self.name + '/')} || {cell}"
            if self.number and name == "seq":
                cell = f"{cell} + {self.number * _NUMBERED}"
            cells.append(f'CAST({cell} AS {kind}) AS "{name}"')
        return f"SELECT {', '.join(cells)} FROM {rows}"


def folders_of(paths: Sequence[Path]) -> tuple[Folder, ...]:
    """Read what the exports say of themselves.

    Raises:
        EnvironmentFailure: there is no export.
        UsageError: it is of another form, or they speak of different days.
    """
    found: list[Folder] = []
    names = [path.resolve().name for path in paths]
    for number, path in enumerate(paths):
        try:
            told = json.loads((path / "checkpoint.json").read_text(encoding="utf-8"))
            root, size, today = str(told["root"]), int(told["size"]), str(told["today"])
            date.fromisoformat(today)
        except (OSError, ValueError, KeyError, TypeError):
            raise EnvironmentFailure(
                f"{path} holds no exported columns", "write them with `roadworn export parquet DIR`"
            ) from None
        if "parts" not in told:
            raise UsageError(f"{path} is no export in Parquet", "use `roadworn export parquet DIR`")
        name = names[number] if names.count(names[number]) == 1 else str(number + 1)
        found.append(
            Folder(
                path=path.resolve(),
                name=name if len(paths) > 1 else "",
                number=number,
                checkpoint=Checkpoint(size, root),
                today=today,
                known_by=told.get("known_by"),
            )
        )
    days = {(one.today, one.known_by) for one in found}
    if len(days) > 1:
        raise UsageError(
            f"The exports speak of different days ({', '.join(sorted(day for day, _by in days))})",
            "export each as of one day: roadworn --as-of DAY export parquet DIR",
        )
    roots = [one.checkpoint.root for one in found]
    if len(set(roots)) < len(roots):
        raise UsageError("One ledger is named twice", "name the columns of each ledger once")
    return tuple(found)


class _Columns:
    """A session on exported columns: everything is there, so nothing need be made."""

    def __init__(self, reader: Source) -> None:
        self.con, self.reader = reader.con, reader

    def prepare(self, query: str) -> None:
        """Do nothing: every table and view was exported."""


@dataclass(frozen=True, slots=True)
class _Exported:
    """What a view is made from, in the place of a ledger; see `columns.source.Source`."""

    folders: tuple[Folder, ...]
    engine: Engine
    path: Path
    keep: str = ""
    at: Checkpoint | None = None
    tell: None = None

    def opened(self, *_: object) -> tuple[_Columns, Checkpoint]:
        """Return a session, and what stands for the state of all ledgers together."""
        con = tables_in_duckdb(self.folders)
        if self.engine == "spark":
            from roadworn.columns.spark import SparkReader

            reader: Source = SparkReader(con, _in_files(self.folders))
        else:
            from roadworn.columns.session import Reader

            reader = Reader(con)
        return _Columns(reader), together(self.folders)


def together(folders: Sequence[Folder]) -> Checkpoint:
    """Return the state of one ledger, or the sizes of several and a digest of their roots."""
    if len(folders) == 1:
        return folders[0].checkpoint
    roots = " ".join(sorted(one.checkpoint.root for one in folders))
    size = sum(one.checkpoint.size for one in folders)
    return Checkpoint(size, hashlib.sha256(roots.encode()).hexdigest())


def infos() -> list[TableInfo]:
    """Return the tables and views that an export of the core's has."""
    from roadworn.columns.view import dictionary

    return dictionary()


def _in_files(folders: Sequence[Folder]) -> "dict[str, FileTable]":
    """Return where the rows of each table lie, for an engine that makes its views when asked."""
    from roadworn.columns.spark import FileTable

    found = {}
    for info in infos():
        parts, selects = [], []
        for folder in folders:
            files = [str(file) for file in folder.files(info.name)]
            if files:
                parts.append((f"{info.name}__{folder.number}", files))
                selects.append(folder.select(info, parts[-1][0]))
        found[info.name] = FileTable(parts, " UNION ALL ".join(selects or [nothing_of(info)]))
    return found


def nothing_of(info: TableInfo) -> str:
    """Return the SELECT of a table without a row."""
    cells = ", ".join(f'CAST(NULL AS {kind}) AS "{name}"' for name, kind, _m in info.columns)
    return f"SELECT {cells} WHERE FALSE"


def tables_in_duckdb(folders: Sequence[Folder]) -> "duckdb.DuckDBPyConnection":
    """Return a locked connection with a view over the files of each table."""
    import duckdb

    con = duckdb.connect(
        ":memory:", config={"python_enable_replacements": "false", "temp_directory": ""}
    )
    con.execute("SET TimeZone = 'UTC'")
    for info in infos():
        selects = [_rows(con, info, folder) for folder in folders]
        con.execute(f'CREATE VIEW "{info.name}" AS {" UNION ALL ".join(selects)}')
    allowed = ", ".join(sql_text(str(folder.path)) for folder in folders)
    con.execute(f"SET allowed_directories = [{allowed}]")
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")
    return con


def _rows(con: "duckdb.DuckDBPyConnection", info: TableInfo, folder: Folder) -> str:
    """Return the SELECT of one folder's rows of a table.

    Raises:
        UsageError: the export is an older one that lacks a column, or is damaged.
    """
    import duckdb

    files = folder.files(info.name)
    if not files:
        return nothing_of(info)
    listed = ", ".join(sql_text(str(file)) for file in files)
    select = folder.select(info, f"read_parquet([{listed}], hive_partitioning = false)")
    try:
        con.execute(f"SELECT * FROM ({select}) LIMIT 0")
    except duckdb.Error as error:
        reason = str(error).splitlines()[0].rstrip(".")
        raise UsageError(
            f"The columns in {folder.path} cannot be used ({reason})",
            "export them anew with this version: `roadworn export parquet DIR`",
        ) from None
    return select


class ColumnsView(LedgerView):
    """A read-only view of exported columns."""

    def __init__(self, folders: Sequence[Folder], engine: Engine) -> None:
        self.folders, self.engine = tuple(folders), engine
        first = folders[0]
        source: Any = _Exported(self.folders, engine, first.path)
        as_of = date.fromisoformat(first.today) if first.known_by else None
        known_by: KnownBy = "recorded" if first.known_by in (None, "intake") else first.known_by
        super().__init__(source, as_of, known_by, today=date.fromisoformat(first.today))

    def origin(self) -> dict[str, Any]:
        """Return what any figure of this view rests on; it is not made again from a ledger."""
        return {
            "ledger": self.checkpoint.as_json(),
            "as_of": self.as_of and self.as_of.isoformat(),
            "known_by": self.known_by,
            "today": self.today.isoformat(),
            "claimed": False,
            "engine": self.engine,
            "columns": [
                {"name": one.name, "root": one.checkpoint.root, "size": one.checkpoint.size}
                for one in self.folders
            ],
        }

    def set_back(self, day: str | date, *, known_by: KnownBy | None = None) -> NoReturn:  # noqa: ARG002
        """Refuse: exported columns speak of one day.

        Raises:
            UsageError: always.
        """
        raise UsageError(
            f"Exported columns speak of {self.today} alone and cannot be set back to {day}",
            "ask the ledger itself, or leave past days out (past_days=0)",
        )


def open_columns(paths: Sequence[str | Path], engine: Engine = "duckdb") -> ColumnsView:
    """Open exported columns of one ledger or of many, the vehicles of each apart.

    Args:
        paths: folders that `export parquet` wrote; with several, a vehicle is named FOLDER/VEHICLE.
        engine: what runs the SQL.

    Raises:
        UsageError, EnvironmentFailure: they cannot be read together, or the engine is missing.
    """
    if not paths:
        raise UsageError("No columns are named", "give --columns DIR for each exported ledger")
    return ColumnsView(folders_of([Path(path) for path in paths]), engine)
