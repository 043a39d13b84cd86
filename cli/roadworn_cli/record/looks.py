"""`record scan` and `record complaint`: what was read out and said."""

import sys
from typing import Annotated, Any

import typer

from roadworn.bench.phrases import read_item
from roadworn_cli.context import leave
from roadworn_cli.output import note as say_note
from roadworn_cli.record.common import (
    ByOption,
    Envelope,
    NoteOption,
    OdometerOption,
    OnOption,
    UnitOption,
    Vehicle,
    tell_changes,
    write,
)


def scan(
    ctx: typer.Context,
    vehicle: Vehicle,
    codes: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[CODE]...",
            help="As P0420, 'P0171 pending' or 'P0300 permanent'; - takes a pasted list.",
            show_default=False,
        ),
    ] = None,
    lamp: Annotated[
        str, typer.Option(metavar="on|off", help="Is the malfunction lamp commanded on?")
    ] = "",
    readiness: Annotated[
        str, typer.Option(metavar="BYTES", help="The four bytes, '83 07 E5 41'.")
    ] = "",
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
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """A read-out of the diagnostic socket: roadworn record scan bus-7 P0420 "P0171 pending"."""
    envelope = Envelope(odometer, unit, on, by)
    if port:
        from roadworn_cli.record.port import record_from_port

        typed = {
            "codes": codes,
            "--lamp": lamp,
            "--readiness": readiness,
            "--no-codes": no_codes,
            "--failed": failed,
        }
        payload, problems = record_from_port(ctx, vehicle, port, baud, typed, envelope, note)
        _tell_codes(payload)
        if problems:
            leave(1)
        return
    from roadworn.bench.scans import read_scan

    pasted = sys.stdin.read() if codes == ["-"] else ""
    payload, read = read_scan(
        [pasted] if pasted else codes or (),
        module=module,
        failed=failed,
        no_codes=no_codes,
        lamp=lamp,
        readiness=readiness,
    )
    payload["note"] = "; ".join(text for text in (payload.get("note"), note) if text)
    payload["raw"] = pasted
    stored = write(ctx, vehicle, "scan", payload, envelope)
    for remark in read.remarks:
        say_note(f"{remark.message} Hint: {remark.hint}.")
    tell_changes(ctx, stored)
    _tell_codes(payload)


def complaint(
    ctx: typer.Context,
    vehicle: Vehicle,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="In the customer's words.")],
    cause: Annotated[str, typer.Option(metavar="TEXT", help="What was found to cause it.")] = "",
    correction: Annotated[
        str, typer.Option(metavar="TEXT", help="What was done, and how it was verified.")
    ] = "",
    component: Annotated[
        str, typer.Option(metavar="COMPONENT", help="The component it came from.")
    ] = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
) -> None:
    """What the customer says, and later what caused it and what was done."""
    payload = {
        "complaint": text,
        "cause": cause,
        "correction": correction,
        **(read_item(component) if component else {}),
    }
    write(ctx, vehicle, "complaint", payload, Envelope(odometer, unit, on, by))


def _tell_codes(payload: dict[str, Any]) -> None:
    """Say what each code points to; a code names a circuit or a condition, not a part."""
    from roadworn.catalogue import catalogue
    from roadworn.trade.codes import decode_code

    for answer in payload["modules"]:
        for code in answer.get("codes", ()):
            if code["code"].startswith("SPN"):
                continue  # parameter names of heavy vehicles are a licensed list
            known = decode_code(code["code"])
            parts = [catalogue().get(part).name for part in known.points_to[:3]]
            points = f"; points to {', '.join(parts)}" if parts else ""
            say_note(f"{code['code']}: {known.description}{points}.")
