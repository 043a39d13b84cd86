"""The truths that a projection has to stand, by name: settings of made fleets."""

from dataclasses import replace

from made_fleet import Setting

_PLAIN = Setting(vehicles=100, yearly_rise=0.03, unknown=0.8, leaving=0.03)
#: The truths that are known by name.
CASES: dict[str, Setting] = {
    "plain": _PLAIN,
    "early_mixture": replace(_PLAIN, early=0.15),
    "comebacks": replace(_PLAIN, comebacks=0.05),
    "differing": replace(_PLAIN, differing=0.6),
    "bad_vehicles": replace(_PLAIN, bad=0.05),
    "place_cause": replace(_PLAIN, cause=0.1),
    "year_effect": replace(_PLAIN, year_effect=0.35),
    "season": replace(_PLAIN, season=0.85),
    "changing_pace": replace(_PLAIN, pace_change=0.25),
    "planned": replace(_PLAIN, planned=True, leaving=0.08),
    "sale": replace(_PLAIN, sale=0.5),
    "mis_recorded": replace(_PLAIN, mis_recorded=0.25),
    "unrecorded": replace(_PLAIN, unrecorded=0.15),
    "odometers": replace(_PLAIN, odometer_missing=0.2, odometer_wrong=0.01, turned_back=0.03),
    "sides_apart": replace(_PLAIN, sides_apart=0.6),
    "spellings": replace(_PLAIN, spellings=True),
    "old_book": replace(_PLAIN, enrolled_after=4.0),
    "batch": replace(_PLAIN, batch=3.0, batch_component="wheel.tire"),
    "doubling": replace(_PLAIN, doubling=5.0),
    "everything": replace(
        _PLAIN,
        early=0.08,
        comebacks=0.05,
        differing=0.35,
        bad=0.03,
        cause=0.04,
        year_effect=0.15,
        season=0.6,
        pace_change=0.1,
        planned=True,
        leaving=0.06,
        odometer_missing=0.1,
        odometer_wrong=0.003,
        turned_back=0.02,
        sides_apart=0.4,
        spellings=True,
        batch=3.0,
    ),
}
