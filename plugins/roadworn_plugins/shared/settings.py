"""What settings name: classes of vehicles, suppliers, and data files of a shop's own.

A name that nothing has would leave everything out without a word, and so hide what is due.
"""

from collections.abc import Callable, Collection
from difflib import get_close_matches
from functools import partial
from typing import TypeVar

from roadworn.analysis.result import PackagedFile
from roadworn.columns.view import LedgerView
from roadworn.model.errors import UnknownName
from roadworn.model.messages import Sentence
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


def listed(text: str, known: Collection[str], what: str) -> frozenset[str]:
    """Return the names in a list with commas, each of which must be known.

    Raises:
        UnknownName: one is not; carries the nearest names.
    """
    names = frozenset(name.strip() for name in text.split(",") if name.strip())
    for name in sorted(names):
        require(name, known, what)
    return names


def require(name: str, known: Collection[str], what: str) -> None:
    """Refuse a name that is not known.

    Raises:
        UnknownName: carries the nearest names.
    """
    if name in known:
        return
    there = ", ".join(sorted(known)[:30]) or "none on record"
    raise UnknownName.of(f"{what} {name!r}", name, known, f"there are: {there}.")


def vehicle_classes(view: LedgerView) -> frozenset[str]:
    """Return the classes that vehicles have on record, retired ones too."""
    rows = view.sql("SELECT DISTINCT vehicle_class FROM vehicles WHERE vehicle_class IS NOT NULL")
    return frozenset(str(name) for (name,) in rows.rows)


def suppliers(view: LedgerView) -> frozenset[str]:
    """Return the suppliers that parts on record came from."""
    rows = view.sql("SELECT DISTINCT supplier FROM replacements WHERE supplier IS NOT NULL")
    return frozenset(str(name) for (name,) in rows.rows)


def classes_nobody_has(asked: Collection[str], view: LedgerView) -> tuple[str, ...]:
    """Return a caveat for each class that a schedule names and no vehicle has.

    No refusal, since one schedule may serve several fleets.
    """
    known = vehicle_classes(view)
    caveats = []
    for name in sorted(set(asked) - known - {""}):
        near = get_close_matches(name, known, n=1)
        caveats.append(
            Sentence(
                "maintenance-due.class-near",
                "The schedule names the class {name!r}, which no vehicle has: did you mean "
                "{near!r}? Its services are asked of none.",
                name=name,
                near=near[0],
            )
            if near
            else Sentence(
                "maintenance-due.class",
                "The schedule names the class {name!r}, which no vehicle has: its services are "
                "asked of none.",
                name=name,
            )
        )
    return tuple(caveats)
