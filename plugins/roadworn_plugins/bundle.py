"""The bundled analyses, handed over through the same hook an outsider's plugin uses."""

from collections.abc import Sequence

from roadworn import hookimpl
from roadworn.analysis import Analysis


@hookimpl
def roadworn_analyses() -> Sequence[Analysis]:
    """Return the bundled analyses; each module is imported only here."""
    from roadworn_plugins.cost_per_distance import COST_PER_DISTANCE
    from roadworn_plugins.inspection_outlook import INSPECTION_OUTLOOK
    from roadworn_plugins.maintenance_due import MAINTENANCE_DUE
    from roadworn_plugins.next_repairs import NEXT_REPAIRS
    from roadworn_plugins.part_lifespans import PART_LIFESPANS
    from roadworn_plugins.repeat_failures import REPEAT_FAILURES

    return [
        REPEAT_FAILURES,
        PART_LIFESPANS,
        NEXT_REPAIRS,
        COST_PER_DISTANCE,
        INSPECTION_OUTLOOK,
        MAINTENANCE_DUE,
    ]
