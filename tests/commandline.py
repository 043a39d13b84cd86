"""What a command line leaves behind, for the tests that run one."""

from collections.abc import Callable
from dataclasses import dataclass

import orjson


@dataclass(frozen=True)
class Outcome:
    """What a command line left behind."""

    code: int
    out: str
    err: str

    def json(self) -> object:
        return orjson.loads(self.out)

    @property
    def event(self) -> str:
        """The event id that the first line of `record` prints."""
        return self.out.split()[0]


Run = Callable[..., Outcome]
