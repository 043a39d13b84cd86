"""Data files that ship with an analysis, beside which a shop may keep its own."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib.resources import files
from typing import Generic, TypeVar

from roadworn.analysis.result import PackagedFile
from roadworn.trade.data_file import DataFile, kept, own_text

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Packaged(Generic[T]):
    """The TOML files of one kind in the folder `rules`.

    Attributes:
        what: what one of them is, for sentences: ``rule set``.
        prefix: how their names begin.
        default: the one that holds where nobody names one.
        variable: where a shop keeps the path of its own, so that it need not be typed each time.
        read: makes of a file what it says.
    """

    what: str
    prefix: str
    default: str
    variable: str
    read: Callable[[DataFile], T]

    def names(self) -> tuple[str, ...]:
        """Return the names of the files that ship, sorted."""
        names = (entry.name.removesuffix(".toml") for entry in _FOLDER.iterdir())
        return tuple(sorted(name for name in names if name.startswith(self.prefix)))

    def load(self, name: str = "") -> T:
        """Return what a file says that ships, or a shop's own.

        Args:
            name: name or path; without one what the environment keeps, else the default.

        Raises:
            UsageError: there is none, or the file does not say what it must.
        """
        if not name:
            return kept(self.variable, self.load, self.default)
        names = self.names()
        text = _text(name) if name in names else own_text(name, self.what, names)
        return self.read(DataFile.parse(self.what, name, text))

    def as_files(self, setting: str, title: str) -> tuple[PackagedFile, ...]:
        """Return them as files to copy from, for the setting that names one."""
        return tuple(
            PackagedFile(setting, name, self.what, title, partial(_text, name))
            for name in self.names()
        )


_FOLDER = files("roadworn_plugins").joinpath("rules")


def _text(name: str) -> str:
    return _FOLDER.joinpath(f"{name}.toml").read_text(encoding="utf-8")
