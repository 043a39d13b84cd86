"""The three doors a plugin comes in by. Each returns descriptors; none is handed a ledger."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from roadworn.analysis.result import Analysis, Deferred
    from roadworn.columns.view import TableSpec
    from roadworn.model.kinds import EventKind


hookspec = pluggy.HookspecMarker("roadworn")
hookimpl = pluggy.HookimplMarker("roadworn")


@hookspec
def roadworn_analyses() -> Sequence["Analysis | Deferred"]:  # type: ignore[empty-body]
    """Return the analyses that this plugin adds."""


@hookspec
def roadworn_event_kinds() -> Sequence["EventKind"]:  # type: ignore[empty-body]
    """Return the event kinds that this plugin adds, named ``prefix.word``."""


@hookspec
def roadworn_tables() -> Sequence["TableSpec"]:  # type: ignore[empty-body]
    """Return the tables folded from events that this plugin adds, named ``prefix_word``."""
