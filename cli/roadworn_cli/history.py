"""`roadworn history VEHICLE`: everything that was written down, in the order it happened."""

from typing import Annotated, Any

import typer

from roadworn.bench.brief import brief
from roadworn.bench.words import describe
from roadworn.errors import UsageError
from roadworn_cli.context import state_of
from roadworn_cli.declined import tell_declined
from roadworn_cli.output import check_format, emit, format_option, note
from roadworn_cli.record.common import Vehicle, short

# What took an event back is a retraction, or the event that was written in its place.
_QUERY = """
SELECT e.occurred_at, e.date_only, e.odometer, e.odometer_unit, e.kind, e.payload, e.effective,
       e.event_id, e.recorded_at, e.recorded_by, e.retracted_by, b.kind AS taken_back_kind
FROM events AS e LEFT JOIN events AS b ON b.event_id = e.retracted_by
WHERE e.vehicle_id = ?
ORDER BY e.occurred_at, e.seq
"""
# Told in words, an event says itself of what kind it is.
_TOLD = ("date", "odometer", "standing", "what")
_COLUMNS = ("date", "odometer", "odometer_unit", "kind", "what", "standing", "event_id")
_EVIDENCE = ("recorded_at", "recorded_by")


def history(
    ctx: typer.Context,
    vehicle: Vehicle,
    kind: Annotated[
        list[str] | None, typer.Option(metavar="KIND", help="Only events of this kind; repeat it.")
    ] = None,
    evidence: Annotated[
        bool, typer.Option("--evidence", help="Print the id of each event, who wrote it and when.")
    ] = False,
    declined: Annotated[
        bool,
        typer.Option(
            "--declined", help="Only work that was declined or deferred and is not done since."
        ),
    ] = False,
    estimate: Annotated[
        str,
        typer.Option(metavar="EVENT", help="Print the sheet of an estimate again; or 'last'."),
    ] = "",
    wide: Annotated[bool, typer.Option("--wide", help="Print long texts in full.")] = False,
    fmt: str = format_option(),
) -> None:
    """Tell a vehicle's history in words; events that were taken back stay, and say so.

    Long texts are cut in a table; --wide, csv and json have them whole.
    """
    check_format(fmt)
    if estimate:
        if kind or evidence or declined or fmt != "table":
            raise UsageError("--estimate prints a sheet: leave the other options out.")
        from roadworn_cli.estimates import reprint

        reprint(state_of(ctx), vehicle, estimate)
        return
    if declined:
        if kind or evidence:
            raise UsageError("--declined is a list of its own: leave out --kind and --evidence.")
        tell_declined(state_of(ctx), vehicle, fmt)
        return
    state = state_of(ctx)
    host = state.plugins()
    wanted = {host.kinds().get(_kind(name)).name for name in kind or ()}
    with state.open_view(host) as view:
        vehicle_id = view.require_vehicle(vehicle)
        found = view.sql(_QUERY, [vehicle_id])
    rows = [dict(zip(found.columns, values, strict=True)) for values in found.rows]
    rows = [row for row in rows if not wanted or row["kind"] in wanted]
    if fmt == "json":
        _emit_json(rows)
        return
    columns = _TOLD if fmt == "table" else _COLUMNS
    if evidence:
        columns = (*dict.fromkeys((*columns, "event_id", *_EVIDENCE)),)
    told = [_told(row, plain=fmt == "table", cut=fmt == "table" and not wide) for row in rows]
    cells = [[line[name] for name in columns] for line in told]
    if wide:
        emit(columns, cells, fmt=fmt, widest=0)
    else:
        emit(columns, cells, fmt=fmt)
    if not rows:
        note(f"nothing of that is written down for {vehicle_id}.")


def _kind(name: str) -> str:
    """Return the stored name of a kind as `record` takes it."""
    from roadworn_cli.record import STORED

    word = name.casefold().replace("_", "-")
    return STORED.get(word, word.replace("-", "_"))


def _told(row: dict[str, Any], *, plain: bool, cut: bool = False) -> dict[str, object]:
    """Return an event as columns.

    `plain` puts figure and unit together for reading; `cut` shortens long texts.
    """
    figure = row["odometer"]
    reading = "" if figure is None else f"{figure:,.10g} {row['odometer_unit']}"
    return {
        "date": _date(row),
        "odometer": reading if plain else figure,
        "odometer_unit": row["odometer_unit"],
        "kind": row["kind"],
        "what": _what(row, cut=cut),
        "standing": _standing(row),
        "event_id": row["event_id"],
        "recorded_at": f"{row['recorded_at']:%Y-%m-%d %H:%M}" if plain else row["recorded_at"],
        "recorded_by": row["recorded_by"],
    }


def _date(row: dict[str, Any]) -> str:
    form = "%Y-%m-%d" if row["date_only"] else "%Y-%m-%d %H:%M"
    return f"{row['occurred_at']:{form}}"


def _what(row: dict[str, Any], *, cut: bool) -> str:
    payload = _payload(row)
    return describe(row["kind"], brief(payload) if cut else payload)


def _payload(row: dict[str, Any]) -> dict[str, Any]:
    import orjson

    payload: dict[str, Any] = orjson.loads(row["payload"])
    return payload


def _standing(row: dict[str, Any]) -> str:
    if row["effective"]:
        return ""
    done = "taken back" if row["taken_back_kind"] == "retraction" else "replaced"
    return f"{done} by {short(row['retracted_by'])}"


def _emit_json(rows: list[dict[str, Any]]) -> None:
    from roadworn_cli.output import emit_json

    emit_json(
        [
            {
                **_told(row, plain=False),
                "effective": row["effective"],
                "taken_back_by": row["retracted_by"],
                "payload": _payload(row),
            }
            for row in rows
        ]
    )
