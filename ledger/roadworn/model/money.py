"""Shop arithmetic in decimal numbers: prices, matrices, and the lines of an estimate.

Every line is rounded half up to the cent before lines are added (common practice, no source),
so that a printed sheet adds up by hand. What is taxed is local law: one switch for each kind.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from difflib import get_close_matches
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Literal

from roadworn.model.errors import UsageError

_LIST = Path(__file__).with_name("currencies.txt")


@cache
def currency_codes() -> frozenset[str]:
    """Return the codes of ISO 4217; the source stands at the head of ``currencies.txt``."""
    lines = _LIST.read_text(encoding="ascii").splitlines()
    return frozenset(word for line in lines if not line.startswith("#") for word in line.split())


def check_currency(code: str) -> str:
    """Return a currency code in capitals.

    Raises:
        UsageError: ISO 4217 has no such code.
    """
    code = code.strip().upper()
    if code in currency_codes():
        return code
    near = get_close_matches(code, sorted(currency_codes()), n=2, cutoff=0.6)
    meant = f" (did you mean {' or '.join(near)}?)" if near else ""
    raise UsageError(
        f"{code!r} is no currency of ISO 4217{meant}: use its three-letter code, as in USD."
    )


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


@dataclass(frozen=True, slots=True)
class EstimateTotal:
    """An estimate added up.

    Attributes:
        lines: the lines it was made from.
        taxed: sum of the taxed lines.
        tax: tax on that sum, rounded once.
        total: everything including tax and core deposits.
        after_core_return: total once the old parts came back in time and in order.
    """

    lines: tuple[PricedLine, ...]
    taxed: Decimal
    tax: Decimal
    total: Decimal
    after_core_return: Decimal


def add_up(
    lines: Iterable[PricedLine],
    tax_percent: Decimal,
    taxed_kinds: frozenset[Kind] = frozenset({"parts", "supplies"}),
) -> EstimateTotal:
    """Add up an estimate. Which kinds are taxed is local law, so it is the caller's to say."""
    kept = tuple(lines)
    taxed = sum((line.amount for line in kept if line.kind in taxed_kinds), Decimal(0))
    tax = round_money(taxed * tax_percent / _HUNDRED)
    total = sum((line.amount for line in kept), Decimal(0)) + tax
    cores = sum((line.amount for line in kept if line.kind == "core"), Decimal(0))
    return EstimateTotal(kept, taxed, tax, total, total - cores)
