"""Signed heads: what a ledger was at one moment, in an open form that a stranger can check.

A checkpoint beside a ledger can be rewritten by whoever rewrites the ledger. A head is the same
size and root, signed with a key that is kept apart (`roadworn.store.keeping`), so that a copy of
it anywhere else shows whether the ledger still begins with what it was then.

The forms are those of the C2SP specifications, so that other programs read them:

- signed-note: a text, an empty line, and lines ``— NAME BASE64`` of (key id || signature), where
  the key id is the first four bytes of SHA-256(name || 0x0A || kind || public key);
- tlog-checkpoint: the text is the origin, the size in decimal and the root in base64, a line each;
- tlog-cosignature (``cosignature/v1``): a witness signs the same text and the time it saw it;
- the body of tlog-witness's add-checkpoint: ``old SIZE``, a consistency proof (RFC 6962) in base64,
  an empty line, and the signed checkpoint.

Signatures are Ed25519 (RFC 8032), by `cryptography`, which costs 45 ms to import.
"""

import binascii
import re
import struct
import time
from base64 import b64decode, b64encode
from dataclasses import dataclass, replace
from hashlib import sha256
from typing import TYPE_CHECKING

from roadworn.model.errors import UsageError
from roadworn.store.merkle import Checkpoint, verify_consistency

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

#: Kinds of signature by the signed-note specification: a log's own, and a witness's.
LOG, WITNESS = 0x01, 0x04
_DASH = "\N{EM DASH} "
_KEY_BYTES, _ID_BYTES, _ROOT_BYTES, _MOST_PROOF = 32, 4, 32, 63
#: No name may hold what separates the parts of a line or a key.
_NAME = re.compile(r"[^\s+\x00-\x1f]+")
_SIZE = re.compile(r"0|[1-9][0-9]{0,18}")
_MOST_SIGNATURES = 64
#: Begins what a witness is handed.
_OLD = "old "


@dataclass(frozen=True, slots=True)
class Key:
    """A public key as it is printed and handed over: ``NAME+IDENTIFIER+BASE64``.

    Attributes:
        name: whose it is: a ledger's origin, or a witness's name.
        kind: `LOG` or `WITNESS`.
        public: the 32 bytes.
    """

    name: str
    kind: int
    public: bytes

    @property
    def identifier(self) -> bytes:
        """The four bytes by which a signature names its key."""
        told = self.name.encode() + b"\n" + bytes([self.kind]) + self.public
        return sha256(told).digest()[:_ID_BYTES]

    def __str__(self) -> str:
        told = b64encode(bytes([self.kind]) + self.public).decode()
        return f"{self.name}+{self.identifier.hex()}+{told}"

    @classmethod
    def parse(cls, text: str) -> "Key":
        """Return the key that a line holds.

        Raises:
            UsageError: it is none, or its identifier is another key's.
        """
        name, _, rest = text.strip().partition("+")
        identifier, _, told = rest.partition("+")
        try:
            content = b64decode(told, validate=True)
        except (binascii.Error, ValueError):
            content = b""
        kinds = (LOG, WITNESS)
        if len(content) != _KEY_BYTES + 1 or content[0] not in kinds or not _NAME.fullmatch(name):
            raise UsageError(
                f"{text.strip()[:60]!r} is no key: it is one line, NAME+IDENTIFIER+KEY, as "
                "`roadworn head --key` prints it."
            )
        key = cls(name, content[0], content[1:])
        if key.identifier.hex() != identifier.lower():
            raise UsageError(f"The key of {name} was not copied whole: its identifier differs.")
        return key


@dataclass(frozen=True, slots=True)
class Signature:
    """One line under a note."""

    name: str
    identifier: bytes
    signed: bytes

    def __str__(self) -> str:
        return f"{_DASH}{self.name} {b64encode(self.identifier + self.signed).decode()}"


@dataclass(frozen=True, slots=True)
class Head:
    """A ledger's size and root at one moment, with who signed that.

    Attributes:
        origin: name of the ledger, the same in all its heads.
        size: number of events.
        root: root over them, in hexadecimal.
        text: what was signed, byte for byte; it ends with a line end.
        signatures: who says so; not checked yet.
    """

    origin: str
    size: int
    root: str
    text: str
    signatures: tuple[Signature, ...] = ()

    @classmethod
    def of(cls, origin: str, checkpoint: Checkpoint) -> "Head":
        """Return the head of a checkpoint, without a signature."""
        root = b64encode(bytes.fromhex(checkpoint.root)).decode()
        text = f"{origin}\n{checkpoint.size}\n{root}\n"
        return cls(origin, checkpoint.size, checkpoint.root, text)

    @classmethod
    def parse(cls, note: str) -> "Head":
        """Return the head that a signed note holds.

        Raises:
            UsageError: it is none.
        """
        wrong = UsageError(
            "This is no head of a ledger: give the whole text that `roadworn head` printed, from "
            "the ledger's name to the lines that begin with a dash."
        )
        text, separator, below = note.replace("\r\n", "\n").rpartition(f"\n\n{_DASH}")
        lines, signed = f"{text}\n".split("\n")[:-1], f"{_DASH}{below}".splitlines()
        if not separator or len(lines) < 3 or len(signed) > _MOST_SIGNATURES:
            raise wrong
        origin, size, root = lines[:3]
        try:
            raw = b64decode(root, validate=True)
            signatures = tuple(_signature(line) for line in signed if line.strip())
        except (binascii.Error, ValueError):
            raise wrong from None
        if len(raw) != _ROOT_BYTES or not _SIZE.fullmatch(size) or not _NAME.fullmatch(origin):
            raise wrong
        return cls(origin, int(size), raw.hex(), f"{text}\n", signatures)

    def __str__(self) -> str:
        return f"{self.text}\n" + "".join(f"{line}\n" for line in self.signatures)

    def signed_by(self, key: Key) -> bool:
        """Return whether a line under it is that key's signature over the text."""
        return any(self._holds(line, key) for line in self.signatures)

    def signed(self, name: str, private: "Ed25519PrivateKey") -> "Head":
        """Return it with the ledger's own signature."""
        key = public_of(name, LOG, private)
        line = Signature(name, key.identifier, private.sign(self.text.encode()))
        return replace(self, signatures=(*self.signatures, line))

    def witnessed(self, name: str, private: "Ed25519PrivateKey", when: int | None = None) -> "Head":
        """Return it with a witness's signature.

        Args:
            name: the witness's.
            private: its key.
            when: seconds since 1970; now when not given.
        """
        key, when = public_of(name, WITNESS, private), int(time.time()) if when is None else when
        signed = struct.pack(">Q", when) + private.sign(_seen(self.text, when))
        line = Signature(name, key.identifier, signed)
        return replace(self, signatures=(*self.signatures, line))

    def _holds(self, line: Signature, key: Key) -> bool:
        if (line.name, line.identifier) != (key.name, key.identifier):
            return False
        if key.kind == LOG:
            return _verifies(key.public, line.signed, self.text.encode())
        when, signed = line.signed[:8], line.signed[8:]
        if len(when) != 8:
            return False
        return _verifies(key.public, signed, _seen(self.text, struct.unpack(">Q", when)[0]))


@dataclass(frozen=True, slots=True)
class Extension:
    """What a witness is handed: a head, and the proof that it extends an older state.

    Attributes:
        old: size of the older state.
        path: RFC 6962 consistency path from it, empty for nothing and for the same size.
        head: the signed head.
    """

    old: int
    path: tuple[bytes, ...]
    head: Head

    def __str__(self) -> str:
        lines = [f"old {self.old}", *(b64encode(node).decode() for node in self.path), ""]
        return "\n".join(lines) + f"\n{self.head}"

    @classmethod
    def parse(cls, text: str) -> "Extension":
        """Return what a file for a witness holds; a bare head extends nothing.

        Raises:
            UsageError: it is neither.
        """
        content = text.replace("\r\n", "\n")
        if not content.startswith(_OLD):
            return cls(0, (), Head.parse(content))
        above, _, note = content.partition("\n\n")
        first, *path = above.split("\n")
        try:
            nodes = tuple(b64decode(line, validate=True) for line in path)
        except (binascii.Error, ValueError):
            nodes = (b"",)
        old = first.removeprefix(_OLD)
        wrong = any(len(node) != _ROOT_BYTES for node in nodes) or len(nodes) > _MOST_PROOF
        if wrong or not _SIZE.fullmatch(old):
            raise UsageError(
                "The proof above the head is none: give the whole file that "
                "`roadworn head --since N` wrote."
            )
        return cls(int(old), nodes, Head.parse(note))

    def extends(self, known: Checkpoint) -> bool:
        """Return whether the head's history begins with a known one."""
        old, new = bytes.fromhex(known.root), bytes.fromhex(self.head.root)
        if known.size != self.old or known.size > self.head.size:
            return False
        if known.size == 0:
            return True
        return verify_consistency(known.size, self.head.size, old, new, list(self.path))


def public_of(name: str, kind: int, private: "Ed25519PrivateKey") -> Key:
    """Return the public half of a key, under its name."""
    return Key(name, kind, private.public_key().public_bytes_raw())


def require_name(name: str) -> str:
    """Return a name that a head may carry.

    Raises:
        UsageError: it has spaces or a plus sign, or is empty.
    """
    if not _NAME.fullmatch(name):
        raise UsageError(f"{name!r} cannot be a name here: leave out spaces and plus signs.")
    return name


def _signature(line: str) -> Signature:
    name, _, told = line.removeprefix(_DASH).partition(" ")
    content = b64decode(told, validate=True)
    if not line.startswith(_DASH) or len(content) <= _ID_BYTES or not _NAME.fullmatch(name):
        raise ValueError(line)
    return Signature(name, content[:_ID_BYTES], content[_ID_BYTES:])


def _seen(text: str, when: int) -> bytes:
    """Return what a witness signs."""
    return f"cosignature/v1\ntime {when}\n{text}".encode()


def _verifies(public: bytes, signature: bytes, content: bytes) -> bool:
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, content)
    except (InvalidSignature, ValueError):
        return False
    return True
