"""Problems are values: what is wrong with data, where it stands, and what to do about it.

They are kept apart from exceptions so that an import can show all of them at once and
so that tests and other programs can compare them.
"""

from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Problem:
    """One finding about given or stored data.

    Attributes:
        code: short stable word, for instance ``unknown-component``.
        message: one plain sentence.
        hint: what to do about it, or an empty text.
        file: file name as the user gave it, or an empty text.
        row: 1-based row or line in that file (or ledger ``seq``), 0 when it has none.
        column: column or field name, or an empty text.
    """

    code: str
    message: str
    hint: str = ""
    file: str = ""
    row: int = 0
    column: str = ""

    def __str__(self) -> str:
        """Return ``file:row:column: message (hint) [code]`` with absent places left out."""
        place = ":".join(part for part in (self.file, str(self.row or ""), self.column) if part)
        hint = f" ({self.hint})" if self.hint else ""
        return f"{place + ': ' if place else ''}{self.message}{hint} [{self.code}]"

    def as_json(self) -> dict[str, Any]:
        """Return the problem as a plain dictionary, one key per attribute."""
        return asdict(self)
