"""The demo ledger on disk: the generated years, and the hand-written files read in on top.

The files go through the same readers as anyone's files. Only their times and ids are set
here, so that two builds give the same ledger root.
"""

import shutil
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib import resources
from importlib.resources.abc import Traversable
from itertools import islice
from pathlib import Path

from roadworn.intake import Ledger
from roadworn.intake.adding import FileTaker
from roadworn.intake.chunks import ChunkMaker
from roadworn.intake.csv_map import read_csv_map
from roadworn.intake.csv_rows import mapped_rows
from roadworn.intake.doubts import Doubts
from roadworn.intake.looking import FileFacts
from roadworn.intake.ndjson import CHUNK_LINES
from roadworn.model.errors import LedgerRefused, ProblemsFound
from roadworn.model.events import NewEvent
from roadworn.model.kinds import KindRegistry
from roadworn.reading import read_finding
from roadworn.reading.scans import read_scan
from roadworn_demo.generator import event_id, generate_lines
from roadworn_demo.old_book import write_old_book
from roadworn_demo.truth import DEMO_TODAY, FEATURED

#: Present in a folder that may be built anew; without it a ledger is never touched.
MARK = ".demo"
#: What the featured car's odometer shows today.
FEATURED_MILES = 119_200.0
_LEDGER = "roadworn.db"
# The tyre shop's sheet and the tow book were typed in when the year-end papers were sorted.
_SHEET_TYPED = datetime(2026, 11, 19, 18, 0, tzinfo=UTC)
_TOW_BOOK_TYPED = datetime(2026, 11, 19, 18, 30, tzinfo=UTC)
_CAR_CAME_IN = datetime(2026, 11, 20, 15, 10, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class DemoPaths:
    """Where the demo was put: the ledger, and copies of the hand-written files."""

    ledger: Path
    tyre_shop: Path
    tyre_shop_map: Path
    towing_notes: Path
    lookover: Path
    scan: Path


def files() -> dict[str, Traversable]:
    """Return the hand-written files by name, as they lie in the package."""
    folder = resources.files("roadworn_demo").joinpath("files")
    return {entry.name: entry for entry in sorted(folder.iterdir(), key=lambda e: e.name)}


def build(directory: Path, progress: Callable[[str], None] | None = None) -> DemoPaths:
    """Build the demo in a folder; one that holds a demo already is built anew.

    Args:
        directory: made when missing.
        progress: told in a few words what is being done.

    Raises:
        LedgerRefused: a ledger is there that no demo made.
    """
    tell = progress or (lambda _: None)
    directory.mkdir(parents=True, exist_ok=True)
    paths = _paths(directory)
    _clear(paths.ledger, directory / MARK)
    (directory / MARK).write_text("This folder may be built anew by the demo.\n", encoding="utf-8")
    for name, entry in files().items():
        (directory / name).write_bytes(entry.read_bytes())
    with Ledger.create(paths.ledger) as ledger:
        tell("playing eight years")
        _take(ledger, generate_lines())
        tell("reading the hand-written files")
        ledger.append_many(
            [
                *_stamped(_tyre_shop(paths), _SHEET_TYPED),
                *_stamped(_tow_book(paths), _TOW_BOOK_TYPED),
                *_stamped(_today(paths), _CAR_CAME_IN),
            ]
        )
        write_old_book(ledger, directory)
    return paths


def _take(ledger: Ledger, lines: Iterable[bytes]) -> None:
    """Take in lines of NDJSON as an import does, but noted as no file: nobody may undo it."""
    maker, waiting = ChunkMaker(ledger.kinds, doubt=False), iter(lines)
    with ledger.writing() as writer:
        taker = FileTaker(writer, FileFacts(ledger.query), "demo", Doubts())
        while batch := list(islice(waiting, CHUNK_LINES)):
            taker.add(maker.chunk(batch, taker.rows + 1))
        if taker.problems:
            told = [one for cause in taker.problems.causes() for one in cause.kept]
            raise ProblemsFound("The demo's own events have problems.", told)
        writer.finish()


def _paths(directory: Path) -> DemoPaths:
    return DemoPaths(
        ledger=directory / _LEDGER,
        tyre_shop=directory / "tyre_shop_2024.csv",
        tyre_shop_map=directory / "tyre_shop.map.toml",
        towing_notes=directory / "towing_notes.ndjson",
        lookover=directory / "lookover.txt",
        scan=directory / "scan.txt",
    )


def _clear(ledger: Path, mark: Path) -> None:
    """Take an earlier demo away: the ledger, and what a ledger keeps beside itself."""
    if not ledger.exists():
        return
    if not mark.exists():
        raise LedgerRefused(
            f"{ledger} was not made by the demo and is left alone: choose another folder."
        )
    for path in ledger.parent.glob(f"{ledger.stem}*"):
        if path.name.startswith((f"{ledger.name}", f"{ledger.stem}.columns")):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()


def _tyre_shop(paths: DemoPaths) -> Iterator[NewEvent]:
    csv_map = read_csv_map(paths.tyre_shop_map)
    for row in mapped_rows(paths.tyre_shop, csv_map, KindRegistry()):
        if row.event is None:
            raise ProblemsFound("The demo's own spreadsheet has problems.", row.problems)
        yield row.event


def _tow_book(paths: DemoPaths) -> Iterator[NewEvent]:
    for line in paths.towing_notes.read_text(encoding="utf-8").splitlines():
        yield NewEvent.model_validate_json(line)


def _today(paths: DemoPaths) -> Iterator[NewEvent]:
    """Yield what was found at the featured car today, as typed at the bench."""
    look = {"findings": [read_finding(line) for line in _lines(paths.lookover)]}
    scan, _ = read_scan(_lines(paths.scan))
    for kind, payload in (
        ("complaint", {"complaint": "Steering feels loose, engine lamp on, shakes when cold."}),
        ("inspection", {**look, "rest": "not_checked", "sheet": "look-over"}),
        ("scan", {**scan, "note": "read after the road test"}),
    ):
        yield NewEvent(
            vehicle_id=FEATURED,
            kind=kind,
            occurred_at=DEMO_TODAY,
            odometer=FEATURED_MILES,
            odometer_unit="mi",
            payload=payload,
            recorded_by="front desk" if kind == "complaint" else "bench A",
        )


def _lines(path: Path) -> list[str]:
    text = path.read_text(encoding="utf-8")
    return [line for line in text.splitlines() if line.strip() and not line.startswith("#")]


def _stamped(events: Iterable[NewEvent], moment: datetime) -> Iterator[NewEvent]:
    """Yield the events as if typed in one after the other from `moment` on, with ids."""
    for event in events:
        yield event.model_copy(
            update={
                "recorded_at": moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
                "event_id": event_id(moment, event.intake_key or f"{event.kind} of today"),
            }
        )
        moment += timedelta(seconds=20)
