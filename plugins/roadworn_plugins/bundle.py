"""The bundled analyses, handed over through the same hook an outsider's plugin uses."""

from collections.abc import Sequence

from roadworn import hookimpl
from roadworn.analysis.result import Analysis


@hookimpl
def roadworn_analyses() -> Sequence[Analysis]:
    """Return the bundled analyses; each module is imported only here."""
    from roadworn_plugins.ahead.next_repairs import NEXT_REPAIRS
    from roadworn_plugins.backtest.projection_backtest import PROJECTION_BACKTEST
    from roadworn_plugins.codes.code_outcomes import CODE_OUTCOMES
    from roadworn_plugins.cost_per_distance import COST_PER_DISTANCE
    from roadworn_plugins.cumulative_repairs import CUMULATIVE_REPAIRS
    from roadworn_plugins.inspection.inspection_outlook import INSPECTION_OUTLOOK
    from roadworn_plugins.keep.keep_or_sell import KEEP_OR_SELL
    from roadworn_plugins.lifespans.part_lifespans import PART_LIFESPANS
    from roadworn_plugins.maintenance.maintenance_due import MAINTENANCE_DUE
    from roadworn_plugins.odometer_audit import ODOMETER_AUDIT
    from roadworn_plugins.repeats.repeat_failures import REPEAT_FAILURES
    from roadworn_plugins.supplier_comparison import SUPPLIER_COMPARISON
    from roadworn_plugins.warranty_recovery import WARRANTY_RECOVERY
    from roadworn_plugins.wear.measured_wear import MEASURED_WEAR

    return [
        REPEAT_FAILURES,
        PART_LIFESPANS,
        NEXT_REPAIRS,
        KEEP_OR_SELL,
        COST_PER_DISTANCE,
        CUMULATIVE_REPAIRS,
        INSPECTION_OUTLOOK,
        MEASURED_WEAR,
        MAINTENANCE_DUE,
        SUPPLIER_COMPARISON,
        WARRANTY_RECOVERY,
        ODOMETER_AUDIT,
        CODE_OUTCOMES,
        PROJECTION_BACKTEST,
    ]
