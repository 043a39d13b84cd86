"""Answers kept beside the columns, so that what was computed once is not computed again.

A ledger only grows, so what was answered of one state of it stays right for that state. Each
answer is a file of its own, named by a digest of everything that it depends on: root and size of
the ledger, the day, the question with its settings, the plugins and the very files of the program.
Whatever changes, changes the name; a kept answer is never refreshed, it is no longer asked for.

The files are data. What they hold is read into a closed set of types, and nothing in them is ever
run. A file that is damaged, foreign or of another question counts as none.
"""

import hashlib
import os
import stat
import time
import uuid
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from enum import Enum, StrEnum
from pathlib import Path
from typing import Any

import orjson

from roadworn.model.messages import (
    Joined,
    PartName,
    PlaceName,
    Problem,
    Remedy,
    Sentence,
    Severity,
)

#: Raised whenever the form of a kept file changes.
FORMAT = 1
#: Beyond this an answer is not worth its place: in bytes.
_LARGEST = 8_000_000
#: Of all kept answers of one ledger; what nobody asked for longest is thrown away.
_MOST_BYTES = 64_000_000
_MOST_FILES = 4_000
#: Whoever writes is done with a file well within so many seconds.
_UNFINISHED = 3_600.0
_NOTHING: Any = object()


class Unkeepable(TypeError):
    """Something is of a type that is not kept."""


class Codec:
    """Turns values of a closed set of types into JSON and back, exactly.

    A plain text, number, truth value or None stands for itself. Everything else is a list that
    begins with the name of its type.

    Attributes:
        types: dataclasses and enumerations beside the types that are always known.
    """

    def __init__(self, types: Iterable[type] = ()) -> None:
        self.types = {kind.__name__: kind for kind in (Problem, Remedy, Severity, *types)}
        self._fields = {
            name: tuple(field.name for field in fields(kind))
            for name, kind in self.types.items()
            if is_dataclass(kind)
        }

    def plain(self, value: object) -> Any:  # noqa: ANN401
        """Return a value as JSON can hold it.

        Raises:
            Unkeepable: a type is not among those that are kept.
        """
        kind = type(value)
        if value is None or kind is str or kind is bool:
            return value
        if kind.__module__ == "numpy":
            return _plain_numpy(value)
        if kind is int:
            return value if -(2**63) <= value < 2**63 else ["int", str(value)]  # type: ignore[operator]
        if isinstance(value, float):
            # A float of NumPy's is one of Python's as well.
            return _plain_float(float(value))
        if kind is tuple or kind is list or kind is frozenset:
            # The order of a set is chance; its pieces are sorted so that equal ones look alike.
            found = [self.plain(one) for one in value]  # type: ignore[attr-defined]
            return [kind.__name__, *(sorted(found, key=repr) if kind is frozenset else found)]
        if isinstance(value, Enum):
            if isinstance(value, StrEnum) and kind.__name__ not in self.types:
                # One of an analysis' own: whoever reads a result sees a text.
                return value.value
            return ["enum", self._known(kind), value.name]
        if isinstance(value, str):
            return self._text(value)
        if isinstance(value, Mapping):
            return ["dict", [[self.plain(key), self.plain(one)] for key, one in value.items()]]
        if kind is Decimal or kind is date or kind is datetime:
            return [kind.__name__, str(value) if kind is Decimal else value.isoformat()]  # type: ignore[attr-defined]
        name = self._known(kind)
        return [name, *(self.plain(getattr(value, field)) for field in self._fields[name])]

    def made(self, plain: Any) -> Any:  # noqa: ANN401
        """Return the value that `plain` was made from.

        Raises:
            ValueError, TypeError, KeyError, IndexError: it was made from none.
        """
        if not isinstance(plain, list):
            return plain
        name = plain[0]
        if name == "tuple":
            return tuple(self._each(plain))
        if name == "list":
            return self._each(plain)
        wanted = self._fields.get(name)
        if wanted is not None:
            if len(wanted) != len(plain) - 1:
                raise ValueError(f"a {name} has {len(wanted)} fields")
            return self.types[name](*self._each(plain))
        if name == "dict":
            return {
                key if type(key) is not list else self.made(key): (
                    one if type(one) is not list else self.made(one)
                )
                for key, one in plain[1]
            }
        make = _MAKERS.get(name)
        if make is not None:
            return make(*plain[1:])
        if name == "Sentence":
            _name, code, template, arguments = plain
            return Sentence(code, template, **{key: self.made(one) for key, one in arguments})
        if name == "frozenset":
            return frozenset(self._each(plain))
        if name == "enum":
            return self.types[plain[1]][plain[2]]  # type: ignore[index]
        if name == "Joined":
            return Joined([self.made(one) for one in plain[2:]], plain[1])
        raise KeyError(name)

    def _each(self, plain: list[Any]) -> list[Any]:
        """Return the values behind the name of a type; most are their own."""
        return [one if type(one) is not list else self.made(one) for one in plain[1:]]

    def _text(self, text: str) -> Any:  # noqa: ANN401
        if type(text) is Sentence:
            arguments = [[key, self.plain(one)] for key, one in text.arguments.items()]
            return ["Sentence", text.code, text.template, arguments]
        if type(text) is Joined:
            return ["Joined", text.by, *(self.plain(part) for part in text.parts)]
        if type(text) is PartName:
            return ["PartName", str(text), text.component, text.position]
        if type(text) is PlaceName:
            return ["PlaceName", str(text), text.component]
        raise Unkeepable(f"a {type(text).__name__} is not kept")

    def _known(self, kind: type) -> str:
        if self.types.get(kind.__name__) is not kind:
            raise Unkeepable(f"a {kind.__name__} is not kept")
        return kind.__name__


def _plain_numpy(value: Any) -> Any:  # noqa: ANN401
    """Return an array of numbers or truth values as its bytes, a single value as Python's own."""
    if value.dtype.kind not in "biuf":
        raise Unkeepable(f"an array of {value.dtype} is not kept")
    if not value.shape and type(value).__name__ != "ndarray":
        return _plain_float(float(value)) if value.dtype.kind == "f" else value.item()
    return ["array", value.dtype.str, list(value.shape), b64encode(value.tobytes()).decode()]


def _array(kind: str, shape: list[int], content: str) -> Any:  # noqa: ANN401
    # Whoever keeps no arrays reads what is kept without NumPy.
    import numpy as np

    return np.frombuffer(b64decode(content, validate=True), np.dtype(kind)).reshape(shape).copy()


_MAKERS: dict[str, Any] = {
    "array": _array,
    "int": int,
    "float": float,
    "date": date.fromisoformat,
    "datetime": datetime.fromisoformat,
    "Decimal": Decimal,
    "PartName": PartName,
    "PlaceName": PlaceName,
}


def _plain_float(value: float) -> Any:  # noqa: ANN401
    finite = value - value == 0.0
    return value if finite else ["float", repr(value)]


@dataclass(frozen=True, slots=True)
class Kept:
    """The answers kept of one state of a ledger, seen in one way.

    Attributes:
        folder: where the files lie.
        state: everything that all of its answers depend on.
        mode: mode of the files, that of the ledger.
    """

    folder: Path
    state: str
    mode: int

    @classmethod
    def beside(cls, ledger: Path, columns: Path, state: object) -> "Kept":
        """Return those of a ledger.

        Args:
            ledger: its file.
            columns: the folder of its columns.
            state: what all answers depend on, as JSON can hold it.
        """
        try:
            mode = stat.S_IMODE(ledger.stat().st_mode) & 0o666
        except OSError:
            mode = 0o600
        return cls(columns / "kept", digest(orjson.dumps([FORMAT, state])), mode | 0o600)

    def get(self, question: object, codec: Codec) -> Any:  # noqa: ANN401
        """Return what was kept for a question, `nothing` when there is nothing sound.

        Args:
            question: as JSON can hold it.
            codec: knows the types of the answer.
        """
        key = self._key(question)
        try:
            head, _, body = self.read(self._file(key)).partition(b"\n")
            if head.decode() != f"roadworn-kept {FORMAT} {key} {digest(body)}":
                return _NOTHING
            return codec.made(orjson.loads(body))
        # A damaged or foreign file is no reason to stop: what it should hold is made again.
        except (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError):
            return _NOTHING

    def put(self, question: object, answer: object, codec: Codec) -> Any:  # noqa: ANN401
        """Keep an answer, and return it as it will be read.

        What cannot be kept, by its type, its size or for lack of a place, is returned as given.
        """
        key = self._key(question)
        try:
            body = orjson.dumps(codec.plain(answer))
            read = codec.made(orjson.loads(body))
        except (Unkeepable, orjson.JSONEncodeError, ValueError, KeyError, TypeError):
            return answer
        if len(body) <= _LARGEST:
            head = f"roadworn-kept {FORMAT} {key} {digest(body)}\n".encode()
            with suppress(OSError):
                self._write(self._file(key), head + body)
        return read

    def for_all_states(self, program: str) -> "Kept":
        """Return what is kept beside these whatever the state of the ledger.

        Args:
            program: text that changes with the program, its plugins and its settings.
        """
        return replace(self, state=digest(orjson.dumps([FORMAT, "all states", program])))

    def made(self, name: str, rests_on: object, make: Callable[[], Any], codec: Codec) -> Any:  # noqa: ANN401
        """Return what is kept by all that it rests on, made now and kept if there is none.

        Args:
            name: what it is.
            rests_on: everything it is made from besides the program.
            make: makes it.
            codec: knows the types of both.
        """
        return self.made_by(name, self.digest_of(rests_on, codec), make, codec)

    def made_by(self, name: str, key: str, make: Callable[[], Any], codec: Codec) -> Any:  # noqa: ANN401
        """Return what is kept by a digest of all that it rests on; keep none by an empty one."""
        if not key:
            return make()
        found = self.get([name, key], codec)
        return self.put([name, key], make(), codec) if found is _NOTHING else found

    @staticmethod
    def digest_of(rests_on: object, codec: Codec) -> str:
        """Return a digest of what something rests on, an empty text of what cannot be kept."""
        try:
            return digest(orjson.dumps(codec.plain(rests_on)))
        except (Unkeepable, orjson.JSONEncodeError):
            return ""

    def _key(self, question: object) -> str:
        return digest(orjson.dumps([self.state, question], default=repr))

    def _file(self, key: str) -> Path:
        return self.folder / f"{key[:40]}.json"

    def file_of(self, name: str) -> Path:
        """Return a file of another form that lies among these, of the same state."""
        return self.folder / f"{self._key(name)[:40]}.{name}"

    @staticmethod
    def read(file: Path) -> bytes:
        """Return the content of a file, which is the last that was asked for from here on.

        What outlives the states of a ledger was written before most that lies here: thrown away
        by the time of writing it would go first, while it is asked for at every state.

        Raises:
            OSError: there is none, or it cannot be read.
        """
        content = file.read_bytes()
        with suppress(OSError):
            os.utime(file)
        return content

    def write_file(self, name: str, content: bytes) -> None:
        """Write the whole of such a file.

        Raises:
            OSError: there is no place for it.
        """
        self._write(self.file_of(name), content)

    def _write(self, file: Path, content: bytes) -> None:
        if not self.folder.is_dir():
            # As private as the ledger: who may read that may read this.
            entered = self.mode | 0o100 | (self.mode & 0o044) >> 2
            self.folder.parent.mkdir(mode=0o700, exist_ok=True)
            self.folder.mkdir(exist_ok=True)
            self.folder.chmod(entered)
        making = file.with_suffix(f".{uuid.uuid4().hex[:8]}.making")
        try:
            handle = os.open(making, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
            making.chmod(self.mode)
            making.replace(file)
        except OSError:
            with suppress(OSError):
                making.unlink()
            raise

    def tidy(self) -> None:
        """Throw away what nobody asked for longest where there is too much, and the unfinished."""
        found = []
        with suppress(OSError), os.scandir(self.folder) as entries:
            for entry in entries:
                with suppress(OSError):
                    seen = entry.stat()
                    found.append((seen.st_mtime, seen.st_size, entry.path))
        found.sort(reverse=True)
        size = 0
        for number, (written, bytes_, path) in enumerate(found, start=1):
            size += bytes_
            left = path.endswith(".making") and written < time.time() - _UNFINISHED
            if left or number > _MOST_FILES or size > _MOST_BYTES:
                with suppress(OSError):
                    Path(path).unlink()


#: What `Kept.get` returns where nothing is kept.
nothing = _NOTHING


def files_mark(packages: Iterable[Path]) -> str:
    """Return a short text that changes with any file of the packages: name, size or time.

    Args:
        packages: folders, or single files.
    """
    seen = sorted(line for path in packages for line in _files_of(path))
    return digest("\n".join(seen).encode())[:24]


def _files_of(path: Path) -> Iterator[str]:
    if not path.is_dir():
        try:
            yield _line(str(path), path.stat())
        except OSError:
            yield f"{path} cannot be read"
        return
    waiting = [str(path)]
    while waiting:
        with os.scandir(waiting.pop()) as entries:
            for entry in entries:
                if entry.name == "__pycache__":
                    continue
                if entry.is_dir():
                    waiting.append(entry.path)
                else:
                    yield _line(entry.path, entry.stat())


def _line(path: str, seen: os.stat_result) -> str:
    # A copy that keeps the time of what it copies still shows when it was put there.
    return f"{path} {seen.st_size} {seen.st_mtime_ns} {seen.st_ctime_ns}"


def named_files(values: Iterable[object]) -> list[str]:
    """Return a digest of each file that one of the values names by its path.

    A setting or a variable of the environment may name a file, and what is answered depends on
    what stands in it and not on its name alone.
    """
    found = []
    for value in values:
        if not isinstance(value, str | Path) or not str(value) or "\0" in str(value):
            continue
        with suppress(OSError):
            path = Path(value).expanduser()
            if path.is_file():
                found.append(digest(path.read_bytes()))
    return found


def digest(content: bytes) -> str:
    """Return the digest by which everything here is named."""
    return hashlib.sha256(content).hexdigest()
