"""A made ledger of known lives: ten components of three suppliers, each B50 within its limits.

The lives are drawn from Weibull laws whose medians are known (scale times log(2) to the power of
1/shape), so nothing here rests on what the program itself says.
"""

import random
from collections.abc import Iterator
from datetime import date, timedelta
from math import log
from pathlib import Path

from builders import enrolled, ledger_of

import roadworn
from roadworn.model.events import NewEvent
from roadworn.testing import event

COMPONENTS = (
    *("brake.pad", "cooling.water_pump", "cooling.thermostat", "electrical.alternator"),
    *("electrical.battery", "electrical.starter", "wheel.bearing", "ignition.coil"),
    *("fuel.pump", "suspension.shock"),
)
SUPPLIERS = {"Quayside Parts": 0.7, "Harbour Stores": 1.0, "Northquay": 1.6}
VANS, KM_A_DAY, DAYS, SHAPE = 14, 90.0, 2_200, 2.5
FIRST = date(2019, 1, 1)


def scale_of(component: str, supplier: str) -> float:
    return (18_000.0 + 3_500.0 * COMPONENTS.index(component)) * SUPPLIERS[supplier]


def history(seed: int) -> Iterator[NewEvent]:
    dice = random.Random(seed)
    told: list[tuple[date, NewEvent]] = []
    for n in range(VANS):
        van = f"van-{n}"
        yield enrolled(van, FIRST.isoformat(), odometer=0.0, unit="km", parts="original")
        for component in COMPONENTS:
            supplier, km = dice.choice(list(SUPPLIERS)), 200.0 + dice.random() * 900.0
            while km < KM_A_DAY * DAYS:
                day = FIRST + timedelta(days=int(km / KM_A_DAY))
                made = event(
                    van, "replacement", day.isoformat(), odometer=round(km, 1), unit="km",
                    component=component, supplier=supplier, reason="failed",
                )  # fmt: skip
                told.append((day, made))
                km += dice.weibullvariate(scale_of(component, supplier), SHAPE)
                supplier = supplier if dice.random() < 0.5 else dice.choice(list(SUPPLIERS))
        last = FIRST + timedelta(days=DAYS)
        told.append(
            (
                last,
                event(
                    van, "odometer_reading", last.isoformat(), odometer=KM_A_DAY * DAYS, unit="km"
                ),
            )
        )
    yield from (made for _day, made in sorted(told, key=lambda one: one[0]))


def test_every_median_lies_within_its_limits(tmp_path: Path) -> None:
    path = ledger_of(tmp_path / "known.db", history(11), allow_repeat=True)
    day = (FIRST + timedelta(days=DAYS)).isoformat()
    with roadworn.open(path, as_of=day) as book:
        ask = book.analyses.part_lifespans
        # At this level one of thirty misses by chance in a run of thirty-three.
        frame = ask(by=("component", "supplier"), unit="km", level=0.999, most=100).df()
    # What the vans came with has no supplier.
    frame = frame[frame.supplier.isin(list(SUPPLIERS))]
    assert len(frame) == len(COMPONENTS) * len(SUPPLIERS)
    outside = []
    for row in frame.itertuples():
        known = scale_of(row.component, row.supplier) * log(2.0) ** (1.0 / SHAPE)
        assert row.failed >= 6
        if not row.b50_low <= known <= row.b50_high:
            outside.append((row.component, row.supplier, known, row.b50_low, row.b50_high))
    assert outside == []
    # Wide limits would hold anything: most are within a factor of two of each other.
    assert (frame.b50_high / frame.b50_low).median() < 2.0
    # Had suppliers been mixed up, the shortest and the longest would not lie apart.
    pads = frame[frame.component == "brake.pad"].set_index("supplier")
    assert pads.b50_high["Quayside Parts"] < pads.b50_low["Northquay"]
