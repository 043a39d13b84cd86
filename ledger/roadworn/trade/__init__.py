"""Published rules and standards of the trade: decoders and limits, and the files that hold them.

Decoding works on what a person typed or pasted; nothing here talks to a vehicle. Rules that
differ from shop to shop are TOML that ships and that a shop writes for itself: sheets, rule sets,
schedules. Here they are read; each module of this room is imported when it is needed.

A shop copies a packaged file and changes it, so a slip in a key must not be dropped in silence:
a limit that nobody reads is a limit that never fails. Every refusal is one sentence that names
the file, the place, the reason and what was probably meant.
"""

import os
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any, Final, Generic, Literal, NoReturn, TypeVar

from roadworn.model import in_use, reads
from roadworn.model import read_like as read_like
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.model.toml import is_path, read_toml
from roadworn.model.units import UnitError, canonical_unit

T = TypeVar("T")
#: What may stand under a key: a text, a text that may be empty, texts, yes or no, a whole
#: number, a figure (text or number, kept exact), figures, a component id, ids, or a unit.
Kind = Literal[
    "text", "any text", "texts", "flag", "whole", "figure", "figures", "component", "components",
    "unit", "tables",
]  # fmt: skip
_WANTED: Mapping[str, str] = {
    "text": 'a text in quotes, as in "tread depth"',
    "any text": 'a text in quotes, as in "wheels off"',
    "texts": 'a list of texts, as in ["LF", "RF"]',
    "flag": "true or false",
    "whole": "a whole number of 0 or more",
    "figure": 'a figure, as in "0.25"',
    "figures": 'a list of figures, as in ["40", "60"]',
    "component": 'the id of a component, as in "brake.pad"',
    "components": 'a list of component ids, as in ["brake.pad", "brake.shoe"]',
    "unit": 'a unit, as in "32nds" or "mm"',
    "tables": "a table or list of tables, written with [ ] or [[ ]]",
}


@dataclass(frozen=True, slots=True)
class Key:
    """What may stand under a key, whether it must be there, and of a few words which.

    Attributes:
        wanted: what is to be written where it is missing, if its kind does not say enough.
    """

    kind: Kind
    must: bool = False
    words: tuple[str, ...] = ()
    wanted: str = ""


#: Of a figure that stands in a file, which is never taken without.
CITED: Final = Key(
    "text",
    must=True,
    wanted='where it is from, as in citation = "the maker\'s handbook, page 12", or say '
    'citation = "common practice, no source"',
)


@dataclass(frozen=True, slots=True)
class DataFile:
    """A file being read.

    Attributes:
        what: what it is, for sentences: ``look-over sheet``.
        name: name or path as the person gave it.
        data: the TOML.
    """

    what: str
    name: str
    data: Mapping[str, Any]

    @classmethod
    def parse(cls, what: str, name: str, text: str) -> "DataFile":
        """Read TOML text.

        Raises:
            UsageError: it is no TOML; says the line.
        """
        try:
            return cls(what, name, read_toml(text, parse_float=Decimal))
        except tomllib.TOMLDecodeError as error:
            raise UsageError(
                f"The {what} {name} is no TOML: {str(error).rstrip('.')}; mend that line, or begin "
                "anew from a packaged one (`roadworn sheets`)."
            ) from None

    def refuse(self, where: str, reason: str) -> NoReturn:
        """Refuse the file in one sentence.

        Raises:
            UsageError: always.
        """
        raise UsageError(f"The {self.what} {self.name} cannot be used: {where}: {reason}.")

    def table(
        self, keys: Mapping[str, Key], where: str, row: Mapping[str, Any] | None = None
    ) -> dict[str, Any]:
        """Return a table of the file with its values checked and made exact.

        Args:
            keys: what may stand in it.
            where: its place in words; a row of it is given by `row`.
            row: the table itself, None for the one called `where`.

        Raises:
            UsageError: a key is missing, unknown or holds something else.
        """
        if row is None:
            row = self.data.get(where)
            where = f"[{where}]"
        if not isinstance(row, dict):
            self.refuse(where, "the section is missing" if row is None else "it is no table")
        for name in row:
            if name not in keys:
                self.refuse(where, f"{name!r} is no key here{_near(name, keys)}")
        for name, key in keys.items():
            if key.must and name not in row:
                wanted = key.wanted or _WANTED[key.kind]
                self.refuse(where, f"the key {name!r} is missing: add {wanted}")
        read = {
            name: self._value(value, name, keys[name].kind, where) for name, value in row.items()
        }
        for name, key in keys.items():
            if key.words:
                self.word(read, name, key.words, where)
        return read

    def rows(self, name: str, keys: Mapping[str, Key]) -> list[tuple[str, dict[str, Any]]]:
        """Return the place in words and the checked values of each [[name]].

        Raises:
            UsageError: there is none, or one of them is not as it must be.
        """
        found = self.data.get(name)
        if not isinstance(found, list) or not found:
            self.refuse(f"[[{name}]]", "there is none: a file says at least one")
        told = []
        for number, row in enumerate(found, start=1):
            label = row.get("name") or row.get("component") if isinstance(row, dict) else ""
            where = f"{name} {number}" + (f" ({label})" if isinstance(label, str) and label else "")
            told.append((where, self.table(keys, where, row)))
        return told

    def sections(self, known: Iterable[str]) -> None:
        """Refuse a section that is not among `known`."""
        names = tuple(known)
        for name in self.data:
            if name not in names:
                self.refuse(f"[{name}]", f"there is no such section{_near(name, names)}")

    def word(self, row: Mapping[str, Any], key: str, words: Iterable[str], where: str) -> None:
        """Refuse a value that is not one of a few words; a key left out is no matter."""
        allowed = tuple(words)
        if key in row and row[key] not in allowed:
            self.refuse(where, f"{key} cannot be {row[key]!r}{_near(str(row[key]), allowed)}")

    def _value(self, value: Any, name: str, kind: Kind, where: str) -> Any:  # noqa: ANN401
        if kind in _EACH and isinstance(value, list):
            return tuple(self._value(part, name, _EACH[kind], where) for part in value)
        if kind == "component" and isinstance(value, str):
            return self._component(value, name, where)
        try:
            found = _READERS[kind](value) if kind in _READERS else None
        except UnitError as error:
            self.refuse(where, f"{name}: {error.what}: {error.remedy}")
        if found is None:
            self.refuse(where, f"{name} cannot be {value!r}: write {_WANTED[kind]}")
        return found

    def _component(self, identifier: str, name: str, where: str) -> str:
        try:
            return catalogue().get(identifier).id
        except UnknownName as error:
            ids = [component.id for component in catalogue()]
            near = [*get_close_matches(identifier, ids, n=1), *error.near]
            hint = f" (did you mean {near[0]}?)" if near else ": see `roadworn components`"
            self.refuse(where, f"{name} {identifier!r} is no component{hint}")


@dataclass(frozen=True)
class Library(Generic[T]):
    """The files of one kind that ship, beside which a shop may keep its own.

    Attributes:
        what: what each is, for sentences: ``look-over sheet``.
        folder: where they lie.
        read: makes of a file what it says.
        prefix: how their names begin.
        default: the one that holds where nobody names one.
        variable: where a shop keeps the path of its own, so that it need not be typed each time.
    """

    what: str
    folder: Path
    read: Callable[[DataFile], T]
    prefix: str = ""
    default: str = ""
    variable: str = ""

    def __post_init__(self) -> None:
        reads(self.what, lambda name, text: self.read(DataFile.parse(self.what, name, text)))

    def names(self) -> tuple[str, ...]:
        """Return the names of the packaged files, sorted."""
        return tuple(sorted(path.stem for path in self.folder.glob(f"{self.prefix}*.toml")))

    def text(self, name: str) -> str:
        """Return a packaged file as it stands, or a shop's own by its path.

        Raises:
            UnknownName: it is neither; carries the packaged names.
            UsageError: the shop's own is not there, or is no text.
        """
        packaged = self._packaged(name)
        if packaged:
            return (self.folder / f"{packaged}.toml").read_text(encoding="utf-8")
        # A path needs no plugin to be loaded.
        more = {} if is_path(name) else in_use().data_files(self.what)
        key = name.replace("-", "_").casefold()
        found = next((more[one] for one in (key, f"{self.prefix}{key}") if one in more), None)
        if found is not None:
            return found()
        return _own_text(name, self.what, (*dict.fromkeys((*self.names(), *more)),))

    def load(self, name: str = "") -> T:
        """Return what a file says that ships, or a shop's own.

        Args:
            name: of a packaged one, with its prefix or without, its beginning, or a path; without
                one what the environment keeps, else the default.

        Raises:
            UnknownName: there is none; carries the packaged names.
            UsageError: the file does not say what it must; names the variable that led to it.
        """
        kept = "" if name or not self.variable else os.environ.get(self.variable, "")
        if kept:
            try:
                return self.load(kept)
            except UsageError as error:
                where = f"{self.variable} of the environment"
                raise UsageError(f"{where}: {error.what}", error.remedy, more=error.more) from None
        packaged = self._packaged(name or self.default)
        if packaged:
            found: T = _loaded(self, packaged)
            return found
        return self.read(DataFile.parse(self.what, name, self.text(name)))

    def _packaged(self, name: str) -> str:
        """Return the packaged file that a name or its beginning means, or an empty text."""
        key = name.replace("-", "_").casefold()
        starts = key, f"{self.prefix}{key}"
        names = self.names()
        exact = next((one for one in starts if one in names), "")
        begun = [known for known in names if known.startswith(starts)] if key else []
        if exact or len(begun) != 1:
            return exact
        # The whole name of a plugin's goes before the beginning of one that ships.
        brought = in_use().data_files(self.what)
        return "" if any(one in brought for one in starts) else begun[0]


@cache
def _loaded(library: Library[T], name: str) -> T:
    return library.read(DataFile.parse(library.what, name, library.text(name)))


def _own_text(name: str, what: str, names: tuple[str, ...]) -> str:
    if not is_path(name):
        near = get_close_matches(name, names, n=1)
        meant = f" (did you mean {near[0]}?)" if near else ""
        raise UnknownName(
            f"There is no {what} {name!r}{meant}",
            names,
            remedy=f"use {' or '.join(names)}, or the path of a TOML file of your own",
            left_out=in_use().left_out(),
        )
    try:
        return Path(name).read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(
            f"There is no file {name} to read the {what} from", "check its name and the folder"
        ) from None
    except UnicodeDecodeError:
        raise UsageError(f"The {what} {name} is not UTF-8", "save it as UTF-8 text") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no path"
        raise UsageError(
            f"The {what} {name} cannot be read ({reason})", "give the path of a TOML file"
        ) from None


def _figure(value: object) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, str | int | Decimal):
        return None
    try:
        figure = Decimal(value)
    except InvalidOperation:
        return None
    return figure if figure.is_finite() else None


def _whole(value: Any) -> int | None:  # noqa: ANN401
    whole = isinstance(value, int) and not isinstance(value, bool)
    return value if whole and value >= 0 else None


#: kind -> a reader that returns None for what does not fit.
_READERS: Mapping[Kind, Callable[[Any], Any]] = {
    "text": lambda value: value if isinstance(value, str) and value else None,
    "any text": lambda value: value if isinstance(value, str) else None,
    "flag": lambda value: value if isinstance(value, bool) else None,
    "whole": _whole,
    "figure": _figure,
    "unit": lambda value: canonical_unit(value) if isinstance(value, str) else None,
    "tables": lambda value: value if isinstance(value, list | dict) else None,
}
_EACH: Mapping[Kind, Kind] = {
    "texts": "text",
    "figures": "figure",
    "components": "component",
}


def _near(word: str, names: Iterable[str]) -> str:
    allowed = tuple(name for name in names if name)
    near = get_close_matches(word, allowed, n=1, cutoff=0.5)
    return f" (did you mean {near[0]}?)" if near else f": use one of {', '.join(allowed)}"
