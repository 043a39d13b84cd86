"""Proofs that fit on a page: this event is in that ledger, and this ledger grew from that one.

A printed report names the root it was made from. With an inclusion proof somebody who holds
only that root can check that an event was in the history; with a consistency proof, that the
history of today begins with the one of then. Proofs are plain dictionaries, so that they can
be kept as JSON and checked by any program that knows RFC 6962 and the leaf's bytes:

    leaf = SHA-256(0x00 || JSON array [event_id, vehicle_id, kind, version, occurred_at,
           recorded_at, recorded_by, source, odometer, odometer_unit, intake_key, payload])
"""

from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from roadworn.model.errors import LedgerDamaged, UsageError
from roadworn.model.events import StoredEvent
from roadworn.store import LedgerFile
from roadworn.store.merkle import (
    consistency_path,
    inclusion_path,
    merkle_root,
    verify_consistency,
    verify_inclusion,
)
from roadworn.store.schema import connect, plain_failures
from roadworn.store.whole import place_of
from roadworn.store.writer import Row


def inclusion_proof(path: str | Path, event_id: str, size: int | None = None) -> dict[str, Any]:
    """Return the proof that an event is in the ledger.

    Args:
        path: the ledger.
        event_id: id of the event, or a part that only it has.
        size: tree size to prove it in; the present one when not given.

    Raises:
        UnknownName: no event, or several, answer to the id.
        UsageError: the event is not in the tree of that size.
        LedgerDamaged: the stored event does not give its leaf.
    """
    with LedgerFile.open(path, writable=False) as ledger:
        event = ledger.event(event_id)
        size = ledger.checkpoint().size if size is None else size
    if event.seq > size:
        raise UsageError(
            f"Event {event.seq} is not among the first {size}: choose a size of at least "
            f"{event.seq}."
        )
    if _leaf(event) != event.leaf:
        raise LedgerDamaged(
            f"Event {event.seq} ({event.event_id}) is not as it was recorded: run "
            "`roadworn verify`."
        )
    leaves = _leaves(place_of(path), size)
    path_of = inclusion_path(event.seq - 1, leaves)
    return {
        "proof": "inclusion",
        "event": _as_json(event),
        "index": event.seq - 1,
        "leaf": event.leaf.hex(),
        "size": size,
        "root": merkle_root(leaves).hex(),
        "path": [node.hex() for node in path_of],
    }


def consistency_proof(path: str | Path, old_size: int, size: int | None = None) -> dict[str, Any]:
    """Return the proof that the ledger's first `old_size` events are those of an old root.

    Raises:
        UsageError: there are no such sizes.
    """
    with LedgerFile.open(path, writable=False) as ledger:
        newest = ledger.checkpoint().size
    size = newest if size is None else size
    if not 0 <= old_size <= size <= newest:
        raise UsageError(f"Choose sizes between 0 and {newest}, the old one first.")
    leaves = _leaves(place_of(path), size)
    return {
        "proof": "consistency",
        "old_size": old_size,
        "old_root": merkle_root(leaves[:old_size]).hex(),
        "size": size,
        "root": merkle_root(leaves).hex(),
        "path": [node.hex() for node in consistency_path(old_size, leaves)],
    }


def check_proof(proof: Mapping[str, Any], root: str | None = None) -> bool:
    """Return whether a proof holds, without any ledger.

    Args:
        proof: what `inclusion_proof` or `consistency_proof` returned, perhaps via JSON.
        root: the root that the holder trusts: the printed one. It must be the proof's root,
            for a consistency proof its old root.

    Raises:
        UsageError: the dictionary is no such proof.
    """
    check = {"inclusion": _inclusion_holds, "consistency": _consistency_holds}
    try:
        holds = check[proof["proof"]](proof)
        trusted = str(proof["root" if proof["proof"] == "inclusion" else "old_root"])
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            "This is not a proof: give the JSON that `roadworn proof` printed."
        ) from error
    return holds and (root is None or root.lower() == trusted.lower())


def _inclusion_holds(proof: Mapping[str, Any]) -> bool:
    leaf = bytes.fromhex(proof["leaf"])
    root, path = bytes.fromhex(proof["root"]), [bytes.fromhex(node) for node in proof["path"]]
    if _leaf_of_json(proof["event"]) != leaf:
        return False
    return verify_inclusion(proof["index"], proof["size"], leaf, path, root)


def _consistency_holds(proof: Mapping[str, Any]) -> bool:
    old_root, root = bytes.fromhex(proof["old_root"]), bytes.fromhex(proof["root"])
    path = [bytes.fromhex(node) for node in proof["path"]]
    return verify_consistency(proof["old_size"], proof["size"], old_root, root, path)


_HASHED = (
    "event_id",
    "vehicle_id",
    "kind",
    "version",
    "occurred_at",
    "recorded_at",
    "recorded_by",
    "source",
    "odometer",
    "odometer_unit",
    "intake_key",
    "payload",
)


def _as_json(event: StoredEvent) -> dict[str, Any]:
    """Return what is hashed of an event, in the order in which it is."""
    return {name: getattr(event, name) for name in _HASHED}


def _leaf(event: StoredEvent) -> bytes:
    return _leaf_of_json(_as_json(event))


def _leaf_of_json(event: Mapping[str, Any]) -> bytes:
    row = Row(**{name: event[name] for name in _HASHED})
    if isinstance(row.odometer, int):
        # Some JSON writers turn 61250.0 into 61250.
        row = row._replace(odometer=float(row.odometer))
    return row.sealed().leaf


def _leaves(path: Path, size: int) -> list[bytes]:
    """Return the first `size` stored leaves."""
    with plain_failures(path), closing(connect(path, writable=False)) as connection:
        leaves = [
            bytes(leaf)
            for (leaf,) in connection.execute(
                "SELECT leaf FROM events WHERE seq <= ? ORDER BY seq", (size,)
            )
        ]
    if len(leaves) != size:
        raise LedgerDamaged(f"{path} lacks some of its first {size} events: run `roadworn verify`.")
    return leaves
