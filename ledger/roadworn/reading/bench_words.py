"""The words of a bay as data: short ones, conditions, what says nothing, and a shop's own."""

import csv
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from roadworn.model import in_use, reads
from roadworn.model.catalogue import OTHER, Component, name_key
from roadworn.model.errors import EnvironmentFailure, UnknownName, UsageError
from roadworn.model.toml import is_path

_LONGEST_SHORT = 4
_DENIALS = ("wont", "will not", "doesnt", "does not", "dont", "do not", "didnt", "cant", "cannot")


@lru_cache(maxsize=4096)
def plain_key(text: str) -> str:
    """Return the form under which two spellings of words are equal, accents left out."""
    parted = unicodedata.normalize("NFKD", text)
    return name_key("".join(c for c in parted if not unicodedata.combining(c)))


def grouped(keys: Iterable[str], by: Callable[[str], str]) -> dict[str, list[str]]:
    """Return words, each once, by what `by` makes of them."""
    made: dict[str, list[str]] = {}
    for key in dict.fromkeys(keys):
        made.setdefault(by(key), []).append(key)
    return made


def consonants(key: str) -> str:
    """Return a word without its vowels."""
    return "".join(letter for letter in key if letter not in "aeiou")


def beginning(key: str) -> str:
    """Return the first two letters of a word."""
    return key[:2]


@dataclass(frozen=True)
class Words:
    """What words stand for, each under its `plain_key`.

    Attributes:
        short: short words, slips and words of another language -> words of the catalogue.
        conditions: a word -> (components or systems it holds for, condition), the general last.
        fillers: words that say nothing by themselves.
        details: words for a piece of a part, kept in the note.
        pieces: words that are kept where they belong to the part's own names, and else may be
            another part.
        behind: words that are a place behind a part, and say nothing before one: "del".
        counted: words behind a number that say of what there are so many, kept in the note.
        labelled: words before a number that is no figure of what is looked at: "dated 2019".
        once: words of a part that a vehicle has once, though its component has places.
        units: component -> the unit of a bare figure with decimals, where it has no other.
        movers: component that does nothing by itself -> the one that moves it; where it is said
            not to work either may be meant.
        measures: unit -> the one component that is measured in it at a wheel: "LF 28 psi".
        driver: side the driver sits on, ``left``, ``right``, or empty where nobody said.
        known: every word that stands in one of the others.
        components: words for a component outside the catalogue -> its id under ``other.``.
        plurals: short words for several, ``shox``.
        softeners: conditions that say of what is bad how it serves yet: "holding".
        doubts: words that deny or doubt what is said with them.
        beside: words that begin where a part is, though another part is named: "behind".
        asides: words that begin when, why or how it is: "since".
        tells: verbs that begin what is bad about a part: "has".
        either: words that are a name of several components -> those.
    """

    short: Mapping[tuple[str, ...], tuple[str, ...]]
    conditions: Mapping[str, Sequence[tuple[frozenset[str], str]]]
    fillers: frozenset[str]
    details: frozenset[str]
    driver: str = ""
    known: frozenset[str] = field(default=frozenset())
    components: Mapping[str, str] = field(default_factory=dict)
    plurals: frozenset[str] = frozenset()
    pieces: frozenset[str] = frozenset()
    behind: Mapping[str, str] = field(default_factory=dict)
    counted: frozenset[str] = frozenset()
    labelled: frozenset[str] = frozenset()
    once: Sequence[frozenset[str]] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    measures: Mapping[str, str] = field(default_factory=dict)
    movers: Mapping[str, str] = field(default_factory=dict)
    doubts: frozenset[str] = frozenset()
    softeners: frozenset[str] = frozenset()
    beside: frozenset[str] = frozenset()
    asides: frozenset[str] = frozenset()
    tells: frozenset[str] = frozenset()
    either: Mapping[str, Sequence[str]] = field(default_factory=dict)

    @cached_property
    def without_vowels(self) -> Mapping[str, Sequence[str]]:
        """The words of conditions by their consonants: an unread word is held against few."""
        return grouped(self.conditions, consonants)

    @cached_property
    def shortened(self) -> Mapping[str, Sequence[str]]:
        """The single words of conditions, and fillers, by their first two letters."""
        single = (key for key in (*self.conditions, *self.fillers) if " " not in key)
        return grouped(single, beginning)

    def expanded(self, keys: Sequence[tuple[str, int]]) -> list[tuple[str, int]]:
        """Return keys with short ones written out, each still with the token it is from."""
        made: list[tuple[str, int]] = []
        at = 0
        while at < len(keys):
            for length in range(min(_LONGEST_SHORT, len(keys) - at), 0, -1):
                meant = self.short.get(tuple(key for key, _at in keys[at : at + length]))
                if meant is not None:
                    # The last words belong together: "steer tires" is front, and tires.
                    last = max(0, len(meant) - length)
                    made += [
                        (word, keys[at + min(max(0, n - last), length - 1)][1])
                        for n, word in enumerate(meant)
                    ]
                    at += length
                    break
            else:
                made.append(keys[at])
                at += 1
        return [one for one in made if one[0]]

    def keys_of(self, text: str) -> list[str]:
        """Return the words of a text, short ones written out."""
        return [key for key, _at in self.expanded([(k, 0) for k in plain_key(text).split()])]

    def condition_of(self, key: str, component: Component) -> str:
        """Return what a word says of a component, ``ask`` where it leaves that open, or nothing."""
        for of, means in self.conditions.get(key, ()):
            if not of or component.id in of or component.system in of:
                return means
        return ""


def made_words(rows: Iterable[Mapping[str, str]], driver: str = "") -> Words:
    """Return the words of rows ``word,kind,means,of``; a later row of a word comes first."""
    listed = list(rows)

    def of(kind: str) -> list[Mapping[str, str]]:
        return [row for row in listed if row["kind"] == kind]

    def keys(kind: str) -> frozenset[str]:
        return frozenset(plain_key(row["word"]) for row in of(kind))

    def means(kind: str) -> dict[str, str]:
        return {plain_key(row["word"]): row["means"] for row in of(kind)}

    soften = [_row(row["word"], "condition", "sound") for row in of("soften")]
    conditions = _conditions([*soften, *_denied(of), *_behaving(of("does")), *of("condition")])
    fillers, details = keys("filler"), keys("detail")
    return Words(
        {
            tuple(said.split()): tuple(plain_key(row["means"]).split())
            for row in of("short")
            for said in (plain_key(row["word"]), _without_of(plain_key(row["word"])))
        },
        conditions,
        fillers,
        details,
        driver,
        frozenset(word for key in conditions for word in key.split()) | fillers | details,
        means("component"),
        frozenset(plain_key(row["word"]) for row in of("short") if _is_plural(row["means"])),
        keys("piece"),
        means("behind"),
        keys("counted"),
        keys("labelled"),
        tuple(frozenset(key.split()) for key in sorted(keys("once"))),
        {part: row["word"] for row in of("unit") for part in row["of"].split(";")},
        {row["word"]: row["means"] for row in of("measure")},
        {row["word"]: row["means"] for row in of("mover")},
        keys("doubt"),
        keys("soften"),
        keys("beside"),
        keys("aside"),
        keys("tells"),
        {plain_key(row["word"]): tuple(row["of"].split(";")) for row in of("either")},
    )


def _is_plural(means: str) -> bool:
    return means.endswith("s") and plain_key(means) != means.casefold()


def _conditions(rows: Iterable[Mapping[str, str]]) -> dict[str, list[tuple[frozenset[str], str]]]:
    base = (("sound", "sound"), ("wearing", "wearing"), ("failed", "failed"))
    made = {
        plain_key(word): [(frozenset[str](), means)]
        for word, means in (*base, ("not checked", "not_checked"))
    }
    for row in rows:
        key = plain_key(row["word"])
        of = frozenset(part for part in row["of"].split(";") if part)
        for said in {key, _without_of(key), _dropping_g(key)}:
            held = made.setdefault(said, [])
            held[:] = [one for one in held if one[0] != of]
            held.insert(0, (of, row["means"]))
            held.sort(key=lambda one: not one[0])
    return made


def _denied(of: Callable[[str], Sequence[Mapping[str, str]]]) -> list[dict[str, str]]:
    """Return the ways to say that a part does not do what it is for: "no work", "wont latch".

    A verb that is a word of parts as well is denied by no bare "no": "no start", "no turn signal".
    """
    made = []
    for kind, denials in (("deed", ("no", *_DENIALS)), ("act", _DENIALS)):
        for row in of(kind):
            verb, *rest = row["word"].split()
            forms = [f"{denial} {row['word']}" for denial in denials]
            forms.append(" ".join(["not", _going(verb), *rest]))
            made += [_row(form, "condition", row["means"], row["of"]) for form in forms]
    moved = ";".join(row["word"] for row in of("mover"))
    return made + [_row(row["word"], "condition", "ask", moved) for row in made if moved]


def _behaving(rows: Iterable[Mapping[str, str]]) -> list[dict[str, str]]:
    """Return verbs of what a bad part does, "tick" and "ticking"."""
    return [
        _row(form, "condition", row["means"], row["of"])
        for row in rows
        for form in (row["word"], _going(row["word"]))
    ]


def _going(verb: str) -> str:
    """Return a verb as what goes on: "engaging", "spinning"."""
    if verb.endswith("e"):
        return f"{verb[:-1]}ing"
    short = re.fullmatch(r"[^aeiou]+[aeiou]([^aeiouwxy])", verb)
    return f"{verb}{short[1] if short else ''}ing"


def _without_of(key: str) -> str:
    """Return Spanish words as a bay writes them: "filtro aire" for "filtro de aire"."""
    return key.replace(" de la ", " ").replace(" de ", " ")


def _dropping_g(key: str) -> str:
    """Return "leakin" for "leaking"."""
    return re.sub(r"(?<=[a-z]in)g\b", "", key)


def example_words() -> str:
    """Return a words file to copy from."""
    return files("roadworn.reading").joinpath("words_example.toml").read_text(encoding="utf-8")


def packaged_rows() -> list[dict[str, str]]:
    """Return the rows of the packaged words."""
    text = files("roadworn.reading").joinpath("words.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def packaged_words() -> Words:
    """Return the packaged words, read once."""
    return made_words(packaged_rows())


_KEYS = ("driver", "also", "short", "conditions")
_CONDITIONS = ("sound", "wearing", "failed", "not_checked", "ask")


def read_words(named: str | Path) -> Words:
    """Return the packaged words with those of a shop's file, which come before them.

    Args:
        named: path of the file, or the name of words that a plugin brings.

    Raises:
        EnvironmentFailure: it cannot be read.
        UsageError: it is no words file; says what to write.
        UnknownName: no plugin brings words of that name.
    """
    rows, driver = _rows_of(*_text_of(named))
    return made_words([*packaged_rows(), *rows], driver)


def _text_of(named: str | Path) -> tuple[str, str]:
    """Return name and text of a words file."""
    path = Path(named)
    if isinstance(named, str) and not is_path(named):
        brought, left_out = in_use().data_files("words"), in_use().left_out()
        key = named.replace("-", "_").casefold()
        if key not in brought:
            see = f"name a TOML file, or {_LOOK}."
            raise UnknownName.of(f"words {named!r}", key, brought, see, left_out)
        return named, brought[key]()
    try:
        return path.name, path.read_text(encoding="utf-8")
    except OSError as error:
        raise EnvironmentFailure(
            f"The words {path.name} cannot be read ({error.strerror})", "name another file"
        ) from None
    except UnicodeDecodeError as error:
        raise UsageError(f"The words {path.name} are no TOML file ({error!s:.80})", _LOOK) from None


def check_words(name: str, text: str) -> None:
    """Refuse a text that is no words file; whatever it builds on is not looked at.

    Raises:
        UsageError: says what to write.
    """
    _rows_of(name, text, deep=False)


def _rows_of(name: str, text: str, *, deep: bool = True) -> tuple[list[dict[str, str]], str]:
    """Return the rows of a words file and the side of the driver, what it builds on before them."""
    import tomllib

    from roadworn.model.toml import read_toml

    try:
        given = read_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"The words {name} are no TOML file ({error!s:.80})", _LOOK) from None
    for key in given:
        if key not in _KEYS:
            raise UsageError(f"The words {name} have an unknown part {key!r:.40}", _LOOK)
    driver = given.get("driver", "")
    if driver not in {"", "left", "right"}:
        raise UsageError(f"In the words {name}, driver is left or right", _LOOK)
    also = given.get("also", [])
    if not isinstance(also, list) or not all(isinstance(one, str) and one for one in also):
        raise UsageError(f"In the words {name}, also is a list of names of plugins' words", _LOOK)
    rows: list[dict[str, str]] = []
    for other in also if deep else ():
        more, side = _rows_of(*_text_of(other), deep=False)
        rows += more
        driver = driver or side
    for word, means in _texts(name, given, "short"):
        if means.startswith(OTHER):
            raise UsageError(
                f"In the words {name}, {word} stands for {means:.40}, which is not in the "
                "catalogue",
                "write words that `roadworn components` lists",
            )
        rows.append(_row(word, "short", means))
    for word, means in _texts(name, given, "conditions"):
        spelled = "_".join(means.casefold().split())
        if spelled not in _CONDITIONS:
            raise UsageError(
                f"In the words {name}, {word} cannot mean {means!r:.40}",
                "write sound, wearing, failed or not_checked",
            )
        rows.append(_row(word, "condition", spelled))
    return rows, driver


_LOOK = "see `roadworn sheets words` for one to copy from"


def _row(word: str, kind: str, means: str, of: str = "") -> dict[str, str]:
    return {"word": word, "kind": kind, "means": means, "of": of}


def _texts(name: str, given: Mapping[str, Any], section: str) -> list[tuple[str, str]]:
    table = given.get(section, {})
    if not isinstance(table, dict):
        raise UsageError(f"In the words {name}, {section} is a section", _LOOK)
    for word, means in table.items():
        if not isinstance(means, str) or not plain_key(word) or not means.strip():
            raise UsageError(
                f"In the words {name}, {word!r:.40} of [{section}] says nothing", _LOOK
            )
    return list(table.items())


reads("words", check_words)
