"""What differed from the estimate, in the words of a bay: ``1 2.4 h part 44.10 number BP-220``.

A text begins with the numbers of the lines it is about, ``1``, ``1,3``, ``2-4`` or ``all``; without
them it is about every line. What cannot be read is refused, since a price or a name that is lost
in silence is found by nobody. Which word means what: common practice, no source.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from roadworn.model.amounts import FLUID, read_fluid, read_money, read_warranty
from roadworn.model.errors import UsageError

_NUMBERS = re.compile(r"(?:all|todo|\d{1,3}(?:-\d{1,3})?(?:,\d{1,3}(?:-\d{1,3})?)*)", re.IGNORECASE)
_ALL = frozenset({"all", "todo"})
_FIGURE = r"\d+(?:,\d{3})*(?:\.\d+)?"
_MONEY = rf"{_FIGURE}(?:\s+[A-Z]{{3}}(?![\w-]))?"
_HOURS = rf"(?:{_FIGURE}|\.\d+)\s*(?:h|hrs?|hours?)(?![\w-])"
#: Why a part was replaced, as a bay says it -> as it is stored.
REASONS: Mapping[str, str] = {
    **dict.fromkeys(("failed", "failure", "broken", "broke", "blown", "leaking", "dead"), "failed"),
    **dict.fromkeys(("worn out", "worn-out", "worn", "wearing", "wear", "thin"), "worn_out"),
    **dict.fromkeys(("preventive", "preventative", "prevention", "scheduled"), "preventive"),
    **dict.fromkeys(("damaged", "damage", "crash", "hit"), "damaged"),
    "recall": "recall",
    "upgrade": "upgrade",
    **dict.fromkeys(("unknown", "not known"), "unknown"),
}
#: What was done -> the kind of work, and its action where it is a service.
WORK_WORDS: Mapping[str, tuple[str, str]] = {
    **dict.fromkeys(
        ("replaced", "replace", "renewed", "renew", "new", "fitted", "fit", "installed", "install",
         "changed", "change", "swapped", "swap", "r&r"),
        ("replacement", "replaced"),
    ),
    **dict.fromkeys(
        ("repaired", "repair", "fixed", "fix", "machined", "machine", "resurfaced", "resurface",
         "turned", "turn", "resealed", "reseal", "patched", "patch", "plugged", "plug", "welded",
         "weld", "tightened", "tighten", "freed", "free", "straightened", "straighten", "soldered",
         "rebuilt", "rebuild", "programmed", "program"),
        ("repair", ""),
    ),
    **dict.fromkeys(("adjusted", "adjust", "aligned", "align", "set"), ("maintenance", "adjusted")),
    **dict.fromkeys(("cleaned", "clean"), ("maintenance", "cleaned")),
    **dict.fromkeys(
        ("filled", "fill", "flushed", "flush", "bled", "bleed", "topped up", "top up", "topped"),
        ("maintenance", "filled"),
    ),
    **dict.fromkeys(
        ("inspected", "inspect", "checked", "check", "tested", "test", "diagnosed", "diagnose"),
        ("maintenance", "inspected"),
    ),
}  # fmt: skip
#: Services of no one part, and the action that each is kept with.
SERVICES: Mapping[str, str] = {
    "other.diagnosis": "inspected",
    "other.safety_check": "inspected",
    "other.general_service": "done",
}
_SOURCES = {
    **dict.fromkeys(
        ("own part", "own parts", "customer part", "customer parts", "customer's part",
         "customers part", "brought by the customer", "customer brought it", "brought in"),
        "customer",
    ),
    **dict.fromkeys(("from stock", "stock", "off the shelf"), "stock"),
    **dict.fromkeys(("bought", "bought in"), "bought"),
}  # fmt: skip
_KINDS = {
    "used": "used",
    **dict.fromkeys(("reman", "remanufactured", "rebuilt part", "exchange part"), "remanufactured"),
    "new part": "new",
}
_EXAMPLES = (
    "part 44.10, number BP-220, from NAME, made by NAME, 2.4 h, clock 2.9, by JK, own part, "
    "from stock, warranty 12/12, total 180, worn out, repaired, at LF, note ..."
)


@dataclass(slots=True)
class Differs:
    """What was said of the work for some lines.

    Attributes:
        lines: their numbers; empty where it is about every line.
        takes_all: whether it asks for all lines, ``all``.
        fields: fields of a payload of work that were said.
        kind: kind of work, or empty.
        total: what the line came to in all, or None.
        places: where it was, as written.
        text: as typed.
    """

    lines: tuple[int, ...] = ()
    takes_all: bool = False
    fields: dict[str, Any] = field(default_factory=dict)
    kind: str = ""
    total: dict[str, str] | None = None
    places: str = ""
    text: str = ""

    @property
    def says(self) -> bool:
        """Whether something was said besides the numbers."""
        return bool(self.fields or self.kind or self.total or self.places)


def read_differences(
    texts: Iterable[str], known: Iterable[int], currency: str, unit: str = ""
) -> list[Differs]:
    """Read what was typed about the lines of an estimate.

    Args:
        texts: as typed; several lines may stand in one with ; between them.
        known: the numbers of the estimate's lines, which ``all`` and no number stand for.
        currency: code of amounts without one.
        unit: of a warranty's distance without one, ``mi`` or ``km``.

    Raises:
        UsageError: a number is no line, or some of it cannot be read.
    """
    numbers = sorted(known)
    parts = [part.strip() for text in texts for part in text.split(";") if part.strip()]
    return [_read(part, numbers, currency, unit) for part in parts]


def _read(text: str, known: list[int], currency: str, unit: str) -> Differs:
    lines, rest = _lines_of(text, known)
    takes_all = text.split(maxsplit=1)[0].rstrip(":").casefold() in _ALL
    made = Differs(() if takes_all else lines, takes_all, text=text)
    reader = _Reader(made, currency, unit)
    while rest:
        rest = reader.take(rest)
    return made


def _lines_of(text: str, known: list[int]) -> tuple[tuple[int, ...], str]:
    """Return the lines that a text begins with, and what is said of them."""
    words = text.split()
    told: list[int] = []
    at = 0
    # "1 3" are two lines; of "1 2.4 h" and "1 2 h" only the first figure is one.
    while at < len(words) and _NUMBERS.fullmatch(words[at].rstrip(":")):
        if at and not all(_NUMBERS.fullmatch(word) for word in words):
            break
        told += _numbers(words[at].rstrip(":"), known)
        at += 1
    if at and _is_hours(words[at - 1 : at + 1]):
        told, at = [], 0
    for number in told:
        if number not in known:
            listed = ", ".join(map(str, known))
            raise UsageError(f"The estimate has no line {number}: its lines are {listed}.")
    return tuple(dict.fromkeys(told)), " ".join(words[at:])


def _is_hours(words: list[str]) -> bool:
    return (
        len(words) == 2 and re.fullmatch(r"(?:h|hrs?|hours?)", words[1], re.IGNORECASE) is not None
    )


def _numbers(word: str, known: list[int]) -> list[int]:
    if not word[0].isdigit():
        return known
    found: list[int] = []
    for part in word.split(","):
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found


def _words(table: Iterable[str]) -> str:
    longest = sorted(table, key=len, reverse=True)
    return "(?:" + "|".join(re.escape(word) for word in longest) + r")(?![\w-])"


#: What begins something else, where a name or a warranty that was typed ends.
_NEXT = re.compile(
    rf"[,;]|(?<![\w-])(?:{_HOURS}|(?:clock(?:ed)?|took)\s|(?:part|pt)s?\s+(?=\d|list|at|num|no\.|pn|#)|(?:number|pn|p/n|no\.)\s"
    r"|(?:from|by|at|made by|maker|supplier|order|warranty|note|total|price|fluid)\s"
    rf"|{_words((*_SOURCES, *_KINDS, 'lifetime warranty', 'no warranty'))}"
    rf"|{_words(REASONS)})",
    re.IGNORECASE,
)
#: What ends the name of a person besides: what was done, and a fluid. A supplier may be named so.
_NEXT_BY = re.compile(rf"{_NEXT.pattern}|(?<![\w-])(?:{_words(WORK_WORDS)}|{FLUID})", re.IGNORECASE)
#: So many letters at most are initials, and not a name in small letters.
_INITIALS = 2
_WITH = frozenset({"and", "&", "+", "/"})


class _Reader:
    """Reads one text, piece by piece, into what it says."""

    def __init__(self, made: Differs, currency: str, unit: str) -> None:
        self.made, self.currency, self.unit = made, currency, unit

    def take(self, rest: str) -> str:
        """Take what a text begins with and return what is left.

        Raises:
            UsageError: it begins with nothing that is known.
        """
        rest = rest.lstrip(" ,")
        if re.match(r"(?i:and)\s", rest):
            rest = rest[4:]
        for pattern, read in _FORMS:
            found = pattern.match(rest)
            if found is not None:
                left: str = read(self, found, rest[found.end() :])
                return left.strip(" ,")
        raise UsageError(
            f"{rest.split()[0]!r} in {self.made.text!r} is not understood: say what differed as "
            f"{_EXAMPLES}"
        )

    def say(self, **fields: Any) -> None:  # noqa: ANN401
        """Keep fields; the same one twice is a slip.

        Raises:
            UsageError: it was said already.
        """
        for name, value in fields.items():
            if self.made.fields.get(name, value) != value:
                raise UsageError(
                    f"{self.made.text!r} says {name.replace('_', ' ')} twice: keep one of them."
                )
        self.made.fields |= fields

    def hours(self, found: re.Match[str], left: str) -> str:
        self.say(labour_hours=_hours(found["hours"]))
        if found["rate"]:
            self.say(labour_rate=read_money(found["rate"], self.currency))
        return left

    def clock(self, found: re.Match[str], left: str) -> str:
        self.say(clocked_hours=_hours(found["hours"]))
        return left

    def part(self, found: re.Match[str], left: str) -> str:
        money = read_money(found["money"], self.currency)
        many = int(found["many"] or 1)
        if many > 1:
            amount = Decimal(money["amount"]) * many
            self.say(quantity=many)
            money = {**money, "amount": f"{amount:f}"}
        self.say(parts_cost=money)
        return left

    def total(self, found: re.Match[str], left: str) -> str:
        self.made.total = read_money(found["money"], self.currency)
        return left

    def number(self, found: re.Match[str], left: str) -> str:
        self.say(part_number=found["number"].strip(","))
        return left

    def named(self, found: re.Match[str], left: str) -> str:
        name, left = _until_next(left, found[0].strip(), self.made.text)
        self.say(**{_NAMES[" ".join(found[0].casefold().split())]: name})
        return left

    def person(self, found: re.Match[str], left: str) -> str:
        """Take initials or a name; what stands behind them is about the work."""
        del found
        text, left = _until_next(left, "by", self.made.text, _NEXT_BY)
        words = text.split()
        many = 1
        while many < len(words) and _is_of_name(words[:many], words[many]):
            many += 1
        if words[many - 1] in _WITH:
            many -= 1
        self.say(done_by=" ".join(words[:many]))
        return " ".join([*words[many:], left.strip()])

    def places(self, found: re.Match[str], left: str) -> str:
        del found
        self.made.places, left = _until_next(left, "at", self.made.text)
        return left

    def warranty(self, found: re.Match[str], left: str) -> str:
        del found
        text, left = _until_next(left, "warranty", self.made.text)
        self.say(**read_warranty(text, self.unit) or {"warranty_months": None})
        return left

    def no_warranty(self, found: re.Match[str], left: str) -> str:
        lasts = "lifetime" if "life" in found[0].casefold() else "none"
        self.say(**read_warranty(lasts) or {"warranty_months": None})
        return left

    def note(self, found: re.Match[str], left: str) -> str:
        del found
        self.say(note=left.strip())
        return ""

    def fluid(self, found: re.Match[str], left: str) -> str:
        text = found[0].removeprefix("fluid").strip()
        if not text:
            text, left = _until_next(left, "fluid", self.made.text)
        self.say(**read_fluid(text))
        return left

    def source(self, found: re.Match[str], left: str) -> str:
        self.say(part_source=_SOURCES[" ".join(found[0].casefold().split())])
        return left

    def part_kind(self, found: re.Match[str], left: str) -> str:
        self.say(part_kind=_KINDS[found[0].casefold()])
        return left

    def reason(self, found: re.Match[str], left: str) -> str:
        self.say(reason=REASONS[found[0].casefold()])
        return left

    def work(self, found: re.Match[str], left: str) -> str:
        self.made.kind, action = WORK_WORDS[found[0].casefold()]
        if self.made.kind == "maintenance":
            self.say(action=action)
        elif self.made.kind == "repair":
            self.say(correction=found[0])
        return left


_NAMES = {
    "from": "supplier",
    "supplier": "supplier",
    "made by": "maker",
    "maker": "maker",
    "order": "work_order",
}


def _form(pattern: str) -> re.Pattern[str]:
    return re.compile(pattern, re.IGNORECASE)


#: Tried one after another at each piece of a text.
_FORMS: tuple[tuple[re.Pattern[str], Callable[[_Reader, re.Match[str], str], str]], ...] = (
    (_form(rf"(?P<hours>{_HOURS})(?:\s*(?:x|at|@)\s*(?P<rate>{_MONEY}))?"), _Reader.hours),
    (
        _form(rf"(?:clock(?:ed)?|took)\s+(?P<hours>{_HOURS}|{_FIGURE}(?!\S))"),
        _Reader.clock,
    ),
    (_form(_words(_SOURCES)), _Reader.source),
    (_form(_words(_KINDS)), _Reader.part_kind),
    (
        _form(
            rf"(?:part|pt)s?\s+(?:at\s+|list\s+)?(?P<money>{_MONEY})(?![\w-])"
            r"(?:\s*x\s*(?P<many>[1-9]\d{0,2})(?!\w))?"
        ),
        _Reader.part,
    ),
    (
        _form(r"(?:parts?\s+)?(?:(?:number|num|no\.|pn|p/n)\s+|#\s*)(?P<number>\S+)"),
        _Reader.number,
    ),
    (_form(r"part\s+(?P<number>(?=[A-Za-z]\S*\d)\S+)"), _Reader.number),
    (_form(rf"(?:total|price|in all)\s+(?P<money>{_MONEY})"), _Reader.total),
    (_form(r"(?:(?:lifetime|no)\s+warranty|(?:warranty\s+)?lifetime)(?!\w)"), _Reader.no_warranty),
    (_form(r"warranty\s+"), _Reader.warranty),
    (_form(r"(?:made\s+by|maker|supplier|from|order)\s+"), _Reader.named),
    (_form(r"by\s+"), _Reader.person),
    (_form(r"at\s+"), _Reader.places),
    (_form(r"note:?\s+"), _Reader.note),
    (_form(rf"(?:fluid\s+)?{FLUID}"), _Reader.fluid),
    (_form(r"fluid\s+"), _Reader.fluid),
    (_form(_words(REASONS)), _Reader.reason),
    (_form(_words(WORK_WORDS)), _Reader.work),
)


def _is_of_name(name: Sequence[str], word: str) -> bool:
    """Whether a word goes on with a name: a capital, a second person, or `ana ruiz` in small."""
    if word in _WITH:
        return True
    if any(sign.isdigit() for sign in word):
        return False
    small = name[0].islower() and len(name[0]) > _INITIALS and len(name) == 1
    return word[0].isupper() or small


def _until_next(text: str, word: str, whole: str, ends: re.Pattern[str] = _NEXT) -> tuple[str, str]:
    """Return what stands before the next thing that is said, and the rest.

    Raises:
        UsageError: nothing does.
    """
    found = ends.search(text)
    at = len(text) if found is None else found.start()
    if not text[:at].strip():
        raise UsageError(f"Nothing stands after {word!r} in {whole!r}: write it, or leave it out.")
    return text[:at].strip(), text[at:]


def _hours(text: str) -> float:
    return float(re.sub(r"[^\d.]", "", text.replace(",", "")))
