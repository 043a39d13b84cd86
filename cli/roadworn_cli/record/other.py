"""`record other`: an event of any kind, field by field, for kinds that plugins bring."""

from collections.abc import Sequence
from typing import Annotated, Any

import typer

from roadworn.model.errors import UsageError
from roadworn.model.kinds import EventKind
from roadworn_cli.context import default_currency, state_of
from roadworn_cli.record import (
    CurrencyOption,
    Envelope,
    Vehicle,
    enveloped,
    write,
)


@enveloped()
def other(
    ctx: typer.Context,
    kind: Annotated[str, typer.Argument(metavar="KIND", help="As in myshop.wash.")],
    vehicle: Vehicle,
    fields: Annotated[
        list[str] | None,
        typer.Argument(metavar="[FIELD=VALUE]...", help="Fields of its payload."),
    ] = None,
    payload: Annotated[
        str, typer.Option(metavar="JSON", help="The whole payload; fields change it.")
    ] = "",
    currency: CurrencyOption = "",
    *,
    envelope: Envelope,
) -> None:
    """An event of a kind that a plugin brings: record other myshop.wash bus-7 litres=80.

    What its kind has a place for may stand without its name: record other myshop.wash bus-7 80.
    """
    from roadworn.reading.fields import change_fields

    known = state_of(ctx).plugins().kinds().get(kind.replace("-", "_"))
    body = _read_payload(payload)
    body = change_fields(
        known.model, body, _named(known, fields or ()), currency or default_currency()
    )
    write(ctx, vehicle, known.name, body, envelope)


def _named(kind: EventKind, fields: Sequence[str]) -> list[str]:
    """Return fields as FIELD=VALUE, those that stand without a name by their place.

    Raises:
        UsageError: there are more of them than the kind has places.
    """
    places = iter(kind.short)
    named = []
    for text in fields:
        place = None if "=" in text else next(places, "")
        if place == "":
            told = f"by place it takes {', '.join(kind.short)}" if kind.short else "name each"
            raise UsageError(f"{text!r} is no field of {kind.name}: write FIELD=VALUE; {told}.")
        named.append(text if place is None else f"{place}={text}")
    return named


def _read_payload(text: str) -> dict[str, Any]:
    if not text:
        return {}
    import json

    try:
        body = json.loads(text)
    except ValueError as error:
        raise UsageError(
            f"--payload is no JSON ({error}): write it as '{{\"litres\": 80}}'."
        ) from None
    if not isinstance(body, dict):
        raise UsageError("--payload is a JSON object in braces, as '{\"litres\": 80}'.")
    return body
