"""What is odd in imported rows, gathered by what is said of them."""

from collections.abc import Iterator
from dataclasses import dataclass

from roadworn.model.messages import Problem

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
