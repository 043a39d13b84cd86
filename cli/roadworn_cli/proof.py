"""`roadworn proof EVENT`: prove to somebody who holds a printed root that an event is in it."""

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from roadworn.errors import EnvironmentFailure, UsageError
from roadworn_cli.context import leave, state_of
from roadworn_cli.output import emit_json, say


def proof(
    ctx: typer.Context,
    event: Annotated[
        str, typer.Argument(metavar="[EVENT]", help="Its id, or the beginning or end of it.")
    ] = "",
    size: Annotated[
        int | None, typer.Option(metavar="N", help="In the ledger of the first N events.")
    ] = None,
    since: Annotated[
        int | None,
        typer.Option(metavar="N", help="Prove that the ledger grew from its first N events."),
    ] = None,
    check: Annotated[
        str, typer.Option(metavar="FILE", help="Check a proof from a file; - reads it from stdin.")
    ] = "",
    root: Annotated[
        str, typer.Option(metavar="HEX", help="With --check: the root that was printed.")
    ] = "",
) -> None:
    """Prove that an event is in the ledger, or that the ledger only grew (RFC 6962), as JSON."""
    from roadworn.proof import check_proof, consistency_proof, inclusion_proof

    if sum((bool(event), since is not None, bool(check))) != 1:
        raise UsageError(
            "Name one thing to prove: an EVENT, or --since N for an older state of the ledger, "
            "or --check FILE for a proof that was kept."
        )
    if check:
        if check_proof(_read(check), root or None):
            typer.echo("holds")
            return
        typer.echo("does not hold")
        say("The proof does not hold: the event, the path or the root is another one.")
        leave(1)
    path = state_of(ctx).ledger
    if since is not None:
        emit_json(consistency_proof(path, since, size))
    else:
        emit_json(inclusion_proof(path, event, size))


def _read(name: str) -> dict[str, Any]:
    try:
        text = sys.stdin.read() if name == "-" else Path(name).read_text(encoding="utf-8-sig")
        found = json.loads(text)
    except OSError as error:
        raise EnvironmentFailure(
            f"{name} cannot be read ({error.strerror}): check its name and rights."
        ) from error
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise UsageError(f"{name} is no proof: give the JSON that `roadworn proof` printed.")
    return found
