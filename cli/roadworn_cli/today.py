"""`roadworn today`: what is in the shop, what waits, what is approved, done and not tried yet.

One screen: each list a line a vehicle. A list that has no room says how many more there are.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.errors import UnknownName
from roadworn_cli import words as looks
from roadworn_cli.context import State, state_of
from roadworn_cli.day_lists import (
    SAYS,
    DayList,
    Row,
    day_lists,
    records,
    rows_of_lists,
)
from roadworn_cli.output import check_format, emit, emit_json, escape, format_option, note

if TYPE_CHECKING:
    from roadworn.analysis.day import Day
    from roadworn.say import Speaker
    from roadworn_cli.day_calls import Calls
    from roadworn_cli.day_open import StillOpen
    from roadworn_cli.screen import Line

#: Lines of the screen, on a terminal of the usual 24 by 80.
_LINES = 24
_CSV = (
    "list", "vehicle_id", "label", "day", "component", "position", "what", "amount", "currency",
    "safety", "event_id",
)  # fmt: skip


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
    language: looks.Language = "en",
    fmt: str = format_option(),
) -> None:
    """Say what the day asks: in the shop, waiting for an answer, approved and not done, done.

    A vehicle is in the shop from `record visit VEHICLE arrived` to `handed-over`, or while it has
    an entry of the day. Another day is asked for before the verb: roadworn --as-of DATE today
    """
    check_format(fmt)
    from roadworn.say import Speaker

    state, speaker = state_of(ctx), Speaker(looks.look_of(language).language)
    if call:
        _call(state, months, fmt, speaker, contacts=contacts)
        return
    from roadworn.analysis.day import lists_of_the_day
    from roadworn_cli.day_open import still_open

    host = state.plugins()
    with state.open_view(host) as view:
        found = lists_of_the_day(view)
        still = still_open(view, host, found)
    named = _named(rows_of_lists(found), state) if contacts else {}
    if fmt == "json":
        emit_json(_document(found, named, still))
    elif fmt == "csv":
        emit(_CSV, list(_flat(found)), fmt=fmt)
    else:
        _show(found, named, still, speaker, every=every)


def _document(found: "Day", named: Mapping[str, str], still: "StillOpen") -> dict[str, Any]:
    lists = rows_of_lists(found)
    if named:
        for rows in lists.values():
            for row in rows:
                row["owner"] = named.get(row["owner_reference"] or "")
    return {
        "day": found.day,
        "stops": records(found.stops),
        "complaints": still.complaints,
        "to_offer": {vehicle: asdict(one) for vehicle, one in still.offers.items()},
        **lists,
    }


def _flat(found: "Day") -> Iterator[Sequence[object]]:
    """Yield every list as rows of one table."""
    days = {"in_shop": "since", "waiting": "estimated_on", "approved": "approved_on"}
    for name, rows in rows_of_lists(found).items():
        for row in rows:
            day = row.get(days.get(name, "done_on"), found.day)
            what = row.get("work") or row.get("wants") or row.get("how")
            if name == "in_shop":
                at = " ".join(str(row[key]) for key in ("promised", "promised_time") if row[key])
                what = f"promised for {at}" if at else None
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


def _show(
    found: "Day",
    named: Mapping[str, str],
    still: "StillOpen",
    speaker: "Speaker",
    *,
    every: bool,
) -> None:
    from roadworn_cli.screen import encoded, put, span, text, width

    lists, cells = day_lists(found, named, still), width()
    head: list[Line] = [[(f"{speaker.weekday(found.day)} {found.day}", "title")]]
    foot = text(speaker.say(SAYS("foot")), "quiet")
    most = max(len(one.rows) for one in lists)
    names = [span(encoded(escape(name))) for one in lists for name, _told in one.rows]
    wide = min(max(names, default=0), max(cells // 3, 8))
    while True:
        body = [line for one in lists for line in _lines(one, most, wide, cells, speaker)]
        if every or most <= 1 or len(head) + len(body) + len(foot) <= _LINES:
            break
        most -= 1
    put([*head, *body, *foot])
    if not any(one.rows for one in lists):
        note(speaker.say(SAYS("none")))


def _lines(one: DayList, most: int, wide: int, cells: int, speaker: "Speaker") -> "Iterator[Line]":
    """Yield the lines of a list, of so many vehicles, their names in so many columns."""
    from roadworn_cli.screen import encoded, padded, wrapped

    yield from (
        [(line, "title")] for line in wrapped(encoded(escape(speaker.say(one.title))), cells, 2)
    )
    shown = one.rows[:most] if len(one.rows) - most != 1 else one.rows
    for name, told in shown:
        look = "stop" if name in one.stops else ""
        names = wrapped(encoded(escape(name)), wide)
        texts = wrapped(encoded(escape(speaker.say(told))), max(cells - wide - 4, 16), 2)
        for at in range(max(len(names), len(texts))):
            before = padded(names[at] if at < len(names) else "", wide)
            yield [(f"  {before}  ", look), (texts[at] if at < len(texts) else "", "")]
    if len(shown) < len(one.rows):
        yield [(f"  {speaker.say(SAYS('more', n=len(one.rows) - len(shown)))}", "quiet")]


# Whom to call


def _call(state: State, months: float, fmt: str, speaker: "Speaker", *, contacts: bool) -> None:
    from roadworn_cli.day_calls import to_call

    host = state.plugins()
    with state.open_view(host) as view:
        found = to_call(view, host, months)
    named: dict[str, str] = {}
    if contacts:
        owners = {row["vehicle"]: found.owner_of(row["vehicle"]) for row in found.rows}
        named = contacts_of(state, filter(None, set(owners.values())))
        for row in found.rows:
            row["owner"] = named.get(owners[row["vehicle"]])
    if fmt == "json":
        emit_json(found.rows)
    elif fmt == "csv":
        columns = [column.name for column in found.table.columns]
        columns += ["safety", *(["owner"] if contacts else [])]
        emit(columns, [[row[name] for name in columns] for row in found.rows], fmt=fmt)
    else:
        _show_calls(found, named, speaker)
        for caveat in found.caveats:
            note(speaker.say(caveat))


def _show_calls(found: "Calls", named: Mapping[str, str], speaker: "Speaker") -> None:
    from roadworn_cli.day_calls import calls_told
    from roadworn_cli.screen import indented, put, text

    lines: list[Line] = [*text(escape(speaker.say(found.headline)), "title")]
    for one in calls_told(found, named):
        head = f"{one.vehicle}  {speaker.say(one.head)}"
        lines += [[], *([(line, "title")] for line in indented(escape(head), 0))]
        for safety, told in one.lines:
            look = "stop" if safety else ""
            lines += [[(line, look)] for line in indented(escape(speaker.say(told)), 2)]
    put(lines)
