"""Tests after work as typed, and which are open: what nobody tried must not leave as tried.

Of one day the order of writing counts: a drive before the work says nothing of the work.
"""

from collections.abc import Sequence

from roadworn.checks.facts import WORK, Facts
from roadworn.model.errors import UsageError
from roadworn.model.events import StoredEvent
from roadworn.trade.after_work import named_test

_OUTCOMES = {
    **dict.fromkeys(("ok", "okay", "passed", "pass", "good", "fine", "done", "yes"), "passed"),
    **dict.fromkeys(("failed", "fail", "bad", "no", "not ok", "not good"), "failed"),
}


def open_tests(facts: Facts, vehicle_id: str) -> list[tuple[str, str]]:
    """Return (name, ISO day it was asked for) of tests after work that nobody has passed since.

    What the view `open_tests` tells the office, asked of the ledger alone.
    """
    asked: dict[str, tuple[str, int]] = {}
    for event in sorted(facts.events(vehicle_id, *WORK), key=_asking):
        for name in event.data().get("tests") or ():
            asked[name] = _asking(event)
    for event in sorted(facts.events(vehicle_id, "work_test"), key=_made):
        name = event.data()["test"]
        if event.data()["result"] == "failed":
            asked[name] = _made(event)
        elif name in asked and _made(event) > asked[name]:
            del asked[name]
    return [(name, day) for name, (day, _seq) in asked.items()]


def _made(event: StoredEvent) -> tuple[str, int]:
    return event.occurred_at[:10], event.seq


def _asking(event: StoredEvent) -> tuple[str, int]:
    """Return when work asks for its tests; putting its entry right is no work of a later moment."""
    day, seq = _made(event)
    return day, 0 if event.data().get("replaces") else seq


def read_tests(text: str, asked: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return (name, outcome, note) of the tests of a text, or of each open one.

    Raises:
        UsageError: it names no test, or no outcome.
    """
    words = text.replace(",", " ,").replace(";", " ;").split()
    found = _outcome_at(words)
    if found is None:
        raise UsageError(
            f"{text.strip()!r} says no outcome",
            "write it as 'test drive ok' or 'test drive failed'",
        )
    at, behind = found
    said = _OUTCOMES[" ".join(words[at:behind]).casefold()]
    # Several in one text: the note of a test ends where the next one begins.
    ends = next((n for n in range(behind, len(words)) if _begins_test(words[n:])), len(words))
    rest = " ".join(words[behind:ends]).strip(" ,;").replace(" ,", ",").removesuffix(" and")
    if " ".join(words[:at]).casefold() == "all":
        names, figure = list(asked), ""
    else:
        name, figure = _name_and_figure(words[:at])
        names = [name]
    told = "; ".join(one for one in (figure, "" if rest == "and" else rest) if one)
    made = [(one, said, told) for one in names]
    return made + (read_tests(" ".join(words[ends:]), asked) if ends < len(words) else [])


def says_outcome(text: str) -> bool:
    """Whether a text is a test by itself, a name with its outcome."""
    return _outcome_at(text.split()) is not None


def _outcome_at(words: Sequence[str]) -> tuple[int, int] | None:
    """Return where the first outcome behind a name begins and ends, or None."""
    for at in range(1, len(words)):
        for length in (2, 1):
            if " ".join(words[at : at + length]).casefold() in _OUTCOMES:
                return at, min(at + length, len(words))
    return None


def _begins_test(words: Sequence[str]) -> bool:
    """Whether words begin with the name of a test and its outcome."""
    found = _outcome_at(words)
    if found is None:
        return False
    try:
        _name_and_figure(words[: found[0]])
    except UsageError:
        return False
    return True


def _name_and_figure(words: Sequence[str]) -> tuple[str, str]:
    """Return the test that words name, and the figure that was read at it, `charging voltage 14.2`.

    Raises:
        UsageError: they name no test.
    """
    at = next((n for n, word in enumerate(words) if n and word[0].isdigit()), len(words))
    return named_test(" ".join(words[:at])), " ".join(words[at:])
