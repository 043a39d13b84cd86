"""From hours, parts and a shop's terms to an estimate that adds up by hand.

What is charged is the shop's to decide and what is taxed is local law, so all of it is data.
Lines are rounded half up one by one before they are added (common practice, no source). The
work ahead is priced; core charges are deposits and no cost of the repair.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from roadworn.model.errors import UsageError
from roadworn.trade.pricing import (
    _HUNDRED,
    Kind,
    PricedLine,
    PriceMatrix,
    labour_line,
    parts_line,
    price_at_margin,
    price_at_markup,
    round_money,
    sublet_line,
    supplies_line,
)

_ZERO = Decimal(0)


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


@dataclass(frozen=True, slots=True)
class ShopTerms:
    """What a shop charges and its law taxes; percents are of a hundred.

    Attributes:
        labour_rate: price of a book hour.
        parts_by: how a part at cost becomes a price; ``list`` takes list prices only.
        parts_percent: margin or markup; not used with a matrix.
        matrix: bands of cost, when parts are priced so.
        supplies_percent, supplies_cap: shop supplies as a share of labour, at most the cap.
        sublet_markup: on work bought in.
        tax_percent: one rate on everything taxed.
        taxed: which kinds of line are taxed where the shop is.
        consent_percent: over the estimate by more than this needs a new consent.
        core_deposit: whether core charges are asked for with the work; without it they are
            only asked for when the old part stays away, and are no part of the total.
    """

    labour_rate: Decimal
    parts_by: Literal["margin", "markup", "matrix", "list"] = "margin"
    parts_percent: Decimal = _ZERO
    matrix: PriceMatrix | None = None
    supplies_percent: Decimal = _ZERO
    supplies_cap: Decimal | None = None
    sublet_markup: Decimal = _ZERO
    tax_percent: Decimal = _ZERO
    taxed: frozenset[Kind] = frozenset({"parts", "supplies"})
    consent_percent: Decimal = Decimal(10)
    core_deposit: bool = True

    def part_price(self, cost: Decimal) -> Decimal:
        """Return the selling price of a part at `cost`.

        Raises:
            UsageError: parts are sold at list price, or by a matrix and none is given.
        """
        if self.parts_by == "list":
            raise UsageError(
                "The terms sell parts at list price, so a cost has no price: write part list 96.00."
            )
        if self.parts_by == "matrix":
            if self.matrix is None:
                raise UsageError("Parts are priced by a matrix, but the terms hold none: add it.")
            return self.matrix.price(cost)
        if self.parts_by == "markup":
            return price_at_markup(cost, self.parts_percent)
        return price_at_margin(cost, self.parts_percent)


@dataclass(frozen=True, slots=True)
class Labour:
    """Book hours of one operation.

    Attributes:
        hours: by the book, not by the clock.
        overlap: hours that another operation at the same place has opened up already.
        rate: price of an hour when it is not the shop's own.
    """

    hours: Decimal
    overlap: Decimal = _ZERO
    rate: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """A part, at its list price or at cost to be priced by the shop's terms.

    Attributes:
        cost: what the shop pays; used when there is no list price.
        list_price: selling price of one.
        quantity: how many.
        core: deposit on the old part, for each.
    """

    cost: Decimal | None = None
    list_price: Decimal | None = None
    quantity: int = 1
    core: Decimal = _ZERO


@dataclass(frozen=True, slots=True)
class Sublet:
    """Work bought in from another shop, at its cost."""

    cost: Decimal


@dataclass(frozen=True, slots=True)
class Fee:
    """A fixed fee, for instance for disposal."""

    amount: Decimal


#: A `PricedLine` is an amount as it stands, of the kind it says.
Work = Labour | Part | Sublet | Fee | PricedLine


def estimate(work: Iterable[Work], terms: ShopTerms) -> EstimateTotal:
    """Price work by a shop's terms and add it up.

    Supplies are a share of all labour together, so that their cap holds once.

    Args:
        work: in the order of the estimate.
        terms: the shop's.

    Raises:
        UsageError: a part has neither price nor cost, or hours overlap by more than there are.
    """
    return total_of((line for item in work for line in priced(item, terms)), terms)


def total_of(lines: Iterable[PricedLine], terms: ShopTerms) -> EstimateTotal:
    """Add up priced lines with supplies and tax by a shop's terms; supplies come last."""
    kept = [line for line in lines if terms.core_deposit or line.kind != "core"]
    labour = sum((line.amount for line in kept if line.kind == "labour"), _ZERO)
    if terms.supplies_percent and labour:
        kept.append(supplies_line(labour, terms.supplies_percent, terms.supplies_cap))
    return add_up(kept, terms.tax_percent, terms.taxed)


def needs_consent(estimated: Decimal, now: Decimal, percent: Decimal) -> bool:
    """Whether work that now costs more than was estimated needs a new consent.

    Many states ask for it past a set share, often 10 % (from memory; amounts differ): exactly
    at the share it does not.
    """
    return now * 100 > estimated * (100 + percent)


def priced(item: Work, terms: ShopTerms) -> list[PricedLine]:
    """Return the lines that one piece of work makes; only a part with a core makes two.

    Raises:
        UsageError: a part has neither price nor cost, or hours overlap by more than there are.
    """
    if isinstance(item, PricedLine):
        return [PricedLine(item.kind, round_money(item.amount))]
    if isinstance(item, Labour):
        if item.overlap > item.hours:
            raise UsageError(
                f"{item.overlap} hours of overlap are more than the {item.hours} of the operation."
            )
        rate = terms.labour_rate if item.rate is None else item.rate
        return [labour_line(item.hours - item.overlap, rate)]
    if isinstance(item, Part):
        return _part_lines(item, terms)
    if isinstance(item, Sublet):
        return [sublet_line(item.cost, terms.sublet_markup)]
    return [PricedLine("fee", item.amount)]


def _part_lines(part: Part, terms: ShopTerms) -> list[PricedLine]:
    if part.list_price is not None:
        price = part.list_price
    elif part.cost is not None:
        price = terms.part_price(part.cost)
    else:
        raise UsageError("A part has neither a list price nor a cost: give one of them.")
    lines = [parts_line(price, part.quantity)]
    if part.core:
        lines.append(PricedLine("core", part.core * part.quantity))
    return lines
