"""`roadworn decode`: the trade's decoders for what is printed on plates and read from sockets."""

import re
from collections.abc import Mapping
from typing import Annotated, Any

import typer

from roadworn_cli.context import leave
from roadworn_cli.lazy import Verb, lazy_app
from roadworn_cli.output import check_format, emit, emit_json, format_option, note

_HERE = "roadworn_cli.decode"
verb = lazy_app(
    (
        Verb("vin", f"{_HERE}:vin", "A vehicle identification number."),
        Verb("code", f"{_HERE}:code", "A trouble code, and what it points to."),
        Verb("readiness", f"{_HERE}:readiness", "The four readiness bytes of service 01."),
        Verb("status", f"{_HERE}:status", "The status byte of a trouble code."),
        Verb("j1939", f"{_HERE}:j1939", "The four bytes of a heavy vehicle's fault."),
    ),
    "Decode what is printed on plates and read from sockets. Nothing is sent anywhere, and no "
    "ledger is needed.",
    more="roadworn_cli.brought:decoder",
)


def vin(
    text: Annotated[str, typer.Argument(metavar="VIN", help="All 17 characters.")],
    fmt: str = format_option(),
) -> None:
    """Check digit and possible model years of a VIN (49 CFR 565, ISO 3779)."""
    from roadworn.trade.vin import decode_vin

    check_format(fmt)
    decoded = decode_vin(text)
    show(decoded.as_json(), fmt)
    for problem in (*decoded.problems, *decoded.doubts):
        note(f"{problem.message} Hint: {problem.hint}.")
    if decoded.problems:
        leave(1)


def code(
    text: Annotated[
        list[str],
        typer.Argument(
            metavar="CODE...", help="As P0420, P0123-11, or its bytes '04 20' or 0x0420; several."
        ),
    ],
    fmt: str = format_option(),
) -> None:
    """Who owns a trouble code and what it points to (SAE J2012, ISO 15031-6)."""
    from roadworn.trade.codes import code_of_bytes, decode_code
    from roadworn.trade.scan_bytes import read_bytes

    check_format(fmt)
    # D1 0A may come as one word or as two; D10A without a space may be a code short of a digit.
    if len(text) in (2, 3) and all(re.fullmatch("[0-9A-Fa-f]{2}", one) for one in text):
        text = [" ".join(text)]
    codes = [
        code_of_bytes(read_bytes(one, None, "D1 0A"))
        if re.fullmatch(r"0[xX].*|[0-9A-Fa-f]{2}([ ][0-9A-Fa-f]{2})+", one.strip())
        else one
        for one in text
    ]
    found = [decode_code(one).as_json() for one in codes]
    if len(found) == 1:
        show(found[0], fmt)
    elif fmt == "json":
        emit_json(found)
    else:
        rows = [(code["code"], *row) for code in found for row in _rows(code)]
        emit(("code", "what", "value"), [row for row in rows if row[1] != "code"], fmt=fmt)


def readiness(
    text: Annotated[list[str], typer.Argument(metavar="BYTES", help="As 83 07 E5 41.")],
    fmt: str = format_option(),
) -> None:
    """Lamp, number of codes and monitors from the four readiness bytes (SAE J1979)."""
    from roadworn.trade.scan_bytes import decode_readiness

    check_format(fmt)
    decoded = decode_readiness(" ".join(text))
    show(decoded.as_json(), fmt)
    if decoded.just_cleared:
        note("no supported monitor has finished: the codes were cleared a short while ago.")


def status(
    text: Annotated[str, typer.Argument(metavar="BYTE", help="As 2F.")],
    fmt: str = format_option(),
) -> None:
    """The eight bits of a trouble code's status byte (ISO 14229-1)."""
    from roadworn.trade.scan_bytes import decode_status

    check_format(fmt)
    show(decode_status(text).as_json(), fmt)


def j1939(
    text: Annotated[
        list[str],
        typer.Argument(
            metavar="BYTES",
            help="Of one fault, B8 04 03 0A, or of a whole message with its two lamp bytes first, "
            "04 FF B8 04 03 0A.",
        ),
    ],
    fmt: str = format_option(),
) -> None:
    """Parameter, failure mode and count of a heavy vehicle's faults (SAE J1939-73)."""
    from roadworn.trade.scan_bytes import decode_j1939, decode_message, read_bytes

    check_format(fmt)
    given = " ".join(text)
    if len(read_bytes(given, None, "B8 04 03 0A")) > 4:
        message = decode_message(given)
        faults = message.faults
        answer = {"lamps": message.lamps, "faults": [fault.as_json() for fault in faults]}
        if fmt == "json":
            emit_json(answer)
        else:
            numbered = {f"fault {at}": fault.as_json() for at, fault in enumerate(faults, start=1)}
            show({"lamp": message.lamps, **numbered}, fmt)
    else:
        faults = (decode_j1939(given),)
        show(faults[0].as_json(), fmt)
    for fault in faults:
        if fault.is_no_fault:
            note("these bytes stand for no fault, or for one that is not available.")
            continue
        note(f"failure mode {fault.fmi}: {fault.failure}.")
        if fault.caveat:
            note(f"{fault.caveat}.")
    if not faults:
        note("the message says that there is no fault.")


def show(found: Mapping[str, Any], fmt: str) -> None:
    """Print one decoded thing: a JSON object, or rows of name and value."""
    if fmt == "json":
        emit_json(found)
    else:
        emit(("what", "value"), list(_rows(found)), fmt=fmt)


def _rows(found: Mapping[str, Any], before: str = "") -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    for name, value in found.items():
        if isinstance(value, Mapping):
            rows += _rows(value, f"{before}{name}.")
        elif isinstance(value, list):
            told = [str(item["message"] if isinstance(item, Mapping) else item) for item in value]
            rows.append((f"{before}{name}", ", ".join(told)))
        else:
            rows.append((f"{before}{name}", _word(value)))
    return rows


def _word(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)
