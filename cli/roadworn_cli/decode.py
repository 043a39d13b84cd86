"""`roadworn decode`: the trade's decoders for what is printed on plates and read from sockets."""

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from roadworn_cli.context import leave
from roadworn_cli.lazy import Verb, subgroup
from roadworn_cli.output import check_format, emit, emit_json, format_option, note

_HERE = "roadworn_cli.decode"
verb = subgroup(
    (
        Verb("vin", f"{_HERE}:vin", "A vehicle identification number."),
        Verb("code", f"{_HERE}:code", "A trouble code, and what it points to."),
        Verb("readiness", f"{_HERE}:readiness", "The four readiness bytes of service 01."),
        Verb("status", f"{_HERE}:status", "The status byte of a trouble code."),
        Verb("j1939", f"{_HERE}:j1939", "The four bytes of a heavy vehicle's fault."),
    ),
    "Decode what is printed on plates and read from sockets. Nothing is sent anywhere, and no "
    "ledger is needed.",
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
    for problem in decoded.problems:
        note(f"{problem.message} Hint: {problem.hint}.")
    if decoded.problems:
        leave(1)


def code(
    text: Annotated[
        list[str], typer.Argument(metavar="CODE...", help="As P0420, or P0123-11; several.")
    ],
    fmt: str = format_option(),
) -> None:
    """Who owns a trouble code and what it points to (SAE J2012, ISO 15031-6)."""
    from roadworn.trade.codes import decode_code

    check_format(fmt)
    found = [decode_code(one).as_json() for one in text]
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
    from roadworn.trade.readiness import decode_readiness

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
    from roadworn.trade.status_byte import decode_status

    check_format(fmt)
    show(decode_status(text).as_json(), fmt)


def j1939(
    text: Annotated[list[str], typer.Argument(metavar="BYTES", help="As B8 04 03 0A.")],
    fmt: str = format_option(),
) -> None:
    """Parameter, failure mode and count of a heavy vehicle's fault (SAE J1939-73)."""
    from roadworn.trade.j1939 import decode_j1939

    check_format(fmt)
    decoded = decode_j1939(" ".join(text))
    show(decoded.as_json(), fmt)
    note(f"failure mode {decoded.fmi}: {decoded.failure}.")
    if decoded.caveat:
        note(f"{decoded.caveat}.")


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
