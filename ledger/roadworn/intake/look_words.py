"""Distinct words of a table, each with what it may mean and how sure: days, vehicles, names.

What differs in case, blanks and signs alone is the same; what is only likely the same is asked,
once for all words of the sort.
"""

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from difflib import SequenceMatcher
from functools import partial
from typing import NamedTuple

from roadworn.intake.day_forms import day_by, days_by
from roadworn.intake.map_sections import fold

#: Forms that a column of days is tried in; of each number only what its signs allow fits.
_SIGNS = ("/", "-", ".", " ")
_ORDERS = ("d{0}m{0}{1}", "m{0}d{0}{1}", "y{0}m{0}d", "d{0}mon{0}{1}", "mon{0}d{0}{1}")
FORMS = tuple(
    dict.fromkeys(
        [order.format(sign, year) for order in _ORDERS for sign in _SIGNS for year in ("y", "yy")]
        + [
            "mon d, y",
            "d. mon y",
            "d. month y",
            "dmony",
            "dmonyy",
            "yyyymmdd",
            "ddmmyyyy",
            "ddmmyy",
            "serial",
        ]
    )
)
#: Words before a vehicle's number that say no more than that it is one.
_NEUTRAL = frozenset(
    {"", "unit", "u", "veh", "vehicle", "v", "no", "nr", "n", "num", "number", "fleet", "asset",
     "id", "un", "unidad", "fzg", "fahrzeug", "wagen", "eq", "equip", "#"}
)  # fmt: skip
_LEGAL = re.compile(
    r"[\s,]+(inc|ltd|llc|co|corp|gmbh|ag|kg|sa|s\.a|bv|b\.v|plc|company|limited|sl|s\.l|sarl)\.?$"
)
_ALIKE = 0.84


class DayForms(NamedTuple):
    """In which forms the days of a column are written.

    Attributes:
        forms: those that all its days are read by.
        either: pairs of forms of which only the user knows which holds: day and month change.
        both: days are there that fit one of a pair alone, and some that fit the other alone.
        unread: texts in no known form, with their rows.
    """

    forms: tuple[str, ...]
    either: tuple[tuple[str, str], ...]
    both: bool
    unread: Mapping[str, int]


def day_forms(texts: Mapping[str, int]) -> DayForms:
    """Return the forms of a column's days.

    Args:
        texts: distinct text -> rows.
    """
    fits: dict[str, frozenset[str]] = {}
    unread: dict[str, int] = {}
    alike: list[frozenset[str]] = []
    for text, rows in texts.items():
        found = _fitting(text)
        if _pair(found) and len({day for _form, day in days_by(text, found)}) == 1:
            # 04/04/2022 speaks for neither order.
            alike.append(found)
        elif found:
            fits[text] = found
        else:
            unread[text] = rows
    needed: Counter[str] = Counter()
    open_pairs: dict[tuple[str, str], None] = {}
    for forms in fits.values():
        if len(forms) == 1:
            needed.update(forms)
    for forms in fits.values():
        if len(forms) > 1 and len(forms & needed.keys()) != 1:
            pair = _pair(forms)
            if pair:
                open_pairs[pair] = None
            else:
                needed.update([min(forms, key=FORMS.index)])
    for forms in alike:
        if not forms & needed.keys() and _pair(forms) not in open_pairs:
            needed.update([min(forms, key=FORMS.index)])
    both = any(one in needed and other in needed for one, other in open_pairs)
    either = tuple(open_pairs)
    settled = [form for form in FORMS if form in needed]
    return DayForms(tuple(settled), either, both, unread)


def _fitting(text: str) -> frozenset[str]:
    found = dict(days_by(text, FORMS))
    if len(set(found.values())) == 1 and not _pair(found):
        # Several forms of one day: the plainest alone.
        return frozenset([min(found, key=FORMS.index)])
    return frozenset(found)


def _pair(forms: Iterable[str]) -> tuple[str, str] | None:
    """Return the form of days first and that of months first among forms, where both are there."""
    day = next((form for form in forms if form.startswith("d") and "mon" not in form), "")
    month = next((form for form in forms if re.match(r"m\W", form)), "")
    return (day, month) if day and month else None


def first_day(texts: Iterable[str], forms: Iterable[str]) -> str:
    """Return the earliest day among texts in some forms, or an empty text."""
    forms = tuple(forms)
    days = [day for text in texts for form in forms if (day := day_by(text, form)) is not None]
    return min(days).isoformat() if days else ""


class Spelled(NamedTuple):
    """Words of a column that stand for one thing.

    Attributes:
        means: what they stand for.
        words: their spellings with their rows.
        sure: they differ in case, blanks and signs alone.
    """

    means: str
    words: Mapping[str, int]
    sure: bool


class Vehicles(NamedTuple):
    """The vehicles that a column names.

    Attributes:
        known: spelled otherwise than the ledger does, and surely its vehicle.
        patterns: shape of their words -> shape of ids, where numbers tell vehicles apart.
        sure: the shapes differ in case, blanks, signs and leading zeros alone.
        ids: id -> rows, of all vehicles by those shapes.
        spellings: how many spellings there are of vehicles that have several.
    """

    known: Mapping[str, str]
    patterns: Mapping[str, str]
    sure: bool
    ids: Mapping[str, int]
    spellings: int


_NUMBERED = re.compile(r"(?P<prefix>[^\W\d_]*)[\s._#/-]*(?P<number>\d+)")
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}")


def vehicles(texts: Mapping[str, int], in_ledger: Mapping[str, str]) -> Vehicles:
    """Return the vehicles that words name.

    Args:
        texts: distinct word -> rows.
        in_ledger: id, label or plate of a vehicle -> its id.
    """
    by_fold = {fold(name): vehicle for name, vehicle in in_ledger.items()}
    known: dict[str, str] = {}
    left: dict[str, int] = {}
    ids: Counter[str] = Counter()
    for text, rows in texts.items():
        exact = by_fold.get(fold(text))
        if exact is not None:
            ids[exact] += rows
            if exact != text:
                known[text] = exact
        else:
            left[text] = rows
    groups = _groups(left)
    prefixes = {prefix for prefix, _number in groups}
    neutral = {prefix for prefix in prefixes if prefix in _NEUTRAL}
    stem = _stem(in_ledger.values(), groups, neutral)
    patterns: dict[str, str] = {}
    spelled: dict[str, set[str]] = {}
    for (prefix, number), words in groups.items():
        ours = (stem if prefix in neutral else prefix) or ""
        vehicle = f"{ours}-{number}" if ours else number
        ids[vehicle] += sum(words.values())
        spelled.setdefault(vehicle, set()).update(words)
        if any(word != vehicle for word in words):
            for word in words:
                patterns.setdefault(_shape(word), f"{ours}-{{n}}" if ours else "{n}")
    for text, rows in left.items():
        if _NUMBERED.fullmatch(fold(text).strip(" #.:")) is None:
            plain = text if _ID.fullmatch(text) else _slug(text)
            ids[plain] += rows
            spelled.setdefault(plain, set()).add(text)
            if plain != text:
                known[text] = plain
    several = sum(len(words) for words in spelled.values() if len(words) > 1)
    return Vehicles(known, patterns, len(neutral) < 2, ids, several)  # two spellings


def _groups(texts: Mapping[str, int]) -> dict[tuple[str, str], dict[str, int]]:
    """Return (word before the number, number without zeros before it) -> spellings with rows."""
    made: dict[tuple[str, str], dict[str, int]] = {}
    for text, rows in texts.items():
        found = _NUMBERED.fullmatch(fold(text).strip(" #.:"))
        if found is not None:
            number = found["number"].lstrip("0") or "0"
            made.setdefault((found["prefix"], number), {})[text] = rows
    return made


def _stem(
    in_ledger: Iterable[str],
    groups: Mapping[tuple[str, str], Mapping[str, int]],
    neutral: set[str],
) -> str:
    """Return what stands before the number of an id: as in the ledger, else as written most."""
    numbers = {number for _prefix, number in groups}
    stems: Counter[str] = Counter()
    for vehicle in in_ledger:
        found = re.fullmatch(r"(.*?)[-_.]?0*(\d+)", vehicle)
        if found and found[2] in numbers:
            stems[found[1]] += 1
    if stems:
        return stems.most_common(1)[0][0]
    rows: Counter[str] = Counter()
    for (prefix, _number), words in groups.items():
        if prefix in neutral and len(prefix) > 1 and prefix not in {"no", "nr", "num", "id"}:
            rows[prefix] += sum(words.values())
    return rows.most_common(1)[0][0] if rows else ("unit" if neutral else "")


def _shape(word: str) -> str:
    """Return the shape of a numbered word, as a map writes it."""
    folded = fold(word)
    found = re.fullmatch(r"(\W*)([^\W\d_]*)([\s._#/-]*)(\d+)(\W*)", folded)
    if found is None:
        return folded
    between = " " if found[2] else ""
    return f"{found[1].strip()}{found[2]}{between}{{n}}{found[5].strip()}"


def _slug(text: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", fold(text)).strip("-")
    return plain[:60] or "vehicle"


def names(texts: Mapping[str, int]) -> tuple[list[Spelled], list[Spelled]]:
    """Return names that are surely one, and names that are likely one.

    Args:
        texts: distinct name -> rows.
    """
    by_key: dict[str, dict[str, int]] = {}
    for text, rows in texts.items():
        by_key.setdefault(_name_key(text), {})[text] = rows
    means = {key: max(words, key=partial(_well_written, words)) for key, words in by_key.items()}
    total = {key: sum(words.values()) for key, words in by_key.items()}
    sure = [Spelled(means[key], words, True) for key, words in by_key.items() if len(words) > 1]
    likely: list[Spelled] = []
    ordered = sorted(by_key, key=lambda key: (-total[key], key))
    taken: set[str] = set()
    for at, key in enumerate(ordered[:400]):
        for other in ordered[at + 1 : 400]:
            if other not in taken and key not in taken and _alike(key, other):
                taken.add(other)
                likely.append(Spelled(means[key], by_key[other], False))
    return sure, likely


def _well_written(words: Mapping[str, int], word: str) -> tuple[bool, bool, int, str]:
    """Rank spellings of one name: in capitals and small letters, without Ltd., the frequent one."""
    mixed = all(part[:1].isupper() and not part[1:].isupper() for part in word.split())
    return mixed, not _LEGAL.search(fold(word)), words[word], word


def _name_key(text: str) -> str:
    plain = _LEGAL.sub("", fold(text).strip(" ."))
    return " ".join(re.sub(r"[\W_]+", " ", plain).split())


def _alike(key: str, other: str) -> bool:
    """Return whether a name is likely another: its beginning, its initials, or a slip of it."""
    if min(len(key), len(other)) < 2:  # one letter is anybody's
        return False
    short, long = sorted((key, other), key=len)
    words = long.split()
    if long.startswith(f"{short} ") or short.replace(" ", "") == long.replace(" ", ""):
        return True
    if len(words) > 1 and short == "".join(word[0] for word in words):
        return True
    if len(short) < 5 or any(map(str.isdigit, short + long)):
        return False
    return SequenceMatcher(None, key, other).ratio() >= _ALIKE


#: Word for why work was done -> our reason of a replacement (common practice, no source).
REASONS: Mapping[str, str] = {
    **dict.fromkeys(
        ("pm", "preventive", "preventative", "preventive maintenance", "scheduled", "planned",
         "service", "routine", "maintenance", "mileage", "interval", "preventivo", "wartung",
         "inspektion", "pms", "sched"), "preventive"),
    **dict.fromkeys(
        ("repair", "breakdown", "failure", "failed", "broke", "broken", "corrective", "unscheduled",
         "road call", "roadcall", "defect", "fault", "running repair", "correctivo", "reparatur",
         "panne", "averia", "avería", "driver report", "unplanned"), "failed"),
    **dict.fromkeys(("worn", "worn out", "wear", "wear out", "desgaste", "verschleiss",
                     "verschleiß", "normal wear"), "worn_out"),
    **dict.fromkeys(("accident", "damage", "damaged", "collision", "vandalism", "body damage",
                     "accidente", "unfall", "kerb", "curb", "abuse"), "damaged"),
    **dict.fromkeys(("recall", "campaign", "warranty recall", "rückruf"), "recall"),
    **dict.fromkeys(("upgrade", "modification", "retrofit", "improvement"), "upgrade"),
    **dict.fromkeys(("unknown", "other", "misc", "none"), "unknown"),
}  # fmt: skip
