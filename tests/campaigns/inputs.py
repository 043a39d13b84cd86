"""Random and half-right inputs to every reader of text; run by hand.

    python tests/campaigns/inputs.py 100000 [SEED [READER ...]]

Each input is one of a reader's own examples with letters changed, doubled, cut or exchanged, two of
them joined, or noise. A reader must answer, or refuse with an error that is a sentence of ours: any
other exception counts, and so does an input that takes more than five seconds of the processor or,
for the whole reader, more than 500 MB.
"""

import random
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import orjson

from roadworn.intake.chunks import ChunkMaker
from roadworn.intake.csv_map import parse_csv_map
from roadworn.model.amounts import read_fluid, read_money, read_odometer, read_warranty
from roadworn.model.errors import RoadwornError
from roadworn.model.kinds import KindRegistry
from roadworn.model.units import parse_measurement
from roadworn.reading import read_finding, read_findings, read_item
from roadworn.reading.estimate_lines import read_estimate_line
from roadworn.reading.scans import read_scan
from roadworn.reading.terms import example_terms, parse_terms
from roadworn.store.aside import read_plate
from roadworn.store.heads import Extension, Key
from roadworn.store.proof import check_proof
from roadworn.trade.codes import decode_code
from roadworn.trade.vin import decode_vin

SECONDS, MEGABYTES = 5, 500
NOISE = "\0\n\t \"'=+-@,;:()[]{}<>/\\|%#é\u202e\ufeff\U0001f527½٣NaN1e9999999990x"
LINE = orjson.dumps({
    "vehicle_id": "van-3", "kind": "replacement", "occurred_at": "2026-01-02", "odometer": 98000,
    "odometer_unit": "mi", "payload": {"component": "brakes.pads", "reason": "failed",
    "position": "FRONT", "parts_cost": {"amount": "84.50", "currency": "USD"}, "labour_hours": 1.5},
}).decode()  # fmt: skip
MAP = """
kind = "replacement"
[file]
delimiter = ";"
date_order = "dmy"
[columns]
"Day" = "occurred_at"
"Job" = "component"
"Why" = "reason"
"Miles" = "odometer"
[constants]
vehicle_id = "van-3"
[units]
odometer = "mi"
[components]
"front brake pads" = "brake.pad"
[values.reason]
"worn" = "worn_out"
"""
HEAD = "garage.example/1\n12\n" + "A" * 43 + "=\n\n— garage.example/1 " + "A" * 88 + "\n"
PROOF = orjson.dumps({
    "proof": "consistency", "old_size": 3, "old_root": "ab" * 32, "size": 7, "root": "cd" * 32,
    "path": ["ef" * 32]}).decode()  # fmt: skip


def _peak() -> int:
    """Return the most memory of this program, in MB; that of who started it is not counted."""
    told = Path("/proc/self/status").read_text(encoding="utf-8")
    return int(told.partition("VmHWM:")[2].split()[0]) // 1024


def chunk(text: str) -> object:
    return ChunkMaker(KindRegistry()).chunk([text.encode("utf-8", "surrogatepass")])


def proof(text: str) -> object:
    try:
        given = orjson.loads(text)
    except ValueError:
        return None
    return check_proof(given) if isinstance(given, dict) else None


READERS: dict[str, tuple[Callable[[str], object], tuple[str, ...]]] = {
    "a finding": (read_finding, ("brake pads front 3 mm wearing", "loose tie rod end L",
                                 "tires rear 4/32 low", "battery 12.4 V", "coolant low")),
    "findings": (read_findings, ("pads and rotors front worn",
                                                      "hub RR noisy", "1=ok 2 bad")),
    "a part": (read_item, ("wheel bearing LF", "coil 3", "frt pads", "oil chg")),
    "an estimate line": (
        lambda text: read_estimate_line(text, 1, "USD"),
        ("brake pads front 84.50 1.5 h", "diag 1 h at 95 USD", "2 tires LF RF 240"),
    ),
    "a scan": (
        lambda text: read_scan(text.splitlines()),
        ("P0420", "P0171 pending", "43 02 01 71 04 20", "engine: P0300"),
    ),
    "a code": (decode_code, ("P0420", "U0100-87", "0171", "SPN 110 FMI 3")),
    "a VIN": (decode_vin, ("1M8GDM9AXKP042788", "11111111111111111", "1m8gdm9a_kp042788")),
    "a distance": (read_odometer, ("98,412 mi", "143k", "143.2k km", "98 412,5 km")),
    "a measurement": (parse_measurement, ("4/32 in", "3.2 mm", "12.4 V", "1 1/2 in", "35 psi")),
    "money": (lambda text: read_money(text, "USD"), ("84.50", "1,084.50 USD", "12,5 EUR", "-3")),
    "a warranty": (read_warranty, ("24 months 24000 mi", "24M/24K", "lifetime", "12/12")),
    "a fluid": (read_fluid, ("5 qt 5W-30", "4,7 l ATF", "10 l")),
    "a plate": (read_plate, ("ABC 123 XY", "AB12 CDE")),
    "a map": (parse_csv_map, (MAP,)),
    "shop's terms": (parse_terms, (example_terms(),)),
    "a line of NDJSON": (chunk, (LINE,)),
    "a head": (Extension.parse, (HEAD, "old 3\n" + "A" * 43 + "=\n\n" + HEAD)),
    "a key": (Key.parse, ("PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",)),
    "a proof": (proof, (PROOF,)),
}  # fmt: skip


def made(examples: tuple[str, ...]) -> str:
    """Return an input."""
    text = random.choice(examples)
    for _ in range(random.choice((1, 1, 2, 4, 12))):
        at = random.randrange(len(text) + 1)
        end = min(len(text), at + random.choice((1, 1, 3, 20)))
        how = random.randrange(6)
        if how == 0:
            text = text[:at] + random.choice(NOISE) + text[at:]
        elif how == 1:
            text = text[:at] + text[end:]
        elif how == 2:
            text = text[:at] + text[at:end] * random.choice((2, 3, 200)) + text[end:]
        elif how == 3:
            text = text[:at] + random.choice(NOISE) * (end - at) + text[end:]
        elif how == 4:
            text = text[:at] + random.choice(examples) + text[at:]
        else:
            text = text[:at] + str(random.choice((0, -1, 10**30, 0.1, 1e308, 2**63))) + text[end:]
    return text


def main(count: int, seed: int, names: list[str]) -> int:
    random.seed(seed)
    # By the processor's time: on a busy machine the clock says nothing about the reader.
    signal.signal(signal.SIGPROF, lambda *_: (_ for _ in ()).throw(TimeoutError()))
    print(f"{count} inputs a reader, seed {seed}")
    wrong, asked = 0, {name: READERS[name] for name in names or READERS}
    for name, (read, examples) in asked.items():
        begun, ends, first = time.process_time(), Counter(), {}
        for _ in range(count):
            text = made(examples)
            signal.setitimer(signal.ITIMER_PROF, SECONDS)
            try:
                read(text)
                end = "taken"
            except RoadwornError:
                end = "refused"
            except Exception as error:  # noqa: BLE001  # what is sought
                end = type(error).__name__
                first.setdefault(end, text)
            signal.setitimer(signal.ITIMER_PROF, 0)
            ends[end] += 1
        faults = sum(ends.values()) - ends["taken"] - ends["refused"]
        peak = _peak()
        wrong += faults + (peak > MEGABYTES)
        told = ", ".join(f"{end} {n}" for end, n in ends.most_common())
        print(f"{name:18} {told}; {time.process_time() - begun:.0f} s, peak {peak} MB", flush=True)
        for end, text in first.items():
            print(f"  {end}: {text[:300]!r}")
    print(f"{count * len(asked)} inputs: {wrong} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    told = sys.argv[1:]
    sys.exit(main(int((told or ["100000"])[0]), int((told[1:] or ["1"])[0]), told[2:]))
