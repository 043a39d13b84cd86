"""What typed input refuses in a payload, refused at an import too, with what was likely meant.

The models say what form a value has; here stands what it may hold: a currency of ISO 4217, a
place that the component has, a unit of the trade, a code that can be. `Ledger.append` does not
ask, so that an old event with such a slip can still be corrected in its other fields.
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from roadworn.checks.facts import Draft, Facts
from roadworn.checks.odd import check_owner
from roadworn.model.amounts import check_currency
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.messages import Problem, Sentence, shown
from roadworn.model.places import PositionError, normalise_position
from roadworn.model.units import UnitError, canonical_unit

#: Kinds whose amounts may be below zero: a rebate on an estimate.
_REBATES = frozenset({"estimate"})
#: So many different places, figures and codes are remembered as right.
_REMEMBERED = 20_000
_CODE = "trouble-code"


def slip(draft: Draft, _facts: Facts | None = None) -> Iterator[Problem]:
    """Refuse what no payload of its kind may hold, though its model takes it.

    Of a payload that its model does not take, what can be judged is.
    """
    kind, payload = draft.kind, draft.payload
    if "." in kind:
        return  # of a plugin, whose words are its own
    owner = payload.get("owner_reference")
    try:
        check_owner(owner if isinstance(owner, str) else "")
    except UsageError as error:
        yield error.as_problem(column="payload.owner_reference")
    for column, part in _parts(payload, "payload"):
        for field, wrong in _slips_of(kind, part):
            if wrong is not None:
                yield wrong.at(0, column=f"{column}.{field}")


def back_before(draft: Draft, _facts: Facts) -> Iterator[Problem]:
    """Refuse that a vehicle was back in service before it went out of it."""
    until = draft.payload.get("until")
    if isinstance(until, str) and until < draft.day:
        told = Sentence(
            "back-before", "It was back on {until}, before it stood still.", until=until
        )
        hint = "say since when it stood as the event's day (--on), or leave the end out"
        yield Problem("back-before", told, hint, column="payload.until")


def _slips_of(kind: str, part: dict[str, Any]) -> Iterator[tuple[str, Problem | None]]:
    """Yield (field, what is wrong with it) for the fields of one part that can be judged."""
    if _texts(part, "currency", "amount"):
        found = money_slip(part["amount"], part["currency"], rebate=kind in _REBATES)
        yield found.column if found else "", found
    component = part["component"] if _texts(part, "component") else None
    if component is not None and _texts(part, "position") and part["position"]:
        yield "position", place_slip(component, part["position"])
    figures = part.get("measurements")
    for at, measured in enumerate(figures if isinstance(figures, list | tuple) else ()):
        if (
            isinstance(measured, dict)
            and _texts(measured, "unit")
            and isinstance(measured.get("value"), int | float)
        ):
            found = measured_slip(component or "", measured["value"], measured["unit"])
            yield f"measurements[{at}]", found
    if kind == "scan" and _texts(part, "code"):
        yield "code", code_slip(part["code"])


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
def money_slip(amount: str, currency: str, *, rebate: bool) -> Problem | None:
    """Return what is wrong with an amount, its column the field, or None."""
    try:
        check_currency(currency)
    except UsageError as error:
        return error.as_problem("unknown-currency", "currency")
    if amount.startswith("-") and not rebate:
        told = Sentence(
            "below-zero", "{amount} {currency} is below zero.", amount=amount, currency=currency
        )
        hint = f"write what it cost, perhaps {amount[1:]}, and a credit into the note"
        return Problem("below-zero", told, hint, column="amount")
    return None


@lru_cache(_REMEMBERED)
def place_slip(component: str, position: str) -> Problem | None:
    """Return what is wrong with a place at a component, or None."""
    known = catalogue()
    if component not in known:
        return None  # of its own, or a problem by itself
    try:
        written = normalise_position(position, known.get(component).positions)
    except PositionError as error:
        return error.as_problem("no-position")
    if written == position:
        return None
    told = Sentence(
        "position-spelling", "{given} is not how a place is kept.", given=shown(position)
    )
    return Problem("position-spelling", told, f"did you mean {written}?")


@lru_cache(_REMEMBERED)
def measured_slip(component: str, value: float, unit: str) -> Problem | None:
    """Return what is wrong with a figure at a component, or None."""
    # Limits are read from files, which a replacement should not wait for.
    from roadworn.checks.measured import check_measurements

    try:
        written = canonical_unit(unit)
        check_measurements(component, [{"value": value, "unit": written}])
    except UnitError as error:
        return error.as_problem("unknown-unit")
    except UsageError as error:
        return error.as_problem("cannot-be-measured")
    if written == unit:
        return None
    told = Sentence("unit-spelling", "{given} is not how a unit is kept.", given=shown(unit))
    return Problem("unknown-unit", told, f"did you mean {written}?")


@lru_cache(_REMEMBERED)
def code_slip(code: str) -> Problem | None:
    """Return what is wrong with a stored code, without failure type, or None."""
    # Nor should anything but a scan wait for the readers of codes.
    from roadworn.trade.codes import code_problem
    from roadworn.trade.scan_text import parse_scan_text

    if code[:3].casefold() == "spn":
        read = parse_scan_text(code)
        if [taken.code for taken in read.codes] == [code]:
            return None
        if read.problems:
            return Problem(_CODE, read.problems[0].message, read.problems[0].hint)
        told = Sentence("no-code", "{given} is no code.", given=shown(code))
        return Problem(_CODE, told, "write it as SPN 1208 FMI 3")
    problem = code_problem(code)
    if problem is not None:
        return Problem(problem.code, problem.message, problem.hint)
    number, _, failure = code.partition("-")
    if failure:
        told = Sentence("code-with-failure", "{given} holds a failure type.", given=shown(code))
        hint = f'give code "{number.upper()}" and failure_type "{failure.upper()}"'
        return Problem(_CODE, told, hint)
    if number != number.upper():
        told = Sentence("code-in-small", "{given} has small letters.", given=shown(code))
        return Problem(_CODE, told, f"did you mean {code.upper()}?")
    return None
