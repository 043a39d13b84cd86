"""Merkle trees as in RFC 6962, so that a report can name the history it was made from.

A hash chain never notices a cut-off tail and cannot show in few bytes that an old state is a
prefix of the present one. This tree can: inclusion proofs (RFC 6962, section 2.1.1) and
consistency proofs (section 2.1.2) are a logarithm of the size. Verification follows RFC 9162,
sections 2.1.3.2 and 2.1.4.2, which writes the same trees' checks down step by step.

A checkpoint says how large the tree was and what its root was, after each commit. They stand
in the ledger (append-only, with the tree's right edge so that the next commit can go on from
there), and the latest one in a small file beside it. A ledger whose tail was cut off still
looks whole from inside; the file beside it, and every report that names a root, tells.
"""

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from roadworn.model.errors import UsageError
from roadworn.model.events import utc_now
from roadworn.store.whole import made_whole

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

LEAF_PREFIX = b"\x00"
NODE_PREFIX = b"\x01"
EMPTY_ROOT = sha256(b"").digest()
DIGEST_BYTES = 32


def node_hash(left: bytes, right: bytes) -> bytes:
    """Return SHA-256(0x01 || left || right)."""
    return sha256(NODE_PREFIX + left + right).digest()


class CompactRange:
    """The right edge of a growing tree: roots of its perfect subtrees, widest first.

    It is all that is needed to append and to give the root, so each commit can store it.

    Attributes:
        size: number of leaves.
        peaks: one digest for each set bit of `size`, widest subtree first.
    """

    __slots__ = ("peaks", "size")

    def __init__(self, size: int = 0, peaks: Iterable[bytes] = ()) -> None:
        self.size = size
        self.peaks = list(peaks)
        sizes = set(map(len, self.peaks))
        if len(self.peaks) != size.bit_count() or not sizes <= {DIGEST_BYTES}:
            raise ValueError(f"A tree of {size} leaves does not have {len(self.peaks)} peaks.")

    def append(self, leaf: bytes) -> None:
        """Add one leaf hash at the right."""
        self.extend((leaf,))

    def extend(self, leaves: Iterable[bytes]) -> None:
        """Add leaf hashes at the right, in order."""
        size, peaks = self.size, self.peaks
        for leaf in leaves:
            node = leaf
            # Each trailing one bit of the size is a perfect subtree as wide as the new one.
            bits = size
            while bits & 1:
                node = sha256(b"\x01" + peaks.pop() + node).digest()
                bits >>= 1
            peaks.append(node)
            size += 1
        self.size = size

    def root(self) -> bytes:
        """Return the tree's root, 32 bytes; of no leaves SHA-256 of nothing."""
        if not self.peaks:
            return EMPTY_ROOT
        node = self.peaks[-1]
        for peak in reversed(self.peaks[:-1]):
            node = node_hash(peak, node)
        return node

    def serialise(self) -> bytes:
        """Return the peaks end to end; the size is stored beside them."""
        return b"".join(self.peaks)

    @classmethod
    def parse(cls, size: int, peaks: bytes) -> "CompactRange":
        """Rebuild a range from `size` and `serialise()`.

        Raises:
            ValueError: the bytes do not fit the size.
        """
        if len(peaks) != size.bit_count() * DIGEST_BYTES:
            raise ValueError(f"A tree of {size} leaves does not have {len(peaks)} bytes of peaks.")
        step = DIGEST_BYTES
        return cls(size, [peaks[at : at + step] for at in range(0, len(peaks), step)])


def merkle_root(leaves: Iterable[bytes]) -> bytes:
    """Return the root over leaf hashes."""
    edge = CompactRange()
    edge.extend(leaves)
    return edge.root()


def _split(count: int) -> int:
    """Return the largest power of two smaller than `count`."""
    return 1 << (count - 1).bit_length() - 1


def inclusion_path(index: int, leaves: Sequence[bytes]) -> list[bytes]:
    """Return the audit path of leaf `index` (0-based), from the leaf's neighbour to the root.

    Raises:
        ValueError: there is no such leaf.
    """
    if not 0 <= index < len(leaves):
        raise ValueError(f"There is no leaf {index} in a tree of {len(leaves)}.")
    path: list[bytes] = []
    low, high = 0, len(leaves)
    while high - low > 1:
        middle = low + _split(high - low)
        if index < middle:
            path.append(merkle_root(leaves[middle:high]))
            high = middle
        else:
            path.append(merkle_root(leaves[low:middle]))
            low = middle
    path.reverse()
    return path


def root_from_path(index: int, size: int, leaf: bytes, path: Sequence[bytes]) -> bytes | None:
    """Return the root that `path` leads to from `leaf`, or None when it cannot fit the size."""
    if not 0 <= index < size:
        return None
    position, last, node = index, size - 1, leaf
    for sibling in path:
        if last == 0:
            return None
        if position & 1 or position == last:
            node = node_hash(sibling, node)
            while not position & 1 and position:
                position >>= 1
                last >>= 1
        else:
            node = node_hash(node, sibling)
        position >>= 1
        last >>= 1
    return node if last == 0 else None


def verify_inclusion(
    index: int, size: int, leaf: bytes, path: Sequence[bytes], root: bytes
) -> bool:
    """Return whether `path` shows that `leaf` stands at `index` in the tree with `root`."""
    return root_from_path(index, size, leaf, path) == root


def consistency_path(old_size: int, leaves: Sequence[bytes]) -> list[bytes]:
    """Return the proof that the tree of the first `old_size` leaves is a prefix of this one.

    Raises:
        ValueError: `old_size` is no size between 0 and the present one.
    """
    if not 0 <= old_size <= len(leaves):
        raise ValueError(f"A tree of {len(leaves)} leaves has no prefix of {old_size}.")
    if old_size in (0, len(leaves)):
        return []
    path: list[bytes] = []
    low, high, whole = 0, len(leaves), True
    while old_size != high - low:
        middle = _split(high - low)
        if old_size <= middle:
            path.append(merkle_root(leaves[low + middle : high]))
            high = low + middle
        else:
            path.append(merkle_root(leaves[low : low + middle]))
            low, old_size, whole = low + middle, old_size - middle, False
    if not whole:
        path.append(merkle_root(leaves[low:high]))
    path.reverse()
    return path


def verify_consistency(
    old_size: int, new_size: int, old_root: bytes, new_root: bytes, path: Sequence[bytes]
) -> bool:
    """Return whether `path` shows that the old tree is a prefix of the new one."""
    if not 0 <= old_size <= new_size:
        return False
    if old_size == 0:
        return not path and old_root == EMPTY_ROOT
    if old_size == new_size:
        return not path and old_root == new_root
    nodes = list(path)
    if old_size & (old_size - 1) == 0:
        nodes.insert(0, old_root)
    if not nodes:
        return False
    old, new = old_size - 1, new_size - 1
    while old & 1:
        old >>= 1
        new >>= 1
    old_node = new_node = nodes[0]
    for sibling in nodes[1:]:
        if new == 0:
            return False
        if old & 1 or old == new:
            old_node = node_hash(sibling, old_node)
            new_node = node_hash(sibling, new_node)
            while not old & 1 and old:
                old >>= 1
                new >>= 1
        else:
            new_node = node_hash(new_node, sibling)
        old >>= 1
        new >>= 1
    return new == 0 and old_node == old_root and new_node == new_root


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The state of a ledger: number of events and the root over them, in hexadecimal."""

    size: int
    root: str

    def as_json(self) -> dict[str, Any]:
        """Return the checkpoint as a plain dictionary."""
        return {"size": self.size, "root": self.root}


#: Bytes that a file system gives to a name.
_LONGEST_NAME = 255
EMPTY = Checkpoint(0, EMPTY_ROOT.hex())


def latest_checkpoint(connection: "Engine") -> tuple[Checkpoint, CompactRange]:
    """Return the newest checkpoint of a ledger and the tree's right edge there.

    Raises:
        ValueError: the stored edge does not fit its size.
    """
    row = connection.execute(
        "SELECT size, root, peaks FROM checkpoints ORDER BY size DESC LIMIT 1"
    ).fetchone()
    if row is None:
        return EMPTY, CompactRange()
    size, root, peaks = row
    return Checkpoint(size, root), CompactRange.parse(size, peaks)


def store_checkpoint(connection: "Engine", edge: CompactRange) -> Checkpoint:
    """Write the checkpoint of the present transaction and return it."""
    checkpoint = Checkpoint(edge.size, edge.root().hex())
    connection.execute(
        "INSERT INTO checkpoints (size, root, peaks, made_at) VALUES (?, ?, ?, ?)",
        (checkpoint.size, checkpoint.root, edge.serialise(), utc_now()),
    )
    return checkpoint


def beside(ledger: Path) -> Path:
    """Return where the checkpoint beside a ledger is kept."""
    return ledger.with_name(ledger.name + ".checkpoint")


@dataclass(frozen=True, slots=True)
class Beside(Checkpoint):
    """What is kept beside a ledger: its newest checkpoint, and a digest over all of them.

    Attributes:
        chain: `chain_of` the checkpoints up to this one; empty in a file from before 2026-12.
    """

    chain: str = ""


def chain_of(connection: "Engine", upto: int, after: int = 0, chain: str = EMPTY_ROOT.hex()) -> str:
    """Return a digest over the checkpoints with after < size <= upto, in hexadecimal.

    Each is hashed with the digest of those before it. The tree binds the events; that a commit
    ended where a checkpoint says so is bound only here.

    Args:
        connection: of the ledger.
        upto: size of the last checkpoint.
        after: size of the last one that `chain` covers.
        chain: digest over those.

    Raises:
        TypeError: a flipped byte made a column another type.
    """
    digest = bytes.fromhex(chain)
    rows = connection.execute(
        "SELECT size, root, peaks, made_at FROM checkpoints WHERE size > ? AND size <= ? "
        "ORDER BY size",
        (after, upto),
    )
    for size, root, peaks, made_at in rows:
        told = f"{size} {root} {made_at} ".encode(errors="surrogateescape")
        digest = sha256(digest + told + bytes(peaks)).digest()
    return digest.hex()


def require_room(ledger: Path) -> None:
    """Refuse a name so long that what belongs beside the ledger could have none.

    Raises:
        UsageError: it is.
    """
    most = _LONGEST_NAME - len(".checkpoint")
    if len(os.fsencode(ledger.name)) > most:
        raise UsageError(
            f"The name {ledger.name[:20]}… is too long: it may have {most} letters, since a "
            "checkpoint of that name stands beside the ledger."
        )


def read_beside(ledger: Path) -> Beside | None:
    """Return the checkpoint beside a ledger, or None when there is none.

    Raises:
        ValueError: the file is there but is no checkpoint.
        OSError: it cannot be read.
    """
    try:
        text = beside(ledger).read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    try:
        content = json.loads(text)
        size, root = content["size"], content["root"]
        chain = content.get("checkpoints", "")
    except (ValueError, TypeError, KeyError) as error:
        raise ValueError(f"{beside(ledger)} is not a checkpoint.") from error
    texts = isinstance(root, str) and isinstance(chain, str)
    if not (isinstance(size, int) and size >= 0 and texts):
        raise ValueError(f"{beside(ledger)} is not a checkpoint.")
    return Beside(size, root, chain)


def write_beside(ledger: Path, connection: "Engine") -> bool:
    """Keep the newest checkpoint beside the ledger; return whether it was written.

    A file that this ledger cannot have come from (it is of a larger tree, or its root is not
    the one of that size) is evidence of a cut-off tail and stays as it is.

    Raises:
        OSError: the folder cannot be written.
    """
    newest, _ = latest_checkpoint(connection)
    try:
        kept = read_beside(ledger)
    except ValueError:
        kept = None
    if kept is not None and kept.size and not has_checkpoint(connection, kept):
        return False
    if kept is not None and kept.chain and kept.size >= newest.size:
        return False  # another writer was faster
    begun = (kept.size, kept.chain) if kept is not None and kept.chain else ()
    chain = chain_of(connection, newest.size, *begun)
    content = {
        "ledger": ledger.name,
        **newest.as_json(),
        "checkpoints": chain,
        "time": utc_now(),
    }
    with made_whole(beside(ledger)) as making:
        making.write_text(f"{json.dumps(content, indent=1)}\n", encoding="utf-8")
    return True


def has_checkpoint(connection: "Engine", checkpoint: Checkpoint) -> bool:
    """Return whether a ledger was ever at a checkpoint."""
    query = "SELECT 1 FROM checkpoints WHERE size = ? AND root = ?"
    return connection.execute(query, (checkpoint.size, checkpoint.root)).fetchone() is not None
