"""`roadworn today`: what is in the shop, what waits, what is approved, done and not tried yet.

One screen: each list a line a vehicle. A list that has no room says how many more there are.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.catalogue import part_name
from roadworn.model.errors import UnknownName, UsageError
from roadworn.say.telling import item_words, test_words
from roadworn_cli.context import State, state_of
from roadworn_cli.output import check_format, counted, emit, emit_json, escape, format_option, note

if TYPE_CHECKING:
    from roadworn.analysis.day import Day
    from roadworn.columns.spec import Rows
    from roadworn_cli.screen import Line

Row = dict[str, Any]
#: Lines of the screen, on a terminal of the usual 24 by 80.
_LINES = 24
#: The lists whose vehicles may have left with it open: approved and not done, not tried.
_STILL_OPEN = (2, 4)
#: Estimates that wait for longer are told of by `--call`. Common practice, no source.
_FRESH = timedelta(days=30)
_CSV = (
    "list", "vehicle_id", "label", "day", "component", "position", "what", "amount", "currency",
    "safety", "event_id",
)  # fmt: skip


#: Before what stands in the shop with an open stop item.
_STOP = "STOP: do not release"


@dataclass(frozen=True, slots=True)
class _List:
    """One list as it is shown: its title, and for each vehicle its name and what is told."""

    title: str
    rows: tuple[tuple[str, str], ...]
    stops: frozenset[str] = frozenset()


def today(
    ctx: typer.Context,
    call: Annotated[
        bool,
        typer.Option(
            "--call",
            help="Whom to call: what was declined or deferred, and what falls due within --months.",
        ),
    ] = False,
    months: Annotated[
        float, typer.Option(metavar="MONTHS", min=0, max=24, help="With --call: how far ahead.")
    ] = 1.0,
    contacts: Annotated[
        bool, typer.Option("--contacts", help="Name the owners, with their telephone numbers.")
    ] = False,
    every: Annotated[
        bool, typer.Option("--all", help="Every line, on more than a screen.")
    ] = False,
    fmt: str = format_option(),
) -> None:
    """Say what the day asks: in the shop, waiting for an answer, approved and not done, done.

    A vehicle is in the shop from `record visit VEHICLE arrived` to `handed-over`, or while it has
    an entry of the day. Another day is asked for before the verb: roadworn --as-of DATE today
    """
    check_format(fmt)
    state = state_of(ctx)
    if call:
        _call(state, months, fmt, contacts=contacts)
        return
    from roadworn.analysis.day import lists_of_the_day

    with state.open_view() as view:
        found = lists_of_the_day(view)
    named = _named(_lists(found), state) if contacts else {}
    if fmt == "json":
        emit_json(_document(found, named))
    elif fmt == "csv":
        emit(_CSV, list(_flat(found)), fmt=fmt)
    else:
        _show(found, named, every=every)


def _records(rows: "Rows") -> list[Row]:
    return [dict(zip(rows.columns, values, strict=True)) for values in rows.rows]


def _lists(found: "Day") -> dict[str, list[Row]]:
    names = ("in_shop", "waiting", "approved", "done", "untried")
    return {name: _records(getattr(found, name)) for name in names}


def _document(found: "Day", named: Mapping[str, str]) -> dict[str, Any]:
    lists = _lists(found)
    if named:
        for rows in lists.values():
            for row in rows:
                row["owner"] = named.get(row["owner_reference"] or "")
    return {"day": found.day, "stops": _records(found.stops), **lists}


def _flat(found: "Day") -> Iterator[Sequence[object]]:
    """Yield every list as rows of one table."""
    days = {"in_shop": "since", "waiting": "estimated_on", "approved": "approved_on"}
    for name, rows in _lists(found).items():
        for row in rows:
            day = row.get(days.get(name, "done_on"), found.day)
            what = row.get("work") or row.get("wants") or row.get("how")
            if name == "in_shop":
                what = f"promised for {row['promised']}" if row["promised"] else None
            yield (
                *(name, row["vehicle_id"], row["label"], day, row.get("component")),
                *(row.get("position"), what, row.get("amount"), row.get("currency")),
                *(row.get("safety"), row["event_id"]),
            )


def _named(lists: Mapping[str, Iterable[Row]], state: State) -> dict[str, str]:
    """Return owner reference -> name and telephone, as kept beside the events."""
    references = {row["owner_reference"] for rows in lists.values() for row in rows}
    return contacts_of(state, filter(None, references))


def contacts_of(state: State, references: Iterable[str]) -> dict[str, str]:
    """Return owner reference -> name and telephone; one that was erased has none."""
    found = {}
    with state.open_ledger() as ledger:
        for reference in references:
            try:
                contact = ledger.contacts.get(reference)
            except UnknownName:
                continue
            found[reference] = ", ".join(filter(None, (contact.name, contact.phone)))
    return found


# The screen


def _show(found: "Day", named: Mapping[str, str], *, every: bool) -> None:
    from roadworn_cli.screen import encoded, put, span, text, width

    lists, cells = day_lists(found, named), width()
    head: list[Line] = [[(f"{found.day:%A} {found.day}", "title")]]
    foot = text("Whom to call: roadworn today --call; a vehicle: roadworn outlook VEHICLE", "quiet")
    most = max(len(one.rows) for one in lists)
    names = [span(encoded(escape(name))) for one in lists for name, _told in one.rows]
    wide = min(max(names, default=0), max(cells // 3, 8))
    while True:
        body = [line for one in lists for line in _lines(one, most, wide, cells)]
        if every or most <= 1 or len(head) + len(body) + len(foot) <= _LINES:
            break
        most -= 1
    put([*head, *body, *foot])
    if not any(one.rows for one in lists):
        note(
            "nothing is on for this day: record visit VEHICLE arrived says that one came in, and "
            "every entry of the day is told of here."
        )


def _lines(one: _List, most: int, wide: int, cells: int) -> "Iterator[Line]":
    """Yield the lines of a list, of so many vehicles, their names in so many columns."""
    from roadworn_cli.screen import encoded, padded, wrapped

    yield from ([(line, "title")] for line in wrapped(encoded(escape(one.title)), cells, 2))
    shown = one.rows[:most] if len(one.rows) - most != 1 else one.rows
    for name, told in shown:
        look = "stop" if name in one.stops else ""
        names = wrapped(encoded(escape(name)), wide)
        texts = wrapped(encoded(escape(told)), max(cells - wide - 4, 16), 2)
        for at in range(max(len(names), len(texts))):
            before = padded(names[at] if at < len(names) else "", wide)
            yield [(f"  {before}  ", look), (texts[at] if at < len(texts) else "", "")]
    if len(shown) < len(one.rows):
        yield [(f"  and {len(one.rows) - len(shown)} more: roadworn today --all", "quiet")]


def day_lists(found: "Day", named: Mapping[str, str]) -> list[_List]:
    """Return the lists of a day as they are shown, whatever shows them.

    Args:
        found: the day's rows.
        named: owner reference -> what to say of the owner; empty to name none.
    """
    lists = _lists(found)
    fresh = [row for row in lists["waiting"] if found.day - row["estimated_on"] <= _FRESH]
    older = len(lists["waiting"]) - len(fresh)
    waiting = _by_vehicle("Waiting for an answer", fresh, lambda rows: _estimated(rows, found.day))
    if older:
        more = f"{counted(older, 'line')} older than {_FRESH.days} days: today --call"
        waiting = replace(waiting, title=f"{waiting.title}; {more}")
    shown = [
        _by_vehicle("In the shop", lists["in_shop"], lambda rows: _here(rows[0], found.day)),
        waiting,
        _by_vehicle(
            "Approved and not done",
            lists["approved"],
            lambda rows: f"{_priced(rows)}; approved {_ago(rows[0]['approved_on'], found.day)}",
        ),
        _by_vehicle("Done today", lists["done"], _done),
        _by_vehicle(
            "Not tried since the work", lists["untried"], lambda rows: _untried(rows, found.day)
        ),
    ]
    stops: dict[str, list[str]] = {}
    for row in _records(found.stops):
        stops.setdefault(row["vehicle_id"], []).append(part_name(row["component"], row["position"]))
    here = {row["vehicle_id"] for row in lists["in_shop"]}
    shown[0] = replace(
        shown[0],
        rows=tuple(
            (v, f"{_STOP}: {', '.join(stops[v])}; {told}" if v in stops else told)
            for v, told in shown[0].rows
        ),
        stops=frozenset(here & stops.keys()),
    )
    gone = {row["vehicle_id"] for row in lists["approved"] + lists["untried"] if row["left_on"]}
    shown = [
        replace(
            one,
            rows=tuple(
                (v, f"handed over; {told}" if at in _STILL_OPEN and v in gone - here else told)
                for v, told in one.rows
            ),
        )
        for at, one in enumerate(shown)
    ]
    if named:
        owners = {r["vehicle_id"]: r["owner_reference"] for rows in lists.values() for r in rows}

        def told(vehicle: str, words: str) -> str:
            owner = named.get(owners.get(vehicle) or "")
            return f"{words}; {owner}" if owner else words

        shown = [replace(o, rows=tuple((v, told(v, words)) for v, words in o.rows)) for o in shown]
    return shown


def _by_vehicle(title: str, rows: list[Row], told: Any) -> _List:  # noqa: ANN401
    """Return a list with a line a vehicle, and what it comes to in its title."""
    by_vehicle: dict[str, list[Row]] = {}
    for row in rows:
        by_vehicle.setdefault(row["vehicle_id"], []).append(row)
    stops = frozenset(row["vehicle_id"] for row in rows if row.get("safety"))
    sums = _sums(rows)
    counts = f"{title}: {counted(len(by_vehicle), 'vehicle') if rows else 'none'}"
    return _List(
        f"{counts}, {sums}" if sums else counts,
        tuple((vehicle, told(of)) for vehicle, of in by_vehicle.items()),
        stops,
    )


def _sums(rows: Iterable[Row]) -> str:
    """Return what the lines come to, each currency by itself."""
    sums: dict[str, Any] = {}
    for row in rows:
        if row.get("amount") is not None:
            sums[row["currency"]] = sums.get(row["currency"], 0) + row["amount"]
    return " and ".join(f"{amount:,.2f} {currency}" for currency, amount in sums.items())


def _ago(day: date, today: date) -> str:
    """Say a day as one does at the counter."""
    days = (today - day).days
    return {0: "today", 1: "yesterday", -1: "tomorrow"}.get(days, f"on {day}")


def _built(row: Row) -> str:
    return " ".join(str(row[key]) for key in ("model_year", "make", "model") if row[key])


def _here(row: Row, day: date) -> str:
    parts = [row["label"], _built(row), f"since {row['since']}" if row["since"] != day else ""]
    promised = row["promised"]
    if promised is not None:
        parts.append(f"{'LATE: ' if promised < day else ''}promised for {_for(promised, day)}")
    entries = row["entries"]
    parts.append(f"{entries} {'entry' if entries == 1 else 'entries'} today" if entries else "")
    return ", ".join(filter(None, parts))


def _for(promised: date, day: date) -> str:
    told = {0: "today", 1: "tomorrow", -1: "yesterday"}
    return told.get((promised - day).days, str(promised))


def _priced(rows: Iterable[Row]) -> str:
    told = []
    for row in rows:
        work = " ".join(filter(None, (item_words(row), row["work"])))
        told.append(f"{work} {row['amount']:,.2f}{' SAFETY' if row['safety'] else ''}")
    return ", ".join(told)


def _estimated(rows: list[Row], day: date) -> str:
    parts = []
    for estimated, group in groupby(rows, lambda row: row["estimated_on"]):
        of = list(group)
        lapsed = f", held until {of[0]['valid_until']}" if of[0]["lapsed"] else ""
        parts.append(
            f"{_priced(of)}; estimate of {str(estimated) if estimated != day else 'today'}{lapsed}"
        )
    return "; ".join(parts)


def _done(rows: Iterable[Row]) -> str:
    words = {"replacement": "replaced", "repair": "repaired"}
    return ", ".join(f"{item_words(r)} {words.get(r['kind'], r['how'])}" for r in rows)


def _untried(rows: Iterable[Row], day: date) -> str:
    """Say what is to be tried, each piece of work once."""
    wants = {"scan": "codes not read again", "look_over": "not looked at again"}
    told: dict[str, list[str]] = {}
    for row in rows:
        asked = wants.get(row["wants"]) or f"{test_words(row['wants'])} not done"
        if row["failed_on"] is not None:
            failed = f"{test_words(row['wants'])} failed {_ago(row['failed_on'], day)}"
            asked = f"{failed}, not done again"
        told.setdefault(f"{item_words(row)} of {row['done_on']}", []).append(asked)
    return "; ".join(f"{what}: {', '.join(asked)}" for what, asked in told.items())


# Whom to call


def _call(state: State, months: float, fmt: str, *, contacts: bool) -> None:
    from roadworn.analysis import Answers, Holds, Mark

    host = state.plugins()
    with state.open_view(host) as view:
        ran = host.run(host.answering(Answers.TO_CALL), view, {"months": months})
        table = ran.result.holding(Holds.TO_CALL)
        if table is None:
            raise UsageError(f"{ran.analysis.name} gives no list to call: see `roadworn plugins`.")
        profiles = view.sql(
            "SELECT vehicle_id, label, model_year, make, model, owner_reference FROM vehicles"
        )
    about = {row["vehicle_id"]: row for row in _records(profiles)}
    rows: list[Row] = []
    for record, events, marks in zip(table.records(), table.evidence, table.marks, strict=True):
        rows.append({**record, "safety": Mark.SAFETY in marks, "event_ids": list(events)})
    named: dict[str, str] = {}
    if contacts:
        owners = {row["vehicle"]: about[row["vehicle"]]["owner_reference"] for row in rows}
        named = contacts_of(state, filter(None, set(owners.values())))
        for row in rows:
            row["owner"] = named.get(owners[row["vehicle"]] or "")
    if fmt == "json":
        emit_json(rows)
    elif fmt == "csv":
        columns = [column.name for column in table.columns]
        columns += ["safety", *(["owner"] if contacts else [])]
        emit(columns, [[row[name] for name in columns] for row in rows], fmt=fmt)
    else:
        _show_calls(ran.result.headline, rows, about, named)
        for caveat in ran.result.caveats:
            note(caveat)


def _show_calls(
    headline: str, rows: Sequence[Row], about: Mapping[str, Row], named: Mapping[str, str]
) -> None:
    from roadworn.model.catalogue import part_name
    from roadworn_cli.screen import indented, put, text

    lines: list[Line] = [*text(escape(headline), "title")]
    for vehicle, group in groupby(rows, lambda row: str(row["vehicle"])):
        of, one = list(group), about[vehicle]
        money = _sums({"amount": row["price"], "currency": row["currency"]} for row in of)
        owner = named.get(one["owner_reference"] or "")
        head = ", ".join(filter(None, (one["label"], _built(one), money, owner)))
        lines += [[], *([(line, "title")] for line in indented(escape(f"{vehicle}  {head}"), 0))]
        for row in of:
            name = part_name(row["component"], row["position"]) if row["component"] else ""
            price = "" if row["price"] is None else f"{row['price']:,.0f} {row['currency']}"
            told = ", ".join(filter(None, ("SAFETY" * row["safety"], name, row["why"], price)))
            look = "stop" if row["safety"] else ""
            lines += [[(line, look)] for line in indented(escape(f"{told}: {row['say']}"), 2)]
    put(lines)
