"""What the amount of a line is made of: hours, parts, cores, sublet work and fees."""

import re
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from roadworn.model.amounts import read_money
from roadworn.model.errors import UsageError
from roadworn.reading.terms import Terms, nearest_of
from roadworn.trade.estimating import Labour, Part, ShopTerms, Sublet, Work, priced
from roadworn.trade.pricing import Kind, PricedLine

_FIGURE = r"\d[\d,]*(?:\.\d+)?"


_MONEY = rf"(?P<amount>{_FIGURE})(?:\s+(?P<currency>[A-Z]{{3}}))?"


_TIMES = r"(?:\s+x\s*(?P<quantity>\d+))?"


_FORMS: Mapping[str, str] = {
    "hours": (
        rf"(?P<hours>{_FIGURE})\s*(?:h|hrs?|hours?)(?![^\W\d_])"
        rf"(?:\s*(?:x|at|@)\s*(?P<rate>{_FIGURE})(?:\s*/\s*(?:h|hr|hour)(?!\w))?"
        r"(?:\s+(?P<currency>[A-Z]{3})(?![^\W_]))?"
        rf"|\s+(?P<hourly>{_FIGURE})\s*/\s*(?:h|hr|hour)(?!\w)"
        r"|\s+(?!overlap\b|clock\b)(?P<name>[a-z][\w-]*))?"
        rf"(?:\s+overlap\s+(?P<overlap>{_FIGURE}))?(?:\s+clock\s+(?P<clock>{_FIGURE}))?"
    ),
    "labour": rf"labou?r\s+{_MONEY}",
    "parts": rf"parts?\s+(?:at\s+)?(?:(?P<basis>list|cost)\s+)?{_MONEY}{_TIMES}",
    "core": rf"cores?\s+{_MONEY}{_TIMES}",
    "sublet": rf"sublet\s+{_MONEY}",
    "fee": rf"fees?\s+(?P<name>[a-z][\w -]*?)(?:\s+{_MONEY})?",
}


_PIECE = {kind: re.compile(form, re.IGNORECASE | re.ASCII) for kind, form in _FORMS.items()}


_AT_END = {
    kind: re.compile(rf"(?P<what>.*?)[\s:=,]+(?:{form})", re.IGNORECASE | re.ASCII | re.DOTALL)
    for kind, form in _FORMS.items()
    # A deposit alone is no job, and "heater core 220.00" is a component with its price.
    if kind != "core"
}


#: An amount that says nothing of what it is for: a price as it stands.
_FLAT_AT_END = re.compile(rf"(?P<what>.*?)[\s:=,]+{_MONEY}", re.IGNORECASE | re.ASCII | re.DOTALL)


_WORDS = ("labour", "part", "parts", "core", "sublet", "fee")


_EXAMPLES = "1.8 h, part list 96.00, part cost 40.00, core 20.00, sublet 80.00 or fee disposal"


_MOST_HOURS = 10_000


_NO_TERMS = ShopTerms(labour_rate=Decimal(0), parts_by="list")


#: A form and what was found in it.
Found = tuple[str, re.Match[str]]


def split_pieces(text: str) -> tuple[str, list[Found]]:
    """Return what comes before the pieces of a line, and the pieces; none when it has none.

    Raises:
        UsageError: something behind a ``+`` is no piece, though another one is.
    """
    # Blanks are one each from here on: a run of them would be tried from every place in it.
    text = " ".join(text.split())
    parts = text.split("+")
    for at, part in enumerate(parts):
        piece, ending = _piece(part), _piece_at_end(part)
        if piece is not None:
            head, pieces = _flat_before("+".join(parts[:at]), part, text) if at else ("", [])
            pieces = [*pieces, piece]
        elif ending is not None:
            _refuse_joined(ending[1]["what"], text)
            head = "+ ".join([*parts[:at], ending[1]["what"]])
            pieces = [ending]
        else:
            continue
        return head.strip(), [*pieces, *_all_pieces(parts[at + 1 :], text)]
    flat = _FLAT_AT_END.fullmatch(text.strip())
    if flat is not None:
        _refuse_joined(flat["what"], text)
    return text.strip(), []


def read_pieces(
    found: Sequence[Found], currency: str, terms: Terms | None = None
) -> list[dict[str, Any]]:
    """Price pieces; each is a dictionary as `roadworn.model.payloads.EstimatePiece` has it.

    Args:
        found: what `split_pieces` gave.
        currency: code to use where the text has none.
        terms: the shop's; without them only what has a price of its own is taken.

    Raises:
        UsageError: a piece needs terms, or a name or figure does not fit.
    """
    # A code at the end of a line is meant for all of it.
    said = {code.upper() for _kind, match in found if (code := match.groupdict().get("currency"))}
    if len(said) > 1:
        raise UsageError(
            f"One line has amounts in {' and '.join(sorted(said))}, which cannot be added: write "
            "an estimate for each currency."
        )
    code = said.pop() if said else currency
    return [_read(kind, match, code, terms) for kind, match in found]


def _read(kind: str, found: re.Match[str], currency: str, terms: Terms | None) -> dict[str, Any]:
    if kind == "hours":
        return _hours(found, currency, terms)
    if kind == "labour":
        return _made(PricedLine("labour", _amount(found, currency)), currency, {})
    if kind == "flat":
        return _made(PricedLine("flat", _amount(found, currency)), currency, {})
    if kind == "fee":
        name = " ".join(found["name"].split())
        if found["amount"]:
            amount = _amount(found, currency)
        else:
            amount = _needed(terms, f"fee {name}", "fee towing 60.00").fee(name)
        return _made(PricedLine("fee", amount), currency, {"name": name})
    if kind == "sublet":
        cost = _amount(found, currency)
        shop = _needed(terms, found[0], "parts 96.00").shop
        return _made(Sublet(cost), currency, {"cost": _money(cost, currency)}, shop)
    quantity = _quantity(found)
    besides: dict[str, Any] = {"quantity": quantity} if quantity > 1 else {}
    amount = _amount(found, currency)
    if kind == "core":
        return _made(PricedLine("core", amount * quantity), currency, besides)
    if found["basis"] and found["basis"].casefold() == "cost":
        shop = _needed(terms, found[0].strip(), "part list 96.00").shop
        besides |= {"cost": _money(amount, currency)}
        return _made(Part(cost=amount, quantity=quantity), currency, besides, shop)
    return _made(Part(list_price=amount, quantity=quantity), currency, besides)


def _hours(found: re.Match[str], currency: str, terms: Terms | None) -> dict[str, Any]:
    hours, overlap, clock = (_number(found[name]) for name in ("hours", "overlap", "clock"))
    if hours is None or hours > _MOST_HOURS or (clock or 0) > _MOST_HOURS:
        raise UsageError(f"{found[0].strip()!r} are too many hours: give book hours.")
    besides: dict[str, Any] = {}
    if said := found["rate"] or found["hourly"]:
        rate = Decimal(read_money(said, currency)["amount"])
        text = said.replace(",", "")
    else:
        held = _needed(terms, found[0].strip(), "1.8 h x 140")
        rate = held.rate(found["name"] or "default")
        text = _plain(rate)
        besides = {"name": found["name"].casefold()} if found["name"] else {}
    work = Labour(hours, overlap or Decimal(0), rate)
    made = _made(work, currency, besides)
    made |= {"hours": float(hours - work.overlap), "rate": {"amount": text, "currency": currency}}
    made["rate"] = read_money(text, currency)
    for name, value in (("overlap", overlap), ("clock_hours", clock)):
        if value is not None:
            made[name] = float(value)
    return made


def _made(
    work: Work, currency: str, besides: dict[str, Any], shop: ShopTerms = _NO_TERMS
) -> dict[str, Any]:
    """Return a piece with the price that `shop` makes of it."""
    (line,) = priced(work, shop)
    kind: Kind = line.kind
    return {"kind": kind, "amount": _money(line.amount, currency), **besides}


def _money(amount: Decimal, currency: str) -> dict[str, str]:
    return read_money(_plain(amount), currency, allow_negative=True)


def _plain(amount: Decimal) -> str:
    """Return an amount with its cents, and more decimals only where there are some."""
    return f"{amount:.2f}" if amount == round(amount, 2) else f"{amount:f}"


def _amount(found: re.Match[str], currency: str) -> Decimal:
    return Decimal(read_money(found["amount"], currency)["amount"])


def _number(text: str | None) -> Decimal | None:
    return Decimal(text.replace(",", "")) if text else None


def _quantity(found: re.Match[str]) -> int:
    quantity = int(found["quantity"] or 1)
    if not 1 <= quantity <= _MOST_HOURS:
        raise UsageError(f"{found[0].strip()!r} has {quantity} of them: give 1 to 10,000.")
    return quantity


def _needed(terms: Terms | None, text: str, instead: str) -> Terms:
    if terms is None:
        raise UsageError(
            f"{text!r} is priced by the shop's terms: name them with --terms FILE (an example "
            f"comes from `roadworn record estimate --terms-example`), or write it as {instead}."
        )
    return terms


def _piece(text: str) -> Found | None:
    for kind, pattern in _PIECE.items():
        match = pattern.fullmatch(text.strip())
        if match is not None:
            return kind, match
    return None


def _piece_at_end(text: str) -> Found | None:
    for kind, pattern in _AT_END.items():
        match = pattern.fullmatch(text.strip())
        if match is not None:
            return kind, match
    return None


def _flat_before(before: str, part: str, text: str) -> tuple[str, list[Found]]:
    """Return what a flat price before the first ``+`` is for, and that price as a piece."""
    flat = _FLAT_AT_END.fullmatch(before.strip())
    if flat is None:
        raise UsageError(
            f"{before.strip()!r} before + {part.strip()} has no price: write {_EXAMPLES}."
        )
    _refuse_joined(flat["what"], text)
    return flat["what"], [("flat", flat)]


def _all_pieces(parts: Sequence[str], text: str) -> list[Found]:
    found = []
    for part in parts:
        piece = _piece(part)
        if piece is None:
            raise UsageError(_no_piece(part, text))
        found.append(piece)
    return found


def _refuse_joined(what: str, text: str) -> None:
    """Refuse two prices in a row: the first would be lost among the words of the work."""
    earlier = _piece_at_end(what)
    if earlier is not None:
        piece = what[len(earlier[1]["what"]) :].strip(" ,:=")
        raise UsageError(
            f"{piece!r} in {text.strip()!r} is followed by another figure: put + between two "
            "pieces, and x before a rate, as in 1.8 h x 140 + parts 96.00."
        )


def _no_piece(part: str, text: str) -> str:
    words = part.split()
    near = nearest_of(words[0], _WORDS) if words else []
    meant = f" (did you mean {near[0]}?)" if near and near[0] != words[0].casefold() else ""
    return (
        f"{part.strip()!r} in {text.strip()!r} is no piece of an estimate{meant}: write "
        f"{_EXAMPLES}."
    )


def sum_of(pieces: Sequence[dict[str, Any]], *kinds: str) -> Decimal:
    """Return what the pieces of some kinds add up to."""
    return sum((Decimal(p["amount"]["amount"]) for p in pieces if p["kind"] in kinds), Decimal(0))
