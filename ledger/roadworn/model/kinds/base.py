"""Types that payloads of several kinds share.

A payload is what was seen or done; the envelope (`roadworn.model.events`) says when, to which
vehicle and by whom. Models are frozen and strict, refuse unknown fields and NaN, so that
what is stored means the same on every later day.
"""

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

ComponentId = Annotated[
    str, Field(pattern=r"^[a-z][a-z0-9_]{0,30}\.[a-z0-9_]{1,50}$", description="`system.part`")
]
Position = Annotated[
    str, Field(min_length=1, max_length=24, description="where on the vehicle, for instance LF")
]
EventId = Annotated[str, Field(pattern=r"^[0-9a-f-]{36}$", description="a UUID")]
Day = Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$", description="an ISO date")]
ShortText = Annotated[str, Field(min_length=1, max_length=200)]
# A note may be anything a person pastes; it is stored as is and shown escaped.
LongText = Annotated[str, Field(min_length=1, max_length=16_000_000)]
DistanceUnit = Literal["km", "mi"]
Count = Annotated[int, Field(ge=1, le=10_000)]
Hours = Annotated[float, Field(ge=0, le=10_000)]
Distance = Annotated[float, Field(ge=0, le=10_000_000)]
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


class Part(BaseModel):
    """Base of the value objects inside payloads."""

    model_config = STRICT


class Money(Part):
    """An amount as a decimal text with its ISO 4217 currency code; never a binary float."""

    amount: Annotated[str, Field(pattern=r"^-?[0-9]{1,12}(\.[0-9]{1,4})?$")]
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]

    @property
    def decimal(self) -> Decimal:
        """The amount as a Decimal."""
        return Decimal(self.amount)


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


class CostedPayload(Payload):
    """Work with its parts and labour. `parts_cost` is for the whole quantity."""

    parts_cost: Annotated[
        Money | None, about("Cost of the parts, all of them together.", "price")
    ] = None
    labour_hours: Annotated[Hours | None, about("Labour hours.", "hours", "HOURS")] = None
    labour_rate: Annotated[Money | None, about("Labour rate for an hour.", "rate")] = None
    work_order: Annotated[ShortText | None, about("Work order number.", "order")] = None
    note: Note = None
