"""The whole answer for one vehicle: what is open, what keeps failing, what goes next.

It only gathers. What is open comes straight from the read model; what keeps failing and what
goes next are the results of the analyses of those names, whoever brings them. When one of
them is missing or broken its part is empty and the outlook says so.
"""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from roadworn.analysis import Answers, Cell, Column, Holds, Mark, Marks, Ran, Table, Tells
from roadworn.model.catalogue import part_name, place_of
from roadworn.model.errors import PluginFailure, UnknownName
from roadworn.model.messages import Joined, Problem, Says, Sentence, as_sentence, some_of
from roadworn.trade.cautions import CLOSING, cautions_for

if TYPE_CHECKING:
    from roadworn.analysis.host import PluginHost
    from roadworn.columns.view import LedgerView


#: So many used readings after a doubtful one settle it: two that agree are no chance.
_BEAR_OUT = 2
_LOOKED_AT = 4
_say = Says(
    "outlook",
    {
        "contradiction": "The odometer readings {first:,.10g} {unit} on {day} and {second:,.10g} "
        "{second_unit} on {second_day} contradict each other, and the distance here rests on the "
        "second: correct the wrong one, roadworn correct {event} odometer=… or roadworn correct "
        "{second_event} odometer=…",
        "stepped": "From {day} on the odometer shows another figure than before and nobody "
        "recorded why: exchanged, or turned back? The distance is counted as if it was exchanged; "
        "`roadworn analyse odometer-audit vehicle={vehicle}` says more.",
        "safety": "Safety item open: {parts}; do not drive until it is repaired.",
        "open": "Open: {words}.",
        "open-as-typed": "Open: {words}",
        "none": "No failed items recorded.",
        "left": "Left on {day} ({reason}).",
        "ahead": "Failures within {months:g} {months:month|months} are likely to come to about "
        "{value:,.0f} {currency} ({low:,.0f} to {high:,.0f}).",
        "failed": "{part} failed",
        "complaint": "a complaint nobody has answered",
        "complaint-of": "on {day} {said}",
        "no-inspection": "No look-over is on record.",
        "no-scan": "No scan of the diagnostic socket is on record.",
        "last-inspection": "The last look-over was on {day}.",
        "last-scan": "The last scan of the diagnostic socket was on {day}.",
        "not-seen": "Not seen since {day}: all of this may have changed.",
        "unknown-age": (
            "The age of {n} part is not known: {parts}.",
            "The age of {n} parts is not known: {parts}.",
        ),
        "settle": "To settle: {message} {hint}.",
        "settle-readings": "To settle: {message}",
    },
)


def contradictions(view: "LedgerView", vehicle_id: str) -> list[str]:
    """Return a sentence with its remedy where the latest readings contradict each other."""
    rows = [
        row[1:]
        for row in view.of_vehicle(
            """SELECT vehicle_id, odometer, unit, occurred_on, used, event_id FROM readings
               WHERE ONLY(vehicle_id) AND odometer IS NOT NULL
               QUALIFY row_number() OVER (PARTITION BY vehicle_id
                                          ORDER BY occurred_at DESC, seq DESC) <= ?
               ORDER BY vehicle_id, occurred_at DESC, seq DESC""",
            vehicle_id,
            (_LOOKED_AT,),
        ).rows
    ]
    used = 0
    for at, (figure, unit, day, is_used, event) in enumerate(rows):
        if is_used:
            used += 1
            if used >= _BEAR_OUT:
                break
            continue
        rests = next((row for row in (*rows[:at][::-1], *rows[at + 1 :]) if row[3]), None)
        if rests is None:
            continue
        told = _say(
            "contradiction",
            first=figure,
            unit=unit,
            day=day,
            second=rests[0],
            second_unit=rests[1],
            second_day=rests[2],
            event=event[-8:],
            second_event=rests[4][-8:],
        )
        return [told, *_stepped(view, vehicle_id)]
    return _stepped(view, vehicle_id)


def _stepped(view: "LedgerView", vehicle_id: str) -> list[str]:
    """Return a sentence where an odometer stepped to other figures and nobody recorded why."""
    rows = view.of_vehicle(
        """SELECT vehicle_id, max(occurred_on) FROM readings
           WHERE ONLY(vehicle_id) AND flag = 'stepped' GROUP BY vehicle_id""",
        vehicle_id,
    ).rows
    return [_say("stepped", day=day, vehicle=vehicle_id) for _vehicle, day in rows]


#: A look-over, a scan or a reading older than this is named among what is not known.
STALE = timedelta(days=200)
# The likeliest and dearest few fit on a screen; `analyse next-repairs` has them all.
_MOST_NEXT = 20


#: Columns of what is open, whoever says it.
OPEN_COLUMNS = (
    Column("state", "state", tells=Tells.STATE, brief=3),
    Column("component", "component", "component", tells=Tells.COMPONENT, brief=1),
    Column("position", "where", tells=Tells.PLACE, brief=2),
    Column("detail", "what was seen", tells=Tells.SEEN, brief=4),
    Column("since", "since", "date", tells=Tells.SINCE, brief=5),
)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Everything that a person asks about one vehicle, in the order of asking.

    Attributes:
        vehicle: profile as in the table `vehicles`.
        headline: one sentence.
        distance: last reading in words, with its day.
        open_now: findings, codes and declined work, safety first.
        next_repairs, inspection, maintenance, advice, keeps_failing: results of the analyses
            `next-repairs`, `inspection-outlook`, `maintenance-due`, `keep-or-sell` and
            `repeat-failures`; None when one is missing or could not run.
        wear: result of `measured-wear`: what was measured is projected, with a price or without.
        causes: result of `likely-causes`: what the open codes and complaints point to.
        track_record: result of `projection-backtest`, where somebody has asked for it since
            the last event: looking back costs as much as all the rest, and nobody waits for it
            at the vehicle.
        unknown: what nobody has looked at, in words.
        cautions: for the components named.
        unit: in which every distance is told, ``mi`` or ``km``.
        problems: analyses that could not run.
        size, root: of the ledger it rests on.
    """

    vehicle: dict[str, Any]
    as_of: date
    headline: str
    distance: str
    open_now: Table
    next_repairs: Ran | None
    inspection: Ran | None
    maintenance: Ran | None
    advice: Ran | None
    keeps_failing: Ran | None
    wear: Ran | None
    causes: Ran | None
    track_record: Ran | None
    unknown: tuple[str, ...]
    cautions: tuple[str, ...]
    closing: str
    unit: str
    problems: tuple[Problem, ...]
    size: int
    root: str

    def holding(self, holds: Holds) -> Table | None:
        """Return the first table with rows that holds this, None when no answer has one.

        So the plan, its sums, the ways on, what turns them and the chain are found whoever
        answers with them.
        """
        tables = (
            ran.result.holding(holds)
            for ran in (
                self.advice,
                self.causes,
                self.next_repairs,
                self.inspection,
                self.keeps_failing,
                self.wear,
                self.maintenance,
            )
            if ran is not None
        )
        return next((table for table in tables if table is not None and table.rows), None)

    def next_parts(self, most: int = 3) -> list[tuple[int, bool]]:
        """Return the rows of what goes next, the likeliest first, for a screen and a sheet alike.

        With each whether its job stands in the plan, or among what is due, already.
        """
        ahead = self.next_repairs.result.holding(Holds.AHEAD) if self.next_repairs else None
        chances = ahead.cells(Tells.VALUE) if ahead is not None else ()
        due = self.next_repairs.result.holding(Holds.DUE) if self.next_repairs else None
        above = [*places_in(due or self.open_now), *places_in(self.holding(Holds.PLAN))]
        rows = [(c, n) for n, c in enumerate(chances) if isinstance(c, float)]
        rows.sort(key=lambda row: (-row[0], row[1]))
        places = places_in(ahead)
        return [(n, any(same_place(places[n], one) for one in above)) for _c, n in rows[:most]]

    def chance_of(self, place: tuple[str, str]) -> float | None:
        """Return the chance that a part fails within the time looked ahead, None where unknown."""
        ahead = self.next_repairs.result.holding(Holds.AHEAD) if self.next_repairs else None
        chances = ahead.cells(Tells.VALUE) if ahead is not None else ()
        at = [n for n, other in enumerate(places_in(ahead)) if same_place(place, other)]
        return max((c for n in at if isinstance(c := chances[n], float)), default=None)

    def due_besides(self) -> float:
        """Return what work comes to that no projection has in it: what failed, what is overdue."""
        work, ahead = self.holding(Holds.PLAN) or self.holding(Holds.DUE), self.holding(Holds.AHEAD)
        if work is None:
            return 0.0
        projected = places_in(ahead)
        return sum(
            float(amount)
            for amount, place in zip(
                work.named("in_sum") or work.cells(Tells.VALUE), places_in(work), strict=True
            )
            if isinstance(amount, int | float)
            and not any(same_place(place, one) for one in projected)
        )

    def why_not(self, answers: Answers) -> str:
        """Return why an analysis has no answer here, an empty text where it has one."""
        told = (p.message for p in self.problems if isinstance(p.message, Sentence))
        return next((text for text in told if text.arguments.get("answers") is answers), "")


def same_place(one: tuple[str, str], other: tuple[str, str]) -> bool:
    """Say whether two places are one; a part without a place is any of its kind."""
    return one[0] == other[0] and (one[1] == other[1] or not (one[1] and other[1]))


def places_in(table: Table | None) -> list[tuple[str, str]]:
    """Return what each row is about, both sides of what is done by the axle as one place."""
    if table is None:
        return []
    cells = zip(table.cells(Tells.COMPONENT), table.cells(Tells.PLACE), strict=True)
    return [(str(part), place_of(str(part), str(place or ""))) for part, place in cells]


def outlook(
    view: "LedgerView",
    host: "PluginHost",
    vehicle_id: str,
    months: float = 12,
    unit: str = "",
) -> Outlook:
    """Gather the outlook of one vehicle.

    Args:
        view: the ledger as of a day.
        host: where the analyses come from.
        vehicle_id: an enrolled vehicle.
        months: how far to look ahead.
        unit: ``mi`` or ``km`` for every distance, those in sentences too; empty takes the unit
            in which most readings of the vehicle are.

    Raises:
        UnknownName: the vehicle is not in the ledger.
    """
    vehicle_id = view.require_vehicle(vehicle_id)
    found = view.of_vehicle("SELECT * FROM vehicles WHERE ONLY(vehicle_id)", vehicle_id)
    profile = dict(zip(found.columns, found.rows[0], strict=True))
    problems: list[Problem] = []
    unit = unit or view.usual_unit(vehicle_id)
    one = {"vehicle": vehicle_id, "unit": unit}

    def ask(answers: Answers, **settings: object) -> Ran | None:
        return _run(host, view, answers, {**one, **settings}, problems)

    coming = ask(Answers.GOES_NEXT, months=months, most=_MOST_NEXT)
    inspection, maintenance = ask(Answers.PASSES), ask(Answers.SERVICE_DUE)
    advice, keeps_failing = ask(Answers.KEEP_OR_SELL), ask(Answers.KEEPS_FAILING)
    wear, causes = ask(Answers.WEARS), ask(Answers.CAUSES)
    from roadworn.analysis.open_now import how_far, open_now

    due = _due_by_analysis(coming)
    if due is None:
        # Only where no analysis says it better.
        due = open_now(view, vehicle_id, OPEN_COLUMNS)
    ahead = coming.result.holding(Holds.AHEAD) if coming is not None else None
    named = [
        str(component)
        for table in (due, ahead)
        for component in (table.cells(Tells.COMPONENT) if table is not None else ())
    ]
    return Outlook(
        vehicle=profile,
        as_of=view.today,
        headline=_headline(profile, due, coming, months),
        distance=how_far(view, profile, unit),
        open_now=due,
        next_repairs=coming,
        inspection=inspection,
        maintenance=maintenance,
        advice=advice,
        keeps_failing=keeps_failing,
        wear=wear,
        causes=causes,
        track_record=host.kept(host.answering(Answers.CAME_TRUE), view),
        unknown=_unknown(view, vehicle_id, profile),
        cautions=cautions_for(named),
        closing=CLOSING,
        unit=unit,
        problems=tuple(problems),
        size=view.checkpoint.size,
        root=view.checkpoint.root,
    )


def _run(
    host: "PluginHost",
    view: "LedgerView",
    answers: Answers,
    settings: dict[str, Any],
    problems: list[Problem],
) -> Ran | None:
    """Run one analysis; what breaks becomes a problem, so that the rest still shows.

    A unit is only asked of an analysis that tells distances.
    """
    try:
        asked = {key: value for key, value in settings.items() if key != "unit"}
        also = {key: value for key, value in settings.items() if key == "unit"}
        return host.run(host.answering(answers), view, asked, also=also)
    except (PluginFailure, UnknownName) as error:
        said = Sentence("outlook.analysis-failed", "{why}", why=error.message, answers=answers)
        problems.append(Problem("analysis-failed", said, "see `roadworn plugins`"))
        return None


def _headline(
    profile: dict[str, Any], open_now: Table, coming: Ran | None, months: float
) -> Joined:
    """Say the most pressing thing first, and never that a vehicle is safe."""
    safety = [row for row, marks in open_now.marked() if Mark.SAFETY in marks]
    open_ = [_open_words(row, marks) for row, marks in open_now.marked() if Mark.OPEN in marks]
    if safety:
        names = Joined(part_name(str(row[1]), str(row[2])) for row in safety)
        first = _say("safety", parts=names)
    elif open_:
        words = Joined(dict.fromkeys(open_[:4]))
        # What somebody typed may bring its own full stop.
        first = _say("open-as-typed" if words[-1:] in ".!?" else "open", words=words)
    else:
        first = _say("none")
    if profile.get("retired_on"):
        reason = profile.get("retirement_reason")
        left = _say("left", day=profile["retired_on"], reason=reason)
        return Joined((left, first), " ")
    total = coming.result.estimates[0] if coming is not None and coming.result.estimates else None
    ahead: Sentence | None = None
    if total is not None and total.value is None:
        ahead = as_sentence(total.words)
    elif total is not None and total.value:
        ahead = _say(
            "ahead",
            months=months,
            value=total.value,
            currency=total.unit,
            low=total.low,
            high=total.high,
        )
    return Joined((first, ahead), " ")


def _open_words(row: tuple[Cell, ...], marks: Marks) -> str:
    """Say what is open in a few words."""
    state, component, position = str(row[0]), str(row[1] or ""), str(row[2] or "")
    if Mark.FAILED in marks:
        return _say("failed", part=part_name(component, position))
    if Mark.COMPLAINT in marks:
        said, day = row[3], row[4]
        return _say("complaint-of", said=said, day=day) if said and day else _say("complaint")
    return Joined((position, state), " ")


def _due_by_analysis(coming: Ran | None) -> Table | None:
    """Return what the analysis of what goes next holds to be due, None when it says nothing.

    It looks further than the record's own words: figures past their limit, complaints nobody
    answered, official inspections not passed.
    """
    due = coming.result.holding(Holds.DUE) if coming is not None else None
    if due is None:
        return None
    rows = zip(*(due.cells(column.tells) for column in OPEN_COLUMNS if column.tells), strict=True)
    return replace(due, name="open_now", columns=OPEN_COLUMNS, rows=tuple(rows))


def _unknown(view: "LedgerView", vehicle_id: str, profile: dict[str, Any]) -> tuple[str, ...]:
    """Return in words what the record cannot answer for."""
    from roadworn.analysis.open_now import levels_left_out, sound_again, to_try
    from roadworn.checks.identity import to_settle

    unknown = (
        []
        if profile.get("retired_on")
        else [*sound_again(view, vehicle_id), *to_try(view, vehicle_id)]
    )
    last: dict[str, date] = {
        kind: day
        for _vehicle, kind, day in view.of_vehicle(
            """SELECT vehicle_id, kind, max(occurred_on) FROM effective_events
               WHERE ONLY(vehicle_id) AND kind IN ('inspection', 'scan')
               GROUP BY vehicle_id, kind""",
            vehicle_id,
        ).rows
    }
    for kind in ("inspection", "scan"):
        if kind not in last:
            unknown.append(_say(f"no-{kind}"))
        elif view.today - last[kind] > STALE:
            unknown.append(_say(f"last-{kind}", day=last[kind]))
        elif kind == "inspection":
            unknown += levels_left_out(view, profile, last[kind])
    seen = profile.get("last_seen_on")
    if seen is not None and view.today - seen > STALE:
        unknown.append(_say("not-seen", day=seen))
    parts = view.of_vehicle(
        """SELECT vehicle_id, component, coalesce(position, '') FROM unknown_parts
           WHERE ONLY(vehicle_id) ORDER BY vehicle_id, component, position""",
        vehicle_id,
    ).rows
    if parts:
        names = list(dict.fromkeys(part_name(*row[1:]) for row in parts))
        unknown.append(_say("unknown-age", n=len(names), parts=some_of(names, 6)))
    unknown += [
        _say("settle", message=problem.message, hint=problem.hint) for problem in to_settle(profile)
    ]
    contradicting = contradictions(view, vehicle_id)
    return (*unknown, *(_say("settle-readings", message=told) for told in contradicting))
