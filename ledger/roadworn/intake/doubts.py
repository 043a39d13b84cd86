"""What is wrong or odd in imported rows, gathered by what is said of them."""

from collections.abc import Iterator
from dataclasses import dataclass

from roadworn.checks.known import ENROL_FIRST
from roadworn.model.messages import Problem

#: So many doubts of one sort in one file are kept; the rest is counted.
MAX_DOUBTS = 1_000
#: So many places of one cause are kept, and so many causes of one sort; the rest is counted.
MAX_PLACES, MAX_CAUSES = 20, 1_000


@dataclass(frozen=True, slots=True)
class Cause:
    """Problems that say the same of one column of one file: one thing to put right.

    Attributes:
        rows: how many there are.
        kept: the first of them, in the order of rows, at most `MAX_PLACES`.
        others: some more of the sort, which say it of other values, are counted in it.
        values: of how many values it is said; more than 1 where one remedy puts all of them
            right, and then the first problem of each is kept, at most `MAX_CAUSES`.
    """

    rows: int
    kept: tuple[Problem, ...]
    others: bool = False
    values: int = 1


class Problems:
    """Gathers problems by their cause, so that a million rows of one wrong word are one problem.

    Attributes:
        met: how many of them were no more of a cause that was kept before.
    """

    def __init__(self) -> None:
        self.met = 0
        self._rows: dict[tuple[str, ...], int] = {}
        self._kept: dict[tuple[str, ...], list[Problem]] = {}
        self._causes: dict[tuple[str, ...], int] = {}
        self._values: dict[tuple[str, ...], set[str]] = {}

    def __bool__(self) -> bool:
        return bool(self._rows)

    def __len__(self) -> int:
        return sum(self._rows.values())

    def add(self, problem: Problem) -> None:
        """Keep a problem, or count it where its cause is known."""
        sort = problem.file, problem.code, problem.column.partition("[")[0]
        key: tuple[str, ...] = (*sort, str(problem.message))
        if problem.code in _ONE_REMEDY and str(problem.hint) == _ONE_REMEDY[problem.code]:
            self._of_values((*sort, "", str(problem.hint)), problem)
            return
        if key not in self._rows:
            self.met += 1
            known = self._causes.get(sort, 0)
            if known >= MAX_CAUSES:
                key = sort
            else:
                self._causes[sort] = known + 1
        self._rows[key] = self._rows.get(key, 0) + 1
        kept = self._kept.setdefault(key, [])
        if len(kept) < MAX_PLACES:
            kept.append(problem)

    def _of_values(self, key: tuple[str, ...], problem: Problem) -> None:
        """Keep the first problem of each value, or count it."""
        values = self._values.setdefault(key, set())
        self.met += key not in self._rows
        self._rows[key] = self._rows.get(key, 0) + 1
        if problem.message not in values and len(values) < MAX_CAUSES:
            values.add(str(problem.message))
            self._kept.setdefault(key, []).append(problem)

    def causes(self) -> list[Cause]:
        """Return the causes, in the order of their first rows."""
        made = [
            Cause(
                rows,
                tuple(sorted(self._kept[key], key=lambda one: one.row)),
                len(key) == _SORT,
                max(len(self._values.get(key, ())), 1),
            )
            for key, rows in self._rows.items()
        ]
        return sorted(made, key=lambda cause: cause.kept[0].row)


_SORT = 3
# What one act puts right whatever the value: all vehicles of a table are enrolled at once.
_ONE_REMEDY = {"not-enrolled": ENROL_FIRST}


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
