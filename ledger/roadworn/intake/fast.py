"""Payloads on the fast way of an import: validated, written canonically, remembered.

Short payloads repeat: most readings say the same two words, most scans find nothing. One
that was found right once is right again, so its text is kept and looked up. Which payloads
are the same is told by their bytes with sorted keys, so that 1, 1.0 and true stay apart.
"""

import re
from collections.abc import Callable, Sequence
from hashlib import sha256
from typing import Any

import orjson

from roadworn.checks import Needs, asked_where, findings_where, payload_findings
from roadworn.checks.known import envelope_problems, payload_problems, texts_of
from roadworn.checks.measured import BOUNDED
from roadworn.checks.odd import looks_private
from roadworn.checks.slips import code_slip, measured_slip, place_slip
from roadworn.intake import plain_validator
from roadworn.model.amounts import currency_codes
from roadworn.model.catalogue import catalogue
from roadworn.model.events import Holds, NewEvent
from roadworn.model.kinds import EventKind, KindRegistry
from roadworn.model.messages import Problem, Severity
from roadworn.model.units import CANONICAL_UNITS
from roadworn.store.writer import canonical_payload

#: What the writer of a row gave, rather than the store; bits of `Chunk.given`.
ID_GIVEN, TIME_GIVEN, KEY_MADE = 1, 2, 4

FIELDS = frozenset(NewEvent.model_fields)
#: Fields that are looked at in every row; a row with others is looked at by `brought`.
USUAL = FIELDS - {"version", "event_id", "intake_key"}
_EVENT_ID = re.compile(r"[0-9a-f-]{36}")
_MOMENT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
    r"(?:T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:\.[0-9]{1,6})?Z)?"
)
UNITS = frozenset({"km", "mi"})
MAX_ODOMETER = 10_000_000
#: Room for every second of a day.
_REMEMBERED = 90_000
#: Files are in order of time, more or less, and many have a time of its own in every row.
_REMEMBERED_TIMES = 4_096
#: 112 bits of SHA-256: two rows of one day never get the same key by chance.
_KEY_DIGITS = 28
_MAX_KEY = 200


class Irregular(Exception):
    """Something is not plainly right: take the careful way."""


class KnownEnvelopes:
    """Parts of envelopes that were found right.

    Attributes:
        vehicles: vehicle ids.
        hands: (recorded_by, source).
        times: (occurred_at, recorded_at as given).
    """

    def __init__(self, source: str) -> None:
        self.vehicles: set[str] = set()
        self.hands: set[tuple[str, str]] = set()
        self.times: set[tuple[str, str | None]] = set()
        self._days: set[str] = set()
        self._clocks: set[str] = set()
        self._source = source

    def learn(self, given: dict[str, Any], now: str) -> None:
        """Validate an envelope and remember it; `now` is when it is recorded if it says nothing.

        Raises:
            Irregular, ValidationError, TypeError: it is not right.
        """
        get = given.get
        occurred, recorded = given["occurred_at"], get("recorded_at")
        times = (occurred, recorded)
        if recorded is None:
            recorded = now
        vehicle_id = given["vehicle_id"]
        hand = (get("recorded_by", ""), get("source", self._source))
        if vehicle_id not in self.vehicles or hand not in self.hands:
            NewEvent.model_validate(given)
            # What is odd in the envelope is found the careful way.
            if looks_private(hand[0]):
                raise Irregular
            _remember(self.vehicles, vehicle_id)
            _remember(self.hands, hand)
        days, clocks = self._days, self._clocks
        if not (
            occurred[:10] in days
            and occurred[10:] in clocks
            and recorded[:10] in days
            and recorded[10:] in clocks
            # A day stands before its hours, so what is not later as a text is not later.
            and occurred[:19] <= recorded[:19]
        ):
            if not (_MOMENT.fullmatch(occurred) and _MOMENT.fullmatch(recorded)):
                raise Irregular
            if envelope_problems(occurred, recorded, None, None):
                raise Irregular
            for moment in (occurred, recorded):
                _remember(days, moment[:10])
                _remember(clocks, moment[10:])
        _remember(self.times, times, _REMEMBERED_TIMES)


def _remember(known: set[Any], value: object, limit: int = _REMEMBERED) -> None:
    if len(known) > limit:
        known.clear()
    known.add(value)


def made_key(envelope: tuple[Any, ...], said: bytes) -> str:
    """Return the intake key of a row that brought none: its day and a digest of what it says.

    It is made from the row as given, not as stored, so that it stays the same when a later
    version of a kind stores more. The day in front keeps the index growing at one end.

    Args:
        envelope: vehicle, kind, version, occurred_at, recorded_at, recorded_by, source,
            odometer and unit as given, absent ones None.
        said: the payload as given, as JSON with sorted keys.
    """
    digest = sha256(orjson.dumps(envelope) + said).hexdigest()
    return f"{envelope[3][:10]}:{digest[:_KEY_DIGITS]}"


def key_of(event: NewEvent) -> str:
    """Return the key of an event that was read the careful way."""
    envelope = (
        event.vehicle_id,
        event.kind,
        event.version,
        event.occurred_at,
        event.recorded_at,
        event.recorded_by,
        event.source,
        event.odometer,
        event.odometer_unit,
    )
    try:
        said = orjson.dumps(event.payload, option=orjson.OPT_SORT_KEYS)
    except orjson.JSONEncodeError:
        # Nested deeper than can be written: `prepare` has the sentence for it.
        said = b""
    return made_key(envelope, said)


def brought(
    given: dict[str, Any], version: int, new_id: str
) -> tuple[int, int | None, str | None, str]:
    """Return what an unusual row brought: ID_GIVEN or 0, its version, its key, its id.

    Raises:
        Irregular, TypeError: something in it is not plainly right.
    """
    if not given.keys() <= FIELDS:
        raise Irregular
    stated, key, bits = given.get("version"), given.get("intake_key"), 0
    event_id = new_id
    if stated is not None and (stated != version or type(stated) is not int):
        raise Irregular
    if key is not None and not (type(key) is str and 0 < len(key) <= _MAX_KEY):
        raise Irregular
    if given.get("event_id") is not None:
        event_id, bits = given["event_id"], ID_GIVEN
        if not _EVENT_ID.fullmatch(event_id):
            raise Irregular
    return bits, stated, key, event_id


def plain_reading(value: object, unit: object) -> float | None:
    """Return an odometer reading as a float, or None when there is neither reading nor unit.

    Raises:
        Irregular: it or its unit is not right.
    """
    if value is None and unit is None:
        return None
    if (type(value) is not float and type(value) is not int) or unit not in UNITS:
        raise Irregular
    if not 0 <= value <= MAX_ODOMETER:
        raise Irregular
    return float(value)


#: Kinds whose rows depend on other events: the store checks them one by one.
_ENTANGLED = frozenset({"enrolment", "retraction", "authorisation"})
#: Fields that name another event, which must be there.
_NAMING = frozenset({"replaces", "comeback_of", "estimate", "revises"})
_COSTED = frozenset({"replacement", "repair", "maintenance"})
#: Kinds without money and days, so without anything for `payload_problems` to find.
_BARE = frozenset({"odometer_exchange", "complaint"})
#: Rules that are asked in short by `KindPayloads.plain`, or of the ledger for many rows at once
#: (`roadworn.intake.taking`); whatever other rule refuses something is asked itself.
_IN_SHORT = frozenset({"slips:slip", "known:vehicle", "known:component", "known:reference"})
#: How long a payload may be, and how many of a kind there may be, to be remembered.
_SHORT, _REMEMBERED_PAYLOADS = 200, 4_096


#: A payload that was found right: its text as stored; component and position when it is a
#: replacement; whether its row must be checked against other events; what is odd in it.
PlainPayload = tuple[str, tuple[str, str | None] | None, bool, Sequence[Problem]]


class KindPayloads:
    """Payloads of one kind.

    Attributes:
        version: the kind's current version.
        seen: payloads found right before, by their bytes with sorted keys.
    """

    __slots__ = (
        "_always",
        "_components",
        "_heads",
        "_money",
        "_name",
        "_odd",
        "_refused",
        "_validate",
        "_with_ledger",
        "seen",
        "version",
    )

    def __init__(
        self,
        kind: EventKind,
        validate: Callable[[Any], dict[str, Any]],
        known: frozenset[str | None],
        *,
        doubt: bool = True,
    ) -> None:
        self.version = kind.version
        self.seen: dict[bytes, PlainPayload] = {}
        self._name = kind.name
        self._validate = validate
        self._components = known
        self._money = currency_codes()
        refused = Severity.REFUSED
        self._odd = asked_where(kind, Needs.PAYLOAD, Severity.ODD) if doubt else ()
        # Most payloads have none of these fields, and nothing is cheaper to find out.
        self._heads = frozenset(
            head for w in self._odd for head in (*w.fields, *(path[0] for path in w.inside))
        )
        self._always = any(where.always for where in self._odd)
        self._refused = asked_where(kind, Needs.PAYLOAD, refused, _IN_SHORT)
        self._with_ledger = asked_where(kind, Needs.LEDGER, refused, _IN_SHORT)

    def check(self, given: object, raw: bytes) -> PlainPayload:
        """Validate a payload that was not seen before; `raw` is its bytes with sorted keys.

        Raises:
            Irregular, ValidationError, KeyError, TypeError: it is not plainly right.
        """
        name, payload = self._name, self._validate(given)
        if not self.plain(payload):
            raise Irregular
        if self._refused and findings_where(self._refused, name, payload, Severity.REFUSED):
            raise Irregular
        # A plain validator gives sorted keys, so there is nothing left to do but nulls.
        text = orjson.dumps(payload).decode()
        if "null" in text:
            text = canonical_payload(payload)
        replaced = None
        if name == "replacement":
            replaced = (payload["component"], payload.get("position"))
        entangled = name in _ENTANGLED or not _NAMING.isdisjoint(payload)
        if self._with_ledger and not entangled:
            entangled = any(where.may_find(payload) for where in self._with_ledger)
        odd: Sequence[Problem] = ()
        if self._always or not self._heads.isdisjoint(payload):
            odd = findings_where(self._odd, name, payload, Severity.ODD)
        found = (text, replaced, entangled, odd)
        if len(raw) <= _SHORT:
            if len(self.seen) >= _REMEMBERED_PAYLOADS:
                self.seen.clear()
            self.seen[raw] = found
        return found

    def plain(self, payload: dict[str, Any]) -> bool:
        """Return whether no rule of `_IN_SHORT` refuses a valid payload.

        It may send more the careful way than those refuse, and never less.
        """
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
        if any(part not in known for _, part in texts_of(payload, Holds.COMPONENT)):
            return False
        if name not in _BARE and payload_problems(payload):
            return False
        return not payload_findings(name, payload, Severity.REFUSED)

    def _plain_work(self, payload: dict[str, Any]) -> bool:
        """Return whether neither amounts nor place of a job need a closer look."""
        get, known = payload.get, self._components
        cost, rate, component = get("parts_cost"), get("labour_rate"), payload["component"]
        other = get("other_cost")
        if other and (
            other["currency"] not in self._money
            or other["amount"][0] == "-"
            or payload_problems(payload)
        ):
            return False
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


def kind_payloads(kinds: KindRegistry, *, doubt: bool = True) -> dict[str, KindPayloads]:
    """Return the payloads of each kind that has a plain validator, by name.

    Args:
        kinds: the kinds.
        doubt: look for what is odd as well as for what is refused.
    """
    known: frozenset[str | None] = frozenset({None, *(part.id for part in catalogue())})
    return {
        kind.name: KindPayloads(kind, validator.validate_python, known, doubt=doubt)
        for kind in kinds
        if (validator := plain_validator(kind.model)) is not None
    }
