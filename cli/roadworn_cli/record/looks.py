"""`record inspection`, `record scan` and `record complaint`: what was seen, read out and said."""

import sys
from typing import Annotated, Any

import typer

from roadworn.bench.choices import choose
from roadworn.bench.judging import JudgedFinding, check_agreement, read_judged_finding
from roadworn.bench.phrases import read_item
from roadworn.errors import UsageError
from roadworn_cli.context import leave
from roadworn_cli.output import note as say_note
from roadworn_cli.output import say
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

#: Whose limits are looked at when no sheet was named.
DEFAULT_SHEET = "light_vehicle"
_REST = ("sound", "not_checked")


def inspection(
    ctx: typer.Context,
    vehicle: Vehicle,
    findings: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[FINDING]...",
            help="Each 'brake pads front 3 mm wearing': component, place, measured, condition, "
            "note; several with ; between them; - reads them from standard input, one a line.",
            show_default=False,
        ),
    ] = None,
    rest: Annotated[
        str,
        typer.Option(
            metavar="sound|not-checked",
            help="What holds for everything not named: looked at and sound, or not checked.",
        ),
    ] = "",
    sheet: Annotated[
        str, typer.Option(metavar="NAME", help="Look-over sheet to walk through.")
    ] = "",
    odometer: OdometerOption = "",
    unit: UnitOption = "",
    on: OnOption = "",
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """A look-over. Without findings, in a terminal, it walks through a sheet item by item."""
    payload: dict[str, Any]
    walked = False
    sheet = sheet.replace("-", "_")
    if sheet:
        from roadworn.trade.lookover import load_sheet

        load_sheet(sheet)
    if findings == ["-"]:
        findings = _typed_lines(sys.stdin.read())
    if findings:
        read = _read_all(findings, sheet)
        check_agreement([finding for finding, _remark in read])
        for _finding, remark in read:
            if remark:
                say_note(remark)
        payload = {"findings": [finding for finding, _remark in read]}
        if sheet:
            payload["sheet"] = sheet
    elif rest or not sys.stdin.isatty():
        if not rest or choose(rest, _REST, "--rest") == "not_checked":
            raise UsageError(
                "A look-over without findings says nothing: write them as 'brake pads front 3 mm "
                "wearing', say --rest sound when everything was looked at and sound, or run it "
                "in a terminal to walk through a sheet."
            )
        payload = {}
    else:
        from roadworn_cli.record.walk import forget, walk

        payload = walk(ctx, vehicle, sheet)
        walked = True
    if rest:
        payload["rest"] = choose(rest, _REST, "--rest")
    payload["note"] = note
    write(ctx, vehicle, "inspection", payload, Envelope(odometer, unit, on, by))
    if walked:
        forget(ctx, vehicle)
    _tell_doubts(payload, sheet or DEFAULT_SHEET)


def _read_all(texts: list[str], sheet: str) -> list[JudgedFinding]:
    """Read the findings, several in one text parted by a semicolon.

    Raises:
        UsageError: some cannot be read; all of them are said.
    """
    read: list[JudgedFinding] = []
    wrong: list[UsageError] = []
    parts = [part.strip() for text in texts for part in text.split(";") if part.strip()]
    for part in parts:
        try:
            read.append(read_judged_finding(part, sheet))
        except UsageError as error:
            wrong.append(error)
    if len(wrong) == 1 or not parts:
        raise wrong[0] if wrong else UsageError("No findings were given: write 'horn sound'.")
    if wrong:
        for one in wrong:
            say(one.message)
        raise UsageError(
            f"{len(wrong)} of {len(parts)} findings cannot be read, so nothing was written: mend "
            "them and give all of them again."
        )
    return read


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


def _tell_doubts(payload: dict[str, Any], sheet: str) -> None:
    """Say where a figure is worse than the condition that was written down with it."""
    measured = [finding for finding in payload.get("findings", ()) if "measurements" in finding]
    if measured:
        from roadworn.bench.doubts import doubts
        from roadworn.trade.lookover import load_sheet

        for text in doubts(load_sheet(sheet), measured):
            say_note(text)


def _typed_lines(text: str) -> list[str]:
    """Return the findings of a typed look-over, one a line; a line with # is a remark."""
    lines = [line.strip() for line in text.splitlines()]
    found = [line for line in lines if line and not line.startswith("#")]
    if not found:
        raise UsageError("No findings were given: write one a line, as 'horn sound'.")
    return found


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
