"""`vehicles` and `history`: what is on record."""

from collections.abc import Callable, Mapping, Sequence
from itertools import compress
from typing import TYPE_CHECKING, Annotated, Any

import typer

from roadworn.model.errors import UsageError
from roadworn.model.messages import Joined, Says
from roadworn.say import Speaker
from roadworn.say.telling import brief, describe, item_words, test_words
from roadworn_cli import words as looks
from roadworn_cli.context import State, state_of
from roadworn_cli.output import WIDEST_CELL, check_format, emit, emit_json, format_option, note
from roadworn_cli.record import KINDS, Vehicle, short
from roadworn_cli.results import said

if TYPE_CHECKING:
    from roadworn.columns.spec import Rows

_say = Says(
    "history",
    {
        "reading": "{figure:,.10g} {unit}",
        "amount": "{amount:,.2f} {currency}",
        "offered": "{times} {times:time|times} since {day}",
        "none-declined": "nothing that {vehicle} was told of is declined or deferred.",
        "taken-back": "taken back by {event}",
        "replaced": "replaced by {event}",
        "failed-on": "{part} on {day}",
        "ended": "{told} (failed before, no work on record since: {failed})",
        "nothing": "nothing of that is written down for {vehicle}.",
        "untried": "not tried yet: {test}, asked for on {day}; `roadworn record test {vehicle}`.",
        "test-failed": "not tried yet: {test}, failed on {day}; `roadworn record test {vehicle}`.",
    },
)
Row = dict[str, Any]
#: Headings of a table, and what stands under each of them.
Shown = Mapping[str, Callable[[Row], object]]


def _records(found: "Rows") -> list[Row]:
    return [dict(zip(found.columns, values, strict=True)) for values in found.rows]


def _print(
    rows: Sequence[Row],
    shown: Shown,
    fmt: str,
    widest: int = WIDEST_CELL,
    speaker: Speaker | None = None,
) -> None:
    cells = [[cell(row) for cell in shown.values()] for row in rows]
    if speaker is not None:
        shown = {speaker.say(head): cell for head, cell in shown.items()}
        cells = [[speaker.say(cell) for cell in line] for line in cells]
    if fmt == "table" and rows:
        # A heading over nothing only takes room from the rest.
        filled = [any(line[at] not in (None, "") for line in cells) for at in range(len(shown))]
        shown = dict(compress(shown.items(), filled))
        cells = [list(compress(line, filled)) for line in cells]
    emit(tuple(shown), cells, fmt=fmt, widest=widest)


def _reading(row: Row) -> str:
    """Return figure and unit together, for reading."""
    figure = row["odometer"]
    unit = row["odometer_unit"]
    return "" if figure is None else _say("reading", figure=figure, unit=unit)


_UNTRIED = """
SELECT test, asked_on, failed_on FROM open_tests WHERE vehicle_id = ? ORDER BY asked_on, test
"""
_DECLINED = """
SELECT d.occurred_on AS decided_on, d.decision, d.component, d.position, d.work, d.amount,
       d.currency, d.safety, d.estimated_on, d.estimate, d.line, d.event_id,
       o.times AS times_offered, o.first_on AS first_offered_on
FROM declined_work AS d
LEFT JOIN offers AS o ON o.vehicle_id = d.vehicle_id AND o.component = d.component
  AND o.position IS NOT DISTINCT FROM d.position
WHERE d.vehicle_id = ?
ORDER BY d.safety DESC, d.occurred_on DESC, d.estimate, d.line
"""
_DECLINED_SHOWN: Shown = {
    "decided on": lambda row: row["decided_on"],
    "decision": lambda row: row["decision"],
    "what": item_words,
    "work": lambda row: row["work"],
    "price then": lambda row: _say("amount", amount=row["amount"], currency=row["currency"]),
    "safety": lambda row: "safety" if row["safety"] else "",
    "offered": lambda row: _say.when(
        (row["times_offered"] or 1) > 1,
        "offered",
        times=row["times_offered"],
        day=row["first_offered_on"],
    ),
}


def _declined(state: State, vehicle: str, fmt: str, speaker: Speaker | None) -> None:
    """Print the declined and deferred work of a vehicle that is not done since, safety first."""
    with state.open_view() as view:
        vehicle_id = view.require_vehicle(vehicle)
        found = view.sql(_DECLINED, [vehicle_id])
    if fmt == "table":
        _print(_records(found), _DECLINED_SHOWN, fmt, speaker=speaker)
    else:
        emit(found.columns, found.rows, fmt=fmt)
    if not found.rows:
        note(said(_say("none-declined", vehicle=vehicle_id), speaker))


_VEHICLES = """
WITH latest AS (
  SELECT vehicle_id, odometer, unit,
         row_number() OVER (PARTITION BY vehicle_id ORDER BY occurred_at DESC, seq DESC) AS back
  FROM readings WHERE used
)
SELECT v.*, l.odometer, l.unit AS odometer_unit
FROM vehicles AS v LEFT JOIN latest AS l ON l.vehicle_id = v.vehicle_id AND l.back = 1
ORDER BY v.retired_on IS NOT NULL, regexp_replace(v.vehicle_id, '[0-9]+$', ''),
         TRY_CAST(regexp_extract(v.vehicle_id, '[0-9]+$') AS BIGINT), v.vehicle_id
"""
#: So many open questions about identities are printed.
_SHOWN = 5
_VEHICLES_SHOWN: Shown = {
    "vehicle": lambda row: row["vehicle_id"],
    "described as": lambda row: ", ".join(filter(None, (row["label"], _built(row)))),
    "class": lambda row: row["vehicle_class"],
    "odometer": _reading,
    "parts": lambda row: row["parts"],
    "last seen": lambda row: (
        f"{row['retirement_reason']} {row['retired_on']}"
        if row["retired_on"]
        else row["last_seen_on"]
    ),
}


def _built(row: Row) -> str:
    return " ".join(str(row[name]) for name in ("model_year", "make", "model") if row[name])


def vehicles(ctx: typer.Context, fmt: str = format_option()) -> None:
    """List the vehicles with their last reading; those that left come last."""
    check_format(fmt)
    from roadworn.analysis import Answers
    from roadworn.checks.identity import shared_vins, to_settle

    with state_of(ctx).open_view() as view:
        found = view.sql(_VEHICLES)
    if fmt != "table":
        emit(found.columns, found.rows, fmt=fmt)
        return
    rows = _records(found)
    with state_of(ctx).open_ledger() as ledger:
        plates = ledger.plates.all()
    plate: Shown = {"plate": lambda row: plates.get(row["vehicle_id"], "")}
    _print(rows, {**_VEHICLES_SHOWN, **plate}, fmt)
    shared = shared_vins([(row["vehicle_id"], row["vin"]) for row in rows])
    unsettled = [f"{vehicle}: {doubt.message}" for vehicle, doubt in shared]
    unsettled += [f"{row['vehicle_id']}: {one.message}" for row in rows for one in to_settle(row)]
    for told in unsettled[:_SHOWN]:
        note(f"to settle: {told}")
    if unsettled:
        more = f"{len(unsettled) - _SHOWN} more: " if len(unsettled) > _SHOWN else ""
        note(
            f"{more}roadworn analyse {Answers.ODOMETER} says what to compare; then record "
            "profile VEHICLE --vin … or --year …"
        )
    if not rows:
        note("no vehicle is enrolled yet: roadworn enrol VEHICLE --make … --model … --year …")


# What took an event back is a retraction, or the event that was written in its place.
_EVENTS = """
SELECT e.occurred_at, e.date_only, e.odometer, e.odometer_unit, e.kind, e.payload, e.effective,
       e.event_id, e.recorded_at, e.recorded_by, e.retracted_by, b.kind AS taken_back_kind
FROM events AS e LEFT JOIN events AS b ON b.event_id = e.retracted_by
WHERE e.vehicle_id = ?
ORDER BY e.occurred_at, e.seq
"""


#: A look-over of a whole sheet is told whole.
_WIDEST = 4 * WIDEST_CELL


def _payload(row: Row) -> dict[str, Any]:
    import orjson

    payload: dict[str, Any] = orjson.loads(row["payload"])
    return payload


def _standing(row: Row) -> str:
    if row["effective"]:
        return ""
    done = "taken-back" if row["taken_back_kind"] == "retraction" else "replaced"
    return _say(done, event=short(row["retracted_by"]))


#: What a look-over named sound that had failed, with no work on record in between.
_ENDED = """
SELECT sound_event, component, position, found_on FROM found_sound
WHERE vehicle_id = ? AND condition = 'failed' ORDER BY component, position
"""


def _with_ended(row: Row) -> object:
    """Tell an event, and what it ended by a word alone."""
    told = describe(row["kind"], brief(_payload(row)))
    if not row.get("ended"):
        return told
    failed = (_say("failed-on", part=item_words(one), day=one["found_on"]) for one in row["ended"])
    return _say("ended", told=told, failed=Joined(failed, "; "))


# Told in words, an event says itself of what kind it is.
_TOLD: Shown = {
    "date": lambda row: f"{row['occurred_at']:%Y-%m-%d{'' if row['date_only'] else ' %H:%M'}}",
    "odometer": _reading,
    "standing": _standing,
    "what": _with_ended,
}
_EXACT: Shown = {
    "date": _TOLD["date"],
    "odometer": lambda row: row["odometer"],
    "odometer_unit": lambda row: row["odometer_unit"],
    "kind": lambda row: row["kind"],
    "what": lambda row: describe(row["kind"], _payload(row)),
    "standing": _standing,
    "event_id": lambda row: row["event_id"],
}
_EVIDENCE: Shown = {
    "event_id": lambda row: row["event_id"],
    "recorded_at": lambda row: row["recorded_at"],
    "recorded_by": lambda row: row["recorded_by"],
}


def history(
    ctx: typer.Context,
    vehicle: Vehicle,
    kind: Annotated[
        list[str] | None, typer.Option(metavar="KIND", help="Only events of this kind; repeat it.")
    ] = None,
    evidence: Annotated[
        bool, typer.Option("--evidence", help="Print the id of each event, who wrote it and when.")
    ] = False,
    declined: Annotated[
        bool,
        typer.Option(
            "--declined", help="Only work that was declined or deferred and is not done since."
        ),
    ] = False,
    estimate: Annotated[
        str,
        typer.Option(metavar="EVENT", help="Print this estimate again; or 'last'."),
    ] = "",
    wide: Annotated[bool, typer.Option("--wide", help="Print long texts in full.")] = False,
    language: looks.Language = "en",
    fmt: str = format_option(),
) -> None:
    """Tell a vehicle's history in words; events that were taken back stay, and say so.

    Long texts are cut in a table; --wide, csv and json have them whole.
    """
    check_format(fmt)
    speaker = looks.screen_speaker(looks.look_of(language), fmt)
    if estimate:
        if kind or evidence or declined or fmt != "table":
            raise UsageError("--estimate prints one estimate: leave the other options out.")
        from roadworn_cli.record.money import reprint

        reprint(state_of(ctx), vehicle, estimate)
        return
    if declined:
        if kind or evidence:
            raise UsageError("--declined is a list of its own: leave out --kind and --evidence.")
        _declined(state_of(ctx), vehicle, fmt, speaker)
        return
    state = state_of(ctx)
    host = state.plugins()
    wanted = {host.kinds().get(_stored_kind(name)).name for name in kind or ()}
    with state.open_view(host) as view:
        vehicle_id = view.require_vehicle(vehicle)
        found = view.sql(_EVENTS, [vehicle_id])
        ended = _records(view.sql(_ENDED, [vehicle_id]))
        untried = () if wanted else view.sql(_UNTRIED, [vehicle_id]).rows
    rows = [row for row in _records(found) if not wanted or row["kind"] in wanted]
    for row in rows:
        row["ended"] = [one for one in ended if one["sound_event"] == row["event_id"]]
    if fmt == "json":
        _emit_json(rows)
        return
    shown = dict(_TOLD if fmt == "table" else _EXACT)
    if wide:
        shown["what"] = _EXACT["what"]
    if evidence:
        shown |= _EVIDENCE
        if fmt == "table":
            shown["recorded_at"] = lambda row: f"{row['recorded_at']:%Y-%m-%d %H:%M}"
    _print(rows, shown, fmt, 0 if wide else _WIDEST, speaker)
    if not rows:
        note(said(_say("nothing", vehicle=vehicle_id), speaker))
    for test, asked_on, failed_on in untried:
        word = "test-failed" if failed_on else "untried"
        day, named = failed_on or asked_on, test_words(test)
        note(said(_say(word, test=named, day=day, vehicle=vehicle_id), speaker))


def _emit_json(rows: Sequence[Row]) -> None:
    emit_json(
        [
            {
                **{name: cell(row) for name, cell in {**_EXACT, **_EVIDENCE}.items()},
                "effective": row["effective"],
                "taken_back_by": row["retracted_by"],
                "payload": _payload(row),
            }
            for row in rows
        ]
    )


def _stored_kind(name: str) -> str:
    """Return the stored name of a kind as typed: of a verb's names the one that a core kind has."""
    from roadworn.model.kinds import CORE_KINDS  # help of `record` does without the payloads

    word = name.casefold().replace("_", "-")
    known = ((one.name, *one.aliases) for one in KINDS if word in (one.name, *one.aliases))
    spelled = [one.replace("-", "_") for one in next(known, (word,))]
    return next((one for one in spelled if one in CORE_KINDS), spelled[0])
