"""An estimate as it is laid before the customer: piece by piece, what was taxed, and totals.

It is written from the stored event alone, so that it says what the ledger holds. What the
shop pays for a part is in the event and not printed.
"""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from roadworn.say.telling import item_words
from roadworn.trade.pricing import supplies_line

_WIDTH = 58
_FIGURES = 14
#: Kind of line -> the word for it in the list of what is taxed.
_TAXED = {
    "labour": "labour",
    "parts": "parts",
    "supplies": "supplies",
    "sublet": "sublet work",
    "fee": "fees",
    "core": "core charges",
}


def estimate_text(estimate: Mapping[str, Any]) -> list[str]:
    """Return an estimate as text, line by line.

    Args:
        estimate: payload of the kind `estimate`; without `totals`, what the lines come to.
    """
    totals = estimate.get("totals")
    if totals is None:
        return _without_terms(estimate)
    told = [f"Estimate in {totals['total']['currency']}"]
    for line in estimate["lines"]:
        told += _job(line, deposit=totals.get("core_deposit", True))
    if len(estimate["lines"]) > 1:
        jobs = sum((Decimal(line["amount"]["amount"]) for line in estimate["lines"]), Decimal(0))
        told.append(_row("all jobs", {"amount": str(jobs)}))
    told += [_row(f"fee, {fee['name']}", fee["amount"]) for fee in estimate.get("fees") or ()]
    told += _whole(estimate, totals)
    if estimate.get("valid_until"):
        told.append(f"Holds until {estimate['valid_until']}.")
    return told + str(estimate.get("terms") or "").splitlines()


def _without_terms(estimate: Mapping[str, Any]) -> list[str]:
    """Return the lines and their sum, one for each currency; no shop's terms are known."""
    told, sums = ["Estimate"], dict[str, Decimal]()
    for line in estimate["lines"]:
        told += _job(line, deposit=True)
        code = line["amount"]["currency"]
        sums[code] = sums.get(code, Decimal(0)) + Decimal(line["amount"]["amount"])
    told += [_row(f"TOTAL in {code}", {"amount": str(amount)}) for code, amount in sums.items()]
    told.append("   no tax, no shop supplies and no core charges are in it")
    if estimate.get("valid_until"):
        told.append(f"Holds until {estimate['valid_until']}.")
    return told


def _job(line: Mapping[str, Any], *, deposit: bool) -> Iterator[str]:
    what = ", ".join(filter(None, (item_words(line), line.get("work"))))
    pieces = line.get("pieces") or ()
    yield _row(f"{line['line']}) {what}", line["amount"])
    for piece in pieces:
        if piece["kind"] != "core":
            yield f"     of it {_piece(piece)}: {_figure(piece['amount'])}"
    for piece in pieces:
        if piece["kind"] == "core" and deposit:
            yield _row(f"   {_piece(piece)}", piece["amount"])
        elif piece["kind"] == "core":
            yield (
                f"   {_piece(piece)}: {_figure(piece['amount'])}, asked for only when the old "
                "part does not come back"
            )


def _piece(piece: Mapping[str, Any]) -> str:
    """Return what a piece is, without its amount."""
    kind, many = piece["kind"], piece.get("quantity", 1)
    of_them = f", {many} of them" if many > 1 else ""
    if kind == "core":
        return f"core charge, a deposit{of_them}"
    if kind == "parts":
        return f"parts{of_them}"
    if kind == "fee":
        return f"fee, {piece['name']}"
    if kind != "labour":
        return {"sublet": "sublet work", "flat": "price as it stands"}[kind]
    if "hours" not in piece:
        return "labour"
    name = f"{piece['name']} " if piece.get("name") else ""
    overlap = f" after {piece['overlap']:g} h of overlap" if piece.get("overlap") else ""
    clock = f" (by the clock {piece['clock_hours']:g} h)" if "clock_hours" in piece else ""
    rate = _figure(piece["rate"])
    return f"{name}labour {piece['hours']:g} h{overlap} at {rate}{clock}"


def _whole(estimate: Mapping[str, Any], totals: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is on no single line: supplies, tax, and the totals."""
    if Decimal(totals.get("supplies", {}).get("amount", 0)):
        percent = totals["supplies_percent"]
        capped = ", capped" if _is_capped(estimate, totals) else ""
        yield _row(f"shop supplies, {percent} % of labour{capped}", totals["supplies"])
    if "tax" in totals:
        kinds = totals.get("taxed_kinds", ())
        taxed = ", ".join(word for kind, word in _TAXED.items() if kind in kinds) or "nothing"
        yield _row(f"tax, {totals['tax_percent']} % of {_figure(totals['taxed'])}", totals["tax"])
        yield f"   taxed: {taxed}"
    flat = [str(line["line"]) for line in estimate["lines"] if _is_flat(line)]
    if flat and ("tax" in totals or "supplies" in totals):
        told = (
            f"line {flat[0]} has a price as it stands"
            if len(flat) == 1
            else f"lines {', '.join(flat)} have prices as they stand"
        )
        yield f"   {told}: no supplies and no tax are added"
    yield _row("TOTAL", totals["total"])
    if totals["after_core_return"] != totals["total"]:
        yield _row("when the old parts come back", totals["after_core_return"])
        if "core" in totals.get("taxed_kinds", ()) and "tax" in totals:
            yield "   the tax on the deposit is still in it: local law says whether it comes back"


def _is_flat(line: Mapping[str, Any]) -> bool:
    pieces = line.get("pieces")
    return not pieces or any(piece["kind"] == "flat" for piece in pieces)


def _is_capped(estimate: Mapping[str, Any], totals: Mapping[str, Any]) -> bool:
    labour = sum(
        (
            Decimal(piece["amount"]["amount"])
            for line in estimate["lines"]
            for piece in line.get("pieces") or ()
            if piece["kind"] == "labour"
        ),
        Decimal(0),
    )
    share = supplies_line(labour, Decimal(totals["supplies_percent"]), None).amount
    return share > Decimal(totals["supplies"]["amount"])


def _figure(money: Mapping[str, str]) -> str:
    return f"{Decimal(money['amount']):,.2f}"


def _row(words: str, money: Mapping[str, str]) -> str:
    """Return words with their amount in the column of amounts; long words keep it on the line."""
    return f"{words:<{_WIDTH}}  {_figure(money):>{_FIGURES}}"
