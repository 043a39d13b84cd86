"""A look-over on a table: an empty one to fill in, and a filled-in one judged by the limits.

A row that was left empty was not checked, unless the person says that everything else was
sound: then it is no row of its own. A figure without a condition has the one its limit gives;
where no limit settles it the row is a problem, never a guess.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal
from difflib import get_close_matches
from typing import Any, NamedTuple

from roadworn.checks.measured import check_agreement, check_measurements
from roadworn.intake.filled_file import FilledRow
from roadworn.model.amounts import choose
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import ProblemsFound, UsageError
from roadworn.model.messages import Problem
from roadworn.model.places import normalise_position
from roadworn.model.units import exact, parse_measurement
from roadworn.reading import CONDITIONS, condition_of
from roadworn.reading.walk import Walk
from roadworn.reading.ways import judged_words
from roadworn.trade.judging import KnownSizes, Size, judge, put_sizes, read_size
from roadworn.trade.limits import Item, Sheet

#: Headings of a look-over to fill in, in order.
COLUMNS = (
    "item", "component", "place", "measure", "unit", "limit", "measured", "condition", "size of",
    "size", "note",
)  # fmt: skip


#: Heading of a limit that stands on the part itself.
MARKED = "limit marked on the part"
#: What spreadsheets make of 3/32 or 3-4 typed into a cell.
_DATE = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}.*|\d{1,2}[-. ][A-Za-z]{3}\.?|[A-Za-z]{3}[-. ]\d{2,4}", re.ASCII
)


class Filled(NamedTuple):
    """What a filled-in look-over adds up to, and a word about each figure that decided."""

    payload: dict[str, Any]
    remarks: tuple[str, ...]


class _Wrong(Exception):
    """A cell cannot be taken."""

    def __init__(self, column: str, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.column, self.message, self.hint = column, message, hint


@contextmanager
def _cell(column: str) -> Iterator[None]:
    """Name the column of whatever a reader inside refuses."""
    try:
        yield
    except UsageError as error:
        raise _Wrong(column, error.message) from None


def blank_rows(sheet: Sheet) -> Iterator[tuple[str, ...]]:
    """Yield the heading and the rows of a sheet to fill in, one for each place of an item."""
    yield COLUMNS
    for item in sheet.items:
        for place in item.places or ("",):
            yield (
                item.name,
                item.component,
                place,
                item.measurement,
                item.unit,
                _limit_words(item),
                "",
                "",
                _size_words(item),
                "",
                "",
            )


def read_filled(
    rows: Iterable[FilledRow], file: str, sheet: Sheet, sizes: KnownSizes, rest: str = ""
) -> Filled:
    """Read a filled-in look-over.

    Args:
        rows: of `roadworn.intake.filled.filled_rows`.
        file: its name, for problems.
        sheet: the sheet that was filled in.
        sizes: those on record of the vehicle; what the table says is added.
        rest: what holds for rows left empty, ``sound``; else they were not checked.

    Raises:
        ProblemsFound: some rows cannot be taken; every one of them is named.
        UsageError: nothing was filled in.
    """
    reader = _Reader(file, sheet, sizes)
    entries: dict[str, list[dict[str, Any]]] = {}
    empty = True
    for row in rows:
        found = reader.row(row)
        if found is None:
            continue
        filled, finding = found
        empty = empty and not filled
        if filled or rest != "sound":
            of_item = entries.setdefault(row.cells.get("item", "").casefold(), [])
            of_item.append(finding)
            reader.agree(row, of_item)
    if reader.problems:
        first, *others = reader.problems
        more = f" ({len(others)} more)" if others else ""
        raise ProblemsFound(f"Nothing was written: {first}{more}", reader.problems)
    if empty:
        raise UsageError(
            f"Nothing is filled in in {file}: write a figure under measured, or s, w, f or n under "
            "condition."
        )
    walk = Walk(sheet, entries.values())
    walk.rest = rest or "not_checked"
    return Filled(walk.payload(), tuple(reader.remarks))


class _Reader:
    """Rows into findings; collects every problem instead of stopping at the first."""

    def __init__(self, file: str, sheet: Sheet, sizes: KnownSizes) -> None:
        self.file = file
        self.sheet = sheet
        self.sizes = sizes
        self.items = {item.name.casefold(): item for item in sheet.items}
        self.problems: list[Problem] = []
        self.remarks: list[str] = []

    def row(self, row: FilledRow) -> tuple[bool, dict[str, Any]] | None:
        """Return whether a row was filled in and its finding, or None after a problem."""
        try:
            return self._row(row)
        except _Wrong as wrong:
            self._note(row, wrong.column, wrong.message, wrong.hint)
        return None

    def agree(self, row: FilledRow, findings: list[dict[str, Any]]) -> None:
        """Note a problem when a row says another thing of a place than one above it."""
        told = [finding for finding in findings if finding["condition"] != "not_checked"]
        try:
            check_agreement(told)
        except UsageError as error:
            self._note(row, "condition", error.message)
            findings.pop()

    def _note(self, row: FilledRow, column: str, message: str, hint: str = "") -> None:
        self.problems.append(Problem("look-over", message, hint, self.file, row.line, column))

    def _row(self, row: FilledRow) -> tuple[bool, dict[str, Any]]:
        cells = row.cells
        item = self._item(cells.get("item", ""))
        finding: dict[str, Any] = {"component": item.component}
        place = cells.get("place", "")
        if place:
            scheme = catalogue().get(item.component).positions
            with _cell("place"):
                finding["position"] = normalise_position(place, scheme)
            if not item.covers(finding["position"]):
                hint = "write it in the row of the other axles"
                raise _Wrong("place", f"{item.name} is not at {finding['position']}.", hint)
        figure = self._figure(item, cells)
        size, marked = self._size(item, cells)
        if cells.get("note"):
            finding["note"] = cells["note"]
        if figure:
            finding["measurements"] = [figure]
        put_sizes(finding, size)
        self.sizes.keep(finding)
        condition = self._condition(cells)
        if not condition and figure:
            condition = self._judged(item, finding, figure, marked)
        if not condition and cells.get("note"):
            raise _Wrong("condition", "The row has a note and no condition.", "s, w, f or n")
        finding["condition"] = condition or "not_checked"
        if finding["condition"] == "failed" and catalogue().get(item.component).safety_critical:
            finding["safety"] = True
        return bool(condition or size), finding

    def _item(self, name: str) -> Item:
        found = self.items.get(" ".join(name.split()).casefold())
        if found is None:
            near = get_close_matches(name.casefold(), self.items, n=1)
            meant = f"did you mean {self.items[near[0]].name}? " if near else ""
            raise _Wrong(
                "item",
                f"The sheet {self.sheet.name} has no item {name!r}.",
                f"{meant}Another sheet is named with --sheet",
            )
        return found

    def _figure(self, item: Item, cells: Mapping[str, str]) -> dict[str, Any] | None:
        text = cells.get("measured", "")
        if not text:
            return None
        if not item.measurement:
            raise _Wrong(
                "measured", f"{item.name} is looked at, not measured.", "put it under note"
            )
        if _DATE.fullmatch(text):
            hint = "a spreadsheet made a date of a fraction: write 3 and 32nds as the unit"
            raise _Wrong("measured", f"{text!r} is a date and no figure.", hint)
        with _cell("measured"):
            value, unit = parse_measurement(text, cells.get("unit") or None)
            exact(value, unit, item.unit)  # another dimension is refused
            measured = {"value": float(value), "unit": unit, "name": item.measurement}
            check_measurements(item.component, [measured])
        return measured

    def _size(self, item: Item, cells: Mapping[str, str]) -> tuple[list[Size], str]:
        """Return the size the row says, or the limit marked on the part, in the item's unit."""
        text = cells.get("size", "")
        if not text:
            return [], ""
        with _cell("size"):
            if item.sized is not None:
                return [read_size(item.sized, text)], ""
            if not item.measurement or item.limit is not None:
                raise _Wrong("size", f"{item.name} asks for no size.", "leave the cell empty")
            value, unit = parse_measurement(text, item.unit)
        if unit != item.unit:
            raise _Wrong("size", f"The limit is in {item.unit}.", f"write it in {item.unit}")
        return [], str(value)

    def _condition(self, cells: Mapping[str, str]) -> str:
        text = cells.get("condition", "")
        if not text:
            return ""
        with _cell("condition"):
            said = condition_of(text, may_be_key=True)
            return said or choose(text, CONDITIONS, "The condition")

    def _judged(
        self, item: Item, finding: dict[str, Any], figure: dict[str, Any], marked: str
    ) -> str:
        judgement = judge(
            item,
            figure["value"],
            figure["unit"],
            size=self.sizes.size_at(item, finding),
            marked=Decimal(marked) if marked else None,
        )
        if judgement.condition == "not_checked":
            hint = "say s, w, f or n under condition"
            if judgement.missing != "printed":
                hint = f"fill in size, or {hint}"
            raise _Wrong(
                "condition", f"{judgement.reason[:1].upper()}{judgement.reason[1:]}.", hint
            )
        if judgement.condition != "sound":
            self.remarks.append(judged_words(finding, judgement))
        return judgement.condition


def _limit_words(item: Item) -> str:
    """Say the limit of an item in words, and where it begins to be wearing."""
    word = "at least" if item.direction == "min" else "at most"
    told = []
    if item.limit is not None:
        told.append(f"{word} {item.limit} {item.unit}")
    elif item.sized is not None:
        told.append(f"by {item.sized.key}")
    if item.recommend is not None:
        told.append(f"wearing at {item.recommend} {item.unit}")
    if item.normal is not None:
        told.append(f"usual {item.normal[0]} to {item.normal[1]} {item.unit}")
    if item.measurement and not told:
        told.append(MARKED)
    return "; ".join(told)


def _size_words(item: Item) -> str:
    table = item.sized
    if table is not None:
        return f"{table.key}, {table.key_unit}" if table.key_unit else table.key
    bare = item.limit is None and item.normal is None and item.recommend is None
    return f"{MARKED}, {item.unit}" if item.measurement and bare else ""
