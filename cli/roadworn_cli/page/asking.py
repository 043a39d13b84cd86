"""Answers of the read model and the analyses, given at once, as new as they can be at once.

An outlook after new events takes seconds, and nobody stands at a tablet waiting for them. Workers
ask; a page takes the newest answer there is and says when it does not hold the last
events yet.
"""

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Generic, TypeVar

from roadworn.model import using
from roadworn.model.errors import RoadwornError
from roadworn_cli.context import State, today

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView

_Answer = TypeVar("_Answer")
#: A page waits so long for an answer to be new, in seconds.
PATIENCE = 0.12
#: And so long where there is no older one: a page without what stops a vehicle would mislead.
FIRST_PATIENCE = 20.0
_MOST = 400
#: What asks the view: the view, the plugins -> the answer.
Ask = Callable[["LedgerView", "PluginHost"], _Answer]
State_ = tuple[int, str]


@dataclass(frozen=True, slots=True)
class Told(Generic[_Answer]):
    """An answer, or that there is none yet.

    Attributes:
        answer: the newest there is; None while the first is worked out.
        new: it holds every event.
        problem: why it could not be worked out, or an empty text.
    """

    answer: _Answer | None
    new: bool
    problem: str = ""


@dataclass(slots=True)
class _Kept:
    state: State_
    told: Told[object]


@dataclass
class Asker:
    """Asks for pages.

    Attributes:
        state: which ledger.
        host: the plugins.
        patience: seconds that a page waits for a new answer.
    """

    state: State
    host: "PluginHost"
    patience: float = PATIENCE
    _kept: OrderedDict[str, _Kept] = field(default_factory=OrderedDict)
    _asked: dict[str, "Future[None]"] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _quick: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    _slow: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))

    def ask(
        self,
        what: str,
        ask: Ask[_Answer],
        *,
        patience: float | None = None,
        slow: bool = False,
    ) -> Told[_Answer]:
        """Return the newest answer to a question, and have it worked out anew where needed.

        Args:
            what: names the question; the same name is the same question.
            ask: what answers it, run by the worker.
            patience: seconds to wait, if not the usual.
            slow: it takes long, and no other question should wait behind it.
        """
        state = self._state()
        worker = self._slow if slow else self._quick
        wait = self.patience if patience is None else patience
        with self._lock:
            kept = self._kept.get(what)
        if kept is None and not slow and wait >= self.patience:
            wait = max(wait, FIRST_PATIENCE)
        until = time.monotonic() + wait
        # What was asked before the last event was written does not hold it: it is asked once more.
        for _ in range(2):
            with self._lock:
                kept = self._kept.get(what)
                if kept is not None and kept.state == state:
                    return kept.told  # type: ignore[return-value]  # the name stands for the type
                running = self._asked.get(what)
                if running is None:
                    running = self._asked[what] = worker.submit(self._work, what, ask)
            try:
                running.result(max(until - time.monotonic(), 0.0))
            except NotYet:
                break
        with self._lock:
            kept = self._kept.get(what)
        if kept is None:
            return Told(None, new=False)
        new = kept.state == self._state()
        told: Told[_Answer] = Told(kept.told.answer, new, kept.told.problem)  # type: ignore[arg-type]
        return told

    def close(self, *, wait: bool = False) -> None:
        """Stop the workers; what they are at is left to end, or waited for."""
        for worker in (self._quick, self._slow):
            worker.shutdown(wait=wait, cancel_futures=True)

    def _state(self) -> State_:
        """Return what an answer hangs on: the number of events, and the day."""
        with self.state.open_ledger() as ledger:
            return ledger.checkpoint().size, today().isoformat()

    def _work(self, what: str, ask: Ask[object]) -> None:
        state = self._state()
        told: Told[object]
        try:
            with using(lambda: self.host), self.state.open_view(self.host) as view:
                told = Told(ask(view, self.host), new=True)
        except RoadwornError as error:
            told = Told(None, new=True, problem=error.message)
        except Exception as error:  # noqa: BLE001  # a page says that it lacks a part
            told = Told(None, new=True, problem=f"A fault: {type(error).__name__}: {error}")
        with self._lock:
            self._kept[what] = _Kept(state, told)
            self._kept.move_to_end(what)
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)
            self._asked.pop(what, None)
