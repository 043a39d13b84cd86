"""Payloads on the fast way of an import: validated, written canonically, remembered.

Short payloads repeat: most readings say the same two words, most scans find nothing. One
that was found right once is right again, so its text is kept and looked up. Which payloads
are the same is told by their bytes with sorted keys, so that 1, 1.0 and true stay apart.
"""

from collections.abc import Callable
from typing import Any

import orjson

from roadworn.bench.bounds import BOUNDED
from roadworn.bench.currencies import currency_codes
from roadworn.canonical import canonical_payload
from roadworn.intake.context import components
from roadworn.intake.envelopes import Irregular
from roadworn.intake.rows import payload_problems
from roadworn.intake.second_look import DAYS, TEXTS, may_be_odd, payload_doubts
from roadworn.intake.shapes import plain_validator
from roadworn.intake.slips import code_slip, measured_slip, place_slip, slips
from roadworn.registry import EventKind, KindRegistry
from roadworn.units import CANONICAL_UNITS

#: Kinds whose rows depend on other events: the store checks them one by one.
_ENTANGLED = frozenset({"enrolment", "retraction", "authorisation"})
_COSTED = frozenset({"replacement", "repair", "maintenance"})
#: Kinds without money and days, so without anything for `payload_problems` to find.
_BARE = frozenset({"odometer_exchange", "complaint"})
#: How long a payload may be, and how many of a kind there may be, to be remembered.
_SHORT, _REMEMBERED = 200, 4_096


#: (code, message, hint, column) of what is odd in a payload.
DoubtTuple = tuple[str, str, str, str]
#: A payload that was found right: its text as stored; component and position when it is a
#: replacement; whether its row must be checked against other events; what is odd in it.
PlainPayload = tuple[str, tuple[str, str | None] | None, bool, tuple[DoubtTuple, ...]]


class KindPayloads:
    """Payloads of one kind.

    Attributes:
        version: the kind's current version.
        seen: payloads found right before, by their bytes with sorted keys.
    """

    __slots__ = (
        "_components",
        "_looked_at",
        "_money",
        "_name",
        "_validate",
        "seen",
        "version",
    )

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
        self._money = currency_codes()
        looked_at = (*TEXTS, *DAYS, *(("findings",) if kind.name == "inspection" else ()))
        self._looked_at = tuple(field for field in looked_at if field in kind.model.model_fields)

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
        odd: tuple[DoubtTuple, ...] = ()
        for field in self._looked_at:
            if payload.get(field) and (field != "findings" or may_be_odd(payload)):
                odd = doubt_tuples(name, payload)
                break
        found = (text, replaced, entangled, odd)
        if len(raw) <= _SHORT:
            if len(self.seen) >= _REMEMBERED:
                self.seen.clear()
            self.seen[raw] = found
        return found

    def _plain(self, payload: dict[str, Any]) -> bool:
        """Return whether no part of a valid payload needs a closer look."""
        name, known = self._name, self._components
        if name in _COSTED:
            return self._plain_work(payload)
        if name == "odometer_reading":
            return True
        if name == "scan":
            for answer in payload["modules"]:
                for code in answer["codes"]:
                    if code_slip(code["code"]) is not None:
                        return False
            return True
        if name == "inspection":
            return self._plain_look(payload)
        if any(component not in known for _, component in components(payload)):
            return False
        return (name in _BARE or not payload_problems(payload)) and not slips(name, payload)

    def _plain_work(self, payload: dict[str, Any]) -> bool:
        """Return whether neither amounts nor place of a job need a closer look."""
        get, known = payload.get, self._components
        cost, rate, component = get("parts_cost"), get("labour_rate"), payload["component"]
        if cost and (cost["currency"] not in self._money or cost["amount"][0] == "-"):
            return False
        if rate and (rate["currency"] not in self._money or rate["amount"][0] == "-"):
            return False
        if cost and rate and cost["currency"] != rate["currency"]:
            return False
        if not (component in known and get("along_with") in known):
            return False
        position = get("position")
        return position is None or place_slip(component, position) is None

    def _plain_look(self, payload: dict[str, Any]) -> bool:
        """Return whether no item of a look-over needs a closer look."""
        known = self._components
        for items in (payload["findings"], payload["sound"], payload["not_checked"]):
            for item in items:
                component, position = item["component"], item.get("position")
                if component not in known:
                    return False
                if position is not None and place_slip(component, position) is not None:
                    return False
                for measured in item.get("measurements", ()):
                    value, unit = measured["value"], measured["unit"]
                    if value >= 0 and unit in CANONICAL_UNITS and component not in BOUNDED:
                        continue
                    if measured_slip(component, value, unit) is not None:
                        return False
        return True


def doubt_tuples(kind: str, payload: dict[str, Any]) -> tuple[DoubtTuple, ...]:
    """Return what is odd in a payload, as tuples that another process can be handed."""
    return tuple(
        (doubt.code, doubt.message, doubt.hint, doubt.column)
        for doubt in payload_doubts(kind, payload)
    )


def kind_payloads(kinds: KindRegistry) -> dict[str, KindPayloads]:
    """Return the payloads of each kind that has a plain validator, by name."""
    from roadworn.catalogue import catalogue

    known: frozenset[str | None] = frozenset({None, *(part.id for part in catalogue())})
    return {
        kind.name: KindPayloads(kind, validator.validate_python, known)
        for kind in kinds
        if (validator := plain_validator(kind.model)) is not None
    }
