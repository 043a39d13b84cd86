"""Payloads of looking: the look-over, the scan, and what the customer says."""

from typing import Annotated, Literal

from pydantic import Field

from roadworn.model.kinds.base import (
    ComponentId,
    Condition,
    Distance,
    DistanceUnit,
    ItemRef,
    LongText,
    Measurement,
    Note,
    Part,
    Payload,
    Position,
    ShortText,
    about,
)


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

    findings: tuple[Finding, ...] = ()
    sound: tuple[ItemRef, ...] = ()
    not_checked: tuple[ItemRef, ...] = ()
    rest: Literal["sound", "not_checked"] | None = None
    sheet: ShortText | None = None
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

    modules: tuple[ScannedModule, ...]
    lamp: Literal["on", "off"] | None = None
    readiness: Annotated[str, Field(pattern=r"^[0-9A-F]{8}$")] | None = None
    distance_since_clear: Distance | None = None
    distance_unit: DistanceUnit | None = None
    warm_ups_since_clear: Annotated[int, Field(ge=0, le=255)] | None = None
    raw: LongText | None = None
    note: Note = None


class Complaint(Payload):
    """What the customer says, what was found to cause it, and what was done and verified."""

    complaint: Annotated[LongText, about("In the customer's words.", "text")]
    cause: Annotated[LongText | None, about("What was found to cause it.")] = None
    correction: Annotated[LongText | None, about("What was done, and how it was verified.")] = None
    component: Annotated[ComponentId | None, about("The component it came from.")] = None
    position: Position | None = None
