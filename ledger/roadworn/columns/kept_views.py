"""Views that many ask and that take long, kept as files beside the columns of a large ledger.

Who asks about lives in a new process waits for their making each time: of a million events that
is seconds. A file is named by a digest of all that a view is made from: root and size of the
ledger, the day, what goes by, the settings and the program. Whatever changes, changes the name; a
file that is damaged or foreign counts as none. Of a small ledger reading is no faster than making.
"""

import hashlib
import uuid
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import orjson

from roadworn.columns.spec import ViewSpec, sql_text

if TYPE_CHECKING:
    import duckdb

#: Raised whenever the form of a file changes.
_FORMAT = 1
#: The views that are kept.
NAMES = ("main.part_lives", "main.comebacks", "main.true_distance")
#: Of all days and states together; the oldest are thrown away.
_MOST_FILES = 12


@dataclass(frozen=True, slots=True)
class KeptViews:
    """The kept views of one state of a ledger, seen in one way.

    Attributes:
        folder: where the files lie.
        state: digest of everything that they are made from.
        making: part of the name of a file that is being written, of this process alone.
    """

    folder: Path
    state: str
    making: str

    @classmethod
    def of(cls, columns: Path, state: object) -> "KeptViews":
        """Return those of a state.

        Args:
            columns: the folder of the ledger's columns.
            state: what the views are made from, as JSON can hold it.
        """
        import duckdb

        content = orjson.dumps([_FORMAT, duckdb.__version__, state], default=repr)
        digest = hashlib.sha256(content).hexdigest()
        return cls(columns / "views", digest[:40], uuid.uuid4().hex[:8])

    def file(self, name: str) -> Path:
        """Return the file of a view."""
        return self.folder / f"{name.removeprefix('main.')}-{self.state}.parquet"

    def allow(self, con: "duckdb.DuckDBPyConnection") -> None:
        """Let a connection reach these files and no others; before it is locked."""
        paths = [path for name in NAMES for path in (self.file(name), self._unfinished(name))]
        listed = ", ".join(sql_text(str(path.absolute())) for path in paths)
        con.execute(f"SET allowed_paths = [{listed}]")

    def load(self, con: "duckdb.DuckDBPyConnection", view: ViewSpec, full: str) -> bool:
        """Make a table of what is kept of a view; return False where nothing sound is."""
        import duckdb

        file = self.file(view.name)
        try:
            if file.with_suffix(".sha256").read_text() != _digest(file):
                return False
            cells = ", ".join(
                f'CAST("{name}" AS {kind}) AS "{name}"' for name, kind, _ in view.columns
            )
            con.execute(
                f"CREATE TABLE {full} AS SELECT {cells} "
                f"FROM read_parquet({sql_text(str(file.absolute()))})"
            )
        except (OSError, duckdb.Error):
            return False
        return True

    def save(self, con: "duckdb.DuckDBPyConnection", view: ViewSpec, full: str) -> None:
        """Keep a table that was made of a view; where there is no place for it, nothing is kept."""
        import duckdb

        file, making = self.file(view.name), self._unfinished(view.name)
        try:
            self.folder.parent.mkdir(mode=0o700, exist_ok=True)
            self.folder.mkdir(mode=0o700, exist_ok=True)
            con.execute(
                f"COPY {full} TO {sql_text(str(making.absolute()))} (FORMAT parquet)"
            ).fetchall()
            # A reader that comes between the two finds no digest that fits, and makes its own.
            file.with_suffix(".sha256").write_text(_digest(making))
            making.replace(file)
            self._tidy()
        except (OSError, duckdb.Error):
            with suppress(OSError):
                making.unlink()

    def _unfinished(self, name: str) -> Path:
        return self.file(name).with_suffix(f".{self.making}.making")

    def _tidy(self) -> None:
        """Throw away the oldest files while there are too many."""
        files = sorted(self.folder.glob("*.parquet"), key=lambda file: file.stat().st_mtime)
        for file in files[:-_MOST_FILES]:
            file.unlink(missing_ok=True)
            file.with_suffix(".sha256").unlink(missing_ok=True)


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
