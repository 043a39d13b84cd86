"""The part that keeps failing: on one vehicle, on a class of vehicles, or from one supplier."""

from dataclasses import dataclass
from datetime import date
from typing import Annotated

import numpy as np
from pydantic import Field

from roadworn.analysis import Analysis, Cell, Column, Result, Settings, Table
from roadworn.catalogue import catalogue
from roadworn.view import LedgerView
from roadworn_plugins import grouped as lives_of
from roadworn_plugins.excess import Excess, against_others, coded, exposures
from roadworn_plugins.grouped import GroupedLives
from roadworn_plugins.life_model import fit
from roadworn_plugins.lifedata.testing_many import benjamini_hochberg
from roadworn_plugins.prices import Prices

ABOUT = """\
Question: Which part keeps failing, on which vehicle or class, or from which supplier?

Method: Expected failures of a place, a class or a supplier's part are its own exposure times
the rate of comparable others (a Weibull clock by distance, one shape a component). The chance
of so many or more is negative binomial, since that rate is itself uncertain. All that was
tested is held to one false discovery rate by Benjamini and Hochberg.

Assumptions: Replacements for wear or failure are failures; preventive ones are not. Others of
the same component and class are comparable in use.

Reading: "7 against 1.2 expected" is a finding about the record, not yet about the cause.

Reference: Benjamini and Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300; Garwood,
Biometrika 28 (1936) 437-442 for the limits.
"""


class RepeatFailuresSettings(Settings):
    """What to look for, and how careful to be."""

    vehicle: Annotated[str | None, Field(description="only what concerns this vehicle")] = None
    component: Annotated[str | None, Field(description="only this component")] = None
    false_discovery: Annotated[
        float, Field(gt=0, lt=1, description="share of the list that may be chance")
    ] = 0.05
    least_failures: Annotated[int, Field(ge=1, description="fewer failures are not listed")] = 2
    most: Annotated[int, Field(ge=1, description="rows at the most")] = 25


@dataclass(frozen=True, eq=False)
class _Level:
    """One kind of thing tested, with its comparison."""

    name: str
    labels: list[tuple[str, ...]]
    excess: Excess
    of_life: np.ndarray[tuple[int, ...], np.dtype[np.int64]]


_COLUMNS = (
    Column("level", "what"),
    Column("component", "component"),
    Column("where", "where"),
    Column("failed", "failed", "integer"),
    Column("expected", "expected", "number"),
    Column("ratio", "times the others", "number"),
    Column("ratio_low", "low", "number"),
    Column("ratio_high", "high", "number"),
    Column("chance", "chance if alike", "chance", detail=True),
    Column("adjusted", "adjusted chance", "chance", detail=True),
    Column("avoidable_cost", "avoidable cost", "money"),
    Column("currency", "currency", detail=True),
    Column("since", "first failure", "date"),
    Column("vehicles", "vehicles", "integer"),
    Column("why", "why it is listed", "sentence"),
    Column("against", "what speaks against it", "sentence"),
)


def run(view: LedgerView, settings: RepeatFailuresSettings) -> Result:
    """Compare every place, class and supplier's part with the others."""
    places = lives_of.load(view, ("component", "class", "vehicle", "position"))
    models = fit(lives_of.load(view, ("component", "class")))
    if not models:
        return Result(
            headline="No part life with a failure is on record yet, so nothing can keep failing.",
            caveats=("Record replacements with their reason and odometer reading.",),
        )
    supplied = lives_of.load(view, ("component", "class", "supplier", "part-number"))
    levels = [
        *_own_levels(places, exposures(places, models)),
        _supplier_level(supplied, exposures(supplied, models)),
    ]
    p = np.concatenate([level.excess.p for level in levels])
    adjusted = np.split(benjamini_hochberg(p), np.cumsum([x.excess.p.size for x in levels])[:-1])
    facts = _Facts.load(view)
    rows = [
        row
        for level, q in zip(levels, adjusted, strict=True)
        for row in _rows(level, q, facts, settings)
    ]
    rows.sort(key=lambda row: (-row.avoidable, row.chance))
    listed = [row for row in rows if _wanted(row.cells, row.touches, settings)]
    shown = listed[: settings.most]
    table = Table(
        name="repeat_failures",
        title="Parts that keep failing, by avoidable cost",
        columns=_COLUMNS,
        rows=tuple(tuple(row.cells[c.name] for c in _COLUMNS) for row in shown),
        evidence=tuple(row.evidence for row in shown),
    )
    return Result(
        headline=_headline(shown, p.size),
        tables=(table,),
        caveats=_caveats(view, settings, p.size),
    )


def _own_levels(places: GroupedLives, exposure: lives_of.Floats) -> list[_Level]:
    """Return the levels "one place on one vehicle" and "a component on a class"."""
    by_place, place_labels = coded(places.labels, 0, 1, 2, 3)
    by_class, class_labels = coded(places.labels, 0, 1)
    by_component, _ = coded(places.labels, 0)
    group = places.group
    return [
        _Level(
            "place",
            place_labels,
            against_others(places, by_place[group], by_class[group], exposure),
            by_place,
        ),
        _Level(
            "class",
            class_labels,
            against_others(places, by_class[group], by_component[group], exposure),
            by_class,
        ),
    ]


def _supplier_level(supplied: GroupedLives, exposure: lives_of.Floats) -> _Level:
    """Return the level "a supplier's part", compared within the class of vehicle."""
    by_part, labels = coded(supplied.labels, 0, 2, 3)
    by_class, _ = coded(supplied.labels, 0, 1)
    named = np.array([label[1] != "(not recorded)" for label in labels])
    known = np.where(named[by_part[supplied.group]], exposure, np.nan)
    # Parts of unknown origin are not tested, but they are among the others: keep them there.
    excess = against_others(supplied, by_part[supplied.group], by_class[supplied.group], exposure)
    keep = named[excess.group] if known.size else np.zeros(0, dtype=bool)
    parts = {name: getattr(excess, name)[keep] for name in excess.__dataclass_fields__}
    return _Level("supplier", labels, Excess(**parts), by_part)


@dataclass(frozen=True, eq=False)
class _Facts:
    """What a row tells beside the figures: prices, dates, events, vehicles."""

    prices: Prices
    failures: dict[tuple[str, ...], list[tuple[str, str, date]]]

    @classmethod
    def load(cls, view: LedgerView) -> "_Facts":
        """Read the failures once, keyed by every label they may be asked for."""
        found: dict[tuple[str, ...], list[tuple[str, str, date]]] = {}
        for component, vehicle_class, vehicle, position, supplier, part, event, day in view.sql(
            """SELECT component, vehicle_class, vehicle_id, coalesce(position, ''),
                      coalesce(supplier, '(not recorded)'), coalesce(part_number, '(not recorded)'),
                      ended_by, ended_on
               FROM part_lives WHERE failed ORDER BY ended_on, ended_by"""
        ).rows:
            entry = (event or "", vehicle, day)
            found.setdefault(("place", component, vehicle_class, vehicle, position), []).append(
                entry
            )
            found.setdefault(("class", component, vehicle_class), []).append(entry)
            found.setdefault(("supplier", component, supplier, part), []).append(entry)
        return cls(Prices.load(view), found)


@dataclass(frozen=True, eq=False)
class _Row:
    avoidable: float
    chance: float
    cells: dict[str, Cell]
    evidence: tuple[str, ...]
    touches: frozenset[str]


def _rows(
    level: _Level, adjusted: lives_of.Floats, facts: _Facts, settings: RepeatFailuresSettings
) -> list[_Row]:
    """Return the rows of one level that pass the false discovery rate."""
    excess, rows = level.excess, []
    passed = (adjusted <= settings.false_discovery) & (excess.observed >= settings.least_failures)
    for i in np.flatnonzero(passed & (excess.observed > excess.expected)):
        label = level.labels[excess.group[i]]
        failures = facts.failures.get((level.name, *label), [])
        vehicles = [vehicle for _event, vehicle, _day in failures]
        price = facts.prices.replacement(label[0], label[1] if level.name != "supplier" else None)
        surplus = float(excess.observed[i] - excess.expected[i])
        cells: dict[str, Cell] = {
            "level": {"place": "one place", "class": "a class", "supplier": "a supplier's part"}[
                level.name
            ],
            "component": label[0],
            "where": _where(level.name, label),
            "failed": int(excess.observed[i]),
            "expected": round(float(excess.expected[i]), 2),
            "ratio": round(float(excess.observed[i] / excess.expected[i]), 1),
            "ratio_low": round(float(excess.lower[i]), 1),
            "ratio_high": round(float(excess.upper[i]), 1),
            "chance": float(excess.p[i]),
            "adjusted": float(adjusted[i]),
            "avoidable_cost": None if price is None else round(surplus * price.middle, 2),
            "currency": "" if price is None else price.currency,
            "since": failures[0][2] if failures else None,
            "vehicles": len(set(vehicles)),
            "why": _why(level.name, label, excess, int(i)),
            "against": _against(level.name, excess, int(i), vehicles),
        }
        rows.append(
            _Row(
                avoidable=0.0 if price is None else surplus * price.middle,
                chance=float(excess.p[i]),
                cells=cells,
                evidence=tuple(event for event, _, _ in failures if event),
                touches=frozenset(vehicles),
            )
        )
    return rows


def _where(level: str, label: tuple[str, ...]) -> str:
    if level == "place":
        return f"{label[2]} {label[3]}".strip()
    return label[1] if level == "class" else f"{label[1]}, {label[2]}"


def _why(level: str, label: tuple[str, ...], excess: Excess, i: int) -> str:
    name = catalogue().name_of(label[0])
    count, expected = int(excess.observed[i]), excess.expected[i]
    others = {
        "place": f"the same part elsewhere on vehicles of the class {label[1]}",
        "class": "the same part on all other classes",
        "supplier": "the same part from anybody else on the same classes",
    }[level]
    return f"{name}: failed {count} times where {expected:.1f} would be usual for {others}."


def _against(level: str, excess: Excess, i: int, vehicles: list[str]) -> str:
    doubts = []
    if excess.observed[i] < 5:
        doubts.append(f"only {int(excess.observed[i])} failures")
    if level != "place" and vehicles:
        top = max(set(vehicles), key=vehicles.count)
        if vehicles.count(top) * 2 > len(vehicles):
            doubts.append(f"most of them on {top} alone")
    if excess.others[i] < 5:
        doubts.append(f"the others had only {int(excess.others[i])} failures to compare with")
    if level == "place":
        doubts.append("a cause on the vehicle itself would look the same")
    return "; ".join(doubts) if doubts else "nothing in the record"


def _wanted(
    cells: dict[str, Cell], touches: frozenset[str], settings: RepeatFailuresSettings
) -> bool:
    if settings.component and cells["component"] != settings.component:
        return False
    return settings.vehicle is None or settings.vehicle in touches


def _headline(rows: list[_Row], tested: int) -> str:
    if not rows:
        return f"Nothing fails more often than chance allows, of {tested} comparisons made."
    first = rows[0].cells
    return (
        f"{len(rows)} of {tested} comparisons stand out; first {catalogue().name_of(str(first['component']))} "
        f"({first['where']}): {first['failed']} failed where {first['expected']} were expected."
    )


def _caveats(view: LedgerView, settings: RepeatFailuresSettings, tested: int) -> tuple[str, ...]:
    out = lives_of.left_out(view, settings.component)
    number = sum(sum(whys.values()) for whys in out.values())
    caveats = [
        (
            f"{tested} comparisons were made; of the rows listed, about "
            f"{settings.false_discovery:.0%} may be chance."
        ),
        "A failure that nobody recorded, or recorded without its reason, is not counted.",
    ]
    if number:
        caveats.append(f"{number} stays of a part were left out, mostly for an unknown start.")
    return tuple(caveats)


REPEAT_FAILURES = Analysis(
    name="repeat-failures",
    title="Parts that keep failing",
    question="Which part keeps failing, on which vehicle or class, or from which supplier?",
    run=run,
    settings=RepeatFailuresSettings,
    about=ABOUT,
)
