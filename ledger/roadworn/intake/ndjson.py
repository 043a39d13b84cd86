"""NDJSON files as numbered lines, in the encodings that people's programs write.

UTF-8 with or without a byte order mark, and UTF-16 with one. Anything else is named, not
guessed: a wrongly guessed encoding would put wrong names into a ledger for good.
"""

import codecs
from collections.abc import Iterator
from io import TextIOWrapper
from pathlib import Path

from roadworn.errors import EnvironmentFailure, UsageError
from roadworn.intake.bulk import Chunk, ChunkMaker

#: Rows of a table that make a chunk.
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
    first = 1
    for lines in batches(path):
        yield maker.chunk(lines, first)
        first += len(lines)
