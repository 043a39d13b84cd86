"""What an import tells: how many rows, how many taken, and everything that was wrong or odd."""

from collections.abc import Iterator
from dataclasses import dataclass

from roadworn.model.messages import Problem

#: A file with more problems than this is of another kind altogether; reading it stops.
MAX_PROBLEMS = 100_000
#: So many doubts of one sort in one file are kept; the rest is counted.
MAX_DOUBTS = 1_000


@dataclass(frozen=True, slots=True)
class DoubtGroup:
    """Doubts of one sort about one column of one file.

    Attributes:
        rows: how many there are.
        kept: the first of them, at most `MAX_DOUBTS`.
    """

    rows: int
    kept: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class ImportReport:
    """Outcome of an import.

    Attributes:
        rows: rows read, empty lines left out.
        added: rows that are now in the ledger; in a dry run, that would be.
        already_there: rows that the ledger had already.
        problems: all findings, in the order of files and rows.
        doubts: what is odd in rows that were taken all the same, or would be but for others.
    """

    rows: int
    added: int
    already_there: int
    problems: tuple[Problem, ...]
    doubts: tuple[DoubtGroup, ...] = ()


class Doubts:
    """Gathers doubts by file, sort and column, so that a million of them stay a few."""

    def __init__(self) -> None:
        self._rows: dict[tuple[str, str, str], int] = {}
        self._kept: dict[tuple[str, str, str], list[Problem]] = {}

    def add(self, doubt: Problem) -> None:
        """Keep a doubt, or count it when there are many of its sort."""
        # Which of several findings it is makes no other sort.
        key = (doubt.file, doubt.code, doubt.column.partition("[")[0])
        self._rows[key] = self._rows.get(key, 0) + 1
        kept = self._kept.setdefault(key, [])
        if len(kept) < MAX_DOUBTS:
            kept.append(doubt)

    def groups(self) -> Iterator[DoubtGroup]:
        """Yield the groups in the order in which each was first met."""
        for key, rows in self._rows.items():
            yield DoubtGroup(rows, tuple(self._kept[key]))
