"""One cell of a spreadsheet into one value, by the map's word and never by a guess."""

import re
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from roadworn.bench.amounts import likely_amount
from roadworn.bench.currencies import check_currency
from roadworn.bench.days import day_hint
from roadworn.errors import UsageError
from roadworn.events import parse_moment
from roadworn.intake.csv_map import CsvMap
from roadworn.kinds import Payload
from roadworn.kinds.base import Day, Money

FieldType = Literal["money", "integer", "number", "word", "day", "truth", "text"]
#: A cell as a reader hands it over; spreadsheets know dates and numbers, CSV only text.
Cell = str | int | float | bool | date | datetime | None

_POINT = re.compile(r"[+-]?(\d{1,3}(,\d{3})+|\d+)(\.\d+)?", re.ASCII)
_COMMA = re.compile(r"[+-]?(\d{1,3}([. \u00a0\u202f']\d{3})+|\d+)(,\d+)?", re.ASCII)
_DATE = re.compile(
    r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})(?:[ T]\d{1,2}:\d{2}(?::\d{2})?)?", re.ASCII
)


class CellError(ValueError):
    """A cell cannot be read; carries a message and a hint for a `Problem`."""

    def __init__(self, code: str, message: str, hint: str) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.hint = hint


def cell_text(cell: Cell) -> str:
    """Return a cell as text without surrounding blanks; whole numbers without a point."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, datetime):
        return cell.date().isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    return str(cell).strip()


def read_number(cell: Cell, csv_map: CsvMap) -> Decimal:
    """Read a figure, ``1,234.50`` or with the map's decimal comma ``1.234,50``.

    Raises:
        CellError: it is none.
    """
    if isinstance(cell, int | float) and not isinstance(cell, bool):
        return Decimal(repr(cell))
    text = cell_text(cell)
    form = _COMMA if csv_map.decimal_comma else _POINT
    if not form.fullmatch(text):
        other = _POINT if csv_map.decimal_comma else _COMMA
        hint = "write the figure alone, without signs or words"
        if other.fullmatch(text):
            wanted = "false" if csv_map.decimal_comma else "true"
            hint = f"if the file writes figures so, say decimal_comma = {wanted} in [file]"
        elif likely := likely_amount(text):
            hint = f"did you mean {likely}?"
        raise CellError("bad-number", f"{_shown(text)} is no figure.", hint)
    if csv_map.decimal_comma:
        text = re.sub(r"[. \u00a0\u202f']", "", text).replace(",", ".")
    return Decimal(text.replace(",", ""))


def read_day(cell: Cell, csv_map: CsvMap) -> str:
    """Read a day in the map's order, or an ISO day or moment.

    A time of day without a zone is left out, since the zone would have to be guessed.

    Raises:
        CellError: it is none, its year has two digits, or its order is not said.
    """
    if isinstance(cell, date | datetime):
        return cell_text(cell)
    text = cell_text(cell)
    found = _DATE.fullmatch(text)
    if found is None:
        try:
            return parse_moment(text)
        except ValueError:
            raise CellError(
                "bad-date",
                f"{_shown(text)} is no date.",
                day_hint(text) or "write it as 2026-05-04",
            ) from None
    if len(found[1]) == 4:
        order = csv_map.date_order if csv_map.date_order.startswith("y") else "ymd"
    else:
        order = csv_map.date_order
    if not order:
        raise CellError(
            "date-order",
            f"The order of day and month in {_shown(text)} is not known.",
            'say date_order = "dmy" or "mdy" in [file] of the map',
        )
    parts = dict(zip(order, found.groups(), strict=True))
    if len(parts["y"]) != 4:
        raise CellError(
            "bad-date",
            f"{_shown(text)} has no year of four digits.",
            f"write it in full, in the order {order}",
        )
    try:
        return date(int(parts["y"]), int(parts["m"]), int(parts["d"])).isoformat()
    except ValueError:
        raise CellError(
            "no-such-date",
            f"{_shown(text)} is no day of the calendar in the order {order}.",
            f"{day_hint(text)}; correct the cell, or date_order in [file] of the map",
        ) from None


def read_money(cell: Cell, csv_map: CsvMap, currency: str) -> dict[str, str]:
    """Read an amount.

    Raises:
        CellError: it is none, or it has no currency.
    """
    if not currency:
        raise CellError(
            "no-currency",
            f"The amount {_shown(cell_text(cell))} has no currency.",
            'say default = "USD" in [currency] of the map, or map a column to currency',
        )
    # A spreadsheet keeps 0.1 + 0.2 as it computes it; money has at most four decimals.
    amount = read_number(cell, csv_map)
    if isinstance(cell, float):
        amount = round(amount, 4).normalize()
    try:
        code = check_currency(currency)
    except UsageError as error:
        message, _, hint = error.message.partition(": ")
        raise CellError("unknown-currency", f"{message}.", hint.rstrip(".")) from None
    return {"amount": f"{amount:f}", "currency": code}


def read_truth(cell: Cell) -> bool:
    """Read yes or no.

    Raises:
        CellError: it is neither.
    """
    text = cell_text(cell).casefold()
    if text not in {"yes", "no", "true", "false"}:
        raise CellError(
            "bad-value", f"{_shown(text)} is neither yes nor no.", "map it under [values.…]"
        )
    return text in {"yes", "true"}


@cache
def field_types(model: type[Payload]) -> Mapping[str, FieldType]:
    """Return what each flat field of a payload holds; fields with parts inside are left out."""
    found: dict[str, FieldType] = {}
    for name, info in model.model_fields.items():
        kind = _type_of(info.annotation, info.metadata)
        if kind is not None and name != "replaces":
            found[name] = kind
    return found


def words_of(model: type[Payload], name: str) -> tuple[str, ...]:
    """Return the words a field may hold, or nothing when it is free."""
    for part in _parts(model.model_fields[name].annotation):
        if get_origin(part) is Literal:
            return get_args(part)
    return ()


def _parts(annotation: object) -> list[Any]:
    """Return the alternatives of an annotation with `Annotated` and None taken off."""
    if get_origin(annotation) in {Union, UnionType}:
        return [inner for part in get_args(annotation) for inner in _parts(part)]
    if get_origin(annotation) is Annotated:
        return _parts(get_args(annotation)[0])
    return [] if annotation is type(None) else [annotation]


def _type_of(annotation: object, metadata: list[Any]) -> FieldType | None:
    if annotation == Day or Day in get_args(annotation) or get_args(Day)[1] in metadata:
        return "day"
    parts = _parts(annotation)
    if len(parts) != 1:
        return None
    part = parts[0]
    if get_origin(part) is Literal:
        return "word"
    by_type: dict[object, FieldType] = {
        Money: "money",
        bool: "truth",
        int: "integer",
        float: "number",
        str: "text",
    }
    return by_type.get(part)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:40] + "…")
