"""A word about a vehicle's weight as soon as it is written down: limits of safety hang on it."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn_cli.record.remarks import profile_of

if TYPE_CHECKING:
    from roadworn.events import StoredEvent

_SAYS = ("weight_class", "vehicle_class", "duty")


def weight_remarks(stored: "StoredEvent", path: Path) -> Iterator[str]:
    """Yield a word when what a profile says of the weight is not understood or contradicted.

    Args:
        stored: the event just written.
        path: of the ledger.
    """
    if stored.kind not in {"enrolment", "profile_change"}:
        return
    said = stored.data()
    if any(said.get(field) for field in _SAYS):
        from roadworn.trade.weight import weigh

        doubt = weigh(profile_of(path, stored.vehicle_id)).doubt
        if doubt:
            yield (
                f"{doubt} Kept as typed. To change it: roadworn record profile "
                f"{stored.vehicle_id} --weight-class ..."
            )
