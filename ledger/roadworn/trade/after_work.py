"""Tests that a job asks for once it is done, from the table ``after_work.toml``.

A brake is tried on the road, a wheel's nuts are torqued again, a camera is calibrated after glass.
Common practice, no source; the maker's service information and local law go first.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from roadworn.model.errors import UnknownName
from roadworn.trade import DataFile, Key

_FILE = Path(__file__).with_name("after_work.toml")
_KEYS = {
    "name": Key("text", must=True),
    "says": Key("texts", must=True),
    "work": Key("texts", must=True),
    "not_for": Key("texts"),
    "mark": Key("text", must=True),
    "when": Key("text"),
}
#: Services that open nothing, so that nothing is tried after them.
_ONLY_LOOKED = frozenset({"inspected", "cleaned", "done"})


@dataclass(frozen=True, slots=True)
class AfterTest:
    """A test, and the work that asks for it.

    Attributes:
        name: as it is kept in events; `roadworn.say.telling.test_words` has its words.
        says: words by which a bay says it.
        work: beginnings of the ids of components whose work asks for it.
        not_for: beginnings of those that do not.
        mark: where it is from.
        when: what to wait for, in words, or an empty text.
    """

    name: str
    says: tuple[str, ...]
    work: tuple[str, ...]
    not_for: tuple[str, ...]
    mark: str
    when: str


@cache
def known_tests() -> tuple[AfterTest, ...]:
    """Return all tests, in the order in which they are made."""
    data = DataFile.parse("table of tests", _FILE.name, _FILE.read_text(encoding="utf-8"))
    data.sections(("test",))
    return tuple(
        AfterTest(
            row["name"],
            tuple(word.casefold() for word in row["says"]),
            row["work"],
            row.get("not_for", ()),
            row["mark"],
            row.get("when", ""),
        )
        for _where, row in data.rows("test", _KEYS)
    )


def asked_after(component: str, action: str = "") -> tuple[str, ...]:
    """Return the names of the tests that work on a component asks for.

    Args:
        component: its id.
        action: of a service; one that only looked asks for nothing.
    """
    if action in _ONLY_LOOKED:
        return ()
    return tuple(
        test.name
        for test in known_tests()
        if component.startswith(test.work) and not component.startswith(test.not_for or ("-",))
    )


def when_of(name: str) -> str:
    """Return what to wait for before a test, or an empty text."""
    return next((test.when for test in known_tests() if test.name == name), "")


def drive_first(name: str) -> tuple[float, str] | None:
    """Return the least distance to drive before a test with its unit, by its `when`, or None."""
    found = re.match(r"after ([\d.]+)(?: to [\d.]+)? (mi|km)\b", when_of(name))
    return (float(found[1]), found[2]) if found else None


def named_test(text: str) -> str:
    """Return the name of the test that a bay's words mean.

    Raises:
        UnknownName: they mean none; carries the nearest words.
    """
    word = " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
    for test in known_tests():
        if word == test.name.replace("_", " ") or word in test.says:
            return test.name
    said = [word for test in known_tests() for word in (test.says[0], *test.says)]
    raise UnknownName.of(f"test {text!r}", word, said, f"use {_listed(known_tests())}.")


def _listed(tests: Iterable[AfterTest]) -> str:
    return ", ".join(test.name.replace("_", " ") for test in tests)
