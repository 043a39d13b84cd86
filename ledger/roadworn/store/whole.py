"""Files that are there whole or not at all, whatever ends the program half way, and where."""

import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from uuid import uuid4

from roadworn.model.errors import EnvironmentFailure

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
        making.unlink(missing_ok=True)
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
