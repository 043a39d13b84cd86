"""The power-law process: does a unit need repair ever more often as it ages?

The intensity of repairs is lambda * beta * age^(beta - 1); beta above 1 means that repairs come
closer together. Estimates and exact limits after Crow and MIL-HDBK-189 (1981); whether the
observation stopped at a time or at a failure changes factors and degrees of freedom.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri, ndtri

from roadworn_plugins.lifedata.checked import (
    Floats,
    Integers,
    NoEstimate,
    finite,
    one_of,
    same_length,
    summed,
    tail,
)
from roadworn_plugins.lifedata.counts import whole_counts


@dataclass(frozen=True, eq=False)
class RepairHistory:
    """Repair ages and the stretches of observation they fell into.

    Attributes:
        age: Age at each repair.
        stretch: Number of the stretch of each repair.
        start: Age at which each stretch starts; observation holds for start < age <= stop.
        stop: Age at which it stops.
        at_failure: True where a stretch was stopped by its last repair, False where by time.
    """

    age: Floats
    stretch: Integers
    start: Floats
    stop: Floats
    at_failure: NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        ages: ArrayLike,
        total_times: ArrayLike,
        stopped: str | ArrayLike = "time",
        unit: ArrayLike | None = None,
        starts: ArrayLike | None = None,
    ) -> "RepairHistory":
        """Check and collect the history.

        Args:
            ages: Age at each repair, all units together.
            total_times: Age at which the observation of each stretch stops; one number or many.
            stopped: ``"time"`` or ``"failure"``, for all stretches or for each.
            unit: Number of the stretch of each repair; needed with more than one.
            starts: Age at which each stretch starts; 0 by default.

        Raises:
            NoEstimate: Invalid input, or a repair outside its stretch.
        """
        age = np.atleast_1d(finite("repair ages", ages))
        stop = np.atleast_1d(finite("total times", total_times))
        start = np.zeros(stop.shape) if starts is None else finite("starts", starts, least=0.0)
        start = np.atleast_1d(start)
        words = np.broadcast_to(np.asarray(stopped), stop.shape)
        if not np.all(np.isin(words, ("time", "failure"))):
            raise NoEstimate("The stopping rule must be time or failure; correct it.")
        if unit is None and stop.size > 1:
            raise NoEstimate("With several units, say which unit each repair belongs to.")
        code = np.zeros(age.shape, dtype=np.int64) if unit is None else np.asarray(unit)
        same_length(age=age, unit=code)
        same_length(start=start, stop=stop)
        if np.any(stop <= start):
            raise NoEstimate("A unit's observation ends no later than it starts; correct it.")
        if code.size and (code.min() < 0 or code.max() >= stop.size):
            raise NoEstimate(f"Unit numbers must run from 0 to {stop.size - 1}; recode them.")
        code = code.astype(np.int64)
        outside = (age <= start[code]) | (age > stop[code])
        if np.any(outside):
            raise NoEstimate(
                f"The repair at {age[outside][0]:g} lies outside the observation of its unit "
                "(start < age <= stop); correct the age or the stretch."
            )
        at_failure = np.asarray(words == "failure")
        newest = np.full(stop.shape, -np.inf)
        np.maximum.at(newest, code, age)
        if np.any(at_failure & (newest != stop)):
            raise NoEstimate("A failure-stopped unit must end at its last repair; correct it.")
        return cls(age, code, start, stop, at_failure)

    @property
    def repairs(self) -> int:
        """Number of repairs."""
        return int(self.age.size)

    @property
    def from_new_to_one_age(self) -> bool:
        """True if all stretches start at 0 and stop at the same age: exact results exist."""
        return bool(np.all(self.start == 0.0) and np.all(self.stop == self.stop[0]))

    @property
    def stopped(self) -> str:
        """``"failure"`` if every stretch was stopped by a failure, else ``"time"``."""
        return "failure" if np.all(self.at_failure) else "time"

    def free(self) -> tuple[Floats, Integers]:
        """Return the repairs that did not themselves stop the observation, and their stretch."""
        stopping = self.at_failure[self.stretch] & (self.age == self.stop[self.stretch])
        # Of several repairs at the stopping age only one stopped the observation.
        order = np.lexsort((self.age, self.stretch))
        last = np.ones(order.size, dtype=bool)
        last[:-1] = np.diff(self.stretch[order]) != 0
        keep = np.ones(order.size, dtype=bool)
        keep[order[last]] = ~stopping[order[last]]
        return self.age[keep], self.stretch[keep]

    def counts(self, stretch: Integers) -> Floats:
        """Count rows by stretch."""
        return summed(stretch, np.ones(stretch.size), self.stop.size)


@dataclass(frozen=True)
class PowerLaw:
    """A fitted power-law process, pooled over units.

    Attributes:
        beta: Maximum likelihood growth exponent.
        scale: Age by which a unit expects one repair; it expects (age / scale)^beta by an age.
        beta_unbiased: Exponent corrected for bias; nan with too few repairs.
        scale_unbiased: Scale at the corrected exponent; nan with too few repairs.
        beta_ci: Limits of the exponent.
        limits: ``"exact"`` (chi-square; all units from new to one age) or ``"fisher"``
            (normal on log(beta)).
        repairs: Repairs it rests on.
        units: Stretches of observation.
        stopped: ``"time"`` or ``"failure"``.
        end: Age at which the longest observation stopped.
        loglik: Log-likelihood.
    """

    beta: float
    scale: float
    beta_unbiased: float
    scale_unbiased: float
    beta_ci: tuple[float, float]
    limits: str
    repairs: int
    units: int
    stopped: str
    end: float
    loglik: float

    @property
    def rate(self) -> float:
        """The constant lambda in lambda * age^beta, which is scale^-beta."""
        return float(np.exp(-self.beta * np.log(self.scale)))

    @property
    def rate_unbiased(self) -> float:
        """Lambda at the corrected exponent; nan with too few repairs."""
        return float(np.exp(-self.beta_unbiased * np.log(self.scale_unbiased)))

    def expected(self, age: ArrayLike) -> Floats:
        """Expected repairs of one unit from new to these ages."""
        return np.asarray((finite("ages", age, least=0.0) / self.scale) ** self.beta)

    def intensity(self, age: ArrayLike) -> Floats:
        """Repairs per unit of age at these ages, above zero."""
        ages = finite("ages", age, least=np.nextafter(0.0, 1.0))
        return np.asarray(self.beta / ages * self.expected(ages))

    def mean_between(self, *, unbiased: bool = False) -> float:
        """Mean age between repairs as it stands at the end of observation."""
        beta, scale = self.beta, self.scale
        if unbiased:
            beta, scale = self.beta_unbiased, self.scale_unbiased
        return float(self.end / (beta * (self.end / scale) ** beta))

    def mean_between_limits(self, level: float = 0.80) -> tuple[float, float]:
        """Approximate limits of the unbiased mean between repairs at the end.

        The approximation of the NIST/SEMATECH e-Handbook 8.4.5.2 for one time-stopped unit,
        recovered from its printed result.

        Raises:
            NoEstimate: Several units, failure-stopped, or too few repairs for it.
        """
        n, z = self.repairs, float(-ndtri(tail(level)))
        if self.units != 1 or self.stopped != "time" or n <= z * z / 2.0 or n < 2:
            raise NoEstimate("These limits need one time-stopped unit and more repairs.")
        mean = self.mean_between(unbiased=True) * n * (n - 1)
        wide = n + z * z / 4.0 + np.sqrt(n * z * z / 2.0 + z**4 / 16.0)
        return float(mean / wide**2), float(mean / (n - z * np.sqrt(n / 2.0)) ** 2)


@dataclass(frozen=True)
class GroupedPowerLaw:
    """A power-law process fitted to counts between inspections.

    Attributes:
        beta: Maximum likelihood exponent.
        scale: Age by which one repair is expected.
        expected: Expected repairs of each interval.
        chi_square: Pearson's statistic of observed against expected.
        last_mean_between: Mean age between repairs over the last interval.
        end: End of the last interval.
    """

    beta: float
    scale: float
    expected: tuple[float, ...]
    chi_square: float
    last_mean_between: float
    end: float

    @property
    def rate(self) -> float:
        """The constant lambda in lambda * age^beta."""
        return float(np.exp(-self.beta * np.log(self.scale)))

    @property
    def intensity(self) -> float:
        """Repairs per unit of age at the end."""
        return float(self.beta / self.end * (self.end / self.scale) ** self.beta)


def power_law(
    ages: ArrayLike,
    total_times: ArrayLike,
    stopped: str | ArrayLike = "time",
    *,
    unit: ArrayLike | None = None,
    starts: ArrayLike | None = None,
    level: float = 0.95,
    limits: str = "auto",
) -> PowerLaw:
    """Fit one power-law process to the repairs of all units together.

    Args:
        ages: Age at each repair.
        total_times: Age at which the observation of each unit stops.
        stopped: ``"time"`` or ``"failure"``, for all units or for each.
        unit: Number of the unit of each repair; needed with more than one unit.
        starts: Age at which the observation of each unit starts; 0 by default.
        level: Two-sided level of the limits.
        limits: ``"exact"``, ``"fisher"``, or ``"auto"`` for exact where possible.

    Raises:
        NoEstimate: Invalid history, no repair, or all repairs at the very end.
    """
    history = RepairHistory.of(ages, total_times, stopped, unit, starts)
    return fit_power_law(history, level=level, limits=limits)


def fit_power_law(history: RepairHistory, *, level: float = 0.95, limits: str = "auto") -> PowerLaw:
    """Fit a power-law process to a checked history; see :func:`power_law`."""
    one_of("limits", limits, ("auto", "exact", "fisher"))
    side, n = tail(level), history.repairs
    if n == 0:
        raise NoEstimate("Without a repair no trend can be fitted; watch the units for longer.")
    exact = history.from_new_to_one_age
    if limits == "exact" and not exact:
        raise NoEstimate("Exact limits need units seen from new to one age; ask for fisher.")
    unit = float(history.stop.max())  # scaled, so that powers of ages stay near 1
    log_sum = float(np.sum(np.log(history.age / unit)))
    if log_sum == 0.0:
        raise NoEstimate("All repairs lie at the end of observation; no exponent fits them.")
    start, stop = history.start / unit, history.stop / unit
    beta = -n / log_sum if exact else _solve(n, log_sum, start, stop)
    power, first, second = _moments(beta, start, stop)
    # Repairs that stopped the observation carry no information on the exponent.
    free = n - int(np.count_nonzero(history.at_failure))
    unbiased = beta * (free - 1) / n if free > 1 else np.nan
    if limits == "fisher" or not exact:
        spread = n + n * beta**2 * (second / power - (first / power) ** 2)
        reach = float(np.exp(-ndtri(side) / np.sqrt(spread)))
        ci = (beta / reach, beta * reach)
    elif free > 0:
        low, high = (float(chdtri(2 * free, 1.0 - q)) for q in (side, 1.0 - side))
        ci = (beta * low / (2 * n), beta * high / (2 * n))
    else:
        ci = (np.nan, np.nan)
    again = _moments(unbiased, start, stop)[0] if free > 1 else np.nan
    return PowerLaw(
        beta=beta,
        scale=float(unit * (power / n) ** (1.0 / beta)),
        beta_unbiased=float(unbiased),
        scale_unbiased=float(unit * (again / n) ** (1.0 / unbiased)),
        beta_ci=ci,
        limits="exact" if exact and limits != "fisher" else "fisher",
        repairs=n,
        units=int(history.stop.size),
        stopped=history.stopped,
        end=unit,
        loglik=float(
            n * (np.log(n / power) + np.log(beta) - np.log(unit) - 1.0) + (beta - 1.0) * log_sum
        ),
    )


def grouped_power_law(ends: ArrayLike, counts: ArrayLike) -> GroupedPowerLaw:
    """Fit a power-law process to repair counts between inspections (MIL-HDBK-189C 6.2.3).

    Args:
        ends: Rising ages at the interval ends; the first interval starts at 0.
        counts: Repairs in each interval.

    Raises:
        NoEstimate: Invalid intervals, or all repairs in the first or in the last of them.
    """
    edges = finite("interval ends", ends, least=np.nextafter(0.0, 1.0))
    found = whole_counts("counts", counts)
    if same_length(ends=edges, counts=found) < 2 or np.any(np.diff(edges) <= 0.0):
        raise NoEstimate("Give at least two intervals with rising ends.")
    if found[1:].sum() == 0 or found[:-1].sum() == 0:
        raise NoEstimate("All repairs lie in one outer interval; no exponent fits them.")
    top, total = float(edges[-1]), float(found.sum())
    logs = np.log(edges / top)

    gaps = np.diff(logs)

    def score(beta: float) -> float:
        # Written with the ratio of neighbouring ends, so that no power underflows.
        inside = gaps / np.expm1(np.minimum(beta * gaps, 700.0))
        return float(np.sum(found * logs) + np.sum(found[1:] * inside))

    beta = _bisect(score)
    expected = total * np.diff(np.exp(beta * logs), prepend=0.0)
    return GroupedPowerLaw(
        beta=beta,
        scale=float(top * total ** (-1.0 / beta)),
        expected=tuple(expected.tolist()),
        # An interval too short to expect anything adds nothing unless something happened in it.
        chi_square=float(np.sum((found - expected) ** 2 / np.maximum(expected, 1e-300))),
        last_mean_between=float((edges[-1] - edges[-2]) / expected[-1]),
        end=top,
    )


def _moments(beta: float, start: Floats, stop: Floats) -> tuple[float, float, float]:
    """Sums over stretches of stop^beta - start^beta and its two derivatives by beta."""
    late = np.where(start > 0.0, start, 1.0)
    up, down = stop**beta, np.where(start > 0.0, late**beta, 0.0)
    a, b, c = (float(np.sum(up * np.log(stop) ** i - down * np.log(late) ** i)) for i in range(3))
    return a, b, c


def _solve(n: int, log_sum: float, start: Floats, stop: Floats) -> float:
    def score(beta: float) -> float:
        power, first, _ = _moments(beta, start, stop)
        return n / beta + log_sum - n * first / power

    return _bisect(score)


def _bisect(score: Callable[[float], float]) -> float:
    """Find the root of a score that falls from plus to minus, over exponents 0.001 to 1000."""
    low, high = np.log(1e-3), np.log(1e3)
    if score(float(np.exp(low))) <= 0.0 or score(float(np.exp(high))) >= 0.0:
        raise NoEstimate("No exponent between 0.001 and 1000 fits these repairs; check the ages.")
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if score(float(np.exp(middle))) > 0.0 else (low, middle)
    return float(np.exp((low + high) / 2.0))
