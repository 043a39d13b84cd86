"""Files that are there whole or not at all, whatever ends the program half way, and where.

A path stands for every ledger: that of its file, or of a small file with the address of its server.
What lies beside a file (kept columns, the public key, the checkpoint, photographs) lies beside the
small file then, on the machine that asks.
"""

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path
from urllib.parse import urlsplit
from uuid import uuid4

from roadworn.model.errors import EnvironmentFailure, NotALedger, UsageError

#: Owner only: a ledger, what is kept beside it, and its copies hold customers' data.
_PRIVATE = 0o600


@contextmanager
def made_whole(target: Path, *, new: bool = False) -> Iterator[Path]:
    """Give a name to write to; once that is on the disk it becomes `target`, in one step.

    Args:
        target: the file to make or replace; its folder must exist.
        new: there must be no file of that name, not even one made meanwhile.

    Yields:
        The path of an empty file in the same folder. It is removed when an exception leaves; a
        program that is killed leaves it under a name that ends in ``.making``.

    Raises:
        FileExistsError: `new`, and there is a file of that name.
        OSError: the folder cannot be written.
    """
    if new and os.path.lexists(target):
        raise FileExistsError(target)
    # A long name has no room for more letters.
    making = target.with_name(f".{target.name[:40]}.{uuid4().hex[:8]}.making")
    os.close(os.open(making, os.O_CREAT | os.O_EXCL | os.O_WRONLY, _PRIVATE))
    try:
        yield making
        making.chmod(_PRIVATE)  # some writers put a file of their own there
        _to_disk(making)
        if new:
            _put_new(making, target)
        else:
            making.replace(target)
    finally:
        for end in ("", "-wal", "-shm"):  # a database that the disk did not take leaves its log
            making.with_name(f"{making.name}{end}").unlink(missing_ok=True)
    with suppress(OSError):  # a folder cannot be opened everywhere
        _to_disk(target.parent)


def _put_new(making: Path, target: Path) -> None:
    try:
        os.link(making, target)
    except FileExistsError:
        raise
    except OSError:  # a memory stick has no links
        if os.path.lexists(target):
            raise FileExistsError(target) from None
        making.replace(target)


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


#: Where a system lists what is mounted, and the kinds of which the files lie on another machine.
_MOUNTS = Path("/proc/self/mounts")
_NETWORK = re.compile(r"(nfs|cifs|smb|afs|ceph|lustre|fuse\.(sshfs|glusterfs|rclone|s3fs))")


def require_local(path: Path) -> None:
    """Refuse to write where locks and the log's shared memory do not hold between machines.

    SQLite's own word: "WAL does not work over a network filesystem" (sqlite.org, "Write-Ahead
    Logging"). Only systems that list their mounts in /proc are asked.

    Raises:
        EnvironmentFailure: the file lies on another machine.
    """
    try:
        listed = _MOUNTS.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return
    place, kind = "", ""
    where = f"{path.resolve()}/"
    for line in listed:
        _, at, mounted, *_ = [*line.split(" "), "", "", ""]
        at = at.replace("\\040", " ").rstrip("/")
        if len(at) >= len(place) and where.startswith(f"{at}/"):
            place, kind = at, mounted
    if _NETWORK.match(kind):
        raise EnvironmentFailure(
            f"{path} lies on a network file system ({kind}), where two machines that write at once "
            "would damage it: keep the ledger on a disk of the machine that writes it, and let "
            "others use the page (`roadworn serve`) or a backup."
        )


#: Where the small files that stand for servers are kept.
SERVERS = "ROADWORN_SERVERS"
_SERVERS = ("postgresql://", "postgres://")
_LONGEST_URL = 2_000


def is_server(text: str) -> bool:
    """Return whether a ledger's name is that of a server."""
    return text.startswith(_SERVERS)


def url_of(path: Path) -> str | None:
    """Return where a path leads, when its file names a ledger on a server; else None."""
    try:
        with path.open("rb") as file:
            told = file.read(_LONGEST_URL).decode("ascii", "replace")
    except OSError:
        return None
    return told.strip() if is_server(told) else None


def shown(path: Path) -> str:
    """Return a ledger's name for a message: the address of its server, or the path."""
    return url_of(path) or str(path)


def place_of(ledger: str | Path) -> Path:
    """Return the path of a ledger that is named by its file, or by the address of its server.

    Raises:
        UsageError: the address holds a password, or names no database.
        EnvironmentFailure: the file that stands for the server cannot be written.
    """
    url = str(ledger)
    if not is_server(url):
        return Path(ledger)
    try:
        parts = urlsplit(url)
        name, password = parts.path.strip("/"), parts.password
    except ValueError:
        name, password = "", None
    if not name or not name.isprintable() or "/" in name:
        raise UsageError(
            f"{url!r} names no database: write it as postgresql://ACCOUNT@HOST/DATABASE."
        )
    if password is not None or "password" in parts.query:
        raise UsageError(
            "An address with a password can be read by everybody on this machine: leave it out, "
            "and keep the password in ~/.pgpass, as PostgreSQL has it."
        )
    folder = _folder() / f"{re.sub(r'[^a-z0-9.-]+', '-', name.lower())}-{_mark(url)}"
    path = folder / "ledger"
    if url_of(path) != url:
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            with made_whole(path) as making:
                making.write_text(f"{url}\n", encoding="utf-8")
        except OSError as error:
            raise EnvironmentFailure(
                f"{folder} cannot be written ({error.strerror}), where what is kept of the server "
                f"goes: name another folder with {SERVERS}."
            ) from error
    return path


def _folder() -> Path:
    named = os.environ.get(SERVERS)
    if named:
        return Path(named)
    home = os.environ.get("LOCALAPPDATA" if sys.platform == "win32" else "XDG_DATA_HOME")
    return Path(home or Path.home() / ".local" / "share") / "roadworn" / "servers"


def _mark(url: str) -> str:
    return sha256(url.encode()).hexdigest()[:8]


def require_file(path: Path) -> None:
    """Say that there is no ledger where one is named, before SQLite is asked to open it.

    Raises:
        EnvironmentFailure: there is nothing at the path.
        NotALedger: it is a folder.
    """
    if not path.exists():
        raise EnvironmentFailure(
            f"There is no ledger at {path}: make one with `roadworn create`, "
            "or name yours with --ledger."
        )
    if not path.is_file():
        raise NotALedger(f"{path} is not a file: name the ledger with --ledger.")
