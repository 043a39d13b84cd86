"""Rows as they are stored: their columns, and the canonical bytes that are hashed."""

from hashlib import sha256
from math import isfinite
from typing import Any, NamedTuple

import orjson

from roadworn.store.merkle import LEAF_PREFIX


def without_none(value: Any) -> Any:  # noqa: ANN401  (any JSON value)
    """Return `value` with None-valued keys dropped at every depth.

    Raises:
        ValueError: a number is NaN or infinite, which JSON cannot say.
    """
    if isinstance(value, dict):
        return {key: without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, (list, tuple)):
        return [without_none(item) for item in value]
    if isinstance(value, float) and not isfinite(value):
        raise ValueError(f"{value} is not a number that can be stored: leave the field out.")
    return value


def canonical_payload(payload: dict[str, Any]) -> str:
    """Return `payload` as JSON text with sorted keys, no spaces and no null keys.

    Raises:
        ValueError: a number is NaN or infinite, or a value is no JSON (a lone surrogate, for
            instance).
    """
    try:
        text = orjson.dumps(payload, option=orjson.OPT_SORT_KEYS).decode()
        # orjson writes None, NaN and infinity as null: only then is a closer look needed.
        if "null" not in text:
            return text
        return orjson.dumps(without_none(payload), option=orjson.OPT_SORT_KEYS).decode()
    except orjson.JSONEncodeError as error:
        raise ValueError(f"The payload cannot be written as JSON: {error}.") from error


class Row(NamedTuple):
    """A row of the events table without its `seq`, columns in the table's order."""

    event_id: str
    vehicle_id: str
    kind: str
    version: int
    occurred_at: str
    recorded_at: str
    recorded_by: str
    source: str
    odometer: float | None
    odometer_unit: str | None
    payload: str
    intake_key: str | None
    leaf: bytes = b""

    def canonical_bytes(self) -> bytes:
        """Return what is hashed: a JSON array of all columns but the leaf, the payload last.

        `seq` is not among them: the position in the tree binds it.

        Raises:
            TypeError: a text is not valid Unicode (orjson's JSONEncodeError).
        """
        return orjson.dumps([*self[:10], self.intake_key, self.payload])

    def sealed(self) -> "Row":
        """Return the row with its RFC 6962 leaf, SHA-256(0x00 || canonical bytes), 32 bytes."""
        return self._replace(leaf=sha256(LEAF_PREFIX + self.canonical_bytes()).digest())


class Prepared(NamedTuple):
    """A row ready to be added, and what the writer gave rather than the store."""

    row: Row
    payload: dict[str, Any]
    id_given: bool
    time_given: bool
