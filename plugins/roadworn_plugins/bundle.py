"""The bundled analyses, handed over through the same hook an outsider's plugin uses."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from roadworn import hookimpl
from roadworn.analysis import Deferred

if TYPE_CHECKING:
    from roadworn.analysis.life_law import LifeLaw, LifeModel, Lives, Prior

#: Name -> module below this package. In it the analysis has its name in capitals.
_MODULES = {
    "repeat-failures": "repeats",
    "part-lifespans": "lifespans",
    "next-repairs": "ahead",
    "keep-or-sell": "keep",
    "cost-per-distance": "cost_per_distance",
    "cumulative-repairs": "cumulative_repairs",
    "inspection-outlook": "inspection",
    "measured-wear": "wear",
    "maintenance-due": "maintenance",
    "call-list": "to_call",
    "supplier-comparison": "supplier_comparison",
    "warranty-recovery": "warranty_recovery",
    "odometer-audit": "odometer_audit",
    "code-outcomes": "codes",
    "likely-causes": "likely_causes",
    "class-record": "class_record",
    "comebacks": "comebacks",
    "availability": "availability",
    "programme-effect": "programme_effect",
    "stock": "stock",
    "class-cost": "class_cost",
    "seasons": "seasons",
    "projection-backtest": "backtest",
}


@hookimpl
def roadworn_analyses() -> Sequence[Deferred]:
    """Return the bundled analyses, each imported when it is asked for."""
    return [
        Deferred(name, f"roadworn_plugins.{module}", name.upper().replace("-", "_"))
        for name, module in _MODULES.items()
    ]


@hookimpl
def roadworn_life_models() -> "Sequence[LifeModel]":
    """Return the bundled law: wear by Weibull beside early failure, see `projection.fit_laws`."""
    from roadworn.analysis.life_law import LifeModel

    return [LifeModel("weibull", "Weibull wear beside early failure", _weibull)]


def _weibull(lives: "Sequence[Lives]", priors: "Sequence[Prior]") -> "list[LifeLaw]":
    from roadworn_plugins.projection.fit_laws import fit_laws

    return fit_laws(lives, priors)
