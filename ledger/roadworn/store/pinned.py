"""What a ledger was when: the state that a root names, and what it held by a day.

A figure can be made again only from the very events it was made from. An event says itself when it
was written down, and an import may claim any day; the checkpoints are the ledger's own record of
when it took in what, and neither of the two can be changed afterwards.
"""

import re
from contextlib import closing
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.model.errors import UsageError
from roadworn.store.merkle import Checkpoint
from roadworn.store.schema import connect, plain_failures
from roadworn.store.whole import require_file

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

#: A number of events has fewer digits than a root; so many of a root name it.
_SIZE = re.compile(r"[0-9]{1,15}")
_ROOT = re.compile(r"[0-9a-f]{8,64}")


def state_named(path: Path, text: str) -> tuple[Checkpoint, date]:
    """Return the state of a ledger that a number of events or the beginning of a root names.

    Args:
        path: the ledger file.
        text: as ``13084``, or ``99cf8e99`` and as many more digits of the root as one likes.

    Returns:
        The checkpoint, and the day (UTC) on which the ledger came there.

    Raises:
        UsageError: it was never there; says where it was next to it.
        EnvironmentFailure, NotALedger, LedgerDamaged: the file cannot be read.
    """
    wanted = text.strip().lower()
    query = "SELECT size, root, made_at FROM checkpoints WHERE "
    found: list[tuple[int, str, str]] = []
    require_file(path)
    with plain_failures(path), closing(connect(path, writable=False)) as ledger:
        if _SIZE.fullmatch(wanted):
            found = ledger.execute(f"{query} size = ?", (int(wanted),)).fetchall()
        if not found and _ROOT.fullmatch(wanted):
            begins = f"{query} substr(root, 1, ?) = ? LIMIT 2"
            found = ledger.execute(begins, (len(wanted), wanted)).fetchall()
        if len(found) != 1:
            raise UsageError(_never_there(ledger, text.strip()))
    size, root, made_at = found[0]
    return Checkpoint(size, root), date.fromisoformat(made_at[:10])


def _never_there(ledger: "Engine", text: str) -> str:
    told = "name a number of events it held, or at least 8 digits of a root"
    if _SIZE.fullmatch(text):
        near = [
            ledger.execute(f"SELECT {which} FROM checkpoints WHERE size {side} ?", (int(text),))
            for which, side in (("max(size)", "<"), ("min(size)", ">"))
        ]
        sizes = [f"{size:d}" for row in near for (size,) in row if size is not None]
        told = f"next to it, it was at {' and '.join(sizes)} events" if sizes else "it is empty"
    return f"The ledger was never at {text!r}: {told}."


def taken_in_by(path: Path, day: date) -> int:
    """Return how many events a ledger had taken in by the end of a day (UTC), by its own clock.

    For a day that has passed the answer stays, whatever is taken in later.

    Raises:
        EnvironmentFailure, NotALedger, LedgerDamaged: the file cannot be read.
    """
    end = (day + timedelta(days=1)).isoformat()
    require_file(path)
    with plain_failures(path), closing(connect(path, writable=False)) as ledger:
        # Up to the first that was made later, so that a clock set back changes nothing.
        (size,) = ledger.execute(
            "SELECT coalesce(max(size), 0) FROM checkpoints WHERE size < coalesce("
            "(SELECT min(size) FROM checkpoints WHERE made_at >= ?), 9223372036854775807)",
            (end,),
        ).fetchone()
    return int(size)


def claims(path: Path, size: int, day: date) -> bool:
    """Return whether events count as written down by a day only because they say so.

    They were taken in later, so who asked on that day had another answer.

    Args:
        path: the ledger file.
        size: events after this one are not asked about.
        day: the day.
    """
    end = (day + timedelta(days=1)).isoformat()
    after = taken_in_by(path, day)
    with plain_failures(path), closing(connect(path, writable=False)) as ledger:
        found = ledger.execute(
            "SELECT 1 FROM events WHERE seq > ? AND seq <= ? AND recorded_at < ? "
            "AND occurred_at < ? LIMIT 1",
            (after, size, end, end),
        ).fetchone()
    return found is not None
