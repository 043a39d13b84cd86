"""`record scan`: what was read out at the diagnostic socket, typed, pasted or by an adapter."""

import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.errors import ProblemsFound, UsageError
from roadworn_cli.context import default_unit, leave
from roadworn_cli.output import note, say
from roadworn_cli.output import note as say_note
from roadworn_cli.record import (
    Envelope,
    NoteOption,
    Vehicle,
    append,
    enveloped,
    write,
    writing,
)

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
    with writing(ctx) as ledger:
        name = ledger.require_vehicle(vehicle)
        found = _read(port, baud)
        wrong = found.other_vehicle(ledger.facts.profile(name).get("vin"))
        if wrong is not None:
            raise ProblemsFound(wrong.joined("; nothing was written: "), [wrong])
        payload = found.payload()
        payload["note"] = " ".join(text for text in (payload.get("note"), words) if text)
        if not envelope.odometer and found.odometer is not None:
            figure, unit = found.odometer
            envelope = replace(envelope, odometer=f"{figure} {unit}")
        # What the vehicle itself said is written, and doubted after: it may drive off meanwhile.
        envelope = replace(envelope, sure=True)
        append(ledger, name, "scan", payload, envelope)
    return payload, bool(found.problems)


def _read(port: str, baud: int) -> "AdapterScan":
    from roadworn.adapter import read_scan

    found = read_scan(port, baud=baud, progress=lambda word: say(f"reading: {word}"))
    for problem in found.problems:
        note(f"{problem.message} Hint: {problem.hint}.")
    for remark in found.remarks:
        note(remark)
    return found


@enveloped()
def scan(
    ctx: typer.Context,
    vehicle: Vehicle,
    codes: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CODE]...",
            help="As P0420, 'P0171 pending', 'P0300-11 permanent', with status byte 'P0300 2F', "
            "'ABS: C0034', 'SPN 110 FMI 0' or 'DM1 04 FF B8 04 03 0A'; - takes a pasted list.",
            show_default=False,
        ),
    ] = None,
    lamp: Annotated[
        str, typer.Option(metavar="on|off", help="Is the malfunction lamp commanded on?")
    ] = "",
    readiness: Annotated[
        str, typer.Option(metavar="BYTES", help="The four bytes, '83 07 E5 41'.")
    ] = "",
    since_clear: Annotated[
        str, typer.Option(metavar="DISTANCE", help="Since codes were cleared, '120 km'.")
    ] = "",
    warm_ups: Annotated[
        int | None,
        typer.Option(metavar="N", help="Warm-ups since codes were cleared.", show_default=False),
    ] = None,
    module: Annotated[
        str, typer.Option(metavar="NAME", help="Which control module answered.")
    ] = "engine",
    no_codes: Annotated[
        bool, typer.Option("--no-codes", help="It answered, and had no codes.")
    ] = False,
    failed: Annotated[str, typer.Option(metavar="WHY", help="It could not be read, and why.")] = "",
    port: Annotated[
        str,
        typer.Option(
            metavar="PORT", help="Read it from an adapter: a serial device or socket://HOST:PORT."
        ),
    ] = "",
    baud: Annotated[int, typer.Option(metavar="N", help="Speed of a serial device.")] = 38_400,
    *,
    envelope: Envelope,
    note: NoteOption = "",
) -> None:
    """A read-out of the diagnostic socket: roadworn record scan bus-7 P0420 "P0171 pending"."""
    if port:
        typed = {
            "codes": codes,
            "--lamp": lamp,
            "--readiness": readiness,
            "--since-clear": since_clear,
            "--warm-ups": warm_ups is not None,
            "--no-codes": no_codes,
            "--failed": failed,
        }
        payload, problems = record_from_port(ctx, vehicle, port, baud, typed, envelope, note)
        _tell_codes(payload)
        if problems:
            leave(1)
        return
    from roadworn.reading.scans import read_scan

    pasted = sys.stdin.read() if codes == ["-"] else ""
    payload, read = read_scan(
        [pasted] if pasted else codes or (),
        module=module,
        failed=failed,
        no_codes=no_codes,
        lamp=lamp,
        readiness=readiness,
        since_clear=since_clear,
        warm_ups=warm_ups,
        unit=envelope.unit or default_unit(),
    )
    payload["note"] = "; ".join(text for text in (payload.get("note"), note) if text)
    payload["raw"] = pasted
    besides = [f"{remark.message} Hint: {remark.hint}." for remark in read.remarks]
    write(ctx, vehicle, "scan", payload, envelope, besides=besides)
    _tell_codes(payload)


def _tell_codes(payload: dict[str, Any]) -> None:
    """Say what each code points to; a code names a circuit or a condition, not a part."""
    from roadworn.model.catalogue import catalogue
    from roadworn.trade.codes import FAILURE_TYPES, told_code

    for answer in payload["modules"]:
        for code in answer.get("codes", ()):
            meaning, points_to = told_code(code["code"], code.get("words"))
            failure = FAILURE_TYPES.get(code.get("failure_type", ""), "")
            parts = ", ".join(catalogue().get(part).name for part in points_to[:3])
            told = [f"{code['code']}: {meaning}"]
            told += [failure] if failure else []
            told += ["active before, not now"] if code["status"] == "previous" else []
            say_note(f"{', '.join(told)}{f'; points to {parts}' if parts else ''}.")
            if byte := code.get("status_byte"):
                say_note(f"{code['code']}: {_byte_words(byte)}.")


def _byte_words(byte: str) -> str:
    """Return what a status byte says about its code at the time of the read-out."""
    from roadworn.trade.scan_bytes import decode_status

    status = decode_status(byte)
    if status.bit("testFailed"):
        now = "failing at the time of the read-out"
    elif status.repair_proved:
        now = "its test ran in this cycle and did not fail"
    else:
        now = "not failing now, and its test has not run to the end in this cycle"
    lamp = "asked for" if status.bit("warningIndicatorRequested") else "not asked for"
    return f"{now}; lamp {lamp}"
