"""The published sets of lives, read once for all tests; sources in SOURCES_lives.md."""

import csv
import json
from functools import cache
from pathlib import Path

import numpy as np

from roadworn_plugins.lifedata.lives import Lives

DATA = Path(__file__).parents[1] / "reference" / "life_data"
VALUES = json.loads((DATA / "life_values.json").read_text(encoding="utf-8"))

AGES = {
    "o01": ("o01_shock_absorber_km.csv", "distance_km"),
    "o02": ("o02_locomotive_control_thousand_miles.csv", "distance_thousand_miles"),
    "o03": ("o03_nist_weibull_hours.csv", "time_hours"),
    "o04": ("o04_ball_bearing_megacycles.csv", "life_megacycles"),
    "o21": ("o21_diesel_fan_hours.csv", "time_hours"),
}
INTERVALS = {
    "o06_radiotherapy": ("o06_breast_cosmesis_months.csv", "months", "radiotherapy"),
    "o06_radio_chemo": ("o06_breast_cosmesis_months.csv", "months", "radio_chemo"),
    "o07": ("o07_heat_exchanger_years.csv", "years", None),
    "o22": ("o22_vacuum_tube_days.csv", "days", None),
}
LATE = ("o05_Male", "o05_Female", "o19")
ALL = (*AGES, *INTERVALS, *LATE)


def rows(name):
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def number(text):
    return float(text) if text not in ("", "inf", "Inf", "NA") else np.inf


@cache
def lives(key):
    """Lives of one published set; the five rows of o05 that leave before they enter dropped."""
    if key in AGES:
        name, column = AGES[key]
        table = rows(name)
        return Lives.from_ages(
            [float(r[column]) for r in table],
            [int(r["failed"]) for r in table],
            count=[float(r.get("count", 1)) for r in table],
        )
    if key in INTERVALS:
        name, unit, group = INTERVALS[key]
        table = [r for r in rows(name) if group in (None, r.get("group"))]
        return Lives.from_intervals(
            [number(r[f"lower_{unit}"]) for r in table],
            [number(r[f"upper_{unit}"]) for r in table],
            count=[float(r.get("count", 1)) for r in table],
        )
    if key == "o19":
        table = rows("o19_synthetic_late_entry_km.csv")
        keys = ("entry_km", "exit_km", "failed")
    else:
        keys = ("entry_age_months", "exit_age_months", "died")
        table = [
            r
            for r in rows("o05_channing_house_months.csv")
            if r["sex"] == key[4:] and float(r[keys[1]]) > float(r[keys[0]])
        ]
    return Lives.from_ages(
        [float(r[keys[1]]) for r in table],
        [int(r[keys[2]]) for r in table],
        entry=[float(r[keys[0]]) for r in table],
    )


def together(*keys):
    """Put several sets into one table, one group each: every test is one of batching too."""
    parts = [lives(key) for key in keys]
    return Lives.from_intervals(
        np.concatenate([p.lower for p in parts]),
        np.concatenate([p.upper for p in parts]),
        entry=np.concatenate([p.entry for p in parts]),
        count=np.concatenate([p.count for p in parts]),
        group=np.repeat(np.arange(len(parts)), [p.lower.size for p in parts]),
    )


def recomputed(key, family):
    """R's fit of one set, by the names of the file."""
    found = VALUES["R"][key]
    return found["fit"][family] if "fit" in found else found[family]


def step(curve, g, ages):
    """Row of the step of group g that holds at each age, -1 before the first."""
    rows = curve.group_slice(g)
    place = np.searchsorted(curve.age[rows], np.asarray(ages, dtype=float), side="right") - 1
    return np.where(place < 0, -1, place + rows.start)


def at(curve, g, ages, column="s", before=1.0):
    """A column of a Kaplan-Meier curve at ages; `before` the first failure."""
    place = step(curve, g, ages)
    return np.where(place < 0, before, np.append(getattr(curve, column), np.nan)[place])
