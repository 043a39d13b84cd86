"""Runs an analysis in a process of its own, where the user asks for it.

A thread that is given up goes on, and a loop inside a compiled library cannot be left at all; nor
can one process say how much memory a part of it may take. A process can be ended. It is asked for
by name in ROADWORN_APART, since each run then pays for the start of a process
(`roadworn.analysis.child`).
"""

import json
import os
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Any, Final

from roadworn.analysis import RESULT_TYPES
from roadworn.columns.kept import Codec
from roadworn.model import errors
from roadworn.model.errors import PluginFailure, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from roadworn.columns.view import LedgerView

#: Seconds for a process to begin, and the largest answer that is taken, in bytes.
_START, _MOST = 120.0, 1 << 30
READY: Final = b"ready\n"
CODEC: Final = Codec(RESULT_TYPES)


def run_apart(
    view: "LedgerView",
    called: tuple[str, str],
    settings: "Mapping[str, Any]",
    limits: tuple[float, int],
    without: "Sequence[str]" = (),
) -> object:
    """Return the result of an analysis that a process of its own ran.

    Args:
        view: what it looks at; the process opens the same again.
        called: its plugin, and its name.
        settings: its settings as JSON has them.
        limits: seconds, and megabytes that it may take, 0 for any.
        without: plugins that the process leaves out.

    Raises:
        PluginFailure: it raised, took too long or too much, or was ended.
        UsageError: a setting does not fit, as it said.
    """
    plugin, name = called
    seconds, megabytes = limits
    origin = view.origin()
    question = {
        "ledger": str(view.path),
        "at": origin["ledger"]["root"],
        **{key: origin[key] for key in ("as_of", "known_by", "today")},
        "name": name,
        "settings": settings,
        "without": [*without],
        "megabytes": megabytes,
    }
    told = f"The analysis {name!r} of plugin {plugin!r}"
    environment = {key: value for key, value in os.environ.items() if key != "ROADWORN_APART"}
    with subprocess.Popen(
        [sys.executable, "-m", "roadworn.analysis.child"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=environment,
        start_new_session=True,
    ) as process:
        if process.stdin is None or process.stdout is None:
            raise PluginFailure(f"{told} got no process to run in.")
        late = threading.Event()
        try:
            with suppress(BrokenPipeError):
                process.stdin.write(json.dumps(question).encode())
                process.stdin.close()
            with _ending(process, _START, late):
                begun = process.stdout.readline() == READY
            with _ending(process, seconds, late):
                answer = process.stdout.read(_MOST)
        finally:
            _end(process)
    if late.is_set():
        raise PluginFailure(
            f"{told} took longer than {seconds:g} s and was ended: narrow it with a setting, or "
            "raise --time-limit."
        )
    if not begun or not answer:
        raise PluginFailure(
            f"{told} was ended by the system or ended itself (exit code {process.returncode}): "
            "tell its author."
        )
    found = json.loads(answer)
    if "error" in found:
        kind = getattr(errors, found["kind"], PluginFailure)
        raise (kind if kind is errors.UsageError else PluginFailure)(found["error"])
    return CODEC.made(found["result"])


def named_apart(text: str) -> dict[str, int]:
    """Return plugin -> megabytes, of ``myshop=500,other``.

    Raises:
        UsageError: it is not written so.
    """
    found = {}
    for pair in filter(None, map(str.strip, text.split(","))):
        name, sign, most = pair.partition("=")
        if not name or (sign and not most.isdecimal()):
            raise UsageError(f"ROADWORN_APART is written PLUGIN or PLUGIN=MEGABYTES, not {pair!r}.")
        found[name.strip()] = int(most or 0)
    return found


class _ending:  # noqa: N801  # it is read as a verb
    """Ends a process that is not done in time."""

    def __init__(
        self, process: subprocess.Popen[bytes], seconds: float, late: threading.Event
    ) -> None:
        self._timer = threading.Timer(seconds, self._act)
        self._timer.daemon = True
        self._process, self._late = process, late

    def _act(self) -> None:
        self._late.set()
        _end(self._process)

    def __enter__(self) -> None:
        self._timer.start()

    def __exit__(self, *_: object) -> None:
        self._timer.cancel()


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a process with all that it started."""
    if hasattr(os, "killpg"):
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    with suppress(OSError):
        process.kill()
