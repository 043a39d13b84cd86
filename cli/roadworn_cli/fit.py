"""`roadworn fit lives|repairs FILE`: the same statistics on any plain table, no ledger needed."""

import csv
import importlib.metadata
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, cast

import typer

from roadworn.errors import EnvironmentFailure, UsageError
from roadworn_cli.lazy import Verb, subgroup
from roadworn_cli.output import FORMATS, emit, emit_json

VERBS = (
    Verb("lives", "roadworn_cli.fit:lives", "Lifetimes: Kaplan-Meier, Weibull, lognormal."),
    Verb("repairs", "roadworn_cli.fit:repairs", "Recurrent repairs: mean number and trend."),
)
verb = subgroup(VERBS, "Fit life data of any plain table, without a ledger.")

# The command knows the statistics only by entry point, as it knows the analyses.
_GROUP = "roadworn.fits"


def lives(
    file: Path = typer.Argument(help="CSV: group, entry, then age,failed or lower,upper; count."),
    unit: str = typer.Option("", "--unit", help="Unit of the ages, carried into the output."),
    level: float = typer.Option(0.95, "--level", min=0.5, max=0.9999, help="Level of the limits."),
    interval: str = typer.Option(
        "conditional",
        "--interval",
        metavar="conditional|lr|wald",
        help="Limits: conditional hold in small samples; likelihood ratio; Wald on the log scale.",
    ),
    fmt: str = typer.Option("json", "--format", metavar="json|table|csv", help="Form of output."),
) -> None:
    """Fit lifetimes: one row a part, failed or still running, from new or entered late."""
    _choice(interval, ("conditional", "lr", "wald"), "--interval")
    _choice(fmt, FORMATS, "--format")
    found = _load("lives")(read_columns(file), unit=unit, level=level, interval=interval)
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
    file: Path = typer.Argument(help="CSV: unit,age,event (repair, end, start); group; count."),
    level: float = typer.Option(0.95, "--level", min=0.5, max=0.9999, help="Level of the limits."),
    fmt: str = typer.Option("json", "--format", metavar="json|table|csv", help="Form of output."),
) -> None:
    """Fit recurrent repairs: mean cumulative number, power law, and tests for a trend."""
    _choice(fmt, FORMATS, "--format")
    found = _load("repairs")(read_columns(file), level=level)
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


def read_columns(file: Path) -> dict[str, list[str]]:
    """Read a CSV file with a heading into columns of text.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it has no rows, or a row of another width.
    """
    try:
        with file.open(encoding="utf-8-sig", newline="") as handle:
            rows = [row for row in csv.reader(handle) if row]
    except OSError as error:
        raise EnvironmentFailure(
            f"{file} cannot be read ({error.strerror}): check the name and the permissions."
        ) from None
    except UnicodeDecodeError:
        raise UsageError(f"{file} is not UTF-8 text: save it as CSV in UTF-8.") from None
    if len(rows) < 2:
        raise UsageError(f"{file} has no rows below its heading: give one row for each part.")
    heading = [name.strip().lower() for name in rows[0]]
    for number, row in enumerate(rows[1:], start=2):
        if len(row) != len(heading):
            raise UsageError(
                f"{file}, row {number}: {len(row)} cells where the heading has {len(heading)}; "
                "fill the row or mend the separators."
            )
    return {name: [row[i].strip() for row in rows[1:]] for i, name in enumerate(heading)}


def _load(name: str) -> Callable[..., dict[str, Any]]:
    """Return the statistics called `name`, refusing data in one sentence."""
    for entry in importlib.metadata.entry_points(group=_GROUP, name=name):
        return partial(_checked, cast("Callable[..., dict[str, Any]]", entry.load()))
    raise EnvironmentFailure(f"The statistics for `fit {name}` are missing: reinstall Roadworn.")


def _checked(
    fit: Callable[..., dict[str, Any]], columns: dict[str, list[str]], **options: object
) -> dict[str, Any]:
    # The estimators refuse data with a ValueError of one sentence.
    try:
        return fit(columns, **options)
    except ValueError as error:
        raise UsageError(str(error)) from error


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
