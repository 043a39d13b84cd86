"""Payloads of work: parts replaced, repairs, maintenance, estimates and their answers."""

from typing import Annotated, Literal

from pydantic import Field

from roadworn.kinds.base import (
    ComponentId,
    CostedPayload,
    Count,
    Day,
    Distance,
    DistanceUnit,
    EventId,
    Hours,
    LongText,
    Money,
    Part,
    Payload,
    Position,
    ShortText,
)

ReplacementReason = Literal[
    "failed", "worn_out", "preventive", "damaged", "recall", "upgrade", "unknown"
]


class Replacement(CostedPayload):
    """A part was replaced.

    `along_with` names the job it was taken along with: the old part had not failed then.
    """

    component: ComponentId
    reason: ReplacementReason
    position: Position | None = None
    part_number: ShortText | None = None
    maker: ShortText | None = None
    supplier: ShortText | None = None
    part_kind: Literal["new", "remanufactured", "used", "unknown"] = "unknown"
    quantity: Count = 1
    along_with: ComponentId | None = None
    warranty_months: Annotated[int, Field(ge=0, le=1200)] | None = None
    warranty_distance: Distance | None = None
    warranty_unit: DistanceUnit | None = None


class Repair(CostedPayload):
    """Work without a new part, in the trade's three texts."""

    component: ComponentId
    position: Position | None = None
    complaint: LongText | None = None
    cause: LongText | None = None
    correction: LongText | None = None


class Maintenance(CostedPayload):
    """Service work that is due by plan, such as an oil change."""

    component: ComponentId
    position: Position | None = None
    action: Literal["inspected", "adjusted", "cleaned", "replaced", "filled"] = "replaced"


class EstimateLine(Part):
    """One line of an estimate; `line` numbers it so that an answer can name it."""

    line: Annotated[int, Field(ge=1, le=10_000)]
    component: ComponentId
    amount: Money
    position: Position | None = None
    work: ShortText | None = None
    parts_cost: Money | None = None
    labour_hours: Hours | None = None
    labour_rate: Money | None = None
    safety: bool = False


class Estimate(Payload):
    """What proposed work would cost, line by line."""

    lines: Annotated[tuple[EstimateLine, ...], Field(min_length=1)]
    valid_until: Day | None = None
    note: LongText | None = None


class Decision(Part):
    """The customer's answer to one estimate line."""

    line: Annotated[int, Field(ge=1, le=10_000)]
    decision: Literal["approved", "declined", "deferred"]


class Authorisation(Payload):
    """The answers to an estimate, line by line."""

    estimate: EventId
    decisions: Annotated[tuple[Decision, ...], Field(min_length=1)]
    note: LongText | None = None
