"""`record scan --port`: the read-out taken from an adapter instead of typed."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from roadworn.errors import ProblemsFound, UsageError
from roadworn.recent import last_event
from roadworn_cli.context import state_of
from roadworn_cli.output import note, say
from roadworn_cli.record.common import Envelope, tell_changes, write

if TYPE_CHECKING:
    from roadworn.adapter import AdapterScan


def record_from_port(
    ctx: typer.Context,
    vehicle: str,
    port: str,
    baud: int,
    typed: dict[str, Any],
    envelope: Envelope,
    words: str,
) -> tuple[dict[str, Any], bool]:
    """Read the vehicle, check that it is the one named, and write the scan down.

    Args:
        ctx: the running command.
        vehicle: as typed.
        port: a serial device or ``socket://HOST:PORT``.
        baud: speed of a serial device.
        typed: what else was given that only a typed read-out may have.
        envelope: when, by whom, at what reading; the reading may come from the vehicle.
        words: a note to go with it.

    Returns:
        The payload written, and whether the read had problems.

    Raises:
        UsageError: a part of the read-out was typed as well.
        ProblemsFound: another vehicle answered; nothing was written.
    """
    given = [name for name, value in typed.items() if value]
    if given:
        raise UsageError(f"--port reads the vehicle itself: leave out {', '.join(given)}.")
    with state_of(ctx).open_ledger() as ledger:
        name, path = ledger.require_vehicle(vehicle), ledger.path
    found = _read(port, baud)
    wrong = found.other_vehicle(enrolled_vin(path, name))
    if wrong is not None:
        words = f"{wrong.message[:-1]}; nothing was written: {wrong.hint}."
        raise ProblemsFound(words, [wrong])
    payload = found.payload()
    payload["note"] = " ".join(text for text in (payload.get("note"), words) if text)
    if not envelope.odometer and found.odometer is not None:
        figure, unit = found.odometer
        envelope = replace(envelope, odometer=f"{figure} {unit}")
    tell_changes(ctx, write(ctx, name, "scan", payload, envelope))
    return payload, bool(found.problems)


def _read(port: str, baud: int) -> "AdapterScan":
    from roadworn.adapter import read_scan

    found = read_scan(port, baud=baud, progress=lambda word: say(f"reading: {word}"))
    for problem in found.problems:
        note(f"{problem.message} Hint: {problem.hint}.")
    for remark in found.remarks:
        note(remark)
    return found


def enrolled_vin(path: Path, vehicle_id: str) -> str | None:
    """Return the VIN that the ledger holds for a vehicle, the latest change first."""
    for kind in ("profile_change", "enrolment"):
        event = last_event(path, vehicle_id, kind)
        vin = None if event is None else event.data().get("vin")
        if vin:
            return str(vin)
    return None
