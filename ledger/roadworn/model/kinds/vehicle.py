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
    Note,
    Part,
    Payload,
    ShortText,
    about,
)


class Retraction(Payload):
    """Names an event that should not count, and why."""

    event: EventId
    reason: Annotated[LongText, about("Why it should not count.")]


class OdometerReading(Payload):
    """A reading; status words follow the US odometer disclosure rule, 49 CFR 580.5."""

    how: Annotated[Literal["dash", "module", "typed", "estimated"], about("Where it was read.")] = (
        "typed"
    )
    status: Annotated[
        Literal["actual", "exceeds_mechanical_limits", "not_actual", "unknown"],
        about("What the figure stands for (49 CFR 580.5)."),
    ] = "unknown"
    note: Note = None


class OdometerExchange(Payload):
    """The instrument was exchanged: the last figure of the old and the first of the new."""

    old_reading: Annotated[Distance, about("Last figure of the old one.", "old", "FIGURE")]
    new_reading: Annotated[Distance, about("First figure of the new one.", "new", "FIGURE")]
    unit: DistanceUnit
    note: Note = None


Originality = Literal["original", "mixed", "unknown"]
Vin = Annotated[str, Field(min_length=1, max_length=25)]
Year = Annotated[int, Field(ge=1900, le=2100)]
Digits = Annotated[int, Field(ge=4, le=8)]


class ProfileFields(Part):
    """What describes a vehicle; every field may be unknown."""

    label: Annotated[ShortText | None, about("What people call it.")] = None
    vin: Annotated[Vin | None, about("Its identification number.", shown="VIN")] = None
    make: Annotated[ShortText | None, about("Who made it.", shown="NAME")] = None
    model: Annotated[ShortText | None, about("Its model.", shown="NAME")] = None
    model_year: Annotated[Year | None, about("Its model year.", "year", "YEAR")] = None
    vehicle_class: Annotated[
        ShortText | None, about("Vehicles whose parts live alike share a class.", "class")
    ] = None
    engine: Annotated[ShortText | None, about("Its engine.")] = None
    gearbox: Annotated[ShortText | None, about("Its gearbox.")] = None
    fuel: Annotated[ShortText | None, about("What it burns.")] = None
    weight_class: Annotated[
        ShortText | None, about("Its gross weight: 36,000 lb, class 8, light or heavy.")
    ] = None
    duty: Annotated[ShortText | None, about("What it is used for.")] = None
    in_service_date: Annotated[Day | None, about("First day of its service.", "in-service")] = None
    odometer_digits: Annotated[
        Digits | None, about("Whole digits of its odometer.", shown="4-8")
    ] = None
    owner_reference: Annotated[
        ShortText | None,
        about("Reference of its owner; never a name or a number.", "owner", "REF"),
    ] = None


class Enrolment(Payload, ProfileFields):
    """A vehicle comes under this ledger's eye.

    `parts` says whether the fitted parts are known to be those it left the factory with:
    only then may their lives be counted from zero.
    """

    parts: Annotated[
        Originality, about("Whether the fitted parts are those it left the factory with.")
    ] = "unknown"
    note: Note = None


class ProfileChange(Payload, ProfileFields):
    """Some of the profile has changed; fields left out stay as they were."""

    note: Note = None


class Valuation(Payload):
    """Market value of the vehicle as it stands, and where that figure is from."""

    value: Annotated[Money, about("As it stands, '4,200 USD'.", "amount")]
    source: Annotated[ShortText, about("Where the figure is from.")]
    note: Note = None


class InspectionResult(Payload):
    """Outcome of an official safety or emission inspection."""

    inspection: Annotated[
        Literal["safety", "emission", "combined"], about("Which official inspection.")
    ]
    result: Annotated[Literal["pass", "fail", "reject", "not_tested"], about("Its outcome.")]
    due_date: Annotated[Day | None, about("When the next one is due.", "due")] = None
    station: Annotated[ShortText | None, about("Who inspected it.", shown="REF")] = None
    fee: Annotated[Money | None, about("What it cost.")] = None
    items: Annotated[tuple[ShortText, ...], about("An item it failed on.", "item")] = ()
    note: Note = None


class Retirement(Payload):
    """The vehicle leaves: its parts stop being observed at its last reading."""

    reason: Annotated[Literal["sold", "scrapped", "written_off", "returned"], about("How it left.")]
    price: Annotated[Money | None, about("What it brought.")] = None
    note: Note = None
