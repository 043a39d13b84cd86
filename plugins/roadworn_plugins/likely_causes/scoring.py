"""How well causes are foretold: scores of the ledger's own cases, and calibration."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from roadworn_plugins.likely_causes.chances import (
    MOST_TO_LEARN,
    ONLY_CODES,
    Case,
    Causes,
    Floats,
    kind_of,
)


@dataclass(frozen=True, slots=True)
class Scores:
    """How well each case is foretold from the others, in mean logarithmic score, 0 the best.

    Attributes:
        cases: foretold.
        base, code, full: by the base rate of the class, by the code alone, by all facts.
        first, three: share of cases whose cause stands first, and among the first three.
        slope: of calibration, 1 where chances are neither too bold nor too shy; None with too few.
    """

    cases: int
    base: float
    code: float
    full: float
    first: float
    three: float
    slope: float | None


def scores(causes: Causes, cases: Sequence[Case] | None = None) -> Scores | None:
    """Foretell cases and score it; those of the ledger each from the others.

    Args:
        causes: what is tried.
        cases: others than those it was learnt from.
    """
    own = cases is None
    tried = causes.cases[-MOST_TO_LEARN:] if cases is None else cases
    if not tried:
        return None
    index = {name: i for i, name in enumerate(causes.names)}
    made, true, logs = [], [], defaultdict[str, list[float]](list)
    for case in tried:
        without = case if own else None
        at = index.get(case.cause)
        full = causes.chances(case.facts, case.kind, case.tried, without=without)
        codes = {fact for fact in case.facts if kind_of(fact) == "code"}
        alone = causes.chances(codes, case.kind, without=without, weights=ONLY_CODES)
        for name, chances in (
            ("full", full),
            ("code", alone),
            ("base", causes.base(case.kind, without)),
        ):
            # A cause that no catalogue has shares what is left over for the unheard of.
            logs[name].append(float(np.log(chances[at])) if at is not None else np.log(1e-4))
        made.append(full)
        true.append(-1 if at is None else at)
    every, causes_at = np.array(made), np.array(true)
    rank = np.array(
        [np.inf if t < 0 else np.sum(row > row[t]) for row, t in zip(every, causes_at, strict=True)]
    )
    return Scores(
        len(tried),
        float(np.mean(logs["base"])),
        float(np.mean(logs["code"])),
        float(np.mean(logs["full"])),
        float(np.mean(rank < 1)),
        float(np.mean(rank < 3)),
        calibration_slope(every, causes_at),
    )


def calibration_slope(chances: Floats, true: NDArray[np.int64]) -> float | None:
    """Return the slope of the logistic line of "was it" on the log odds of each chance.

    1 for honest chances, below for too bold ones (Cox, Two further applications of a model for
    binary regression, Biometrika 45, 1958, from memory). None with fewer than thirty cases.

    Args:
        chances: shape (cases, causes).
        true: index of each case's cause, -1 for none of them.
    """
    if true.size < 30:
        return None
    was = np.arange(chances.shape[1])[None, :] == true[:, None]
    kept = chances > 0.005
    x = np.log(chances[kept] / np.maximum(1.0 - chances[kept], 1e-12))
    y = was[kept].astype(np.float64)
    line = np.stack([np.ones_like(x), x], axis=1)
    beta = np.array([0.0, 1.0])
    for _ in range(50):
        p = 1.0 / (1.0 + np.exp(-np.clip(line @ beta, -30.0, 30.0)))
        bend = (line * (p * (1.0 - p))[:, None]).T @ line + 1e-9 * np.eye(2)
        step = np.linalg.solve(bend, line.T @ (y - p))
        beta += np.clip(step, -2.0, 2.0)
        if np.abs(step).max() < 1e-10:
            break
    return float(beta[1])
