"""Payloads about the odometer. The figure itself stands in the envelope."""

from typing import Literal

from roadworn.kinds.base import Distance, DistanceUnit, LongText, Payload


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
