"""`vehicles` and `history`: what is on record."""

from typing import Annotated, Any

import typer

from roadworn.model.errors import UsageError
from roadworn.say.telling import brief, describe, item_words
from roadworn_cli.context import State, state_of
from roadworn_cli.output import check_format, emit, format_option, note
from roadworn_cli.record import Vehicle, short

_QUERY = """
SELECT occurred_on AS decided_on, decision, component, position, work, amount, currency, safety,
       estimated_on, estimate, line, event_id
FROM declined_work WHERE vehicle_id = ?
ORDER BY safety DESC, occurred_on DESC, estimate, line
"""
_TABLE = ("decided on", "decision", "what", "work", "price then", "safety")


def tell_declined(state: State, vehicle: str, fmt: str) -> None:
    """Print the declined and deferred work of a vehicle that is not done since, safety first.

    Args:
        state: which ledger, as of which day.
        vehicle: as typed.
        fmt: table, json or csv.
    """
    with state.open_view() as view:
        vehicle_id = view.require_vehicle(vehicle)
        found = view.sql(_QUERY, [vehicle_id])
    if fmt == "table":
        rows = [dict(zip(found.columns, values, strict=True)) for values in found.rows]
        emit(
            _TABLE,
            [
                (
                    row["decided_on"],
                    row["decision"],
                    item_words(row),
                    row["work"],
                    f"{row['amount']:,.2f} {row['currency']}",
                    "safety" if row["safety"] else "",
                )
                for row in rows
            ],
            fmt=fmt,
        )
    else:
        emit(found.columns, found.rows, fmt=fmt)
    if not found.rows:
        note(f"nothing that {vehicle_id} was told of is declined or deferred.")


_VEHICLES = """
WITH latest AS (
  SELECT vehicle_id, odometer, unit,
         row_number() OVER (PARTITION BY vehicle_id ORDER BY occurred_at DESC, seq DESC) AS back
  FROM readings WHERE used
)
SELECT v.*, l.odometer, l.unit AS odometer_unit
FROM vehicles AS v LEFT JOIN latest AS l ON l.vehicle_id = v.vehicle_id AND l.back = 1
ORDER BY v.retired_on IS NOT NULL, v.vehicle_id
"""
#: So many open questions about identities are printed.
_SHOWN = 5
_VEHICLES_TABLE = ("vehicle", "described as", "class", "odometer", "parts", "last seen", "left")


def vehicles(ctx: typer.Context, fmt: str = format_option()) -> None:
    """List the vehicles with their last reading; those that left come last."""
    check_format(fmt)
    from roadworn.checks.identity import shared_vins, to_settle

    with state_of(ctx).open_view() as view:
        found = view.sql(_VEHICLES)
    if fmt != "table":
        emit(found.columns, found.rows, fmt=fmt)
        return
    at = {name: found.columns.index(name) for name in ("vehicle_id", "vin")}
    vins = [(row[at["vehicle_id"]], row[at["vin"]]) for row in found.rows]
    rows: list[tuple[object, ...]] = []
    unsettled = [f"{vehicle}: {doubt.message}" for vehicle, doubt in shared_vins(vins)]
    for values in found.rows:
        row = dict(zip(found.columns, values, strict=True))
        unsettled += [f"{row['vehicle_id']}: {problem.message}" for problem in to_settle(row)]
        built = " ".join(str(row[name]) for name in ("model_year", "make", "model") if row[name])
        left = f"{row['retirement_reason']} {row['retired_on']}" if row["retired_on"] else ""
        reading = (
            "" if row["odometer"] is None else f"{row['odometer']:,.10g} {row['odometer_unit']}"
        )
        rows.append(
            (
                row["vehicle_id"],
                ", ".join(str(part) for part in (row["label"], built) if part),
                row["vehicle_class"],
                reading,
                row["parts"],
                row["last_seen_on"],
                left,
            )
        )
    emit(_VEHICLES_TABLE, rows, fmt=fmt)
    for told in unsettled[:_SHOWN]:
        note(f"to settle: {told}")
    if unsettled:
        more = f"{len(unsettled) - _SHOWN} more: " if len(unsettled) > _SHOWN else ""
        note(
            f"{more}roadworn analyse odometer-audit says what to compare; then record profile "
            "VEHICLE --vin … or --year …"
        )
    if not rows:
        note("no vehicle is enrolled yet: roadworn enrol VEHICLE --make … --model … --year …")


# What took an event back is a retraction, or the event that was written in its place.
_EVENTS = """
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
        typer.Option(metavar="EVENT", help="Print this estimate again; or 'last'."),
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
            raise UsageError("--estimate prints one estimate: leave the other options out.")
        from roadworn_cli.record.money import reprint

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
        found = view.sql(_EVENTS, [vehicle_id])
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
