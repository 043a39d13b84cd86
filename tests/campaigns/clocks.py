"""A clock that is set back, ahead, and over changes of summer time; run by hand (Linux).

    python tests/campaigns/clocks.py 300

`clocks.c` shifts the clock that a program is told. A ledger is written by one command after
another, each with a clock drawn anew: years back or ahead, seconds around both changes of summer
time in a zone that has them, in the last second of a year, before 1970. Each must be taken, the
ledger must verify under every clock, and the events must stand in the order they were written in.
"""

import os
import random
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC")
MOMENTS = (
    "2026-03-29T00:59:59", "2026-03-29T01:00:01", "2026-10-25T00:30:00", "2026-10-25T01:30:00",
    "2026-03-08T06:59:59", "2026-11-01T05:30:00", "2026-11-01T06:30:00", "2026-04-04T15:10:00",
    "2026-12-31T23:59:59", "2028-02-29T12:00:00", "2019-01-01T00:00:00", "2035-06-01T12:00:00",
    "2026-12-01T12:00:00", "2026-12-01T11:59:00", "2026-12-02T12:00:00",
)  # fmt: skip


def ended(environment: dict[str, str], *words: str) -> tuple[int, str]:
    command = [str(Path(sys.executable).with_name("roadworn")), *words]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr


def main(count: int, seed: int) -> int:
    random.seed(seed)
    print(f"{count} clocks, seed {seed}")
    bad: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        shim = Path(folder, "clocks.so")
        source = Path(__file__).with_suffix(".c")
        subprocess.run(["cc", "-shared", "-fPIC", "-o", str(shim), str(source), "-ldl"], check=True)
        path = str(Path(folder, "shop.db"))
        plain = {**os.environ, "ROADWORN_KEYS": str(Path(folder, "keys")), "ROADWORN_LEDGER": path}

        def at(moment: str, zone: str) -> dict[str, str]:
            meant = datetime.fromisoformat(moment).replace(tzinfo=UTC).timestamp()
            return {**plain, "TZ": zone, "LD_PRELOAD": str(shim),
                    "CLOCKS_SHIFT": str(int(meant - time.time()))}  # fmt: skip

        told = subprocess.run(
            [sys.executable, "-c", "import datetime; print(datetime.date.today().year)"],
            env=at("2035-06-01T12:00:00", "UTC"), capture_output=True, text=True, check=True,
        ).stdout.strip()  # fmt: skip
        if told != "2035":
            print(f"control: the clock could not be set ({told})")
            return 1
        ended(at("2019-01-01T00:00:00", "UTC"), "create")
        enrol = ("enrol", "van-3", "--make", "Tarrow", "--odometer", "9,000 mi", "--parts",
                 "unknown")  # fmt: skip
        ended(at("2019-01-01T00:00:00", "UTC"), *enrol)
        for number in range(count):
            moment, zone = random.choice(MOMENTS), random.choice(ZONES)
            reading = ("record", "reading", "van-3", f"{9_001 + number} mi", "--sure")
            code, said = ended(at(moment, zone), *reading)
            if code != 0:
                bad.append(f"{moment} {zone}: refused: {said.strip()[:200]}")
            code, said = ended(at(random.choice(MOMENTS), zone), "verify")
            if code != 0:
                bad.append(f"{moment} {zone}: alarm: {said.strip()[:200]}")
        code, said = ended(plain, "verify", "--full")
        if code != 0:
            bad.append(f"in the end: {said.strip()[:300]}")
        from roadworn.intake import Ledger

        with Ledger.open(path, writable=False) as ledger:
            found = [one.odometer for one in ledger.events() if one.kind == "odometer_reading"]
        if found != sorted(found) or len(found) + len(bad) < count:
            bad.append(f"{len(found)} readings, in order: {found == sorted(found)}")
    print(f"{count} clocks: {len(bad)} wrong", *bad[:20], sep="\n  ")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(int((sys.argv[1:] or ["300"])[0]), int((sys.argv[2:] or ["1"])[0])))
