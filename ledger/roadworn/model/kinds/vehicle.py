"""Payloads of the vehicle itself: description, odometer, worth, leaving; and what is taken back."""

from typing import Annotated, Literal

from pydantic import Field

from roadworn.model.kinds.base import (
    Day,
    Distance,
    DistanceUnit,
    EventId,
    LongText,
    Money,
    Part,
    Payload,
    ShortText,
)


class Retraction(Payload):
    """Names an event that should not count, and why."""

    event: EventId
    reason: LongText


class OdometerReading(Payload):
    """A reading; status words follow the US odometer disclosure rule, 49 CFR 580.5."""

    how: Literal["dash", "module", "typed", "estimated"] = "typed"
    status: Literal["actual", "exceeds_mechanical_limits", "not_actual", "unknown"] = "unknown"
    note: LongText | None = None


class OdometerExchange(Payload):
    """The instrument was exchanged: the last figure of the old and the first of the new."""

    old_reading: Distance
    new_reading: Distance
    unit: DistanceUnit
    note: LongText | None = None


Originality = Literal["original", "mixed", "unknown"]


class ProfileFields(Part):
    """What describes a vehicle; every field may be unknown."""

    label: ShortText | None = None
    vin: Annotated[str, Field(min_length=1, max_length=25)] | None = None
    make: ShortText | None = None
    model: ShortText | None = None
    model_year: Annotated[int, Field(ge=1900, le=2100)] | None = None
    vehicle_class: ShortText | None = None
    engine: ShortText | None = None
    gearbox: ShortText | None = None
    fuel: ShortText | None = None
    weight_class: ShortText | None = None
    duty: ShortText | None = None
    in_service_date: Day | None = None
    odometer_digits: Annotated[int, Field(ge=4, le=8)] | None = None
    owner_reference: ShortText | None = None


class Enrolment(Payload, ProfileFields):
    """A vehicle comes under this ledger's eye.

    `parts` says whether the fitted parts are known to be those it left the factory with:
    only then may their lives be counted from zero.
    """

    parts: Originality = "unknown"
    note: LongText | None = None


class ProfileChange(Payload, ProfileFields):
    """Some of the profile has changed; fields left out stay as they were."""

    note: LongText | None = None


class Valuation(Payload):
    """Market value of the vehicle as it stands, and where that figure is from."""

    value: Money
    source: ShortText
    note: LongText | None = None


class InspectionResult(Payload):
    """Outcome of an official safety or emission inspection."""

    inspection: Literal["safety", "emission", "combined"]
    result: Literal["pass", "fail", "reject", "not_tested"]
    due_date: Day | None = None
    station: ShortText | None = None
    fee: Money | None = None
    items: tuple[ShortText, ...] = ()
    note: LongText | None = None


class Retirement(Payload):
    """The vehicle leaves: its parts stop being observed at its last reading."""

    reason: Literal["sold", "scrapped", "written_off", "returned"]
    price: Money | None = None
    note: LongText | None = None
