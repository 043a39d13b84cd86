"""Files into events: the door of an import, and what it tells.

`import_files` is the door. A file is taken whole or not at all unless the good rows are asked for;
importing it again adds nothing. It is one transaction. A large one is given up as soon as
somebody else waits to write, and then judged as one on a copy and handed over in stages
(`roadworn.intake.staged`): written twice, which costs it half as much again.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, nullcontext
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.intake.adding import FileTaker
from roadworn.intake.again import Again, Freed, Marks, freshened
from roadworn.intake.doubts import Cause, DoubtGroup, Doubts
from roadworn.intake.looking import _KEY, FileFacts
from roadworn.model.messages import Problem

if TYPE_CHECKING:
    from collections.abc import Generator

    from roadworn.intake import Ledger
    from roadworn.intake.chunks import Chunk
    from roadworn.model.kinds import KindRegistry
    from roadworn.store.writer import Writer

#: A file with more problems than this is of another kind altogether; reading it stops.
MAX_PROBLEMS = 100_000


@dataclass(frozen=True, slots=True)
class ImportReport:
    """Outcome of an import.

    Attributes:
        rows: rows read, empty lines left out.
        added: rows that are now in the ledger; in a dry run, that would be.
        already_there: rows that the ledger had already.
        problems: the first findings of each cause, in the order of files and rows.
        causes: the findings by what is to be put right, each with how many rows it holds for.
        good: rows that would be added were the good ones of every file taken.
        doubts: what is odd in rows that were taken all the same, or would be but for others.
        replaced: events that were taken back, since the map reads their rows otherwise now.
        by_hand: rows left as they are, since what they gave was put right by hand.
    """

    rows: int
    added: int
    already_there: int
    problems: tuple[Problem, ...]
    doubts: tuple[DoubtGroup, ...] = ()
    replaced: int = 0
    by_hand: int = 0
    good: int = 0
    causes: tuple[Cause, ...] = ()

    @property
    def wrong(self) -> int:
        """How many problems there are, those of one cause counted each."""
        return sum(cause.rows for cause in self.causes)


#: (rows done, rows of all files, 0 when not known).
Progress = Callable[[int, int], None]

_NDJSON = frozenset({".ndjson", ".jsonl", ".json"})
#: From this size on a helper process pays for its start.
_HELP_FROM_BYTES = 8_000_000
#: From this size on a file would keep who waits to write for more than about a second; a row of
#: a table takes longer than an event as it is stored.
_STAGED_FROM_BYTES, _STAGED_TABLE_FROM_BYTES = 8_000_000, 2_000_000
_SOURCE = "file"


def import_files(
    ledger: "Ledger",
    paths: Sequence[str | Path],
    *,
    csv_map: str | Path | None = None,
    dry_run: bool = False,
    keep_good: bool = False,
    allow_repeat: bool = False,
    progress: Progress | None = None,
    called: Mapping[Path, str] | None = None,
) -> ImportReport:
    """Take in events from files, one transaction a file; a large one in stages if others wait.

    Args:
        ledger: an open ledger, writable unless nothing is to be written.
        paths: NDJSON files (.ndjson, .jsonl, .json); tables with a map.
        csv_map: TOML file that says what the columns of tables mean.
        dry_run: find every problem and write nothing.
        keep_good: take the good rows of a file with problems.
        allow_repeat: take replacements that look like one already entered.
        progress: called with (rows done, rows of all files) now and then.
        called: file -> what its user calls it, where that is another.

    Raises:
        EnvironmentFailure: a file cannot be read; files before it are taken.
        UsageError: a file or the map cannot be used at all.
        LedgerBusy: another process is writing.
        LedgerRefused: others wrote meanwhile what speaks against a large file's rows.
    """
    files = [Path(path) for path in paths]
    if csv_map is not None and not dry_run:
        _refuse_open(Path(csv_map))
    # A dry run writes into a copy: whoever writes the ledger meanwhile need not wait.
    with ledger.copied() if dry_run else nullcontext(ledger) as taking:
        run = _Run(taking, csv_map, keep_good, allow_repeat, progress, _expected(files, progress))
        run.called = called or {}
        for path in files:
            if not dry_run and _is_large(path):
                run.take_large(path)
            else:
                run.take_at_once(taking, path)
    return run.report()


class _OthersWait(Exception):
    """Somebody else waits to write while a large file is taken."""


class _Run:
    """One call of `import_files`: adds up what its files gave."""

    def __init__(
        self,
        ledger: "Ledger",
        csv_map: str | Path | None,
        keep_good: bool,
        allow_repeat: bool,
        progress: Progress | None,
        expected: int,
    ) -> None:
        self.called: Mapping[Path, str] = {}
        self._ledger = ledger
        self._csv_map = csv_map
        self._keep_good = keep_good
        self._allow_repeat = allow_repeat
        self._progress = progress
        self._expected = expected
        self._rows = self._added = self._already_there = self._replaced = self._by_hand = 0
        self._good = 0
        self._freed = Freed.of(ledger)
        self._marks = Marks()
        self._gives_way = False
        self._causes: list[Cause] = []
        self._doubts = Doubts()

    def take_at_once(self, ledger: "Ledger", path: Path) -> None:
        """Add one file in one transaction."""
        with ledger.writing(allow_repeat=self._allow_repeat) as writer:
            self._take(ledger, writer, path)
            writer.finish()

    def take_large(self, path: Path) -> None:
        """Add one file in one transaction, or, when others come, while they write."""
        doubts, self._gives_way = deepcopy(self._doubts), True
        try:
            if not self._ledger.others_wait():
                self.take_at_once(self._ledger, path)
                return
        except _OthersWait:
            self._doubts = doubts
            self._freed = Freed.of(self._ledger)
            self._marks = Marks()
        finally:
            self._gives_way = False
        self._take_in_stages(path)

    def _take_in_stages(self, path: Path) -> None:
        from roadworn.intake.staged import hand_over

        with self._ledger.copied() as copy:
            after = copy.checkpoint().size
            self.take_at_once(copy, path)
            if copy.checkpoint().size == after and not self._marks_rows(path):
                return
            name = Path(self.called.get(path, str(path))).name
            given = hand_over(copy, self._ledger, after, name, allow_repeat=self._allow_repeat)
        self._added -= given.already_there
        self._already_there += given.already_there

    def _take(self, ledger: "Ledger", writer: "Writer", path: Path) -> None:
        """Add one file within a transaction, or nothing of it."""
        added, already_there, first = writer.added, writer.already_there, writer.seq
        again = self._again(ledger, path)
        called = self.called.get(path, str(path))
        writer.hold()
        taker = FileTaker(
            writer,
            FileFacts(ledger.query),
            called,
            self._doubts,
            allow_repeat=self._allow_repeat,
            named=self._names(path),
            freed=self._freed,
        )
        by_hand = 0
        with closing(self._chunks(ledger, path)) as chunks, _paused_collector():
            for read in chunks:
                if self._gives_way and ledger.others_wait():
                    raise _OthersWait
                chunk = freshened(read, self._freed)
                if again is None:
                    taker.add(chunk)
                else:
                    for event in again.gone(self._marks):
                        taker.take_back(event)
                    kept, before, left = again.look(freshened(read, self._freed), self._marks)
                    by_hand += left
                    taker.rows += left
                    taker.add(kept, before)
                    again.keep(kept, self._marks)
                    self._marks.clear()
                if self._progress is not None:
                    self._progress(self._rows + taker.rows, self._expected)
                if taker.problems.met > MAX_PROBLEMS:
                    taker.problems.add(_too_many(called))
                    break
            taker.finish()
        replaced = 0 if again is None else again.replaced
        self._good += writer.added - added - replaced
        if taker.problems and not self._keep_good:
            writer.undo()
            replaced = by_hand = 0
        if writer.seq > first:
            ledger.imports.note(first, writer.seq, Path(called).name)
        self._rows += taker.rows
        self._replaced += replaced
        self._by_hand += by_hand
        self._added += writer.added - added - replaced
        self._already_there += writer.already_there - already_there
        self._causes += taker.problems.causes()

    def report(self) -> ImportReport:
        return ImportReport(
            self._rows,
            self._added,
            self._already_there,
            self._first_problems(),
            tuple(self._doubts.groups()),
            self._replaced,
            self._by_hand,
            self._good,
            tuple(self._causes),
        )

    def _first_problems(self) -> tuple[Problem, ...]:
        """Return the kept problems, in the order of files and rows."""
        kept: dict[str, list[Problem]] = {}
        for cause in self._causes:
            for problem in cause.kept:
                kept.setdefault(problem.file, []).append(problem)
        return tuple(
            problem for told in kept.values() for problem in sorted(told, key=lambda one: one.row)
        )

    def _marks_rows(self, path: Path) -> bool:
        """Return whether the rows of a file are known again: those of a table are."""
        return path.suffix.casefold() not in _NDJSON and self._csv_map is not None

    def _again(self, ledger: "Ledger", path: Path) -> "Again | None":
        """Return what knows the rows of a table that were taken before."""
        if self._csv_map is None or not self._marks_rows(path):
            return None
        return Again(ledger, Path(self._csv_map).name, self._freed)

    def _names(self, path: Path) -> Callable[[str], str]:
        """Return what turns our fields into the user's own names of them."""
        if self._csv_map is None or not self._marks_rows(path):
            return str
        from roadworn.intake.csv_map import read_csv_map

        return read_csv_map(Path(self._csv_map)).header_of_column

    def _chunks(self, ledger: "Ledger", path: Path) -> "Generator[Chunk]":
        if path.suffix.casefold() in _NDJSON:
            yield from _ndjson_chunks(path, ledger.kinds)
        else:
            yield from _table_chunks(path, self._csv_map, ledger, self._marks)


def _is_large(path: Path) -> bool:
    """Return whether a file is taken in stages."""
    table = path.suffix.casefold() not in _NDJSON
    limit = _STAGED_TABLE_FROM_BYTES if table else _STAGED_FROM_BYTES
    return path.is_file() and path.stat().st_size >= limit


def _refuse_open(csv_map: Path) -> None:
    """Refuse a map with questions without whose answers rows would be read wrongly."""
    from roadworn.intake.csv_map import read_csv_map
    from roadworn.model.errors import UsageError

    known = read_csv_map(csv_map)
    if known.open:
        raise UsageError(
            f"The map {csv_map.name} has a question open: {known.open[0]} Answer it in the map, "
            "then delete its line open = …"
        )


def _ndjson_chunks(path: Path, kinds: "KindRegistry") -> "Iterator[Chunk]":
    from roadworn.intake.chunks import ChunkMaker
    from roadworn.intake.ndjson import chunks

    if path.is_file() and path.stat().st_size >= _HELP_FROM_BYTES:
        from roadworn.intake.ndjson import CannotHelp, helped_chunks

        try:
            yield from helped_chunks(path, kinds, _SOURCE)
        except CannotHelp:
            pass
        else:
            return
    yield from chunks(path, ChunkMaker(kinds, _SOURCE))


def _table_chunks(
    path: Path, csv_map: str | Path | None, ledger: "Ledger", marks: Marks
) -> "Iterator[Chunk]":
    from itertools import islice

    from roadworn.intake.chunks import Chunk, ChunkMaker
    from roadworn.intake.csv_map import read_csv_map
    from roadworn.intake.csv_rows import mapped_rows
    from roadworn.intake.ndjson import CHUNK_LINES
    from roadworn.model.errors import UsageError

    if csv_map is None:
        raise UsageError(
            f"{path} is a table: say what its columns mean with --map MAP.toml, or give events "
            "as NDJSON, one JSON object a line, in a file named .ndjson."
        )
    maker, known = ChunkMaker(ledger.kinds, _SOURCE), read_csv_map(Path(csv_map))
    rows = mapped_rows(path, known, ledger.kinds, ledger.plates.vehicles)
    if known.open:
        told = [
            Problem("open-question", question, f"answer it in {known.name}", row=1)
            for question in known.open
        ]
        yield Chunk([], [], b"", [], [], 0, told, [])
    while batch := list(islice(rows, CHUNK_LINES)):
        marks.rows += (row.mark for row in batch)
        marks.of_key.update(
            (row.event.intake_key or "", row.mark) for row in batch if row.event is not None
        )
        chunk = maker.chunk_of_events(
            [(row.line, row.event) for row in batch if row.event is not None]
        )
        chunk.problems[:] = [
            *(p.at(p.row, column=known.header_of_column(p.column)) for p in chunk.problems),
            *(problem for row in batch for problem in row.problems),
        ]
        index_of = {row[_KEY]: index for index, row in enumerate(chunk.rows)}
        chunk.doubts.extend(
            (index_of[row.event.intake_key], doubt)
            for row in batch
            if row.event is not None and row.event.intake_key in index_of
            for doubt in row.doubts
        )
        yield chunk


def _expected(files: Sequence[Path], progress: Progress | None) -> int:
    """Return about how many rows there are, when somebody wants to know."""
    if progress is None or any(path.suffix.casefold() not in _NDJSON for path in files):
        return 0
    from roadworn.intake.ndjson import count_lines

    return sum(count_lines(path) for path in files)


def _too_many(file: str) -> Problem:
    message = f"There are more than {MAX_PROBLEMS:,} problems, so the rest was not read."
    return Problem("too-many-problems", message, "correct these, then import again", file)


@contextmanager
def _paused_collector() -> "Iterator[None]":
    """Pause the garbage collector: an import makes no cycles, and millions of tuples."""
    import gc

    running = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if running:
            gc.enable()
