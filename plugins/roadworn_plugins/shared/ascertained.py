"""Lives as they are where nothing had to fail for them to be on record.

A place of a class is on record from the first replacement there on, with all vehicles of the
class; where nothing was replaced nothing is. So what is on record fails too often: much so where
a class is a few vehicles. Counts that are seen only from one on are a truncated law, of which the
mean of the counts from two on is an unbiased estimate (Plackett, Biometrics 9 (1953) 485-488,
from memory): the one failure of a place that has no other replacement counts as none.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from roadworn.columns.view import LedgerView
from roadworn_plugins.shared.life_model import EVERY_LIFE, ClockedLives, UnknownAges

_Unit = tuple[str, str, str]


def with_lone(view: LedgerView, clocked: Mapping[str, ClockedLives]) -> dict[str, ClockedLives]:
    """Return lives that say of which the failure alone brought its place on record."""
    many = _many(view)
    places = [(row[0], row[1], row[2]) for row in view.sql(_PLACES).rows]
    return {
        component: replace(
            one,
            lone=one.failed
            & np.array([places[n] not in many for n in one.place.tolist()], dtype=bool),
        )
        for component, one in clocked.items()
    }


def unbiased(
    view: LedgerView, clocked: Mapping[str, ClockedLives], unknown: Mapping[str, UnknownAges]
) -> tuple[dict[str, ClockedLives], dict[str, UnknownAges]]:
    """Return lives in which what brought a place on record alone has not failed.

    Args:
        view: the ledger they are from.
        clocked: lives of each component.
        unknown: stays of parts of unknown age of each.
    """
    many = _many(view)
    known = {
        component: replace(
            one,
            failed=one.failed & ~one.lone,
            came_back=one.came_back & ~one.lone,
            km=np.stack([*one.km[:2], np.where(one.lone, np.inf, one.km[2])]),
            years=np.stack([*one.years[:2], np.where(one.lone, np.inf, one.years[2])]),
        )
        for component, one in with_lone(view, clocked).items()
    }
    stays = {}
    for component, stay in unknown.items():
        units = zip(stay.vehicle_class, stay.position, strict=True)
        lone = np.array([(kind, component, at) not in many for kind, at in units], dtype=bool)
        stays[component] = replace(stay, failed=stay.failed & ~lone)
    return known, stays


# In the order in which the lives number their places.
_PLACES = f"""SELECT vehicle_class, component, position FROM (
    SELECT DISTINCT vehicle_id, vehicle_class, component, coalesce(position, '') AS position
    FROM ({EVERY_LIFE})) ORDER BY vehicle_id, component, position"""


def _many(view: LedgerView) -> set[_Unit]:
    """Return the places of classes, by component, with more replacements than one."""
    rows = view.sql(
        """SELECT v.vehicle_class, component, coalesce(position, '')
           FROM (SELECT vehicle_id, component, position, started_by FROM part_lives
                 UNION ALL
                 SELECT vehicle_id, component, position, started_by FROM part_lives_left_out)
           JOIN vehicles AS v USING (vehicle_id)
           GROUP BY ALL HAVING count(DISTINCT started_by) > 1"""
    ).rows
    return {(row[0], row[1], row[2]) for row in rows}
