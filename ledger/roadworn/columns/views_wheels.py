"""The tables of where tires sit now, filled for vehicles whose wheels have changed places."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from roadworn.columns.spec import TableSpec
from roadworn.columns.views_vehicles import CARRIED, placed
from roadworn.columns.wheels import Change, Said, follow

if TYPE_CHECKING:
    import duckdb

_CHANGES = """
    SELECT e.vehicle_id, e.occurred_at, e.seq, d.true_km, coalesce(c.fitted, ''),
           coalesce(c.stored, ''), list(m.from_place ORDER BY m.from_place),
           list(m.to_place ORDER BY m.from_place)
    FROM raw.wheel_changes AS c JOIN base.known AS e ON e.seq = c.seq
    JOIN base.distances AS d ON d.seq = c.seq
    LEFT JOIN raw.wheel_moves AS m ON m.seq = c.seq GROUP BY ALL"""
_SAID = """
    SELECT DISTINCT e.vehicle_id, e.occurred_at, e.seq, d.true_km, t.position
    FROM ({places}) AS t JOIN base.known AS e ON e.seq = t.seq
    JOIN base.distances AS d ON d.seq = t.seq
    WHERE t.position IS NOT NULL AND e.vehicle_id IN (
      SELECT k.vehicle_id FROM raw.wheel_changes AS c JOIN base.known AS k ON k.seq = c.seq
      JOIN base.distances AS n ON n.seq = c.seq)"""
_LAST = """
    SELECT e.vehicle_id, max(d.true_km) FROM base.known AS e
    JOIN base.distances AS d ON d.seq = e.seq GROUP BY e.vehicle_id"""


def fill(con: "duckdb.DuckDBPyConnection", tables: Sequence[TableSpec]) -> None:
    """Fill base.wheel_places and base.wheel_ends.

    Args:
        con: connection with the folded tables, base.known and base.distances.
        tables: the folded tables, plugins' as well.
    """
    order: dict[str, list[tuple[Any, int, Change | Said]]] = {}
    for vehicle, at, seq, km, fitted, stored, old, new in con.execute(_CHANGES).fetchall():
        moves = {a: b for a, b in zip(old, new, strict=True) if a and b}
        order.setdefault(vehicle, []).append((at, seq, Change(seq, km, moves, fitted, stored)))
    places = " UNION ALL ".join(
        f'SELECT seq, position FROM raw."{spec.name}" WHERE component IN {CARRIED}'
        for spec in tables
        if placed(spec)
    )
    for vehicle, at, seq, km, position in con.execute(_SAID.format(places=places)).fetchall():
        order[vehicle].append((at, seq, Said(seq, position, km)))
    last = dict(con.execute(_LAST).fetchall())
    for vehicle, events in order.items():
        now, ends = follow(_in_order(events), last.get(vehicle))
        if now:
            con.executemany("INSERT INTO base.wheel_places VALUES (?, ?, ?, ?)", now)
        con.executemany(
            "INSERT INTO base.wheel_ends VALUES (?, ?, ?, ?)", [(vehicle, *one) for one in ends]
        )


def _in_order(events: list[tuple[Any, int, Change | Said]]) -> list[Change | Said]:
    """Return what happened in its order: by day, within it by odometer, then by recording.

    What has no figure of its own stays behind what was written down before it.
    """
    keyed: list[tuple[tuple[Any, float, int], Change | Said]] = []
    at_km: dict[Any, float] = {}
    for at, seq, one in sorted(events, key=lambda told: (told[0], told[1])):
        km = at_km.get(at, 0.0) if one.true_km is None else one.true_km
        at_km[at] = max(km, at_km.get(at, 0.0))
        keyed.append(((at, km, seq), one))
    return [one for _key, one in sorted(keyed, key=lambda told: told[0])]
