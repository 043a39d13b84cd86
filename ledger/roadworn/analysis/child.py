"""The process in which one analysis runs apart: it is asked on standard input and answers once."""

import json
import os
import sys
import threading
from datetime import date
from pathlib import Path
from typing import Any

from roadworn.analysis.apart import CODEC, READY
from roadworn.analysis.host import PluginHost
from roadworn.columns.view import open_view
from roadworn.model import errors
from roadworn.model.errors import RoadwornError


def main() -> None:
    """Answer one question of standard input on standard output; what is printed goes elsewhere."""
    answers = os.dup(1)
    os.dup2(2, 1)
    asked = json.loads(sys.stdin.buffer.read())
    answer = json.dumps(_answer(asked, answers)).encode()
    with os.fdopen(answers, "wb") as out:
        out.write(answer)
    # Threads that were given up must not keep the process.
    os._exit(0)


def _answer(asked: dict[str, Any], answers: int) -> dict[str, Any]:
    megabytes = asked["megabytes"]
    try:
        host = PluginHost.load(asked["without"])
        with open_view(
            asked["ledger"],
            as_of=asked["as_of"],
            today=date.fromisoformat(asked["today"]),
            known_by=asked["known_by"],
            at=asked["at"],
            kinds=host.kinds,
            tables=host.tables,
        ) as view:
            view.sql("SELECT 1")
            host.analysis(asked["name"])
            if megabytes:
                _limit_memory(megabytes)
            os.write(answers, READY)
            result = host.run(asked["name"], view, asked["settings"], threading.TIMEOUT_MAX).result
            return {"result": CODEC.plain(result)}
    except (RoadwornError, MemoryError) as error:
        causes = (error, error.__cause__)
        message = getattr(error, "message", "")
        if any("Memory" in type(one).__name__ for one in causes):
            message = (
                f"The analysis {asked['name']!r} took more memory than the {megabytes:,} MB that "
                "it may have: narrow it with a setting, or let it have more."
            )
        return {"error": message, "kind": type(error).__name__}


def _limit_memory(megabytes: int) -> None:
    """Let this process take so much more than it has taken to begin.

    Raises:
        UsageError: this system knows no such limit.
    """
    try:
        import resource

        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        most = pages * resource.getpagesize() + megabytes * 1_000_000
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    except (ImportError, OSError, ValueError):
        told = (
            "This system cannot limit memory: name the plugin without megabytes in ROADWORN_APART."
        )
        raise errors.UsageError(told) from None


if __name__ == "__main__":
    main()
