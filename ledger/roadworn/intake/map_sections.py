"""What a map says besides columns and words: the layout, jobs, shares, joins, cases.

One model a section of the TOML file, so that what a key is stands once: in its type, and in the
sentence that says what it does. `docs/import.md` has an example of each, which a test reads.
"""

import re
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from functools import lru_cache
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from roadworn.checks.shape import said_of
from roadworn.model.errors import UsageError


def _as_list(value: Any) -> Any:  # noqa: ANN401  # whatever TOML gives
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


#: One text or several.
Texts = Annotated[tuple[str, ...], BeforeValidator(_as_list)]
#: header -> texts, one of which its cell is like; an empty text is an empty cell.
Cells = Mapping[str, Texts]


class Section(BaseModel):
    """Base of all sections: what is not known is refused by name."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Layout(Section):
    """How a table lies in its file.

    Attributes:
        delimiter: what stands between cells; a comma when empty, a tab in .tsv.
        encoding: of a text file; Unicode when empty.
        decimal_comma: whether 1.234,50 is written so; ``either`` where each figure shows which.
        date_order: ``dmy``, ``mdy``, ``ymd``, or empty for ISO days.
        dates: forms of days, ``d/m/y``, ``d-mon-yy``; see `roadworn.intake.day_forms`.
        sheet: name of a workbook's sheet; its first when empty.
        header: line in which the headings stand, from 1; 0 for the first that is not empty.
        header_rows: how many lines the headings take.
        no_header: the table has no headings: columns are ``column 1`` and so on.
        skip: rows whose first cell is like one of these are no rows of the table.
        blank: words that stand for an empty cell.
        ditto: words that stand for what the cell above says.
        cuts: where a printed list is cut into columns: how many letters stand before each.
        fill_down: headings whose empty cells take what stands above.
        section: makes a column of this name out of rows with one cell alone.
        signs: signs and words left out of figures and amounts.
    """

    delimiter: str = ""
    encoding: str = ""
    decimal_comma: bool | Literal["either"] = False
    date_order: str = ""
    dates: Texts = ()
    sheet: str = ""
    header: Annotated[int, Field(ge=0, le=10_000)] = 0
    header_rows: Annotated[int, Field(ge=1, le=5)] = 1
    no_header: bool = False
    skip: Texts = ()
    blank: Texts = ()
    ditto: Texts = ()
    cuts: Annotated[tuple[int, ...], BeforeValidator(_as_list)] = ()
    fill_down: Texts = ()
    section: str = ""
    signs: Texts = ()


class Case(Section):
    """What holds for rows of some kind only.

    Attributes:
        cells: which rows: each of these headings has a cell like one of its texts.
        set: our field = text, over what the map says elsewhere.
        units: our field = unit.
        dates: forms of days in these rows.
        skip: these rows are left out.
    """

    cells: Cells
    set: Mapping[str, str] = {}
    units: Mapping[str, str] = {}
    dates: Texts = ()
    skip: bool = False


class EventPart(Section):
    """One more event that a row gives.

    Attributes:
        kind: its kind.
        columns: heading = our field, besides those that all events of the row share.
        constants: our field = text.
        cells: only of rows like this; without it, of rows in which one of `columns` is filled.
    """

    kind: str
    columns: Mapping[str, str] = {}
    constants: Mapping[str, str] = {}
    cells: Cells = {}


#: What a phrase within a job says of it.
PhraseSays = Literal["leave out", "no job"]


class Jobs(Section):
    """How a cell with several jobs is taken apart; the column has the target ``jobs``.

    Attributes:
        between: what stands between two jobs.
        kind: kind of a job that says only its part; else it is asked.
        ignore: words that are no job on a vehicle.
        words: phrase within a job -> whether it is left out, or says that there was no job; ``*``
            stands for one word.
    """

    between: Texts = ()
    kind: Literal["", "replacement", "repair", "maintenance"] = ""
    ignore: Texts = ()
    words: Mapping[str, PhraseSays] = {}


class Share(Section):
    """Amounts that stand once for a whole work order, and are shared among its jobs.

    Attributes:
        by: heading of the work order's number.
        amounts: headings of the amounts and hours.
        repeated: the same amount stands on each line of the order, and counts once.
    """

    by: str
    amounts: Texts
    repeated: bool = False


class Reversed(Section):
    """Work that was taken back: a row below zero leaves out the row whose opposite it is.

    Attributes:
        by: headings under which both rows say the same.
        amounts: headings whose amounts are opposite.
    """

    by: Texts
    amounts: Texts


class Join(Section):
    """Another table whose cells belong to the rows of this one.

    Attributes:
        file: its name, in the folder of the table; the table's own file when empty.
        on: heading that both have, or this table's heading = the other's.
        sum: headings whose figures are added up over the rows of one key; heading = heading of
            the number that each is taken times.
        file_keys: all other keys are those of [file].
    """

    file: str = ""
    on: str | Mapping[str, str]
    sum: Mapping[str, str] | Texts = ()
    delimiter: str = ""
    encoding: str = ""
    sheet: str = ""
    header: Annotated[int, Field(ge=0, le=10_000)] = 0
    header_rows: Annotated[int, Field(ge=1, le=5)] = 1
    skip: Texts = ()
    blank: Texts = ()
    ditto: Texts = ()
    cuts: Annotated[tuple[int, ...], BeforeValidator(_as_list)] = ()
    fill_down: Texts = ()

    def layout(self) -> Layout:
        """Return how the other table lies in its file."""
        own = self.model_dump(exclude={"file", "on", "sum"})
        return Layout(**own)

    def added(self) -> dict[str, str]:
        """Return headings that are added up -> heading of the number taken times, or nothing."""
        return dict(self.sum) if isinstance(self.sum, Mapping) else dict.fromkeys(self.sum, "")

    def keys(self) -> tuple[str, str]:
        """Return the heading here and the heading there."""
        if isinstance(self.on, str):
            return self.on, self.on
        return next(iter(self.on.items()))


S = TypeVar("S", bound=Section)


def read_section(name: str, model: type[S], given: Any, where: str) -> S:  # noqa: ANN401
    """Return a section as its model.

    Args:
        name: of the map.
        model: of the section.
        given: what TOML gave.
        where: how the section is written, ``[file]``.

    Raises:
        UsageError: a key is not known or its value is another thing; says which.
    """
    if not isinstance(given, dict):
        word = where.strip("[]")
        raise UsageError(f"In the map {name}, {word} is a section: write it as {where}.")
    try:
        return model.model_validate(given)
    except ValidationError as error:
        raise UsageError(_in_words(name, model, where, error.errors()[0])) from None


_WRONG = {
    "bool_type": "is true or false, without quotes",
    "bool_parsing": "is true or false, without quotes",
    "string_type": "is a text: write it in quotes",
    "tuple_type": "is one text in quotes or a list of them",
    "mapping_type": "is a table of texts",
    "dict_type": "is a table of texts",
    "int_type": "is a whole number",
    "int_parsing": "is a whole number",
    "missing": "is missing: fill it in",
}


def _in_words(name: str, model: type[Section], where: str, error: ErrorDetails) -> str:
    key = str(error["loc"][0])
    if error["type"] == "extra_forbidden":
        near = get_close_matches(key, model.model_fields, n=1)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(model.model_fields)}."
        return f"The map {name} has an unknown key of {where}, {key!r}; {hint}"
    if error["type"] == "literal_error":
        return f"In the map {name}, {key} of {where} is {error['ctx']['expected']}."
    wrong = _WRONG.get(error["type"], f"cannot be {error['input']!r:.40}: {said_of(error)}")
    return f"In the map {name}, {key} of {where} {wrong}."


@lru_cache(maxsize=65_536)
def fold(word: str) -> str:
    """Return a word of the source as it is looked up: case and extra blanks do not matter."""
    return " ".join(word.casefold().split())


@lru_cache(maxsize=1024)
def _like(pattern: str) -> re.Pattern[str]:
    return re.compile(".*".join(map(re.escape, fold(pattern).split("*"))), re.DOTALL)


def is_like(text: str, patterns: tuple[str, ...]) -> bool:
    """Return whether a text is like one of the patterns; ``*`` stands for anything."""
    if not patterns:
        return False
    folded = fold(text)
    return any(_like(pattern).fullmatch(folded) for pattern in patterns)


def within(phrases: Iterable[str]) -> re.Pattern[str] | None:
    """Return what finds any of some phrases within a text, the longest first; None without any."""
    forms = [
        r"\s+".join(re.escape(word).replace(r"\*", r"\S+") for word in fold(phrase).split())
        for phrase in sorted(phrases, key=len, reverse=True)
    ]
    return re.compile(rf"(?<!\w)(?:{'|'.join(forms)})(?!\w)", re.IGNORECASE) if forms else None


def scaled(unit: str) -> tuple[int, str]:
    """Return of ``1000 mi`` how many of which unit a figure of one is."""
    number, _, name = unit.rpartition(" ")
    return (int(number), name) if number.isdecimal() else (1, unit)


#: What may stand between the words of an id: "UNIT 12", "unit-12", "Unit#12".
_BETWEEN = r"[\s._#/-]*"


@lru_cache(maxsize=1024)
def _shape(pattern: str) -> re.Pattern[str]:
    parts = re.split(r"(\{n\}|\{x\}|\s+)", fold(pattern))
    made, groups = [], 0
    for part in parts:
        if part in {"{n}", "{x}"}:
            groups += 1
            made.append(f"0*(?P<g{groups}>\\d+)" if part == "{n}" else f"(?P<g{groups}>.+?)")
        else:
            made.append(_BETWEEN if part.isspace() else re.escape(part))
    return re.compile("".join(made))


def shaped(text: str, patterns: Mapping[str, str]) -> str | None:
    """Return what a text becomes by the first of some patterns that it has the shape of.

    ``{n}`` stands for a number, leading zeros aside, ``{x}`` for any text, a blank for any of
    blanks, points, dashes and # or none; in the result they stand for what was there, in small
    letters. None where it has the shape of none.
    """
    folded = fold(text)
    for pattern, ours in patterns.items():
        found = _shape(pattern).fullmatch(folded)
        if found is not None:
            made = ours
            for value in found.groups():
                made = re.sub(r"\{[nx]\}", value.replace("\\", r"\\"), made, count=1)
            return made
    return None
