"""A word on stderr when work has come to more than was approved, for every verb that writes it."""

from typing import TYPE_CHECKING

import typer

from roadworn.recent import last_agreed
from roadworn_cli.context import state_of
from roadworn_cli.output import note

if TYPE_CHECKING:
    from roadworn.events import StoredEvent


def tell_consent(ctx: typer.Context, stored: "StoredEvent") -> None:
    """Say when work has come to more than the customer approved."""
    if not {"parts_cost", "labour_rate"} & set(stored.data()):
        return
    from roadworn.bench.consent import consent_words

    told = consent_words(stored, last_agreed(state_of(ctx).ledger, stored.vehicle_id))
    if told:
        note(told)
