"""A look at somebody else's table: a draft of its map, with every distinct word met once.

One pass finds the layout and counts the distinct words of each column; what a column, a form of
days, a vehicle, a name or a job means is proposed from those, and what only the user knows is a
`Question`. Nothing that can be read two ways is settled here.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from datetime import date
from itertools import islice
from pathlib import Path

from roadworn.intake.csv_file import cell_text
from roadworn.intake.csv_map import CsvMap
from roadworn.intake.job_words import JobReader
from roadworn.intake.look_ask import AMOUNTS, Known, ask_all
from roadworn.intake.look_columns import DISTANCE_UNITS, METERS, PROFILE, energy_unit_in, ranked
from roadworn.intake.look_days import DAY_FIELDS, records
from roadworn.intake.look_draft import Draft, Seen, ask_energy_unit, counted
from roadworn.intake.look_layout import (
    BLANKS,
    DITTOS,
    find_layout,
    is_data,
    is_total,
    plain_map,
    sheets_of,
)
from roadworn.intake.look_words import day_forms
from roadworn.intake.map_sections import fold
from roadworn.intake.table_records import Record, Table
from roadworn.model.kinds import KindRegistry, fields_of

#: So many distinct words of a column are kept: of notes and amounts more say nothing new.
_MOST_WORDS = 40_000
_FIGURES = frozenset(
    {"odometer", "parts_cost", "labour_cost", "other_cost", "labour_hours", "clocked_hours",
     "labour_rate", "quantity", "model_year", "purchase_price", "amount", "hours", "days"}
)  # fmt: skip
_READABLE = 0.5
#: What a table without work tells by one of its columns: the kind of its rows, their fields.
_ONE_FIELD: Mapping[str, tuple[str, set[str]]] = {
    "codes": ("scan", {"codes", "note"}),
    "amount": ("energy", {"amount", "cost", "note"}),
    "complaint": ("complaint", {"complaint"}),
    "hours": ("hours_reading", {"hours", "note"}),
    "odometer": ("odometer_reading", {"note"}),
}
#: Column of a row of work, the event that it makes besides, what holds for that, how it is told.
_FURTHER: tuple[tuple[str, str, Mapping[str, str], str], ...] = (
    ("hours", "hours_reading", {}, "is read as hours of the engine"),
    ("days", "out_of_service", {"cause": "repair"}, "says how long it stood, for repair"),
)


def look(paths: Iterable[Path], known: Known) -> list[Draft]:
    """Return a draft of a map for each table of some files; tables of one work order are joined.

    Args:
        paths: text files and workbooks.
        known: what is known besides them.

    Raises:
        EnvironmentFailure: a file cannot be read.
        UsageError: there is no table in it.
    """
    made: list[tuple[Draft, Seen]] = []
    for path in paths:
        for sheet in sheets_of(path) or [""]:
            draft = _draft(path, sheet)
            made.append((draft, _seen(draft)))
    left = _joined(_of_work(made))
    for draft, _seen_of in left:
        _settle_kind(draft)
    # What was done says from when on vehicles are watched; a list of vehicles comes in first.
    left.sort(key=lambda one: one[0].kind == "enrolment")
    for draft, seen in left:
        if draft.kind == "enrolment":
            _watched(draft, [one for one, _seen_of in left if one.kind != "enrolment"])
        ask_all(draft, seen, known)
    left.sort(key=lambda one: one[0].kind != "enrolment")
    drafts = [draft for draft, _seen_of in left]
    listed = {one for draft in drafts if draft.kind == "enrolment" for one in draft.vehicles}
    for draft in drafts:
        draft.unknown = [one for one in draft.unknown if one not in listed]
    return drafts


def _draft(path: Path, sheet: str) -> Draft:
    found = find_layout(path, sheet)
    draft = Draft(path, found.layout, notes=list(found.notes))
    seen = _count(draft)
    if seen.totals:
        draft.with_layout(skip=tuple(seen.totals))
        lines = sum(seen.totals.values())
        draft.notes.append(
            f"{counted(lines, 'line')} left out as no rows: {', '.join(seen.totals)}"
        )
    blanks, dittos = Counter[str](), Counter[str]()
    for words in seen.words.values():
        for word, rows in words.items():
            if fold(word) in BLANKS:
                blanks[fold(word)] += rows
            elif fold(word) in DITTOS:
                dittos[fold(word)] += rows
    if dittos:
        draft.with_layout(ditto=tuple(dittos))
        told = counted(sum(dittos.values()), "cell")
        draft.notes.append(f"{told} with {', '.join(dittos)}: they say what the cell above says")
    if blanks:
        draft.with_layout(blank=tuple(blanks))
        draft.notes.append(f"words for nothing: {', '.join(blanks)}")
    repeated = sum(seen.alone.values())
    if repeated > 1 and seen.rows > repeated and len(seen.alone) * 2 <= seen.rows:
        draft.with_layout(section="Section")
        draft.notes.append(f"{repeated:,} lines with one cell are headings of what follows")
    draft.names = tuple(Table(path, plain_map(draft.layout)).names)
    return draft


def _count(draft: Draft) -> Seen:
    """Count what stands in a table that nothing is known of but where its headings are."""
    seen = Seen()
    for record in records(draft):
        texts = {name: cell_text(cell) for name, cell in record.cells.items()}
        first = next(iter(texts.values()), "")
        total = is_total(first)
        if total and len(texts) <= max(2, len(draft.names) // 2 + 1):
            seen.totals[total] += 1
            continue
        if len(texts) == 1 and not is_data(first):
            seen.alone[first] += 1
            continue
        _keep(seen, texts, record)
    return seen


def _seen(draft: Draft) -> Seen:
    """Count once more, as the map says the table lies so far."""
    seen = Seen()
    for record in records(draft):
        _keep(seen, {name: cell_text(cell) for name, cell in record.cells.items()}, record)
    _name_columns(draft, seen)
    draft.rows = seen.rows
    return seen


def _keep(seen: Seen, texts: Mapping[str, str], record: Record) -> None:
    seen.rows += 1
    seen.ragged += bool(record.beyond)
    for name, text in texts.items():
        words = seen.words[name]
        if text in words or len(words) < _MOST_WORDS:
            words[text] += 1
        if isinstance(record.cells[name], date):
            seen.typed[name] += 1


def _of_work(made: list[tuple[Draft, Seen]]) -> list[tuple[Draft, Seen]]:
    """Return the tables without sheets that tell of no vehicle, where other sheets do."""
    telling = {"vehicle_id", "plate", "jobs", "work_order", "occurred_at", *PROFILE}
    tells = [bool(telling & set(draft.columns.values())) for draft, _seen in made]
    told = {draft.path: draft for (draft, _seen), own in zip(made, tells, strict=True) if own}
    left = []
    for (draft, seen), own in zip(made, tells, strict=True):
        if own or not draft.layout.sheet or draft.path not in told:
            left.append((draft, seen))
        else:
            note = f"the sheet {draft.layout.sheet!r} names no vehicle, day or job and is left out"
            told[draft.path].notes.append(note)
    return left


# What each column is


def _name_columns(draft: Draft, seen: Seen) -> None:
    """Say of each column what it feeds, by its heading and by what stands in it."""
    candidates: dict[str, list[tuple[int, int, str]]] = {}
    for at, name in enumerate(_headings(draft)):
        words = seen.words.get(name)
        if not words:
            draft.unused[name] = "it is empty"
            continue
        role, rank = ranked(name)
        role = _by_content(role, name, words, seen)
        if role:
            candidates.setdefault(role, []).append((rank, at, name))
        else:
            draft.unused[name] = "nothing is known by this heading"
    if draft.layout.no_header:
        candidates = _by_content_alone(draft, seen)
    for role, found in candidates.items():
        _best, *others = sorted(found)
        draft.columns[_best[2]] = role
        draft.unused.pop(_best[2], None)
        for _rank, _at, name in others:
            draft.unused[name] = f"{_best[2]!r} feeds {role}"


def _headings(draft: Draft) -> list[str]:
    names = [name for name in draft.names if name]
    return [*names, "Section"] if draft.layout.section else names


def _share_of(words: Mapping[str, int], test: Callable[[str], object]) -> float:
    """Return for which share of some distinct words, the frequent ones first, a test holds."""
    first = list(islice(sorted(words, key=lambda word: -words[word]), 200))
    return sum(bool(test(word)) for word in first) / len(first)


def _is_day(text: str) -> bool:
    return not day_forms({text: 1}).unread


def _is_written_day(text: str) -> bool:
    """Return whether a text is a day that a number alone is not."""
    return not text.isdecimal() and _is_day(text)


def _by_content(role: str, name: str, words: Mapping[str, int], seen: Seen) -> str:
    """Return what a column feeds once its cells were looked at."""
    if role in DAY_FIELDS:
        return role if seen.typed[name] or _share_of(words, _is_day) > _READABLE else ""
    figures = _share_of(words, is_data)
    of_units = set(map(fold, words)) <= DISTANCE_UNITS.keys() | METERS.keys()
    if role == "jobs" and of_units:
        role = ""
    if not role and len(words) > 1 and of_units:
        return "odometer_unit"
    if role in _FIGURES:
        if figures > _READABLE:
            return role
        return "jobs" if role in {"parts_cost", "labour_cost"} else ""
    if role == "jobs" and figures > _READABLE:
        return "parts_cost" if fold(name).startswith("part") else ""
    if role in {"supplier", "maker", "note", "reason", "complaint", "done_by"} and figures > 0.9:
        return ""
    if name == "Section":
        return _section_role(words)
    return role


def _section_role(words: Mapping[str, int]) -> str:
    return "vehicle_id" if _share_of(words, lambda word: any(map(str.isdigit, word))) > 0.6 else ""


def _by_content_alone(draft: Draft, seen: Seen) -> dict[str, list[tuple[int, int, str]]]:
    """Say of columns without headings what they may be."""
    found: dict[str, list[tuple[int, int, str]]] = {}
    reader = JobReader(CsvMap("", "", {}))
    for at, name in enumerate(draft.names):
        words = seen.words.get(name)
        if not words:
            continue
        if seen.typed[name] or _share_of(words, _is_written_day) > _READABLE:
            role = "occurred_at"
        elif _share_of(words, is_data) > 0.8:
            largest = max((_number(word) for word in words), default=0)
            role = "odometer" if largest > 5000 else ""
        elif _share_of(words, lambda word: bool(reader.word(word).meant)) > _READABLE / 2:
            role = "jobs"
        elif _share_of(words, lambda word: any(map(str.isdigit, word))) > _READABLE:
            role = "vehicle_id"
        else:
            role = ""
        if role:
            found.setdefault(role, []).append((-len(words), at, name))
        else:
            draft.unused[name] = "what it is cannot be seen"
    return found


def _number(text: str) -> float:
    digits = "".join(sign for sign in text if sign.isdigit())
    return float(digits[:12]) if digits else 0.0


def _settle_kind(draft: Draft) -> None:
    """Say which kind of event a row is, by what its columns feed."""
    fed = set(draft.columns.values())
    if "jobs" in fed:
        fields = _work_fields()
    elif len(fed & set(PROFILE)) > 1:
        draft.kind = "enrolment"
        fields = set(fields_of(KindRegistry().get("enrolment").model))
        if "occurred_at" not in fed and (header := draft.header("in_service_date")):
            draft.columns[header] = "occurred_at"
            draft.notes.append(f"vehicles are enrolled on the day of {header!r}")
    elif told := next((role for role in _ONE_FIELD if role in fed), ""):
        draft.kind, fields = _ONE_FIELD[told]
        if draft.kind == "energy":
            _settle_energy(draft)
    else:
        fields = _work_fields()
    envelope = {"vehicle_id", "plate", "occurred_at", "odometer", "odometer_unit", "currency"}
    if "jobs" in fed:
        _settle_further(draft)
    for name, role in list(draft.columns.items()):
        if role not in fields | envelope:
            del draft.columns[name]
            draft.unused[name] = f"no field for {role.replace('_', ' ')} here"
    if "plate" in draft.columns.values() and "vehicle_id" in draft.columns.values():
        name = draft.header("plate")
        del draft.columns[name]
        draft.unused[name] = "the vehicle has another name here; plates stay out of the chain"


def _watched(draft: Draft, others: Iterable[Draft]) -> None:
    """Enrol vehicles of a list without a day of its own from the first day of the other tables.

    From the day it was bought a vehicle would count as watched over years nobody wrote down.
    """
    days = [other.first_day for other in others if other.first_day]
    if days and "occurred_at" not in draft.columns.values():
        draft.constants["occurred_at"] = min(days)
        draft.notes.append(
            f"vehicles are enrolled on {min(days)}, the first day of the other tables"
        )


def _settle_further(draft: Draft) -> None:
    """Say what a row of work tells besides it: hours of the engine, days out of service."""
    for role, kind, constants, told in _FURTHER:
        if name := draft.header(role):
            del draft.columns[name]
            draft.events.append((kind, {name: role}, dict(constants)))
            draft.notes.append(f"{name!r} {told}")


def _settle_energy(draft: Draft) -> None:
    """Say of a table of fuel what it cost, and in which unit it is."""
    price = draft.header("other_cost")
    if price:
        draft.columns[price] = "cost"
    unit = energy_unit_in(draft.header("amount"))
    if unit:
        draft.constants["amount_unit"] = unit
    else:
        ask_energy_unit(draft)


def _work_fields() -> set[str]:
    made = {"jobs", "labour_cost", "warranty", "position"}
    registry = KindRegistry()
    for kind in ("replacement", "repair", "maintenance"):
        made |= set(fields_of(registry.get(kind).model))
    return made - {"component"}


def _joined(made: list[tuple[Draft, Seen]]) -> list[tuple[Draft, Seen]]:
    """Join tables that hold parts of one work order: its day and vehicle here, its jobs there.

    Returns:
        The tables that stay; one that is joined to another stays not.
    """
    gone: list[Draft] = []
    for lines, seen in made:
        if not (lines.header("jobs") and lines.header("work_order")):
            continue
        others = [
            (head, of_head)
            for head, of_head in made
            if head is not lines
            and head.path.parent == lines.path.parent
            and head.header("work_order")
        ]
        lacking = _OF_ORDER - set(lines.columns.values())
        for head, of_head in others:
            gives = {"vehicle_id", "plate", "occurred_at"} & set(head.columns.values())
            if lacking and lacking & gives:
                _join(lines, seen, head, of_head)
                if head.header("jobs"):
                    named = head.layout.sheet or head.path.name
                    lines.notes.append(
                        f"{named} has jobs of its own and a map of its own: a job that both name "
                        "is one job, so take it from one of them"
                    )
                else:
                    gone.append(head)
                break
            roles = set(head.columns.values())
            listed = roles & {"part_number", "quantity"} or not roles & _OF_ORDER
            if not lacking and listed and "jobs" not in roles and roles & set(AMOUNTS):
                _join(lines, seen, head, of_head)
                gone.append(head)
                break
    return [(draft, seen) for draft, seen in made if not any(draft is one for one in gone)]


_OF_ORDER = {"vehicle_id", "occurred_at"}
_TOLD = (
    *("delimiter", "cuts", "encoding", "header", "header_rows", "skip", "blank", "ditto"),
    "fill_down",
)


def _join(lines: Draft, seen: Seen, head: Draft, of_head: Seen) -> None:
    """Join a table with the orders of its lines, or with lines whose amounts are added up."""
    keys, plain = head.layout.model_dump(), type(head.layout)().model_dump()
    told = {key: keys[key] for key in _TOLD if keys[key] != plain[key]}
    here, there = lines.header("work_order"), head.header("work_order")
    file = "" if head.path == lines.path else head.path.name
    named = head.layout.sheet or head.path.name
    several = sum(of_head.words[there].values()) > len(of_head.words[there])
    added = {
        name: _times(head, name)
        for name, role in head.columns.items()
        if several and role in AMOUNTS
    }
    if added:
        told["sum"] = added if any(added.values()) else list(added)
    lines.join = (file, head.layout.sheet, here, there, told)
    lines.notes.append(f"joined with {named} by {here!r}")
    if added:
        rows, orders = sum(of_head.words[there].values()), len(of_head.words[there])
        words = [f"{name} times {by}" if by else name for name, by in added.items()]
        lines.notes.append(
            f"{', '.join(words)} added up: {counted(rows, 'row')} of {counted(orders, 'order')}"
        )
    amounts = []
    for name, role in head.columns.items():
        if role in {*lines.columns.values(), "work_order"} or name in lines.names:
            continue
        if several and name not in added:
            lines.unused[name] = f"of {named}, which has several rows an order"
            continue
        lines.columns[name] = role
        lines.unused.pop(name, None)
        seen.words[name] = of_head.words[name]
        seen.typed[name] = of_head.typed[name]
        amounts += [name] if role in AMOUNTS else []
    lines.unused |= {
        name: f"of {named}; {why}" for name, why in head.unused.items() if name not in lines.names
    }
    if amounts:
        lines.share = (here, amounts, True)
        lines.notes.append(f"{', '.join(amounts)} of a work order are shared among its jobs")


def _times(head: Draft, name: str) -> str:
    """Return the heading of the number that a price of one piece is taken times."""
    each = _EACH & set(fold(name).split())
    return head.header("quantity") if each else ""


_EACH = {"unit", "each", "ea", "piece"}
