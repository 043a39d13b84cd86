"""Rows that lead to a person, each encrypted with a key of its own that lies apart from the ledger.

AES-256 in Galois counter mode (NIST SP 800-38D). The keys lie in the folder of keys and in no
backup: to destroy one is to erase its row in every copy. The same folder keeps a digest of each
row as last written, by which `verify` sees one that another program changed, put in or took out.
"""

import json
import os
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from roadworn.model.errors import EnvironmentFailure, LedgerDamaged
from roadworn.model.messages import Problem
from roadworn.store import keeping

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

#: Begins what is encrypted; the number is of this form.
_SEALED = "sealed:1:"
_NONCE_BYTES, _KEY_BITS = 12, 256
#: A writer takes a few hundredths of a second between its two turns.
_LOOKS = 50

#: What the key belongs to, then the fields.
Row = tuple[Any, ...]


class Table(NamedTuple):
    """A table whose rows are sealed.

    Attributes:
        code: begins the codes of its problems.
        one: what a row is called.
        several: what rows are called.
        of: stands between that and what the row belongs to.
        key: its first column: what the row belongs to.
        fields: its other columns.
    """

    code: str
    one: str
    several: str
    of: str
    key: str
    fields: tuple[str, ...]

    @property
    def name(self) -> str:
        """The name of the table, and of the file of its keys without its end."""
        return f"{self.code}s"

    @property
    def select(self) -> str:
        """The question for all of its rows."""
        return f"SELECT {self.key}, {', '.join(self.fields)} FROM {self.name}"


class Vault:
    """The keys of one table's rows, by the first column, and what the rows should be.

    Before a row is written both the row it was and the row it will be are allowed, so that a
    program killed in between raises no alarm.
    """

    def __init__(self, table: Table, file: Path | None, held: dict[str, dict[str, Any]]) -> None:
        self._table = table
        self._file = file
        self._held = held
        #: Whether what is written is encrypted.
        self.seals = file is not None
        #: What each row is to be that was written through this vault.
        self.written: dict[str, Row] = {}

    @property
    def begun(self) -> bool:
        """Whether a row was ever sealed here."""
        return self._file is not None and self._file.exists()

    @classmethod
    def of(
        cls, table: Table, ledger: Path, rows: Iterable[Row] = (), *, writing: bool = True
    ) -> "Vault":
        """Return the keys of a table of a ledger, or what stands for none.

        To write them use `writing`.

        Raises:
            EnvironmentFailure: `writing`, and rows are sealed with keys that are not here.
        """
        kept = keeping.kept_of(ledger)
        if kept is not None and kept.signs:
            file = kept.place / f"{table.name}.json"
            return cls(table, file, _read(file))
        if writing and (kept is not None or any(map(is_sealed, rows))):
            raise EnvironmentFailure(
                f"The {table.several} of {ledger} are sealed with keys that are not here: write "
                "them on the machine that made the ledger, or name its folder of keys with "
                f"{keeping.KEYS}."
            )
        return cls(table, None, {})

    @property
    def expected(self) -> dict[str, tuple[str | None, ...]]:
        """The digests of the rows that there may be, by what they belong to."""
        return {reference: tuple(held["rows"]) for reference, held in self._held.items()}

    def lost(self, row: Row) -> bool:
        """Return whether a row was sealed with a key that was destroyed."""
        return self.seals and is_sealed(row) and row[0] not in self._held

    def away(self, row: Row) -> bool:
        """Return whether a row is sealed with keys that are not here."""
        return is_sealed(row) and not self.seals

    def read(self, row: Row) -> dict[str, str | None]:
        """Return the fields of a row.

        Raises:
            LedgerDamaged: they were not sealed with its key.
        """
        told = dict(zip(self._table.fields, row[1:], strict=True))
        return {field: self._opened(row[0], field, text) for field, text in told.items()}

    def sealed(self, reference: str, told: Mapping[str, str | None]) -> Row:
        """Return the row to write, its key being made where there is none."""
        if not self.seals:
            return (reference, *(told[field] for field in self._table.fields))
        from cryptography.hazmat.primitives.ciphers.aead import AESGCM

        made = {"key": b64encode(AESGCM.generate_key(_KEY_BITS)).decode(), "rows": []}
        cipher = AESGCM(b64decode(self._held.setdefault(reference, made)["key"]))

        def seal(field: str) -> str | None:
            text = told[field]
            if text is None:
                return None
            nonce = os.urandom(_NONCE_BYTES)
            content = cipher.encrypt(nonce, text.encode(), _bound(reference, field))
            return _SEALED + b64encode(nonce + content).decode()

        return (reference, *map(seal, self._table.fields))

    def write(self, reference: str, before: Row | None, after: Row | None) -> None:
        """Say that a row is about to become another."""
        if after is not None:
            self.written[reference] = after
        if reference in self._held:
            self._held[reference]["rows"] = [_digest(before), _digest(after)]
            self._save()

    def settle(self, written: Mapping[str, Row]) -> None:
        """Say that rows were written, of which nobody has written another since."""
        for reference, row in written.items():
            held = self._held.get(reference)
            if held is not None and _digest(row) in held["rows"]:
                held["rows"] = [_digest(row)]
        self._save()

    def forget(self, reference: str) -> None:
        """Destroy a key."""
        if self._held.pop(reference, None) is not None:
            self._save()

    def expect(self, rows: Iterable[Row]) -> None:
        """Take the rows as they stand for what they should be."""
        there = {row[0]: row for row in rows}
        for reference, held in self._held.items():
            held["rows"] = [_digest(there.get(reference))]
        if self._held:
            self._save()

    def problems(self, rows: Mapping[str, Row]) -> list[Problem]:
        """Return the rows that are not what they should be."""
        if not self.seals:
            return []
        one = self._table
        hint = f"find out who wrote to the file; write the {one.one} anew, or erase it"
        found = []
        for reference, held in sorted(self._held.items()):
            if _digest(rows.get(reference)) not in held["rows"]:
                done = "changed" if reference in rows else "taken out"
                message = f"The {one.one} {one.of}{reference} was {done} by another program."
                found.append(Problem(f"{one.code}-changed", message, hint))
        for reference, row in rows.items():
            if reference not in self._held and not is_sealed(row):
                message = (
                    f"The {one.one} {one.of}{reference} stands in plain text: not written here."
                )
                found.append(Problem(f"{one.code}-plain", message, "`roadworn contact --seal`"))
        return found

    def _opened(self, reference: str, field: str, text: str | None) -> str | None:
        if text is None or not text.startswith(_SEALED):
            return text
        from cryptography.exceptions import InvalidTag
        from cryptography.hazmat.primitives.ciphers.aead import AESGCM

        try:
            content = b64decode(text[len(_SEALED) :], validate=True)
            cipher = AESGCM(b64decode(self._held[reference]["key"]))
            nonce, rest = content[:_NONCE_BYTES], content[_NONCE_BYTES:]
            return cipher.decrypt(nonce, rest, _bound(reference, field)).decode()
        except (InvalidTag, ValueError, KeyError):
            raise LedgerDamaged(
                f"The {self._table.one} {self._table.of}{reference} was changed by another "
                "program: run `roadworn verify`, then write it anew or erase it."
            ) from None

    def _save(self) -> None:
        if self._file is not None:
            keeping.write(self._file, json.dumps(self._held, indent=1))


def problems_of(
    ledger: Path, table: Table, read: Callable[[], Iterable[Row]]
) -> tuple[Vault, list[Problem]]:
    """Return the keys of a table, and which of its rows are not what they should be.

    Rows and keys stand in two places, so they are read until nobody wrote in between.

    Args:
        ledger: its path.
        table: whose rows.
        read: reads them.
    """
    vault = Vault.of(table, ledger, writing=False)
    for _ in range(_LOOKS):
        rows = {str(row[0]): row for row in read()}
        again = Vault.of(table, ledger, writing=False)
        if again.expected == vault.expected:
            break
        vault = again
    return vault, vault.problems(rows)


@contextmanager
def writing(
    connection: "Engine", ledger: Path, table: Table, *, needs_keys: bool = True
) -> Iterator[Vault]:
    """Hold the write lock while rows and their keys are changed; wrap it in `plain_failures`.

    Keys are read, changed and written under the lock alone, or those that another program makes
    meanwhile would be lost. So what was written is said in a second turn, behind the commit.

    Args:
        connection: of the ledger.
        ledger: its path.
        table: whose rows.
        needs_keys: refuse where the keys are not here.

    Raises:
        EnvironmentFailure: the rows are sealed with keys that are not here.
    """
    connection.begin_writing()
    try:
        rows = connection.execute(table.select).fetchall() if needs_keys else []
        vault = Vault.of(table, ledger, rows, writing=needs_keys)
        yield vault
        connection.end_writing(kept=True)
    except BaseException:
        connection.end_writing(kept=False)
        raise
    if vault.seals and vault.written:
        connection.let_others()
        connection.begin_writing()
        try:
            Vault.of(table, ledger, writing=False).settle(vault.written)
        finally:
            connection.end_writing(kept=False)


def _read(file: Path) -> dict[str, dict[str, Any]]:
    try:
        held = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except ValueError:
        held = None
    if not isinstance(held, dict):
        raise EnvironmentFailure(f"{file} is damaged: put back a copy of your folder of keys.")
    return held


def is_sealed(row: Row) -> bool:
    """Return whether a row is encrypted."""
    return any(text is not None and str(text).startswith(_SEALED) for text in row[1:])


def _bound(reference: str, field: str) -> bytes:
    """Return what a text is sealed to, so that no row can be put in the place of another."""
    return f"{reference}\0{field}".encode()


def _digest(row: Row | None) -> str | None:
    return None if row is None else sha256(json.dumps(row).encode()).hexdigest()
