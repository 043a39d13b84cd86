"""Slips and surprises put into single vehicles after their years are played through.

Each is something a real ledger has to live with: a figure typed wrong and put right, a row
entered on the wrong vehicle and taken back, a reading below an earlier one that nobody ever
cleared up.
"""

from datetime import date, timedelta

from roadworn_demo.car import Car
from roadworn_demo.drafts import Draft
from roadworn_demo.truth import TRUTH


def exchange_odometer(car: Car, day: date) -> None:
    """The instrument is exchanged for one that has hardly run."""
    old = car.odometer.shows(car.road.at(day))
    car.odometer.exchange(car.road.at(day), 12)
    car.note(
        "odometer_exchange",
        day,
        {
            "old_reading": old,
            "new_reading": 12.0,
            "unit": car.plan.unit,
            "note": "display dead, instrument from stores fitted",
        },
        reading=False,
    )


def add_slips(drafts: dict[str, list[Draft]]) -> None:
    """Work the planted slips into the drafts of their vehicles.

    Args:
        drafts: vehicle id -> its drafts, changed in place.
    """
    odometers = TRUTH.odometers
    _typed_wrong_and_corrected(drafts[odometers.slip_corrected])
    _entered_on_wrong_vehicle(drafts[odometers.entered_on_wrong_vehicle], drafts["bus-5"])
    _lower_left_standing(drafts[odometers.lower_left_standing])


def _typed_wrong_and_corrected(drafts: list[Draft]) -> None:
    """Two figures change places; four days later the right reading replaces the wrong one."""
    wrong = _first(drafts, "odometer_reading", date(2023, 3, 1))
    right = wrong.odometer or 0.0
    figures = f"{right:.0f}"
    wrong.odometer = float(figures[0] + figures[2] + figures[1] + figures[3:])
    if wrong.odometer <= right:
        wrong.odometer = float("9" + figures[1:])
    _insert(
        drafts,
        wrong,
        Draft(
            wrong.vehicle_id,
            "odometer_reading",
            wrong.day,
            {**wrong.payload, "replaces": wrong, "note": "two figures had changed places"},
            right,
            wrong.unit,
            "front desk",
            "typed",
            late=wrong.late + 4,
        ),
    )


def _entered_on_wrong_vehicle(drafts: list[Draft], others: list[Draft]) -> None:
    """A replacement of one bus is entered on another one and taken back the next day."""
    meant = _first(others, "replacement", date(2022, 9, 1))
    near = _first(drafts, "odometer_reading", meant.day - timedelta(days=20))
    slip = Draft(
        near.vehicle_id,
        "replacement",
        meant.day,
        dict(meant.payload),
        None,
        None,
        meant.by,
        "typed",
    )
    _insert(drafts, near, slip)
    _insert(
        drafts,
        slip,
        Draft(
            near.vehicle_id,
            "retraction",
            meant.day + timedelta(days=1),
            {"event": slip, "reason": "was done on bus-5, entered on the wrong vehicle"},
            None,
            None,
            "front desk",
            "typed",
        ),
    )


def _lower_left_standing(drafts: list[Draft]) -> None:
    """A reading some 1,600 below the one before it; nobody ever asked why."""
    before = _first(drafts, "maintenance", date(2022, 4, 1))
    _insert(
        drafts,
        before,
        Draft(
            before.vehicle_id,
            "odometer_reading",
            before.day + timedelta(days=9),
            {"how": "typed", "status": "unknown", "note": "given by the owner on the telephone"},
            (before.odometer or 0.0) - 1_612.0,
            before.unit,
            "front desk",
            "typed",
        ),
    )


def _first(drafts: list[Draft], kind: str, since: date) -> Draft:
    return next(d for d in drafts if d.kind == kind and d.day >= since)


def _insert(drafts: list[Draft], after: Draft, new: Draft) -> None:
    drafts.insert(drafts.index(after) + 1, new)
    for turn, draft in enumerate(drafts):
        draft.turn = turn
