"""Signs before failures on a made fleet: codes, findings and complaints, true and false ones.

Before a failure, with some probability, a sign begins some weeks to months ahead; beside these
stand false alarms that go away by themselves. Nobody sees a sign when it begins: look-overs and
scans come at uneven times, and a customer who complains does so once. What is known of a sign is
what was written down.
"""

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from roadworn.model.events import NewEvent
from roadworn.testing import event

if TYPE_CHECKING:
    from made_fleet import Truth

#: Components that set a code, and what it is; a cylinder's by its number.
CODES = {
    "ignition.coil": "P030{}",
    "cooling.thermostat": "P0128",
    "emission.oxygen_sensor": "P0135",
    "emission.egr_valve": "P0401",
    "electrical.alternator": "P0562",
    "fuel.pump": "P0087",
}
SAID = {
    "electrical.battery": "slow to crank in the morning",
    "wheel.bearing": "hums on the highway",
    "electrical.starter": "clicks and will not crank",
    "hvac.compressor": "A/C blows warm",
}
LEAD_DAYS, FALSE_DAYS, BETWEEN_LOOKS = 110.0, 90.0, 150.0
_SAYS, _SCANS = 0.3, 0.6
Key = tuple[str, str, str]
Written = tuple[float, str, dict[str, Any]]


def with_signs(
    events: Sequence[NewEvent],
    truth: "Truth",
    rng: np.random.Generator,
    share: float,
    false: float,
    start: date,
) -> list[NewEvent]:
    """Return the events of a made fleet with the signs of what fails among them.

    Args:
        events, truth: as `play` makes them.
        rng: random numbers.
        share: of failures that have a sign before them.
        false: false alarms a year on each vehicle.
        start: day 0 of the fleet.
    """
    written = list(events)
    for name, car in truth.vehicles.items():
        failures = [
            (key, day) for key, days in truth.failures.items() if key[0] == name for day in days
        ]
        last = min(car.left, float(car.edges[-1])) - 1.0
        places = [key for key in truth.fitted if key[0] == name]
        own = signs(rng, failures, places, (max(car.enrolled, 0.0) + 1.0, last), share, false)
        for day, kind, payload in own:
            on = (start + timedelta(days=int(day))).isoformat()
            written.append(event(name, kind, on, **payload))
    return sorted(written, key=lambda one: one.occurred_at[:10])


def signs(
    rng: np.random.Generator,
    failures: Sequence[tuple[Key, float]],
    places: Sequence[Key],
    span: tuple[float, float],
    share: float,
    false: float,
) -> Iterator[Written]:
    """Yield what is written down of a vehicle's signs: day, kind of event and payload.

    Args:
        rng: random numbers.
        failures: place and day of what fails.
        places: all of its places.
        span: first and last day under watch.
        share: of failures that have a sign before them.
        false: false alarms a year.
    """
    first, last = span
    standing: list[tuple[Key, float, float]] = []
    for key, day in failures:
        if rng.random() < share:
            standing.append((key, day - 7.0 - float(rng.exponential(LEAD_DAYS)), day))
    for _ in range(int(rng.poisson(false * (last - first) / 365.25))):
        begins = float(rng.uniform(first, last))
        ends = begins + float(rng.exponential(FALSE_DAYS))
        standing.append((places[int(rng.integers(len(places)))], begins, ends))
    for key, begins, _ends in standing:
        if key[1] in SAID and first < begins < last and rng.random() < _SAYS:
            yield begins, "complaint", {"complaint": SAID[key[1]]}
    day = first + float(rng.gamma(2.0, BETWEEN_LOOKS / 2.0))
    while day < last:
        here = [key for key, begins, ends in standing if begins <= day < ends]
        coded = sorted({CODES[k[1]].format(k[2]) for k in here if k[1] in CODES})
        bare = sorted({key[1:] for key in here if key[1] not in CODES})
        seen = set(bare)
        sound = sorted({key[1:] for key in places if key[1] not in CODES} - seen)
        yield (
            day,
            "inspection",
            {
                "findings": [_finding(where, "wearing") for where in bare],
                "sound": [_finding(where) for where in sound],
                "rest": "not_checked",
            },
        )
        if rng.random() < _SCANS:
            codes = [{"code": code, "status": "stored"} for code in coded]
            yield day, "scan", {"modules": [{"name": "engine", "codes": codes, "outcome": "read"}]}
        day += 20.0 + float(rng.gamma(2.0, BETWEEN_LOOKS / 2.0))


def _finding(where: tuple[str, str], condition: str = "") -> dict[str, str]:
    component, place = where
    found = {"component": component} | ({"position": place} if place else {})
    return found | ({"condition": condition} if condition else {})
