"""How fast a messy export is looked at and dry-run, against a clean import of the same rows.

    python tests/benchmarks/bench_messy.py [ROWS] [JOB_ROWS]

Two messy exports are made: ROWS rows (100,000) with a title, three forms of days, vehicles in four
spellings, signs, words for nothing and jobs in the words of a shop; and JOB_ROWS rows (12,458) of
1,243 distinct free texts of jobs, most of them with the mileage inside. Beside the first stands
the same work written clean: catalogue names, ISO days, one kind a row, and the plainest map. It is
imported in earnest. Every step runs in a process of its own; printed are the seconds on the clock,
of processor time and the peak memory of each, and the ratio of look and dry run to the clean
import within this run. All of it is invented. Never run as a test: the figures are ratios.
"""

import csv
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

VEHICLES = 240
DISTINCT = 1_243
_FIRST = date(2014, 1, 6)
_DAYS = 3_600
_SUPPLIERS = (
    "Lowmoor Spares", "LOWMOOR SPARES", "Lowmoor Spares Ltd.", "Northquay Parts", "Tidewrack Supply"
)  # fmt: skip
_DEEDS = ("R&R {}", "replaced {}", "{} replaced", "repl {}", "install new {}", "rpr {}", "adj {}")
_SIDES = {
    "wheel": ("LF", "RF", "LR", "RR", "l/f", "rt rear"),
    "axle": ("front", "rear", "frt"),
    "wheel_ul": ("LF", "RF"),
}


class Work(NamedTuple):
    """A job as it was done, and as the shop wrote it."""

    vehicle: int
    day: date
    miles: int
    words: str
    clean: tuple[str, str, str]
    amount: str
    supplier: str


def vocabulary(draw: random.Random, many: int) -> list[tuple[str, tuple[str, str, str]]]:
    """Return distinct words for jobs that the reader understands: words, (kind, part, place)."""
    from roadworn.intake.csv_map import CsvMap
    from roadworn.intake.job_words import JobReader
    from roadworn.model.catalogue import catalogue

    components = list(catalogue())
    reader = JobReader(CsvMap("", "", {}))
    found: dict[str, tuple[str, str, str]] = {}
    while len(found) < many:
        component = draw.choice(components)
        name = draw.choice((component.name, *component.synonyms))
        side = draw.choice(_SIDES.get(component.positions, ("",)))
        words = draw.choice(_DEEDS).format(f"{side} {name}".strip())
        word = reader.word(words)
        if len(word.meant) == 1 and word.meant[0].kind and not word.loose:
            meant = word.meant[0]
            found[words] = meant.kind, meant.component, meant.position
    return list(found.items())


def works(rows: int, words: int, seed: int = 7) -> Iterator[Work]:
    """Yield jobs in order of time."""
    draw = random.Random(seed)
    known = vocabulary(draw, words)
    miles = [draw.randrange(2_000, 40_000) for _ in range(VEHICLES)]
    for at in range(rows):
        vehicle = draw.randrange(VEHICLES)
        miles[vehicle] += draw.randrange(1, max(2, 24_000_000 // rows))
        said, clean = draw.choice(known)
        day = _FIRST + timedelta(days=at * _DAYS // rows)
        amount = f"{draw.randrange(1_500, 140_000) / 100:.2f}"
        supplier = draw.choice(_SUPPLIERS)
        yield Work(vehicle, day, miles[vehicle], said, clean, amount, supplier)


def write_messy(path: Path, made: list[Work], *, inside: bool) -> None:
    """Write the jobs as an old system would; `inside` puts the mileage among the words."""
    forms = ("%d/%m/%Y", "%d-%b-%y", "%Y-%m-%d")
    spelled = ("UNIT 0{}", "unit-{}", "#{}", "{}")
    with path.open("w", newline="", encoding="cp1252") as stream:
        out = csv.writer(stream, delimiter=";")
        out.writerow(["Haldersey Transport, history of work"])
        out.writerow([])
        out.writerow(["WO", "Unit", "Date", "Odometer", "Work done", "Total", "Supplier"])
        for at, work in enumerate(made):
            unit = spelled[at * 7 % 4].format(work.vehicle + 10)
            words = f"{work.words} {work.miles // 1000}k" if inside else work.words
            figure = "" if inside else ("N/A" if at % 97 == 0 else f"{work.miles:,}")
            day = work.day.strftime(forms[at % 3])
            out.writerow([at + 5000, unit, day, figure, words, f"${work.amount}", work.supplier])
        out.writerow(["Total", len(made), "", "", "", "", ""])


def write_clean(path: Path, made: list[Work]) -> None:
    with path.open("w", newline="", encoding="utf-8") as stream:
        out = csv.writer(stream)
        out.writerow(["day", "vehicle", "kind", "part", "place", "miles", "cost", "note", "order"])
        for at, work in enumerate(made):
            kind, part, place = work.clean
            day, unit = work.day.isoformat(), f"unit-{work.vehicle + 10}"
            out.writerow(
                [day, unit, kind, part, place, work.miles, work.amount, work.words, at + 5000]
            )


CLEAN_MAP = """[columns]
day = "occurred_at"
vehicle = "vehicle_id"
kind = "kind"
part = "component"
place = "position"
miles = "odometer"
cost = "parts_cost"
note = "note"
order = "work_order"
[constants]
reason = "unknown"
[units]
odometer = "mi"
[currency]
default = "USD"
[[when]]
cells = { kind = "repair" }
set = { reason = "" }
"""
_ANSWERS = {"one vehicle": "yes", "the same as": "yes", "of the whole order": "line",
            "which unit": "mi", "currency": "USD", "day or month": "dmy"}  # fmt: skip


def one(step: str, ledger: str, table: str, csv_map: str) -> None:
    """Do one step, and print seconds, processor seconds, peak memory in MB and what it came to."""
    from roadworn.intake import Ledger
    from roadworn.intake.files import import_files
    from roadworn.intake.look import look
    from roadworn.intake.look_ask import Known
    from roadworn.intake.look_files import aliases_text, map_text
    from roadworn.model.kinds import KindRegistry

    started, busy = time.perf_counter(), time.process_time()
    with Ledger.open(ledger) as opened:
        if step == "look":
            known = Known(KindRegistry(), {name: name for name in opened.vehicle_ids()}, {})
            (draft,) = look([Path(table)], known)
            asked = len(draft.questions)
            seconds, used = time.perf_counter() - started, time.process_time() - busy
            for question in list(draft.questions):
                given = next((a for part, a in _ANSWERS.items() if part in question.text), "")
                if given:
                    draft.answer(question, given)
            aliases = csv_map.replace(".map.toml", ".aliases.toml")
            Path(aliases).write_text(aliases_text(draft, Path(csv_map).name), "utf-8")
            Path(csv_map).write_text(map_text(draft, Path(aliases).name), "utf-8")
            told = f"{asked} questions"
        else:
            report = import_files(opened, [table], csv_map=csv_map, dry_run=step == "dry-run")
            seconds, used = time.perf_counter() - started, time.process_time() - busy
            told = f"{report.rows:,} rows, {report.good:,} events, {report.wrong:,} problems"
            told += "".join(
                f"; {cause.rows:,}: {cause.kept[0].message}" for cause in report.causes[:3]
            )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(seconds, used, peak, told)


def timed(step: str, *given: Path) -> tuple[float, float, float]:
    command = [sys.executable, __file__, "--one", step, *map(str, given)]
    ran = subprocess.run(command, check=True, capture_output=True, text=True)
    seconds, used, peak, told = ran.stdout.strip().split(" ", 3)
    print(f"{step:8} {float(seconds):7.2f} s, processor {float(used):7.2f} s, "
          f"peak {float(peak):4.0f} MB  ({told})", flush=True)  # fmt: skip
    return float(seconds), float(used), float(peak)


def ledger_at(path: Path) -> Path:
    from roadworn.intake import Ledger
    from roadworn.model.events import NewEvent

    with Ledger.create(path) as ledger:
        ledger.append_many(
            NewEvent(vehicle_id=f"unit-{n + 10}", kind="enrolment", occurred_at="2013-01-01",
                     payload={})
            for n in range(VEHICLES)
        )  # fmt: skip
    return path


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        one(*sys.argv[2:6])
        return
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    jobs = int(sys.argv[2]) if len(sys.argv) > 2 else 12_458
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = list(works(rows, DISTINCT))
        write_messy(folder / "messy.csv", made, inside=False)
        write_clean(folder / "clean.csv", made)
        (folder / "clean.map.toml").write_text(CLEAN_MAP, "utf-8")
        ledger = ledger_at(folder / "messy.db")
        print(f"{rows:,} messy rows, {DISTINCT:,} distinct jobs")
        messy = folder / "messy.csv", folder / "messy.map.toml"
        looked = timed("look", ledger, *messy)
        tried = timed("dry-run", ledger, *messy)
        clean = timed("import", ledger_at(folder / "clean.db"), folder / "clean.csv",
                      folder / "clean.map.toml")  # fmt: skip
        for what, at in (("of the clock", 0), ("of processor time", 1)):
            print(
                f"look {looked[at] / clean[at]:.2f}, dry run {tried[at] / clean[at]:.2f}, both "
                f"{(looked[at] + tried[at]) / clean[at]:.2f} times a clean import, {what}"
            )
        if not jobs:
            return
        print(f"{jobs:,} rows of free text, {DISTINCT:,} distinct jobs, the mileage inside")
        write_messy(folder / "jobs.csv", list(works(jobs, DISTINCT, 8)), inside=True)
        other = ledger_at(folder / "jobs.db")
        texts = folder / "jobs.csv", folder / "jobs.map.toml"
        timed("look", other, *texts)
        timed("dry-run", other, *texts)


if __name__ == "__main__":
    main()
