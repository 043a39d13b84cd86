"""What fails next on each vehicle, how likely that is, and what it would cost."""

from dataclasses import dataclass
from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from roadworn.analysis import Analysis, Cell, Column, Estimate, Result, Settings, Table
from roadworn.catalogue import catalogue
from roadworn.view import LedgerView
from roadworn_plugins import grouped as lives_of
from roadworn_plugins.fitted import FittedParts, load_fitted
from roadworn_plugins.grouped import Unit, shown_distance
from roadworn_plugins.life_model import ComponentModel, fit
from roadworn_plugins.lifedata.shrinkage import chance_of_failure
from roadworn_plugins.prices import Price, Prices
from roadworn_plugins.totals import cost_band

ABOUT = """\
Question: What fails next, how likely is it, and what would it cost?

Method: For each fitted part of known age, the chance that it fails within the distance this
vehicle covers in the chosen time, from the lives of the same part on the same class with
strength borrowed from the other classes. The distance ahead is uncertain too: the chance is
averaged over the spread of the vehicle's own monthly distance. Cost is chance times the price
this ledger has seen.

Assumptions: Parts fail independently; the vehicle goes on being used as it was; a part is
replaced once within the time asked about.

Reading: 22 % (14 to 33 %) and 180 USD: of 100 such parts about 22 fail within the time.

Reference: Gamma-Weibull predictive distribution as in Hamada et al., Bayesian Reliability
(Springer, 2008); limits are of the rate, not of one part's luck.
"""
_LEVEL = 0.8


class NextRepairsSettings(Settings):
    """How far to look ahead, and for which vehicle."""

    vehicle: Annotated[str | None, Field(description="only this vehicle")] = None
    months: Annotated[float, Field(gt=0, le=120, description="how far to look ahead")] = 12.0
    distance: Annotated[
        float | None, Field(gt=0, description="distance to look ahead instead of months")
    ] = None
    unit: Annotated[Unit | None, Field(description="mi or km")] = None
    least_chance: Annotated[
        float, Field(ge=0, le=1, description="smaller chances are only added up")
    ] = 0.05
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 25


_COLUMNS = (
    Column("vehicle", "vehicle"),
    Column("component", "component"),
    Column("position", "where"),
    Column("age", "distance on it", "distance"),
    Column("chance", "chance", "chance"),
    Column("chance_low", "low", "chance"),
    Column("chance_high", "high", "chance"),
    Column("cost", "cost if so", "money"),
    Column("cost_low", "low", "money", detail=True),
    Column("cost_high", "high", "money", detail=True),
    Column("expected_cost", "chance x cost", "money"),
    Column("currency", "currency", detail=True),
    Column("safety", "safety"),
    Column("basis", "rests on"),
)


def run(view: LedgerView, settings: NextRepairsSettings) -> Result:
    """Project the failures of every fitted part whose age is known."""
    unit = settings.unit or lives_of.preferred_unit(view)
    models = fit(lives_of.load(view, ("component", "class")))
    fitted = load_fitted(view, settings.vehicle)
    ahead = fitted.ahead(settings.months, settings.distance, unit)
    chance = _chances(fitted, models, ahead)
    prices = Prices.load(view)
    costs = [
        prices.replacement(c, k)
        for c, k in zip(fitted.component, fitted.vehicle_class, strict=True)
    ]
    middle = np.array([np.nan if cost is None else cost.middle for cost in costs])
    events = lives_of.failure_events(view, ("component", "class"), most=12)
    order = np.argsort(
        -np.nan_to_num(chance.middle * np.nan_to_num(middle, nan=1.0)), kind="stable"
    )
    keep = [
        int(i)
        for i in order
        if np.isfinite(chance.middle[i]) and chance.middle[i] >= settings.least_chance
    ][: settings.most]
    rows = tuple(_row(fitted, i, chance, costs[i], models, unit) for i in keep)
    evidence = tuple(
        tuple(
            filter(
                None,
                (
                    fitted.started_by[i],
                    *events.get((fitted.component[i], fitted.vehicle_class[i]), ()),
                ),
            )
        )
        for i in keep
    )
    priced = np.isfinite(chance.middle) & np.isfinite(middle)
    span = (
        f"{settings.months:g} months"
        if settings.distance is None
        else (f"{settings.distance:,.0f} {unit}")
    )
    total = _total(chance.middle[priced], middle[priced], prices.currency, span, models)
    table = Table(
        name="next_repairs",
        title=f"What is likely to fail within {span}",
        columns=tuple(
            Column(c.name, c.title, c.kind, unit if c.kind == "distance" else "", c.detail)
            for c in _COLUMNS
        ),
        rows=rows,
        evidence=evidence,
    )
    return Result(
        headline=_headline(
            rows,
            float(chance.middle[keep[0]]) if keep else 0.0,
            total,
            span,
            settings.vehicle,
        ),
        tables=(table,),
        estimates=(total,),
        caveats=_caveats(view, settings, fitted, chance, int(np.sum(np.isnan(middle))), prices),
    )


@dataclass(frozen=True, eq=False)
class _Chances:
    """Chance of failing within the stretch ahead, nan where nothing is known."""

    middle: lives_of.Floats
    low: lives_of.Floats
    high: lives_of.Floats


def _chances(
    fitted: FittedParts, models: dict[str, ComponentModel], ahead: lives_of.Floats
) -> _Chances:
    """Return the chances, averaged over the spread of the distance ahead.

    `ahead` has shape (nodes, parts): equally weighted distances in thousand km.
    """
    out = [np.full(fitted.age.size, np.nan) for _ in range(3)]
    components: NDArray[np.object_] = np.array(fitted.component, dtype=object)
    for component in sorted(set(fitted.component)):
        model = models.get(component)
        if model is None:
            continue
        here = np.flatnonzero(components == component)
        beliefs = [model.for_class(fitted.vehicle_class[i]) for i in here]
        belief = type(beliefs[0])(
            np.concatenate([b.a for b in beliefs]), np.concatenate([b.b for b in beliefs])
        )
        found = [
            chance_of_failure(fitted.age[here], node[here], belief, model.shape, level=_LEVEL)
            for node in ahead
        ]
        for target, name in zip(out, ("chance", "lower", "upper"), strict=True):
            target[here] = np.mean([getattr(part, name) for part in found], axis=0)
    return _Chances(*out)


def _row(
    fitted: FittedParts,
    i: int,
    chance: _Chances,
    cost: Price | None,
    models: dict[str, ComponentModel],
    unit: Unit,
) -> tuple[Cell, ...]:
    component = fitted.component[i]
    known = catalogue().find(component)
    p = float(chance.middle[i])
    money: tuple[Cell, ...] = (None, None, None, None, "")
    if cost is not None:
        money = (
            round(cost.middle, 2),
            round(cost.low, 2),
            round(cost.high, 2),
            round(p * cost.middle, 2),
            cost.currency,
        )
    basis = models[component].basis(fitted.vehicle_class[i])
    return (
        fitted.vehicle[i],
        component,
        fitted.position[i],
        float(np.round(shown_distance(float(fitted.age[i]), unit), -2)),
        p,
        float(chance.low[i]),
        float(chance.high[i]),
        *money,
        "safety" if known is not None and known.safety_critical else "",
        basis if cost is not None else f"{basis}; no price on record",
    )


def _total(
    chance: lives_of.Floats,
    cost: lives_of.Floats,
    currency: str,
    span: str,
    models: dict[str, ComponentModel],
) -> Estimate:
    """Return expected cost with an 80 % band over all fitted parts of known age."""
    low, high = cost_band(chance, cost, _LEVEL)
    return Estimate(
        name=f"cost of failures within {span}",
        value=float(np.sum(chance * cost)),
        unit=currency,
        low=low,
        high=high,
        level=_LEVEL,
        method="sum of independent parts, each failing at most once",
        failures=int(sum(model.failures.sum() for model in models.values())),
        running=int(sum(model.running.sum() for model in models.values())),
    )


def _headline(
    rows: tuple[tuple[Cell, ...], ...],
    first_chance: float,
    total: Estimate,
    span: str,
    vehicle: str | None,
) -> str:
    whose = vehicle or "the fleet"
    if not rows:
        return f"No fitted part of known age is likely to fail on {whose} within {span}."
    place = f"{catalogue().name_of(str(rows[0][1]))} {rows[0][2]}".strip()
    return (
        f"Within {span} expect about {total.value:,.0f} {total.unit} of failures on {whose} "
        f"({total.low:,.0f} to {total.high:,.0f}); first {place} at {first_chance:.0%}."
    )


def _caveats(
    view: LedgerView,
    settings: NextRepairsSettings,
    fitted: FittedParts,
    chance: _Chances,
    unpriced: int,
    prices: Prices,
) -> tuple[str, ...]:
    caveats = []
    condition = " WHERE vehicle_id = ?" if settings.vehicle else ""
    parameters = (settings.vehicle,) if settings.vehicle else ()
    unknown = view.sql(f"SELECT count(*) FROM unknown_parts{condition}", parameters).rows[0][0]
    if unknown:
        caveats.append(f"{unknown} parts of unknown age are not in these figures.")
    nothing = int(np.sum(np.isnan(chance.middle)))
    if nothing:
        caveats.append(f"For {nothing} fitted parts neither a failure nor a trade range is known.")
    if unpriced:
        caveats.append(f"{unpriced} fitted parts have no price on record and add nothing in money.")
    if prices.other_currencies:
        caveats.append(
            f"{prices.other_currencies} replacements paid in another currency are left out."
        )
    if fitted.assumed_usage:
        caveats.append(
            f"{fitted.assumed_usage} vehicles have too few readings: the fleet's usual distance "
            "stands in for theirs."
        )
    return tuple(caveats)


NEXT_REPAIRS = Analysis(
    name="next-repairs",
    title="What goes next",
    question="What fails next, how likely is it, and what would it cost?",
    run=run,
    settings=NextRepairsSettings,
    about=ABOUT,
)
