"""Roadworn: the service memory of a repair shop or a small fleet.

What a plugin author needs is here and in `roadworn.testing`. Names are resolved when first
used, so that `import roadworn` stays light.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from roadworn.analysis.hookspecs import hookimpl
    from roadworn.analysis.host import PluginHost
    from roadworn.analysis.result import (
        Analysis,
        Chart,
        Column,
        Estimate,
        PackagedFile,
        Result,
        Series,
        Settings,
        Table,
    )
    from roadworn.columns.view import LedgerView, TableSpec, open_view
    from roadworn.intake.ledger import Ledger
    from roadworn.model.events import NewEvent, StoredEvent
    from roadworn.model.kinds import EventKind
    from roadworn.model.messages import Problem
    from roadworn.model.payloads import Payload

_WHERE = {
    "Analysis": "roadworn.analysis.result",
    "Chart": "roadworn.analysis.result",
    "Column": "roadworn.analysis.result",
    "Estimate": "roadworn.analysis.result",
    "EventKind": "roadworn.model.kinds",
    "Ledger": "roadworn.intake.ledger",
    "LedgerView": "roadworn.columns.view",
    "NewEvent": "roadworn.model.events",
    "PackagedFile": "roadworn.analysis.result",
    "Payload": "roadworn.model.payloads",
    "PluginHost": "roadworn.analysis.host",
    "Problem": "roadworn.model.messages",
    "Result": "roadworn.analysis.result",
    "Series": "roadworn.analysis.result",
    "Settings": "roadworn.analysis.result",
    "StoredEvent": "roadworn.model.events",
    "Table": "roadworn.analysis.result",
    "TableSpec": "roadworn.columns.view",
    "hookimpl": "roadworn.analysis.hookspecs",
    "open_view": "roadworn.columns.view",
}

__all__ = [
    "Analysis",
    "Chart",
    "Column",
    "Estimate",
    "EventKind",
    "Ledger",
    "LedgerView",
    "NewEvent",
    "PackagedFile",
    "Payload",
    "PluginHost",
    "Problem",
    "Result",
    "Series",
    "Settings",
    "StoredEvent",
    "Table",
    "TableSpec",
    "hookimpl",
    "open_view",
]


def __getattr__(name: str) -> Any:  # noqa: ANN401
    if name in _WHERE:
        return getattr(import_module(_WHERE[name]), name)
    raise AttributeError(f"module 'roadworn' has no attribute {name!r}")
