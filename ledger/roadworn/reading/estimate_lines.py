"""An estimate line with its working: hours by rate, parts and the rest, added up to the cent.

``brake pads front 1.8 h x 140 + parts 96.00 USD`` says what the amount is made of, so that a
later reader can see which half of it has grown.
"""

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from roadworn.model.amounts import read_money
from roadworn.model.errors import UsageError
from roadworn.reading import part_fields, split_part
from roadworn.reading.one_part import check_one_part
from roadworn.reading.pieces import read_pieces, split_pieces, sum_of
from roadworn.reading.terms import Terms

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words

#: What belongs to a piece and stands among the words of the work: hours, a count, a plus or minus
#: beside a figure, a deposit. "4x4", "heater core" and "pads + discs" are words of the trade.
_UNUSED = re.compile(
    r"\d[\d.,]*\s*(?:h|hrs?|hours?)(?!\w)"
    r"|(?<![\w.])\d[\d.,]*\s*[x*](?!\w)|(?<!\w)[x*]\s*\d[\d.,]*"
    r"|\d[\d.,]*\s*\+|\+\s*-?\d[\d.,]*"
    r"|\bcores?(?:\s+-?\d[\d.,]*|$)",
    re.IGNORECASE,
)
#: A figure less another one, at the end: the first would be lost and the minus with it.
_TAKEN_OFF = re.compile(r"\d[\d.,]*\s*-\s+\d[\d.,]*(?:\s+[A-Za-z]{3})?\s*$")


def read_worked_line(
    text: str,
    line: int,
    currency: str = "",
    terms: Terms | None = None,
    words: "Callable[[], Words] | None" = None,
) -> dict[str, Any]:
    """Read an estimate line, with its working or with the amount alone.

    Args:
        text: ``component place, work 1.8 h + part cost 40.00``, or what
            `read_estimate_line` takes.
        line: its number.
        currency: code to use when the text has none.
        terms: the shop's, for pieces that have no price of their own.
        words: gives the words to read parts by, a shop's own among them.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it ends in no amount and in no working, or some of its working would be lost.
    """
    what, found = split_pieces(text)
    if not found:
        return _whole_of_it(read_estimate_line(text, line, currency, words), text)
    if not what:
        raise UsageError(
            f"{text.strip()!r} says of no component what it is for: write it as 'brake pads "
            "front, replace 1.8 h + part list 96.00'."
        )
    pieces = read_pieces(found, currency, terms)
    code = pieces[0]["amount"]["currency"]
    amount = sum_of(pieces, "labour", "parts", "sublet", "fee", "flat")
    made = _whole_of_it(read_estimate_line(f"{what} {amount:.2f}", line, code, words), text)
    return made | _halves(pieces, code) | {"pieces": pieces}


def read_estimate_line(
    text: str, line: int, currency: str = "", words: "Callable[[], Words] | None" = None
) -> dict[str, Any]:
    """Read one line of an estimate, ``brake pads front, machine discs 180.00``.

    Args:
        text: component, place, what would be done, and the amount at the end.
        line: its number, by which an answer names it.
        currency: code to use when the text has none.
        words: gives the words to read parts by.

    Raises:
        UnknownName: no component answers to it.
        UsageError: no amount stands at the end.
    """
    found = re.fullmatch(
        r"(?P<what>.*?)[\s:=]+(?P<amount>-?\d[\d,]*(?:\.\d+)?(?:\s+[A-Za-z]{3})?)", text.strip()
    )
    if found is None:
        raise UsageError(
            f"The estimate line {text.strip()!r} ends in no amount",
            "write it as 'brake pads front 180.00'",
        )
    component, position, rest = split_part(found["what"], words)
    check_one_part(component, position, rest, text)
    made: dict[str, Any] = {
        "line": line,
        **part_fields(component, position),
        "amount": read_money(found["amount"], currency, allow_negative=True),
    }
    if component.safety_critical:
        made["safety"] = True
    work = rest.strip(" ,;:-")
    if work:
        made["work"] = work
    return made


def _whole_of_it(made: dict[str, Any], text: str) -> dict[str, Any]:
    """Return a line as it is, once none of its working is left among the words of the work.

    Raises:
        UsageError: hours, a count, a deposit or a sum was not understood.
    """
    lost = _UNUSED.search(made.get("work", "")) or _TAKEN_OFF.search(text)
    if lost is not None:
        raise UsageError(
            f"{lost[0].strip()!r} in {text.strip()!r} is no piece as it stands: write pieces as "
            "1.8 h x 140, part list 80.00 x 4 or core 20.00, with + between them, and a rebate "
            "as a line of its own."
        )
    return made


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
