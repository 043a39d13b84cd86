"""An estimate line with its working: hours by rate, parts and the rest, added up to the cent.

``brake pads front 1.8 h x 140 + parts 96.00 USD`` says what the amount is made of, so that a
later reader can see which half of it has grown. The pieces are those of `roadworn.bench.pieces`.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from roadworn.bench.phrases import read_estimate_line
from roadworn.bench.pieces import read_pieces, split_pieces
from roadworn.bench.terms_file import Terms
from roadworn.errors import UsageError


def read_worked_line(
    text: str, line: int, currency: str = "", terms: Terms | None = None
) -> dict[str, Any]:
    """Read an estimate line, with its working or with the amount alone.

    Args:
        text: ``component place, work 1.8 h + part cost 40.00``, or what
            `roadworn.bench.phrases.read_estimate_line` takes.
        line: its number.
        currency: code to use when the text has none.
        terms: the shop's, for pieces that have no price of their own.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it ends in no amount and in no working.
    """
    what, found = split_pieces(text)
    if not found:
        return read_estimate_line(text, line, currency)
    if not what:
        raise UsageError(
            f"{text.strip()!r} says of no component what it is for: write it as 'brake pads "
            "front, replace 1.8 h + part list 96.00'."
        )
    pieces = read_pieces(found, currency, terms)
    code = pieces[0]["amount"]["currency"]
    amount = sum_of(pieces, "labour", "parts", "sublet", "fee", "flat")
    made = read_estimate_line(f"{what} {amount:.2f}", line, code)
    return made | _halves(pieces, code) | {"pieces": pieces}


def sum_of(pieces: Sequence[dict[str, Any]], *kinds: str) -> Decimal:
    """Return what the pieces of some kinds add up to."""
    return sum((Decimal(p["amount"]["amount"]) for p in pieces if p["kind"] in kinds), Decimal(0))


def _halves(pieces: Sequence[dict[str, Any]], currency: str) -> dict[str, Any]:
    """Return book hours, their rate and the parts, as other work has them."""
    made: dict[str, Any] = {}
    timed = [piece for piece in pieces if "hours" in piece]
    if timed:
        made["labour_hours"] = float(sum(Decimal(str(piece["hours"])) for piece in timed))
        # Hours at two rates have no rate; each keeps its own among the pieces.
        if all(piece["rate"] == timed[0]["rate"] for piece in timed):
            made["labour_rate"] = timed[0]["rate"]
    if any(piece["kind"] == "parts" for piece in pieces):
        made["parts_cost"] = {
            "amount": f"{sum_of(pieces, 'parts'):.2f}",
            "currency": currency,
        }
    return made
