"""What a validator found, in words of the person who typed the row.

pydantic speaks of types and patterns; here each of its findings becomes a sentence about the
field, and a hint that shows what to write.
"""

import re
from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from roadworn.checks.known import day_hint, days_meant
from roadworn.model.amounts import currency_codes, likely_amount, likely_distance
from roadworn.model.catalogue import catalogue
from roadworn.model.messages import Problem, shown
from roadworn.model.units import UnitError, canonical_unit

_COMPONENT = r"^[a-z][a-z0-9_]{0,30}\.[a-z0-9_]{1,50}$"
_DAY = r"^\d{4}-\d{2}-\d{2}$"
_MOMENT = r"^\d{4}-\d{2}-\d{2}(T\d{2}:\d{2}:\d{2}(\.\d{1,6})?Z)?$"
_AMOUNT = r"^-?\d{1,12}(\.\d{1,4})?$"
_CURRENCY = r"^[A-Z]{3}$"
#: A pattern used by the models (digits as \\d) -> what it asks for.
PATTERNS = {
    _COMPONENT: "a component as system.part, as in brake.pad",
    r"^[0-9a-f-]{36}$": "an event id of 36 characters, as `roadworn history` prints it",
    _DAY: "a day as in 2026-05-04",
    r"^([01]\d|2[0-3]):[0-5]\d$": "a time of day as in 16:30",
    _AMOUNT: 'a decimal number in quotes, as in "84.50"',
    r"^\d{1,4}(\.\d{1,4})?$": 'a percent as a decimal number in quotes, as in "8.25"',
    _CURRENCY: "a currency of three capital letters, as in USD",
    r"^[0-9A-F]{2}$": "two hexadecimal digits, as in 1A",
    r"^[0-9a-f]{64}$": "a SHA-256 digest of 64 hexadecimal digits",
    r"^[0-9A-F]{8}$": "eight hexadecimal digits, as in 0007E500",
    r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,62}$": "a short name without spaces, as in bus-7",
    _MOMENT: "a day as in 2026-05-04, or a time in UTC as in 2026-05-04T09:30:00Z",
}

_TYPES = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number, as in 2.5",
    "decimal_type": "a number",
    "decimal_parsing": "a number, as in 2.5",
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "dict_type": "an object in braces",
    "model_type": "an object in braces",
    "model_attributes_type": "an object in braces",
    "list_type": "a list in brackets",
    "tuple_type": "a list in brackets",
    "finite_number": "a finite number",
    **dict.fromkeys(
        ("date_type", "date_parsing", "date_from_datetime_parsing", "date_from_datetime_inexact"),
        "a day, as in 2026-05-04",
    ),
}


#: Findings about numbers without a point.
_NUMBERS = frozenset(
    {"int_type", "int_from_float", "int_parsing", "float_type", "decimal_type", "finite_number"}
)


def column_name(location: tuple[int | str, ...]) -> str:
    """Return a field's place as ``findings[0].component``."""
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text


def _fields(model: type[BaseModel], location: tuple[int | str, ...]) -> list[str]:
    """Return the field names that were possible at `location`, or none when unsure."""
    if len(location) == 1:
        return list(model.model_fields)
    return []


def _known(finding: ErrorDetails, what: str, model: type[BaseModel]) -> tuple[str, str, str] | None:
    """Return (code, message, hint) of one finding, None of a sort that has no words here."""
    kind, context = finding["type"], finding.get("ctx", {})
    column = column_name(finding["loc"])
    given = shown(finding["input"])
    name = str(finding["loc"][-1]) if finding["loc"] else ""
    if kind == "missing":
        return "missing-field", f"{what} needs the field {column}.", f"add {column}"
    if kind == "extra_forbidden":
        near = get_close_matches(name, _fields(model, finding["loc"]), n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else "leave it out, or put it in a note"
        return "unknown-field", f"{what} has no field {column}.", hint
    if kind == "literal_error":
        expected = str(context["expected"]).replace("'", "")
        meant = _near(str(finding["input"]), expected.replace(" or ", ", ").split(", "))
        return "bad-value", f"{given} is no word for {column}.", f"{meant}write one of {expected}"
    if kind == "string_pattern_mismatch":
        pattern = str(context["pattern"])
        known = pattern.replace("[0-9]", r"\d")
        form = PATTERNS.get(known, f"the form {pattern}")
        hint = f"{_MEANT[known](str(finding['input'])) if known in _MEANT else ''}write {form}"
        return "bad-form", f"{given} cannot be read as {column}.", hint
    if kind in _TYPES:
        wanted = _TYPES[kind]
        if kind in _NUMBERS - {"int_parsing"} and isinstance(finding["input"], str):
            meant = _number_meant(finding["input"])
            hint = f"{meant}write {wanted}, without quotes"
            return "bad-type", f"{given} cannot be read as {column}.", hint
        return "bad-type", f"{given} cannot be read as {column}.", f"write {wanted}"
    if kind in ("greater_than", "less_than"):
        limit = context.get("gt", context.get("lt"))
        side = "more than" if "gt" in context else "less than"
        return "out-of-range", f"{given} is out of range for {column}.", f"write {side} {limit}"
    if kind in ("greater_than_equal", "less_than_equal"):
        limit = context.get("ge", context.get("le"))
        side = "at least" if "ge" in context else "at most"
        return "out-of-range", f"{given} is out of range for {column}.", f"write {side} {limit}"
    if kind == "string_too_short":
        return "empty", f"{column} is empty.", "fill it in, or leave the field out"
    if kind == "too_short":
        return "empty", f"{column} has no entries.", "give at least one"
    if kind == "string_too_long":
        return "too-long", f"{column} is too long.", f"at most {context['max_length']} characters"
    return None


def _near(word: str, known: list[str]) -> str:
    """Return a question that names the known words most like `word`, or an empty text."""
    try:
        unit = canonical_unit(word)
    except UnitError:
        unit = ""
    near = [unit] if unit in known else get_close_matches(word[:40].casefold(), known, n=2)
    return f"did you mean {' or '.join(near)}? Else " if near else ""


def _day_meant(given: str) -> str:
    hint = day_hint(given)
    return f"{hint} Else " if days_meant(given) else f"{hint}; " if hint else ""


def _amount_meant(given: str) -> str:
    near = likely_amount(given)
    return f"did you mean {near}? Else " if near else ""


def _currency_meant(given: str) -> str:
    near = given.strip().upper()
    return f"did you mean {near}? Else " if near in currency_codes() else ""


def _component_meant(given: str) -> str:
    near = ", ".join(part.id for part in catalogue().resolve(given[:60]).suggestions[:2])
    return f"did you mean {near}? Else " if near else ""


#: Pattern -> what says what a text may mean that has not its form.
_MEANT: Mapping[str, Callable[[str], str]] = {
    _COMPONENT: _component_meant,
    _DAY: _day_meant,
    _AMOUNT: _amount_meant,
    _CURRENCY: _currency_meant,
    _MOMENT: _day_meant,
}


def _number_meant(given: str) -> str:
    """Return the number that a text holds, or an empty text."""
    plain = likely_distance(given) or given.strip()
    found = re.fullmatch(r"(-?\d{1,3}(?:,\d{3})+|-?\d+)(\.\d+)?", plain, re.ASCII)
    return f"did you mean {found[0].replace(',', '')}? Else " if found else ""


def remedy_of(finding: ErrorDetails) -> str:
    """Return what to write instead of a value that does not fit, as in "write a number"."""
    known = _known(finding, "It", BaseModel)
    return said_of(finding) if known is None else known[2]


def said_of(finding: ErrorDetails) -> str:
    """Return what is wrong in the words of whoever raised it, without pydantic's before them."""
    raised = finding.get("ctx", {}).get("error")
    if isinstance(raised, Exception):
        return str(raised).rstrip(".")
    told = str(finding["msg"])
    return told[:1].lower() + told[1:]


def problems_of(
    error: ValidationError, model: type[BaseModel], what: str, inside: str = ""
) -> Iterator[Problem]:
    """Yield a Problem for each finding of a failed validation.

    Args:
        error: what pydantic raised.
        model: the model that was asked, for the names of its fields.
        what: the thing in words, as in "A replacement".
        inside: field that holds the model, put before the column's name.
    """
    for finding in error.errors(include_url=False):
        column = column_name(finding["loc"])
        code, message, hint = _known(finding, what, model) or (
            "bad-value",
            f"{shown(finding['input'])} cannot be taken for {column}: {said_of(finding)}.",
            "correct it",
        )
        column = column_name((inside, *finding["loc"]) if inside else finding["loc"])
        yield Problem(code, message, hint, column=column)
