"""A look-over walked item by item: what to ask next, and what the answers add up to.

No input or output here, so that a terminal, a test or another program can drive it. Looked
at and sound, and not checked, are different answers all the way: nothing is sound by default.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from roadworn.checks.measured import check_agreement
from roadworn.model.catalogue import catalogue
from roadworn.model.errors import UsageError
from roadworn.model.units import UnitError, parse_measurement
from roadworn.reading import (
    CONDITIONS,
    condition_of,
    read_finding,
    read_measurements,
    says_condition,
)
from roadworn.trade.judging import (
    Judgement,
    KnownSizes,
    judge,
    put_sizes,
    read_size,
    take_sizes,
)
from roadworn.trade.limits import Item, Sheet

if TYPE_CHECKING:
    from roadworn.reading.bench_words import Words

HELP = (
    "s sound, w wearing, f failed, n not checked; with a place, a figure or a note: "
    "'w LF 3 mm', 'f loose'; several of one kind: 'LF s; RF w 3 mm'. "
    "A figure alone is compared with the sheet's limit, and you decide. "
    "b goes back, a: everything else is sound, q: everything else was not checked."
)


@dataclass(slots=True)
class _Open:
    """A figure that is asked about: the other findings of its answer, and its condition if known.

    `judged` is the condition by the limit, or empty where the limit hangs on a size that is asked.
    """

    others: list[str]
    figure: str
    judged: str = ""


class Walk:
    """A walk through a sheet.

    Attributes:
        sheet: what is looked at.
        entries: for each item answered so far, its findings.
        rest: what was said of everything not asked, or an empty text.
        sizes: sizes on record of the vehicle, which some limits hang on.
    """

    def __init__(
        self,
        sheet: Sheet,
        entries: Iterable[list[dict[str, Any]]] = (),
        sizes: KnownSizes | None = None,
        words: "Callable[[], Words] | None" = None,
    ) -> None:
        self.sheet, self._words = sheet, words
        self.entries: list[list[dict[str, Any]]] = [list(entry) for entry in entries]
        self.rest = ""
        self.sizes = KnownSizes() if sizes is None else sizes
        for entry in self.entries:
            for finding in entry:
                self.sizes.keep(finding)
        self._open: _Open | None = None  # a figure that awaits the person's word, or a size
        self._undone: list[list[dict[str, Any]]] = []  # answers gone back over, newest first

    @property
    def item(self) -> Item | None:
        """The item asked for now, or None when the walk is over."""
        at = len(self.entries)
        return None if self.rest or at >= len(self.sheet.items) else self.sheet.items[at]

    @property
    def asks(self) -> Literal["item", "word", "size"]:
        """What is asked for now: an item, a word about a figure, or a size."""
        return "item" if self._open is None else "word" if self._open.judged else "size"

    def question(self) -> str:
        """Return the question to ask now, with its place in the walk."""
        item = self.item
        if item is None:
            return ""
        measured = f" ({item.measurement}, {item.unit})" if item.measurement else ""
        at = len(self.entries) + 1
        area = f"{item.area}: " if item.area else ""
        return f"{at}/{len(self.sheet.items)} {area}{item.name}{measured}"

    def answer(self, text: str) -> str:
        """Take an answer and return a word back, often empty.

        Raises:
            UsageError: it cannot be read; the same item is asked again.
        """
        item = self.item
        if item is None:
            raise UsageError("The walk is over: nothing more is asked.")
        text = text.strip()
        word = text.casefold()
        if word in {"?", "h", "help"}:
            return HELP
        if word == "b":
            self._take_open(item)
            if self.entries:
                self._undone.append(self.entries.pop())
            return ""
        if word in {"a", "q"}:
            self._take_open(item)
            # What was gone back over and not answered anew stays as it was answered.
            self.entries += reversed(self._undone)
            self._undone.clear()
            self.rest = "sound" if word == "a" else "not_checked"
            return f"Everything else: {'looked at and sound' if word == 'a' else 'not checked'}."
        if self._open is not None:
            return self._take(item, self._settled(item, self._open, text))
        if not text:
            return "Say s, w, f or n; ? explains."
        return self._take(item, _parts(text))

    def _take_open(self, item: Item) -> None:
        """Take a figure that is still asked about, as Enter would."""
        if self._open is not None:
            self._take(item, self._settled(item, self._open, ""))

    def payload(self) -> dict[str, Any]:
        """Return what the answers add up to, as an `Inspection` payload.

        A component with a finding of its own is not listed as sound or not checked besides.
        """
        findings = [finding for entry in self.entries for finding in entry if _says_more(finding)]
        named = {_key(finding) for finding in findings} | {(f["component"], "") for f in findings}
        plain = [finding for entry in self.entries for finding in entry if not _says_more(finding)]
        sound = _items(f for f in plain if f["condition"] == "sound" and _key(f) not in named)
        named |= {_key(item) for item in sound}
        not_checked = _items(
            f for f in plain if f["condition"] == "not_checked" and _key(f) not in named
        )
        parts: dict[str, Any] = {
            "sheet": self.sheet.name,
            "findings": findings,
            "sound": sound,
            "not_checked": not_checked,
            "rest": self.rest,
        }
        return {name: value for name, value in parts.items() if value}

    def _take(self, item: Item, parts: list[str]) -> str:
        """Take the findings of an answer, or ask about a figure without a condition."""
        found = []
        for at, part in enumerate(parts):
            plain, said = take_sizes(part)
            spelled = _spell(plain, item.component, self._words)
            if spelled is None:
                parts[at] = _with_unit(item, part)
                return self._ask(item, parts, at)
            finding = read_finding(f"{item.component} {spelled}")
            _check_axle(item, finding.get("position"))
            for measurement in finding.get("measurements", ()):
                if item.measurement:
                    measurement["name"] = item.measurement
            put_sizes(finding, said)
            found.append(finding)
        check_agreement(found)
        for finding in found:
            self.sizes.keep(finding)
        self.entries.append(found)
        del self._undone[-1:]
        return ""

    def _ask(self, item: Item, parts: list[str], at: int) -> str:
        """Ask what the figure of a part means, the other parts of the answer kept."""
        judgement = self._judge(item, parts[at])
        self._open = _Open([*parts[:at], *parts[at + 1 :]], parts[at])
        table = item.sized
        if table is not None and judgement.condition == "not_checked":
            unit = f", in {table.key_unit}" if table.key_unit else ""
            return f"{judgement.reason}{unit}: what is it? Enter when nobody knows."
        word = judgement.condition.replace("_", " ")
        self._open.judged = word
        return f"{judgement.reason}: {word}? Enter agrees, or say s, w, f or n."

    def _settled(self, item: Item, opened: _Open, text: str) -> list[str]:
        """Return the findings of an answer once a word or a size about its figure was said."""
        condition = condition_of(text, may_be_key=True)
        figure, table = opened.figure, item.sized
        if not text:
            said = f"{figure} {opened.judged or 'not checked'}"
        elif condition is not None and (len(text) == 1 or not opened.judged):
            said = f"{figure} {condition}"
        elif opened.judged or table is None:
            self._open = None
            return _parts(text)
        else:
            plain, sizes = take_sizes(text)
            size = sizes[0] if sizes and not plain else read_size(table, text)
            said = f"{figure}, {size.key} {size.text} {size.unit}".strip()
        self._open = None
        return [*opened.others, said]

    def _judge(self, item: Item, text: str) -> Judgement:
        """Judge the one figure of an answer."""
        plain, said = take_sizes(text)
        component = catalogue().get(item.component)
        found = catalogue().resolve_phrase(f"{component.id} {plain}")
        try:
            measured = read_measurements(found.rest)
        except UsageError:
            measured = []
        if len(measured) != 1:
            raise UsageError(f"{text.strip()!r} says no condition", "add s, w, f or n; ? explains")
        _check_axle(item, found.position)
        finding: dict[str, Any] = {"position": found.position}
        put_sizes(finding, said)
        size = self.sizes.size_at(item, finding)
        return judge(item, measured[0]["value"], measured[0]["unit"], size=size)


def _parts(text: str) -> list[str]:
    return [part.strip() for part in text.split(";") if part.strip()]


def _with_unit(item: Item, text: str) -> str:
    """Return an answer whose bare figure has the unit that the question named."""
    plain, _said = take_sizes(text)
    rest = catalogue().resolve_phrase(f"{item.component} {plain}").rest.strip()
    if not item.unit or not rest or not rest[-1].isdigit() or rest not in text:
        return text
    try:
        value, unit = parse_measurement(rest, item.unit)
    except UnitError:
        return text
    return text.replace(rest, f"{value:f} {unit}", 1)


def _check_axle(item: Item, position: str | None) -> None:
    if not item.covers(position):
        raise UsageError(
            f"{position} is not asked for here ({item.name}): answer for it with its own item."
        )


def _spell(text: str, component: str, shop: "Callable[[], Words] | None") -> str | None:
    """Return an answer with its key letter spelled out, or None when it says no condition."""
    words = text.split()
    keys = [condition_of(word, may_be_key=True) if len(word) == 1 else None for word in words]
    if keys and keys[0]:
        # Key first, then the place: 'f L loose'.
        said = " ".join(words[1:])
        found = catalogue().resolve_phrase(f"{component} {said}")
        # The place in the words it was said in: "axle 2" and "bank 2" are both kept as 2.
        whole = said.endswith(found.rest)
        place = said.removesuffix(found.rest) if whole else found.position or ""
        return f"{place} {keys[0]} {found.rest}"
    for at, key in enumerate(keys):
        if key:
            return " ".join([*words[:at], key, *words[at + 1 :]])
    return text if says_condition(text) else _in_trade_words(words, component, shop)


def _in_trade_words(
    words: list[str], component: str, shop: "Callable[[], Words] | None"
) -> str | None:
    """Return an answer with the condition that a word of the trade means put before that word."""
    from roadworn.reading.bench_words import packaged_words

    known, part = shop() if shop else packaged_words(), catalogue().get(component)
    told: list[tuple[int, int, str]] = []
    at = 0
    while at < len(words):
        spans = range(min(4, len(words) - at), 0, -1)
        spelled = {n: " ".join(known.keys_of(" ".join(words[at : at + n]))) for n in spans}
        length, means = next(
            ((n, said) for n in spans if (said := known.condition_of(spelled[n], part))), (1, "")
        )
        if means:
            negated = at and words[at - 1].casefold() in {"not", "no", "never"}
            told.append((at, length, "ask" if negated else means))
        at += length
    if len({means for _at, _length, means in told}) != 1 or told[0][2] not in CONDITIONS:
        return None
    at, length, means = told[0]
    # "ok" says no more than sound does; "loose" does.
    after = words[at + length :] if means == "sound" else words[at:]
    return " ".join([*words[:at], means, *after])


def _says_more(finding: dict[str, Any]) -> bool:
    """Whether a finding holds more than that the item was sound, or not looked at."""
    return (
        finding["condition"] in {"wearing", "failed"}
        or "note" in finding
        or "measurements" in finding
    )


def _key(item: dict[str, Any]) -> tuple[str, str]:
    return item["component"], item.get("position", "")


def _items(found: Iterable[dict[str, Any]]) -> list[dict[str, str]]:
    items: dict[tuple[str, str], dict[str, str]] = {}
    for finding in found:
        items[_key(finding)] = {"component": finding["component"]}
        if "position" in finding:
            items[_key(finding)]["position"] = finding["position"]
    return list(items.values())
