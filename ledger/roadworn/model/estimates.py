"""What proposed work would cost, line by line, and the customer's answer: two kinds of event."""

from typing import Annotated, Literal

from pydantic import Field

from roadworn.model.events import EventId
from roadworn.model.payloads import (
    ComponentId,
    Count,
    Day,
    Hours,
    LineNumber,
    Money,
    Note,
    Part,
    Payload,
    Position,
    ShortText,
    about,
)

TermsText = Annotated[str, Field(min_length=1, max_length=5_000)]
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
    deposits, and stand among the `pieces`. A line of a revision that repeats an answered one
    unchanged names it (`as_in`, `as_line`), and the answer holds here too.
    """

    line: LineNumber
    component: ComponentId
    amount: Money
    position: Position | None = None
    work: ShortText | None = None
    parts_cost: Money | None = None
    labour_hours: Hours | None = None
    labour_rate: Money | None = None
    safety: bool = False
    pieces: tuple[EstimatePiece, ...] | None = None
    as_in: EventId | None = None
    as_line: LineNumber | None = None


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

    `fees` are those on no single line; `terms` is the shop's own text that went with it. A
    revision names the estimate whose place it takes: that was told and stays in the ledger.
    """

    lines: Annotated[tuple[EstimateLine, ...], Field(min_length=1), about("Its lines.")]
    valid_until: Annotated[Day | None, about("Last day it holds.")] = None
    note: Note = None
    fees: Annotated[tuple[EstimatePiece, ...] | None, about("Fees on no single line.")] = None
    totals: Annotated[EstimateTotals | None, about("What it comes to as a whole.")] = None
    terms: Annotated[TermsText | None, about("The shop's own text that went with it.")] = None
    revises: Annotated[
        EventId | None, about("The estimate that it takes the place of.", shown="EVENT")
    ] = None


class Decision(Part):
    """The customer's answer to one estimate line."""

    line: LineNumber
    decision: Literal["approved", "declined", "deferred"]


class Authorisation(Payload):
    """The answers to an estimate, line by line."""

    estimate: EventId
    decisions: Annotated[tuple[Decision, ...], Field(min_length=1), about("The answers.")]
    note: Note = None
