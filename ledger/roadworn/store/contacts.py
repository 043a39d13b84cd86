"""Names, telephone numbers and addresses: outside the chain, sealed, and free to be erased.

A ledger with a key (`roadworn.store.keeping`) keeps each contact encrypted with a key of its own
(`roadworn.store.sealing`). Erasing destroys that key, and so reaches every copy of the ledger, its
log and the free pages of the file.

Without a key the contacts are plain text, and erasing reaches the file and its log alone.
"""

import re
from dataclasses import dataclass
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from roadworn.model.errors import EnvironmentFailure, UnknownName, UsageError
from roadworn.model.messages import Problem
from roadworn.store import sealing
from roadworn.store.schema import plain_failures
from roadworn.store.sealing import Row, Table, Vault, is_sealed

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

#: How long erasing waits for who still reads the ledger as it was before, in seconds.
_READERS_SECONDS = 5.0
_FIELDS = ("name", "phone", "address", "note")
_TABLE = Table("contact", "contact", "contacts", "", "reference", _FIELDS)


@dataclass(frozen=True, slots=True)
class Contact:
    """Who an owner reference stands for.

    Attributes:
        reference: what the enrolment carries.
        sealed: there is more, but the keys are not here; the other fields are None.
    """

    reference: str
    name: str | None = None
    phone: str | None = None
    address: str | None = None
    note: str | None = None
    sealed: bool = False


class Contacts:
    """The contacts of one ledger."""

    def __init__(self, connection: "Engine", path: Path) -> None:
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
            EnvironmentFailure: the contacts are sealed with keys that are not here.
        """
        if not reference.strip():
            raise UsageError("A contact needs a reference: the word that the enrolment carries.")
        given = {"name": name, "phone": phone, "address": address, "note": note}
        with plain_failures(self._path):
            with sealing.writing(self._connection, self._path, _TABLE) as vault:
                before = self._row(reference)
                known = {} if before is None or vault.lost(before) else vault.read(before)
                told = {field: given[field] or known.get(field) for field in _FIELDS}
                after = vault.sealed(reference, told)
                vault.write(reference, before, after)
                self._put(after)
            # What the contact was before leaves the log as well, now or with a later change.
            self._connection.empty_log(0)
        return self.get(reference)

    def get(self, reference: str) -> Contact:
        """Return a contact.

        Raises:
            UnknownName: there is none, or it was erased.
            LedgerDamaged: another program wrote it.
        """
        with plain_failures(self._path):
            row = self._row(reference)
            vault = Vault.of(_TABLE, self._path, writing=False)
        if row is None or vault.lost(row):
            is_word = re.fullmatch(r"[\w.-]+", reference)
            kept = quote(reference) if is_word else f"OWNER-1 --name {quote(reference)}"
            raise UnknownName(
                f"There is no contact {reference!r}: it was never written, or it was erased. Write "
                f"it with `roadworn contact {kept} --phone …`, and say whose a vehicle is with "
                f"`roadworn record profile VEHICLE --owner {reference if is_word else 'OWNER-1'}`; "
                "by a name or a number `roadworn find` looks."
            )
        return _told(vault, row)

    def references(self) -> list[str]:
        """Return all references, sorted."""
        return [contact.reference for contact in self.all()]

    def all(self) -> list[Contact]:
        """Return all contacts, by reference.

        Raises:
            LedgerDamaged: another program wrote one.
        """
        with plain_failures(self._path):
            rows = self._rows()
        vault = Vault.of(_TABLE, self._path, writing=False)
        return [_told(vault, row) for row in rows if not vault.lost(row)]

    def erase(self, reference: str) -> bool:
        """Delete a contact for good; return whether there was one.

        Its key is destroyed, so that no copy of the ledger can be read for it; the bytes are
        overwritten in the file, and the write-ahead log is emptied. What was sealed does not wait
        for that: nobody can read it where it still stands.

        Raises:
            EnvironmentFailure: it is deleted, but stood in plain text, and somebody reads the
                ledger as it was before, so the log still holds it; erasing once more empties that.
        """
        with plain_failures(self._path):
            writing = sealing.writing(self._connection, self._path, _TABLE, needs_keys=False)
            with writing as vault:
                before = self._row(reference)
                if before is not None:
                    vault.write(reference, before, None)
                erased = self._connection.execute(
                    "DELETE FROM contacts WHERE reference = ?", (reference,)
                ).rowcount
                unread = vault.seals and before is not None and is_sealed(before)
                vault.forget(reference)
            if not self._connection.empty_log(0 if unread else _READERS_SECONDS) and not unread:
                raise EnvironmentFailure(
                    f"{reference} is deleted, but what was kept of it still stands in "
                    f"{self._path.name}-wal, because another program is reading the ledger: end "
                    "that one, then erase it once more."
                )
        return erased > 0

    def seal(self) -> int:
        """Encrypt what stands in plain text, where the ledger has a key; return how many.

        What the keys say of the rows is written anew: after a backup was put back.

        Raises:
            EnvironmentFailure: they are sealed, but somebody reads the ledger as it was before, so
                the log still holds them in plain text.
        """
        with plain_failures(self._path):
            with sealing.writing(self._connection, self._path, _TABLE, needs_keys=False) as vault:
                rows = self._rows()
                plain = [row for row in rows if not is_sealed(row)]
                vault.expect(row for row in rows if not vault.lost(row))
            for row in plain if vault.seals else ():
                self.set(str(row[0]))
            stands = vault.seals and plain and not self._connection.empty_log(_READERS_SECONDS)
        if stands:
            raise EnvironmentFailure(
                f"The contacts are sealed, but their plain text still stands in {self._path.name}-"
                "wal, because another program is reading the ledger: end that one and all others "
                "that have it open, which empties the log."
            )
        return len(plain) if vault.seals else 0

    def problems(self) -> list[Problem]:
        """Return what of the contacts is not as it was last written, where the keys are here."""
        with plain_failures(self._path):
            if not self._connection.may_read("contacts"):
                return []
            return sealing.problems_of(self._path, _TABLE, self._rows)[1]

    def _rows(self) -> list[Row]:
        if not self._connection.may_read("contacts"):
            return []
        return self._connection.execute(f"{_TABLE.select} ORDER BY reference").fetchall()

    def _row(self, reference: str) -> Row | None:
        if not self._connection.may_read("contacts"):
            return None
        found = self._connection.execute(f"{_TABLE.select} WHERE reference = ?", (reference,))
        row: Row | None = found.fetchone()
        return row

    def _put(self, row: Row) -> None:
        marks = ", ".join("?" * len(row))
        fields = ", ".join(f"{field} = excluded.{field}" for field in _FIELDS)
        self._connection.execute(
            f"INSERT INTO contacts (reference, {', '.join(_FIELDS)}) VALUES ({marks}) "
            f"ON CONFLICT (reference) DO UPDATE SET {fields}",
            row,
        )


def _told(vault: Vault, row: Row) -> Contact:
    """Return what a row says."""
    if vault.away(row):
        return Contact(str(row[0]), sealed=True)
    told = vault.read(row)
    return Contact(str(row[0]), told["name"], told["phone"], told["address"], told["note"])
