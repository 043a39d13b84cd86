"""Rows that queries brought, kept in one file for a state of a ledger, so that nobody asks twice.

Most of what an outlook asks is about the whole fleet, and whoever asks about the next vehicle asks
the same again: with the rows at hand no column is read, no view is made and DuckDB is not even
imported. An index names where the rows of each query lie in the file and their digest, so that
only those that are asked for are read. Whatever is damaged or foreign counts as none.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from math import isfinite
from typing import Any

import orjson

from roadworn.columns.kept import Kept, digest
from roadworn.columns.spec import Rows

#: Raised whenever the form of the file changes.
_FORMAT = 1
#: Of one file; what comes later is asked anew.
_MOST_BYTES = 24_000_000
_NAME = "rows"
#: How the cells of a column that JSON has no form for are read back from texts.
_READ: dict[str, Callable[[str], Any]] = {
    "date": date.fromisoformat,
    "datetime": datetime.fromisoformat,
    "Decimal": Decimal,
    "float": float,
}
_TEXTS = frozenset({"Decimal", "float"})
_PLAIN = frozenset({str, int, bool})


@dataclass(slots=True)
class KeptRows:
    """The rows kept of one state, those of the file and those that came since.

    Attributes:
        kept: the answers of the state, beside which they lie.
    """

    kept: Kept
    _index: dict[str, tuple[int, int, str]] | None = None
    _content: bytes = b""
    _new: dict[str, tuple[bytes, str]] = field(default_factory=dict)

    def mark(self, asked: str) -> str | None:
        """Return the digest of the rows of a query, None where none are kept."""
        key = digest(asked.encode())
        new = self._new.get(key)
        if new is not None:
            return new[1]
        where = self._known().get(key)
        return None if where is None else where[2]

    def get(self, asked: str) -> Rows | None:
        """Return the rows of a query, None where none are kept."""
        where = self._known().get(digest(asked.encode()))
        if where is None:
            return None
        start, length, mark = where
        try:
            body = self._content[start : start + length]
            if digest(body) != mark:
                return None
            names, kinds, columns = orjson.loads(body)
            made = [_made(kind, column) for kind, column in zip(kinds, columns, strict=True)]
            return Rows(tuple(names), list(zip(*made, strict=True)))
        except (ValueError, KeyError, TypeError, ArithmeticError):
            return None

    def put(self, asked: str, rows: Rows) -> None:
        """Take the rows of a query, where they are of types that can be kept."""
        columns = list(zip(*rows.rows, strict=True)) or [() for _ in rows.columns]
        kinds = [_kind(column) for column in columns]
        if None in kinds:
            return
        given = [
            [None if cell is None else str(cell) for cell in column] if kind in _TEXTS else column
            for kind, column in zip(kinds, columns, strict=True)
        ]
        with suppress(orjson.JSONEncodeError):
            body = orjson.dumps([rows.columns, kinds, given])
            self._new[digest(asked.encode())] = body, digest(body)

    def save(self) -> bool:
        """Write what came since beside what was there; return whether there was anything to write.

        Where there is no place for it, nothing is kept.
        """
        if not self._new:
            return False
        bodies = [(key, *new) for key, new in self._new.items()]
        for key, (start, length, mark) in self._known().items():
            if key not in self._new:
                bodies.append((key, self._content[start : start + length], mark))
        index, at = {}, 0
        for key, body, mark in bodies:
            if at + len(body) <= _MOST_BYTES:
                index[key] = (at, len(body), mark)
                at += len(body)
        listed = orjson.dumps(index)
        head = f"{self._mark} {digest(listed)} {len(listed)}\n".encode()
        content = b"".join([head, listed, *(body for key, body, _mark in bodies if key in index)])
        with suppress(OSError):
            self.kept.write_file(_NAME, content)
        return True

    @property
    def _mark(self) -> str:
        return f"roadworn-rows {_FORMAT} {self.kept.state}"

    def _known(self) -> dict[str, tuple[int, int, str]]:
        if self._index is None:
            self._index = {}
            with suppress(OSError, ValueError):
                head, _, rest = self.kept.read(self.kept.file_of(_NAME)).partition(b"\n")
                mark, known, length = head.decode().rsplit(maxsplit=2)
                listed = rest[: int(length)]
                if mark == self._mark and digest(listed) == known:
                    self._index, self._content = orjson.loads(listed), rest[int(length) :]
        return self._index


def _kind(column: Sequence[Any]) -> str | None:
    """Return how a column is written: an empty text as it is, None not at all."""
    types = set(map(type, column)) - {type(None)}
    if types <= _PLAIN:
        return ""
    if types == {list}:
        return "" if all(_kind(cell) == "" for cell in column if cell) else None
    if float in types:
        # JSON writes what is no number like what is missing.
        finite = types <= {float, int} and all(map(isfinite, filter(None, column)))
        if finite:
            return ""
        return "float" if types == {float} else None
    name = next(iter(types)).__name__ if len(types) == 1 else ""
    if name == "datetime" and any(cell is not None and cell.tzinfo for cell in column):
        return None
    return name if name in _READ else None


def _made(kind: str, column: list[Any]) -> list[Any]:
    if not kind:
        return column
    read = _READ[kind]
    return [None if cell is None else read(cell) for cell in column]
