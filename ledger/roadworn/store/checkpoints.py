"""Checkpoints: how large the tree was and what its root was, after each commit.

They stand in the ledger (append-only, with the tree's right edge so that the next commit can
go on from there), and the latest one in a small file beside it. A ledger whose tail was cut
off still looks whole from inside; the file beside it, and every report that names a root,
tells.
"""

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

from roadworn.model.events import utc_now
from roadworn.store.merkle import EMPTY_ROOT, CompactRange


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The state of a ledger: number of events and the root over them, in hexadecimal."""

    size: int
    root: str

    def as_json(self) -> dict[str, Any]:
        """Return the checkpoint as a plain dictionary."""
        return {"size": self.size, "root": self.root}


EMPTY = Checkpoint(0, EMPTY_ROOT.hex())


def latest(connection: sqlite3.Connection) -> tuple[Checkpoint, CompactRange]:
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


def store(connection: sqlite3.Connection, edge: CompactRange) -> Checkpoint:
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


def read_beside(ledger: Path) -> Checkpoint | None:
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
    except (ValueError, TypeError, KeyError) as error:
        raise ValueError(f"{beside(ledger)} is not a checkpoint.") from error
    if not (isinstance(size, int) and size >= 0 and isinstance(root, str)):
        raise ValueError(f"{beside(ledger)} is not a checkpoint.")
    return Checkpoint(size, root)


def write_beside(ledger: Path, connection: sqlite3.Connection) -> bool:
    """Keep the newest checkpoint beside the ledger; return whether it was written.

    A file that this ledger cannot have come from (it is of a larger tree, or its root is not
    the one of that size) is evidence of a cut-off tail and stays as it is.

    Raises:
        OSError: the folder cannot be written.
    """
    newest, _ = latest(connection)
    try:
        kept = read_beside(ledger)
    except ValueError:
        kept = None
    if kept == newest:
        return False
    if kept is not None and kept.size and not _has(connection, kept):
        return False
    content = {"ledger": ledger.name, **newest.as_json(), "time": utc_now()}
    target = beside(ledger)
    with NamedTemporaryFile("w", dir=target.parent, prefix=target.name, delete=False) as file:
        json.dump(content, file, indent=1)
        file.write("\n")
    Path(file.name).chmod(0o644)
    Path(file.name).replace(target)
    return True


def _has(connection: sqlite3.Connection, checkpoint: Checkpoint) -> bool:
    query = "SELECT 1 FROM checkpoints WHERE size = ? AND root = ?"
    return connection.execute(query, (checkpoint.size, checkpoint.root)).fetchone() is not None
