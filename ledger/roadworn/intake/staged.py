"""A large import in stages, so that nobody waits for it to its end.

The file is taken on a copy of the ledger first, where nobody else writes: every row is read,
validated and judged there, and what is wrong ends it before anything was written. What the copy
gained is then handed over to the ledger in stages, each a transaction with a checkpoint, and
whoever waits writes between two of them. Where others wrote of a vehicle meanwhile, the rest of its
rows is judged once more.

An import that is killed leaves whole stages. The same file again adds the others, since every event
has its key, and `roadworn undo` takes all stages back as one import.
"""

from collections.abc import Iterator
from itertools import groupby
from typing import TYPE_CHECKING, Any, NamedTuple

import orjson

from roadworn.model.errors import LedgerRefused
from roadworn.model.events import StoredEvent
from roadworn.store.aside import moment_of_parts
from roadworn.store.writer import COLUMNS, Prepared, Row

if TYPE_CHECKING:
    from roadworn.intake import Ledger
    from roadworn.store.writer import Writer

#: So many events are handed over at once: a few hundredths of a second for who waits.
STAGE = 5_000
#: What others write of this kind is about more vehicles than the one that it names.
_OF_SEVERAL = frozenset({"merge"})
#: A row of the events, its number first.
_Event = tuple[Any, ...]
_SEQ, _VEHICLE = 0, 2


class HandedOver(NamedTuple):
    """What became of the events of a copy.

    Attributes:
        added: how many are new in the ledger.
        already_there: how many others had written meanwhile.
    """

    added: int
    already_there: int


def hand_over(
    copy: "Ledger", ledger: "Ledger", after: int, file: str, *, allow_repeat: bool = False
) -> HandedOver:
    """Put what a copy of a ledger gained since it was made into the ledger, in stages.

    Args:
        copy: of the ledger, with an import taken on it.
        ledger: where to.
        after: number of the last event that both have.
        file: name of what was imported, kept with each stage.
        allow_repeat: as `Ledger.append` takes it.

    Raises:
        LedgerRefused: what others wrote meanwhile speaks against a row; the stages before are in.
        LedgerBusy: another process is writing.
    """
    handing = _Handing(copy, ledger, after, file, allow_repeat=allow_repeat)
    if copy.query("SELECT 1 FROM import_rows LIMIT 1"):
        copy.query("CREATE INDEX import_rows_by_event ON import_rows(seq)")
    sql = f"SELECT {COLUMNS} FROM events WHERE seq > ? ORDER BY seq LIMIT ?"
    while stage := copy.query(sql, (after, STAGE)):
        handing.stage(stage)
        after = stage[-1][_SEQ]
        ledger.let_others()
    handing.marks_of_known()
    return HandedOver(handing.added, handing.already_there)


class _Handing:
    def __init__(
        self, copy: "Ledger", ledger: "Ledger", after: int, file: str, *, allow_repeat: bool
    ) -> None:
        self.added = self.already_there = 0
        self._copy = copy
        self._ledger = ledger
        self._common = self._known = after
        self._file = file
        self._allow_repeat = allow_repeat
        self._made_at = moment_of_parts()
        self._touched: set[str] = set()
        self._touches_all = False

    def stage(self, events: list[_Event]) -> None:
        """Put events into the ledger in one transaction."""
        with self._ledger.writing(allow_repeat=self._allow_repeat) as writer:
            self._see_others(writer.seq)
            first = writer.seq
            numbers: dict[int, int] = {}
            for alone, run in groupby(events, self._is_judged_anew):
                for event in self._in_one_stroke(writer, list(run), numbers, alone=alone):
                    numbers[event[_SEQ]] = self._judged(writer, event)
            if writer.seq > first:
                self._ledger.imports.note(first, writer.seq, self._file, self._made_at)
            self._keep_marks(events[0][_SEQ], events[-1][_SEQ], numbers)
            writer.finish()
        self._known = writer.seq
        self.added += writer.added
        self.already_there += writer.already_there

    def marks_of_known(self) -> None:
        """Keep which rows gave events that were in the ledger before; in a transaction."""
        told = "SELECT mark, map, seq FROM import_rows WHERE seq <= ? ORDER BY map, mark"
        rows = self._copy.query(told, (self._common,))
        new: dict[str, list[tuple[str, int]]] = {}
        for at in range(0, len(rows), STAGE):
            part = rows[at : at + STAGE]
            known = self._ledger.imports.rows(mark for mark, _, _ in part)
            for mark, csv_map, seq in part:
                if known.get(mark, {}).get(csv_map) is None:
                    new.setdefault(csv_map, []).append((mark, seq))
        if new:
            with self._ledger.writing():
                for csv_map, marked in new.items():
                    self._ledger.imports.keep_rows(csv_map, marked)

    def _see_others(self, upto: int) -> None:
        """Note of which vehicles others wrote since the last look."""
        sql = "SELECT DISTINCT vehicle_id, kind FROM events WHERE seq > ? AND seq <= ?"
        for vehicle_id, kind in self._ledger.query(sql, (self._known, upto)):
            self._touched.add(vehicle_id)
            self._touches_all = self._touches_all or kind in _OF_SEVERAL

    def _is_judged_anew(self, event: _Event) -> bool:
        return self._touches_all or event[_VEHICLE] in self._touched

    def _in_one_stroke(
        self, writer: "Writer", run: list[_Event], numbers: dict[int, int], *, alone: bool
    ) -> Iterator[_Event]:
        """Add a run as far as nothing of it is there already; yield what is to be judged."""
        while run and not alone:
            first = writer.seq
            count = writer.add_unchecked([event[1:] for event in run])
            numbers.update((event[_SEQ], first + at) for at, event in enumerate(run[:count], 1))
            yield from run[count : count + 1]
            run = run[count + 1 :]
        yield from run

    def _judged(self, writer: "Writer", event: _Event) -> int:
        """Add an event as if it came now; return its number in the ledger."""
        row = Row(*event[1:])
        result = writer.add(
            Prepared(row, orjson.loads(row.payload), id_given=True, time_given=True)
        )
        if isinstance(result, StoredEvent):
            return result.seq
        raise LedgerRefused(
            f"Others wrote of {row.vehicle_id} while {self._file} was imported, and an event of "
            f"the file does not go with that: {result[0].message} {self.added:,} events of the "
            "file are in the ledger: import it again, which adds no event twice and names the "
            "rows; or take it back with `roadworn undo import`."
        )

    def _keep_marks(self, first: int, last: int, numbers: dict[int, int]) -> None:
        sql = "SELECT map, mark, seq FROM import_rows WHERE seq >= ? AND seq <= ? ORDER BY map"
        rows = self._copy.query(sql, (first, last))
        for csv_map, part in groupby(rows, lambda row: str(row[0])):
            self._ledger.imports.keep_rows(csv_map, ((mark, numbers[seq]) for _, mark, seq in part))
