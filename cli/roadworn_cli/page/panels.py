"""What plugins put beside a vehicle: the panels of the sheets, on the page at the vehicle too.

A panel is asked apart from everything else and behind it: one that is slow or breaks keeps
nothing of the page back, and is said by name.
"""

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from roadworn.analysis import Mark
from roadworn.model.errors import RoadwornError
from roadworn_cli.page.desk import Desk
from roadworn_cli.results import cell, heading, rows_with

if TYPE_CHECKING:
    from roadworn.analysis import Result, Table
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView
    from roadworn_cli.page.asking import Told

#: Seconds after which a panel is given up, rows of a table that are shown, and how long a page
#: waits for panels that are not there yet.
_LIMIT, _MOST, _PATIENCE = 60.0, 12, 0.02


class Laid(NamedTuple):
    """A table laid out: headings and cells as text, a row with a word of stop marked."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[bool, tuple[str, ...]], ...]
    more: int


class Panel(NamedTuple):
    """One panel, or why it is not there."""

    title: str
    headline: str = ""
    cautions: tuple[str, ...] = ()
    tables: tuple[Laid, ...] = ()
    caveats: tuple[str, ...] = ()
    problem: str = ""


def panels_of(desk: Desk, vehicle_id: str) -> "Told[list[Panel]] | None":
    """Return the panels of a vehicle, None where no plugin has any."""
    if not desk.asker.host.panels("vehicle"):
        return None

    def ask(view: "LedgerView", host: "PluginHost") -> list[Panel]:
        return list(_asked(view, host, vehicle_id))

    return desk.asker.ask(f"panels of {vehicle_id}", ask, patience=_PATIENCE, slow=True)


def _asked(view: "LedgerView", host: "PluginHost", vehicle_id: str) -> Iterator[Panel]:
    for panel in host.panels("vehicle"):
        try:
            ran = host.run(panel.analysis, view, {"vehicle": vehicle_id}, _LIMIT)
        except RoadwornError as error:
            yield Panel(panel.heading or panel.analysis, problem=error.message)
        else:
            yield _panel(panel.heading or ran.analysis.title, ran.result)


def _panel(title: str, result: "Result") -> Panel:
    tables = tuple(_laid(table) for table in result.tables)
    return Panel(title, result.headline, tuple(result.cautions), tables, tuple(result.caveats))


def _laid(table: "Table") -> Laid:
    stops = {*rows_with(table, Mark.SAFETY)}
    rows = tuple(
        (number in stops, tuple(map(cell, table.columns, row)))
        for number, row in enumerate(table.rows[:_MOST])
    )
    heads = tuple(map(heading, table.columns))
    return Laid(table.title, heads, rows, max(0, len(table.rows) - _MOST))
