"""What each kind of event says: the payload models, every field with what it is.

A payload is what was seen or done; the envelope (`roadworn.model.events`) says when, to which
vehicle and by whom. Models are frozen and strict, so that what is stored means the same later.
Options, fields of a map and types of columns are made from the fields (`kinds.fields_of`).
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from roadworn.model.events import DistanceUnit, EventId

ComponentId = Annotated[
    str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}\.[a-z0-9_]{1,50}$", description="`system.part`")
]
Position = Annotated[str, Field(min_length=1, max_length=24, description="where, as in LF")]
Day = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$", description="an ISO date")]
Clock = Annotated[
    str, Field(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$", description="a time, 16:00")
]
#: Marks a text that a person writes freely, which may say who somebody is.
FREE = "written freely"
ShortText = Annotated[str, Field(min_length=1, max_length=200), FREE]
#: A number, a reference or a description from a list: its digits are no telephone's.
PlainText = Annotated[str, Field(min_length=1, max_length=200)]
# A note may be anything a person pastes; it is stored as is and shown escaped.
LongText = Annotated[str, Field(min_length=1, max_length=16_000_000), FREE]
ReadOut = Annotated[str, Field(min_length=1, max_length=16_000_000)]
Count = Annotated[int, Field(ge=1, le=10_000)]
Hours = Annotated[float, Field(ge=0, le=10_000)]
Distance = Annotated[float, Field(ge=0, le=10_000_000)]
Rest = Literal["sound", "not_checked"]
Lamp = Literal["on", "off"]
Drive = Literal["front", "rear", "all"]
BrakeKind = Literal["disc", "drum", "air_disc", "air_drum"]
Use = Literal["daily", "errands", "weekend", "work", "long_trips", "to_be_sold"]
ReadinessBytes = Annotated[str, Field(pattern=r"^[0-9A-F]{8}$")]
WarmUps = Annotated[int, Field(ge=0, le=255)]
Originality = Literal["original", "mixed", "unknown"]
Vin = Annotated[str, Field(min_length=1, max_length=25)]
Year = Annotated[int, Field(ge=1900, le=2100)]
Digits = Annotated[int, Field(ge=4, le=8)]
Condition = Literal["sound", "wearing", "failed", "not_checked"]

# Validators are built when a kind is first used: a command that writes one event would wait
# 20 ms for those of all the others.
STRICT = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False, defer_build=True)


def about(help: str, option: str = "", shown: str = "") -> Any:  # noqa: A002, ANN401
    """Describe a field once for everybody who asks for it; `fields_of` reads it.

    Args:
        help: what it is, one sentence; the words it may be are not repeated in it.
        option: its name where people type it, where that is not the stored one.
        shown: what stands for its value in help, where its type says too little.
    """
    return Field(description=help, json_schema_extra={"option": option, "shown": shown})


Note = Annotated[LongText | None, about("Anything worth keeping.")]
#: A place that is typed in one phrase with its component.
TypedPlace = Annotated[Position | None, about("Where it sits.", "component")]


class Part(BaseModel):
    """Base of the value objects inside payloads."""

    model_config = STRICT


class Money(Part):
    """An amount as a decimal text with its ISO 4217 currency code; never a binary float."""

    amount: Annotated[str, Field(pattern=r"^-?[0-9]{1,12}(\.[0-9]{1,4})?$")]
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]


class Measurement(Part):
    """A measured value with the unit it was read in."""

    value: float
    unit: Annotated[str, Field(min_length=1, max_length=12)]
    name: ShortText | None = None


class ItemRef(Part):
    """A component, and where it sits when the vehicle has several."""

    component: ComponentId
    position: Position | None = None


class Payload(BaseModel):
    """Base of every payload. `replaces` names the event that this one corrects."""

    model_config = STRICT

    replaces: EventId | None = None


LineNumber = Annotated[int, Field(ge=1, le=10_000)]
Amount = Annotated[float, Field(gt=0, le=10_000)]
FluidUnit = Literal["l", "ml", "qt", "pt", "gal", "oz", "kg", "lb"]


class CostedPayload(Payload):
    """Work with its parts and labour. `parts_cost` is for the whole quantity.

    `labour_hours` are those charged for, `clocked_hours` those that it took. `estimate` and
    `estimate_line` name what it was agreed by; `tests` are those that the work asked for, open
    until each is recorded.
    """

    parts_cost: Annotated[
        Money | None, about("Cost of the parts, all of them together.", "price")
    ] = None
    labour_hours: Annotated[Hours | None, about("Labour hours.", "hours", "HOURS")] = None
    labour_rate: Annotated[Money | None, about("Labour rate for an hour.", "rate")] = None
    other_cost: Annotated[
        Money | None,
        about("Cost besides parts and hours: sublet work, a fee, a price as a whole.", "other"),
    ] = None
    clocked_hours: Annotated[Hours | None, about("Hours by the clock.", "clocked", "HOURS")] = None
    done_by: Annotated[ShortText | None, about("Initials of who did it.", shown="NAME")] = None
    depot: Annotated[
        PlainText | None, about("Where it was done, if not at its own depot.", shown="NAME")
    ] = None
    fluid: Annotated[
        ShortText | None, about("Grade of the fluid put in, and how much: '5W-30 4.8 qt'.")
    ] = None
    fluid_amount: Annotated[Amount | None, about("How much of it.", "fluid")] = None
    fluid_unit: Annotated[FluidUnit | None, about("Unit of that amount.", "fluid")] = None
    estimate: Annotated[
        EventId | None, about("The estimate that it was agreed by.", shown="EVENT")
    ] = None
    estimate_line: Annotated[LineNumber | None, about("Which line of it.", "line")] = None
    tests: Annotated[tuple[ShortText, ...] | None, about("A test it asks for.", "test")] = None
    work_order: Annotated[ShortText | None, about("Work order number.", "order")] = None
    note: Note = None


# The vehicle itself: description, odometer, worth, leaving; and what is taken back.


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
    unit: Annotated[DistanceUnit, about("Of both figures.", "old")]
    note: Note = None


class ProfileFields(Part):
    """What describes a vehicle; every field may be unknown."""

    label: Annotated[ShortText | None, about("What people call it.")] = None
    vin: Annotated[Vin | None, about("Its identification number.", shown="VIN")] = None
    make: Annotated[PlainText | None, about("Who made it.", shown="NAME")] = None
    model: Annotated[PlainText | None, about("Its model.", shown="NAME")] = None
    model_year: Annotated[Year | None, about("Its model year.", "year", "YEAR")] = None
    vehicle_class: Annotated[
        PlainText | None, about("Vehicles whose parts live alike share a class.", "class")
    ] = None
    engine: Annotated[PlainText | None, about("Its engine.")] = None
    gearbox: Annotated[PlainText | None, about("Its gearbox.")] = None
    fuel: Annotated[ShortText | None, about("What it burns, or electric.")] = None
    drive: Annotated[Drive | None, about("Which wheels are driven.")] = None
    front_brakes: Annotated[BrakeKind | None, about("What brakes it at the front.")] = None
    rear_brakes: Annotated[BrakeKind | None, about("What brakes it at the rear.")] = None
    weight_class: Annotated[
        PlainText | None, about("Its gross weight: 36,000 lb, class 8, light or heavy.")
    ] = None
    duty: Annotated[ShortText | None, about("What it is used for.")] = None
    use: Annotated[Use | None, about("What its owner needs it for.")] = None
    inspected_by: Annotated[
        PlainText | None,
        about("Rule set of its official inspection, or none where none is asked for."),
    ] = None
    depot: Annotated[PlainText | None, about("Where it is based.", shown="NAME")] = None
    purchase_price: Annotated[Money | None, about("What it cost when it was bought.")] = None
    purchase_date: Annotated[Day | None, about("Day on which it was bought.")] = None
    in_service_date: Annotated[Day | None, about("First day of its service.", "in-service")] = None
    records_since: Annotated[
        Day | None, about("Day from which all work on it is on record; else its enrolment.")
    ] = None
    odometer_digits: Annotated[
        Digits | None, about("Whole digits of its odometer.", shown="4-8")
    ] = None
    owner_reference: Annotated[
        PlainText | None,
        about("Reference of its owner; never a name or a number.", "owner", "REF"),
    ] = None


class Enrolment(Payload, ProfileFields):
    """A vehicle comes under this ledger's eye.

    `parts` says whether the fitted parts are known to be those it left the factory with:
    only then may their lives be counted from zero.
    """

    parts: Annotated[
        Originality, about("Whether the parts are known to be those it left the factory with.")
    ] = "unknown"
    note: Note = None


class ProfileChange(Payload, ProfileFields):
    """Some of the profile has changed; fields left out stay as they were."""

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


class Merge(Payload):
    """The record of this vehicle is that of another: both are one vehicle, until taken back."""

    into: Annotated[PlainText, about("The vehicle that it is.", shown="VEHICLE")]
    note: Note = None


class Retirement(Payload):
    """The vehicle leaves: its parts stop being observed at its last reading."""

    reason: Annotated[Literal["sold", "scrapped", "written_off", "returned"], about("How it left.")]
    price: Annotated[Money | None, about("What it brought.")] = None
    note: Note = None


# Looking: the look-over, the scan, and what the customer says.


class Finding(Part):
    """What was found at one component. `safety` marks a component whose failure can hurt."""

    component: ComponentId
    condition: Condition
    position: Position | None = None
    measurements: tuple[Measurement, ...] = ()
    safety: bool = False
    note: Note = None


class Inspection(Payload):
    """A look-over.

    `sound` lists items looked at with nothing to say; `rest` says what holds for every item
    of the sheet not named: looked at and sound, or not checked. The two are never the same.
    """

    findings: Annotated[tuple[Finding, ...], about("What was found.")] = ()
    sound: Annotated[tuple[ItemRef, ...], about("Items looked at and sound.")] = ()
    not_checked: Annotated[tuple[ItemRef, ...], about("Items nobody looked at.")] = ()
    rest: Annotated[Rest | None, about("What holds for every item not named.")] = None
    sheet: Annotated[ShortText | None, about("The sheet that was looked through.")] = None
    note: Note = None


class TroubleCode(Part):
    """A trouble code as read.

    `failure_type` is the third byte of a code, `status_byte` that of ISO 14229-1, `count` the
    occurrences of a heavy vehicle's fault, `words` how the reader describes it. `previous` is a
    fault that was active once and is not now.
    """

    code: Annotated[str, Field(min_length=4, max_length=24)]
    status: Literal["stored", "pending", "permanent", "previous"] = "stored"
    failure_type: Annotated[str, Field(pattern=r"^[0-9A-F]{2}$")] | None = None
    status_byte: Annotated[str, Field(pattern=r"^[0-9A-F]{2}$")] | None = None
    count: Annotated[int, Field(ge=0, le=126)] | None = None
    words: ShortText | None = None


class ScannedModule(Part):
    """One control module's answer. A failed read is a different fact from no codes.

    `lists` names the lists that were read, all of them when it is not there: what was active
    before says nothing of what is active now.
    """

    name: ShortText = "engine"
    outcome: Literal["read", "failed"] = "read"
    codes: tuple[TroubleCode, ...] = ()
    lists: tuple[Literal["stored", "pending", "permanent", "previous"], ...] | None = None


class Scan(Payload):
    """A read-out of the diagnostic socket."""

    modules: Annotated[tuple[ScannedModule, ...], about("The modules that were asked.")]
    lamp: Annotated[Lamp | None, about("What the malfunction lamp is commanded to be.")] = None
    readiness: Annotated[ReadinessBytes | None, about("Its four bytes, hexadecimal.")] = None
    distance_since_clear: Annotated[Distance | None, about("Since codes were cleared.")] = None
    distance_unit: Annotated[DistanceUnit | None, about("Unit of that distance.")] = None
    warm_ups_since_clear: Annotated[WarmUps | None, about("Since codes were cleared.")] = None
    raw: Annotated[ReadOut | None, about("What the vehicle answered, as read.")] = None
    note: Note = None


class Complaint(Payload):
    """What the customer says, what was found to cause it, and what was done and verified."""

    complaint: Annotated[LongText, about("In the customer's words.", "text")]
    cause: Annotated[LongText | None, about("What was found to cause it.")] = None
    correction: Annotated[LongText | None, about("What was done, and how it was verified.")] = None
    component: Annotated[ComponentId | None, about("The component it came from.")] = None
    position: TypedPlace = None


class Photograph(Payload):
    """A photograph that lies beside the ledger, named by the digest of its bytes.

    The picture itself can be erased on request; its event stays.
    """

    digest: Annotated[
        Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")],
        about("SHA-256 of its bytes, hexadecimal."),
    ]
    media: Annotated[Literal["image/jpeg", "image/png", "image/webp"], about("What file it is.")]
    size: Annotated[Annotated[int, Field(ge=1)], about("Its bytes.")]
    component: Annotated[ComponentId | None, about("What it shows.")] = None
    position: TypedPlace = None
    note: Note = None


# Work: parts replaced, repairs, maintenance. What work would cost is in `estimates`.


ReplacementReason = Literal[
    "failed", "worn_out", "preventive", "damaged", "recall", "upgrade", "unknown"
]
ComebackOf = Annotated[
    EventId | None, about("The earlier job that this is a comeback of.", shown="EVENT")
]
ComebackCause = Annotated[
    Literal["part", "workmanship", "customer_part", "unknown"] | None,
    about("What made it come back; customer_part is one that the customer brought."),
]
Months = Annotated[int, Field(ge=0, le=1200)]
WorkedOn = Annotated[ComponentId, about("Component and place, 'wheel bearing LF'.")]


class Replacement(CostedPayload):
    """A part was replaced.

    `along_with` names the job it was taken along with: the old part had not failed then.
    """

    component: WorkedOn
    reason: Annotated[ReplacementReason, about("Why.")]
    position: TypedPlace = None
    part_number: Annotated[PlainText | None, about("Of the new part.")] = None
    maker: Annotated[ShortText | None, about("Who made the new part.", shown="NAME")] = None
    supplier: Annotated[ShortText | None, about("Who sold it.", shown="NAME")] = None
    part_kind: Annotated[
        Literal["new", "remanufactured", "used", "unknown"],
        about("What the new part is; the age of a used one is unknown."),
    ] = "unknown"
    part_source: Annotated[
        Literal["bought", "stock", "customer"] | None,
        about("Where the part came from; customer is one that the customer brought.", "source"),
    ] = None
    quantity: Annotated[Count, about("How many of them.")] = 1
    along_with: Annotated[
        ComponentId | None, about("The job it was taken along with: it had not failed.")
    ] = None
    warranty_months: Annotated[
        Months | None, about("Of the new part, '24 months 24000 mi'.", "warranty", "TEXT")
    ] = None
    warranty_distance: Annotated[Distance | None, about("How far.", "warranty")] = None
    warranty_unit: Annotated[DistanceUnit | None, about("Its unit.", "warranty")] = None
    comeback_of: ComebackOf = None
    comeback_cause: ComebackCause = None


class Repair(CostedPayload):
    """Work without a new part, in the trade's three texts."""

    component: WorkedOn
    position: TypedPlace = None
    complaint: Annotated[LongText | None, about("What was complained of.")] = None
    cause: Annotated[LongText | None, about("What caused it.")] = None
    correction: Annotated[LongText | None, about("What was done.")] = None
    comeback_of: ComebackOf = None
    comeback_cause: ComebackCause = None


class Maintenance(CostedPayload):
    """Service work that is due by plan, such as an oil change."""

    component: WorkedOn
    position: TypedPlace = None
    action: Annotated[
        Literal["inspected", "adjusted", "cleaned", "replaced", "filled", "done"],
        about("What was done; done is for a service of no one part."),
    ] = "replaced"


class WorkTest(Payload):
    """A test after work, and its outcome; it closes what work asked for."""

    test: Annotated[ShortText, about("Which test, 'test drive'.")]
    result: Annotated[Literal["passed", "failed"], about("Its outcome.")]
    note: Note = None
