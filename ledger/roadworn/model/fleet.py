"""What is said of a vehicle in use: its worth, whether it serves, what it uses, its wheels."""

from typing import Annotated, Literal

from pydantic import Field

from roadworn.model.payloads import (
    Clock,
    Day,
    Money,
    Note,
    Part,
    Payload,
    Position,
    ShortText,
    about,
)

#: Days of a standstill; ten years of it is a vehicle that left.
Days = Annotated[float, Field(gt=0, le=3_660)]
EnergyAmount = Annotated[float, Field(gt=0, le=100_000)]
EngineHours = Annotated[float, Field(ge=0, le=1_000_000)]


class Valuation(Payload):
    """Market value of the vehicle as it stands, and where that figure is from."""

    value: Annotated[Money, about("As it stands, '4,200 USD'.", "amount")]
    source: Annotated[ShortText, about("Where the figure is from.")]
    note: Note = None


class Visit(Payload):
    """The vehicle came into the shop, or was handed over again."""

    step: Annotated[Literal["arrived", "handed_over"], about("Came in, or left again.")]
    promised: Annotated[
        Day | None, about("Day for which it was promised, as 2026-05-06, tomorrow or 'mon 4pm'.")
    ] = None
    promised_time: Annotated[
        Clock | None, about("Time of that day by the clock on the wall, 16:00.", "promised")
    ] = None
    note: Note = None


class OutOfService(Payload):
    """The vehicle cannot serve: for some days, until a day, or until it is said to be back."""

    cause: Annotated[
        Literal["repair", "waiting_for_parts", "inspection", "accident", "no_driver", "other"],
        about("Why it stands."),
    ]
    days: Annotated[
        Days | None, about("How many days it stood, where that is known.", shown="NUMBER")
    ] = None
    until: Annotated[Day | None, about("Day it was back in service, where that is known.")] = None
    note: Note = None


class BackInService(Payload):
    """The vehicle serves again."""

    note: Note = None


class Energy(Payload):
    """Fuel or electricity that was put in; a gallon is that of the US, 3.785411784 l."""

    amount: Annotated[EnergyAmount, about("How much, '61.2 l', '18 gal', '42 kWh'.")]
    amount_unit: Annotated[Literal["l", "gal", "kWh", "kg"], about("Its unit.", "amount")]
    cost: Annotated[Money | None, about("What it cost.")] = None
    fill: Annotated[Literal["full", "part"] | None, about("Whether it is full now.")] = None
    note: Note = None


class HoursReading(Payload):
    """The hour meter of the engine, as read."""

    hours: Annotated[EngineHours, about("Hours of the engine, as read.")]
    note: Note = None


class WheelMove(Part):
    """A wheel with its tire that went from one place to another."""

    from_place: Position
    to_place: Position


class Wheels(Payload):
    """Wheels were rotated, or a set was put on in the place of another.

    `moves` of a rotation are a permutation of places. Of a swap `fitted` names the set that went
    on and `stored` the one that came off, whose tires have no distance while they lie.
    """

    action: Annotated[Literal["rotated", "swapped"], about("What was done.")]
    moves: Annotated[tuple[WheelMove, ...], about("Which wheel went where.")] = ()
    fitted: Annotated[ShortText | None, about("Name of the set that went on.", shown="SET")] = None
    stored: Annotated[ShortText | None, about("Name of the set that came off.", shown="SET")] = None
    storage: Annotated[ShortText | None, about("Where that one lies.", shown="PLACE")] = None
    note: Note = None
