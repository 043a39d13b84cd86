"""The ways of going on with a vehicle, each as a level amount a month, and where they cross."""

from collections.abc import Iterable, Sequence
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
from roadworn_plugins.inspection.judged import NOT_INSPECTED
from roadworn_plugins.projection.economic import going_on, level_monthly, monthly_factor
from roadworn_plugins.shared.grouped import Floats
from roadworn_plugins.shared.settings import MostRows, ShownUnit

#: Loss of value a year where nothing is on record: common practice, no source.
USUAL_LOSS = 0.15
_LEAST_VALUES = 3
_LEAST_DAYS = 300
_LOSSES = (0.0, 0.6)
_TWO_YEARS = 24
#: What a vehicle is for; empty where nobody said.
AnyUse = Literal["", "daily", "errands", "weekend", "work", "long_trips", "to_be_sold"]
_say = Says(
    "keep-or-sell",
    {
        "stated": "value as stated",
        "no-value": "no value stated or on record",
        "valued": "valued at {value:,.0f} on {day}",
        "other-currency": "{number} {number:valuation|valuations} in {currencies} left out, "
        "amounts are never converted",
        "other-currencies": "{number} {number:valuation|valuations} in {currencies} left out, "
        "amounts are never converted",
        "loses-own": "loses {loss:.0%} a year by its own {number} {number:valuation|valuations}",
        "loses-class": "loses {loss:.0%} a year by {number} {number:valuation|valuations} of its "
        "class",
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
        Literal["", "local", "long", "passengers"],
        Field(description="whom or how far it carries; long is the use long_trips"),
    ] = ""
    use: Annotated[
        AnyUse, Field(description="what its owner needs it for; as its profile says if not given")
    ] = ""
    inspected_by: Annotated[
        str,
        Field(description="rule set of its inspection, or none; as its profile says if not given"),
    ] = ""
    must_pass: Annotated[
        bool | None,
        Field(
            description="whether an inspection has to be passed within the horizon; if not given, "
            "where its profile names one or an official result is on record"
        ),
    ] = None
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
class Facts:
    """What a vehicle is, is for, and where it is inspected, as far as somebody said so.

    Attributes:
        kind: its class.
        use: what its owner needs it for, an empty text where nobody said.
        inspected_by: rule set of its inspection, none, or an empty text where nobody said.
    """

    kind: str
    use: str
    inspected_by: str

    @classmethod
    def load(cls, view: LedgerView, settings: KeepOrSellSettings) -> "dict[str, Facts]":
        """Return vehicle -> its own facts, or what the settings say instead."""
        said = settings.use or ("long_trips" if settings.duty == "long" else "")
        found = {}
        for vehicle, kind, use, own in view.sql(
            """SELECT vehicle_id, coalesce(vehicle_class, ''), coalesce(use, ''),
                      trim(coalesce(inspected_by, ''))
               FROM vehicles ORDER BY vehicle_id"""
        ).rows:
            by = settings.inspected_by.strip() or own
            by = NOT_INSPECTED if by.casefold() == NOT_INSPECTED else by
            found[vehicle] = cls(kind, said or use, by)
        return found

    @property
    def asked(self) -> bool:
        """Whether an inspection is asked for, as far as is known."""
        return self.inspected_by != NOT_INSPECTED


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
            now = _about(value, loss, max((self.today - day).days, 0))
            words = _say("valued", value=value, day=day)
        said = Joined((words, loss_words if now is not None else "", other), "; ")
        return Worth(now, loss, money, said, tuple(row[3] for row in rows))


def _about(value: float, loss: float, days: int) -> float:
    """Return what a value has come down to, no more exact than it can be told.

    To hundreds, below a thousand to tens; one of the same day stays as it was said.
    """
    if not days:
        return float(value)
    now: float = float(value) * (1.0 - loss) ** (days / 365.25)
    return round(now, -2 if now >= 1000.0 else -1)


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
    """The ways of going on; those that keep it in the order of what is done now."""

    KEEP = "keep as it is"
    SAFETY = "safety only"
    FAILED = "only what has failed"
    THROUGH = "through the inspection"
    LASTING = "good for {months} months"
    LET_GO = "let go as it stands"
    FIX_AND_LET_GO = "repair, then let go"

    @property
    def keeps(self) -> bool:
        """Whether the vehicle stays."""
        return self not in {Way.LET_GO, Way.FIX_AND_LET_GO}

    def words(self, months: int, *, first: bool = False) -> Sentence:
        """The way in words, or in words that begin a sentence."""
        two_years = self is Way.LASTING and months == _TWO_YEARS
        code = "two_years" if two_years else _CODES.get(self, self.name.lower())
        text = "good for two years" if two_years else self.value
        if first:
            code, text = f"{code}-first", f"{text[:1].upper()}{text[1:]}"
        told = {"months": months} if self is Way.LASTING and not two_years else {}
        return Sentence(f"keep-or-sell.{code}", text, **told)


#: Ways whose name is the word of another sentence.
_CODES = {Way.SAFETY: "way-safety", Way.FAILED: "way-failed"}


@dataclass(frozen=True, slots=True)
class Situation:
    """What one way rests on; money in one currency.

    Attributes:
        months: horizon.
        yearly_rate: what money is worth a year.
        value: what it would fetch now, as it is.
        value_fixed: what it would fetch with the work of this way done.
        value_then: share of its value that is left at the horizon.
        fix: cost of the work done now: low, middle, high.
        running: repairs to expect over the horizon: low, expected, high.
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
    other_price: float | None
    other_then: float
    other_running: float


@dataclass(frozen=True, slots=True)
class Option:
    """One way of going on.

    Attributes:
        way: which.
        situation: what it rests on.
        monthly, low, high: level cost a month; for keeping the forgone price is in it. None where
            a value is missing that nobody knows.
        at_once, at_once_low, at_once_high: money out of the pocket now, less what a sale brings.
        risk: chance of standing still within the horizon, None where it is let go.
        left: what stays open, in words.
        note: what else is to be said of it, in words.
        done: what is done now with what of its price is counted, in words.
        unsafe: what stays open that safety hangs on and that should be done, in words.
        rest: what stays open besides that, in words.
        short: the same for a line of a screen, None where the note is short.
        why_not: why it may not be chosen, an empty text where it may.
        unpriced: work of it that has no price and is not in the sum, in words.
    """

    way: Way
    situation: Situation
    monthly: float | None
    low: float | None
    high: float | None
    at_once: float | None
    at_once_low: float | None = None
    at_once_high: float | None = None
    risk: float | None = None
    left: str = ""
    note: str = ""
    why_not: str = ""
    unpriced: str = ""
    short: str | None = None
    done: str = ""
    unsafe: str = ""
    rest: str = ""

    @property
    def offered(self) -> bool:
        """Whether it may be chosen."""
        return not self.why_not


def keeping(s: Situation) -> tuple[float, float, float]:
    """Return the monthly cost of keeping: low, expected, high."""
    found = []
    for i in range(3):
        # What is kept could be sold today as it is: that money is tied up either way.
        monthly = np.full(s.months, s.running[i] / s.months)
        left = s.value_fixed * s.value_then
        found.append(going_on(s.value + s.fix[i], monthly, left, s.yearly_rate))
    return found[0], found[1], found[2]


def letting_go(s: Situation, *, fixed: bool) -> float:
    """Return the monthly cost of going over to the other vehicle; its price must be stated."""
    price = s.other_price or 0.0
    gained = s.value_fixed - s.value - s.fix[1] if fixed else 0.0
    monthly = np.full(s.months, s.other_running / 12.0)
    return going_on(price - gained, monthly, price * s.other_then, s.yearly_rate)


def cheapest_kept(options: Iterable[Option]) -> Option | None:
    """Return the cheapest way of keeping it that may be chosen."""
    kept = [o for o in options if o.way.keeps and o.offered and o.monthly is not None]
    return min(kept, key=lambda o: o.monthly or 0.0, default=None)


def cheapest_situation(options: Sequence[Option]) -> Situation:
    """Return what the cheapest way of keeping it rests on, whatever the vehicle would fetch."""
    kept = (o.situation for o in options if o.way.keeps and o.offered)
    return min(kept, default=options[0].situation, key=lambda s: keeping(s)[1])


def gap_of(options: Iterable[Option]) -> float | None:
    """Return the monthly cost of letting go less that of keeping, None without both."""
    found = list(options)
    best = cheapest_kept(found)
    gone = [o.monthly for o in found if not o.way.keeps and o.monthly is not None]
    if best is None or best.monthly is None or not gone:
        return None
    return min(gone) - best.monthly


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


def value_that_turns(options: Sequence[Option]) -> float:
    """Return the value now at which keeping and letting go cost the same, known or not today.

    Args:
        options: the ways on; the price of the other vehicle must be stated.
    """
    best, gap = cheapest_kept(options), gap_of(options)
    if best is not None and gap is not None:
        return value_where_it_flips(best.situation, gap)
    s = cheapest_situation(options)
    return value_where_it_flips(s, letting_go(s, fixed=False) - keeping(s)[1])


def repair_that_flips(s: Situation, gap: float) -> float:
    """Return the further repair, paid now, that makes keeping cost as much as letting go."""
    return gap / float(level_monthly(1.0, s.yearly_rate, s.months))


def running_that_flips(s: Situation, gap: float) -> float:
    """Return the repairs over the horizon at which keeping costs as much as letting go."""
    one = np.full(s.months, 1.0 / s.months)
    return s.running[1] + gap / going_on(0.0, one, 0.0, s.yearly_rate)
