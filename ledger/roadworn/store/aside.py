"""What stands beside the chain and may be erased: number plates, and which file gave which events.

A number plate leads to a person, so it is in no event (`docs/decisions/number-plates.md`), and is
encrypted with a key of its own where the ledger has one (`roadworn.store.sealing`). Which file gave
which events is bookkeeping: it makes an import undone or read anew by another map, and no figure
rests on it.
"""

import json
import re
import secrets
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, NamedTuple

from roadworn.model.errors import LedgerDamaged, UsageError
from roadworn.model.events import utc_now
from roadworn.model.messages import Problem
from roadworn.store import schema, sealing
from roadworn.store.schema import plain_failures
from roadworn.store.sealing import Row, Table, Vault, is_sealed

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

_LONGEST_PLATE = 24
#: A place behind a plate has no digit and no more letters than this, as in "ABC 123 XY".
_LONGEST_PLACE = 3
#: So long is a moment without its Z.
_SECONDS = len("2026-12-01T12:00:00")
_TABLE = Table("plate", "number plate", "number plates", "of ", "vehicle_id", ("plate",))
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

    def _readable(self) -> bool:
        older = (self._connection.shape() or 0) < schema.SHAPE
        return not older and self._connection.may_read(self._table)

    def _rows(self, sql: str, *parameters: object) -> list[tuple[Any, ...]]:
        with plain_failures(self._path):
            if not self._readable():
                return []
            return self._connection.execute(sql, parameters).fetchall()


class Plates(_Aside):
    """The number plates of one ledger."""

    _table = "plates"

    def set(self, vehicle_id: str, text: str) -> str:
        """Write the plate of a vehicle in the place of any before it; return it as it is kept.

        Raises:
            UsageError: it is none.
            EnvironmentFailure: plates are sealed with keys that are not here.
        """
        plate = read_plate(text)
        self.set_all({vehicle_id: plate})
        return plate

    def set_all(self, plates: Mapping[str, str]) -> None:
        """Write the plates of vehicles, all or none, in the place of any before them.

        Raises:
            UsageError: one is none.
            EnvironmentFailure: plates are sealed with keys that are not here.
        """
        read = {vehicle_id: read_plate(text) for vehicle_id, text in plates.items()}
        with self._written() as vault:
            if not vault.begun:
                # Those of a ledger from before; later ones in plain text are another program's.
                self._seal(vault)
            for vehicle_id, plate in read.items():
                self._put(vault, vehicle_id, plate)

    def of(self, vehicle_id: str) -> str:
        """Return the plate of a vehicle, or an empty text."""
        return self._told(self._rows(f"{_TABLE.select} WHERE vehicle_id = ?", vehicle_id)).get(
            vehicle_id, ""
        )

    def all(self) -> dict[str, str]:
        """Return vehicle -> plate, those left out that cannot be read: `problems` tells why."""
        return self._told(self._rows(_TABLE.select))

    def vehicles(self) -> dict[str, str]:
        """Return plate, its signs and blanks left out -> vehicle."""
        return {folded(plate): vehicle for vehicle, plate in self.all().items()}

    def erase(self, vehicle_ids: Iterable[str]) -> int:
        """Delete the plates of vehicles for good, in every copy; return how many there were."""
        gone = 0
        with self._written(needs_keys=False) as vault:
            for vehicle_id in vehicle_ids:
                row = self._row(vehicle_id)
                if row is not None:
                    vault.write(vehicle_id, row, None)
                    self._connection.execute(
                        "DELETE FROM plates WHERE vehicle_id = ?", (vehicle_id,)
                    )
                    gone += 1
                vault.forget(vehicle_id)
        return gone

    def seal(self) -> int:
        """Encrypt what stands in plain text, where the ledger has a key; return how many.

        What the keys say of the rows is written anew: after a backup was put back.
        """
        with self._written(needs_keys=False) as vault:
            vault.expect(row for row in self._rows(_TABLE.select) if not vault.lost(row))
            return self._seal(vault)

    def problems(self) -> list[Problem]:
        """Return the plates that are not as they were last written, where the keys are here."""
        if not self._readable():
            return []
        vault, found = sealing.problems_of(self._path, _TABLE, lambda: self._rows(_TABLE.select))
        # A ledger from before keeps them in plain text until the next one is written.
        return found if vault.begun else []

    @contextmanager
    def _written(self, *, needs_keys: bool = True) -> Iterator[Vault]:
        """Hold the write lock for a change of plates and their keys."""
        writing = sealing.writing(self._connection, self._path, _TABLE, needs_keys=needs_keys)
        with plain_failures(self._path):
            with writing as vault:
                yield vault
            # The plate before it leaves the log as well, as a contact does.
            self._connection.empty_log(0)

    def _seal(self, vault: Vault) -> int:
        rows = (
            [row for row in self._rows(_TABLE.select) if not is_sealed(row)] if vault.seals else []
        )
        for vehicle_id, plate in rows:
            self._put(vault, str(vehicle_id), str(plate))
        return len(rows)

    def _put(self, vault: Vault, vehicle_id: str, plate: str) -> None:
        # Both rows stay allowed: a program killed between key and commit raises no alarm.
        row = vault.sealed(vehicle_id, {"plate": plate})
        vault.write(vehicle_id, self._row(vehicle_id), row)
        self._connection.execute(
            "INSERT INTO plates (vehicle_id, plate) VALUES (?, ?) "
            "ON CONFLICT (vehicle_id) DO UPDATE SET plate = excluded.plate",
            row,
        )

    def _row(self, vehicle_id: str) -> Row | None:
        rows = self._rows(f"{_TABLE.select} WHERE vehicle_id = ?", vehicle_id)
        return rows[0] if rows else None

    def _told(self, rows: list[Row]) -> dict[str, str]:
        told = {str(row[0]): str(row[1]) for row in rows if not is_sealed(row)}
        sealed = [row for row in rows if is_sealed(row)]
        if not sealed:
            return told
        vault = Vault.of(_TABLE, self._path, writing=False)
        for row in sealed:
            if not vault.lost(row) and not vault.away(row):
                with suppress(LedgerDamaged):
                    told[str(row[0])] = vault.read(row)["plate"] or ""
        return told


class Imported(NamedTuple):
    """One file that was taken in.

    Attributes:
        parts: (number of the event before its first, number of its last), in their order; one,
            or more where others wrote in between.
        file: its name, without its folder.
        made_at: moment in UTC.
    """

    parts: tuple[tuple[int, int], ...]
    file: str
    made_at: str

    def gave(self, seq: int) -> bool:
        """Return whether an event came with it."""
        return any(after < seq <= size for after, size in self.parts)


def moment_of_parts() -> str:
    """Return the present moment in the form that tells the parts of one import from others."""
    return f"{utc_now()[:-1]}.{secrets.randbelow(10**9):09}Z"


class Imports(_Aside):
    """Which file gave which events, and which row of a table the latest of them."""

    _table = "imports"

    def note(self, after: int, size: int, file: str, made_at: str = "") -> None:
        """Keep that a file gave the events with `after` < seq <= `size`; in its transaction.

        Args:
            after: number of the event before the first.
            size: number of the last event.
            file: its name.
            made_at: of `moment_of_parts`, the same for all parts of one file.
        """
        self._connection.execute(
            "INSERT INTO imports (size, after, file, made_at) VALUES (?, ?, ?, ?)",
            (size, after, file, made_at or utc_now()),
        )

    def latest(self) -> list[Imported]:
        """Return all files that were taken in, the newest first."""
        sql = "SELECT file, made_at, after, size FROM imports ORDER BY size"
        found: dict[tuple[str, str, int], list[tuple[int, int]]] = {}
        for file, made_at, after, size in self._rows(sql):
            alone = 0 if "." in made_at else int(size)
            found.setdefault((file, made_at, alone), []).append((int(after), int(size)))
        return [
            Imported(tuple(parts), file, f"{made_at[:_SECONDS]}Z")
            for (file, made_at, _), parts in reversed(found.items())
        ]

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
