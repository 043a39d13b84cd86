"""How an answer says what of it rests on a pool of other shops."""

from collections.abc import Iterable, Mapping

import numpy as np

from roadworn.analysis import Cell, Column, Table, Tells
from roadworn.analysis.life_law import LifeLaw, Pooled
from roadworn.model.catalogue import part_name
from roadworn.model.messages import Says
from roadworn_plugins.lifedata import Floats, bisected
from roadworn_plugins.lifedata.special import gammaincc
from roadworn_plugins.shared.life_model import Clocked
from roadworn_plugins.shared.pool_beliefs import PoolOfOthers
from roadworn_plugins.shared.settings import Shown, all_said, in_unit, rounded

#: Differences that are named in words.
_NAMED = 3
_say = Says(
    "pool",
    {
        "used": "The lives of {n} {n:component|components} rest also on {shops} other shops, up to "
        "{day}, by the pool {file}: it counts for {least:.0f} to {most:.0f} "
        "{most:failure|failures} of each.",
        "none": "The pool {file} says nothing of these parts.",
        "differs": "{part} fails {ratio:.1f} times as often here as there ({low:.1f} to "
        "{high:.1f}).",
        "title": "Half gone by, with what other shops saw, in {unit}",
        "basis": "{own} failed here; pool of {shops} other shops, {failures} failed",
    },
)
COLUMNS = (
    Column("half", "half gone by", "distance"),
    Column("half_low", "low", "distance", tells=Tells.LOW),
    Column("half_high", "high", "distance", tells=Tells.HIGH),
    Column("times", "times as often as elsewhere", "number"),
    Column("times_low", "low", "number", tells=Tells.LOW),
    Column("times_high", "high", "number", tells=Tells.HIGH),
    Column("counts_for", "counts for failures", "number", detail=True),
    Column("words", "in words", "sentence"),
)


def pool_caveats(pool: PoolOfOthers, models: Mapping[str, Clocked]) -> tuple[str, ...]:
    """Say what of the lives rests on a pool, and where this shop clearly differs from it."""
    found = {c: m.model.pooled for c, m in sorted(models.items()) if m.model.pooled is not None}
    if not found:
        return (_say("none", file=pool.path),)
    weights = [one.weight for one in found.values()]
    return (
        _say(
            "used",
            n=len(found),
            shops=len(pool.shops),
            day=pool.newest,
            file=pool.path,
            least=min(weights),
            most=max(weights),
        ),
        *_differences(found.items()),
    )


def _differences(found: Iterable[tuple[str, Pooled]]) -> tuple[str, ...]:
    clear = [
        (component, one.ratio, one.low, one.high)
        for component, one in found
        if one.ratio is not None and one.low is not None and one.high is not None
        if one.low > 1.0 or one.high < 1.0
    ]
    clear.sort(key=lambda row: -abs(np.log(max(row[1], 0.01))))
    return all_said(
        *(
            _say("differs", part=part_name(component), ratio=ratio, low=low, high=high)
            for component, ratio, low, high in clear[:_NAMED]
        )
    )


def pool_table(models: Mapping[str, Clocked], shown: Shown, level: float) -> tuple[Table, ...]:
    """Return by when half are gone, pool and this shop's lives together, by component and class.

    Only components whose lives go by the clock that is shown; no table where the pool says
    nothing of any.
    """
    rows: list[tuple[Cell, ...]] = []
    for component, clocked in sorted(models.items()):
        model, pooled = clocked.model, clocked.model.pooled
        if pooled is None or clocked.clock != shown.clock:
            continue
        for place, vehicle_class in enumerate(model.classes):
            low, half, high = (
                shown.age(half_gone(model.law, place, q))
                for q in ((1.0 - level) / 2.0, 0.5, (1.0 + level) / 2.0)
            )
            basis = _say(
                "basis",
                own=int(model.failures[place]),
                shops=pooled.shops,
                failures=pooled.failures,
            )
            times = (rounded(x) for x in (pooled.ratio, pooled.low, pooled.high))
            worth = rounded(pooled.weight, 1)
            rows.append((component, vehicle_class, half, low, high, *times, worth, basis))
    if not rows:
        return ()
    keys = (
        Column("component", "component", "component", tells=Tells.COMPONENT),
        Column("class", "class"),
    )
    columns = (*keys, *in_unit(COLUMNS, shown.word))
    return (Table("with_pool", _say("title", unit=shown.word), columns, tuple(rows)),)


def half_gone(law: LifeLaw, place: int | None, q: float) -> float:
    """Return a quantile of the age by which half are gone, as rate and shape are unsure.

    Of the early law the share alone counts: half of all, weak ones among them.
    """
    wear = law.wear
    a, b = wear.of(place)
    gone = float(np.log(2.0) + np.log1p(-min(law.early.share, 0.49)))

    def less(log_age: float) -> float:
        """Chance that half are gone by this age, less the one asked for."""
        hazard: Floats = gone * b * np.exp(-wear.shapes * log_age)
        return float(wear.weight @ gammaincc(a, hazard)) - q

    return float(np.exp(bisected(less, 16.0, -12.0)))
