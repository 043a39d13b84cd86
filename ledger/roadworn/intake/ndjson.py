"""A helper process that validates and hashes while this one writes.

Validation is most of an import's work and needs no ledger, so a second processor can do it.
The helper is a plain `python -m roadworn.intake.ndjson`, which does not depend on how the
calling program was started (multiprocessing's spawn would run a caller's main module again).
It ends by itself when its pipe is closed, whatever became of the parent.
"""

import codecs
import marshal
import os
import pickle
import struct
import subprocess
import sys
from collections.abc import Iterator
from io import TextIOWrapper
from pathlib import Path
from queue import Full, Queue
from threading import Event, Thread
from typing import IO

from roadworn.intake.chunks import Chunk, ChunkMaker
from roadworn.model.errors import EnvironmentFailure, RoadwornError, UsageError
from roadworn.model.kinds import EventKind, KindRegistry

#: Rows of a table that make a chunk.
CHUNK_LINES = 2_000
#: Bytes of NDJSON that make a chunk, to the end of their last line.
_CHUNK_BYTES = 500_000


def batches(path: Path) -> Iterator[list[bytes]]:
    """Yield a file's lines in UTF-8, some at a time: few of them when they are long.

    Raises:
        EnvironmentFailure: the file cannot be read.
        UsageError: it is in UTF-16 or UTF-32 that cannot be read.
    """
    try:
        with path.open("rb") as file:
            mark = file.read(4)
            if mark in (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE):
                raise UsageError(f"{path} is in UTF-32: save it as UTF-8.")
            if mark[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
                file.seek(0)
                text = TextIOWrapper(file, encoding="utf-16", newline="\n")
                while lines := text.readlines(_CHUNK_BYTES):
                    yield [line.encode() for line in lines]
                return
            file.seek(3 if mark[:3] == codecs.BOM_UTF8 else 0)
            while batch := file.readlines(_CHUNK_BYTES):
                yield batch
    except UnicodeError as error:
        raise UsageError(f"{path} is not the UTF-16 it says it is: save it as UTF-8.") from error
    except OSError as error:
        raise EnvironmentFailure.unreadable(path, error) from error


def count_lines(path: Path) -> int:
    """Return about how many lines a file has, for a word on the progress."""
    try:
        with path.open("rb") as file:
            return sum(block.count(b"\n") for block in iter(lambda: file.read(1 << 20), b""))
    except OSError:
        return 0


def chunks(path: Path, maker: ChunkMaker) -> Iterator[Chunk]:
    """Yield a file's rows, chunk by chunk, made in this process."""
    first = 1
    for lines in batches(path):
        yield maker.chunk(lines, first)
        first += len(lines)


_LENGTH = struct.Struct("<Q")
_AHEAD = 4
_PAUSE = 0.2


def helped_chunks(path: Path, kinds: KindRegistry, source: str) -> Iterator[Chunk]:
    """Yield a file's rows, chunk by chunk, made in a helper process.

    Close the iterator (`contextlib.closing`) when leaving early, to end the helper.

    Raises:
        EnvironmentFailure: the file cannot be read, or the helper ended early.
        UsageError: the file is in an encoding that is not read.
        CannotHelp: there can be no helper for these kinds; nothing was yielded.
    """
    process = _start(path, kinds, source)
    stopped = Event()
    ahead: Queue[bytes | None] = Queue(_AHEAD)
    reader = Thread(target=_read_ahead, args=(process.stdout, ahead, stopped), daemon=True)
    reader.start()
    try:
        while (message := ahead.get()) is not None:
            word, content = marshal.loads(message)  # noqa: S302  (from our own child)
            if word == "chunk":
                plain, findings = content
                problems, doubts = pickle.loads(findings) if findings else ([], [])  # noqa: S301
                yield Chunk._make((*plain, problems, doubts))
            elif word == "end":
                return
            else:
                raise {"usage": UsageError, "cannot": CannotHelp}.get(word, EnvironmentFailure)(
                    content
                )
        raise EnvironmentFailure(
            f"The helper process that reads {path} ended early: is there enough memory? "
            "Nothing of the file was taken."
        )
    finally:
        stopped.set()
        process.kill()
        process.wait()
        reader.join()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


class CannotHelp(Exception):
    """A helper cannot be started, or does not know a plugin's kinds."""


def _start(path: Path, kinds: KindRegistry, source: str) -> "subprocess.Popen[bytes]":
    core = KindRegistry()
    extra = [kind for kind in kinds if kind.name not in core]
    try:
        job = pickle.dumps((path, extra, source))
    except (pickle.PicklingError, AttributeError, TypeError) as error:
        raise CannotHelp(str(error)) from error
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(part for part in sys.path if part)}
    try:
        process = subprocess.Popen(
            [sys.executable, "-P", "-m", "roadworn.intake.ndjson"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
        )
    except (OSError, ValueError) as error:
        raise CannotHelp(str(error)) from error
    if process.stdin is not None:
        _send(process.stdin, job)
    return process


def _send(pipe: IO[bytes], message: bytes) -> None:
    pipe.write(_LENGTH.pack(len(message)))
    pipe.write(message)
    pipe.flush()


def _receive(pipe: IO[bytes]) -> bytes | None:
    """Return the next message, or None at the end of the pipe."""
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    message = pipe.read(length)
    return message if len(message) == length else None


def _read_ahead(pipe: IO[bytes], ahead: "Queue[bytes | None]", stopped: Event) -> None:
    """Keep a few messages ready, so that the helper does not wait for the writer."""
    while not stopped.is_set():
        message = _receive(pipe)
        while not stopped.is_set():
            try:
                ahead.put(message, timeout=_PAUSE)
                break
            except Full:
                continue
        if message is None:
            return


def main() -> None:
    """Do one job from standard input and write the chunks to standard output."""
    import gc
    import signal

    # Ctrl-C reaches both processes; the parent ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    gc.disable()
    out = sys.stdout.buffer
    try:
        _send(out, marshal.dumps(_work(out)))
    except BrokenPipeError:
        # The parent is gone or has seen enough.
        os._exit(0)


def _work(out: IO[bytes]) -> tuple[str, str]:
    """Send all chunks and return the last word."""
    job = _receive(sys.stdin.buffer)
    if job is None:
        return ("failed", "The helper process was given nothing to do.")
    try:
        path, extra, source = pickle.loads(job)  # noqa: S301  (from our own parent)
        kinds: list[EventKind] = extra
    except (pickle.UnpicklingError, AttributeError, ImportError) as error:
        return ("cannot", str(error))
    try:
        for chunk in chunks(path, ChunkMaker(KindRegistry(kinds), source)):
            found = (chunk.problems, chunk.doubts)
            # What was found are objects, and few chunks have any.
            findings = pickle.dumps(found) if any(found) else b""
            _send(out, marshal.dumps(("chunk", (chunk[:-2], findings))))
    except UsageError as error:
        return ("usage", error.message)
    except RoadwornError as error:
        return ("failed", error.message)
    return ("end", "")


if __name__ == "__main__":
    main()
