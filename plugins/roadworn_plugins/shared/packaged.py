"""Data files that ship with an analysis, beside which a shop may keep its own."""

from collections.abc import Callable
from functools import partial
from typing import TypeVar

from roadworn.analysis.result import PackagedFile
from roadworn.trade.data_file import DataFile, Library

T = TypeVar("T")


class Packaged(Library[T]):
    """The TOML files of one kind in the folder `rules`."""

    def __init__(
        self, what: str, prefix: str, default: str, variable: str, read: Callable[[DataFile], T]
    ) -> None:
        super().__init__(what, "roadworn_plugins", "rules", read, prefix, default, variable)

    def as_files(self, setting: str, title: str) -> tuple[PackagedFile, ...]:
        """Return them as files to copy from, for the setting that names one."""
        return tuple(
            PackagedFile(setting, name, self.what, title, partial(self.text, name))
            for name in self.names()
        )
