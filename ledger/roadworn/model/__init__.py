"""What is said of vehicles: events and their kinds, parts and places, units and money, errors.

Pure values and their rules of spelling; nothing here opens a file of the user's.

Here too is said whose plugins are in use. A look-over sheet, a rule set, how an event kind is
told: what asks for one by its name stands far below the host that holds the plugins, and cannot
be handed it. Two hosts may live in one process, in a test, a notebook or a page, so nothing of a
plugin is kept for the process: the host keeps it, and says for how long it is the one in use, in
its own thread and in those that are started for it. And here is said how a file of one kind is
read, which whoever reads such files says once.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Protocol

#: What a file is -> what reads its like from its name and text, of the readers that were imported.
_readers: dict[str, Callable[[str, str], object]] = {}


def reads(what: str, read: Callable[[str, str], object]) -> None:
    """Say how files of one kind are read; said once, by the code that reads them."""
    _readers[what] = read


def read_like(what: str, name: str, text: str) -> object:
    """Return what a file says, read as the packaged ones of its kind are.

    Raises:
        UsageError: it does not say what it must.
        RuntimeError: what reads its like was not imported.
    """
    if what not in _readers:
        raise RuntimeError(f"Nothing was imported that reads a {what}.")
    return _readers[what](name, text)


class Brought(Protocol):
    """What plugins bring, as their host tells of it."""

    def data_files(self, what: str) -> Mapping[str, Callable[[], str]]:
        """Return name -> what reads it, of the files of one kind (``rule set``)."""
        ...

    def languages(self) -> Mapping[str, Sequence[str]]:
        """Return code of a language -> the texts of its files, of those that can be read."""
        ...

    def told_of(self, kind: str) -> tuple[str, tuple[str, ...]] | None:
        """Return the sentence of an event kind and the fields it may tell of, None without one."""
        ...

    def life_model(self) -> tuple[str, Callable[..., list[Any]]] | None:
        """Return name and fit of the life model in use, None where no host has any."""
        ...

    def left_out(self) -> Mapping[str, str]:
        """Return plugin that is installed and left out -> what leaves it out."""
        ...


class _Nothing:
    """No plugins."""

    def data_files(self, what: str) -> Mapping[str, Callable[[], str]]:
        del what
        return {}

    def languages(self) -> Mapping[str, Sequence[str]]:
        return {}

    def told_of(self, kind: str) -> None:
        del kind

    def life_model(self) -> None:
        return None

    def left_out(self) -> Mapping[str, str]:
        return {}


NOTHING_BROUGHT: Brought = _Nothing()
_IN_USE: ContextVar[Callable[[], Brought]] = ContextVar("plugins in use")


def in_use() -> Brought:
    """Return what the plugins in use bring; they may be loaded only now."""
    found = _IN_USE.get(None)
    return NOTHING_BROUGHT if found is None else found()


@contextmanager
def using(brought: Callable[[], Brought]) -> Iterator[None]:
    """Have the plugins of a host in use meanwhile; `brought` is asked when one is wanted."""
    token = _IN_USE.set(brought)
    try:
        yield
    finally:
        _IN_USE.reset(token)
