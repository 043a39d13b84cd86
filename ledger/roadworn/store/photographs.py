"""Photographs beside the ledger: files named by the digest of their bytes.

An event holds the digest and never the picture, so that a picture can be erased on request while
the history stays whole, and one that was exchanged is noticed. Nothing here looks into a picture
but at its first bytes, which say what it truly is.
"""

from collections.abc import Iterable
from contextlib import closing, suppress
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from roadworn.model.errors import EnvironmentFailure, UsageError
from roadworn.model.events import Amendment, taken_back
from roadworn.model.messages import Problem
from roadworn.store.schema import connect, plain_failures
from roadworn.store.whole import made_whole

if TYPE_CHECKING:
    from roadworn.store.engine import Engine

Media = Literal["image/jpeg", "image/png", "image/webp"]
_ENDINGS: dict[Media, str] = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp"}
_HEX = frozenset("0123456789abcdef")


def media_of(data: bytes) -> Media | None:
    """Return what a file truly is by its first bytes, or None when it is none of the three.

    Sources: ISO/IEC 10918-1 annex B (SOI marker), W3C PNG section 5.2, the WebP container
    specification (RIFF header).
    """
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    return None


class Photographs:
    """The pictures of one ledger, in the folder ``shop.db.photographs`` beside ``shop.db``.

    Args:
        ledger: path of the ledger's file.
    """

    def __init__(self, ledger: Path) -> None:
        self.folder = ledger.with_name(f"{ledger.name}.photographs")

    def put(self, data: bytes) -> tuple[str, Media]:
        """Keep a picture; one that is there already stays.

        Returns:
            Its SHA-256 digest in hexadecimal digits, and what it is.

        Raises:
            UsageError: it is no JPEG, PNG or WebP by its bytes.
            EnvironmentFailure: it cannot be written.
        """
        media = media_of(data)
        if media is None:
            raise UsageError("That file is no photograph: JPEG, PNG and WebP are taken.")
        digest = sha256(data).hexdigest()
        path = self._path(digest, media)
        try:
            self.folder.mkdir(mode=0o700, exist_ok=True)
            if self.get(digest) is None:
                with made_whole(path) as making:
                    making.write_bytes(data)
        except OSError as error:
            raise EnvironmentFailure(
                f"The photograph cannot be kept in {self.folder} ({error.strerror}): see to that "
                "folder and try again."
            ) from error
        return digest, media

    def get(self, digest: str) -> tuple[bytes, Media] | None:
        """Return a picture and what it is; None when it is erased, lost or not what it was."""
        if len(digest) != 64 or not set(digest) <= _HEX:
            return None
        for media in _ENDINGS:
            with suppress(OSError):
                data = self._path(digest, media).read_bytes()
                return (data, media) if sha256(data).hexdigest() == digest else None
        return None

    def there(self, digest: str) -> bool:
        """Whether a picture of that name is there; `get` says whether it is what it was."""
        return any(self._path(digest, media).is_file() for media in _ENDINGS)

    def erase(self, digest: str) -> bool:
        """Remove a picture for good, and return whether it was there. Copies are yours to erase."""
        there = False
        if len(digest) == 64 and set(digest) <= _HEX:
            for media in _ENDINGS:
                path = self._path(digest, media)
                there = there or path.is_file()
                path.unlink(missing_ok=True)
        return there

    def _path(self, digest: str, media: Media) -> Path:
        return self.folder / f"{digest}.{_ENDINGS[media]}"


_NAMED = """SELECT seq, event_id, json_extract(payload, '$.digest') FROM events
            WHERE kind = 'photograph' ORDER BY seq"""
_AMENDING = """
SELECT * FROM (SELECT seq, event_id, kind, coalesce(
  CASE WHEN kind = 'retraction' THEN json_extract(payload, '$.event') END,
  json_extract(payload, '$.replaces')) AS target
FROM events) AS said WHERE target IS NOT NULL
"""
_AGAIN = "put the file back from a backup; what was erased on purpose is taken back with `retract`"


def named_photographs(connection: "Engine") -> dict[str, int]:
    """Return digest -> number of the first event that counts and names it."""
    rows = connection.execute(_NAMED).fetchall()
    if not rows:
        return {}
    undone = taken_back(
        Amendment(seq, event_id, target, kind == "retraction")
        for seq, event_id, kind, target in connection.execute(_AMENDING).fetchall()
    )
    found: dict[str, int] = {}
    for seq, event_id, digest in rows:
        if event_id not in undone:
            found.setdefault(digest, seq)
    return found


def check_photographs(ledger: Path) -> list[Problem]:
    """Return a problem for each picture that an event names and that is missing or another one."""
    with plain_failures(ledger), closing(connect(ledger, writable=False)) as connection:
        named = named_photographs(connection)
    store, found = Photographs(ledger), []
    for digest, seq in named.items():
        if store.get(digest) is not None:
            continue
        changed = store.there(digest)
        state = "is not what it was" if changed else "is missing"
        code = "photograph-changed" if changed else "photograph-missing"
        what = f"The photograph {digest[:16]} of event {seq} {state}"
        found.append(Problem.of(code, what, _AGAIN, row=seq))
    return found


def copy_photographs(source: Path, copy: Path, digests: Iterable[str]) -> tuple[int, int]:
    """Copy the pictures of a ledger beside a copy of it, each looked at by its digest.

    Args:
        source: the ledger's file.
        copy: the copy's file.
        digests: of those that its events name.

    Returns:
        How many were copied, and how many are missing or not what they were, and left out.

    Raises:
        EnvironmentFailure: one cannot be written.
    """
    here, there = Photographs(source), Photographs(copy)
    copied = left_out = 0
    for digest in digests:
        found = here.get(digest)
        if found is None:
            left_out += 1
        else:
            there.put(found[0])
            copied += 1
    return copied, left_out
