"""How much of a table a map understands as it stands, for who has just made one."""

from itertools import islice, takewhile
from pathlib import Path
from typing import NamedTuple

from roadworn.intake.csv_map import read_csv_map
from roadworn.intake.csv_rows import mapped_rows
from roadworn.intake.look_ask import Known
from roadworn.model.errors import UsageError

#: So many rows say enough: an import reads all of them.
MOST_TRIED = 10_000


class Understood(NamedTuple):
    """What a map makes of the rows of its table.

    Attributes:
        rows: rows that give an event, or that the map leaves out.
        tried: how many were read.
    """

    rows: int
    tried: int


def understood(table: Path, map_path: Path, known: Known) -> Understood:
    """Return how many rows of a table, from its first on, a map understands.

    A map that cannot be read yet, since a column is still asked for, understands none.
    """
    lines: dict[int, bool] = {}
    try:
        rows = mapped_rows(table, read_csv_map(map_path), known.kinds, lambda: known.plates)
        # A row with several jobs stands there once for each.
        for row in islice(takewhile(lambda _row: len(lines) <= MOST_TRIED, rows), 10 * MOST_TRIED):
            lines[row.line] = lines.get(row.line, True) and not row.problems
    except UsageError:
        pass
    return Understood(sum(lines.values()), len(lines))
