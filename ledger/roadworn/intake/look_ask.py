"""What a look proposes for the words of a table, and what it asks: each thing once."""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

from roadworn.intake.csv_file import cell_text
from roadworn.intake.look_columns import DISTANCE_UNITS, METERS, currency_in, in_thousands, unit_in
from roadworn.intake.look_days import ask_days, records
from roadworn.intake.look_draft import (
    Draft,
    Question,
    Seen,
    ask_currency,
    ask_unit,
    counted,
    quoted,
)
from roadworn.intake.look_jobs import ask_jobs
from roadworn.intake.look_layout import decimal_sign, signs_of
from roadworn.intake.look_reversed import ask_taken_back
from roadworn.intake.look_words import (
    REASONS,
    names,
    vehicles,
)
from roadworn.intake.map_sections import fold
from roadworn.model.kinds import KindRegistry

#: Fields that hold for a work order as a whole where they stand once.
AMOUNTS = ("parts_cost", "labour_cost", "other_cost", "labour_hours", "clocked_hours")
_MONEY_TOO = frozenset({"labour_rate", "purchase_price", "cost"})
_NAMES = ("supplier", "maker", "done_by", "depot", "make", "vehicle_class")
_UNITS = frozenset({"km", "kms", "mi", "miles", "mls", "h", "hr", "hrs", "hours", "std", "l"})
#: Rows of this share lack a cell of a merged one.
_MERGED = 0.9


@dataclass
class Known:
    """What is known besides the tables.

    Attributes:
        kinds: the event kinds that may be written.
        in_ledger: id or label of a vehicle of the ledger -> its id.
        plates: plate, folded -> vehicle.
        currency: of the environment, or an empty text.
        unit: likewise of distances.
    """

    kinds: KindRegistry
    in_ledger: Mapping[str, str]
    plates: Mapping[str, str]
    currency: str = ""
    unit: str = ""


_PLAIN = re.compile(r"\d+(?:[.,]\d{1,3})?")


def ask_all(draft: Draft, seen: Seen, known: Known) -> None:
    """Put what the words of a table mean into its draft, and what is open into its questions."""
    if seen.ragged:
        draft.notes.append(f"{counted(seen.ragged, 'row')} wider than the headings")
    _columns(draft, seen, known)
    _figures(draft, seen, known)
    _merged(draft)
    _shares(draft)
    ask_taken_back(draft, AMOUNTS)
    ask_days(draft, seen)
    _vehicles(draft, seen, known)
    _names_of(draft, seen)
    _reasons(draft, seen)
    if draft.header("jobs"):
        ask_jobs(draft, seen)
    _lines_of_questions(draft)


def _lines_of_questions(draft: Draft) -> None:
    """Put questions in an order: what decides for all rows first, then words by their rows."""
    first = {
        name: at for at, name in enumerate(("column", "days", "figures", "vehicles", "phrases"))
    }
    draft.questions.sort(key=lambda one: (first.get(one.about, len(first)), -one.rows))


def _columns(draft: Draft, seen: Seen, known: Known) -> None:
    """Ask for the columns without which nothing is known of a row."""
    fed = set(draft.columns.values())
    needed = [("occurred_at", "the day")]
    if "plate" not in fed:
        needed.insert(0, ("vehicle_id", "the vehicle"))
    for target, what in needed:
        if target in fed or target in draft.constants:
            continue
        choices = tuple((name, "") for name in draft.unused if seen.words.get(name))

        def put(given: str, target: str = target) -> None:
            if given in seen.words:
                draft.columns[given] = target
                draft.unused.pop(given, None)
            else:
                draft.constants[target] = given
            if target == "vehicle_id":
                _vehicles(draft, seen, known)
            else:
                ask_days(draft, seen)

        line = f'{{}} = "{target}"'
        text = f"Which column names {what}? (or {target} under [constants], the same for all rows)"
        draft.questions.append(
            Question("column", text, choices, "", seen.rows, put, True, line, "[columns]")
        )


def _figures(draft: Draft, seen: Seen, known: Known) -> None:
    """Say how figures are written, of which unit and currency they are."""
    of_money = [name for name, to in draft.columns.items() if to in _MONEY_TOO or to in AMOUNTS]
    others = (draft.header(name) for name in ("odometer", "quantity", "amount", "hours"))
    figures = [*of_money, *filter(None, others)]
    texts = [text for name in figures for text in seen.words.get(name, ())]
    if not texts:
        return
    signs = _of_one_currency(signs_of(texts))
    if signs:
        draft.with_layout(signs=tuple(signs))
    comma, of_comma, of_point = decimal_sign(texts)
    if comma:
        draft.with_layout(decimal_comma=True)
    elif comma is None and of_comma:
        _ask_comma(draft, of_comma, of_point)
    elif comma is None and any(_one_mark(text) for text in texts):
        _ask_comma(draft, 0, 0)
    odometer = draft.header("odometer")
    told = unit_in(odometer) or _one_unit(signs)
    if odometer and told:
        draft.units["odometer"] = told
    elif odometer and not _told_by_row(draft, seen):
        ask_unit(draft, repr(odometer), known.unit, seen.rows)
    if odometer:
        _units_of_rows(draft, seen)
        _thousands(draft, seen, odometer)
    if of_money and "currency" not in draft.columns.values():
        code = next(filter(None, map(currency_in, (*of_money, *signs))), "")
        if code:
            draft.currency = code
        elif any(draft.columns[name] not in {"labour_hours", "clocked_hours"} for name in of_money):
            ask_currency(draft, known.currency, seen.rows)


def _told_by_row(draft: Draft, seen: Seen) -> bool:
    """Return whether a column says the unit of each reading: no word of it leaves that open."""
    words = tuple(seen.words.get(draft.header("odometer_unit"), ()))
    return bool(words) and not any(METERS.get(fold(word)) == "" for word in words)


def _units_of_rows(draft: Draft, seen: Seen) -> None:
    """Say what the words of a column of units, or of sorts of meters, mean."""
    header = draft.header("odometer_unit")
    for word, rows in seen.words.get(header, {}).items():
        unit = DISTANCE_UNITS.get(fold(word), METERS.get(fold(word)))
        if unit is not None and unit != word:
            draft.say("values.odometer_unit", word, unit, rows)
        if unit == "h":
            draft.notes.append(f"{header} {word!r}: {counted(rows, 'row')} of hours of the engine")


#: No fleet's odometers all stay below so many; and so many readings at least show it.
_SHORT, _SHORT_READINGS = 2000.0, 5


def _thousands(draft: Draft, seen: Seen, header: str) -> None:
    """Find an odometer in thousands: its heading says so, or its figures do and it is asked."""
    told = in_thousands(header)
    texts = [text for text in seen.words[header] if _PLAIN.fullmatch(text)]
    short = len(texts) >= _SHORT_READINGS and len(texts) == len(seen.words[header])
    short = short and all(float(text.replace(",", ".")) < _SHORT for text in texts)
    if told and short:
        _by_thousand(draft)
        draft.notes.append(f"{header!r} is in thousands")
    elif told or (short and any(not text.isdecimal() for text in texts)):
        draft.questions.append(
            Question("figures", f"Is {header!r} in thousands?",
                     (("yes", "92.5 is 92,500"), ("no", "as it stands")), "yes" if short else "",
                     seen.rows, lambda given: _by_thousand(draft) if given == "yes" else None,
                     False, 'odometer = "1000 mi"  # or "1000 km"', "[units]", blocks=True)
        )  # fmt: skip


def _by_thousand(draft: Draft) -> None:
    """Take figures of distance as thousands of their unit, now and when the unit is answered."""
    draft.thousands = True
    if "odometer" in draft.units:
        draft.units["odometer"] = f"1000 {draft.units['odometer'].removeprefix('1000 ')}"


def _of_one_currency(signs: list[str]) -> list[str]:
    """Return signs without those of a second currency: its amounts stay problems."""
    money = [sign for sign in signs if sign in "$€£¥₹" or currency_in(sign)]
    return [sign for sign in signs if sign not in money[1:]]


def _one_mark(text: str) -> bool:
    """Return whether a figure has one mark with three digits behind it: 1.234 or 1,234."""
    plain = text.strip("$€£ ")
    left, mark, right = plain.partition("." if "." in plain else ",")
    return bool(mark) and left.isdecimal() and len(right) == 3 and right.isdecimal()


def _one_unit(signs: list[str]) -> str:
    found = {unit_in(sign) for sign in signs if sign.casefold() in _UNITS} - {""}
    return found.pop() if len(found) == 1 else ""


def _ask_comma(draft: Draft, of_comma: int, of_point: int) -> None:
    def put(given: str) -> None:
        draft.with_layout(decimal_comma="either" if given == "either" else given == "true")

    both = f" {of_comma:,} figures look like 1.234,50 and {of_point:,} like 1,234.50." * bool(
        of_comma
    )
    text = f"Which mark stands before the decimals?{both}"
    choices = [("false", "a point: 1,234.50"), ("true", "a comma: 1.234,50")]
    if of_comma:
        choices.append(("either", "both, each figure by what it shows; 1.234 stays a problem"))
    likely = "" if of_comma else "false"
    line = "decimal_comma = {}"
    draft.questions.append(
        Question("figures", text, tuple(choices), likely, 0, put, False, line, "[file]", {}, True)
    )


def _merged(draft: Draft) -> None:
    """Find columns that stand once for several rows, as merged cells do."""
    heads = {
        target: header
        for target in ("vehicle_id", "plate", "occurred_at", "work_order", "odometer")
        if (header := draft.header(target)) and header in draft.names
    }
    if not heads:
        return
    lead = heads.get("vehicle_id") or heads.get("plate") or heads.get("work_order", "")
    empty: Counter[str] = Counter()
    lacking = 0
    for at, record in enumerate(records(draft)):
        if not at and lead not in record.cells:
            return
        if lead not in record.cells:
            lacking += 1
            empty.update(name for name in heads.values() if name not in record.cells)
    if not lacking or not lead:
        return
    merged = [name for name in heads.values() if empty[name] >= lacking * _MERGED]
    if len(merged) == 1 < len(heads):
        _ask_above(draft, merged[0], lacking)
    elif merged:
        draft.with_layout(fill_down=tuple(merged))
        draft.notes.append(
            f"{counted(lacking, 'row')} without {', '.join(merged)}: it is that of the row above"
        )


def _ask_above(draft: Draft, header: str, rows: int) -> None:
    """Ask whether an empty cell is that of the row above, where the rest of the row is filled."""

    def put(given: str) -> None:
        if given == "yes":
            draft.with_layout(fill_down=(header,))

    text = f"{header!r} is empty in {counted(rows, 'row')}: is it that of the row above?"
    choices = (("yes", "of the row above"), ("no", "nobody knows: such rows are problems"))
    line = f"fill_down = [{quoted(header)}]"
    draft.questions.append(Question("column", text, choices, "", rows, put, False, line, "[file]"))


def _shares(draft: Draft) -> None:
    """Find amounts that stand once for a work order of several lines."""
    order = draft.header("work_order")
    heads = [name for name, to in draft.columns.items() if to in AMOUNTS and name in draft.names]
    if not order or not heads or draft.share is not None:
        return
    orders: dict[str, list[tuple[str, ...]]] = {}
    for record in records(draft):
        key = fold(cell_text(record.cells.get(order)))
        if key:
            cells = tuple(cell_text(record.cells.get(name)) for name in heads)
            orders.setdefault(key, []).append(cells)
    several = [lines for lines in orders.values() if len(lines) > 1]
    once, alike = [], []
    for at, name in enumerate(heads):
        filled = [[line[at] for line in lines if line[at]] for lines in several]
        told = [cells for cells in filled if cells]
        if not told:
            continue
        single = sum(len(cells) == 1 for cells in told)
        same = sum(len(cells) > 1 and len(set(cells)) == 1 for cells in told)
        if single >= len(told) * _MERGED:
            once.append(name)
        elif same >= len(told) * _MERGED:
            alike.append(name)
    if once:
        draft.share = (order, once, False)
        draft.notes.append(f"{', '.join(once)} stand once a work order and are shared by its jobs")
    if alike:
        _ask_alike(draft, order, alike, sum(map(len, several)))


def _ask_alike(draft: Draft, order: str, alike: list[str], rows: int) -> None:
    def put(given: str) -> None:
        if given == "order":
            draft.share = (order, alike, True)

    listed = ", ".join(alike)
    text = f"All lines of a work order say the same under {listed}: is it of the whole order?"
    choices = (
        ("order", "of the order: counted once, shared by its jobs"),
        ("line", "of each line: counted as often as it stands"),
    )
    line = f"by = {quoted(order)}\namounts = [{', '.join(map(quoted, alike))}]\nrepeated = true"
    draft.questions.append(
        Question("figures", text, choices, "", rows, put, False, line, "[share]", blocks=True)
    )


def _vehicles(draft: Draft, seen: Seen, known: Known) -> None:
    header = draft.header("vehicle_id")
    if not header:
        _plates(draft, seen, known)
        return
    blank = set(draft.layout.blank)
    texts = {t: rows for t, rows in seen.words[header].items() if fold(t) not in blank}
    found = vehicles(texts, known.in_ledger)
    draft.distinct["vehicle_id"] = len(texts)
    draft.vehicles = dict(found.ids)
    for word, vehicle in found.known.items():
        draft.say("vehicles", word, vehicle, texts.get(word, 0))
    enrolled = set(known.in_ledger.values())
    draft.unknown = [vehicle for vehicle in found.ids if vehicle not in enrolled]
    if not found.patterns:
        return
    if found.sure:
        draft.patterns["vehicle_id"] = dict(found.patterns)
        return

    def put(given: str) -> None:
        if given == "yes":
            draft.patterns["vehicle_id"] = dict(found.patterns)

    shapes = ", ".join(repr(shape) for shape in found.patterns)
    text = (
        f"Vehicles are written {shapes}: is it one vehicle where the number is the same? "
        f"{found.spellings:,} spellings of {len(found.ids):,} vehicles."
    )
    lines = "\n".join(f"{quoted(shape)} = {quoted(ours)}" for shape, ours in found.patterns.items())
    draft.questions.append(
        Question("vehicles", text, (("yes", "one vehicle"), ("no", "each spelling is another")),
                 "yes", seen.rows, put, False, lines, "[patterns.vehicle_id]")
    )  # fmt: skip


def _plates(draft: Draft, seen: Seen, known: Known) -> None:
    from roadworn.store.aside import folded

    header = draft.header("plate")
    if not header:
        return
    words = seen.words[header]
    draft.distinct["plate"] = len(words)
    for word, rows in sorted(words.items(), key=lambda item: -item[1]):
        if folded(word) in known.plates:
            continue
        text = f"Which vehicle has the plate {word!r}?"
        put = partial(_say_vehicle, draft, word, rows)
        draft.questions.append(
            Question("plate", text, (), "", rows, put, True, f"{quoted(word)} = {{}}",
                     "aliases [vehicles]")
        )  # fmt: skip


def _say_vehicle(draft: Draft, word: str, rows: int, given: str) -> None:
    draft.say("vehicles", word, given, rows)


def _names_of(draft: Draft, seen: Seen) -> None:
    """Say which spellings of suppliers, makers and people are one; ask what is only likely."""
    for target in _NAMES:
        header = draft.header(target)
        if not header:
            continue
        words = {t: n for t, n in seen.words[header].items() if fold(t) not in draft.layout.blank}
        draft.distinct[target] = len(words)
        sure, likely = names(words)
        section = f"values.{target}"
        for group in sure:
            for word, rows in group.words.items():
                draft.say(section, word, group.means, rows)
        for group in likely:

            def put(given: str, group=group, section=section) -> None:  # type: ignore[no-untyped-def]  # noqa: ANN001
                if given == "yes":
                    for word, rows in group.words.items():
                        draft.say(section, word, group.means, rows)

            listed = ", ".join(map(repr, group.words))
            lines = "\n".join(f"{quoted(w)} = {quoted(group.means)}" for w in group.words)
            text = f"Is {listed} under {header!r} the same as {group.means!r}?"
            choices = (("yes", "the same"), ("no", "another"))
            rows = sum(group.words.values())
            draft.questions.append(
                Question(target, text, choices, "yes", rows, put, False, lines,
                         f"aliases [{section}]")
            )  # fmt: skip


def _reasons(draft: Draft, seen: Seen) -> None:
    """Say what the words for why work was done mean; ask those that are not known."""
    header = draft.header("reason")
    if not header:
        return
    words = seen.words[header]
    draft.distinct["reason"] = len(words)
    reasons = ("failed", "worn_out", "preventive", "damaged", "recall", "upgrade", "unknown")
    if len(words) > 60:  # a text, and no word for a reason
        del draft.columns[header]
        draft.unused[header] = "its words are no few reasons"
        return
    for word, rows in sorted(words.items(), key=lambda item: -item[1]):
        if fold(word) in draft.layout.blank:
            continue
        known = REASONS.get(fold(word).strip("."))
        plain = "_".join(fold(word).replace("-", " ").split())
        if known or plain in reasons:
            draft.say("values.reason", word, known or plain, rows)
            continue
        put = partial(_say_reason, draft, word, rows)
        draft.questions.append(
            Question("reason", f"Why was work done of which {header!r} says {word!r}?",
                     tuple((one, "") for one in reasons), "", rows, put, False,
                     f"{quoted(word)} = {{}}", "aliases [values.reason]")
        )  # fmt: skip


def _say_reason(draft: Draft, word: str, rows: int, given: str) -> None:
    draft.say("values.reason", word, given, rows)
