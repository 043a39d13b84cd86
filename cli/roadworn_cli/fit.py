"""`roadworn fit lives|repairs FILE`: the same statistics on any plain table, no ledger needed."""

import csv
import importlib.metadata
import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, cast

import typer

from roadworn.model.errors import EnvironmentFailure, ProblemsFound, UsageError
from roadworn.model.messages import Problem
from roadworn_cli.lazy import Verb, lazy_app
from roadworn_cli.output import FORMATS, counted, emit, emit_json

VERBS = (
    Verb("lives", "roadworn_cli.fit:lives", "Lifetimes: Kaplan-Meier, Weibull, lognormal."),
    Verb("repairs", "roadworn_cli.fit:repairs", "Recurrent repairs: mean number and trend."),
)
verb = lazy_app(VERBS, "Fit life data of any plain table, without a ledger.")

# The command knows the statistics only by entry point, as it knows the analyses.
_GROUP = "roadworn.fits"
#: Columns that hold names; a comma in them is no decimal one.
_TEXTS = frozenset({"group", "unit", "event"})
#: So many rows are named in one sentence.
_NAMED = 20


_DELIMITER: str = typer.Option(
    ",", "--delimiter", metavar="CHARACTER", help="What stands between cells, as in ';'."
)
_DECIMAL_COMMA: bool = typer.Option(
    False, "--decimal-comma", help="Figures have a comma before their decimals."
)


def lives(
    file: Path = typer.Argument(
        metavar="FILE", help="CSV: group, entry, then age,failed or lower,upper; count."
    ),
    unit: str = typer.Option("", "--unit", help="Unit of the ages, carried into the output."),
    level: float = typer.Option(0.95, "--level", min=0.5, max=0.9999, help="Level of the limits."),
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
    found = _load("lives", file)(columns, unit=unit, level=level, interval=interval)
    if fmt == "json":
        emit_json(found)
        return
    names = (
        "group",
        "n",
        "failures",
        "shape",
        "scale",
        "b10",
        "b10_low",
        "b10_high",
        "b50",
        "b50_low",
        "b50_high",
        "loglik",
    )
    emit(names, [_life_row(group) for group in found["groups"]], fmt=fmt)


def repairs(
    file: Path = typer.Argument(
        metavar="FILE", help="CSV: unit,age,event (repair, end, start); group; count."
    ),
    level: float = typer.Option(0.95, "--level", min=0.5, max=0.9999, help="Level of the limits."),
    delimiter: str = _DELIMITER,
    decimal_comma: bool = _DECIMAL_COMMA,
    fmt: str = typer.Option("json", "--format", metavar="json|table|csv", help="Form of output."),
) -> None:
    """Fit recurrent repairs: mean cumulative number, power law, and tests for a trend."""
    _choice(fmt, FORMATS, "--format")
    columns = read_columns(file, delimiter, decimal_comma=decimal_comma)
    found = _load("repairs", file)(columns, level=level)
    if fmt == "json":
        emit_json(found)
        return
    names = ("group", "units", "repairs", "beta", "beta_low", "beta_high", "laplace_u", "laplace_p")
    rows = []
    for group in found["groups"]:
        law, laplace = group.get("power_law") or {}, group.get("laplace") or {}
        limits = law.get("beta_ci") or (None, None)
        rows.append(
            (
                group["group"],
                group["units"],
                group["repairs"],
                law.get("beta"),
                *limits,
                laplace.get("u"),
                laplace.get("p"),
            )
        )
    emit(names, rows, fmt=fmt)


def read_columns(
    file: Path, delimiter: str = ",", *, decimal_comma: bool = False
) -> dict[str, list[str]]:
    r"""Read a CSV file with a heading into columns of text.

    Args:
        file: the file.
        delimiter: what stands between cells; ``\t`` is a tab.
        decimal_comma: turn the comma of figures into a point.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it has no rows, another delimiter, or rows of another width.
    """
    delimiter = delimiter.replace("\\t", "\t")
    if len(delimiter) != 1:
        raise UsageError(f"--delimiter is one character, as in ';', not {delimiter!r}.")
    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            rows = [row for row in csv.reader(handle, delimiter=delimiter) if row]
    except OSError as error:
        raise EnvironmentFailure(
            f"{file} cannot be read ({error.strerror}): check the name and the permissions."
        ) from None
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
    _check_widths(file, rows)
    columns = {name: [row[i].strip() for row in rows[1:]] for i, name in enumerate(heading)}
    if decimal_comma:
        for name in columns.keys() - _TEXTS:
            columns[name] = [_with_point(cell) for cell in columns[name]]
    return columns


def _check_widths(file: Path, rows: list[list[str]]) -> None:
    width = len(rows[0])
    wrong = [number for number, row in enumerate(rows[1:], start=2) if len(row) != width]
    if wrong:
        named = ", ".join(map(str, wrong[:_NAMED])) + (", …" if len(wrong) > _NAMED else "")
        many = f"rows {named} have" if len(wrong) > 1 else f"row {named} has"
        raise UsageError(
            f"{file}: {many} another number of cells than the heading's {width}; fill them or "
            "mend the separators."
        )


def _with_point(cell: str) -> str:
    return cell.replace(",", ".") if re.fullmatch(r"[+-]?\d+,\d+", cell) else cell


def _load(name: str, file: Path) -> Callable[..., dict[str, Any]]:
    """Return the statistics called `name`, refusing data in one sentence."""
    for entry in importlib.metadata.entry_points(group=_GROUP, name=name):
        return partial(_checked, file, cast("Callable[..., dict[str, Any]]", entry.load()))
    raise EnvironmentFailure(f"The statistics for `fit {name}` are missing: reinstall Roadworn.")


def _checked(
    file: Path, fit: Callable[..., dict[str, Any]], columns: dict[str, list[str]], **options: object
) -> dict[str, Any]:
    # The estimators count rows of values; a person counts lines, the heading among them.
    try:
        return fit(columns, **options)
    except ProblemsFound as error:
        if not error.problems:
            raise UsageError(error.message) from error
        found = sorted(_all_problems(fit, columns, options, error), key=lambda p: p.row)
        problems = tuple(
            replace(problem, file=str(file), row=problem.row + 1 if problem.row else 0)
            for problem in found
        )
        what = counted(len(problems), "problem")
        raise ProblemsFound(f"{what}, so nothing was fitted: {problems[0]}", problems) from error
    except ValueError as error:
        raise UsageError(str(error)) from error


def _all_problems(
    fit: Callable[..., dict[str, Any]],
    columns: dict[str, list[str]],
    options: dict[str, object],
    error: ProblemsFound,
) -> list[Problem]:
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
        fit({name: [cells[row - 1] for row in left] for name, cells in columns.items()}, **options)
    except ProblemsFound as second:
        found += [replace(p, row=left[p.row - 1]) for p in second.problems if p.row]
    except ValueError:
        pass  # too few rows are left to fit
    return found


def _life_row(group: dict[str, Any]) -> tuple[object, ...]:
    fit = group.get("weibull") or {}
    limits = [fit.get(name) or (None, None) for name in ("b10_ci", "b50_ci")]
    return (
        group["group"],
        group["n"],
        group["failures"],
        fit.get("shape"),
        fit.get("scale"),
        fit.get("b10"),
        *limits[0],
        fit.get("b50"),
        *limits[1],
        fit.get("loglik"),
    )


def _choice(value: str, known: tuple[str, ...], option: str) -> None:
    if value not in known:
        raise UsageError(f"{option} is one of {', '.join(known)}, not {value!r}.")
