"""What typed input refuses in a payload, refused at an import too, with what was likely meant.

The models say what form a value has; here stands what it may hold: a currency of ISO 4217, a
place that the component has, a unit of the trade, a code that can be. `Ledger.append` does not
ask, so that an old event with such a slip can still be corrected in its other fields.
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from roadworn.checks.measured import check_measurements
from roadworn.checks.private import check_owner
from roadworn.checks.shape import shown
from roadworn.model.amounts import check_currency
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.messages import Problem
from roadworn.model.places import PositionError, normalise_position
from roadworn.model.units import UnitError, canonical_unit
from roadworn.trade.codes import code_problem
from roadworn.trade.scan_text import parse_scan_text

#: Kinds whose amounts may be below zero: a rebate on an estimate.
_REBATES = frozenset({"estimate"})
#: So many different places, figures and codes are remembered as right.
_REMEMBERED = 20_000
_Complaint = tuple[str, str, str]


def slips(kind: str, payload: dict[str, Any]) -> list[Problem]:
    """Return what is wrong in a payload that its model takes.

    Args:
        kind: name of its kind.
        payload: a payload; of one that its model does not take, what can be judged is.
    """
    if "." in kind:
        return []  # of a plugin, whose words are its own
    return [
        Problem(code, message, hint, column=column)
        for column, (code, message, hint) in _found(kind, payload)
    ]


def _found(kind: str, payload: dict[str, Any]) -> Iterator[tuple[str, _Complaint]]:
    owner = payload.get("owner_reference")
    try:
        check_owner(owner if isinstance(owner, str) else "")
    except UsageError as error:
        yield "payload.owner_reference", _complaint("owner-reference", error)
    for column, part in _parts(payload, "payload"):
        if _texts(part, "currency", "amount"):
            said = money_slip(part["amount"], part["currency"], rebate=kind in _REBATES)
            if said:
                yield f"{column}.{said[0]}", said[1]
        component = part["component"] if _texts(part, "component") else None
        if component is not None and _texts(part, "position") and part["position"]:
            wrong = place_slip(component, part["position"])
            if wrong:
                yield f"{column}.position", wrong
        figures = part.get("measurements")
        for at, measured in enumerate(figures if isinstance(figures, list | tuple) else ()):
            if not (
                isinstance(measured, dict)
                and _texts(measured, "unit")
                and isinstance(measured.get("value"), int | float)
            ):
                continue
            wrong = measured_slip(component or "", measured["value"], measured["unit"])
            if wrong:
                yield f"{column}.measurements[{at}]", wrong
        if kind == "scan" and _texts(part, "code"):
            wrong = code_slip(part["code"])
            if wrong:
                yield f"{column}.code", wrong


def _texts(part: dict[str, Any], *fields: str) -> bool:
    return all(isinstance(part.get(field), str) for field in fields)


def _parts(value: Any, column: str) -> Iterator[tuple[str, dict[str, Any]]]:  # noqa: ANN401
    """Yield (column, dictionary) for a payload and everything inside it."""
    if isinstance(value, dict):
        yield column, value
        for name, item in value.items():
            if isinstance(item, dict | list | tuple):
                yield from _parts(item, f"{column}.{name}")
    else:
        for at, item in enumerate(value):
            if isinstance(item, dict | list | tuple):
                yield from _parts(item, f"{column}[{at}]")


@lru_cache(_REMEMBERED)
def money_slip(amount: str, currency: str, *, rebate: bool) -> tuple[str, _Complaint] | None:
    """Return (field, what is wrong) of an amount, or None."""
    try:
        check_currency(currency)
    except UsageError as error:
        return "currency", _complaint("unknown-currency", error)
    if amount.startswith("-") and not rebate:
        hint = f"write what it cost, perhaps {amount[1:]}, and a credit into the note"
        return "amount", ("below-zero", f"{amount} {currency} is below zero.", hint)
    return None


@lru_cache(_REMEMBERED)
def place_slip(component: str, position: str) -> _Complaint | None:
    """Return what is wrong with a place at a component, or None."""
    known = catalogue()
    if component not in known:
        return None  # of its own, or a problem by itself
    try:
        written = normalise_position(position, known.get(component).positions)
    except PositionError as error:
        return _complaint("no-position", error)
    if written == position:
        return None
    message = f"{shown(position)} is not how a place is kept."
    return "position-spelling", message, f"did you mean {written}?"


@lru_cache(_REMEMBERED)
def measured_slip(component: str, value: float, unit: str) -> _Complaint | None:
    """Return what is wrong with a figure at a component, or None."""
    try:
        written = canonical_unit(unit)
        check_measurements(component, [{"value": value, "unit": written}])
    except UnitError as error:
        return _complaint("unknown-unit", error)
    except UsageError as error:
        return _complaint("cannot-be-measured", error)
    if written == unit:
        return None
    return "unknown-unit", f"{shown(unit)} is not how a unit is kept.", f"did you mean {written}?"


@lru_cache(_REMEMBERED)
def code_slip(code: str) -> _Complaint | None:
    """Return what is wrong with a stored code, without failure type, or None."""
    if code[:3].casefold() == "spn":
        read = parse_scan_text(code)
        if [taken.code for taken in read.codes] == [code]:
            return None
        if read.problems:
            return "trouble-code", read.problems[0].message, read.problems[0].hint
        return "trouble-code", f"{shown(code)} is no code.", "write it as SPN 1208 FMI 3"
    problem = code_problem(code)
    if problem is not None:
        return problem.code, problem.message, problem.hint
    number, _, failure = code.partition("-")
    if failure:
        hint = f'give code "{number.upper()}" and failure_type "{failure.upper()}"'
        return "trouble-code", f"{shown(code)} holds a failure type.", hint
    if number != number.upper():
        return "trouble-code", f"{shown(code)} has small letters.", f"did you mean {code.upper()}?"
    return None


def _complaint(code: str, error: UsageError | UnitError | PositionError) -> _Complaint:
    """Take a sentence of typed input apart: what is wrong, and after the colon what to do."""
    message, colon, hint = str(error).partition(": ")
    return code, f"{message.rstrip('.')}." if colon else str(error), hint.rstrip(".")
