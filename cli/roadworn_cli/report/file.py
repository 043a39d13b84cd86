"""Writes a sheet to where the user wants it; over an earlier sheet only when asked to."""

import os
import sys
from collections.abc import Callable
from pathlib import Path

from roadworn.errors import EnvironmentFailure, UsageError
from roadworn_cli.report.page import BEGINS


def check_target(out: str, ledger: Path, *, overwrite: bool = False) -> None:
    """Refuse a file that cannot be meant before minutes of work are done for it.

    Args:
        out: where the sheet is to go, ``-`` for stdout.
        ledger: never written over.
        overwrite: an earlier sheet may be written over; any other file never is.

    Raises:
        UsageError: no file is named, it is there already, or it is no sheet.
        EnvironmentFailure: its folder is not there, or it cannot be read.
    """
    if not out:
        raise UsageError("Say where the sheet goes: -o sheet.html, or -o - for stdout.")
    if out == "-":
        return
    path = Path(out)
    if path.is_dir():
        raise UsageError(f"{out} is a folder: name a file in it, as {path / 'sheet.html'}.")
    if not path.parent.is_dir():
        raise EnvironmentFailure(f"The folder {path.parent} is not there: make it first.")
    if not path.exists():
        return
    try:
        with path.open("rb") as file:
            start = file.read(len(BEGINS))
    except OSError as error:
        raise EnvironmentFailure(
            f"{out} cannot be read ({error.strerror}): name another file."
        ) from error
    if path.resolve() == ledger.resolve() or (start and start != BEGINS.encode()):
        raise UsageError(f"{out} is there and is no sheet: name another file, nothing was written.")
    if not overwrite:
        raise UsageError(
            f"{out} is there already: name another file, or add --overwrite; nothing was written."
        )


def put(out: str, text: str, say: Callable[[str], None]) -> None:
    """Write a sheet whole or not at all, and say where it is.

    Raises:
        EnvironmentFailure: it cannot be written there.
    """
    if out == "-":
        sys.stdout.write(text)
        return
    path = Path(out)
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise EnvironmentFailure(
            f"{out} cannot be written ({error.strerror}): see to its folder, or name another file."
        ) from error
    say(f"Written: {path} ({len(text.encode()) / 1e6:.2f} MB).")
