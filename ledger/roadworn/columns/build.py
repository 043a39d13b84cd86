"""From a ledger file to folded tables: the cache, then the newest events straight from SQLite."""

import hashlib
import shutil
import time
import uuid
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import orjson

from roadworn.columns.fold import (
    RAW_EVENTS,
    LeftOut,
    chunks,
    create_tables,
    fetch,
    fold_file,
    fold_rows,
)
from roadworn.columns.spec import Progress, TableSpec, sql_text
from roadworn.model.errors import LedgerDamaged
from roadworn.store.merkle import EMPTY, Checkpoint, has_checkpoint
from roadworn.store.schema import connect, known_shape, plain_failures
from roadworn.store.whole import require_file

if TYPE_CHECKING:
    import duckdb

    from roadworn.model.kinds import KindRegistry
    from roadworn.store.engine import Engine


#: Raised whenever the meaning of a cached file changes.
FORMAT = 1
#: So many events that are in no segment yet are worth making one.
WORTH_KEEPING = 5_000
#: A segment takes in its older neighbours while they have fewer than this times its events.
_GROWTH = 4
#: Files that no manifest names are removed after this long; a reader may still be at them.
_SECONDS_BEFORE_REMOVAL = 3_600.0


@dataclass(frozen=True, slots=True)
class Segment:
    """Folded events with after < seq <= upto; `files` gives the SHA-256 of each table's file."""

    name: str
    after: int
    upto: int
    files: dict[str, str]


def folder_of(ledger: Path) -> Path:
    """Return the folder of a ledger's cache."""
    return ledger.with_name(ledger.name + ".columns")


def fingerprint(tables: Sequence[TableSpec], kinds: "KindRegistry") -> str:
    """Return a short text that changes with the definition of any table or kind."""
    parts: list[Any] = [FORMAT, sorted((kind.name, kind.version) for kind in kinds)]
    parts += [[spec.name, spec.kinds, spec.columns, spec.select] for spec in (RAW_EVENTS, *tables)]
    return hashlib.sha256(orjson.dumps(parts)).hexdigest()[:12]


class Cache:
    """The cache of one ledger for one set of tables.

    Attributes:
        segments: those that were loaded or made, in the order of their events.
    """

    def __init__(self, ledger: Path, tables: Sequence[TableSpec], kinds: "KindRegistry") -> None:
        self.folder = folder_of(ledger)
        self.names = tuple(spec.name for spec in (RAW_EVENTS, *tables))
        self.mark = fingerprint(tables, kinds)
        self.segments: list[Segment] = []

    @property
    def manifest(self) -> Path:
        """The file that names the segments."""
        return self.folder / f"{self.mark}.json"

    def load(self, con: "duckdb.DuckDBPyConnection", has: Callable[[Checkpoint], bool]) -> int:
        """Fill the empty folded tables from the segments; return the last event they hold.

        Args:
            con: connection with the tables of schema `raw`.
            has: whether the ledger has a checkpoint.

        Returns:
            The number of events loaded; 0 when there is no cache that can be used.
        """
        import duckdb

        kept = self.usable(has)
        if kept is None:
            return 0
        checkpoint, files_of = kept
        try:
            for name, files in files_of.items():
                con.execute(
                    f'INSERT INTO raw."{name}" BY NAME SELECT * FROM read_parquet(?)', [files]
                )
        except duckdb.Error:
            for name in self.names:
                con.execute(f'TRUNCATE raw."{name}"')
            self.segments = []
            return 0
        return checkpoint.size

    def usable(
        self, has: Callable[[Checkpoint], bool]
    ) -> tuple[Checkpoint, dict[str, list[str]]] | None:
        """Return where the cache stands and the files of each table, or None without one.

        Args:
            has: whether the ledger has a checkpoint.
        """
        try:
            checkpoint, segments = self._read_manifest()
            if not has(checkpoint):
                return None
            self._check_files(segments)
        # A damaged cache is no reason to stop: it is made again from the ledger.
        except (OSError, ValueError, KeyError, TypeError):
            return None
        self.segments = segments
        files_of = {
            name: [str(self._file(s, name)) for s in segments if name in s.files]
            for name in self.names
        }
        return checkpoint, {name: files for name, files in files_of.items() if files}

    def worth_saving(self, checkpoint: Checkpoint) -> bool:
        """Return whether enough events are in no segment yet."""
        kept = self.segments[-1].upto if self.segments else 0
        return checkpoint.size - kept >= WORTH_KEEPING

    def save(self, con: "duckdb.DuckDBPyConnection", checkpoint: Checkpoint) -> bool:
        """Keep what is folded and in no segment yet; return False if it cannot be written."""
        import duckdb

        segments = list(self.segments)
        upto = checkpoint.size
        after = segments[-1].upto if segments else 0
        while segments and segments[-1].upto - segments[-1].after < _GROWTH * (upto - after):
            after = segments.pop().after
        try:
            self.folder.mkdir(mode=0o700, exist_ok=True)  # notes may hold names
            segments.append(self._write_segment(con, after, upto))
            self._write_manifest(checkpoint, segments)
        except (OSError, duckdb.Error):
            return False
        self.segments = segments
        self._tidy()
        return True

    def _file(self, segment: Segment, table: str) -> Path:
        return self.folder / segment.name / f"{table}.parquet"

    def _read_manifest(self) -> tuple[Checkpoint, list[Segment]]:
        content = orjson.loads(self.manifest.read_bytes())
        body = content["body"]
        if content["sha256"] != hashlib.sha256(orjson.dumps(body)).hexdigest():
            raise ValueError("The manifest is damaged.")
        segments = [Segment(**segment) for segment in body["segments"]]
        return Checkpoint(body["size"], body["root"]), segments

    def _check_files(self, segments: Sequence[Segment]) -> None:
        for segment in segments:
            for table, digest in segment.files.items():
                if _digest(self._file(segment, table)) != digest:
                    raise ValueError(f"{self._file(segment, table)} is damaged.")

    def _write_segment(self, con: "duckdb.DuckDBPyConnection", after: int, upto: int) -> Segment:
        name = f"{self.mark}-{after}-{upto}-{uuid.uuid4().hex[:8]}"
        making = self.folder / f"{name}.making"
        making.mkdir()
        try:
            files = {}
            for table in self.names:
                rows = f'FROM raw."{table}" WHERE seq > {after} AND seq <= {upto}'
                if con.execute(f"SELECT 1 {rows} LIMIT 1").fetchall():
                    path = making / f"{table}.parquet"
                    con.execute(f"COPY (SELECT * {rows}) TO {sql_text(str(path))} (FORMAT parquet)")
                    files[table] = _digest(path)
            making.rename(self.folder / name)
        finally:
            shutil.rmtree(making, ignore_errors=True)
        return Segment(name, after, upto, files)

    def _write_manifest(self, checkpoint: Checkpoint, segments: Sequence[Segment]) -> None:
        body = {**checkpoint.as_json(), "segments": [asdict(segment) for segment in segments]}
        content = {"body": body, "sha256": hashlib.sha256(orjson.dumps(body)).hexdigest()}
        making = self.manifest.with_suffix(f".{uuid.uuid4().hex[:8]}.making")
        making.write_bytes(orjson.dumps(content, option=orjson.OPT_INDENT_2))
        making.replace(self.manifest)

    def _tidy(self) -> None:
        """Remove what no manifest of this set of tables names, once it has lain for a while."""
        named = {segment.name for segment in self.segments} | {self.manifest.name}
        oldest = time.time() - _SECONDS_BEFORE_REMOVAL
        with suppress(OSError):
            for path in self.folder.iterdir():
                mine = path.name.startswith(self.mark)
                if mine and path.name not in named and path.stat().st_mtime < oldest:
                    shutil.rmtree(path, ignore_errors=True)
                    path.unlink(missing_ok=True)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


#: DuckDB shares a scan out among threads by groups of so many rows.
ROW_GROUP = 122_880
#: From so many events on, writing text files for DuckDB is faster than going row by row.
BULK_ROWS = 10_000


def build(
    con: "duckdb.DuckDBPyConnection",
    path: Path,
    tables: Sequence[TableSpec],
    kinds: "KindRegistry",
    *,
    use_cache: bool,
    progress: Progress | None,
    at: Checkpoint | None = None,
    left_out: LeftOut | None = None,
) -> Checkpoint:
    """Fill the folded tables of a fresh connection; return the checkpoint they stand at.

    Args:
        con: a fresh connection.
        path: the ledger file.
        tables: the tables to fold.
        kinds: the event kinds.
        use_cache: keep folded tables beside the ledger.
        progress: called with (events done, events in all) while folding.
        at: the checkpoint to stand at, as `head_of` returned it; the latest when None.
        left_out: takes what of plugins could not be folded.

    Raises:
        EnvironmentFailure: there is no such file, or it cannot be read.
        NotALedger, LedgerDamaged, LedgerRefused: it is no ledger, damaged, or too new.
    """
    left_out = left_out or LeftOut()
    create_tables(con, tables, left_out)
    tables = left_out.rest(tables)
    with plain_failures(path), closing(open_ledger(path)) as ledger:
        # One transaction, so that the checkpoint and the events are of one moment.
        ledger.begin_reading()
        checkpoint = at or _latest(ledger)
        if at is not None and at.size and not has_checkpoint(ledger, at):
            raise LedgerDamaged(f"{path} was replaced while it was read: ask again.")
        cache = Cache(path, tables, kinds) if use_cache else None
        done = cache.load(con, lambda c: has_checkpoint(ledger, c)) if cache is not None else 0
        if done > checkpoint.size and cache is not None:
            # Another process has kept what came since.
            for name in cache.names:
                con.execute(f'DELETE FROM raw."{name}" WHERE seq > ?', (checkpoint.size,))
            done = checkpoint.size
        fold_tail(con, path, ledger, (done, checkpoint.size), tables, kinds, progress, left_out)
    # What a plugin could not read today it may read tomorrow: nothing is kept of such a fold.
    whole = not left_out.events and left_out.rest(tables) == tuple(tables)
    if cache is not None and whole and cache.worth_saving(checkpoint):
        cache.save(con, checkpoint)
    return checkpoint


def connected(
    path: Path,
    tables: Sequence[TableSpec],
    kinds: "KindRegistry",
    *,
    use_cache: bool,
    progress: Progress | None,
    at: Checkpoint | None,
    left_out: LeftOut,
    before_locked: "Callable[[duckdb.DuckDBPyConnection], None] | None",
) -> "tuple[duckdb.DuckDBPyConnection, Checkpoint, bool]":
    """Return a connection with the folded tables, locked against everything outside memory.

    Args:
        path: the ledger file, and as for `build` are
        tables: the tables to fold,
        kinds: the event kinds,
        use_cache: whether folded tables are kept,
        progress: what is told how far it is,
        at: the checkpoint to stand at,
        left_out: what takes what of plugins could not be folded.
        before_locked: is handed the connection while files can still be reached, or None.

    Returns:
        The connection, the checkpoint it stands at, and whether there are few events.

    Raises:
        As `build`, and whatever `before_locked` raises.
    """
    import duckdb

    con = duckdb.connect(
        ":memory:", config={"python_enable_replacements": "false", "temp_directory": ""}
    )
    con.execute("SET TimeZone = 'UTC'")
    checkpoint = build(
        con,
        path,
        tables,
        kinds,
        use_cache=use_cache,
        progress=progress,
        at=at,
        left_out=left_out,
    )
    few = checkpoint.size <= ROW_GROUP
    if few:
        # A scan of so few rows cannot be shared out; more threads only wait for each other.
        con.execute("SET threads = 1")
    if before_locked is not None:
        before_locked(con)
    # From here on nothing outside memory can be reached through this connection.
    con.execute("SET enable_external_access = false")
    con.execute("SET lock_configuration = true")
    return con, checkpoint, few


def head_of(path: Path) -> Checkpoint:
    """Return the checkpoint at which a ledger stands, from the ledger alone.

    Raises:
        EnvironmentFailure, NotALedger, LedgerDamaged, LedgerRefused: as `build`.
    """
    with plain_failures(path), closing(open_ledger(path)) as ledger:
        return _latest(ledger)


def fold_tail(
    con: "duckdb.DuckDBPyConnection",
    path: Path,
    ledger: "Engine",
    span: tuple[int, int],
    tables: Sequence[TableSpec],
    kinds: "KindRegistry",
    progress: Progress | None,
    left_out: LeftOut | None = None,
) -> None:
    """Fold the events with span[0] < seq <= span[1] into the tables."""
    done, size = span
    if size - done < BULK_ROWS:
        fold_rows(con, fetch(ledger, done, size, kinds, left_out), tables, left_out)
        return
    with chunks(lambda: open_ledger(path), done, size, kinds) as written:
        for chunk in written:
            if chunk.path is None:
                rows = fetch(ledger, chunk.after, chunk.upto, kinds, left_out)
                fold_rows(con, rows, tables, left_out)
            else:
                fold_file(con, chunk.path, tables, left_out)
            if progress is not None:
                progress(chunk.upto, size)


def load_payloads(
    con: "duckdb.DuckDBPyConnection", path: Path, size: int, kinds: "KindRegistry"
) -> None:
    """Fill raw.payloads from the ledger, for the rare query that asks for them."""
    with (
        plain_failures(path),
        closing(open_ledger(path)) as ledger,
        con.appender("raw.payloads") as appender,
    ):
        for rows in fetch(ledger, 0, size, kinds):
            appender.append_rows([(row[0], row[-1]) for row in rows])


def open_ledger(path: Path) -> "Engine":
    """Open the file read-only.

    Raises:
        EnvironmentFailure: there is no such file.
        NotALedger: it is a folder, something else, or from a newer program.
    """
    require_file(path)
    connection = connect(path, writable=False)
    try:
        known_shape(path, connection)
    except BaseException:
        connection.close()
        raise
    return connection


def _latest(ledger: "Engine") -> Checkpoint:
    query = "SELECT size, root FROM checkpoints ORDER BY size DESC LIMIT 1"
    row = ledger.execute(query).fetchone()
    return Checkpoint(*row) if row else EMPTY
