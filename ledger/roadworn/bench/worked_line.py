"""An estimate line with its working: hours by rate and parts, added up to the cent.

``brake pads front 1.8 h x 140 + parts 96.00 USD`` says what the amount is made of, so that a
later reader can see which half of it has grown.
"""

import re
from decimal import Decimal
from typing import Any

from roadworn.bench.amounts import read_money
from roadworn.bench.phrases import read_estimate_line
from roadworn.errors import UsageError
from roadworn.trade.money import labour_line, round_money

_FIGURE = r"\d[\d,]*(?:\.\d+)?"
_WORKING = re.compile(
    rf"(?P<what>.*?)[\s:=,]+(?P<hours>{_FIGURE})\s*(?:h|hours?)\s*(?:x|at|@)\s*(?P<rate>{_FIGURE})"
    rf"(?:\s*\+\s*parts\s+(?P<parts>{_FIGURE}))?(?:\s+(?P<currency>[A-Za-z]{{3}}))?\s*",
    re.IGNORECASE | re.ASCII,
)


def read_worked_line(text: str, line: int, currency: str = "") -> dict[str, Any]:
    """Read an estimate line, with its working or with the amount alone.

    Args:
        text: ``component place, work 1.8 h x 140 + parts 96.00``, or what
            `roadworn.bench.phrases.read_estimate_line` takes.
        line: its number.
        currency: code to use when the text has none.

    Raises:
        UnknownName: no component answers to it.
        UsageError: it ends in no amount and in no working.
    """
    found = _WORKING.fullmatch(text.strip())
    if found is None:
        return read_estimate_line(text, line, currency)
    code = found["currency"] or currency
    hours = Decimal(found["hours"].replace(",", ""))
    if hours > 10_000:
        raise UsageError(f"{hours} hours in {text.strip()!r} are too many: give book hours.")
    rate = read_money(found["rate"], code)
    parts = read_money(found["parts"], code) if found["parts"] else None
    # Each half is rounded by itself, so that the sheet adds up by hand.
    amount = labour_line(hours, Decimal(rate["amount"])).amount
    if parts is not None:
        amount += round_money(Decimal(parts["amount"]))
    made = read_estimate_line(f"{found['what']} {amount}", line, rate["currency"])
    made |= {"labour_hours": float(hours), "labour_rate": rate}
    return made | ({"parts_cost": parts} if parts is not None else {})
