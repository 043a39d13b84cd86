"""Words of a complaint as symptoms, and the rest of what the trade brings along as data.

A customer's words are read by stems, English and Spanish, accents and a slip of one letter
allowed; what no symptom knows stays as a word of its own, which only counts once the ledger's
cases have used it often enough.
"""

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.resources import files

from rapidfuzz.distance import OSA

from roadworn.model.catalogue import name_key
from roadworn.trade.codes import told_code

#: That a lamp came on goes with the codes.
LAMP = "symptom:lamp"
#: A stem as short as this must be the whole word.
_WHOLE = 3
#: From this many letters on a slip of one letter is taken.
_SLIP_FROM = 6
_LONGEST, _MOST_WORDS = 2000, 40
#: A failed part is mostly its own cause; else what it brings down, or what brought it down.
_ITSELF, _BROUGHT_DOWN, _BEHIND = 0.7, 0.2, 0.1


@dataclass(frozen=True, slots=True)
class Symptom:
    """How a customer says it: phrases of stems, and the parts that the trade thinks of first."""

    name: str
    phrases: tuple[tuple[str, ...], ...]
    points_to: tuple[str, ...]
    general: bool = False


@dataclass(frozen=True, slots=True)
class Check:
    """A look that tells causes apart; `price` in USD, common practice, no source.

    Attributes:
        name: by which its words stand in the analysis.
        tells: components that it confirms or clears.
        minutes: at the bench.
        price: beyond the minutes.
        safety: a caution goes with it.
    """

    name: str
    tells: tuple[str, ...]
    minutes: int
    price: int
    safety: bool = False


@dataclass(frozen=True, slots=True)
class TradeWords:
    """What ships as data; `brings_down` goes from a part to those that fail because of it.

    `dangers` are phrases of what is looked at before the vehicle is driven on.
    """

    symptoms: Mapping[str, Symptom]
    checks: tuple[Check, ...]
    brings_down: Mapping[str, tuple[str, ...]]
    empty: frozenset[str]
    dangers: tuple[tuple[str, ...], ...]

    def behind(self, component: str) -> tuple[str, ...]:
        """Return what may bring a part down again and again."""
        return tuple(one for one, parts in self.brings_down.items() if component in parts)


@cache
def trade_words() -> TradeWords:
    """Return the packaged data, read once."""
    text = files(__package__).joinpath("trade.toml").read_text(encoding="utf-8")
    data = tomllib.loads(text)
    return TradeWords(
        symptoms={
            row["name"]: Symptom(
                row["name"],
                tuple(tuple(phrase.split()) for phrase in row["words"]),
                tuple(row["points_to"]),
                row.get("general", False),
            )
            for row in data["symptom"]
        },
        checks=tuple(
            Check(
                row["name"],
                tuple(row["tells"]),
                row["minutes"],
                row["price"],
                row.get("safety", False),
            )
            for row in data["check"]
        ),
        brings_down={row["component"]: tuple(row["brings_down"]) for row in data["upstream"]},
        empty=frozenset(data["empty_words"]),
        dangers=tuple(tuple(phrase.split()) for phrase in data["dangers"]),
    )


def clauses(text: str | None) -> list[tuple[str, frozenset[str]]]:
    """Return each clause of a complaint as typed, with its facts: ``symptom:hum``, ``word:ferry``.

    A text of any length and kind is taken; beyond a page nobody reads on.
    """
    told = ((clause, _facts_of(_plain(clause))) for clause in _apart(text))
    return [(clause, facts) for clause, facts in told if facts]


def dangers_in(text: str | None) -> list[str]:
    """Return the clauses of a complaint, as typed, that somebody may get hurt by."""
    return [clause for clause in _apart(text) if _is_danger(_plain(clause))]


def _apart(text: str | None) -> list[str]:
    parts = re.split(r"[.,;:!?\n]+|\band\b|\by\b", (text or "")[:_LONGEST])
    return [part.strip() for part in parts if part.strip()]


@lru_cache(maxsize=4096)
def _is_danger(clause: str) -> bool:
    tokens = clause.split()[:_MOST_WORDS]
    return any(
        all(any(_is_stem(stem, token) for token in tokens) for stem in phrase)
        for phrase in trade_words().dangers
    )


def _plain(text: str) -> str:
    bare = unicodedata.normalize("NFKD", text.replace("'", "").replace("’", "")).casefold()
    return "".join(c if c.isalnum() else " " for c in bare if not unicodedata.combining(c))


@lru_cache(maxsize=4096)
def _facts_of(clause: str) -> frozenset[str]:
    tokens = clause.split()[:_MOST_WORDS]
    facts, used = set[str](), set[str]()
    for symptom in trade_words().symptoms.values():
        for phrase in symptom.phrases:
            met = [next((t for t in tokens if _is_stem(stem, t)), None) for stem in phrase]
            if all(met):
                facts.add(f"symptom:{symptom.name}")
                used.update(token for token in met if token)
    for token in tokens:
        key = name_key(token)
        if len(key) >= 4 and key.isalpha() and token not in used and key not in trade_words().empty:
            facts.add(f"word:{key[:30]}")
    return frozenset(facts)


def _is_stem(stem: str, token: str) -> bool:
    if len(stem) <= _WHOLE:
        return token == stem
    if token.startswith(stem):
        return True
    return len(stem) >= _SLIP_FROM and OSA.distance(token[: len(stem)], stem) <= 1


def is_general(fact: str) -> bool:
    """Return whether a fact goes with almost any cause."""
    kind, _, name = fact.partition(":")
    known = trade_words().symptoms.get(name) if kind == "symptom" else None
    return kind in {"word", "band"} or (
        known is not None and (known.general or not known.points_to)
    )


def expected(facts: Iterable[str]) -> dict[str, dict[str, float]]:
    """Return what the trade expects of facts: fact -> component -> weight, the first the most.

    By the code standard and the catalogue for codes, by common practice (no source) for words
    and findings.
    """
    found = {}
    for fact in facts:
        kind, _, name = fact.partition(":")
        if kind == "code":
            weights = _ranked(told_code(name)[1])
        elif kind == "symptom":
            weights = _ranked(trade_words().symptoms[name].points_to)
        elif kind in {"failed", "wearing"}:
            weights = {name: _ITSELF}
            for others, share in (
                (trade_words().brings_down.get(name, ()), _BROUGHT_DOWN),
                (trade_words().behind(name), _BEHIND),
            ):
                for other in others:
                    weights[other] = weights.get(other, 0.0) + share / len(others)
        else:
            continue
        if weights:
            found[fact] = weights
    return found


def _ranked(components: Iterable[str]) -> dict[str, float]:
    return {component: 1.0 / rank for rank, component in enumerate(components, start=1)}
