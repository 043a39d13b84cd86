"""`roadworn vehicles`: who is in the ledger."""

import typer

from roadworn_cli.context import state_of
from roadworn_cli.output import check_format, emit, format_option, note

_QUERY = """
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
_TABLE = ("vehicle", "described as", "class", "odometer", "parts", "last seen", "left")


def vehicles(ctx: typer.Context, fmt: str = format_option()) -> None:
    """List the vehicles with their last reading; those that left come last."""
    check_format(fmt)
    from roadworn.bench.unlikely import shared_vins, to_settle

    with state_of(ctx).open_view() as view:
        found = view.sql(_QUERY)
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
    emit(_TABLE, rows, fmt=fmt)
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
