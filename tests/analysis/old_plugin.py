"""A plugin of the time before the doors were numbered; see test_old_plugin.py."""

from typing import Annotated

from pydantic import Field

from roadworn import (
    Analysis,
    Column,
    EventKind,
    LedgerView,
    Payload,
    Result,
    Settings,
    Table,
    TableSpec,
    about,
    hookimpl,
)


class Wash(Payload):
    litres: Annotated[float, about("How much water it took.")]


class IdleSettings(Settings):
    days: Annotated[int, Field(ge=1, description="days without a reading")] = 90


def run(view: LedgerView, settings: IdleSettings) -> Result:
    rows = view.sql(
        """SELECT vehicle_id FROM vehicles
           WHERE date_diff('day', last_seen_on, CAST(? AS DATE)) > ? ORDER BY 1""",
        (view.today.isoformat(), settings.days),
    ).rows
    table = Table("idle", "Not seen for long", (Column("vehicle", "vehicle"),), tuple(rows))
    return Result(f"{len(rows)} vehicles were not seen for {settings.days} days.", (table,))


@hookimpl
def roadworn_analyses() -> list[Analysis]:
    return [Analysis("oldshop-idle", "Idle vehicles", "Which stay away?", run, IdleSettings)]


@hookimpl
def roadworn_event_kinds() -> list[EventKind]:
    return [EventKind("oldshop.wash", Wash)]


@hookimpl
def roadworn_tables() -> list[TableSpec]:
    return [
        TableSpec(
            "oldshop_washes",
            "one row for each wash",
            ("oldshop.wash",),
            (("litres", "DOUBLE", "how much water it took"),),
            "SELECT seq, CAST(payload->>'litres' AS DOUBLE) AS litres FROM batch",
        )
    ]
