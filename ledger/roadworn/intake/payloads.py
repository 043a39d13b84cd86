"""Payloads on the fast way of an import: validated, written canonically, remembered.

Short payloads repeat: most readings say the same two words, most scans find nothing. One
that was found right once is right again, so its text is kept and looked up. Which payloads
are the same is told by their bytes with sorted keys, so that 1, 1.0 and true stay apart.
"""

from collections.abc import Callable
from typing import Any

import orjson

from roadworn.canonical import canonical_payload
from roadworn.intake.context import components
from roadworn.intake.envelopes import Irregular
from roadworn.intake.rows import payload_problems
from roadworn.intake.shapes import plain_validator
from roadworn.registry import EventKind, KindRegistry

#: Kinds whose rows depend on other events: the store checks them one by one.
_ENTANGLED = frozenset({"enrolment", "retraction", "authorisation"})
_COSTED = frozenset({"replacement", "repair", "maintenance"})
#: Kinds without money and days, so without anything for `payload_problems` to find.
_BARE = frozenset({"odometer_exchange", "complaint"})
#: How long a payload may be, and how many of a kind there may be, to be remembered.
_SHORT, _REMEMBERED = 200, 4_096


#: A payload that was found right: its text as stored; component and position when it is a
#: replacement; whether its row must be checked against other events.
PlainPayload = tuple[str, tuple[str, str | None] | None, bool]


class KindPayloads:
    """Payloads of one kind.

    Attributes:
        version: the kind's current version.
        seen: payloads found right before, by their bytes with sorted keys.
    """

    __slots__ = ("_components", "_name", "_validate", "seen", "version")

    def __init__(
        self,
        kind: EventKind,
        validate: Callable[[Any], dict[str, Any]],
        known: frozenset[str | None],
    ) -> None:
        self.version = kind.version
        self.seen: dict[bytes, PlainPayload] = {}
        self._name = kind.name
        self._validate = validate
        self._components = known

    def check(self, given: object, raw: bytes) -> PlainPayload:
        """Validate a payload that was not seen before; `raw` is its bytes with sorted keys.

        Raises:
            Irregular, ValidationError, KeyError, TypeError: it is not plainly right.
        """
        name, payload = self._name, self._validate(given)
        if not self._plain(payload):
            raise Irregular
        # A plain validator gives sorted keys, so there is nothing left to do but nulls.
        text = orjson.dumps(payload).decode()
        if "null" in text:
            text = canonical_payload(payload)
        replaced = None
        if name == "replacement":
            replaced = (payload["component"], payload.get("position"))
        entangled = name in _ENTANGLED or payload.get("replaces") is not None
        found = (text, replaced, entangled)
        if len(raw) <= _SHORT:
            if len(self.seen) >= _REMEMBERED:
                self.seen.clear()
            self.seen[raw] = found
        return found

    def _plain(self, payload: dict[str, Any]) -> bool:
        """Return whether no part of a valid payload needs a closer look."""
        name, known = self._name, self._components
        if name in _COSTED:
            cost, rate = payload.get("parts_cost"), payload.get("labour_rate")
            if cost and rate and cost["currency"] != rate["currency"]:
                return False
            return payload["component"] in known and payload.get("along_with") in known
        if name in ("odometer_reading", "scan"):
            return True
        if name == "inspection":
            for items in (payload["findings"], payload["sound"], payload["not_checked"]):
                for item in items:
                    if item["component"] not in known:
                        return False
            return True
        if any(component not in known for _, component in components(payload)):
            return False
        return name in _BARE or not payload_problems(payload)


def kind_payloads(kinds: KindRegistry) -> dict[str, KindPayloads]:
    """Return the payloads of each kind that has a plain validator, by name."""
    from roadworn.catalogue import catalogue

    known: frozenset[str | None] = frozenset({None, *(part.id for part in catalogue())})
    return {
        kind.name: KindPayloads(kind, validator.validate_python, known)
        for kind in kinds
        if (validator := plain_validator(kind.model)) is not None
    }
