"""A copy of a ledger that was checked before it is called one."""

from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from roadworn.model.errors import EnvironmentFailure, LedgerDamaged, LedgerRefused
from roadworn.store import LedgerFile
from roadworn.store.keeping import key_file, write
from roadworn.store.merkle import require_room, write_beside
from roadworn.store.photographs import copy_photographs, named_photographs
from roadworn.store.schema import connect, copy_to_file, plain_failures
from roadworn.store.verify import verify
from roadworn.store.whole import made_whole, url_of


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that verified: where it is, and the checkpoint it was made at.

    Attributes:
        path: the copy.
        size: number of events.
        root: root over them, in hexadecimal.
        photographs: pictures copied beside it.
        left_out: pictures that its events name and that are missing or not what they were.
    """

    path: Path
    size: int
    root: str
    photographs: int = 0
    left_out: int = 0


def back_up(ledger: Path, copy: Path) -> Backup:
    """Copy a ledger, from a file or a server to a file or a server, and verify the copy.

    Writers may go on meanwhile; the copy is the ledger as of one commit.

    Args:
        ledger: the ledger.
        copy: the file to make; a checkpoint, the ledger's public key and its photographs are put
            beside it.

    Raises:
        UsageError: the name is too long.
        LedgerRefused: there is a file of that name.
        LedgerDamaged: the copy does not verify, so the ledger does not either; it is removed.
        EnvironmentFailure: the copy cannot be written.
    """
    with LedgerFile.open(ledger, writable=False):
        pass  # a file that is no ledger is refused before anything is made
    require_room(copy)
    if url_of(copy) is not None:
        made = _onto_server(ledger, copy)
        pictures, left_out = _photographs(ledger, copy, copy)
        _beside_too(ledger, copy)
        return replace(made, photographs=pictures, left_out=left_out)
    try:
        with made_whole(copy, new=True) as making:
            with plain_failures(copy), closing(connect(ledger, writable=False)) as source:
                copy_to_file(source, making)
            made = _checked(making, copy)
            pictures, left_out = _photographs(ledger, making, copy)
    except FileExistsError:
        raise LedgerRefused(
            f"{copy} exists already: choose another name, a backup is never overwritten."
        ) from None
    except OSError as error:
        raise EnvironmentFailure(
            f"{copy} cannot be made ({error.strerror}): check that its folder exists and can be "
            "written."
        ) from error
    _beside_too(ledger, copy)
    return replace(made, photographs=pictures, left_out=left_out)


def _photographs(ledger: Path, making: Path, copy: Path) -> tuple[int, int]:
    with plain_failures(copy), closing(connect(making, writable=False)) as copied:
        named = named_photographs(copied)
    return copy_photographs(ledger, copy, named)


def _onto_server(ledger: Path, copy: Path) -> Backup:
    from roadworn.store.server import ServerEngine

    with (
        plain_failures(copy),
        closing(connect(ledger, writable=False)) as source,
        closing(connect(copy, writable=True)) as target,
    ):
        if target.shape() is not None or not isinstance(target, ServerEngine):
            raise LedgerRefused(
                f"{url_of(copy)} holds a ledger already: name another database, a ledger is "
                "never overwritten."
            )
        target.make(source)
    return _checked(copy, copy)


def _beside_too(ledger: Path, copy: Path) -> None:
    with suppress(OSError), closing(connect(copy, writable=False)) as copied:
        write_beside(copy, copied)
    _with_key(ledger, copy)


def _with_key(ledger: Path, copy: Path) -> None:
    """Put the public key beside a copy: whoever has the folder of keys knows it by that."""
    with suppress(FileNotFoundError):
        key = key_file(ledger).read_text(encoding="utf-8")
        if not key_file(copy).exists():
            write(key_file(copy), key)


def _checked(making: Path, copy: Path) -> Backup:
    report = verify(making)
    if report.problems:
        raise LedgerDamaged(
            f"The copy does not verify ({report.problems[0].message}) and was removed: run "
            "`roadworn verify` on the ledger."
        )
    return Backup(copy, report.size, report.root)
