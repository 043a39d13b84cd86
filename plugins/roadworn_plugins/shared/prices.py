"""What replacing a component costs in this shop today, parts and labour together.

Prices come from the ledger's own replacements of the same component and class, each raised to
today's money; a wider group stands in when there are fewer than three, and says so. Without
any, the trade's labour hours at the shop's rate are the least that is known. Two currencies
are never added: the one that most replacements were paid in counts, the others are named.
"""

from dataclasses import dataclass
from datetime import date

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, place_sql
from roadworn.model.messages import Sentence

_LEAST = 3
_LATEST = 30
_LEAST_FOR_RISE = 60
_LEAST_YEARS = 2.0
# A rise outside this range is a sign of mixed work, not of money.
_RISES = (0.0, 0.15)
# What a yearly rise may be before a ledger has said anything: common practice, no source.
_RISE_SPREAD = 0.03
_PLACE = place_sql("r.component", "r.position")
# What is done by the axle is one job, also when each wheel was written down.
_JOBS = f"""
    SELECT r.component, v.vehicle_class, max(r.occurred_on) AS occurred_on, max(r.seq) AS seq,
           sum(CAST(r.total_cost AS DOUBLE)) AS cost
    FROM replacements AS r JOIN vehicles AS v USING (vehicle_id)
    WHERE r.total_cost > 0 AND r.currency = ?
    GROUP BY r.component, v.vehicle_class,
             CASE WHEN {_PLACE} <> r.position
                  THEN concat_ws('|', r.vehicle_id, {_PLACE}, r.occurred_on)
                  ELSE r.event_id END"""


@dataclass(frozen=True, slots=True)
class Price:
    """Cost of one replacement today: the middle figure and the range of eight in ten.

    `number` is how many replacements it rests on; 0 where only trade hours are known. `mean`
    is what many of them cost on average, None where only the range is known.
    """

    low: float
    middle: float
    high: float
    currency: str
    number: int
    basis: str
    mean: float | None = None


@dataclass(frozen=True, eq=False)
class Prices:
    """Prices by component, with and without the class of vehicle.

    Attributes:
        currency: of all figures; empty when the ledger has seen no price.
        yearly_rise: share by which older prices were raised, a year.
        other_currencies: replacements left out for their currency.
        labour_rate: the shop's usual rate an hour of late, None when never recorded.
    """

    currency: str
    by_class: dict[tuple[str, str], Price]
    by_component: dict[str, Price]
    other_currencies: int
    yearly_rise: float = 0.0
    labour_rate: float | None = None

    @classmethod
    def load(cls, view: LedgerView, yearly_rise: float | None = None) -> "Prices":
        """Read the prices that the ledger has seen.

        Args:
            view: the ledger as of a day.
            yearly_rise: how much money loses a year, 0.03 for 3 %; None takes what the
                ledger's own prices show.
        """
        totals = view.sql(
            """SELECT currency, count(*) FROM replacements WHERE total_cost > 0
               GROUP BY currency ORDER BY count(*) DESC, currency"""
        ).rows
        currency = str(totals[0][0]) if totals else ""
        rise = price_rise(view, currency) if yearly_rise is None else yearly_rise
        wide = _groups(view, currency, rise, by_class=False)
        narrow = _groups(view, currency, rise, by_class=True)
        return cls(
            currency=currency,
            by_class={(key[0], key[1]): price for key, price in narrow.items()},
            by_component={key[0]: price for key, price in wide.items()},
            other_currencies=sum(int(number) for _currency, number in totals[1:]),
            yearly_rise=rise,
            labour_rate=_labour_rate(view, currency),
        )

    def replacement(self, component: str, vehicle_class: str | None) -> Price | None:
        """Return the price for a component on a class, or None when none was ever recorded."""
        own = self.by_class.get((component, vehicle_class)) if vehicle_class else None
        wide = self.by_component.get(component)
        if own is not None and (own.number >= _LEAST or wide is None or wide.number < _LEAST):
            return own
        return wide or own

    def or_labour(self, component: str, vehicle_class: str | None) -> Price | None:
        """Return the price, or trade hours at the shop's rate when none was ever recorded."""
        seen = self.replacement(component, vehicle_class)
        known = catalogue().find(component)
        if seen is not None or self.labour_rate is None or known is None:
            return seen
        if known.labour_hours is None:
            return None
        low, high = (hours * self.labour_rate for hours in known.labour_hours)
        if low <= 0:
            return None
        words = Sentence(
            "prices.labour",
            "labour only, by trade hours (common practice, no source); part not priced",
        )
        return Price(low, float(np.sqrt(low * high)), high, self.currency, 0, words)

    def of_estimate(
        self,
        amount: float,
        hours: float | None,
        rate: float | None,
        currency: str,
        days: tuple[date, date],
    ) -> Price:
        """Return what an estimate line would come to today.

        Its hours are charged at the shop's rate of today, where that has gone up since; the
        rest is raised as the ledger's own prices rose.

        Args:
            amount: price of the line then.
            hours: labour in it, None without a working.
            rate: price of an hour then.
            currency: of the amounts.
            days: of the estimate, and today.
        """
        then, today = days
        labour = (hours or 0.0) * (rate or 0.0)
        labour_today = (hours or 0.0) * max(rate or 0.0, self.labour_rate or 0.0)
        if rate is None:
            labour = labour_today = 0.0  # hours at several rates stand in the amount
        years = max(0.0, (today - then).days / 365.25)
        now = (amount - labour) * (1.0 + self.yearly_rise) ** years + labour_today
        words = Sentence("prices.estimate", "the estimate of {day}", day=then)
        if abs(now - amount) >= 0.005:
            words = Sentence(
                "prices.estimate-raised", "the estimate of {day}, at today's prices", day=then
            )
        return Price(now, now, now, currency, 1, words)


def price_rise(view: LedgerView, currency: str) -> float:
    """Return the yearly rise that the ledger's own prices show, 0 where they are too few.

    The slope of log price on time within component and class, drawn towards none as far as
    its own uncertainty goes, and held between 0 and 15 % a year: a slope that may only go up
    would else raise the prices of a small ledger by its noise.
    """
    rows = view.arrays(
        f"""SELECT dense_rank() OVER (ORDER BY component, vehicle_class) - 1 AS g,
                   date_diff('day', DATE '2000-01-01', occurred_on) / 365.25 AS years,
                   ln(cost) AS y
            FROM ({_JOBS}) AS jobs ORDER BY seq""",
        (currency,),
    )
    years = rows["years"].astype(np.float64)
    if years.size < _LEAST_FOR_RISE or np.ptp(years) < _LEAST_YEARS:
        return 0.0
    group = rows["g"].astype(np.int64)
    size = np.maximum(np.bincount(group), 1)
    x, y = (
        values - (np.bincount(group, values) / size)[group]
        for values in (years, rows["y"].astype(np.float64))
    )
    spread = float(np.sum(x * x))
    freedom = years.size - np.count_nonzero(np.bincount(group)) - 1
    if spread <= 0.0 or freedom < 1:
        return 0.0
    slope = float(np.sum(x * y)) / spread
    error = float(np.sum((y - slope * x) ** 2)) / freedom / spread
    slope *= _RISE_SPREAD**2 / (_RISE_SPREAD**2 + error)
    return float(np.clip(np.expm1(slope), *_RISES))


def _labour_rate(view: LedgerView, currency: str) -> float | None:
    rows = view.sql(
        """SELECT quantile_cont(rate, 0.5) FROM (
             SELECT CAST(labour_rate AS DOUBLE) AS rate FROM replacements
             WHERE labour_rate > 0 AND currency = ?
             ORDER BY occurred_on DESC, seq DESC LIMIT 50)""",
        (currency,),
    ).rows
    return None if not rows or rows[0][0] is None else float(rows[0][0])


def _groups(
    view: LedgerView, currency: str, rise: float, *, by_class: bool
) -> dict[tuple[str, ...], Price]:
    keys = "component, vehicle_class" if by_class else "component"
    rows = view.sql(
        f"""SELECT {keys}, quantile_cont(cost, 0.1), quantile_cont(cost, 0.5),
                   quantile_cont(cost, 0.9), avg(cost), count(*)
            FROM (SELECT component, vehicle_class,
                         cost * pow(1 + ?, date_diff('day', occurred_on, CAST(? AS DATE)) / 365.25)
                           AS cost,
                         row_number() OVER (PARTITION BY {keys}
                                            ORDER BY occurred_on DESC, seq DESC) AS back
                  FROM ({_JOBS}) AS jobs)
            WHERE back <= {_LATEST}
            GROUP BY {keys}""",
        (rise, view.today.isoformat(), currency),
    ).rows
    found = {}
    for *key, low, middle, high, mean, number in rows:
        words = "{number} replacements on " + ("{vehicle_class}" if by_class else "all classes")
        found[tuple(str(cell) for cell in key)] = Price(
            low=float(low),
            middle=float(middle),
            high=float(high),
            currency=currency,
            number=int(number),
            basis=Sentence(
                "prices.class" if by_class else "prices.all",
                words,
                number=int(number),
                vehicle_class=key[-1],
            ),
            mean=float(mean),
        )
    return found


@dataclass(frozen=True, slots=True)
class PartPrice:
    """Usual price of one part from one origin, without labour."""

    middle: float
    currency: str
    number: int


def part_prices(view: LedgerView, *, by_number: bool) -> dict[tuple[str, ...], PartPrice]:
    """Return the usual price of a part by component and supplier, and part number if asked.

    Only the currency that most parts of that origin were paid in counts.
    """
    number = ", coalesce(part_number, '(not recorded)') AS part" if by_number else ""
    keys = "component, supplier, part" if by_number else "component, supplier"
    rows = view.sql(
        f"""SELECT {keys}, currency, quantile_cont(price, 0.5), count(*)
            FROM (SELECT component, supplier{number}, currency,
                         CAST(parts_cost AS DOUBLE) / greatest(coalesce(quantity, 1), 1) AS price
                  FROM replacements
                  WHERE parts_cost > 0 AND supplier IS NOT NULL AND currency IS NOT NULL)
            GROUP BY {keys}, currency
            ORDER BY count(*), currency DESC"""
    ).rows
    # The commonest currency comes last and stays.
    return {
        tuple(str(cell) for cell in key): PartPrice(float(middle), str(currency), int(count))
        for *key, currency, middle, count in rows
    }
