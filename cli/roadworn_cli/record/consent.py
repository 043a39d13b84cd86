"""A word on stderr when work was not agreed to, or a job is back, for every verb that writes it."""

from typing import TYPE_CHECKING

import typer

from roadworn.recent import last_agreed, last_jobs
from roadworn_cli.context import state_of
from roadworn_cli.output import note

if TYPE_CHECKING:
    from roadworn.events import StoredEvent


def tell_consent(ctx: typer.Context, stored: "StoredEvent") -> None:
    """Say when the customer put work off, never answered for it, or approved less than it is."""
    from roadworn.bench.consent import WORK, consent_words

    if stored.kind not in WORK:
        return
    told = consent_words(stored, last_agreed(state_of(ctx).ledger, stored.vehicle_id))
    if told:
        note(told)


def tell_comeback(ctx: typer.Context, stored: "StoredEvent") -> None:
    """Say when a part or a complaint is back within its warranty or the usual window."""
    from roadworn.bench.comebacks import comeback_words

    told = comeback_words(stored, last_jobs(state_of(ctx).ledger, stored.vehicle_id))
    if told:
        note(told)
