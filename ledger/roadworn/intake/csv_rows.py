"""Rows of a spreadsheet through a map into events, or problems that name their own cells.

Each event carries an intake key made from what the row says, not from where it stands, so
that a file which was sorted, renamed or grown since the last import adds only what is new.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

import orjson

from roadworn.intake.csv_file import (
    Cell,
    cell_text,
    read_table,
)
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.csv_row import RowReader
from roadworn.model.errors import UsageError
from roadworn.model.events import NewEvent
from roadworn.model.kinds import KindRegistry
from roadworn.model.messages import Problem


class MappedRow(NamedTuple):
    """One row of a file: an event and what is odd in it, or what is wrong with it.

    `mark` tells the row by all its cells, whatever a map reads of them.
    """

    line: int
    mark: str
    event: NewEvent | None
    problems: tuple[Problem, ...] = ()
    doubts: tuple[Problem, ...] = ()


def mapped_rows(path: Path, csv_map: CsvMap, kinds: KindRegistry) -> Iterator[MappedRow]:
    """Yield each row of a file as an event or as problems.

    Args:
        path: a CSV, TSV or spreadsheet file.
        csv_map: what its columns mean.
        kinds: the event kinds that may be written.

    Raises:
        UsageError: the file or the map cannot be used at all.
        EnvironmentFailure: the file cannot be read.
    """
    rows = read_table(path, csv_map)
    header = next(rows, None)
    if header is None:
        raise UsageError(f"{path} is empty: its first line names the columns.")
    names = [cell_text(cell) for cell in header.cells]
    _check_header(path, names, csv_map)
    seen: Counter[str] = Counter()
    marked: Counter[str] = Counter()
    for line, cells in rows:
        mark = _mark(names, cells)
        marked[mark] += 1
        row = RowReader(path.name, line, csv_map, kinds)
        if len(cells) > len(names) and any(cell_text(cell) for cell in cells[len(names) :]):
            hint = f"the header has {len(names)}; check delimiter and quotes"
            row.problem("", "too-many-cells", f"The row has {len(cells)} cells.", hint)
        given = {
            csv_map.columns[name]: cell
            for name, cell in zip(names, cells, strict=False)
            if name in csv_map.columns and cell_text(cell)
        }
        event = row.event({**csv_map.constants, **given}, seen)
        mark = f"{mark}:{marked[mark]}"
        yield MappedRow(line, mark, event, tuple(row.problems), tuple(row.doubts))


def _mark(names: Sequence[str], cells: Sequence[Cell]) -> str:
    """Return a digest of what stands in a row and below which heading; empty cells count not."""
    said = [
        [name, cell_text(cell)] for name, cell in zip(names, cells, strict=False) if cell_text(cell)
    ]
    return sha256(orjson.dumps(sorted(said))).hexdigest()[:32]


def unmapped_columns(path: Path, csv_map: CsvMap) -> list[str]:
    """Return the headers of a file that its map does not use, for a word to the user."""
    header = next(read_table(path, csv_map), None)
    names = [] if header is None else [cell_text(cell) for cell in header.cells]
    return [name for name in names if name and name not in csv_map.columns]


def _check_header(path: Path, names: list[str], csv_map: CsvMap) -> None:
    missing = [name for name in csv_map.columns if name not in names]
    if missing:
        raise UsageError(
            f"{path} has no column {', '.join(map(repr, missing))} that the map {csv_map.name} "
            f"names: its columns are {', '.join(name for name in names if name)}."
        )
    doubled = [name for name, count in Counter(names).items() if count > 1 and name]
    used = [name for name in doubled if name in csv_map.columns]
    if used:
        raise UsageError(
            f"{path} has the column {used[0]!r} twice: rename one of them, since the map "
            f"{csv_map.name} cannot tell them apart."
        )
