"""What stands beside the chain and may be erased: number plates, and which file gave which events.

A number plate leads to a person, so it is in no event (`docs/decisions/number-plates.md`). Which
file gave which events is bookkeeping: it makes an import undone or read anew by another map, and
no figure rests on it.
"""

import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from roadworn.model.errors import UsageError
from roadworn.model.events import utc_now
from roadworn.store import schema
from roadworn.store.schema import plain_failures

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

_LONGEST_PLATE = 24
#: A place behind a plate has no digit and no more letters than this, as in "ABC 123 XY".
_LONGEST_PLACE = 3
_SIGNS = re.compile(r"[\W_]+")


def read_plate(text: str) -> str:
    """Return a number plate as it is kept: capital letters, single blanks.

    Raises:
        UsageError: it is none.
    """
    plate = " ".join(text.upper().split())
    if not folded(plate) or len(plate) > _LONGEST_PLATE:
        raise UsageError(
            f"{text[:60]!r} is no number plate: write it as it stands there, with its state or "
            "country behind it where that matters, as in 'ABC 123 XY'."
        )
    return plate


def folded(text: str) -> str:
    """Return the letters and digits of a text alone, in capitals."""
    return _SIGNS.sub("", text.upper())


def without_place(plate: str) -> str:
    """Return what is left of a plate, folded, without what may be its place.

    Nobody knows where a plate ends and its place begins ("AB12 CDE"), so this is only compared
    with, and never shown. Empty where nothing can be its place.
    """
    words = [folded(word) for word in plate.upper().replace(",", " ").split()]
    words = [word for word in words if word]
    last = words[-1] if words else ""
    rest = "".join(words[:-1])
    is_place = last.isalpha() and len(last) <= _LONGEST_PLACE and any(map(str.isdigit, rest))
    return rest if is_place else ""


class _Aside:
    """A table beside the events; not there in a ledger of the first shape that is only read.

    Nor for an account of a server that may not read it.
    """

    _table: ClassVar[str]

    def __init__(self, connection: "Engine", path: Path) -> None:
        self._connection = connection
        self._path = path

    def _rows(self, sql: str, *parameters: object) -> list[tuple[str, ...]]:
        with plain_failures(self._path):
            older = (self._connection.shape() or 0) < schema.SHAPE
            if older or not self._connection.may_read(self._table):
                return []
            return self._connection.execute(sql, parameters).fetchall()


class Plates(_Aside):
    """The number plates of one ledger."""

    _table = "plates"

    def set(self, vehicle_id: str, text: str) -> str:
        """Write the plate of a vehicle in the place of any before it; return it as it is kept.

        Raises:
            UsageError: it is none.
        """
        plate = read_plate(text)
        with plain_failures(self._path):
            self._connection.execute(
                "INSERT INTO plates (vehicle_id, plate) VALUES (?, ?) "
                "ON CONFLICT (vehicle_id) DO UPDATE SET plate = excluded.plate",
                (vehicle_id, plate),
            )
            # The plate before it leaves the log as well, as a contact does.
            self._connection.empty_log(0)
        return plate

    def of(self, vehicle_id: str) -> str:
        """Return the plate of a vehicle, or an empty text."""
        rows = self._rows("SELECT plate FROM plates WHERE vehicle_id = ?", vehicle_id)
        return rows[0][0] if rows else ""

    def all(self) -> dict[str, str]:
        """Return vehicle -> plate."""
        return {row[0]: row[1] for row in self._rows("SELECT vehicle_id, plate FROM plates")}

    def vehicles(self) -> dict[str, str]:
        """Return plate, its signs and blanks left out -> vehicle."""
        return {folded(plate): vehicle for vehicle, plate in self.all().items()}

    def erase(self, vehicle_ids: Iterable[str]) -> int:
        """Delete the plates of vehicles for good; return how many there were."""
        with plain_failures(self._path):
            gone = sum(
                self._connection.execute(
                    "DELETE FROM plates WHERE vehicle_id = ?", (vehicle_id,)
                ).rowcount
                for vehicle_id in vehicle_ids
            )
            self._connection.empty_log(0)
        return gone


class Imported(NamedTuple):
    """One file that was taken in.

    Attributes:
        size: number of its last event.
        after: number of the event before its first.
        file: its name, without its folder.
        made_at: moment in UTC.
    """

    size: int
    after: int
    file: str
    made_at: str


class Imports(_Aside):
    """Which file gave which events, and which row of a table the latest of them."""

    _table = "imports"

    def note(self, after: int, size: int, file: str) -> None:
        """Keep that a file gave the events with `after` < seq <= `size`; in its transaction."""
        self._connection.execute(
            "INSERT INTO imports (size, after, file, made_at) VALUES (?, ?, ?, ?)",
            (size, after, file, utc_now()),
        )

    def latest(self) -> list[Imported]:
        """Return all files that were taken in, the newest first."""
        sql = "SELECT size, after, file, made_at FROM imports ORDER BY size DESC"
        return [Imported(int(size), int(after), *rest) for size, after, *rest in self._rows(sql)]

    def keep_rows(self, csv_map: str, rows: Iterable[tuple[str, int]]) -> None:
        """Keep (mark of a row, number of its event) by a map; in the file's transaction."""
        self._connection.executemany(
            "INSERT INTO import_rows (mark, map, seq) VALUES (?, ?, ?) "
            "ON CONFLICT (mark, map) DO UPDATE SET seq = excluded.seq",
            ((mark, csv_map, seq) for mark, seq in rows),
        )

    def rows(self, marks: Iterable[str]) -> dict[str, dict[str, int]]:
        """Return mark -> map -> number of the event that a row gave, for rows taken before."""
        sql = (
            "SELECT mark, map, seq FROM import_rows WHERE mark IN (SELECT value FROM json_each(?))"
        )
        found: dict[str, dict[str, int]] = {}
        for mark, csv_map, seq in self._rows(sql, json.dumps(list(marks))):
            found.setdefault(mark, {})[csv_map] = int(seq)
        return found

    def given_by(self, csv_map: str, marks: Iterable[str]) -> dict[str, int]:
        """Return mark -> number of the event for all that rows gave by one map.

        A row that gave several events has a mark for each, which begins with its own mark.
        """
        sql = (
            "SELECT r.mark, r.seq FROM json_each(?) AS own JOIN import_rows AS r "
            "ON r.mark = own.value OR (r.mark > own.value || '/' AND r.mark < own.value || '0') "
            "WHERE r.map = ?"
        )
        found = self._rows(sql, json.dumps(list(marks)), csv_map)
        return {mark: int(seq) for mark, seq in found}
