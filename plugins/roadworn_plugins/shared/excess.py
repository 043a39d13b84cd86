"""Observed against expected failures, where the expectation comes from everybody else.

For each thing tested (a place on a vehicle, a component on a class, a supplier's part) the
expected number of failures is its own exposure times the rate of comparable others, its own
failures and exposure left out. That rate is itself uncertain: its Gamma posterior makes the
count negative binomial, so a small fleet does not raise alarms that its size cannot bear.
"""

from dataclasses import dataclass
from operator import itemgetter

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc

from roadworn_plugins.lifedata.checked import LifeDataError, summed
from roadworn_plugins.lifedata.counts import poisson_limits
from roadworn_plugins.lifedata.log_rank import LogRank, log_rank
from roadworn_plugins.shared.grouped import GroupedLives
from roadworn_plugins.shared.life_model import ComponentModel

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Excess:
    """One entry for each group tested.

    Attributes:
        group: index into the labels of the lives tested.
        observed, expected: failures.
        lower, upper: exact Poisson limits of observed over expected.
        p: chance of at least as many failures if the group were like the others.
        others: failures that the expectation rests on.
        share: its share of the exposure of its stratum; nan when it lies in several.
    """

    group: Ints
    observed: Floats
    expected: Floats
    lower: Floats
    upper: Floats
    p: Floats
    others: Floats
    share: Floats

    def where(self, rows: NDArray[np.bool_] | Ints) -> "Excess":
        """Return the chosen entries."""
        return Excess(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})


@dataclass(frozen=True, eq=False)
class _Tallies:
    """Failures and exposure by group and stratum, one entry for each pair that occurs."""

    group: Ints
    stratum: Ints
    failures: Floats
    exposure: Floats


def exposures(grouped: GroupedLives, models: dict[str, ComponentModel]) -> Floats:
    """Return exit^shape - entry^shape of each life, nan where its component has no model.

    `grouped.by` must begin with the component.
    """
    shapes = np.array(
        [models[label[0]].shape if label[0] in models else np.nan for label in grouped.labels]
    )
    shape = shapes[grouped.group] if shapes.size else np.zeros(0)
    return np.asarray(grouped.exit_age**shape - grouped.entry**shape)


def against_others(
    grouped: GroupedLives,
    group: Ints,
    stratum: Ints,
    exposure: Floats,
    *,
    level: float = 0.95,
) -> Excess:
    """Compare each group with the rest of the strata it is part of.

    Args:
        grouped: the lives.
        group: what is tested, of each life, dense from 0.
        stratum: with whom it is compared, of each life, dense from 0.
        exposure: of each life (see `exposures`); lives with nan are left out.
        level: of the limits of the ratio.

    Returns:
        The groups that have somebody to be compared with.
    """
    known = np.isfinite(exposure)
    tallies = _tally(group[known], stratum[known], grouped.failed[known], exposure[known])
    n_strata = int(tallies.stratum.max()) + 1 if tallies.stratum.size else 0
    total_failures = summed(tallies.stratum, tallies.failures, n_strata)
    total_exposure = summed(tallies.stratum, tallies.exposure, n_strata)
    rest_failures = total_failures[tallies.stratum] - tallies.failures
    rest_exposure = total_exposure[tallies.stratum] - tallies.exposure
    # A stratum that is all one group's says nothing about others.
    some = rest_exposure > 1e-9 * total_exposure[tallies.stratum]
    cells = tallies.group[some]
    n = int(group.max()) + 1 if group.size else 0
    # Jeffreys: half a failure on top, so that "the others had none" is not "they never fail".
    rate = (rest_failures[some] + 0.5) / rest_exposure[some]
    own = tallies.exposure[some]
    mean = summed(cells, own * rate, n)
    variance = summed(cells, own**2 * rate / rest_exposure[some], n)
    observed = summed(cells, tallies.failures[some], n)
    others = summed(cells, rest_failures[some], n)
    strata = np.bincount(cells, minlength=n)
    part = summed(cells, own / (own + rest_exposure[some]), n)
    tested = np.flatnonzero(mean > 0)
    mean, variance, observed = mean[tested], variance[tested], observed[tested]
    # The sum over strata is matched by one Gamma of the same mean and variance.
    a, b = mean**2 / variance, mean / variance
    tail = betainc(np.maximum(observed, 1.0), a, 1.0 / (b + 1.0))
    low, high = poisson_limits(observed, level)
    return Excess(
        group=tested,
        observed=observed,
        expected=mean,
        lower=low / mean,
        upper=high / mean,
        p=np.where(observed > 0, tail, 1.0),
        others=others[tested],
        share=np.where(strata[tested] == 1, part[tested], np.nan),
    )


def _tally(group: Ints, stratum: Ints, failed: NDArray[np.bool_], exposure: Floats) -> _Tallies:
    """Add failures and exposure up by the pairs of group and stratum that occur."""
    if group.size == 0:
        none = np.zeros(0)
        return _Tallies(none.astype(np.int64), none.astype(np.int64), none, none)
    width = int(stratum.max()) + 1
    pairs, cell = np.unique(group * width + stratum, return_inverse=True)
    return _Tallies(
        group=pairs // width,
        stratum=pairs % width,
        failures=summed(cell, failed.astype(np.float64), pairs.size),
        exposure=summed(cell, exposure, pairs.size),
    )


def coded(labels: list[tuple[str, ...]], *places: int) -> tuple[Ints, list[tuple[str, ...]]]:
    """Return a dense number for each label by the cells at `places`, and what each stands for."""
    if not labels:
        return np.zeros(0, dtype=np.int64), []
    # Hundreds of thousands of labels: texts become numbers a column at a time (their hashes are
    # kept, a tuple's are not), and the numbers of a label one number.
    joined = np.zeros(len(labels), dtype=np.int64)
    for place in places:
        column = list(map(itemgetter(place), labels))
        numbers = {text: number for number, text in enumerate(dict.fromkeys(column))}
        codes = np.fromiter(map(numbers.__getitem__, column), np.int64, len(column))
        joined = joined * len(numbers) + codes
    _joined, first, code = np.unique(joined, return_index=True, return_inverse=True)
    shown = map(labels.__getitem__, first.tolist())
    if len(places) == 1:
        return code.astype(np.int64), [(label[places[0]],) for label in shown]
    return code.astype(np.int64), list(map(itemgetter(*places), shown))


def log_rank_of(
    grouped: GroupedLives,
    rows: Ints,
    mine: NDArray[np.bool_],
    strata: Ints | None = None,
    level: float = 0.95,
) -> LogRank | None:
    """Compare some lives with others by a log-rank test, None when never at risk together.

    Args:
        grouped: all lives.
        rows: those compared.
        mine: of each life, on which side it is.
        strata: of each group, within which of them it is compared; None for all.
        level: of the limits.
    """
    try:
        return log_rank(
            mine[rows],
            grouped.entry[rows],
            grouped.exit_age[rows],
            grouped.failed[rows],
            stratum=None if strata is None else strata[grouped.group[rows]],
            level=level,
        )
    except LifeDataError:
        return None
