"""Names, telephone numbers and addresses: outside the chain, sealed, and free to be erased.

A ledger with a key (`roadworn.store.keeping`) keeps each contact encrypted with a key of its own
(AES-256 in Galois counter mode, NIST SP 800-38D), which lies in the folder of keys and in no
backup. Erasing destroys that key, and so reaches every copy of the ledger, its log and the free
pages of the file. The same folder keeps a digest of each row as last written, by which `verify`
sees a contact that another program changed, put in or took out.

Without a key the contacts are plain text, and erasing reaches the file and its log alone.
"""

import json
import os
import re
from base64 import b64decode, b64encode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from roadworn.model.errors import EnvironmentFailure, LedgerDamaged, UnknownName, UsageError
from roadworn.model.messages import Problem
from roadworn.store import keeping
from roadworn.store.schema import plain_failures

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

#: How long erasing waits for who still reads the ledger as it was before, in seconds.
_READERS_SECONDS = 5.0
_FIELDS = ("name", "phone", "address", "note")
_SELECT = f"SELECT reference, {', '.join(_FIELDS)} FROM contacts"
#: Begins what is encrypted; the number is of this form.
_SEALED = "sealed:1:"
_NONCE_BYTES, _KEY_BITS = 12, 256

Row = tuple[str, str | None, str | None, str | None, str | None]


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
            vault = _Vault.of(self._path, self._rows())
            self._connection.begin_writing()
            try:
                before = self._row(reference)
                known = {} if before is None or vault.lost(before) else vault.read(before)
                told = {field: given[field] or known.get(field) for field in _FIELDS}
                after = vault.sealed(reference, told)
                vault.write(reference, before, after)
                self._put(after)
                self._connection.end_writing(kept=True)
            except BaseException:
                self._connection.end_writing(kept=False)
                raise
            vault.settle(reference, after)
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
            vault = _Vault.of(self._path, [row] if row else [], writing=False)
        if row is None or vault.lost(row):
            is_word = re.fullmatch(r"[\w.-]+", reference)
            kept = quote(reference) if is_word else f"OWNER-1 --name {quote(reference)}"
            raise UnknownName(
                f"There is no contact {reference!r}: it was never written, or it was erased. Write "
                f"it with `roadworn contact {kept} --phone …`, and say whose a vehicle is with "
                f"`roadworn record profile VEHICLE --owner {reference if is_word else 'OWNER-1'}`; "
                "by a name or a number `roadworn find` looks."
            )
        return vault.contact(row)

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
        vault = _Vault.of(self._path, rows, writing=False)
        return [vault.contact(row) for row in rows if not vault.lost(row)]

    def erase(self, reference: str) -> bool:
        """Delete a contact for good; return whether there was one.

        Its key is destroyed, so that no copy of the ledger can be read for it; the bytes are
        overwritten in the file, and the write-ahead log is emptied.

        Raises:
            EnvironmentFailure: it is deleted, but somebody reads the ledger as it was before, so
                the log still holds it; erasing once more empties that, too.
        """
        with plain_failures(self._path):
            vault = _Vault.of(self._path, self._rows(), writing=False)
            before = self._row(reference)
            if before is not None:
                vault.write(reference, before, None)
            erased = self._connection.execute(
                "DELETE FROM contacts WHERE reference = ?", (reference,)
            ).rowcount
            vault.forget(reference)
            if not self._connection.empty_log(_READERS_SECONDS):
                raise EnvironmentFailure(
                    f"{reference} is deleted, but what was kept of it still stands in "
                    f"{self._path.name}-wal, because another program is reading the ledger: end "
                    "that one, then erase it once more."
                )
        return erased > 0

    def seal(self) -> int:
        """Encrypt what stands in plain text, where the ledger has a key; return how many.

        What the keys say of the rows is written anew: after a backup was put back.
        """
        with plain_failures(self._path):
            rows = self._rows()
            vault = _Vault.of(self._path, rows, writing=False)
            plain = [row for row in rows if not _is_sealed(row)]
            vault.expect(row for row in rows if not vault.lost(row))
            for row in plain if vault.seals else ():
                self.set(row[0])
        return len(plain) if vault.seals else 0

    def problems(self) -> list[Problem]:
        """Return what of the contacts is not as it was last written, where the keys are here."""
        with plain_failures(self._path):
            if not self._connection.may_read("contacts"):
                return []
            rows = {row[0]: row for row in self._rows()}
        return _Vault.of(self._path, list(rows.values()), writing=False).problems(rows)

    def _rows(self) -> list[Row]:
        if not self._connection.may_read("contacts"):
            return []
        return self._connection.execute(f"{_SELECT} ORDER BY reference").fetchall()

    def _row(self, reference: str) -> Row | None:
        if not self._connection.may_read("contacts"):
            return None
        found = self._connection.execute(f"{_SELECT} WHERE reference = ?", (reference,))
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


class _Vault:
    """The keys of one ledger's contacts, by reference, and what their rows should be.

    Before a row is written both the row it was and the row it will be are allowed, so that a
    program killed in between raises no alarm.
    """

    def __init__(self, file: Path | None, held: dict[str, dict[str, Any]]) -> None:
        self._file = file
        self._held = held
        #: Whether what is written is encrypted.
        self.seals = file is not None

    @classmethod
    def of(cls, ledger: Path, rows: list[Row], *, writing: bool = True) -> "_Vault":
        """Return the keys of a ledger's contacts, or what stands for none.

        Raises:
            EnvironmentFailure: `writing`, and rows are sealed with keys that are not here.
        """
        kept = keeping.kept_of(ledger)
        if kept is not None and kept.signs:
            file = kept.place / "contacts.json"
            return cls(file, _read(file))
        if writing and (kept is not None or any(map(_is_sealed, rows))):
            raise EnvironmentFailure(
                f"The contacts of {ledger} are sealed with keys that are not here: write them on "
                f"the machine that made the ledger, or name its folder of keys with {keeping.KEYS}."
            )
        return cls(None, {})

    def lost(self, row: Row) -> bool:
        """Return whether a row was sealed with a key that was destroyed."""
        return self.seals and _is_sealed(row) and row[0] not in self._held

    def contact(self, row: Row) -> Contact:
        """Return what a row says."""
        if _is_sealed(row) and not self.seals:
            return Contact(row[0], sealed=True)
        told = self.read(row)
        return Contact(row[0], told["name"], told["phone"], told["address"], told["note"])

    def read(self, row: Row) -> dict[str, str | None]:
        """Return the fields of a row.

        Raises:
            LedgerDamaged: they were not sealed with its key.
        """
        told = dict(zip(_FIELDS, row[1:], strict=True))
        return {field: self._opened(row[0], field, text) for field, text in told.items()}

    def sealed(self, reference: str, told: Mapping[str, str | None]) -> Row:
        """Return the row to write for a contact, its key being made where there is none."""
        if not self.seals:
            return reference, *(told[field] for field in _FIELDS)  # type: ignore[return-value]
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

        return reference, seal("name"), seal("phone"), seal("address"), seal("note")

    def write(self, reference: str, before: Row | None, after: Row | None) -> None:
        """Say that a row is about to become another."""
        if reference in self._held:
            self._held[reference]["rows"] = [_digest(before), _digest(after)]
            self._save()

    def settle(self, reference: str, row: Row) -> None:
        """Say that a row was written."""
        if reference in self._held:
            self._held[reference]["rows"] = [_digest(row)]
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
        hint = "find out who wrote to the file; write the contact anew, or erase it"
        found = []
        for reference, held in sorted(self._held.items()):
            if _digest(rows.get(reference)) not in held["rows"]:
                done = "changed" if reference in rows else "taken out"
                message = f"The contact {reference} was {done} by another program."
                found.append(Problem("contact-changed", message, hint))
        for reference, row in rows.items():
            if reference not in self._held and not _is_sealed(row):
                message = f"The contact {reference} stands in plain text: not written here."
                found.append(Problem("contact-plain", message, "`roadworn contact --seal`"))
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
                f"The contact {reference} was changed by another program: run `roadworn verify`, "
                "then write it anew or erase it."
            ) from None

    def _save(self) -> None:
        if self._file is not None:
            keeping.write(self._file, json.dumps(self._held, indent=1))


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


def _is_sealed(row: Row) -> bool:
    return any(text is not None and str(text).startswith(_SEALED) for text in row[1:])


def _bound(reference: str, field: str) -> bytes:
    """Return what a text is sealed to, so that no row can be put in the place of another."""
    return f"{reference}\0{field}".encode()


def _digest(row: Row | None) -> str | None:
    return None if row is None else sha256(json.dumps(row).encode()).hexdigest()
