"""Asks the analyses a report is made of; one that is missing or broken is left out with a word.

A report never computes: whatever it says beyond what was written down is an analysis' answer.
"""

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from roadworn.analysis import Answers, Ran
from roadworn.model.errors import RoadwornError
from roadworn_cli.output import say
from roadworn_cli.words import Look

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView

#: Work that takes longer than this is talked about on stderr, in seconds.
_PATIENCE = 2.0
_LOG_PACE = 10.0


class Asker:
    """Puts questions to the plugin host for one report.

    Attributes:
        ran: what an analysis answers, or its name -> its result, in the order of asking.
        left_out: the same of those without an answer -> why.
    """

    def __init__(
        self, host: "PluginHost", view: "LedgerView", look: Look, time_limit: float = 300.0
    ) -> None:
        self.host, self.view, self.look, self.time_limit = host, view, look, time_limit
        self.ran: dict[str, Ran] = {}
        self.left_out: dict[str, str] = {}

    def ask(self, what: Answers | str, **settings: Any) -> Ran | None:  # noqa: ANN401
        """Run one analysis; None when it cannot answer, and why is kept.

        Args:
            what: what the analysis answers, or its name.
            settings: those that it has no word for are not handed over.
        """
        name = self.host.answering(what) if isinstance(what, Answers) else what
        if name not in self.host.names():
            self.left_out[what] = ""
            return None
        wanted = {"unit": self.look.unit or None, **settings}
        try:
            with told(name):
                ran = self.host.run(name, self.view, {}, self.time_limit, also=wanted)
        except RoadwornError as error:
            self.left_out[what] = error.message
            return None
        self.ran[what] = ran
        return ran

    def take(self, answers: Answers, ran: Ran | None, why: str = "") -> None:
        """Keep an answer that somebody else asked for."""
        if ran is None:
            self.left_out[answers] = why
        else:
            self.ran[answers] = ran


@contextmanager
def told(what: str) -> Iterator[None]:
    """Say on stderr what is being worked on, once it has taken a while."""
    finished = threading.Event()
    started = time.monotonic()
    on_terminal = sys.stderr.isatty()

    def talk() -> None:
        pace = _PATIENCE
        while not finished.wait(pace):
            text = f"{what}: {time.monotonic() - started:.0f} s"
            if on_terminal:
                sys.stderr.write(f"\r{text}\x1b[K")
                sys.stderr.flush()
            else:
                say(text)
                pace = _LOG_PACE

    thread = threading.Thread(target=talk, name="progress of a report", daemon=True)
    thread.start()
    try:
        yield
    finally:
        finished.set()
        thread.join()
        if on_terminal and time.monotonic() - started > _PATIENCE:
            sys.stderr.write("\r\x1b[K")
