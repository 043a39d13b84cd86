"""Where a ledger's signing key, its last head and a witness's memory are kept: not beside it.

Whoever may rewrite the ledger's folder must not be able to sign a head, nor to put back the last
one. So they lie in a folder of the person's own (`folder`), or wherever ROADWORN_KEYS says: a
memory stick, for instance. Beside the ledger stands only the public key, which says that a head
was promised.
"""

import os
import re
import sys
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from roadworn.model.errors import EnvironmentFailure, LedgerRefused, UsageError
from roadworn.store.heads import LOG, WITNESS, Extension, Head, Key, public_of, require_name
from roadworn.store.merkle import EMPTY, Checkpoint, has_checkpoint
from roadworn.store.schema import connect
from roadworn.store.whole import made_whole

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

#: Names the folder of keys when it is elsewhere.
KEYS = "ROADWORN_KEYS"
_PRIVATE_FOLDER = 0o700
_RANDOM_BYTES = 6


def folder() -> Path:
    """Return the folder of keys; it need not be there yet."""
    named = os.environ.get(KEYS)
    if named:
        return Path(named)
    home = os.environ.get("APPDATA" if sys.platform == "win32" else "XDG_CONFIG_HOME")
    return Path(home or Path.home() / ".config") / "roadworn" / "keys"


def key_file(ledger: Path) -> Path:
    """Return where the public key beside a ledger stands."""
    return ledger.with_name(f"{ledger.name}.vkey")


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of one ledger apart from it.

    Attributes:
        key: its public key.
        place: folder of the private key and the last head.
    """

    key: Key
    place: Path

    @property
    def signs(self) -> bool:
        """Whether heads can be signed here."""
        return (self.place / "key.pem").exists()

    def last(self) -> Head | None:
        """Return the last head that was signed here, or None.

        Raises:
            UsageError: the file is no head.
        """
        return _read_head(self.place / "head")

    def is_home(self, ledger: Path) -> bool:
        """Return whether the ledger stands where its heads are signed, and is no copy elsewhere."""
        with suppress(OSError):
            return (self.place / "ledger").read_text(encoding="utf-8").strip() == _where(ledger)
        return True

    def move_home(self, ledger: Path) -> None:
        """Say that the ledger stands there from now on.

        Raises:
            EnvironmentFailure: the folder of keys cannot be written.
        """
        if self.signs and not self.is_home(ledger):
            write(self.place / "ledger", f"{_where(ledger)}\n")

    def private(self) -> "Ed25519PrivateKey":
        """Return the private key.

        Raises:
            EnvironmentFailure: it is not here, or cannot be read.
        """
        return _read_private(self.place / "key.pem")

    def sign(self, checkpoint: Checkpoint, *, anew: bool = False) -> Head:
        """Return the signed head of a checkpoint, and keep it as the last one.

        That the last one leads to it is for the caller to see.

        Args:
            checkpoint: of the ledger.
            anew: the last head is given up; it stays beside the new one, under a name with its
                size.

        Raises:
            EnvironmentFailure: the key is not here, or the folder cannot be written.
        """
        head = Head.of(self.key.name, checkpoint).signed(self.key.name, self.private())
        kept = self.last()
        if kept is not None and anew:
            write(self.place / f"head.given-up-{kept.size}", str(kept))
        if kept is None or anew or kept.size <= head.size:
            write(self.place / "head", str(head))
        return head


def make_key(ledger: Path, name: str = "") -> Kept:
    """Make a ledger's signing key, and put its public half beside the ledger.

    Args:
        ledger: the ledger.
        name: under which its heads are known; made up when not given.

    Raises:
        LedgerRefused: it has one.
        UsageError: the name has spaces or plus signs.
        EnvironmentFailure: the folder of keys cannot be written.
    """
    if key_file(ledger).exists():
        raise LedgerRefused(f"{ledger} has a key already: {key_file(ledger).name}.")
    name = require_name(name or f"roadworn-ledger/{os.urandom(_RANDOM_BYTES).hex()}")
    private, key = _new_key(name, LOG)
    kept = Kept(key, _place(key))
    _make_folder(kept.place)
    write(kept.place / "key.pem", private)
    write(kept.place / "ledger", f"{_where(ledger)}\n")
    kept.sign(EMPTY)
    write(key_file(ledger), f"{key}\n")
    return kept


def kept_of(ledger: Path) -> Kept | None:
    """Return what is kept of a ledger, or None when it never had a key.

    The public key beside the ledger says so, or, where that was taken away, a folder of keys
    that knows the ledger by its place.

    Raises:
        UsageError: the file beside the ledger is no key.
    """
    with suppress(FileNotFoundError):
        key = Key.parse(key_file(ledger).read_text(encoding="utf-8"))
        return Kept(key, _place(key))
    for told in folder().glob("*/ledger"):
        with suppress(OSError, UsageError):
            if told.read_text(encoding="utf-8").strip() != _where(ledger):
                continue
            head = _read_head(told.parent / "head")
            private = _read_private(told.parent / "key.pem")
            if head is not None:
                return Kept(public_of(head.origin, LOG, private), told.parent)
    return None


def head_to_hand_over(ledger: Path, checkpoint: Checkpoint) -> Head | None:
    """Return a checkpoint's signed head for a sheet, or None where it cannot well be signed.

    It is not kept as the last one; that the ledger had the last one is only looked up among its
    checkpoints, since the sheet is waited for. `roadworn verify` compares the events.

    Args:
        ledger: the ledger.
        checkpoint: what the sheet was made from.
    """
    kept = kept_of(ledger)
    last = kept.last() if kept is not None and kept.signs else None
    if kept is None or last is None:
        return None
    with closing(connect(ledger, writable=False)) as connection:
        leads_here = last.size == 0 or has_checkpoint(connection, Checkpoint(last.size, last.root))
    if not leads_here:
        return None
    return Head.of(kept.key.name, checkpoint).signed(kept.key.name, kept.private())


def witness(extension: Extension, key: Key | None, name: str) -> Head:
    """Sign a head as a witness, when it extends what was seen of that ledger here before.

    Args:
        extension: the head, with a proof from the size last seen.
        key: the ledger's, needed the first time; after that it is remembered.
        name: the witness's.

    Returns:
        The head with the witness's signature added.

    Raises:
        UsageError: the first time no key was given, or the proof begins at another size.
        LedgerRefused: the signature is not the ledger's, or the head extends nothing seen here.
    """
    head = extension.head
    known = _read_key(folder() / "seen" / _slug(head.origin) / "key")
    if known is None and key is None:
        raise UsageError(
            f"Nothing of {head.origin} was seen here before: give its key with --key, as "
            "`roadworn head --key` prints it on the ledger's own machine."
        )
    if known is not None and key is not None and known != key:
        raise LedgerRefused(
            f"{head.origin} was seen here with another key: ask its owner why that changed."
        )
    trusted = known or key
    if trusted is None or trusted.name != head.origin or not head.signed_by(trusted):
        raise LedgerRefused(f"The head is not signed by the key of {head.origin}.")
    place = folder() / "seen" / _slug(head.origin)
    seen = _read_head(place / "head")
    before = EMPTY if seen is None else Checkpoint(seen.size, seen.root)
    if head.size < before.size or (head.size == before.size and head.root != before.root):
        raise LedgerRefused(
            f"The head is of {head.size} events, and {before.size} were seen here: the ledger "
            "was put back or rewritten. Nothing was signed."
        )
    if before.size not in (0, head.size) and extension.old != before.size:
        raise UsageError(
            f"{before.size} events were seen here: make the head with "
            f"`roadworn head --since {before.size}`."
        )
    same = before.size == head.size
    if not same and not Extension(before.size, extension.path, head).extends(before):
        raise LedgerRefused(
            f"The head does not extend the {before.size} events that were seen here: the history "
            "was rewritten. Nothing was signed."
        )
    private = _own_key(require_name(name))
    signed = head.witnessed(name, private)
    _make_folder(place)
    write(place / "key", f"{trusted}\n")
    write(place / "head", str(head))
    return signed


def witness_key(name: str) -> Key:
    """Return the public key of the witness of that name here, made when there is none."""
    return public_of(require_name(name), WITNESS, _own_key(name))


def _own_key(name: str) -> "Ed25519PrivateKey":
    file = folder() / "witness" / f"{_slug(name)}.pem"
    if not file.exists():
        private, _ = _new_key(name, WITNESS)
        _make_folder(file.parent)
        write(file, private)
    return _read_private(file)


def _new_key(name: str, kind: int) -> tuple[str, Key]:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

    private = Ed25519PrivateKey.generate()
    told = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    return told.decode(), public_of(name, kind, private)


def _place(key: Key) -> Path:
    return folder() / f"{_slug(key.name)}-{key.identifier.hex()}"


def _where(ledger: Path) -> str:
    return str(ledger.resolve())


def _slug(name: str) -> str:
    return re.sub(r"[^\w.-]+", "_", name)[:60].lstrip(".")


def _read_head(file: Path) -> Head | None:
    try:
        return Head.parse(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None


def _read_key(file: Path) -> Key | None:
    try:
        return Key.parse(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None


def _read_private(file: Path) -> "Ed25519PrivateKey":
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        private = load_pem_private_key(file.read_bytes(), None)
    except FileNotFoundError:
        raise EnvironmentFailure(
            f"The signing key is not here ({file}): sign on the machine that made the ledger, or "
            f"name its folder of keys with {KEYS}."
        ) from None
    except (OSError, ValueError, TypeError) as error:
        raise EnvironmentFailure(f"{file} cannot be read as a key: {error}.") from error
    if not isinstance(private, Ed25519PrivateKey):
        raise EnvironmentFailure(f"{file} is another kind of key: it must be an Ed25519 one.")
    return private


def _make_folder(place: Path) -> None:
    try:
        place.mkdir(parents=True, exist_ok=True, mode=_PRIVATE_FOLDER)
    except OSError as error:
        raise EnvironmentFailure(
            f"The folder of keys {place} cannot be made ({error.strerror}): name another with "
            f"{KEYS}, or leave the key out with --without-key."
        ) from error


def write(file: Path, text: str) -> None:
    """Write a file of the folder of keys, whole or not at all, for its owner alone.

    Raises:
        EnvironmentFailure: it cannot be written.
    """
    try:
        with made_whole(file) as making:
            making.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise EnvironmentFailure(
            f"{file} cannot be written ({error.strerror}): see to the rights of its folder."
        ) from error
