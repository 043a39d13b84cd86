"""A PostgreSQL server of our own for a run: in a temporary folder, on a socket, thrown away."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def programs() -> Path | None:
    """Return the folder of the server's programs, or None where there are none."""
    found = shutil.which("initdb")
    places = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return Path(found).resolve().parent
    return places[-1].parent if places else None


@contextmanager
def running(*, durable: bool = False) -> Iterator[str]:
    """Start a server; yield the beginning of its address, up to the account.

    Args:
        durable: whether a commit waits for the disk, as it must where that is measured.
    """
    place = programs()
    assert place is not None
    # A socket's path may have about a hundred letters.
    folder = Path(tempfile.mkdtemp(prefix="rw-pg-", dir="/tmp"))
    # The server refuses to run as root.
    account = "postgres" if os.geteuid() == 0 else None
    if account:
        os.chown(folder, pwd.getpwnam(account).pw_uid, -1)

    def do(name: str, *words: str) -> None:
        with (folder / f"{name}.txt").open("w") as log:
            command = [place / name, *words]
            subprocess.run(command, check=True, user=account, stdout=log, stderr=log, cwd=folder)

    data = str(folder / "data")
    do("initdb", "-D", data, "-U", "root", "--auth=trust", "--no-sync", "-E", "UTF8",
       "--locale=C")  # fmt: skip
    settings = f"-k {folder} -c listen_addresses='' -c max_connections=60"
    if not durable:
        settings += " -c fsync=off -c full_page_writes=off"
    do("pg_ctl", "-D", data, "-o", settings, "-l", str(folder / "log.txt"), "-w", "start")
    try:
        yield f"postgresql://%s@/%s?host={folder}"
    finally:
        do("pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
        shutil.rmtree(folder, ignore_errors=True)
