"""The jobs that a cell names: taken apart, their figures drawn out, each distinct word read once.

``R&R LF whl brg 92k`` is a replacement of the wheel bearing LF at 92,000. Parts, places and
conditions are read as the bay's words are (`roadworn.reading.bench`); what was done stands before
or behind them. A word whose meaning is open is asked once, not once a row. Which deed means what:
common practice, no source.
"""

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import NamedTuple

from roadworn.intake.csv_file import Cell
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.map_sections import fold, is_like, scaled, within
from roadworn.model.catalogue import Component, catalogue
from roadworn.model.errors import UnknownName, UsageError
from roadworn.reading import read_item
from roadworn.reading.bench import Heard, hear
from roadworn.reading.bench_names import names_index
from roadworn.reading.bench_places import tag_of
from roadworn.reading.bench_words import packaged_words
from roadworn.reading.done_words import SERVICES

WORK = ("replacement", "repair", "maintenance")
ACTIONS = ("inspected", "adjusted", "cleaned", "replaced", "filled", "done")
#: What an alias says of a word that is no job.
NOTHING = "none"

#: kind, action -> words for it, before or behind the part.
_DEEDS: Mapping[tuple[str, str], str] = {
    ("replaced", ""): (
        "r&r; r & r; r/r; rr'd; r+r; r and r; remove and replace; removed and replaced; replace; "
        "replaced; replacing; repl; repl.; rplc; rplcd; rplcd.; rep'd; replc; renew; renewed; "
        "install; installed; inst; inst.; instl; fit; fitted; mount; mounted; new; change; "
        "changed; new one fitted; new one; chg; chgd; chg'd; swap; swapped; supply and fit; s&f; "
        "exchange; exchanged; "
        "cambio de; cambio; cambiar; reemplazo de; sustitucion de; sustituir; remplacement; "
        "remplacer; changement; erneuert; ersetzt; getauscht; wechsel; gewechselt"
    ),
    ("maintenance", "adjusted"): (
        "adj; adj.; adjust; adjusted; adjustment; align; aligned; rotate; rotated; rotation; "
        "balance; balanced; torque; torqued; retorque; retorqued; set; ajuste de; ajuste; "
        "eingestellt"
    ),
    ("maintenance", "cleaned"): "clean; cleaned; cln; limpieza de; gereinigt",
    ("maintenance", "filled"): (
        "top up; topped up; top off; topped off; top; fill; filled; refill; refilled; added; add; "
        "grease; greased; lube; lubed; aufgefüllt"
    ),
    ("maintenance", "inspected"): (
        "check; checked; chk; chkd; chk'd; insp; insp.; inspect; inspected; inspection; test; "
        "tested; diag; diagnose; diagnosed; revision de; geprüft"
    ),
    ("maintenance", "replaced"): "flush; flushed; flush and fill; drain and fill",
    ("repair", ""): (
        "repair; repaired; rpr; rprd; rep; rep.; fix; fixed; weld; welded; reseal; resealed; "
        "rebuild; rebuilt; overhaul; overhauled; patch; patched; plug; reparar; reparacion de; "
        "repariert; reparatur"
    ),
}
_DEED_OF = {
    word.strip(): deed for deed, words in _DEEDS.items() for word in words.split(";") if word
}
_LONGEST_DEED = max(len(word.split()) for word in _DEED_OF)
#: Words that say nothing of the part.
_FILLERS = frozenset(
    {"the", "both", "w/", "with", "was", "were", "and", "&", "of", "-", "done",
     "complete", "completed", "job"}
)  # fmt: skip

_FIGURE = r"\d{1,3}(?:[,. ]\d{3})+|\d+"
_UNIT_OF = {"mi": "mi", "miles": "mi", "mls": "mi", "km": "km", "kms": "km", "kilometer": "km"}
_DISTANCE = re.compile(
    rf"(?:\(|\b(?:at|odo|odometer|mileage|miles|km)\b\.?:?\s*|@\s*)?(?<![\w.,])"
    rf"(?:(?P<k>\d{{1,3}}(?:[.,]\d)?)\s?k\b\s?(?P<ku>mi(?:les)?|kms?)?"
    rf"|(?P<far>{_FIGURE})\s?(?P<unit>mi(?:les)?|mls|kms?|kilometer)\b)\)?",
    re.IGNORECASE,
)
_AT = re.compile(
    rf"(?:@|\b(?:at|odo|odometer|mileage|odo reading)\b\.?:?)\s*(?P<far>{_FIGURE})\b(?!\s*[.,]\d)",
    re.IGNORECASE,
)
_HOURS = re.compile(
    r"(?<![\w.])(?P<hours>\d{1,3}(?:[.,]\d{1,2})?)\s?(?:h|hrs?|hours?)\b\.?", re.IGNORECASE
)
_AMOUNT = re.compile(
    r"(?:[$€£]\s?(?P<a>\d[\d,.]*\d|\d)|(?<![\w.,])(?P<b>\d[\d,]*\.\d\d)\b(?!\s?[\w/]))",
    re.IGNORECASE,
)
_QUANTITY = re.compile(
    r"(?:^|\s)(?:\(?x\s?(?P<a>\d{1,2})\)?|\(?(?P<b>\d{1,2})\s?x\)?|qty\.?\s?(?P<c>\d{1,2})"
    r"|\((?P<d>\d{1,2})\))(?=\s|$)",
    re.IGNORECASE,
)
#: "mount 2 tires rear"
_LEADING = re.compile(r"(?:^|\s)(?P<q>[2-9]|1[0-2])\s+(?=[a-z]{3,}s\b)", re.IGNORECASE)


#: Work that is said to be wanted, offered or left undone: nothing is taken for done beside these.
_OPEN = re.compile(
    r"\b(?:needs?|needed|recommend\w*|advis\w+|declin\w+|defer\w*|quot\w+|estimat\w+|not|no|never"
    r"|didn'?t|wasn'?t|couldn'?t|without|due|pending|to be|should|ordered|awaiting|future|cancel\w*"
    r"|refus\w+|propos\w+|planned|waiting|sin cambiar|pendiente|nicht|offen)\b",
    re.IGNORECASE,
)
#: Shorter words are never taken for a slip of another.
_SPELLED = 4


class Meant(NamedTuple):
    """What a word stands for.

    Attributes:
        kind: of the event, or an empty text where the row must say it.
        component: id.
        position: place, or an empty text.
        action: of maintenance, or an empty text.
        reason: of a replacement as the word tells it, or an empty text.
    """

    kind: str
    component: str
    position: str = ""
    action: str = ""
    reason: str = ""

    def spelled(self) -> str:
        """Return it as an alias says it."""
        return " ".join(filter(None, (self.kind, self.action, self.component, self.position)))


class Word(NamedTuple):
    """A distinct word of a source, read once.

    Attributes:
        text: as it stands, without the figures drawn from it.
        meant: what it stands for; nothing where it is no job, or is open.
        ask: what is open, as a question; empty where nothing is.
        near: names that it may mean.
        loose: it was read by a name that is only nearly so, or a part of it stays unread.
    """

    text: str
    meant: tuple[Meant, ...] = ()
    ask: str = ""
    near: tuple[str, ...] = ()
    loose: bool = False


class Piece(NamedTuple):
    """One job of a cell.

    Attributes:
        text: as written.
        word: what its words stand for.
        facts: field -> figure drawn from it.
    """

    text: str
    word: Word
    facts: Mapping[str, Cell]


class JobReader:
    """Reads cells of jobs by a map; every distinct cell and word once."""

    def __init__(self, csv_map: CsvMap) -> None:
        self._map = csv_map
        self._aliases = csv_map.values.get("jobs", {})
        between = sorted(csv_map.jobs.between, key=len, reverse=True)
        self._between = re.compile("|".join(map(re.escape, between))) if between else None
        said = csv_map.jobs.words
        self._left_out = within(word for word, what in said.items() if what == "leave out")
        self._no_job = within(word for word, what in said.items() if what == "no job")
        self._cells: dict[str, tuple[Piece, ...]] = {}
        self._parts: dict[str, tuple[list[Meant], bool] | UsageError] = {}
        self.words: dict[str, Word] = {}

    def read(self, cell: str) -> tuple[Piece, ...]:
        """Return the jobs of a cell, those that are none left out."""
        found = self._cells.get(cell)
        if found is None:
            found = self._cells[cell] = tuple(self._read(cell))
        return found

    def _read(self, cell: str) -> Iterable[Piece]:
        whole = self._aliases.get(fold(cell))
        parts = [cell] if whole is not None or self._between is None else self._between.split(cell)
        for part in parts:
            text = " ".join(part.split()).strip(" ,;.-*•")
            if not text or is_like(text, self._map.jobs.ignore):
                continue
            if self._no_job is not None and self._no_job.search(text):
                continue
            rest, facts = drawn(text, scaled(self._map.units.get("odometer", ""))[1])
            if self._left_out is not None:
                rest = " ".join(self._left_out.sub(" ", rest).split()).strip(" ,;:-")
                if not rest:
                    continue
            word = self.word(text if fold(text) in self._aliases else rest or text)
            if word.meant or word.ask:
                yield Piece(text, word, facts)

    def word(self, text: str) -> Word:
        """Return what a word stands for: by its alias, else as the bay reads it."""
        key = fold(text)
        found = self.words.get(key)
        if found is None:
            alias = self._aliases.get(key) or self._aliases.get(fold(deed_of(text)[1]))
            made = self._by_alias(text, alias) if alias is not None else self._heard(text)
            found = self.words[key] = made
        return found

    def _by_alias(self, text: str, alias: str) -> Word:
        if fold(alias) in {NOTHING, "-", ""}:
            return Word(text)
        try:
            meant = tuple(read_meant(one) for one in alias.split(";") if one.strip())
        except UsageError as error:
            return Word(text, (), f"{alias!r} cannot be read: {error}")
        deed, _rest = deed_of(text)
        return Word(text, tuple(one if one.kind else with_deed(one, deed) for one in meant))

    def _heard(self, text: str) -> Word:
        if _OPEN.search(text):
            return Word(text, (), "was it done?")
        deed, rest = deed_of(text)
        known = self._map.components.get(fold(rest))
        try:
            if known is not None:
                found = [_plain(read_item(known))]
                loose = False
            else:
                found, loose = self._named(rest, text)
        except UnknownName as error:
            return Word(text, (), "which part is it?", tuple(error.near[:3]))
        except UsageError as error:
            return Word(text, (), _question(error))
        return Word(text, tuple(with_deed(one, deed) for one in found), loose=loose)

    def _named(self, rest: str, text: str) -> tuple[list[Meant], bool]:
        """Return the parts that words name, and whether one was taken by a misspelt word.

        What stands between deeds is read once, whatever was done to it.
        """
        key = fold(rest)
        if key not in self._parts:
            try:
                heard = [_of_heard(one) for one in _hear(rest, text)]
                self._parts[key] = heard, misspelt(rest or text)
            except UsageError as error:
                self._parts[key] = error
        found = self._parts[key]
        if isinstance(found, UsageError):
            raise found
        return found


def _hear(rest: str, text: str) -> list[Heard]:
    """Return what the words of a part name; those of the deed belong to it where they must.

    "Cambio de aceite" is an oil change, and no part is left without its first words.
    """
    try:
        return hear(rest or text)
    except UsageError:
        if fold(rest) == fold(text) or misspelt(text):
            raise
        return hear(text)


def misspelt(text: str) -> bool:
    """Return whether a phrase has a word that the bay's words do not know as it stands."""
    words, names = packaged_words(), names_index().weight
    return any(
        len(key) >= _SPELLED
        and not (key in names or key in words.known or tag_of(key) or not key.isalpha())
        for key in words.keys_of(text)
    )


def _plain(item: Mapping[str, str]) -> Meant:
    return Meant("", item["component"], item.get("position", ""))


def _of_heard(heard: Heard) -> Meant:
    reason = {"failed": "failed", "wearing": "worn_out"}.get(heard.condition or "", "")
    return Meant("", heard.component.id, heard.position or "", reason=reason)


def with_deed(meant: Meant, deed: tuple[str, str] | None) -> Meant:
    """Return a meaning with the kind that a deed of `deed_of` makes it."""
    component = catalogue().get(meant.component)
    kind, action = deed or ("", "")
    if kind == "replaced" or (not kind and is_service(component)):
        if is_service(component):
            kind, action = "maintenance", _usual(component)
        else:
            kind = "replacement"
    reason = meant.reason if kind == "replacement" else ""
    return meant._replace(kind=kind, action=action, reason=reason)


def is_service(component: Component) -> bool:
    """Return whether a part is kept by plan: a fluid, a filter, an alignment, a service."""
    return component.wear_type in {"consumable", "service"} or component.id in SERVICES


def _usual(component: Component) -> str:
    usual = "adjusted" if component.wear_type == "service" else "replaced"
    return SERVICES.get(component.id, usual)


def read_meant(text: str) -> Meant:
    """Read what an alias says of a word: ``replacement wheel.bearing LF``, ``engine.oil``.

    Raises:
        UsageError: no component answers to it.
    """
    words = text.replace("-", "_").split() if text.split()[:1] else []
    kind = words[0].casefold() if words and words[0].casefold() in WORK else ""
    tokens = text.split()[1:] if kind else text.split()
    action = ""
    if kind in {"", "maintenance"} and tokens and tokens[0].casefold() in ACTIONS:
        action, tokens, kind = tokens[0].casefold(), tokens[1:], "maintenance"
    found = _plain(read_item(" ".join(tokens)))
    if kind == "maintenance" and not action:
        action = _usual(catalogue().get(found.component))
    return found._replace(kind=kind, action=action)


def deed_of(text: str) -> tuple[tuple[str, str] | None, str]:
    """Return what a phrase says was done, and the phrase without it."""
    tokens = text.split()
    deed: tuple[str, str] | None = None
    for _ in range(3):
        tokens = _trimmed(tokens)
        for length in range(min(_LONGEST_DEED, len(tokens)), 0, -1):
            first, last = (fold(" ".join(part)) for part in (tokens[:length], tokens[-length:]))
            if first.strip(":,-") in _DEED_OF and len(tokens) > length:
                deed = deed or _DEED_OF[first.strip(":,-")]
                tokens = tokens[length:]
                break
            if last.strip(":,-") in _DEED_OF and len(tokens) > length:
                deed = deed or _DEED_OF[last.strip(":,-")]
                tokens = tokens[:-length]
                break
        else:
            break
    return deed, " ".join(tokens)


def _trimmed(tokens: list[str]) -> list[str]:
    while len(tokens) > 1 and tokens[0].casefold().strip(",:") in _FILLERS:
        tokens = tokens[1:]
    while len(tokens) > 1 and tokens[-1].casefold().strip(",:") in _FILLERS:
        tokens = tokens[:-1]
    return tokens


def drawn(text: str, unit: str = "") -> tuple[str, dict[str, Cell]]:
    """Return a phrase without the figures that are none of its words, and the figures by field.

    Args:
        text: as written.
        unit: of a distance that says none; without one it stays in the phrase.
    """
    facts: dict[str, Cell] = {}
    for form in (_DISTANCE, _AT):
        found = form.search(text)
        if found is None or "odometer" in facts:
            continue
        own = found.groupdict()
        told = _UNIT_OF.get((own.get("unit") or own.get("ku") or "").casefold(), unit)
        if not told:
            continue
        if own.get("k"):
            figure = Decimal(own["k"].replace(",", ".")) * 1000
        else:
            figure = Decimal(re.sub(r"[,. ]", "", own["far"]))
        if figure < 1_000:  # "3 km from home" is no reading
            continue
        facts |= {"odometer": figure, "odometer_unit": told}
        text = _without(text, found)
    found = _HOURS.search(text)
    if found is not None:
        facts["labour_hours"] = Decimal(found["hours"].replace(",", "."))
        text = _without(text, found)
    found = _AMOUNT.search(text)
    if found is not None:
        facts["other_cost"] = Decimal((found["a"] or found["b"]).replace(",", ""))
        text = _without(text, found)
    found = _QUANTITY.search(text) or _LEADING.search(text)
    if found is not None:
        facts["quantity"] = Decimal(next(filter(None, found.groups())))
        text = _without(text, found)
    return text.strip(" ,;:-@"), facts


def _without(text: str, found: re.Match[str]) -> str:
    return " ".join(f"{text[: found.start()]} {text[found.end() :]}".split())


def _question(error: UsageError) -> str:
    """Return what is left open, as a question."""
    return str(error)
