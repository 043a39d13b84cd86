"""Rows of a spreadsheet through a map into events, or problems that name their own cells.

Each event carries an intake key made from what the row says, not from where it stands, so
that a file which was sorted, renamed or grown since the last import adds only what is new.
"""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from roadworn.intake.csv_map import CsvMap
from roadworn.intake.csv_row import RowReader, Words
from roadworn.intake.reversals import opposites
from roadworn.intake.row_events import RowEvents, Shares, Told
from roadworn.intake.table_records import Record, Table, Unjoined, joined_records
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem


class MappedRow(NamedTuple):
    """What one row of a file gives: an event and what is odd in it, or what is wrong with it.

    `mark` tells the row by all its cells, whatever a map reads of them. A row that gives several
    events stands here once for each, its further marks ending in ``/1``, ``/2``; one that gives
    none, since its map leaves it out, stands here without event and problems.
    """

    line: int
    mark: str
    event: NewEvent | None
    problems: tuple[Problem, ...] = ()
    doubts: tuple[Problem, ...] = ()


def mapped_rows(
    path: Path,
    csv_map: CsvMap,
    kinds: KindRegistry,
    plates: Callable[[], Mapping[str, str]] | None = None,
) -> Iterator[MappedRow]:
    """Yield what each row of a file gives, as events or as problems.

    Args:
        path: a CSV, TSV or spreadsheet file.
        csv_map: what its columns mean.
        kinds: the event kinds that may be written.
        plates: gives plate -> vehicle, where a map knows vehicles by their plates.

    Raises:
        UsageError: the file or the map cannot be used at all.
        EnvironmentFailure: the file cannot be read.
    """
    words = Words(plates)
    table = Table(path, csv_map)
    events = RowEvents(csv_map, words)
    _check_header(path, table, csv_map)
    if csv_map.share is not None:
        known = Table(path, csv_map)
        events.shares = Shares.of(joined_records(path, csv_map, known), csv_map, events)
    taken_back = frozenset[int]()
    if csv_map.reversed is not None:
        known = Table(path, csv_map)
        taken_back = opposites(
            joined_records(path, csv_map, known), csv_map, csv_map.reversed
        ).lines
    seen: Counter[str] = Counter()
    for record in joined_records(path, csv_map, table):
        if record.line in taken_back:
            yield MappedRow(record.line, record.mark, None)
            continue
        yield from _row(path, record, events, kinds, seen, len(table.names))


def _row(
    path: Path,
    record: Record,
    events: RowEvents,
    kinds: KindRegistry,
    seen: Counter[str],
    width: int,
) -> Iterator[MappedRow]:
    """Yield what one row gives: all its events, or its problems and none of them."""
    told = Told(path.name, record.line)
    made: list[tuple[NewEvent, tuple[Problem, ...]]] = []
    if record.beyond:
        hint = f"the header has {width}; check delimiter and quotes"
        told.problem("", "too-many-cells", f"The row has {record.beyond} cells.", hint)
    for one in record.unjoined:
        if one.heading in events.map.columns:
            told.problem(one.heading, one.code, *_unjoined(one))
    problems: list[Problem] = []
    if not record.skipped:
        for given in events.of(record, told):
            row = RowReader(path.name, record.line, given.map, kinds, events.words)
            event = row.event(given.cells, seen)
            problems += row.problems
            if event is not None:
                made.append((event, tuple(row.doubts)))
    problems = told.problems + problems
    if problems or not made:
        yield MappedRow(record.line, record.mark, None, tuple(dict.fromkeys(problems)))
        return
    for number, (event, odd) in enumerate(made):
        mark = f"{record.mark}/{number}" if number else record.mark
        yield MappedRow(record.line, mark, event, (), (*odd, *told.doubts) if not number else odd)


def _unjoined(one: Unjoined) -> tuple[str, str]:
    """Return what is wrong with rows that this one is joined with, and what to do."""
    where = f"line {one.line} of the table it is joined with"
    if one.code == "join-differs":
        return (
            f"The rows joined with this one say several things under {one.heading!r}.",
            (
                f"keep one row for each key there (first: {where}), or name the heading in sum of "
                "[[join]] where its figures add up"
            ),
        )
    if one.code == "join-currencies":
        return (
            f"The amounts under {one.heading!r} joined with this row are of several currencies.",
            f"amounts of two currencies are not added up: correct {where}",
        )
    message, hint = one.told
    return f"{where[0].upper()}{where[1:]} cannot be added: {message}", hint


def unmapped_columns(path: Path, csv_map: CsvMap) -> list[str]:
    """Return the headers of a file that its map does not use, for a word to the user."""
    try:
        names = Table(path, csv_map).names
    except UsageError:
        return []
    used = set(csv_map.headers())
    return [name for name in names if name and name not in used]


def _check_header(path: Path, table: Table, csv_map: CsvMap) -> None:
    names = {*table.names, csv_map.layout.section}
    for join in csv_map.joins:
        other = path.parent / join.file if join.file else path
        layout = join.layout()
        own = CsvMap(
            csv_map.name,
            "",
            {},
            delimiter=layout.delimiter,
            encoding=layout.encoding,
            sheet=layout.sheet,
            layout=layout,
        )
        if other.is_file():
            names |= {*Table(other, own).names}
    missing = [name for name in csv_map.headers() if name not in names]
    if missing:
        raise UsageError(
            f"{path} has no column {', '.join(map(repr, missing))} that the map {csv_map.name} "
            f"names: its columns are {', '.join(name for name in table.names if name)}."
        )
