"""Pools of several shops: what one hands out, several put together, and what they say.

A shop of three failures of a part cannot tell how long it lasts; twenty shops can, and none of
them needs to show a vehicle for it. The verb `pool` calls these by entry point; what is believed
of a pool stands in `shared.pool_beliefs`.
"""

import importlib.metadata
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn_plugins.shared.ascertained import unbiased
from roadworn_plugins.shared.counted_lives import Counted, fit_by_turns
from roadworn_plugins.shared.grouped import Clock, Unit, load_paces, shown_distance
from roadworn_plugins.shared.life_model import load_clocked, load_unknown, prior_of
from roadworn_plugins.shared.pool_beliefs import Common, PoolOfOthers
from roadworn_plugins.shared.pool_file import (
    LEAST_PLACES,
    LEAST_VEHICLES,
    SHAPES,
    Cell,
    HeldBack,
    Shop,
    TradeClass,
    heavy_vehicles,
    ledger_of,
    pool_of,
    read_pool,
    short,
)

_CLASSES: tuple[TradeClass, ...] = ("light", "heavy")


def export_pool(
    view: LedgerView, least_places: int = LEAST_PLACES, least_vehicles: int = LEAST_VEHICLES
) -> tuple[str, dict[str, int]]:
    """Return a ledger's own pool as text, and what is in it and held back, in numbers.

    Args:
        view: the ledger as of a day.
        least_places: a cell of fewer places is held back,
        least_vehicles: and one of fewer vehicles.

    Raises:
        UsageError: a bound is below the usual one, or nothing may be handed out.
    """
    if least_places < LEAST_PLACES or least_vehicles < LEAST_VEHICLES:
        raise UsageError(
            f"A cell needs {LEAST_PLACES} places and {LEAST_VEHICLES} vehicles at the least",
            "the bounds can be raised, not lowered",
        )
    cells: list[Cell] = []
    small: list[Cell] = []
    for cell in _cells(view):
        enough = cell.places >= least_places and cell.vehicles >= least_vehicles
        (cells if enough else small).append(cell)
    if not cells:
        raise UsageError(
            f"No component has {least_places} places on {least_vehicles} vehicles, so nothing is "
            "handed out",
            "come back when more is on record",
        )
    shop = Shop(
        ledger=ledger_of(view),
        root=view.checkpoint.root,
        size=view.checkpoint.size,
        day=view.today.isoformat(),
        roadworn=importlib.metadata.version("roadworn"),
        least_places=least_places,
        least_vehicles=least_vehicles,
        held_back=HeldBack(cells=len(small), lives=sum(cell.lives for cell in small)),
        cells=tuple(cells),
    )
    numbers = {
        "cells": len(cells),
        "lives": sum(cell.lives for cell in cells),
        "held_back_cells": shop.held_back.cells,
        "held_back_lives": shop.held_back.lives,
    }
    return pool_of((shop,)).text(), numbers


def _cells(view: LedgerView) -> Iterator[Cell]:
    """Yield what the lives of each component and trade class add up to, small ones too."""
    paces = load_paces(view)
    pace = float(np.median(paces.per_month)) * 12.0 / 1000.0 if paces.per_month.size else None
    uses = view.sql("SELECT coalesce(duty, '') FROM vehicles ORDER BY vehicle_id").rows
    clocked, unknown = unbiased(view, load_clocked(view, paces), load_unknown(view))
    found = fit_by_turns(clocked, unknown, [str(use) for (use,) in uses], pace)
    heavy = heavy_vehicles(view)
    for component, one in sorted(found[0].items() if found else ()):
        # A component of the shop's own may have anybody's words in its name.
        if catalogue().find(component) is None:
            continue
        vehicle = one.numbers()[0]
        for trade_class in _CLASSES:
            rows = heavy[vehicle] if trade_class == "heavy" else ~heavy[vehicle]
            if rows.any():
                yield _cell(component, trade_class, one, rows)


def _cell(component: str, trade_class: TradeClass, one: Counted, rows: Any) -> Cell:  # noqa: ANN401
    lives, worn = one.lives.take(rows), one.law.worn[rows]
    gone = lives.effect * lives.weight
    exposure = [float(gone @ (lives.leaving**k - lives.entry**k)) for k in SHAPES]
    failed = float(lives.weight @ lives.failed)
    vehicle, place = (number[rows] for number in one.numbers())
    # A part of unknown age that failed has a place among those of the parts after it.
    open_ = float(lives.weight @ ((place < 0) & ~lives.failed))
    return Cell(
        component=component,
        trade_class=trade_class,
        clock=one.clock,
        vehicles=int(np.unique(vehicle).size),
        places=int(np.unique(place[place >= 0]).size) + round(open_),
        lives=round(float(lives.weight.sum())),
        failures=short(float(worn.sum())),
        early=short(max(failed - float(worn.sum()), 0.0)),
        exposure=tuple(short(value) for value in exposure),
        log_age=short(float(worn @ np.log(np.maximum(lives.leaving, 1e-9)))),
    )


def merge_pools(paths: list[Path]) -> tuple[str, dict[str, int]]:
    """Return several pools as one text, and how many shops are in it and came twice.

    Of one ledger that is there twice, the later state counts.

    Raises:
        UsageError, EnvironmentFailure: one of them cannot be used.
    """
    found: dict[str, Shop] = {}
    given = 0
    for path in paths:
        for shop in read_pool(path).shops:
            given += 1
            before = found.get(shop.ledger)
            if before is None or (shop.day, shop.size) > (before.day, before.size):
                found[shop.ledger] = shop
    shops = tuple(found[name] for name in sorted(found))
    return pool_of(shops).text(), {"shops": len(shops), "twice": given - len(shops)}


#: What `show_pool` tells of each component.
SHOWN = (
    *("component", "trade_class", "clock", "shops", "vehicles", "lives", "failures", "early"),
    *("half_gone_by", "unit", "shape", "rates_differ"),
)
COMPARED = ("failed_here", "times_as_often", "low", "high")


def show_pool(
    path: Path, unit: Unit = "mi", view: LedgerView | None = None
) -> tuple[tuple[str, ...], list[tuple[Any, ...]], Mapping[str, Any]]:
    """Return headings, a row for each component and trade class, and what the pool is from.

    Args:
        path: the file.
        unit: of distances.
        view: a ledger to hold against it; its own part of the pool is left out then.

    Raises:
        UsageError, EnvironmentFailure: it cannot be used.
    """
    file = read_pool(path)
    pool = None if view is None else PoolOfOthers.of(view, str(path))
    shops = file.shops if pool is None else pool.shops
    here = {} if view is None or pool is None else _here(view, pool)
    cells: dict[tuple[str, TradeClass, Clock], list[Cell]] = {}
    for shop in shops:
        for cell in shop.cells:
            cells.setdefault((cell.component, cell.trade_class, cell.clock), []).append(cell)
    rows = []
    for (component, trade_class, clock), own in sorted(cells.items()):
        common = Common.of(own, prior_of(component, clock))
        row = (component, trade_class, clock, len(own), *_totals(own), *_told(common, clock, unit))
        rows.append((*row, *here.get((component, trade_class, clock), (None,) * len(COMPARED))))
    width = len(SHOWN) + (len(COMPARED) if pool else 0)
    about = {
        "shops": len(shops),
        "lives": sum(cell.lives for shop in shops for cell in shop.cells),
        "days": [min(shop.day for shop in shops), max(shop.day for shop in shops)],
        "held_back_lives": sum(shop.held_back.lives for shop in shops),
    }
    return (*SHOWN, *COMPARED)[:width], [row[:width] for row in rows], about


def _totals(cells: list[Cell]) -> tuple[int, int, float, float]:
    return (
        sum(cell.vehicles for cell in cells),
        sum(cell.lives for cell in cells),
        round(sum(cell.failures for cell in cells), 1),
        round(sum(cell.early for cell in cells), 1),
    )


def _told(common: Common | None, clock: Clock, unit: Unit) -> tuple[Any, ...]:
    """Return what shops have in common: half gone by, unit, shape, and by what factor they differ.

    Nothing where too few shops have the component.
    """
    word = unit if clock == "distance" else "years"
    if common is None:
        return (None, word, None, None)
    half = common.half if clock == "age" else float(shown_distance(common.half, unit))
    factor = float(np.exp(common.rate.a**-0.5))
    digits = 1 if clock == "age" else -2
    return (round(half, digits), word, round(common.shape, 2), round(factor, 2))


def _here(view: LedgerView, pool: PoolOfOthers) -> dict[tuple[str, str, Clock], Any]:
    """Return how a ledger differs from the other shops, of each component that both have."""
    from roadworn_plugins.shared.fleet_lives import ComponentLives

    lives = ComponentLives.of(view, pool)
    found: dict[tuple[str, str, Clock], Any] = {}
    for component in {cell.component for shop in pool.shops for cell in shop.cells}:
        clocked = lives.get(component)
        pooled = None if clocked is None else clocked.model.pooled
        if clocked is not None and pooled is not None:
            ends = (pooled.ratio, pooled.low, pooled.high)
            said = (None if x is None else round(x, 2) for x in ends)
            found[component, pooled.trade_class, clocked.clock] = (pooled.failed, *said)
    return found
