"""The doors a plugin comes in by: the hooks, and since when each is there.

A hook returns descriptors: plain values that say what something is called and where its code
stands. None is handed a ledger. What a plugin returns is checked when it is received
(`roadworn.analysis.plugged`), and its owner is kept with it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pluggy

if TYPE_CHECKING:
    from roadworn.analysis import Analysis, Deferred
    from roadworn.columns.spec import TableSpec, ViewSpec
    from roadworn.model.kinds import EventKind

#: Number of the doors, raised whenever one is added or changed. 1 had analyses, kinds and tables.
HOOKS: Final = 2

hookspec = pluggy.HookspecMarker("roadworn")
hookimpl = pluggy.HookimplMarker("roadworn")


class Hooks:
    """The doors, in the order in which `roadworn plugins hooks` tells of them."""

    @hookspec
    def roadworn_analyses(self) -> "Sequence[Analysis | Deferred]":  # type: ignore[empty-body]
        """Return the analyses that this plugin adds."""

    @hookspec
    def roadworn_event_kinds(self) -> "Sequence[EventKind]":  # type: ignore[empty-body]
        """Return the event kinds that this plugin adds, named ``prefix.word``."""

    @hookspec
    def roadworn_tables(self) -> "Sequence[TableSpec]":  # type: ignore[empty-body]
        """Return the tables folded from events that this plugin adds, named ``prefix_word``."""

    @hookspec
    def roadworn_views(self) -> "Sequence[ViewSpec]":  # type: ignore[empty-body]
        """Return the views over tables that this plugin adds, named ``main.prefix_word``."""


@dataclass(frozen=True, slots=True)
class Door:
    """One door.

    Attributes:
        hook: its name.
        gives: what the hook returns a sequence of.
        since: number of the doors (`HOOKS`) that first had it.
        text: what it is for.
    """

    hook: str
    gives: str
    since: int
    text: str


#: hook -> (what it returns a sequence of, since when).
_GIVES: Final = {
    "roadworn_analyses": ("Analysis | Deferred", 1),
    "roadworn_event_kinds": ("EventKind", 1),
    "roadworn_tables": ("TableSpec", 1),
    "roadworn_views": ("ViewSpec", 2),
}


def doors() -> list[Door]:
    """Return every door."""
    return [
        Door(hook, gives, since, (getattr(Hooks, hook).__doc__ or "").strip())
        for hook, (gives, since) in _GIVES.items()
    ]
