"""An estimate as a whole: its lines, fees on no line, supplies, tax and totals by the terms.

The totals are kept in the event, since they are what the customer was told; with them stand
the percents that made them, so that the approved part of the lines adds up by the same terms.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NoReturn

from roadworn.model.amounts import choose
from roadworn.model.errors import UsageError
from roadworn.reading.estimate_lines import read_worked_line
from roadworn.reading.pieces import read_pieces, split_pieces
from roadworn.reading.terms import Terms
from roadworn.trade.estimating import EstimateTotal, ShopTerms, total_of
from roadworn.trade.pricing import PricedLine

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words

_ZERO = Decimal(0)
_DECISIONS = ("approved", "declined", "deferred")


def read_estimate(
    texts: Sequence[str],
    currency: str = "",
    terms: Terms | None = None,
    words: "Callable[[], Words] | None" = None,
) -> dict[str, Any]:
    """Read the lines of an estimate, and add them up when there are terms.

    Args:
        texts: one job each, see `roadworn.reading.estimate_lines`; one that is only
            ``fee disposal`` is a fee on the whole.
        currency: code to use when neither the terms nor a text has one.
        terms: the shop's, or None.
        words: gives the words to read parts by, a shop's own among them.

    Returns:
        The fields of `roadworn.model.kinds.Estimate` that follow from them.

    Raises:
        UnknownName: no component answers to a line.
        UsageError: a line cannot be read, currencies are mixed, or it comes to less than nothing.
    """
    code = _currency(currency, terms)
    lines: list[dict[str, Any]] = []
    fees: list[dict[str, Any]] = []
    for text in texts:
        what, found = split_pieces(text)
        if found and not what and all(kind == "fee" for kind, _match in found):
            fees += read_pieces(found, code, terms)
        else:
            lines.append(read_worked_line(text, len(lines) + 1, code, terms, words))
    if not lines:
        raise UsageError(
            "An estimate needs a job to estimate: write it as 'brake pads front 180.00'."
        )
    _refuse_below_zero([each["amount"] for each in (*lines, *fees)])
    if terms is None and not fees:
        return {"lines": lines}
    if terms is None:
        raise UsageError(
            "A fee on the whole estimate needs the shop's terms: name them with --terms FILE, or "
            "put the fee on a line, as in 'brake pads front 180.00 + fee disposal 4.00'."
        )
    codes = {each["amount"]["currency"] for each in (*lines, *fees)}
    # A price of the terms under another code would be another price.
    codes |= {terms.currency} if terms.currency else set()
    if len(codes) > 1:
        raise UsageError(
            f"The estimate has amounts in {' and '.join(sorted(codes))}, which cannot be added: "
            "write one for each currency, with terms in that currency."
        )
    totals = _stored(_priced(lines, fees), terms.shop, codes.pop())
    return {"lines": lines, "fees": fees, "totals": totals, "terms": terms.text}


def _refuse_below_zero(amounts: Iterable[Mapping[str, str]]) -> None:
    """Refuse an estimate below zero: a rebate is a line of its own, less than the others."""
    sums: dict[str, Decimal] = {}
    for money in amounts:
        code = money["currency"]
        sums[code] = sums.get(code, _ZERO) + Decimal(money["amount"])
    for code, amount in sums.items():
        if amount < 0:
            raise UsageError(
                f"The estimate comes to {amount:,.2f} {code}, which is below zero: write the jobs "
                "first, as 'tire LF part list 80.00 x 4', and a rebate of no more than they cost."
            )


#: What a customer or a counter says -> the answer it stands for.
_ANSWERS = {
    **dict.fromkeys(("ok", "okay", "yes", "y", "go", "do", "approve", "si", "sí"), "approved"),
    **dict.fromkeys(("no", "n", "decline", "cancelled", "canceled", "cancel"), "declined"),
    **dict.fromkeys(("later", "defer", "postponed", "wait", "not now", "next time"), "deferred"),
}
_LINES = re.compile(r"(\d{1,3})(?:-(\d{1,3}))?", re.ASCII)


def read_decisions(words: Sequence[str], lines: Iterable[int] = ()) -> list[dict[str, Any]]:
    """Read the answers to an estimate, ``1=approved 2=declined 3=deferred`` or ``all=ok``.

    Args:
        words: an answer each; ``1,3=ok`` and ``2-4=no`` answer several lines.
        lines: the numbers of the estimate's lines, which ``all`` stands for.

    Raises:
        UsageError: an answer is not of that form, or a line is answered twice.
    """
    answers: dict[int, str] = {}
    for word in words:
        numbers, equals, decision = word.partition("=")
        said = " ".join(decision.casefold().split())
        for number in _numbers(numbers, lines) if equals else _no_answer(word):
            if number in answers:
                raise UsageError(f"Line {number} is answered twice", "give one answer a line")
            answers[number] = _ANSWERS.get(said) or choose(
                decision, _DECISIONS, f"The answer to line {number}"
            )
    if not answers:
        raise UsageError("There are no answers", "write them as 1=approved 2=declined")
    return [{"line": line, "decision": decision} for line, decision in answers.items()]


def _numbers(text: str, lines: Iterable[int]) -> list[int]:
    """Return the lines that ``1``, ``1,3``, ``2-4`` or ``all`` name."""
    if text.strip().casefold() in {"all", "todo", "todos"} and (listed := sorted(lines)):
        return listed
    numbers: list[int] = []
    for part in text.split(","):
        found = _LINES.fullmatch(part.strip())
        last = int(found[2] or found[1]) if found else 0
        if found is None or last < int(found[1]):
            _no_answer(text)
        else:
            numbers += range(int(found[1]), last + 1)
    return numbers


def _no_answer(word: str) -> NoReturn:
    raise UsageError(
        f"{word!r} is no answer", "write the line's number and the answer, as 1=approved"
    )


def total_of_lines(estimate: Mapping[str, Any], numbers: Iterable[int]) -> EstimateTotal | None:
    """Add up some lines of an estimate by the terms that stand in it; fees on it come along.

    Args:
        estimate: payload of an estimate.
        numbers: which lines.

    Returns:
        The total, or None when the estimate was made without terms.
    """
    wanted = set(numbers)
    if estimate.get("totals") is None:
        return None
    lines = [line for line in estimate["lines"] if line["line"] in wanted]
    return total_of(_priced(lines, estimate.get("fees") or ()), stored_terms(estimate))


def stored_terms(estimate: Mapping[str, Any]) -> ShopTerms:
    """Return the terms that an estimate with totals was added up by; prices are in its lines."""
    totals = estimate["totals"]
    cap = totals.get("supplies_cap")
    return ShopTerms(
        labour_rate=_ZERO,
        supplies_percent=Decimal(totals.get("supplies_percent", 0)),
        supplies_cap=None if cap is None else Decimal(cap["amount"]),
        tax_percent=Decimal(totals.get("tax_percent", 0)),
        taxed=frozenset(totals.get("taxed_kinds", ())),
        consent_percent=Decimal(totals["consent_percent"]),
        core_deposit=totals.get("core_deposit", True),
    )


def _priced(
    lines: Iterable[Mapping[str, Any]], fees: Iterable[Mapping[str, Any]]
) -> list[PricedLine]:
    """Return the pieces as priced lines; a line without pieces is a price as it stands."""
    found = []
    for line in lines:
        pieces = line.get("pieces") or ({"kind": "flat", "amount": line["amount"]},)
        found += [PricedLine(p["kind"], Decimal(p["amount"]["amount"])) for p in pieces]
    return found + [PricedLine("fee", Decimal(fee["amount"]["amount"])) for fee in fees]


def _stored(priced: Sequence[PricedLine], shop: ShopTerms, currency: str) -> dict[str, Any]:
    """Return the totals as the payload has them; what is nothing is left out."""
    found = total_of(priced, shop)

    def money(amount: Decimal) -> dict[str, str]:
        return {"amount": f"{amount:.2f}", "currency": currency}

    made: dict[str, Any] = {
        "total": money(found.total),
        "after_core_return": money(found.after_core_return),
        "core_deposit": shop.core_deposit,
        "consent_percent": f"{shop.consent_percent:f}",
    }
    if shop.supplies_percent:
        supplies = sum((x.amount for x in found.lines if x.kind == "supplies"), _ZERO)
        made |= {"supplies": money(supplies), "supplies_percent": f"{shop.supplies_percent:f}"}
        if shop.supplies_cap is not None:
            made["supplies_cap"] = money(shop.supplies_cap)
    if shop.tax_percent:
        made |= {
            "tax": money(found.tax),
            "taxed": money(found.taxed),
            "tax_percent": f"{shop.tax_percent:f}",
            "taxed_kinds": sorted(shop.taxed),
        }
    return made


def _currency(currency: str, terms: Terms | None) -> str:
    if terms is None or not terms.currency:
        return currency
    if currency and currency.strip().upper() != terms.currency:
        raise UsageError(
            f"The terms {terms.name} are in {terms.currency}, not in {currency}: leave --currency "
            "out, or name other terms."
        )
    return terms.currency
