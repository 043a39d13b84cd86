"""A word on stderr while something takes long; silent when it does not."""

import sys
import time
from collections.abc import Callable

#: Nothing is said about work that is done sooner, in seconds.
_PATIENCE = 1.0
#: How often a terminal line is renewed, and how often a log gets a new line, in seconds.
_TERMINAL_PACE = 0.2
_LOG_PACE = 10.0


def progress(what: str) -> Callable[[int, int], None]:
    """Return a callback (done, of all) that says how far the work is.

    Args:
        what: what is being done, for instance ``reading events``.
    """
    on_terminal = sys.stderr.isatty()
    pace = _TERMINAL_PACE if on_terminal else _LOG_PACE
    started = time.monotonic()
    due = started + _PATIENCE
    said = False

    def tell(done: int, total: int) -> None:
        nonlocal due, said
        now = time.monotonic()
        finished = total > 0 and done >= total
        if now < due and not (finished and said):
            return
        due, said = now + pace, True
        of_all = f" of {total:,}" if total > 0 else ""
        text = f"{what}: {done:,}{of_all} ({now - started:.0f} s)"
        if on_terminal:
            end = "\n" if finished else ""
            sys.stderr.write(f"\r{text}\x1b[K{end}")
        else:
            sys.stderr.write(f"{text}\n")
        sys.stderr.flush()

    return tell
