"""What an import tells: how many rows, how many taken, and everything that was wrong."""

from dataclasses import dataclass

from roadworn.problems import Problem

#: A file with more problems than this is of another kind altogether; reading it stops.
MAX_PROBLEMS = 100_000


@dataclass(frozen=True, slots=True)
class ImportReport:
    """Outcome of an import.

    Attributes:
        rows: rows read, empty lines left out.
        added: rows that are now in the ledger; in a dry run, that would be.
        already_there: rows that the ledger had already.
        problems: all findings, in the order of files and rows.
    """

    rows: int
    added: int
    already_there: int
    problems: tuple[Problem, ...]
