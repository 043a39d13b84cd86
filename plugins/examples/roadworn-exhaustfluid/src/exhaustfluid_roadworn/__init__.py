"""Exhaust fluid of diesels: what was filled, and whether the use drifts."""

from collections.abc import Sequence

from roadworn import Analysis, EventKind, TableSpec, hookimpl

from exhaustfluid_roadworn.use import FILL, FILLS, DriftSettings, drift

ROADWORN_HOOKS = 2


@hookimpl
def roadworn_event_kinds() -> Sequence[EventKind]:
    """Return the kind of a fill."""
    return [FILL]


@hookimpl
def roadworn_tables() -> Sequence[TableSpec]:
    """Return the table of fills."""
    return [FILLS]


@hookimpl
def roadworn_analyses() -> Sequence[Analysis]:
    """Return the question whether the use drifts."""
    question = "Whose use of exhaust fluid has changed?"
    return [Analysis("exhaustfluid-drift", "Exhaust fluid", question, drift, DriftSettings)]
