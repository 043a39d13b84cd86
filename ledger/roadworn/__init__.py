"""Roadworn: the service memory of a repair shop or a small fleet.

What a plugin author needs is here and in `roadworn.testing`. Names are resolved when first
used, so that `import roadworn` stays light.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from roadworn.analysis import (
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
    from roadworn.events import NewEvent, StoredEvent
    from roadworn.hookspecs import hookimpl
    from roadworn.kinds.base import Payload
    from roadworn.plugin_host import PluginHost
    from roadworn.problems import Problem
    from roadworn.registry import EventKind
    from roadworn.store import Ledger
    from roadworn.view import LedgerView, TableSpec, open_view

_WHERE = {
    "Analysis": "roadworn.analysis",
    "Chart": "roadworn.analysis",
    "Column": "roadworn.analysis",
    "Estimate": "roadworn.analysis",
    "EventKind": "roadworn.registry",
    "Ledger": "roadworn.store",
    "LedgerView": "roadworn.view",
    "NewEvent": "roadworn.events",
    "PackagedFile": "roadworn.analysis",
    "Payload": "roadworn.kinds.base",
    "PluginHost": "roadworn.plugin_host",
    "Problem": "roadworn.problems",
    "Result": "roadworn.analysis",
    "Series": "roadworn.analysis",
    "Settings": "roadworn.analysis",
    "StoredEvent": "roadworn.events",
    "Table": "roadworn.analysis",
    "TableSpec": "roadworn.view",
    "hookimpl": "roadworn.hookspecs",
    "open_view": "roadworn.view",
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
