"""The map that says what the columns of somebody else's spreadsheet mean.

A TOML file the user writes once for each source, so that nothing is guessed: which column is
what, which order their dates have, which unit and currency their figures are in, and what
their words stand for.

::

    kind = "replacement"               # or a column with target "kind"

    [file]
    delimiter = ";"                    # else a comma, or a tab for .tsv
    encoding = "cp1252"                # else UTF-8, or UTF-16 with a byte order mark
    decimal_comma = true               # 1.234,50
    date_order = "dmy"                 # dmy, mdy or ymd; ISO days are always understood
    sheet = "Parts 2024"               # of an xlsx file; else its first

    [columns]                          # their header = our field
    "Fitted on" = "occurred_at"
    "Van" = "vehicle_id"
    "Miles" = "odometer"
    "Part" = "component"

    [constants]                        # our field = the same for every row
    reason = "unknown"

    [units]                            # our field = unit of its plain figures
    odometer = "mi"

    [currency]                         # of every amount that has no currency column
    default = "USD"

    [components]                       # their word = ours, "brake.pad" or "brake.pad front"
    "fr. pads" = "brake.pad front"

    [vehicles]                         # their name = the vehicle's id
    "the old blue one" = "van-3"

    [values.reason]                    # their word = ours, for any field
    "broke" = "failed"
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from roadworn.intake.day_forms import check_forms
from roadworn.intake.map_sections import (
    Case,
    EventPart,
    Jobs,
    Join,
    Layout,
    Reversed,
    Share,
    fold,
    read_section,
)
from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.model.toml import read_toml

#: Targets outside the payload.
ENVELOPE = ("vehicle_id", "occurred_at", "odometer", "odometer_unit", "recorded_by", "kind")
#: Targets that are read as a short form or serve other fields.
SPECIAL = (
    "item",
    "finding",
    "measurement",
    "codes",
    "warranty",
    "currency",
    "jobs",
    "labour_cost",
    "plate",
)
_SECTIONS = (
    "kind",
    "aliases",
    "open",
    "file",
    "columns",
    "constants",
    "units",
    "currency",
    "components",
    "vehicles",
    "values",
    "patterns",
    "jobs",
    "share",
    "reversed",
    "join",
    "when",
    "events",
)
#: Sections of a file of aliases: words of the source, kept apart from what the columns mean.
_ALIASES = ("components", "vehicles", "values")
#: Our fields -> targets that feed them as one of several.
_SHORT_FORMS: Mapping[str, tuple[str, ...]] = {
    "component": ("item", "finding"),
    "position": ("item", "finding", "component"),
    "measurements": ("measurement", "finding"),
    "findings": ("finding", "measurement", "component"),
    "modules": ("codes",),
    "warranty_months": ("warranty",),
    "warranty_distance": ("warranty",),
}
_ORDERS = ("dmy", "mdy", "ymd")


@dataclass(frozen=True, slots=True)
class CsvMap:
    """A map as read; all words of the source are kept in folded case.

    Attributes:
        name: file name of the map, for messages.
        kind: kind of every row, or an empty text when a column says it.
        columns: header -> target field.
        constants: target field -> text.
        units: target field -> unit of its plain figures.
        currency: code of amounts without one, or an empty text.
        components: word -> component phrase.
        vehicles: name -> vehicle id.
        values: target field -> word -> our word.
        delimiter: of the file, or an empty text for the usual one.
        encoding: of the file, or an empty text for Unicode.
        decimal_comma: whether 1.234,50 is written so.
        date_order: ``dmy``, ``mdy``, ``ymd``, or an empty text for ISO days only.
        sheet: name of the sheet of a spreadsheet, or an empty text for the first.
        layout: all keys of [file], those above among them.
        patterns: target field -> shape of their word -> ours.
        jobs: how a cell of several jobs is taken apart.
        share: amounts of a work order.
        reversed: how work that was taken back is known.
        joins: other tables that rows are joined with.
        cases: what holds for some rows only.
        events: further events that a row gives.
        dates: forms of days that hold for a row.
        open: questions to answer before anything is taken.
    """

    name: str
    kind: str
    columns: Mapping[str, str]
    constants: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    currency: str = ""
    components: Mapping[str, str] = field(default_factory=dict)
    vehicles: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    delimiter: str = ""
    encoding: str = ""
    decimal_comma: bool | Literal["either"] = False
    date_order: str = ""
    sheet: str = ""
    layout: Layout = field(default_factory=Layout)
    patterns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    jobs: Jobs = field(default_factory=Jobs)
    share: Share | None = None
    reversed: Reversed | None = None
    joins: tuple[Join, ...] = ()
    cases: tuple[Case, ...] = ()
    events: tuple[EventPart, ...] = ()
    dates: tuple[str, ...] = ()
    open: tuple[str, ...] = ()

    def feeds(self) -> set[str]:
        """Return every field that some row may feed."""
        made = {*self.columns.values(), *self.constants}
        for case in self.cases:
            made |= {*case.set}
        for event in self.events:
            made |= {*event.columns.values(), *event.constants}
        return made

    def headers(self) -> list[str]:
        """Return every heading that the map names, each once."""
        named = [*self.columns, *self.layout.fill_down]
        for case in self.cases:
            named += case.cells
        for event in self.events:
            named += [*event.cells, *event.columns]
        if self.share is not None:
            named += [self.share.by, *self.share.amounts]
        if self.reversed is not None:
            named += [*self.reversed.by, *self.reversed.amounts]
        named += [join.keys()[0] for join in self.joins]
        return list(dict.fromkeys(named))

    def header_of(self, target: str) -> str:
        """Return the header that feeds a target field, or the target's own name."""
        return next((header for header, to in self.columns.items() if to == target), target)

    def header_of_column(self, column: str) -> str:
        """Return the header that feeds ``payload.findings[0].note`` or another of our columns."""
        field, _, inside = column.removeprefix("payload.").partition(".")
        field = field.partition("[")[0]
        if field == "findings" and inside:
            field = inside.partition("[")[0]
        candidates = (field, *_SHORT_FORMS.get(field, ()))
        return next((header for header, to in self.columns.items() if to in candidates), column)


def read_csv_map(path: Path) -> CsvMap:
    """Read a map from a TOML file.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it is no TOML, or a section or key does not fit.
    """
    return parse_csv_map(_text_of(path, "map"), path.name, path.parent)


def _text_of(path: Path, what: str) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise EnvironmentFailure(
            f"The {what} {path} cannot be read ({error.strerror}): check its name and rights."
        ) from error
    except UnicodeDecodeError:
        raise UsageError(f"The {what} {path} is not UTF-8: save it as UTF-8 text.") from None


def parse_csv_map(text: str, name: str = "map", folder: Path | None = None) -> CsvMap:
    """Read a map from TOML text; see `read_csv_map` for the errors.

    Args:
        text: of the map.
        name: its file name, for messages.
        folder: where its file of aliases lies.
    """
    given = _toml(text, name)
    _check_keys(name, given, _SECTIONS, "section")
    layout = read_section(name, Layout, given.get("file", {}), "[file]")
    kind = given.get("kind", "")
    if not isinstance(kind, str):
        raise UsageError(f'In the map {name}, kind is a text: write kind = "replacement".')
    words = _words(name, given)
    aliases = given.get("aliases", "")
    if aliases:
        _add_aliases(name, words, str(aliases), folder or Path())
    share, back = given.get("share"), given.get("reversed")
    made = CsvMap(
        name=name,
        kind=kind.replace("-", "_"),
        columns=_texts(name, given, "columns"),
        constants=_texts(name, given, "constants"),
        units=_texts(name, given, "units"),
        currency=_currency(name, given),
        components=words["components"],
        vehicles=words["vehicles"],
        values={key.removeprefix("values."): words[key] for key in words if key[:7] == "values."},
        delimiter=layout.delimiter,
        encoding=layout.encoding,
        decimal_comma=layout.decimal_comma,
        date_order=layout.date_order.casefold(),
        sheet=layout.sheet,
        layout=layout,
        patterns={
            target: _texts(name, _table(name, given, "patterns"), target)
            for target in _table(name, given, "patterns")
        },
        jobs=read_section(name, Jobs, given.get("jobs", {}), "[jobs]"),
        share=None if share is None else read_section(name, Share, share, "[share]"),
        reversed=None if back is None else read_section(name, Reversed, back, "[reversed]"),
        joins=tuple(read_section(name, Join, one, "[[join]]") for one in _list(given, "join")),
        cases=tuple(read_section(name, Case, one, "[[when]]") for one in _list(given, "when")),
        events=tuple(
            read_section(name, EventPart, one, "[[events]]") for one in _list(given, "events")
        ),
        dates=layout.dates,
        open=tuple(map(str, _list(given, "open"))),
    )
    _check(made)
    return made


def _toml(text: str, name: str) -> dict[str, Any]:
    try:
        return read_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"The map {name} is no TOML: {error}; correct that line.") from None


def _words(name: str, given: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """Return the words of a map or of its aliases, by section."""
    made = {part: _folded(_texts(name, given, part)) for part in ("components", "vehicles")}
    values = _table(name, given, "values")
    return made | {f"values.{target}": _folded(_texts(name, values, target)) for target in values}


def _add_aliases(name: str, words: dict[str, dict[str, str]], file: str, folder: Path) -> None:
    """Put the words of a file of aliases beside those of its map.

    Raises:
        UsageError: both say another thing of one word.
    """
    path = folder / file
    given = _toml(_text_of(path, "file of aliases"), path.name)
    _check_keys(path.name, given, _ALIASES, "section")
    for section, more in _words(path.name, given).items():
        own = words.setdefault(section, {})
        for word, means in more.items():
            if own.setdefault(word, means) != means:
                raise UsageError(
                    f"[{section}] says of {word!r} {own[word]!r} in {name} and {means!r} in "
                    f"{path.name}: keep one of them."
                )


def _list(given: Mapping[str, Any], key: str) -> list[Any]:
    value = given.get(key, [])
    return value if isinstance(value, list) else [value]


def _check(made: CsvMap) -> None:
    """Refuse what cannot be meant, before any row is read."""
    if made.date_order not in {"", *_ORDERS}:
        raise UsageError(
            f"In the map {made.name}, date_order is dmy, mdy or ymd, not {made.date_order!r}."
        )
    if len(made.delimiter) > 1:
        raise UsageError(f"In the map {made.name}, delimiter is one character, as in ';'.")
    check_forms(made.name, made.layout.dates)
    for case in made.cases:
        check_forms(made.name, case.dates)
    targets = [*made.columns.values(), *made.constants]
    doubled = sorted({target for target in targets if targets.count(target) > 1})
    if doubled:
        raise UsageError(
            f"The map {made.name} feeds {', '.join(doubled)} twice: keep one column or constant."
        )
    fed = made.feeds()
    if not made.kind and not made.events and not fed & {"kind", "jobs"}:
        raise UsageError(
            f'The map {made.name} says no kind: write kind = "replacement" in its first line, or '
            'map a column to "kind".'
        )
    for needed in ("vehicle_id", "occurred_at"):
        if needed not in fed and not (needed == "vehicle_id" and "plate" in fed):
            raise UsageError(
                f"The map {made.name} feeds no {needed}: map a column to it under [columns], or "
                "set it under [constants]."
            )


def _currency(name: str, given: Mapping[str, Any]) -> str:
    table = given.get("currency", {})
    if isinstance(table, str):
        return table.upper()
    table = _table(name, given, "currency")
    _check_keys(name, table, ("default",), "key of [currency]")
    return _text(name, table, "default").upper()


def _check_keys(name: str, given: Mapping[str, Any], known: tuple[str, ...], what: str) -> None:
    for key in given:
        if key not in known:
            near = get_close_matches(key, known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"there are {', '.join(known)}."
            raise UsageError(f"The map {name} has an unknown {what}, {key!r}; {hint}")


def _table(name: str, given: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    table = given.get(key, {})
    if not isinstance(table, dict):
        raise UsageError(f"In the map {name}, {key} is a section: write it as [{key}].")
    return table


def _texts(name: str, given: Mapping[str, Any], key: str) -> dict[str, str]:
    table = _table(name, given, key)
    return {word: _text(name, table, word) for word in table}


def _text(name: str, table: Mapping[str, Any], key: str) -> str:
    value = table.get(key, "")
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise UsageError(f"In the map {name}, {key!r} is a text: write it in quotes.")
    return str(value)


def _folded(table: Mapping[str, str]) -> dict[str, str]:
    return {fold(word): value for word, value in table.items()}
