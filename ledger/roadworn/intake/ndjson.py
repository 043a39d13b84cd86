"""NDJSON files as numbered lines, in the encodings that people's programs write.

UTF-8 with or without a byte order mark, and UTF-16 with one. Anything else is named, not
guessed: a wrongly guessed encoding would put wrong names into a ledger for good.
"""

import codecs
from collections.abc import Iterator
from io import TextIOWrapper
from itertools import islice
from pathlib import Path

from roadworn.errors import EnvironmentFailure, UsageError
from roadworn.intake.bulk import Chunk, ChunkMaker

CHUNK_LINES = 2_000
_CHUNK_BYTES = 4_000_000


def numbered_lines(path: Path) -> Iterator[tuple[int, bytes]]:
    """Yield (line number from 1, the line in UTF-8 without its end).

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
                yield from ((at, line.encode()) for at, line in enumerate(text, start=1))
                return
            file.seek(3 if mark[:3] == codecs.BOM_UTF8 else 0)
            yield from enumerate(file, start=1)
    except UnicodeError as error:
        raise UsageError(f"{path} is not the UTF-16 it says it is: save it as UTF-8.") from error
    except OSError as error:
        raise EnvironmentFailure(
            f"{path} cannot be read ({error.strerror}): check its name and your rights."
        ) from error


def count_lines(path: Path) -> int:
    """Return about how many lines a file has, for a word on the progress."""
    try:
        with path.open("rb") as file:
            return sum(block.count(b"\n") for block in iter(lambda: file.read(1 << 20), b""))
    except OSError:
        return 0


def chunks(path: Path, maker: ChunkMaker) -> Iterator[Chunk]:
    """Yield a file's rows, chunk by chunk, made in this process."""
    lines = numbered_lines(path)
    while batch := _next_batch(lines):
        yield maker.chunk(batch)


def _next_batch(lines: Iterator[tuple[int, bytes]]) -> list[tuple[int, bytes]]:
    """Return the next lines: few of them when they are long."""
    batch: list[tuple[int, bytes]] = []
    size = 0
    for numbered in islice(lines, CHUNK_LINES):
        batch.append(numbered)
        size += len(numbered[1])
        if size > _CHUNK_BYTES:
            break
    return batch
