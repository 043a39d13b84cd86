"""Prices: markup, margin, price matrix, and the lines that make up an estimate."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from typing import Literal

from roadworn.model.errors import UsageError

#: What a line is for. A flat price is one as it stands: nothing is added to it and it is not taxed.
Kind = Literal["labour", "parts", "core", "supplies", "sublet", "fee", "flat"]


_HUNDRED = Decimal(100)


def round_money(amount: Decimal, places: int = 2) -> Decimal:
    """Round half up (away from zero at the half) to the currency's smallest coin."""
    return amount.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)


def price_at_markup(cost: Decimal, percent: Decimal) -> Decimal:
    """Return cost plus `percent` of the cost, rounded."""
    return round_money(cost * (1 + percent / _HUNDRED))


def price_at_margin(cost: Decimal, percent: Decimal) -> Decimal:
    """Return the price of which `percent` is margin, rounded.

    Raises:
        UsageError: a margin of 100 % or more, which no price gives.
    """
    if percent >= _HUNDRED:
        raise UsageError(f"A margin of {percent} % has no price: give less than 100.")
    return round_money(cost / (1 - percent / _HUNDRED))


@dataclass(frozen=True, slots=True)
class PriceMatrix:
    """Markup by cost: each band holds costs up to and including its upper edge.

    Attributes:
        bands: (upper edge or None for the last, markup in percent), edges ascending.
    """

    bands: Sequence[tuple[Decimal | None, Decimal]]

    def __post_init__(self) -> None:
        edges = [edge for edge, _ in self.bands]
        inner = [edge for edge in edges[:-1] if edge is not None]
        rising = all(low < high for low, high in pairwise(inner))
        if not edges or edges[-1] is not None or len(inner) != len(edges) - 1 or not rising:
            raise UsageError(
                "A price matrix needs edges in ascending order and a last band without one."
            )

    def price(self, cost: Decimal) -> Decimal:
        """Return the selling price of a part at `cost`."""
        markup = next(m for edge, m in self.bands if edge is None or cost <= edge)
        return price_at_markup(cost, markup)


@dataclass(frozen=True, slots=True)
class PricedLine:
    """One line of an estimate; the amount is rounded when the line is made."""

    kind: Kind
    amount: Decimal


def labour_line(hours: Decimal, rate: Decimal) -> PricedLine:
    """Return a labour line of book hours at an hourly rate."""
    return PricedLine("labour", round_money(hours * rate))


def parts_line(price: Decimal, quantity: int = 1) -> PricedLine:
    """Return a parts line."""
    return PricedLine("parts", round_money(price * quantity))


def supplies_line(labour: Decimal, percent: Decimal, cap: Decimal | None) -> PricedLine:
    """Return shop supplies as a share of labour, at most `cap`."""
    amount = round_money(labour * percent / _HUNDRED)
    return PricedLine("supplies", amount if cap is None else min(amount, cap))


def sublet_line(cost: Decimal, markup: Decimal) -> PricedLine:
    """Return work bought in, with its markup in percent."""
    return PricedLine("sublet", price_at_markup(cost, markup))
