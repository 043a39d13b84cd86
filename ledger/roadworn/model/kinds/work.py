"""Payloads of work: parts replaced, repairs, maintenance, estimates and their answers."""

from typing import Annotated, Literal

from pydantic import Field

from roadworn.model.kinds.base import (
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
    Note,
    Part,
    Payload,
    Position,
    ShortText,
    about,
)

ReplacementReason = Literal[
    "failed", "worn_out", "preventive", "damaged", "recall", "upgrade", "unknown"
]


Months = Annotated[int, Field(ge=0, le=1200)]
WorkedOn = Annotated[ComponentId, about("Component and place, 'wheel bearing LF'.")]


class Replacement(CostedPayload):
    """A part was replaced.

    `along_with` names the job it was taken along with: the old part had not failed then.
    """

    component: WorkedOn
    reason: Annotated[ReplacementReason, about("Why.")]
    position: Position | None = None
    part_number: Annotated[ShortText | None, about("Of the new part.")] = None
    maker: Annotated[ShortText | None, about("Who made the new part.", shown="NAME")] = None
    supplier: Annotated[ShortText | None, about("Who sold it.", shown="NAME")] = None
    part_kind: Annotated[
        Literal["new", "remanufactured", "used", "unknown"],
        about("What the new part is; the age of a used one is unknown."),
    ] = "unknown"
    quantity: Annotated[Count, about("How many of them.")] = 1
    along_with: Annotated[
        ComponentId | None, about("The job it was taken along with: it had not failed.")
    ] = None
    warranty_months: Annotated[
        Months | None, about("Of the new part, '24 months 24000 mi'.", "warranty", "TEXT")
    ] = None
    warranty_distance: Annotated[Distance | None, about("", "warranty")] = None
    warranty_unit: Annotated[DistanceUnit | None, about("", "warranty")] = None


class Repair(CostedPayload):
    """Work without a new part, in the trade's three texts."""

    component: WorkedOn
    position: Position | None = None
    complaint: Annotated[LongText | None, about("What was complained of.")] = None
    cause: Annotated[LongText | None, about("What caused it.")] = None
    correction: Annotated[LongText | None, about("What was done.")] = None


class Maintenance(CostedPayload):
    """Service work that is due by plan, such as an oil change."""

    component: WorkedOn
    position: Position | None = None
    action: Annotated[
        Literal["inspected", "adjusted", "cleaned", "replaced", "filled"], about("What was done.")
    ] = "replaced"


ChargeKind = Literal["labour", "parts", "core", "supplies", "sublet", "fee"]
Percent = Annotated[
    str, Field(pattern=r"^[0-9]{1,4}(\.[0-9]{1,4})?$", description="a decimal number of a hundred")
]


class EstimatePiece(Part):
    """One piece of the working of a line, or a fee on the whole estimate.

    `amount` is what is charged for it: hours by rate, or the price made from `cost`, the shop's
    own. `hours` are by the book and after `overlap` with another job; `clock_hours` are those
    that it took, and are never charged from.
    """

    kind: Literal["labour", "parts", "core", "sublet", "fee", "flat"]
    amount: Money
    name: ShortText | None = None
    hours: Hours | None = None
    overlap: Hours | None = None
    clock_hours: Hours | None = None
    rate: Money | None = None
    cost: Money | None = None
    quantity: Count | None = None


class EstimateLine(Part):
    """One line of an estimate; `line` numbers it so that an answer can name it.

    `amount` is the cost of the job before supplies and tax, without core charges: they are
    deposits, and stand among the `pieces`.
    """

    line: Annotated[int, Field(ge=1, le=10_000)]
    component: ComponentId
    amount: Money
    position: Position | None = None
    work: ShortText | None = None
    parts_cost: Money | None = None
    labour_hours: Hours | None = None
    labour_rate: Money | None = None
    safety: bool = False
    pieces: tuple[EstimatePiece, ...] | None = None


class EstimateTotals(Part):
    """What an estimate comes to by the shop's terms of its day, and the terms that made it so.

    `taxed` is the sum that the tax was taken of, `taxed_kinds` what was in it. The percents are
    kept, so that a part of the lines can be added up by the same terms later.
    """

    total: Money
    after_core_return: Money
    supplies: Money | None = None
    supplies_percent: Percent | None = None
    supplies_cap: Money | None = None
    tax: Money | None = None
    taxed: Money | None = None
    tax_percent: Percent | None = None
    taxed_kinds: tuple[ChargeKind, ...] | None = None
    core_deposit: bool = True
    consent_percent: Percent


class Estimate(Payload):
    """What proposed work would cost, line by line, and by a shop's terms as a whole.

    `fees` are those on no single line; `terms` is the shop's own text that went with it.
    """

    lines: Annotated[tuple[EstimateLine, ...], Field(min_length=1)]
    valid_until: Day | None = None
    note: Note = None
    fees: tuple[EstimatePiece, ...] | None = None
    totals: EstimateTotals | None = None
    terms: Annotated[str, Field(min_length=1, max_length=5_000)] | None = None


class Decision(Part):
    """The customer's answer to one estimate line."""

    line: Annotated[int, Field(ge=1, le=10_000)]
    decision: Literal["approved", "declined", "deferred"]


class Authorisation(Payload):
    """The answers to an estimate, line by line."""

    estimate: EventId
    decisions: Annotated[tuple[Decision, ...], Field(min_length=1)]
    note: Note = None
