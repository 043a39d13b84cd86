"""Names, phone numbers and addresses: kept outside the chain, so that they can be erased.

An event carries only an opaque `owner_reference`. What it stands for is a row here, which may
be changed and deleted freely; no digest depends on it.
"""

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from roadworn.model.errors import UnknownName, UsageError
from roadworn.store.schema import plain_failures

_FIELDS = ("reference", "name", "phone", "address", "note")


@dataclass(frozen=True, slots=True)
class Contact:
    """Who an owner reference stands for."""

    reference: str
    name: str | None = None
    phone: str | None = None
    address: str | None = None
    note: str | None = None


class Contacts:
    """The contacts of one ledger."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self._path = path

    def set(
        self,
        reference: str,
        *,
        name: str | None = None,
        phone: str | None = None,
        address: str | None = None,
        note: str | None = None,
    ) -> Contact:
        """Write a contact, or change the fields given of one that is there.

        Raises:
            UsageError: the reference is empty.
        """
        if not reference.strip():
            raise UsageError("A contact needs a reference: the word that the enrolment carries.")
        with plain_failures(self._path):
            self._connection.execute(
                "INSERT INTO contacts (reference, name, phone, address, note) "
                "VALUES (?, ?, ?, ?, ?) ON CONFLICT (reference) DO UPDATE SET "
                "name = coalesce(excluded.name, name), phone = coalesce(excluded.phone, phone), "
                "address = coalesce(excluded.address, address), "
                "note = coalesce(excluded.note, note)",
                (reference, name, phone, address, note),
            )
        return self.get(reference)

    def get(self, reference: str) -> Contact:
        """Return a contact.

        Raises:
            UnknownName: there is none, or it was erased.
        """
        with plain_failures(self._path):
            row = self._connection.execute(
                f"SELECT {', '.join(_FIELDS)} FROM contacts WHERE reference = ?", (reference,)
            ).fetchone()
        if row is None:
            raise UnknownName(
                f"There is no contact {reference!r}: it was never written, or it was erased."
            )
        return Contact(*row)

    def references(self) -> list[str]:
        """Return all references, sorted."""
        with plain_failures(self._path):
            rows = self._connection.execute("SELECT reference FROM contacts ORDER BY reference")
            return [reference for (reference,) in rows]

    def erase(self, reference: str) -> bool:
        """Delete a contact for good; return whether there was one.

        The bytes are overwritten in the file, and the write-ahead log is emptied, so that the
        person's data do not stay in free pages. Copies and backups are the user's to erase.
        """
        with plain_failures(self._path):
            self._connection.execute("PRAGMA secure_delete = ON")
            erased = self._connection.execute(
                "DELETE FROM contacts WHERE reference = ?", (reference,)
            ).rowcount
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        return erased > 0
