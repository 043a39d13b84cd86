"""The ways of going on with a vehicle, each as a level amount a month, and where they cross."""

from dataclasses import dataclass
from datetime import date
from enum import Enum
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from roadworn.analysis import Settings
from roadworn.columns.view import LedgerView
from roadworn.model.messages import Joined, Says, Sentence
from roadworn_plugins.ahead import LEAST_PARTS
from roadworn_plugins.projection.economic import going_on, level_monthly, monthly_factor
from roadworn_plugins.shared.grouped import Floats
from roadworn_plugins.shared.settings import MostRows, ShownUnit

#: Loss of value a year where nothing is on record: common practice, no source.
USUAL_LOSS = 0.15
_LEAST_VALUES = 3
_LEAST_DAYS = 300
_LOSSES = (0.0, 0.6)
_say = Says(
    "keep-or-sell",
    {
        "stated": "value as stated",
        "no-value": "no value stated or on record",
        "valued": "valued at {value:,.0f} on {day}",
        "other-currency": "{number} valuation in {currencies} left out, amounts are never "
        "converted",
        "other-currencies": "{number} valuations in {currencies} left out, amounts are never "
        "converted",
        "loses-own": "loses {loss:.0%} a year by its own {number} valuations",
        "loses-class": "loses {loss:.0%} a year by {number} valuations of its class",
        "loses-usual": "loses {loss:.0%} a year (common practice, no source)",
    },
)


class KeepOrSellSettings(Settings):
    """What only the owner can say."""

    vehicle: Annotated[
        str | None, Field(description="the vehicle; without one all are ranked within their class")
    ] = None
    months: Annotated[int, Field(ge=3, le=60, description="horizon")] = 24
    value: Annotated[float | None, Field(ge=0, description="what it would fetch as it is")] = None
    value_fixed: Annotated[
        float | None, Field(ge=0, description="what it would fetch with the open work done")
    ] = None
    replacement_price: Annotated[
        float | None, Field(ge=0, description="price of the vehicle that would take its place")
    ] = None
    replacement_repairs: Annotated[
        float | None,
        Field(ge=0, description="repairs of that vehicle a year; its class here when not given"),
    ] = None
    replacement_loss: Annotated[
        float, Field(ge=0, lt=1, description="share of its price that it loses a year")
    ] = USUAL_LOSS
    duty: Annotated[
        Literal["", "local", "long", "passengers"], Field(description="what it is used for")
    ] = ""
    must_pass: Annotated[
        bool, Field(description="whether an inspection has to be passed within the horizon")
    ] = False
    least_parts: Annotated[
        int, Field(ge=0, description="with fewer priced parts on record: too few to tell")
    ] = LEAST_PARTS
    runs: Annotated[bool, Field(description="whether it runs as it stands")] = True
    yearly_rate: Annotated[
        float, Field(gt=-0.5, lt=1, description="what money is worth a year")
    ] = 0.04
    unit: ShownUnit = None
    most: MostRows = 60


@dataclass(frozen=True, slots=True)
class Worth:
    """A value today and its yearly loss as a share, with where both come from.

    `now` is None where nobody stated a value and none is on record.
    """

    now: float | None
    yearly_loss: float
    currency: str
    words: str
    events: tuple[str, ...]

    def after(self, months: float) -> float:
        """Return the value after so many months; 0 where the value now is not known."""
        left: float = (1.0 - self.yearly_loss) ** (months / 12.0)
        return (self.now or 0.0) * left


@dataclass(frozen=True, eq=False)
class Valuations:
    """The valuations on record, oldest first.

    Attributes:
        today: day of the view.
        own: vehicle -> day, value, currency and event of each.
        points: (class, currency) -> distance in km and value of each that has both.
    """

    today: date
    own: dict[str, list[tuple[date, float, str, str]]]
    points: dict[tuple[str, str], list[tuple[float, float]]]

    @classmethod
    def load(cls, view: LedgerView) -> "Valuations":
        """Read those of every vehicle."""
        found = cls(view.today, {}, {})
        for vehicle, kind, km, *row in view.sql(
            """SELECT w.vehicle_id, v.vehicle_class, w.true_km, w.occurred_on,
                      CAST(w.value AS DOUBLE), w.currency, w.event_id
               FROM valuations AS w JOIN vehicles AS v USING (vehicle_id)
               WHERE w.value >= 0 ORDER BY w.occurred_at, w.seq"""
        ).rows:
            day, value, currency, event = row
            found.own.setdefault(vehicle, []).append((day, value, currency, event))
            if km is not None and value > 0:
                found.points.setdefault((kind, currency), []).append((km, value))
        return found

    def worth(
        self, vehicle: str, kind: str, stated: float | None, currency: str, km_per_month: float
    ) -> Worth:
        """Return what a vehicle is worth today; never by the price of another one.

        Args:
            vehicle: an enrolled vehicle.
            kind: its class.
            stated: its value as the user states it, or None.
            currency: only valuations in this currency count, or in any when empty.
            km_per_month: its pace, which turns loss by distance into loss by time.
        """
        rows = self.own.get(vehicle, [])
        others = sorted({row[2] for row in rows if currency and row[2] != currency})
        left_out = sum(1 for row in rows if row[2] in others)
        rows = [row for row in rows if row[2] not in others]
        other = ""
        if others:
            word = "other-currency" if left_out == 1 else "other-currencies"
            other = _say(word, number=left_out, currencies=Joined(others))
        money = currency or (rows[-1][2] if rows else "")
        points = self.points.get((kind, money), [])
        loss, loss_words = _loss(rows, points, km_per_month)
        now = stated
        if stated is not None:
            words = _say("stated")
        elif not rows:
            words = _say("no-value")
        else:
            day, value = rows[-1][:2]
            now = value * (1.0 - loss) ** (max((self.today - day).days, 0) / 365.25)
            words = _say("valued", value=value, day=day)
        said = Joined((words, loss_words if now is not None else "", other), "; ")
        return Worth(now, loss, money, said, tuple(row[3] for row in rows))


def usual_repairs(view: LedgerView, kind: str, currency: str) -> float:
    """Return what vehicles of a class have cost in failed parts a year, on the mean.

    Over the last two years and the vehicles seen in them; 0 where nothing is on record.
    """
    rows = view.sql(
        """WITH here AS (
             SELECT vehicle_id,
                    date_diff('day', greatest(enrolled_on, CAST(? AS DATE) - 731),
                              coalesce(retired_on, last_seen_on)) AS days
             FROM vehicles
             WHERE vehicle_class = ?)
           SELECT sum(greatest(h.days, 0)) / 365.25,
                  (SELECT CAST(sum(r.total_cost) AS DOUBLE) FROM replacements AS r
                   WHERE r.vehicle_id IN (SELECT vehicle_id FROM here)
                     AND r.reason IN ('failed', 'worn_out') AND r.currency = ?
                     AND r.occurred_on > CAST(? AS DATE) - 731)
           FROM here AS h""",
        (view.today.isoformat(), kind, currency, view.today.isoformat()),
    ).rows
    years, spent = rows[0]
    return float(spent) / float(years) if years and spent else 0.0


def _loss(
    rows: list[tuple[date, float, str, str]],
    points: list[tuple[float, float]],
    km_per_month: float,
) -> tuple[float, Sentence]:
    """Return the yearly loss of value and where it is from: own valuations, those of the class."""
    own = [(row[0], row[1]) for row in rows if row[1] > 0]
    if len(own) >= _LEAST_VALUES and (own[-1][0] - own[0][0]).days >= _LEAST_DAYS:
        years = np.array([(day - own[0][0]).days / 365.25 for day, _value in own])
        loss = _as_loss(np.polyfit(years, np.log([value for _day, value in own]), 1)[0])
        return loss, _say("loses-own", loss=loss, number=len(own))
    if len(points) >= 2 * _LEAST_VALUES:
        km: Floats = np.array([point[0] for point in points], dtype=np.float64)
        if np.ptp(km) > 0:
            slope = np.polyfit(km, np.log([point[1] for point in points]), 1)[0]
            loss = _as_loss(slope * km_per_month * 12.0)
            return loss, _say("loses-class", loss=loss, number=len(points))
    return USUAL_LOSS, _say("loses-usual", loss=USUAL_LOSS)


def _as_loss(slope: float) -> float:
    """Turn a slope of log value a year into a yearly loss within reason."""
    return float(np.clip(-np.expm1(slope), *_LOSSES))


class Way(Enum):
    """The ways of going on."""

    KEEP = "keep as it is"
    FIX = "fix what is open and keep"
    LET_GO = "let go as it is"
    FIX_AND_LET_GO = "repair, then let go"

    @property
    def keeps(self) -> bool:
        """Whether the vehicle stays."""
        return self in {Way.KEEP, Way.FIX}

    @property
    def words(self) -> Sentence:
        """The way in words."""
        return Sentence(f"keep-or-sell.{self.name.lower()}", self.value)

    @property
    def first_words(self) -> Sentence:
        """The way in words that begin a sentence."""
        return Sentence(f"keep-or-sell.{self.name.lower()}-first", self.value.capitalize())


@dataclass(frozen=True, slots=True)
class Situation:
    """What the comparison rests on; money in one currency.

    Attributes:
        months: horizon.
        yearly_rate: what money is worth a year.
        value: what it would fetch now, as it is.
        value_fixed: what it would fetch with the open work done.
        value_then: share of its value that is left at the horizon.
        fix: cost of the open work: low, middle, high.
        running: repairs to expect over the horizon: low, expected, high.
        to_pass: work that an inspection within the horizon asks for, if nothing is fixed.
        other_price: price of the vehicle that would take its place, None when none is stated.
        other_then: share of that price that is left at the horizon.
        other_running: yearly repairs of that vehicle.
    """

    months: int
    yearly_rate: float
    value: float
    value_fixed: float
    value_then: float
    fix: tuple[float, float, float]
    running: tuple[float, float, float]
    to_pass: float
    other_price: float | None
    other_then: float
    other_running: float


@dataclass(frozen=True, slots=True)
class Option:
    """One way of going on.

    Attributes:
        monthly, low, high: level cost a month; for keeping the forgone price is in it.
        at_once: money out of the pocket now, less what the sale brings.
        offered: whether it may be chosen.
        why_not: why not, when it may not.
    """

    way: Way
    monthly: float
    low: float
    high: float
    at_once: float
    offered: bool = True
    why_not: str = ""


def keeping(s: Situation, *, fixed: bool) -> tuple[float, float, float]:
    """Return the monthly cost of keeping: low, expected, high."""
    value = s.value_fixed if fixed else s.value
    found = []
    for i in range(3):
        # What is kept could be sold today as it is: that money is tied up either way.
        start = s.value + (s.fix[i] if fixed else s.to_pass)
        monthly = np.full(s.months, s.running[i] / s.months)
        found.append(going_on(start, monthly, value * s.value_then, s.yearly_rate))
    return found[0], found[1], found[2]


def letting_go(s: Situation, *, fixed: bool) -> float:
    """Return the monthly cost of going over to the other vehicle; its price must be stated."""
    price = s.other_price or 0.0
    gained = s.value_fixed - s.value - s.fix[1] if fixed else 0.0
    monthly = np.full(s.months, s.other_running / 12.0)
    return going_on(price - gained, monthly, price * s.other_then, s.yearly_rate)


def ways_of(s: Situation, why_not: str, *, to_fix: bool) -> list[Option]:
    """Return the ways of going on, those of letting go where there is a price to compare with.

    Args:
        s: the situation.
        why_not: why keeping it as it is may not be chosen, an empty text where it may.
        to_fix: whether anything is open.
    """
    low, middle, high = keeping(s, fixed=False)
    options = [Option(Way.KEEP, middle, low, high, s.to_pass, not why_not, why_not)]
    if to_fix:
        low, middle, high = keeping(s, fixed=True)
        options.append(Option(Way.FIX, middle, low, high, s.fix[1]))
    if s.other_price is not None:
        gone = letting_go(s, fixed=False)
        options.append(Option(Way.LET_GO, gone, gone, gone, s.other_price - s.value))
        if to_fix and s.value_fixed - s.value > s.fix[1]:
            gone = letting_go(s, fixed=True)
            at_once = s.other_price + s.fix[1] - s.value_fixed
            options.append(Option(Way.FIX_AND_LET_GO, gone, gone, gone, at_once))
    return options


def best_kept(options: list[Option]) -> Option | None:
    """Return the cheapest way of keeping it that may be chosen."""
    kept = [o for o in options if o.way.keeps and o.offered]
    return min(kept, key=lambda o: o.monthly, default=None)


def gap_of(options: list[Option]) -> float | None:
    """Return the monthly cost of letting go less that of keeping, None without both."""
    best, gone = best_kept(options), [o.monthly for o in options if not o.way.keeps]
    return min(gone) - best.monthly if best is not None and gone else None


def value_where_it_flips(s: Situation, gap: float) -> float:
    """Return the value now at which keeping and letting go cost the same.

    Args:
        s: the situation.
        gap: monthly cost of letting go less that of keeping.
    """
    discount = monthly_factor(s.yearly_rate) ** -s.months
    left = s.value_then * discount
    # The part of the value that keeping uses up.
    slope = float(level_monthly(1.0 - left, s.yearly_rate, s.months))
    return s.value + gap / slope if slope > 0 else float("inf")


def repair_that_flips(s: Situation, gap: float) -> float:
    """Return the further repair, paid now, that makes keeping cost as much as letting go."""
    return gap / float(level_monthly(1.0, s.yearly_rate, s.months))


def running_that_flips(s: Situation, gap: float) -> float:
    """Return the repairs over the horizon at which keeping costs as much as letting go."""
    one = np.full(s.months, 1.0 / s.months)
    return s.running[1] + gap / going_on(0.0, one, 0.0, s.yearly_rate)
