"""The payload that takes another event back without rewriting it."""

from roadworn.kinds.base import EventId, LongText, Payload


class Retraction(Payload):
    """Names an event that should not count, and why."""

    event: EventId
    reason: LongText
