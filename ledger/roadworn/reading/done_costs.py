"""What work came to: as estimated but for what was said, and parted among several places."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from roadworn.reading.done_words import Differs
from roadworn.trade.pricing import labour_line, round_money

_ZERO = Decimal(0)


def spread(work: dict[str, Any], places: Sequence[str | None]) -> list[dict[str, Any]]:
    """Return work at each of several places, its costs parted to the cent; at one as it is."""
    made = [{**work, "position": place} if place else dict(work) for place in places]
    if len(made) == 1:
        return made
    number = len(made)
    for name in ("parts_cost", "other_cost"):
        for one, money in zip(made, _parted(work.get(name), number), strict=False):
            one[name] = money
    whole = work.get("quantity", 1)
    if whole > 1:
        for one in made:
            one["quantity"] = max(1, whole // number)
    for name in ("labour_hours", "clocked_hours", "fluid_amount"):
        if work.get(name) is not None:
            for one in made:
                one[name] = round(work[name] / number, 4)
    hours, rate = work.get("labour_hours"), work.get("labour_rate")
    if hours is not None and rate is not None:
        each = labour_line(Decimal(str(made[0]["labour_hours"])), Decimal(rate["amount"])).amount
        lost = labour_line(Decimal(str(hours)), Decimal(rate["amount"])).amount - each * number
        if lost > 0:
            before = Decimal(made[0].get("other_cost", {}).get("amount", 0))
            made[0]["other_cost"] = {**rate, "amount": f"{before + lost:.2f}"}
    return made


def _parted(money: Mapping[str, str] | None, number: int) -> list[dict[str, str]]:
    """Return an amount in equal parts to the cent, what is left over in the first."""
    if not money:
        return []
    whole = Decimal(money["amount"])
    each = (whole / number).quantize(Decimal("0.01"), rounding="ROUND_DOWN")
    parts = [whole - each * (number - 1), *([each] * (number - 1))]
    return [{"amount": f"{part:.2f}", "currency": money["currency"]} for part in parts]


def costs_of(line: Mapping[str, Any], said: Differs, *, brought: bool) -> dict[str, Any]:
    """Return what the work of a line came to: as estimated, but for what was said.

    What is neither parts nor hours by one rate stands as the rest, so that nothing is lost.
    """
    code = line["amount"]["currency"]
    parts, rate = line.get("parts_cost"), line.get("labour_rate")
    hours = line.get("labour_hours")
    rest = Decimal(line["amount"]["amount"]) - _amount(parts) - _labour(hours, rate)
    is_flat = parts is None and hours is None
    said_parts = said.fields.get("parts_cost")
    hours = said.fields.get("labour_hours", hours)
    rate = said.fields.get("labour_rate", rate)
    parts = None if brought else said_parts or parts
    if said.total is not None:
        whole = Decimal(said.total["amount"])
    elif is_flat:
        # A price as a whole stands, whatever of it was the part.
        whole = Decimal(line["amount"]["amount"])
    else:
        whole = None
    if whole is not None:
        if _amount(parts) + _labour(hours, rate) > whole:
            # What was less than estimated was less for the work, unless the part is dearer.
            rate, parts = None, parts if _amount(parts) <= whole else None
        rest = whole - _amount(parts) - _labour(hours, rate)
    made = {"parts_cost": parts, "labour_hours": hours, "labour_rate": rate}
    if rest > 0:
        made["other_cost"] = {"amount": f"{rest:.2f}", "currency": code}
    return {name: value for name, value in made.items() if value is not None}


def _amount(money: Mapping[str, str] | None) -> Decimal:
    return Decimal(money["amount"]) if money else _ZERO


def _labour(hours: float | None, rate: Mapping[str, str] | None) -> Decimal:
    if hours is None or rate is None:
        return _ZERO
    return round_money(Decimal(str(hours)) * Decimal(rate["amount"]))
