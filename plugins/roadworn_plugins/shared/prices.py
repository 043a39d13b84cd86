"""What a job costs in this shop today, parts and labour together: one answer for every screen.

`Prices.of` asks in this order: the shop's own open estimate for this vehicle and component; what
was paid on vehicles of its class; what was paid on other classes, brought to the price level of
this class where both are known well enough, and labelled; the trade's labour hours at the shop's
rate. Prices are raised to today's money. Two currencies are never added: the one that most jobs
were paid in counts, the others are named.

What counts as a price is in `paid`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from roadworn.columns.kept import Codec
from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue, part_name, place_of, place_sql
from roadworn.model.messages import Says, Sentence, some_of
from roadworn_plugins.shared.paid import (
    LEAST,
    Floats,
    Kept,
    OddPrice,
    jobs_of,
    kept_of,
    labour_rate_of,
    level_ratio,
    price_rise,
    together,
)

# Spread of a price that was seen once or twice: sd of the logarithm (common practice, no source).
_USUAL_SD = 0.25
_TENTH = 1.2815515655446004
# Comebacks that the ratio of all weighs as much as, and the ratio before any was seen.
_COMEBACK_WEIGHT = 5.0
_COMEBACK_PRIOR = (2.0, 1.0)
_say = Says(
    "prices",
    {
        "class": "{number} {number:replacement|replacements} on {vehicle_class}",
        "class-one": "{number} replacement on {vehicle_class}",
        "service": "{number} {number:service|services} on {vehicle_class}",
        "service-one": "{number} service on {vehicle_class}",
        "all": "{number} {number:replacement|replacements} on all classes",
        "all-one": "{number} replacement on all classes",
        "scaled": "price of other classes, {number} {number:job|jobs}, brought to the price level "
        "of {vehicle_class}",
        "scaled-one": "price of another class, {number} job, brought to the price level of "
        "{vehicle_class}",
        "wider": "price of other classes, {number} {number:job|jobs}",
        "wider-one": "price of another class, {number} job",
        "labour": "labour only, by trade hours (common practice, no source); part not priced",
        "estimate": "the estimate of {day}",
        "estimate-raised": "the estimate of {day}, at today's prices",
        "odd": "{amount:,.2f} {currency} for {part} (event {event})",
        "odd-all": "Left out as slips of the pen, far from every other price of the same work: "
        "{jobs}. Correct the event, or record it again.",
    },
)


@dataclass(frozen=True, slots=True)
class Price:
    """Cost of one job today: the middle figure and the range of eight in ten.

    `number` is how many jobs it rests on; 0 where only trade hours are known. `mean` is what
    many of them cost on average, None where only the range is known. `estimated` is one of an
    estimate for this very vehicle.
    """

    low: float
    middle: float
    high: float
    currency: str
    number: int
    basis: str
    mean: float | None = None
    estimated: bool = False

    def half(self) -> "Price":
        """Return the price of one side of what is priced by the axle."""
        mean = None if self.mean is None else self.mean / 2.0
        low, middle, high = self.low / 2.0, self.middle / 2.0, self.high / 2.0
        return replace(self, low=low, middle=middle, high=high, mean=mean)


@dataclass(frozen=True, eq=False)
class _Offer:
    """An open line of an estimate: its place, and what it would come to today."""

    place: str
    price: Price


@dataclass(frozen=True, eq=False)
class Prices:
    """What jobs cost, by component, work and class of vehicle; see `of`.

    Attributes:
        currency: of all figures; empty when the ledger has seen no price.
        kept: prices of each job, component, work and class, in the money of today.
        odd: amounts that were left out as slips of the pen.
        other_currencies: jobs left out for their currency.
        yearly_rise: share by which older prices were raised, a year.
        labour_rate: the shop's usual rate an hour of late, None when never recorded.
        offers: open lines by vehicle and component.
        found_at: place of the one open finding of a component, where a line for it names none.
    """

    currency: str
    kept: Kept
    odd: tuple[OddPrice, ...]
    other_currencies: int
    yearly_rise: float = 0.0
    labour_rate: float | None = None
    offers: dict[tuple[str, str], list[_Offer]] = field(default_factory=dict)
    found_at: dict[tuple[str, str], str] = field(default_factory=dict)
    comebacks: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    _known: dict[tuple[str, str | None, str], Price | None] = field(default_factory=dict)
    _ratios: dict[tuple[str, str, str], float | None] = field(default_factory=dict)

    @classmethod
    def load(cls, view: LedgerView, yearly_rise: float | None = None) -> "Prices":
        """Read the prices that the ledger has seen.

        Args:
            view: the ledger as of a day.
            yearly_rise: how much money loses a year, 0.03 for 3 %; None takes what the
                ledger's own prices show.
        """

        def read() -> Prices:
            return view.kept_while(
                "prices", yearly_rise, lambda: cls._read(view, yearly_rise), _CODEC
            )

        return view.kept((cls, yearly_rise), read)

    @classmethod
    def _read(cls, view: LedgerView, yearly_rise: float | None) -> "Prices":
        totals = view.sql(
            """SELECT currency, count(*) FROM (
                 SELECT currency, total_cost FROM replacements
                 UNION ALL SELECT currency, total_cost FROM maintenance_done)
               WHERE total_cost > 0 GROUP BY currency ORDER BY count(*) DESC, currency"""
        ).rows
        # Where nothing was paid yet, that of most lines of estimates.
        offered = view.sql(
            """SELECT currency FROM estimate_lines WHERE amount > 0 AND currency IS NOT NULL
               GROUP BY currency ORDER BY count(*) DESC, currency LIMIT 1"""
        ).rows
        currency = next((str(row[0]) for row in (*totals, *offered)), "")
        rise = price_rise(view, currency) if yearly_rise is None else yearly_rise
        kept, odd = kept_of(jobs_of(view, currency, rise), currency)
        found = cls(
            currency=currency,
            kept=kept,
            odd=odd,
            other_currencies=sum(int(number) for _currency, number in totals[1:]),
            yearly_rise=rise,
            labour_rate=labour_rate_of(view, currency),
        )
        unlike = found._read_offers(view)
        return replace(found, odd=(*odd, *unlike), comebacks=_comebacks(view, found))

    def of(
        self,
        component: str,
        vehicle_class: str | None,
        vehicle: str = "",
        position: str | None = "",
        work: str = "replaced",
    ) -> Price | None:
        """Return the price of a job, None when nothing tells it; the one answer everywhere.

        Args:
            component: what is worked on.
            vehicle_class: class of the vehicle, or None for all classes together.
            vehicle: the vehicle, whose own open estimate comes first; empty for any.
            position: where on it.
            work: replaced, or an action of a service: inspected, adjusted, cleaned, filled.
        """
        if work == "replaced" and vehicle:
            offer = self._offer(vehicle, component, place_of(component, position))
            if offer is not None:
                return offer.price
        key = component, vehicle_class, work
        if key not in self._known:
            self._known[key] = self._paid(*key) or (
                self._labour(component) if work == "replaced" else None
            )
        return self._known[key]

    def caveats(self, components: Iterable[str] | None = None) -> tuple[Sentence, ...]:
        """Return what is to be said of amounts left out, of these components or of all."""
        only = None if components is None else set(components)
        odd = [_odd(one) for one in self.odd if only is None or one.component in only]
        return (_say("odd-all", jobs=some_of(odd, 4)),) if odd else ()

    def comeback_share(self, component: str) -> float:
        """Return what a comeback costs as a share of the usual price of its part.

        0 where comebacks are free, 1 where they are paid like any other failure, more where they
        cost more. The mean over the comebacks of the component, drawn to that of all as far as
        five comebacks go; 1 where the ledger has seen none.
        """
        number, paid = _COMEBACK_PRIOR
        paid *= number
        for count, sum_ in self.comebacks.values():
            number, paid = number + count, paid + sum_
        fleet = paid / number
        own, own_paid = self.comebacks.get(component, (0.0, 0.0))
        return (own_paid + _COMEBACK_WEIGHT * fleet) / (own + _COMEBACK_WEIGHT)

    def _offer(self, vehicle: str, component: str, place: str) -> _Offer | None:
        """Return the open line for a place, or for another place of the same component.

        A line that names no place may be for a set: it stands for a single place only where a
        finding is open there and nowhere else.
        """
        by_place = {line.place: line for line in self.offers.get((vehicle, component), ())}
        if place in by_place or not place:
            return by_place.get(place) or next(iter(by_place.values()), None)
        if "" in by_place and self.found_at.get((vehicle, component)) == place:
            return by_place[""]
        return next((line for at, line in by_place.items() if at), None)

    def _paid(self, component: str, vehicle_class: str | None, work: str) -> Price | None:
        others = dict(self.kept.get((component, work), {}))
        if vehicle_class is None:
            return self._price(together(others.values()), "all", work, None)
        own = others.pop(vehicle_class, np.zeros(0))
        if own.size >= LEAST:
            return self._price(own, "class", work, vehicle_class)
        ratios = {kind: self._ratio(vehicle_class, kind, work) for kind in others}
        level = [others[kind] * ratio for kind, ratio in ratios.items() if ratio is not None]
        wide = together(level or others.values())
        if own.size:
            # One or two of its own tell the level, the others at most how prices spread.
            return self._price(own, "class", work, vehicle_class, like=wide)
        return self._price(wide, "scaled" if level else "wider", work, vehicle_class)

    def _price(
        self,
        paid: Floats,
        word: str,
        work: str,
        vehicle_class: str | None,
        like: Floats | None = None,
    ) -> Price | None:
        if not paid.size:
            return None
        low, middle, high = (float(q) for q in np.quantile(paid, (0.1, 0.5, 0.9)))
        if like is not None:
            # The range of prices elsewhere about the level here, the usual one without enough.
            usual = np.exp(np.array([-1.0, 0.0, 1.0]) * _TENTH * _USUAL_SD)
            ends = np.quantile(like, (0.1, 0.5, 0.9)) if like.size >= LEAST else usual
            low = min(low, middle * float(ends[0] / ends[1]))
            high = max(high, middle * float(ends[2] / ends[1]))
        if word == "class" and work != "replaced":
            word = "service"
        words = _say(
            word if paid.size > 1 else f"{word}-one",
            number=int(paid.size),
            vehicle_class=vehicle_class or "",
        )
        return Price(low, middle, high, self.currency, int(paid.size), words, float(np.mean(paid)))

    def _ratio(self, one: str, other: str, work: str) -> float | None:
        """Return the price level of one class over that of another, None where too few tell."""
        key = one, other, work
        if key not in self._ratios:
            self._ratios[key] = level_ratio(self.kept, *key)
        return self._ratios[key]

    def _labour(self, component: str) -> Price | None:
        """Return trade hours at the shop's rate."""
        known = catalogue().find(component)
        if self.labour_rate is None or known is None or known.labour_hours is None:
            return None
        low, high = (hours * self.labour_rate for hours in known.labour_hours)
        if low <= 0:
            return None
        return Price(low, float(np.sqrt(low * high)), high, self.currency, 0, _say("labour"))

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
        raised = abs(now - amount) >= 0.005
        words = _say("estimate-raised" if raised else "estimate", day=then)
        return Price(now, now, now, currency, 1, words, estimated=True)

    def _read_offers(self, view: LedgerView) -> list[OddPrice]:
        """Take in the lines of estimates whose work has not been done since, the latest first.

        Returns:
            Amounts ten times off what the work costs here.
        """
        place, done_place = (place_sql(f"{t}.component", f"{t}.position") for t in ("l", "d"))
        rows = view.sql(
            f"""SELECT l.vehicle_id, v.vehicle_class, l.component, {place},
                       CAST(l.amount AS DOUBLE), l.labour_hours, CAST(l.labour_rate AS DOUBLE),
                       l.occurred_on, l.event_id
                FROM estimate_lines AS l JOIN vehicles AS v USING (vehicle_id)
                WHERE l.amount > 0 AND l.currency = coalesce(nullif(?, ''), l.currency)
                  AND NOT EXISTS (
                    SELECT 1 FROM (
                      SELECT vehicle_id, component, position, occurred_at FROM replacements
                      UNION ALL
                      SELECT vehicle_id, component, position, occurred_at FROM repairs
                      UNION ALL
                      SELECT vehicle_id, component, position, occurred_at FROM maintenance_done
                      WHERE action <> 'inspected') AS d
                    WHERE d.vehicle_id = l.vehicle_id AND d.component = l.component
                      AND d.occurred_at >= l.occurred_at
                      AND ({done_place} = {place} OR {done_place} = '' OR {place} = ''))
                ORDER BY l.occurred_at DESC, l.seq DESC, l.line""",
            (self.currency,),
        ).rows
        odd = []
        for vehicle, kind, component, at, amount, hours, rate, day, event in rows:
            price = self.of_estimate(amount, hours, rate, self.currency, (day, view.today))
            usual = self._paid(component, kind, "replaced")
            if usual is not None and abs(np.log(price.middle / usual.middle)) > np.log(10.0):
                odd.append(OddPrice(component, event, amount, self.currency))
                continue
            offers = self.offers.setdefault((vehicle, component), [])
            if all(offer.place != at for offer in offers):
                offers.append(_Offer(at, price))
        self._read_found(view)
        return odd

    def _read_found(self, view: LedgerView) -> None:
        """Take in where the one open finding is of each component with a line for no place."""
        if not any(not offer.place for offers in self.offers.values() for offer in offers):
            return
        place = place_sql("f.component", "f.position")
        rows = view.sql(
            f"""SELECT vehicle_id, component, min({place}) FROM open_findings AS f
                GROUP BY vehicle_id, component HAVING count(*) = 1"""
        ).rows
        self.found_at.update(((vehicle, component), at) for vehicle, component, at in rows)


_CODEC = Codec((Prices, Price, _Offer, OddPrice))


def _comebacks(view: LedgerView, prices: Prices) -> dict[str, tuple[float, float]]:
    """Return component -> number of comebacks whose price tells something, sum of their shares.

    A comeback that nobody wrote a price for was free, as far as such rows are more common
    among comebacks than among other failures.
    """
    share = view.sql(
        """SELECT avg(CAST(total_cost IS NULL AS INTEGER)) FROM replacements
           WHERE reason IN ('failed', 'worn_out')
             AND event_id NOT IN (SELECT event_id FROM comebacks)"""
    ).rows[0][0]
    rows = view.sql(
        """SELECT r.component, v.vehicle_class,
                  CASE WHEN r.currency = ? OR r.total_cost = 0
                       THEN CAST(r.total_cost AS DOUBLE) END,
                  r.total_cost IS NULL
           FROM replacements AS r JOIN vehicles AS v USING (vehicle_id)
           WHERE r.event_id IN (SELECT event_id FROM comebacks) ORDER BY r.seq""",
        (prices.currency,),
    ).rows
    silent = float(np.mean([row[3] for row in rows])) if rows else 0.0
    free = max(0.0, 1.0 - (share or 0.0) / silent) if silent else 0.0
    found: dict[str, tuple[float, float]] = {}
    for component, kind, paid, unpriced in rows:
        usual = prices.of(component, kind)
        if usual is None or usual.number == 0 or (paid is None and not unpriced):
            continue
        number, total = found.get(component, (0.0, 0.0))
        weight = free if paid is None else 1.0
        found[component] = (number + weight, total + (paid or 0.0) / (usual.mean or usual.middle))
    return found


def _odd(one: OddPrice) -> Sentence:
    """Return the amount, what it was for, and the event that says so."""
    part, event = part_name(one.component), one.event[-8:]
    return _say("odd", amount=one.amount, currency=one.currency, part=part, event=event)


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
