"""`roadworn fit lives|repairs FILE`: the same statistics on any plain table, no ledger needed."""

import csv
import importlib.metadata
import re
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import typer

from roadworn.model.errors import EnvironmentFailure, ProblemsFound, UsageError
from roadworn.model.messages import Problem
from roadworn_cli.lazy import Verb, lazy_app
from roadworn_cli.output import FORMATS, cell_text, counted, emit, emit_json, note

VERBS = (
    Verb("lives", "roadworn_cli.fit:lives", "Lifetimes: Kaplan-Meier, Weibull, lognormal."),
    Verb("repairs", "roadworn_cli.fit:repairs", "Recurrent repairs: mean number and trend."),
)
verb = lazy_app(VERBS, "Fit life data of any plain table, without a ledger.")

# The command knows the statistics only by entry point, as it knows the analyses.
_GROUP = "roadworn.fits"
#: Columns that hold names; a comma in them is no decimal one.
_TEXTS = frozenset({"group", "unit", "event"})
_DECIMALS = re.compile(r"\A([+-]?\d+),(\d+)\Z")
#: So many rows are named in one sentence.
_NAMED = 20
#: Column of the table -> where the figure stands in the answer of a group.
_LIVES: dict[str, tuple[str | int, ...]] = {
    "group": ("group",),
    "n": ("n",),
    "failures": ("failures",),
    "shape": ("weibull", "shape"),
    "scale": ("weibull", "scale"),
    "b10": ("weibull", "b10"),
    "b10_low": ("weibull", "b10_ci", 0),
    "b10_high": ("weibull", "b10_ci", 1),
    "b50": ("weibull", "b50"),
    "b50_low": ("weibull", "b50_ci", 0),
    "b50_high": ("weibull", "b50_ci", 1),
    "loglik": ("weibull", "loglik"),
}
_REPAIRS: dict[str, tuple[str | int, ...]] = {
    "group": ("group",),
    "units": ("units",),
    "repairs": ("repairs",),
    "beta": ("power_law", "beta"),
    "beta_low": ("power_law", "beta_ci", 0),
    "beta_high": ("power_law", "beta_ci", 1),
    "laplace_u": ("laplace", "u"),
    "laplace_p": ("laplace", "p"),
}
Columns = dict[str, list[str]]
Fit = Callable[[Columns], dict[str, Any]]


_DELIMITER: str = typer.Option(
    ",", "--delimiter", metavar="CHARACTER", help="What stands between cells, as in ';'."
)
_DECIMAL_COMMA: bool = typer.Option(
    False, "--decimal-comma", help="Figures have a comma before their decimals."
)


def lives(
    file: Path = typer.Argument(
        metavar="FILE", help="CSV or Parquet: group, entry, then age,failed or lower,upper; count."
    ),
    unit: str = typer.Option(
        "", "--unit", metavar="UNIT", help="Unit of the ages, carried into the output."
    ),
    level: float = typer.Option(
        0.95, "--level", metavar="LEVEL", min=0.5, max=0.9999, help="Level of the limits."
    ),
    interval: str = typer.Option(
        "conditional",
        "--interval",
        metavar="conditional|lr|wald",
        help="Limits: conditional hold in small samples; likelihood ratio; Wald on the log scale.",
    ),
    delimiter: str = _DELIMITER,
    decimal_comma: bool = _DECIMAL_COMMA,
    fmt: str = typer.Option("json", "--format", metavar="json|table|csv", help="Form of output."),
) -> None:
    """Fit lifetimes: one row a part, failed or still running, from new or entered late."""
    _choice(interval, ("conditional", "lr", "wald"), "--interval")
    _choice(fmt, FORMATS, "--format")
    columns = read_columns(file, delimiter, decimal_comma=decimal_comma)
    found = _fitted("lives", file, columns, unit=unit, level=level, interval=interval)
    out = found["left_out"]
    if out["number"]:
        rows = ", ".join(str(row + 1) for row in out["rows"])
        note(
            f"{counted(out['number'], 'row')} left out ({rows}): {out['why']}; "
            "the heading is row 1 here, in JSON rows are counted below it"
        )
    _emit(found, _LIVES, fmt)


def repairs(
    file: Path = typer.Argument(
        metavar="FILE", help="CSV or Parquet: unit,age,event (repair, end, start); group; count."
    ),
    level: float = typer.Option(
        0.95, "--level", metavar="LEVEL", min=0.5, max=0.9999, help="Level of the limits."
    ),
    delimiter: str = _DELIMITER,
    decimal_comma: bool = _DECIMAL_COMMA,
    fmt: str = typer.Option("json", "--format", metavar="json|table|csv", help="Form of output."),
) -> None:
    """Fit recurrent repairs: mean cumulative number, power law, and tests for a trend."""
    _choice(fmt, FORMATS, "--format")
    columns = read_columns(file, delimiter, decimal_comma=decimal_comma)
    found = _fitted("repairs", file, columns, level=level)
    _emit(found, _REPAIRS, fmt)


def _of_parquet(file: Path) -> Columns:
    """Read a Parquet file into columns of text; what is empty is an empty text."""
    import duckdb

    if not file.is_file():
        raise EnvironmentFailure(f"{file} is not there: name the right file.")
    try:
        found = duckdb.connect().execute("SELECT * FROM read_parquet(?)", [str(file)])
        names = [str(column[0]).strip().lower() for column in found.description or ()]
        rows = found.fetchall()
    except duckdb.Error:
        raise UsageError(f"{file} is no Parquet that can be read: write it anew.") from None
    if not rows:
        raise UsageError(f"{file} has no rows: give one row for each part.")
    return {name: [cell_text(row[i]) for row in rows] for i, name in enumerate(names)}


def read_columns(file: Path, delimiter: str = ",", *, decimal_comma: bool = False) -> Columns:
    r"""Read a Parquet file, or a CSV file with a heading, into columns of text.

    Args:
        file: the file.
        delimiter: what stands between cells; ``\t`` is a tab.
        decimal_comma: turn the comma of figures into a point.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it has no rows, another delimiter, or rows of another width.
    """
    if file.suffix.lower() == ".parquet":
        return _of_parquet(file)
    if file.suffix.lower() in {".json", ".ndjson", ".jsonl"}:
        raise UsageError(f"{file} is JSON: `fit` takes CSV or Parquet, which `sql -o` writes.")
    delimiter = delimiter.replace("\\t", "\t")
    if len(delimiter) != 1:
        raise UsageError(f"--delimiter is one character, as in ';', not {delimiter!r}.")
    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            rows = [row for row in csv.reader(handle, delimiter=delimiter) if row]
    except OSError as error:
        raise EnvironmentFailure.unreadable(file, error) from None
    except UnicodeDecodeError:
        raise UsageError(f"{file} is not UTF-8 text: save it as CSV in UTF-8.") from None
    if len(rows) < 2:
        raise UsageError(f"{file} has no rows below its heading: give one row for each part.")
    heading = [name.strip().lower() for name in rows[0]]
    other = next((mark for mark in ";\t" if len(heading) == 1 and mark in heading[0]), "")
    if other:
        shown = "\\t" if other == "\t" else other
        raise UsageError(
            f"The cells of {file} seem to be parted by {other!r}: say --delimiter '{shown}', and "
            "--decimal-comma if figures have a comma before their decimals."
        )
    width = len(heading)
    wrong = [str(number) for number, row in enumerate(rows[1:], start=2) if len(row) != width]
    if wrong:
        named = ", ".join(wrong[:_NAMED]) + (", …" if len(wrong) > _NAMED else "")
        many = f"rows {named} have" if len(wrong) > 1 else f"row {named} has"
        raise UsageError(
            f"{file}: {many} another number of cells than the heading's {width}; fill them or "
            "mend the separators."
        )
    columns = {name: [row[i].strip() for row in rows[1:]] for i, name in enumerate(heading)}
    if decimal_comma:
        for name in columns.keys() - _TEXTS:
            columns[name] = [_DECIMALS.sub(r"\1.\2", cell) for cell in columns[name]]
    return columns


def _fitted(name: str, file: Path, columns: Columns, **options: object) -> dict[str, Any]:
    """Return what the statistics called `name` find, refusing data in one sentence."""
    entry = next(iter(importlib.metadata.entry_points(group=_GROUP, name=name)), None)
    if entry is None:
        raise EnvironmentFailure(
            f"The statistics for `fit {name}` are missing: reinstall Roadworn."
        )
    fit: Fit = partial(entry.load(), **options)
    try:
        return fit(columns)
    except ProblemsFound as error:
        if not error.problems:
            raise UsageError(error.message) from error
        found = sorted(_all_problems(fit, columns, error), key=lambda p: p.row)
        # The estimators count rows of values; a person counts lines, the heading among them.
        problems = tuple(p.at(p.row + 1 if p.row else 0, str(file)) for p in found)
        what = counted(len(problems), "problem")
        raise ProblemsFound(f"{what}, so nothing was fitted: {problems[0]}", problems) from error
    except ValueError as error:
        raise UsageError(str(error)) from error


def _all_problems(fit: Fit, columns: Columns, error: ProblemsFound) -> list[Problem]:
    """Return the problems of an error, and those that are met once its rows are left out.

    A figure is looked at for its sense only after all figures could be read, so a table with
    both kinds of mistakes would otherwise be mended twice.
    """
    found = list(error.problems)
    bad = {problem.row for problem in found}
    left = [row for row in range(1, len(next(iter(columns.values()))) + 1) if row not in bad]
    if not left or 0 in bad:
        return found
    try:
        fit({name: [cells[row - 1] for row in left] for name, cells in columns.items()})
    except ProblemsFound as second:
        found += [p.at(left[p.row - 1]) for p in second.problems if p.row]
    except ValueError:
        pass  # too few rows are left to fit
    return found


def _emit(found: dict[str, Any], columns: Mapping[str, tuple[str | int, ...]], fmt: str) -> None:
    """Print the whole answer as JSON, or a row a group with the figures that `columns` names."""
    if ignored := found["ignored_columns"]:
        which = ", ".join(ignored)
        note(f"not used: {which}; a column named group parts the rows, each fitted by itself")
    if fmt == "json":
        emit_json(found)
        return
    rows = [[_figure(group, path) for path in columns.values()] for group in found["groups"]]
    emit(tuple(columns), rows, fmt=fmt)


def _figure(value: Any, path: tuple[str | int, ...]) -> object:  # noqa: ANN401  # of JSON
    """Follow a path into an answer; what is not there is None."""
    for step in path:
        value = None if value is None else value[step]
    return value


def _choice(value: str, known: tuple[str, ...], option: str) -> None:
    if value not in known:
        raise UsageError(f"{option} is one of {', '.join(known)}, not {value!r}.")
