"""`wheels VEHICLE`: tires rotated, a set put on for the season, a flat repaired."""

import re
import sys
from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import typer

from roadworn.model.amounts import choose
from roadworn.model.errors import UsageError
from roadworn.model.places import normalise_position
from roadworn_cli.context import State, state_of
from roadworn_cli.output import check_format, emit, format_option, note, say
from roadworn_cli.record import Envelope, NoteOption, Vehicle, append, enveloped, writing

#: Usual ways to rotate, from place to place; common practice, no source.
PATTERNS: Mapping[str, str] = {
    "front-to-rear": "LF>LR RF>RR LR>LF RR>RF",
    "cross": "LF>RR RR>LF RF>LR LR>RF",
    "forward-cross": "LF>LR RF>RR LR>RF RR>LF",
    "rearward-cross": "LR>LF RR>RF LF>RR RF>LR",
    "side-to-side": "LF>RF RF>LF LR>RR RR>LR",
}
_ACTS = ("rotate", "swap", "flat")
_SAID = dict.fromkeys(("repair", "plug", "patch", "puncture"), "flat")
_MOVE = re.compile(r"([^\s>]+)\s*(?:->|>|→)\s*([^\s>]+)")
_SHOWN = ("day", "odometer", "what", "moves", "stored at")
# Within a day the odometer says what came first, then the recording.
CHANGES = """
SELECT c.occurred_on, c.action, c.fitted, c.stored, c.storage, c.odometer_mi, c.odometer_km,
       (SELECT string_agg(m.from_place || '>' || m.to_place, ' ' ORDER BY m.from_place)
        FROM wheel_moves AS m WHERE m.event_id = c.event_id) AS moves
FROM wheel_changes AS c WHERE c.vehicle_id = ?
ORDER BY c.occurred_at DESC, coalesce(c.true_km, max(c.true_km) OVER (
  PARTITION BY c.occurred_at ORDER BY c.seq ROWS UNBOUNDED PRECEDING)) DESC NULLS LAST,
  c.seq DESC"""


@enveloped()
def wheels(
    ctx: typer.Context,
    vehicle: Vehicle,
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[rotate HOW|swap SET|flat PLACE]",
            help=f"HOW: {', '.join(PATTERNS)}, or where each went, 'LF>LR LR>RF RF>LF'. SET: the "
            "set that goes on, as winter. Without words: what was done so far.",
            show_default=False,
        ),
    ] = None,
    stored: Annotated[
        str, typer.Option(metavar="SET", help="Name of the set that comes off.")
    ] = "",
    storage: Annotated[
        str, typer.Option("--storage", "--at", metavar="PLACE", help="Where that one lies.")
    ] = "",
    fmt: str = format_option(),
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """Tires rotated, a set changed, a flat repaired; each tire keeps its own age and tread.

    wheels bus-7 rotate front-to-rear; wheels bus-7 swap winter --stored summer --at "rack 12";
    wheels bus-7 flat LF.
    """
    check_format(fmt)
    if not words:
        _show(state_of(ctx), vehicle, fmt)
        return
    said = words[0].casefold()
    act = choose(_SAID.get(said, said), _ACTS, "What was done to the wheels")
    rest = " ".join(words[1:]).strip()
    if act != "swap" and (stored or storage):
        raise UsageError("--stored and --storage go with swap: a rotation stores nothing.")
    kind, payload = payload_of(act, rest)
    if act == "swap":
        payload |= {"stored": stored, "storage": storage}
    with writing(ctx) as ledger:
        append(ledger, ledger.require_vehicle(vehicle), kind, payload | {"note": note}, envelope)


def _rotation(how: str) -> tuple[str, dict[str, Any]]:
    if not how and sys.stdin.isatty() and sys.stderr.isatty():
        how = typer.prompt(f"How ({', '.join(PATTERNS)}, or 'LF>LR LR>LF')", err=True).strip()
    if not how:
        raise UsageError(
            f"Say how they were rotated: {', '.join(PATTERNS)}, or where each went, as in "
            "'LF>LR LR>RF RF>LF'."
        )
    name = "-".join(how.casefold().replace("_", "-").split())
    moves = read_moves(PATTERNS.get(name, how))
    return "wheels", {"action": "rotated", "moves": moves}


def _swap(fitted: str) -> tuple[str, dict[str, Any]]:
    if not fitted:
        raise UsageError("Say which set went on: wheels VEHICLE swap winter --stored summer.")
    return "wheels", {"action": "swapped", "fitted": " ".join(fitted.casefold().split())}


def _flat(words: str) -> tuple[str, dict[str, Any]]:
    place, _, how = words.partition(" ")
    if not place:
        raise UsageError("Say which tire was flat: wheels VEHICLE flat LF 'plug and patch'.")
    return "repair", {
        "component": "wheel.tire",
        "position": normalise_position(place, "tire"),
        "complaint": "flat",
        "correction": how or "flat repaired",
    }


_PAYLOADS = {"rotate": _rotation, "swap": _swap, "flat": _flat}


def payload_of(act: str, words: str) -> tuple[str, dict[str, Any]]:
    """Return the kind and the payload of what was done to the wheels: rotate, swap or flat.

    Raises:
        UsageError: the words behind it cannot be read.
    """
    return _PAYLOADS[act](words)


def read_moves(text: str) -> list[dict[str, str]]:
    """Return the moves that a text says, ``LF>LR LR>LF``.

    Raises:
        UsageError: it cannot be read, or a place is left empty or taken twice.
    """
    plain = text.replace(",", " ").replace(";", " ")
    found = _MOVE.findall(plain)
    if not found or _MOVE.sub("", plain).strip():
        near = f"a usual way ({', '.join(PATTERNS)}), or where each went: 'LF>LR LR>RF RF>LF'"
        raise UsageError(f"{text[:60]!r} is no rotation: give {near}.")
    moves = [tuple(normalise_position(place, "tire") for place in pair) for pair in found]
    left, came = [one for one, _ in moves], [one for _, one in moves]
    for places, told in ((left, "leaves twice"), (came, "is taken twice")):
        twice = sorted({one for one in places if places.count(one) > 1})
        if twice:
            raise UsageError(f"{twice[0]} {told}: say for each wheel where it went.")
    unclear = sorted(set(left) ^ set(came))
    if unclear:
        raise UsageError(
            f"Nothing is said of the wheel {'that went to' if unclear[0] in left else 'from'} "
            f"{unclear[0]}: say for each wheel where it went, the spare too."
        )
    return [{"from_place": one, "to_place": other} for one, other in moves]


def _show(state: State, vehicle: str, fmt: str) -> None:
    with state.open_view() as view:
        vehicle_id = view.require_vehicle(vehicle)
        unit = view.usual_unit(vehicle_id)
        rows = view.sql(CHANGES, [vehicle_id]).rows
    cells = [_cells(row, unit) for row in rows]
    emit(_SHOWN, cells, fmt=fmt)
    if not rows:
        note(f"no wheel of {vehicle_id} was moved yet: roadworn wheels {vehicle_id} rotate …")
        return
    swaps = [row for row in rows if row[1] == "swapped"]
    if swaps and fmt == "table":
        fitted, _off, place = swaps[0][2:5]
        say(f"On the vehicle now: {fitted}." + (f" In storage: {place}." if place else ""))


def _cells(row: Sequence[Any], unit: str) -> list[object]:
    day, action, fitted, stored, storage, miles, km, moves = row
    figure = miles if unit == "mi" else km
    told = action if action == "rotated" else f"{fitted} on" + (f", {stored} off" if stored else "")
    at = "" if figure is None else f"{figure:,.0f} {unit}"
    return [day, at, told, moves or "", storage or ""]
