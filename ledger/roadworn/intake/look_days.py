"""The days of a table: in which forms they are written, and which of them come first."""

from collections import Counter
from collections.abc import Iterator, Mapping

from roadworn.intake.csv_file import cell_text
from roadworn.intake.day_forms import day_by
from roadworn.intake.look_draft import Draft, Question, Seen, counted, quoted
from roadworn.intake.look_layout import plain_map
from roadworn.intake.look_words import DayForms, day_forms, first_day
from roadworn.intake.map_sections import fold
from roadworn.intake.table_records import Record, Table

#: Fields that are days; those of a row itself first.
DAY_FIELDS = ("occurred_at", "in_service_date", "purchase_date")
#: So many letters has 2026-05-04.
_ISO_DAY = 10


def records(draft: Draft) -> Iterator[Record]:
    """Yield the rows of a table as its draft says so far that it lies."""
    table = Table(draft.path, plain_map(draft.layout))
    return (record for record in table.records() if not record.skipped)


def ask_days(draft: Draft, seen: Seen) -> None:
    """Say in which forms the days of a table are written; ask where two may hold."""
    blank = set(draft.layout.blank)
    texts: Counter[str] = Counter()
    of_rows: dict[str, int] = {}
    for target in DAY_FIELDS:
        words: Mapping[str, int] = seen.words.get(draft.header(target), {})
        told = {text: rows for text, rows in words.items() if fold(text) not in blank}
        of_rows = told if target == "occurred_at" else of_rows
        texts.update(told)
    if not texts:
        return
    found = day_forms(texts)
    if of_rows:
        draft.distinct["occurred_at"] = len(of_rows)
    # Days of a spreadsheet, and ISO days without a time, need no form of their own.
    iso = all(len(text) <= _ISO_DAY for text in texts)
    forms = [form for form in found.forms if form != "y-m-d" or not iso]
    draft.with_layout(dates=tuple(forms if not found.either else _settled(forms, found)))
    if found.either:
        _ask_order(draft, seen, found, forms)
    may_be = [*found.forms, *(form for pair in found.either for form in pair)]
    draft.first_day = first_day(of_rows, may_be or ["y-m-d"])
    if found.unread:
        some = ", ".join(repr(text) for text in list(found.unread)[:3])
        rows = sum(found.unread.values())
        draft.notes.append(f"{counted(rows, 'row')} with a day in no known form, as {some}")


def _settled(forms: list[str], found: DayForms) -> list[str]:
    doubtful = {form for pair in found.either for form in pair}
    return [form for form in forms if form not in doubtful]


def _ask_order(draft: Draft, seen: Seen, found: DayForms, forms: list[str]) -> None:
    """Ask whether day or month comes first, by another column where that tells them apart."""
    settled = _settled(forms, found)
    days = [day for day, _month in found.either]
    months = [month for _day, month in found.either]
    rule = _rule(draft, seen, days, months) if found.both else None
    if rule is not None:
        header, of_day, of_month = rule
        draft.with_layout(dates=tuple(settled))
        draft.cases.append((header, of_day, [*days, *settled]))
        draft.cases.append((header, of_month, [*months, *settled]))
        draft.notes.append(f"whether day or month comes first goes by {header!r}")
        return

    def put(given: str) -> None:
        chosen = {"dmy": days, "mdy": months}.get(given, [*days, *months])
        draft.with_layout(dates=(*chosen, *settled))

    header = next(filter(None, map(draft.header, DAY_FIELDS)))
    some = [text for text in seen.words[header] if text[:1].isdigit()][:3]
    text = f"Which comes first in {', '.join(map(repr, some))}: day or month?"
    choices = [("dmy", "the day"), ("mdy", "the month")]
    if found.both:
        text += " Days of both kinds are there."
        choices.append(("both", "both: rows that fit both stay open, to be told by [[when]]"))
    lines = {
        given: f"dates = [{', '.join(map(quoted, (*chosen, *settled)))}]"
        for given, chosen in (("dmy", days), ("mdy", months), ("both", [*days, *months]))
    }
    draft.questions.append(
        Question("days", text, tuple(choices), "", seen.rows, put, False, "", "[file]", lines)
    )


def _rule(
    draft: Draft, seen: Seen, days: list[str], months: list[str]
) -> tuple[str, list[str], list[str]] | None:
    """Return a column by whose words the two orders of days are told apart, if there is one."""
    few = [name for name, words in seen.words.items() if 1 < len(words) <= 12]
    header = draft.header("occurred_at")
    sides: dict[str, dict[str, set[str]]] = {name: {} for name in few if name != header}
    for record in records(draft):
        text = cell_text(record.cells.get(header))
        by_day = any(day_by(text, form) for form in days)
        by_month = any(day_by(text, form) for form in months)
        if by_day == by_month:
            continue
        for name, found in sides.items():
            word = cell_text(record.cells.get(name))
            found.setdefault(word, set()).add("day" if by_day else "month")
    for name, found in sides.items():
        whole = set(found) >= set(seen.words[name]) and "" not in found
        if whole and all(len(side) == 1 for side in found.values()):
            of_day = [word for word, side in found.items() if side == {"day"}]
            of_month = [word for word, side in found.items() if side == {"month"}]
            if of_day and of_month:
                return name, of_day, of_month
    return None
