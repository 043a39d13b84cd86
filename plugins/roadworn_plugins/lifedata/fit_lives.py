"""The table behind ``fit lives``: lives in, fitted distributions and survival out.

The statistics of the ledger on any plain table, so that they can be checked against data
whose answers are known. The result is a dictionary ready for JSON: a figure that the data do
not allow, and the open end of an interval, is None, and a status says why.
"""

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np

from roadworn_plugins.lifedata.checked import Bools, Floats, LifeDataError
from roadworn_plugins.lifedata.lives import Lives
from roadworn_plugins.lifedata.parametric import ParametricFit
from roadworn_plugins.lifedata.parametric_fits import (
    LognormalFit,
    WeibullFit,
    fit_lognormal,
    fit_weibull,
)
from roadworn_plugins.lifedata.small_samples import fit_small
from roadworn_plugins.lifedata.survival import KaplanMeier, kaplan_meier, read_lives
from roadworn_plugins.lifedata.turnbull import Turnbull, turnbull

LimitsKind = Literal["conditional", "lr", "wald"]

_NO_TURNBULL = (
    "survival without a model is not given where intervals and late entry meet:"
    " the estimate would be ambiguous"
)


def fit_lives_table(
    columns: Mapping[str, Sequence[Any]],
    *,
    unit: str = "",
    level: float = 0.95,
    interval: LimitsKind = "conditional",
) -> dict[str, Any]:
    """Fit Weibull, lognormal and model-free survival to each group of a table of lives.

    Args:
        columns: ``age`` and ``failed``, or ``lower`` and ``upper`` (empty: still running,
            equal: exact); optionally ``group``, ``entry`` (0) and ``count`` (1). Values may be
            numbers or text. Other columns are ignored and named in the result.
        unit: unit of the ages, handed through.
        level: confidence level.
        interval: ``conditional`` for limits corrected for small samples, ``lr`` for
            likelihood-ratio limits, ``wald`` for Wald limits on the log scale. Lognormal fits,
            and groups with interval rows, have likelihood-ratio limits in place of
            conditional ones; ``limits`` of each fit says which it has.

    Returns:
        ``{"unit", "level", "interval", "ignored_columns", "groups": [...]}``. A group with
        interval rows has Turnbull's estimate under ``survival``, the others Kaplan and Meier's.

    Raises:
        LifeDataError: the table cannot be read as lives; ``problems`` names each row.
    """
    table = read_lives(columns)
    lives = table.lives
    weibull, conditional = _fit_weibull(lives, level, interval)
    rest: Literal["lr", "wald"] = "wald" if interval == "wald" else "lr"
    lognormal = fit_lognormal(lives, level=level, interval=rest)
    survival, notes = _survival(lives, level)
    groups = []
    for g, label in enumerate(table.labels):
        group = {
            "group": label,
            "n": _count(weibull.n[g]),
            "failures": _count(weibull.failures[g]),
            "running": _count(weibull.running[g]),
            "interval_censored": _count(weibull.interval_censored[g]),
            "weibull": {
                **_weibull(weibull, g),
                "limits": "conditional" if conditional[g] else rest,
            },
            "lognormal": {**_lognormal(lognormal, g), "limits": rest},
            "survival": survival[g],
        }
        if notes[g]:
            group["survival_note"] = notes[g]
        groups.append(group)
    return {
        "unit": unit,
        "level": level,
        "interval": interval,
        "ignored_columns": list(table.ignored),
        "groups": groups,
    }


def _fit_weibull(lives: Lives, level: float, interval: str) -> tuple[WeibullFit, Bools]:
    """Return the fit, and the groups whose limits are conditional."""
    if interval == "conditional":
        return fit_small(lives, level=level)
    if interval not in ("lr", "wald"):
        raise LifeDataError(
            f"There is no interval named {interval!r}: use 'conditional', 'lr' or 'wald'."
        )
    kind: Literal["lr", "wald"] = "wald" if interval == "wald" else "lr"
    found = fit_weibull(lives, level=level, interval=kind)
    return found, np.zeros(lives.n_groups, dtype=bool)


def _number(value: float) -> float | None:
    """Return a float for JSON, None for what is undefined or open."""
    return float(value) if math.isfinite(value) else None


def _pair(values: Floats) -> list[float | None]:
    return [_number(value) for value in values]


def _count(value: float) -> int | float:
    return int(value) if float(value).is_integer() else float(value)


def _weibull(fit: WeibullFit, g: int) -> dict[str, Any]:
    return {
        "shape": _number(fit.shape[g]),
        "scale": _number(fit.scale[g]),
        "shape_ci": _pair(fit.shape_ci[g]),
        "scale_ci": _pair(fit.scale_ci[g]),
        **_common(fit, g),
    }


def _lognormal(fit: LognormalFit, g: int) -> dict[str, Any]:
    return {
        "mu": _number(fit.mu[g]),
        "sigma": _number(fit.sigma[g]),
        "mu_ci": _pair(fit.mu_ci[g]),
        "sigma_ci": _pair(fit.sigma_ci[g]),
        **_common(fit, g),
    }


def _common(fit: ParametricFit, g: int) -> dict[str, Any]:
    return {
        "loglik": _number(fit.loglik[g]),
        "aic": _number(fit.aic[g]),
        "b10": _number(fit.quantiles[0.1][g]),
        "b10_ci": _pair(fit.quantile_ci[0.1][g]),
        "b50": _number(fit.quantiles[0.5][g]),
        "b50_ci": _pair(fit.quantile_ci[0.5][g]),
        "status": fit.status_word(g),
    }


def _survival(lives: Lives, level: float) -> tuple[list[list[dict[str, Any]]], list[str]]:
    """Return the survival table of each group, and a note where there is none."""
    with_intervals = lives.per_group(lives.interval) > 0.0
    late = lives.per_group(lives.entry > 0.0) > 0.0
    curve = kaplan_meier(lives.where(~with_intervals[lives.group]), level=level)
    masses = turnbull(lives.where((with_intervals & ~late)[lives.group]))
    tables, notes = [], []
    for g in range(lives.n_groups):
        refused = bool(with_intervals[g] and late[g])
        notes.append(_NO_TURNBULL if refused else "")
        tables.append(_masses(masses, g) if with_intervals[g] else _curve(curve, g))
    return tables, notes


def _curve(curve: KaplanMeier, g: int) -> list[dict[str, Any]]:
    return [
        {
            "age": float(curve.age[i]),
            "at_risk": _count(curve.at_risk[i]),
            "events": _count(curve.events[i]),
            "s": float(curve.s[i]),
            "se": _number(curve.se[i]),
            "lower": _number(curve.lower[i]),
            "upper": _number(curve.upper[i]),
        }
        for i in range(*curve.group_slice(g).indices(curve.age.size))
    ]


def _masses(masses: Turnbull, g: int) -> list[dict[str, Any]]:
    return [
        {
            "lower": float(masses.lower[i]),
            "upper": _number(masses.upper[i]),
            "mass": float(masses.mass[i]),
            "s": float(masses.s[i]),
        }
        for i in range(*masses.group_slice(g).indices(masses.mass.size))
    ]
