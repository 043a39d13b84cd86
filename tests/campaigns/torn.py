"""A loss of power in the write-ahead log, at random points of it; run by hand.

    python tests/campaigns/torn.py 2000

Events are written one by one and in batches, and after each acknowledgement the length of the
log is noted: so much had been synced. Then file and log are copied as a disk may give them back:
all that was synced up to some acknowledgement, and behind it what a disk leaves that was writing:
the rest of the log cut anywhere, its sectors missing, doubled, exchanged, of zeros or of noise. The
copy must verify, hold at least what was acknowledged by then, be exactly one of the states that the
ledger was committed at, and take the next event. As a control, a tenth as many are cut in what was
synced, as by a disk that lies about it: those must be noticed.
"""

import random
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

from roadworn.intake import Ledger
from roadworn.store.verify import verify
from roadworn.testing import event

SECTOR = 512
LOST = "an acknowledged event is lost"


def written(path: Path) -> tuple[list[tuple[int, int]], dict[int, str]]:
    """Write a history; return (length of the log, events) after each commit, and size -> root."""
    marks, roots = [], {}
    log = path.with_name(f"{path.name}-wal")
    with Ledger.create(path) as ledger:
        ledger._connection.execute("PRAGMA wal_autocheckpoint = 0")
        for at in range(60):
            if at == 0:
                ledger.append(event("bus-7", "enrolment", "2026-01-01", parts="unknown"))
            elif at % 9 == 5:
                ledger.append_many(
                    event("bus-7", "odometer_reading", "2026-02-01", odometer=at + part / 100)
                    for part in range(40)
                )
            else:
                note = "x" * random.choice((1, 90, 3000, 9000))
                ledger.append(event("bus-7", "complaint", "2026-02-01", complaint=note))
            checkpoint = ledger.checkpoint()
            marks.append((log.stat().st_size, checkpoint.size))
            roots[checkpoint.size] = checkpoint.root
        for name in (path, log):
            shutil.copy(name, name.with_name(f"{name.name}.kept"))
    return marks, roots


def torn(log: bytes, synced: int) -> tuple[str, bytes]:
    """Return what a disk may give back of a log of which so much was synced."""
    rest = log[synced:]
    how = random.choice(("cut", "missing", "zeros", "noise", "exchanged", "doubled"))
    sectors = [bytearray(rest[at : at + SECTOR]) for at in range(0, len(rest), SECTOR)]
    if how == "cut" or len(sectors) < 2:
        return "cut", log[: synced + random.randrange(len(rest) + 1)]
    for _ in range(random.choice((1, 1, 3, 20))):
        one, other = random.randrange(len(sectors)), random.randrange(len(sectors))
        if how == "missing":
            sectors[one] = bytearray()
        elif how == "zeros":
            sectors[one] = bytearray(len(sectors[one]))
        elif how == "noise":
            sectors[one] = bytearray(random.randbytes(len(sectors[one])))
        elif how == "exchanged":
            sectors[one], sectors[other] = sectors[other], sectors[one]
        else:
            sectors[one] = sectors[other][:]
    return how, log[:synced] + b"".join(sectors)


def main(count: int, seed: int) -> int:
    random.seed(seed)
    print(f"{count} losses of power, seed {seed}")
    held, wrong = Counter(), Counter()
    with tempfile.TemporaryDirectory() as base:
        source = Path(base, "source.db")
        marks, roots = written(source)
        kept = Path(base, "source.db.kept")
        log = Path(base, "source.db-wal.kept").read_bytes()
        for _ in range(count):
            synced, acknowledged = random.choice(marks)
            how, left = torn(log, synced)
            path = Path(base, "copy.db")
            put(path, kept, left)
            try:
                found = fault(path, acknowledged, roots)
            except Exception as error:  # noqa: BLE001  # what is sought
                found = f"{type(error).__name__}: {error}"
            if found:
                wrong[f"{how}: {found}"] += 1
            else:
                held[how] += 1
        lied = noticed = 0
        for _ in range(count // 10):
            first, last = sorted(random.sample(range(len(marks)), 2))
            path = Path(base, "copy.db")
            put(path, kept, log[: marks[first][0]])
            lied += 1
            noticed += fault(path, marks[last][1], roots) == LOST
    print(f"control: {noticed} of {lied} disks that lied were noticed")
    print(f"held: {sum(held.values())}  ({', '.join(f'{how} {n}' for how, n in held.items())})")
    print(f"wrong: {sum(wrong.values())}")
    for told, number in wrong.items():
        print(f"  {number} x {told}")
    return 1 if wrong or noticed < lied else 0


def put(path: Path, kept: Path, log: bytes) -> None:
    """Put a copy of the file with a log in the place of any before it."""
    for end in ("", "-wal", "-shm", ".checkpoint"):
        path.with_name(f"{path.name}{end}").unlink(missing_ok=True)
    shutil.copy(kept, path)
    path.with_name(f"{path.name}-wal").write_bytes(log)


def fault(path: Path, acknowledged: int, roots: dict[int, str]) -> str:
    """Return what is wrong with a ledger after the loss, or an empty text."""
    with Ledger.open(path) as ledger:
        now = ledger.checkpoint()
    report = verify(path)
    if report.problems:
        return f"verify: {report.problems[0].code}"
    if now.size < acknowledged:
        return LOST
    if roots.get(now.size) != now.root:
        return "half a batch"
    with Ledger.open(path) as ledger:
        ledger.append(event("bus-7", "odometer_reading", "2026-03-01", odometer=7))
    return "" if not verify(path).problems else "the next event does not verify"


if __name__ == "__main__":
    sys.exit(main(int((sys.argv[1:] or ["2000"])[0]), int((sys.argv[2:] or ["1"])[0])))
