"""The lists of a shop's day, read alike by the screen, the page and whoever writes SQL."""

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from roadworn.columns.spec import Rows
from roadworn.model.messages import Says
from roadworn.say.telling import item_words, test_words

if TYPE_CHECKING:
    from roadworn.columns.view import LedgerView

_VEHICLE = "v.label, v.model_year, v.make, v.model, v.owner_reference"
#: The day it was handed over, where that is the last that was written down of its stay.
_LEFT = """(SELECT CASE max_by(s.step, (s.occurred_on, s.seq)) WHEN 'handed_over'
                         THEN max(s.occurred_on) END
           FROM visits AS s WHERE s.vehicle_id = x.vehicle_id) AS left_on"""
_LINE = "x.line, x.component, x.position, x.work, x.amount, x.currency, x.safety"
#: What each list asks; safety first, and then what waits longest.
_ASKED = {
    "stops": """SELECT x.vehicle_id, x.component, coalesce(x.position, '') AS position, x.event_id
                FROM open_findings AS x JOIN vehicles AS v ON v.vehicle_id = x.vehicle_id
                WHERE x.safety AND x.condition = 'failed' AND v.retired_on IS NULL
                ORDER BY x.vehicle_id, x.component, position""",
    "in_shop": f"""SELECT x.vehicle_id, x.since, x.arrived, x.promised, x.promised_time,
                           x.entries, x.event_id, {_VEHICLE}
                   FROM in_shop AS x JOIN vehicles AS v ON v.vehicle_id = x.vehicle_id
                   ORDER BY x.promised NULLS LAST, x.promised_time NULLS LAST, x.since,
                            x.vehicle_id""",
    "waiting": f"""SELECT x.vehicle_id, x.occurred_on AS estimated_on, {_LINE}, x.valid_until,
                          x.lapsed, x.event_id, {_VEHICLE}
                   FROM waiting_lines AS x JOIN vehicles AS v ON v.vehicle_id = x.vehicle_id
                   ORDER BY x.occurred_on DESC, x.vehicle_id, x.seq, x.line""",
    "approved": f"""SELECT x.vehicle_id, x.occurred_on AS approved_on, x.estimated_on, {_LINE},
                           x.estimate, x.event_id, {_LEFT}, {_VEHICLE}
                    FROM approved_work AS x JOIN vehicles AS v ON v.vehicle_id = x.vehicle_id
                    ORDER BY x.occurred_on, x.vehicle_id, x.seq, x.line""",
    "done": f"""SELECT x.vehicle_id, x.kind, x.component, x.done_at AS position, x.how,
                       x.total_cost AS amount, x.currency, x.work_order, x.event_id, {_VEHICLE}
                FROM work_done AS x JOIN vehicles AS v ON v.vehicle_id = x.vehicle_id
                WHERE x.occurred_on = CAST(? AS DATE)
                ORDER BY x.vehicle_id, x.seq""",
    "untried": f"""SELECT x.*, {_LEFT}, {_VEHICLE}
                   FROM (SELECT u.vehicle_id, u.occurred_on AS done_on, u.component,
                                w.done_at AS position, u.wants, NULL AS failed_on, u.event_id
                         FROM untried_work AS u JOIN work_done AS w ON w.event_id = u.event_id
                         UNION ALL
                         SELECT t.vehicle_id, t.asked_on, t.component, w.done_at, t.test,
                                t.failed_on, t.event_id
                         FROM open_tests AS t LEFT JOIN work_done AS w ON w.event_id = t.event_id
                        ) AS x
                   JOIN vehicles AS v ON v.vehicle_id = x.vehicle_id AND v.retired_on IS NULL
                   ORDER BY x.done_on, x.vehicle_id, x.wants, x.component, x.position""",
}


@dataclass(frozen=True, slots=True)
class Day:
    """The lists of one day; rows of each as the views of `columns.views_today` have them.

    Attributes:
        day: the day of the view.
        stops: vehicle, component and place of what forbids driving, of those still here.
        in_shop: vehicles that are here, those promised soonest first.
        waiting: estimate lines without an answer, the newest first.
        approved: lines approved and not done, the oldest first.
        done: work of the day.
        untried: work that nothing on record has tried since, and tests that it asked for.
    """

    day: date
    stops: Rows
    in_shop: Rows
    waiting: Rows
    approved: Rows
    done: Rows
    untried: Rows


def lists_of_the_day(view: "LedgerView") -> Day:
    """Return the lists of the view's day."""
    found = {
        name: view.sql(sql, (view.today.isoformat(),) if name == "done" else ())
        for name, sql in _ASKED.items()
    }
    return Day(view.today, **found)


class LeftOpen(NamedTuple):
    """What a vehicle that is handed over leaves with.

    Attributes:
        what: stop, approved, sound or tests.
        words: what it means.
        names: of what is open, each once.
    """

    what: str
    words: str
    names: tuple[str, ...]


LEAVES = Says(
    "left-open",
    {
        "stop": "STOP, it leaves with a safety item failed, not to be driven until it is put right",
        "approved": "It leaves with work approved and not done",
        "sound": "It leaves with a safety item named sound that had failed, and no work on record",
        "tests": "It leaves without what the work asks to be tried",
    },
)
_LEFT_OPEN = {
    "stop": """SELECT component, position FROM open_findings
               WHERE vehicle_id = ? AND safety AND condition = 'failed'
               ORDER BY component, position""",
    "approved": """SELECT component, position FROM approved_work
                   WHERE vehicle_id = ? ORDER BY seq, line""",
    # Of this stay; a vehicle that nobody wrote down as here stays for the day.
    "sound": """SELECT component, position FROM found_sound AS s
                WHERE vehicle_id = ? AND safety AND condition = 'failed'
                  AND sound_on >= coalesce(
                    (SELECT max(v.occurred_on) FROM visits AS v
                     WHERE v.vehicle_id = s.vehicle_id AND v.step = 'arrived'), CAST(? AS DATE))
                ORDER BY component, position""",
    "tests": "SELECT test FROM open_tests WHERE vehicle_id = ? ORDER BY asked_on, test",
}


def left_open(view: "LedgerView", vehicle_id: str) -> tuple[LeftOpen, ...]:
    """Return what a vehicle leaves with, the worst first; nothing of it is refused."""
    found = []
    for what, sql in _LEFT_OPEN.items():
        asked = (vehicle_id, view.today.isoformat())[: sql.count("?")]
        rows = view.sql(sql, asked)
        records = (dict(zip(rows.columns, values, strict=True)) for values in rows.rows)
        named = (test_words(r["test"]) if what == "tests" else item_words(r) for r in records)
        if names := tuple(dict.fromkeys(named)):
            found.append(LeftOpen(what, LEAVES(what), names))
    return tuple(found)
